//! Raw numbers of a converter or a bus become units: times a scale, plus an offset.

/// value = raw × scale + offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::protocol) struct Linear {
    scale: f64,
    /// The scale as a power of ten; none where it is none.
    shift: Option<i32>,
    offset: f64,
}

impl Linear {
    pub(crate) fn new(scale: f64, offset: f64) -> Self {
        let power = scale.abs().log10().round();
        let is_power = scale > 0.0 && (10f64.powf(power) / scale - 1.0).abs() < 1e-12;
        Self { scale, shift: is_power.then_some(power as i32), offset }
    }

    #[inline]
    pub(crate) fn of(&self, raw: f64) -> f64 {
        let scaled = match self.shift {
            Some(0) => raw,
            // Dividing by an exact power of ten rounds once.
            Some(shift) if shift < 0 => raw / 10f64.powi(-shift),
            _ => raw * self.scale,
        };
        scaled + self.offset
    }

    /// What the last digit is worth where raw's is worth 10^place: none for a scale of 0.25.
    pub(crate) fn place(&self, place: i32) -> Option<i8> {
        self.shift.and_then(|shift| i8::try_from(shift + place).ok())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_of_a_vehicles_bus() {
        // SAE J1979 service 01, formulas as public tables give them; the bytes are ours.
        assert_eq!(Linear::new(0.25, 0.0).of(f64::from(0x1af8)), 1726.0);
        assert_eq!(Linear::new(0.001, 0.0).of(f64::from(0x3039)), 12.345);
        assert_eq!(Linear::new(1.0, -40.0).of(f64::from(0x7b)), 83.0);
        assert_eq!(Linear::new(0.001, 0.0).place(0), Some(-3));
        assert_eq!(Linear::new(0.25, 0.0).place(0), None);
    }
}
