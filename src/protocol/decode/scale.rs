//! Raw numbers of a converter or a bus become units: times a scale, which rounds once where it is a power of ten.

use serde::Deserialize;

/// What a raw number is multiplied by; not 0.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(try_from = "f64")]
pub(in crate::protocol) struct ScaleFactor {
    factor: f64,
    /// The factor as a power of ten; none where it is none.
    shift: Option<i32>,
}

impl Default for ScaleFactor {
    fn default() -> Self {
        Self { factor: 1.0, shift: Some(0) }
    }
}

impl TryFrom<f64> for ScaleFactor {
    type Error = &'static str;

    fn try_from(factor: f64) -> Result<Self, Self::Error> {
        if !factor.is_finite() || factor == 0.0 {
            return Err("expected a scale other than 0");
        }
        let power = factor.abs().log10().round();
        let is_power = factor > 0.0 && (10f64.powf(power) / factor - 1.0).abs() < 1e-12;
        Ok(Self { factor, shift: is_power.then_some(power as i32) })
    }
}

impl ScaleFactor {
    #[inline]
    pub(crate) fn apply(&self, raw: f64) -> f64 {
        match self.shift {
            Some(0) => raw,
            // Dividing by an exact power of ten rounds once.
            Some(shift) if shift < 0 => raw / 10f64.powi(-shift),
            _ => raw * self.factor,
        }
    }

    /// What the last digit is worth where raw's is worth 10^decade: none for a scale of 0.25.
    pub(crate) fn decade(&self, decade: i32) -> Option<i8> {
        self.shift.and_then(|shift| i8::try_from(shift + decade).ok())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scales_of_a_vehicles_bus() {
        // SAE J1979 service 01, formulas as public tables give them; the bytes are ours.
        let scale = |factor: f64| ScaleFactor::try_from(factor).unwrap();
        assert_eq!(scale(0.25).apply(f64::from(0x1af8)), 1726.0);
        assert_eq!(scale(0.001).apply(f64::from(0x3039)), 12.345);
        assert_eq!(ScaleFactor::default().apply(f64::from(0x7b)), 123.0);
        assert_eq!(scale(0.001).decade(0), Some(-3));
        assert_eq!(scale(0.25).decade(0), None);
        assert!(ScaleFactor::try_from(0.0).is_err() && ScaleFactor::try_from(f64::NAN).is_err());
    }
}
