//! `[proof]`: by what times and values the leads prove a dead terminal, an open coil or a lead that slipped.
//!
//! The defaults are common practice, no source.

use std::time::Duration;

use serde::Deserialize;
use toml::Spanned;

use super::keys::Time;
use crate::{
    mistake::{Mistake, Source},
    units::{AsWritten, Dimension, Measure},
};

/// By what the leads prove a capture. Times are how long a reading must last.
#[derive(Debug, Clone, PartialEq)]
pub struct ProofRules {
    /// The channel that shows the battery's volts.
    pub battery: String,
    /// A lead with less than this has nothing under it, V.
    pub nothing_below: f64,
    /// How long nothing is read before the operator is asked.
    pub nothing_for: Duration,
    /// How long the battery must be read.
    pub battery_for: Duration,
    /// How long the leads must be back on the point.
    pub back_for: Duration,
    /// How long a reading must stay to answer which terminal it is.
    pub answer_for: Duration,
    /// How long the battery's volts may stay after "back to the pin" before it is asked which terminal they are.
    pub stays_for: Duration,
    /// How long an open coil must read open.
    pub open_for: Duration,
    /// Leads that touch each other have at most this, ohm.
    pub leads_at_most: f64,
    /// How long they must touch.
    pub leads_for: Duration,
    /// How long a voltage between dead and live must be still before it is a value.
    pub ghost_for: Duration,
}

impl Default for ProofRules {
    fn default() -> Self {
        Self {
            battery: "battery".to_owned(),
            nothing_below: 0.5,
            nothing_for: Duration::from_secs(4),
            battery_for: Duration::from_millis(500),
            back_for: Duration::from_secs(3),
            answer_for: Duration::from_secs(3),
            // Less than a pin is held until its value is announced: a lead that found the pin after all is asked about.
            stays_for: Duration::from_millis(2_500),
            open_for: Duration::from_secs(3),
            leads_at_most: 0.5,
            leads_for: Duration::from_secs(1),
            ghost_for: Duration::from_secs(3),
        }
    }
}

/// The table as written; what is left out is as usual.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ProofTable {
    battery: Option<String>,
    nothing_below: Option<Spanned<AsWritten<Measure>>>,
    nothing_for: Option<Time>,
    battery_for: Option<Time>,
    back_for: Option<Time>,
    answer_for: Option<Time>,
    stays_for: Option<Time>,
    open_for: Option<Time>,
    leads_at_most: Option<Spanned<AsWritten<Measure>>>,
    leads_for: Option<Time>,
    ghost_for: Option<Time>,
}

impl ProofTable {
    pub(super) fn rules(self, source: Source) -> Result<ProofRules, Mistake> {
        let usual = ProofRules::default();
        let time = |time: Option<Time>, usual| time.map_or(usual, |Time(time)| time);
        Ok(ProofRules {
            nothing_below: above_zero(source, self.nothing_below, Dimension::Volt, usual.nothing_below)?,
            leads_at_most: above_zero(source, self.leads_at_most, Dimension::Ohm, usual.leads_at_most)?,
            battery: self.battery.unwrap_or(usual.battery),
            nothing_for: time(self.nothing_for, usual.nothing_for),
            battery_for: time(self.battery_for, usual.battery_for),
            back_for: time(self.back_for, usual.back_for),
            answer_for: time(self.answer_for, usual.answer_for),
            stays_for: time(self.stays_for, usual.stays_for),
            open_for: time(self.open_for, usual.open_for),
            leads_for: time(self.leads_for, usual.leads_for),
            ghost_for: time(self.ghost_for, usual.ghost_for),
        })
    }
}

fn above_zero(
    source: Source,
    key: Option<Spanned<AsWritten<Measure>>>,
    dimension: Dimension,
    usual: f64,
) -> Result<f64, Mistake> {
    let Some(key) = key else { return Ok(usual) };
    let AsWritten { value, text } = key.get_ref();
    if value.dimension == dimension && value.value > 0.0 {
        return Ok(value.value);
    }
    let message =
        format!("found \"{text}\", expected {} above zero, such as \"0.5 {}\"", dimension.unit(), dimension.unit());
    Err(source.mistake(key.span(), message))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::procedure::Procedure;

    fn read(table: &str) -> Result<ProofRules, Mistake> {
        let text = format!("title = \"t\"\n{table}\n[[step]]\nname = \"s\"\n");
        Procedure::parse("p.toml", &text).map(|procedure| procedure.proof)
    }

    #[test]
    fn what_is_left_out_is_as_usual() {
        assert_eq!(read("").unwrap(), ProofRules::default());
        let rules = read("[proof]\nbattery = \"supply\"\nnothing_for = \"6 s\"\nnothing_below = \"800 mV\"").unwrap();
        let expected = ProofRules {
            battery: "supply".to_owned(),
            nothing_for: Duration::from_secs(6),
            nothing_below: 0.8,
            ..ProofRules::default()
        };
        assert_eq!(rules, expected);
    }

    #[test]
    fn each_mistake_has_its_line() {
        for (key, words) in [
            ("nothing_below = \"0.5 A\"", "expected V above zero"),
            ("leads_at_most = \"0 ohm\"", "expected ohm above zero"),
            ("back_for = \"3\"", "a length of time"),
            ("nothing = \"3 s\"", "unknown"),
        ] {
            let mistake = read(&format!("[proof]\n{key}")).unwrap_err();
            assert!(mistake.line == 3 && mistake.message.contains(words), "{key}: {mistake}");
        }
    }
}
