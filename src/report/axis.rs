//! The numbers along an axis: one prefix for all of them, and round steps.

use crate::units::Dimension;

/// The unit of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct AxisUnit {
    dimension: Dimension,
    prefix: &'static str,
    /// What one of the prefixed unit is in base units.
    pub factor: f64,
}

impl AxisUnit {
    /// The unit that suits the largest value on the axis, base units.
    pub(super) fn suiting(largest: f64, dimension: Dimension) -> Self {
        let (prefix, factor) = match largest.abs() {
            _ if !dimension.takes_prefix() => ("", 1.0),
            size if size < 1e-3 => ("µ", 1e-6),
            size if size < 0.5 => ("m", 1e-3),
            size if size < 1e3 => ("", 1.0),
            size if size < 1e6 => ("k", 1e3),
            _ => ("M", 1e6),
        };
        Self { dimension, prefix, factor }
    }

    /// The unit as written: `mV`.
    pub(super) fn name(&self) -> String {
        match self.dimension {
            Dimension::Plain => String::new(),
            dimension => format!("{}{}", self.prefix, dimension.unit()),
        }
    }

    /// A value in base units as a number of this unit, with the decimals that marks a `step` of this unit apart need.
    pub(super) fn number(&self, value: f64, step: f64) -> String {
        let decimals = usize::try_from(-step.log10().floor() as i32).unwrap_or(0);
        let value = value / self.factor;
        // A mark that rounds to nothing has no sign.
        let shown = if value.abs() < step / 2.0 { 0.0 } else { value };
        format!("{shown:.decimals$}")
    }
}

/// 1, 2 or 5 times a power of ten, the nearest that is not smaller.
pub(super) fn round_step(about: f64) -> f64 {
    let power = 10f64.powf(about.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().find(|step| step * power >= about * (1.0 - 1e-9));
    step.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        for (about, step) in [(0.9, 1.0), (1.0, 1.0), (1.1, 2.0), (3.0, 5.0), (6.0, 10.0), (0.03, 0.05)] {
            assert!((round_step(about) - step).abs() < 1e-12, "{about}: {}", round_step(about));
        }
    }

    #[test]
    fn one_prefix_serves_a_whole_axis() {
        let drop = AxisUnit::suiting(0.34, Dimension::Volt);
        assert_eq!((drop.name().as_str(), drop.number(0.3, 100.0).as_str()), ("mV", "300"));
        let speed = AxisUnit::suiting(2200.0, Dimension::PerMinute);
        assert_eq!((speed.name().as_str(), speed.number(2000.0, 500.0).as_str()), ("rpm", "2000"));
        assert_eq!(AxisUnit::suiting(12.6, Dimension::Volt).number(-1e-9, 0.5), "0.0");
    }
}
