//! Copper's resistance rises with heat: a limit holds at its reference temperature only.

use crate::{
    channel::{ChannelId, Sample},
    electrics::{Copper, Uncertain},
    protocol::Value,
    units::{Limit, Quantity, show},
};

/// A typed temperature is taken to be right within this, °C, rectangular.
pub(crate) const TYPED_TOLERANCE: f64 = 2.0;

/// A coil in a machine can be as cold as a winter night and as hot as its oil and its own losses make it, °C:
/// common practice, no source.
const POSSIBLE_CELSIUS: (f64, f64) = (-30.0, 140.0);

/// A part is not colder than the air about it by more than this, °C: common practice, no source.
const MOST_BELOW_AMBIENT: f64 = 10.0;

/// How a step's limit depends on the part's temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TemperatureCorrection {
    /// °C at which the limit is given.
    pub reference: f64,
    /// How warm the part is.
    pub part: PartCelsius,
    /// From what to what temperature it can have where it is, °C.
    pub place: (f64, f64),
}

/// How warm a part is, as far as anyone knows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum PartCelsius {
    /// Nobody said.
    Unknown,
    /// °C.
    Known(Uncertain),
    /// A channel tells; what it told last.
    Channel(ChannelId, Option<Uncertain>),
}

impl PartCelsius {
    /// A temperature that somebody typed, °C.
    pub(crate) fn typed(celsius: f64) -> Self {
        Self::Known(Uncertain::rectangular(celsius, TYPED_TOLERANCE))
    }
}

/// What temperatures a part can have, °C: as the procedure says, or no colder than the air about it.
pub(crate) fn place(told: Option<(f64, f64)>, ambient: Option<f64>) -> (f64, f64) {
    told.unwrap_or((ambient.map_or(POSSIBLE_CELSIUS.0, |ambient| ambient - MOST_BELOW_AMBIENT), POSSIBLE_CELSIUS.1))
}

impl TemperatureCorrection {
    /// One more sample of any channel: perhaps the one that tells the temperature.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        if let PartCelsius::Channel(channel, celsius) = &mut self.part
            && *channel == sample.channel
            && sample.quantity == Quantity::Temperature
            && let Value::Number(value) = sample.value
        {
            *celsius = Some(Uncertain::new(value, sample.u.unwrap_or(1.0)));
        }
    }

    fn celsius(&self) -> Option<Uncertain> {
        match self.part {
            PartCelsius::Known(celsius) | PartCelsius::Channel(_, Some(celsius)) => Some(celsius),
            PartCelsius::Unknown | PartCelsius::Channel(_, None) => None,
        }
    }

    /// What the part would show at the reference temperature, and the words for it; none where its
    /// temperature is unknown. Coefficient of IEC 60028.
    pub(crate) fn corrected(&self, ohms: Uncertain) -> Option<(Uncertain, String)> {
        let celsius = self.celsius()?;
        let corrected = Copper::iec_60028().correct(ohms, celsius, self.reference)?;
        let words = format!(
            "{} at {:.0} °C is {} at {:.0} °C",
            show(ohms.value, Quantity::Ohms),
            celsius.value,
            show(corrected.value, Quantity::Ohms),
            self.reference
        );
        Some((corrected, words))
    }

    /// Where the part's temperature is unknown: which one would explain a value that is not within, and
    /// whether that can be.
    pub(crate) fn explains(&self, ohms: f64, limit: &Limit) -> Option<String> {
        if self.celsius().is_some() {
            return None;
        }
        let high = limit.high?;
        let low = limit.low.unwrap_or(high);
        // The coldest part that a sound coil would need to be above the limit, the warmest below it.
        let edge = if ohms > high { high } else { low };
        let copper = Copper::iec_60028();
        let needed = |nominal: f64| {
            copper.explaining_temperature(Uncertain::exact(ohms), Uncertain::exact(nominal), self.reference)
        };
        let (from, to) = (needed(edge)?.value, needed((low + high) / 2.0)?.value);
        let (from, to) = (from.min(to), from.max(to));
        let (coldest, warmest) = self.place;
        Some(if to >= coldest && from <= warmest && ohms < low {
            format!("only a sound coil as cold as {from:.0} to {to:.0} °C would show this: give the part's temperature")
        } else if to >= coldest && from <= warmest {
            format!(
                "a sound coil at {from:.0} to {to:.0} °C would show this: give the part's temperature, or let it cool"
            )
        } else {
            let needed = if ohms > high { from } else { to };
            format!(
                "only at {needed:.0} °C would a sound coil show this, and the place has {coldest:.0} to {warmest:.0} °C: \
                 heat does not explain it"
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_warm_coil_is_corrected() {
        // Computed with the uncertainties library: 14.2(0.12) ohm at 63(2) °C, α = 0.00393 (IEC 60028), is
        // 12.147238214 ohm at 20 °C with u = 0.131180756 ohm.
        let heat = TemperatureCorrection {
            reference: 20.0,
            part: PartCelsius::Known(Uncertain::new(63.0, 2.0)),
            place: POSSIBLE_CELSIUS,
        };
        let (corrected, words) = heat.corrected(Uncertain::new(14.2, 0.12)).unwrap();
        assert!((corrected.value - 12.147_238_214).abs() < 1e-8);
        assert!((corrected.u - 0.131_180_756).abs() < 1e-6);
        assert_eq!(words, "14.20 ohm at 63 °C is 12.15 ohm at 20 °C");
    }

    #[test]
    fn an_unknown_temperature_is_asked_for_only_where_it_could_be_the_reason() {
        // R(80 °C)/R20 is 1.2358 and R(60 °C)/R20 1.1572 with α = 0.00393 (IEC 60028): 7.5 ohm becomes 9.27 and 8.68.
        let heat = TemperatureCorrection { reference: 20.0, part: PartCelsius::Unknown, place: place(None, None) };
        let limit = Limit::nominal("7.5 ohm ± 8 %").unwrap();
        let words = heat.explains(9.2685, &limit).unwrap();
        assert!(words.starts_with("a sound coil at 57 to 80 °C would show this"), "{words}");
        assert!(heat.explains(25.0, &limit).unwrap().contains("heat does not explain it"));
        assert!(heat.explains(3.0, &limit).unwrap().contains("heat does not explain it"));
        // In a place that stays cool it can't be the heat.
        let cool = TemperatureCorrection { place: place(Some((0.0, 40.0)), None), ..heat };
        let words = cool.explains(9.2685, &limit).unwrap();
        assert!(
            words.starts_with("only at 57 °C would a sound coil show this, and the place has 0 to 40 °C"),
            "{words}"
        );
        // 6.5 ohm needs a coil colder than 5 °C: R(5 °C)/R20 = 0.941, and 6.9 ohm becomes 6.49.
        let winter = TemperatureCorrection { place: place(None, Some(-15.0)), ..heat };
        assert!(
            winter.explains(6.48, &limit).unwrap().starts_with("only a sound coil as cold as"),
            "{:?}",
            winter.explains(6.48, &limit)
        );
        let summer = TemperatureCorrection { place: place(None, Some(30.0)), ..heat };
        assert!(summer.explains(6.48, &limit).unwrap().contains("the place has 20 to 140 °C"));
    }
}
