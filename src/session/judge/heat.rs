//! Copper's resistance rises with heat: a limit holds at its reference temperature only.

use crate::{
    channel::{ChannelId, Sample},
    electrics::{Copper, Uncertain},
    protocol::Value,
    units::{Limit, Quantity, show},
};

/// Half-width of a typed temperature's uncertainty, °C, rectangular.
pub(crate) const TYPED_TOLERANCE: f64 = 2.0;

/// A coil in a machine can be as cold as a winter night and as hot as its oil and its own losses make it, °C:
/// common practice, no source.
const POSSIBLE_CELSIUS: (f64, f64) = (-30.0, 140.0);

/// A part is at most this much colder than the air around it, °C: common practice, no source.
const MOST_BELOW_AMBIENT: f64 = 10.0;

/// How a step's limit depends on the part's temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TemperatureCorrection {
    /// °C at which the limit is given.
    pub reference: f64,
    /// The part's temperature.
    pub part: PartCelsius,
    /// The lowest and the highest temperature that the part can have, °C.
    pub possible: (f64, f64),
}

/// The temperature of a part, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum PartCelsius {
    /// Not known.
    Unknown,
    /// °C.
    Known(Uncertain),
    /// A channel measures it; its newest value.
    Channel(ChannelId, Option<Uncertain>),
}

impl PartCelsius {
    /// A temperature that the operator typed, °C.
    pub(crate) fn typed(celsius: f64) -> Self {
        Self::Known(Uncertain::rectangular(celsius, TYPED_TOLERANCE))
    }
}

/// The lowest and the highest temperature that a part can have, °C: as the procedure says, or not much below the
/// ambient temperature.
pub(crate) fn possible_temperatures(given: Option<(f64, f64)>, ambient: Option<f64>) -> (f64, f64) {
    given.unwrap_or((ambient.map_or(POSSIBLE_CELSIUS.0, |ambient| ambient - MOST_BELOW_AMBIENT), POSSIBLE_CELSIUS.1))
}

impl TemperatureCorrection {
    /// One more sample of any channel: perhaps the one that measures the temperature.
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

    /// The resistance at the reference temperature, and a sentence about it; none where the part's
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

    /// Where the part's temperature is unknown: which temperature would explain a value that is not in limit, and
    /// whether that is possible.
    pub(crate) fn explains(&self, ohms: f64, limit: &Limit) -> Option<String> {
        if self.celsius().is_some() {
            return None;
        }
        let high = limit.high?;
        let low = limit.low.unwrap_or(high);
        // Above the limit, the coldest good coil that shows this; below it, the warmest.
        let is_high = ohms > high;
        let edge = if is_high { high } else { low };
        let copper = Copper::iec_60028();
        let needed = |nominal: f64| {
            copper.explaining_temperature(Uncertain::exact(ohms), Uncertain::exact(nominal), self.reference)
        };
        let (from, to) = (needed(edge)?.value, needed((low + high) / 2.0)?.value);
        let (from, to) = (from.min(to), from.max(to));
        let overlaps = |(coldest, warmest): (f64, f64)| to >= coldest && from <= warmest;
        let (coldest, warmest) = self.possible;
        Some(if overlaps(self.possible) && ohms < low {
            format!("only a good coil as cold as {from:.0} to {to:.0} °C would show this: give the part's temperature")
        } else if overlaps(self.possible) {
            format!(
                "a good coil at {from:.0} to {to:.0} °C would show this: give the part's temperature, or let it cool"
            )
        } else if overlaps(POSSIBLE_CELSIUS) {
            let needed = if is_high { from } else { to };
            format!(
                "a good coil would show this only at {needed:.0} °C, but the part is at {coldest:.0} to {warmest:.0} °C: \
                 temperature does not explain it"
            )
        } else {
            let amount = if is_high { "many" } else { "few" };
            format!("no temperature explains this: too {amount} ohms for a good coil")
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
            possible: POSSIBLE_CELSIUS,
        };
        let (corrected, words) = heat.corrected(Uncertain::new(14.2, 0.12)).unwrap();
        assert!((corrected.value - 12.147_238_214).abs() < 1e-8);
        assert!((corrected.u - 0.131_180_756).abs() < 1e-6);
        assert_eq!(words, "14.20 ohm at 63 °C is 12.15 ohm at 20 °C");
    }

    #[test]
    fn an_unknown_temperature_is_asked_for_only_where_it_could_be_the_reason() {
        // R(80 °C)/R20 is 1.2358 and R(60 °C)/R20 1.1572 with α = 0.00393 (IEC 60028): 7.5 ohm becomes 9.27 and 8.68.
        let heat = TemperatureCorrection {
            reference: 20.0,
            part: PartCelsius::Unknown,
            possible: possible_temperatures(None, None),
        };
        let limit = Limit::nominal("7.5 ohm ± 8 %").unwrap();
        let words = heat.explains(9.2685, &limit).unwrap();
        assert!(words.starts_with("a good coil at 57 to 80 °C would show this"), "{words}");
        for (ohms, amount) in [(25.0, "many"), (3.0, "few"), (0.2, "few")] {
            let expected = format!("no temperature explains this: too {amount} ohms for a good coil");
            assert_eq!(heat.explains(ohms, &limit), Some(expected), "{ohms}");
        }
        // In a place that stays cool it can't be the heat.
        let cool = TemperatureCorrection { possible: possible_temperatures(Some((0.0, 40.0)), None), ..heat };
        let words = cool.explains(9.2685, &limit).unwrap();
        assert!(
            words.starts_with("a good coil would show this only at 57 °C, but the part is at 0 to 40 °C"),
            "{words}"
        );
        // 6.5 ohm needs a coil colder than 5 °C: R(5 °C)/R20 = 0.941, and 6.9 ohm becomes 6.49.
        let winter = TemperatureCorrection { possible: possible_temperatures(None, Some(-15.0)), ..heat };
        assert!(
            winter.explains(6.48, &limit).unwrap().starts_with("only a good coil as cold as"),
            "{:?}",
            winter.explains(6.48, &limit)
        );
        let summer = TemperatureCorrection { possible: possible_temperatures(None, Some(30.0)), ..heat };
        assert!(summer.explains(6.48, &limit).unwrap().contains("the part is at 20 to 140 °C"));
    }
}
