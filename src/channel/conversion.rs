//! One reading becomes one sample.

use std::sync::Arc;

use super::{ChannelId, Sample};
use crate::{
    clock::Mono,
    protocol::{Function, Reading, Value},
    units::{AsWritten, DataSheet, Dimension, Quantity, Scale},
};

/// How a reading of the meter becomes a value in circuit terms.
#[derive(Debug, Clone, PartialEq)]
pub struct Conversion {
    /// What the channel shows; none for a meter whose function the operator switches.
    pub quantity: Option<Quantity>,
    /// The clamp or divider between circuit and meter; none where there is none.
    pub scale: Option<AsWritten<Scale>>,
    /// How far the meter may be off, in circuit terms; none where the bench does not say.
    pub accuracy: Option<Arc<AsWritten<DataSheet>>>,
}

/// A channel and the conversion of its readings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Binding {
    /// The channel of the samples.
    pub channel: ChannelId,
    /// How a reading becomes a sample.
    pub conversion: Conversion,
}

impl Binding {
    /// The sample that a reading means.
    ///
    /// A meter on another function than the channel expects yields a sample of *that* function,
    /// unscaled, so that all later stages can see the position of the switch.
    pub(crate) fn sample(&self, reading: &Reading, at: Mono) -> Sample {
        let conversion = &self.conversion;
        let (quantity, scale) = match conversion.match_function(reading.function) {
            FunctionMatch::Expected(quantity) => (quantity, conversion.scale()),
            FunctionMatch::Other(quantity) => (quantity, Scale::NONE),
        };
        let value = scaled(reading.value, scale, reading.decade);
        let digit = reading.decade.map(|decade| power_of_ten(decade) * scale.factor.abs());
        let u = match value {
            Value::Number(value) => conversion.standard_uncertainty(quantity, value, digit),
            Value::Over | Value::Under => None,
        };
        Sample {
            at,
            channel: self.channel,
            quantity,
            value,
            u,
            decade: reading.decade,
            digit,
            annunciators: reading.annunciators,
        }
    }
}

enum FunctionMatch {
    /// The meter shows what the channel expects.
    Expected(Quantity),
    /// The meter is switched to something else.
    Other(Quantity),
}

impl Conversion {
    /// The reading as it is.
    pub const NONE: Self = Self { quantity: None, scale: None, accuracy: None };

    /// The scale of the clamp or divider; [`Scale::NONE`] where there is none.
    pub fn scale(&self) -> Scale {
        self.scale.as_ref().map_or(Scale::NONE, |scale| scale.value)
    }

    fn match_function(&self, function: Function) -> FunctionMatch {
        let scale = self.scale();
        let own = match function {
            Function::Unknown => None,
            Function::Unit(dimension) => Some(Quantity::of(dimension)),
            Function::Exact(quantity) => Some(quantity),
        };
        // Behind a clamp the meter must show what the clamp gives out.
        if let (Some(from), Some(own)) = (scale.from, own)
            && own.dimension() != from
        {
            return FunctionMatch::Other(own);
        }
        if let Some(to) = scale.to {
            return FunctionMatch::Expected(self.quantity.unwrap_or_else(|| Quantity::of(to)));
        }
        match (self.quantity, function) {
            (Some(expected), Function::Unknown) => FunctionMatch::Expected(expected),
            (Some(expected), Function::Unit(dimension)) if dimension == expected.dimension() => {
                FunctionMatch::Expected(expected)
            }
            (Some(expected), Function::Exact(quantity)) if quantity == expected => FunctionMatch::Expected(expected),
            (Some(_), _) => FunctionMatch::Other(own.unwrap_or(Quantity::Number)),
            (None, _) => FunctionMatch::Expected(own.unwrap_or(Quantity::Number)),
        }
    }

    /// What the last digit is worth in circuit terms in a sample that is stored with this quantity and decade: as it was when
    /// the reading became that sample.
    pub(crate) fn digit(&self, quantity: Quantity, decade: Option<i8>) -> Option<f64> {
        let is_scaled = self.shows().is_none_or(|shown| shown == quantity);
        let scale = if is_scaled { self.scale() } else { Scale::NONE };
        decade.map(|decade| power_of_ten(decade) * scale.factor.abs())
    }

    /// Of the meter and of the clamp or divider before it, in quadrature (JCGM 100:2008, 5.1.2).
    ///
    /// JCGM 100:2008, 4.3.7: limits of error with nothing more known are a rectangular
    /// distribution, so u = half-width / √3; the display's step alone gives digit / √12 (F.2.2.1).
    /// Clause numbers from memory.
    pub(crate) fn standard_uncertainty(&self, quantity: Quantity, value: f64, digit: Option<f64>) -> Option<f64> {
        let meter = match &self.accuracy {
            // Beyond the rows of the sheet nothing is known: the display's step alone would promise too much.
            Some(sheet) => {
                let row = sheet.value.row_for(quantity, value, digit);
                row.map(|row| row.half_width(value, digit) / 3f64.sqrt())
            }
            None => digit.map(|digit| digit / 12f64.sqrt()),
        };
        let scale = value.abs() * self.scale().tolerance / 3f64.sqrt();
        match meter {
            Some(meter) => Some(meter.hypot(scale)),
            None => (scale > 0.0).then_some(scale),
        }
    }

    /// What the channel shows, where that does not depend on the meter's switch.
    pub fn shows(&self) -> Option<Quantity> {
        self.quantity.or(self.scale().to.map(Quantity::of))
    }

    /// The dimension of the accuracy's fixed part, where it is known.
    pub fn dimension(&self) -> Option<Dimension> {
        self.quantity.map(Quantity::dimension).or(self.scale().to)
    }
}

fn scaled(value: Value, scale: Scale, decade: Option<i8>) -> Value {
    match value {
        Value::Number(number) if scale.offset == 0.0 => Value::Number(scaled_number(number, scale.factor, decade)),
        Value::Number(number) => Value::Number(scale.apply(number)),
        Value::Over if scale.factor < 0.0 => Value::Under,
        Value::Under if scale.factor < 0.0 => Value::Over,
        beyond => beyond,
    }
}

/// By a power of ten the digits stay those that the meter showed: 1.2614 V behind a clamp of 10 A/V is 12.614 A, not
/// 12.613999999999999.
fn scaled_number(number: f64, factor: f64, decade: Option<i8>) -> f64 {
    if factor == 1.0 {
        return number;
    }
    let product = number * factor;
    let power = factor.abs().log10().round();
    let (Some(decade), true) = (decade, (10f64.powf(power) / factor.abs() - 1.0).abs() < 1e-12) else { return product };
    let digits = (number / power_of_ten(decade)).round();
    let shift = i32::from(decade) + power as i32;
    let exact = match shift {
        ..0 => digits / 10f64.powi(-shift),
        _ => digits * 10f64.powi(shift),
    };
    let exact = exact.copysign(product);
    // Digits beyond what an f64 holds, or more than the decade says, are kept as they are.
    if (exact - product).abs() <= product.abs() * 1e-12 { exact } else { product }
}

/// 10^decade; a table serves the places that displays have.
fn power_of_ten(decade: i8) -> f64 {
    const TABLE: [f64; 19] =
        [1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
    let index = usize::try_from(i32::from(decade) + 9).ok();
    index.and_then(|index| TABLE.get(index)).copied().unwrap_or_else(|| 10f64.powi(i32::from(decade)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protocol::Annunciators;

    fn reading(value: f64, function: Function) -> Reading {
        Reading {
            name: 0,
            function,
            value: Value::Number(value),
            decade: Some(-3),
            annunciators: Annunciators::empty(),
        }
    }

    fn binding(quantity: Option<Quantity>, scale: &str, accuracy: &str) -> Binding {
        let conversion = Conversion {
            quantity,
            scale: (!scale.is_empty()).then(|| scale.parse().unwrap()),
            accuracy: (!accuracy.is_empty()).then(|| Arc::new(accuracy.parse().unwrap())),
        };
        Binding { channel: ChannelId(3), conversion }
    }

    #[test]
    fn a_clamp_board_shows_amps() {
        // 1 mV per 10 mA: 50 mV is 0.5 A. Common practice, no source.
        let clamp = binding(Some(Quantity::AmpsDc), "1 mV per 10 mA", "1.5 % + 20 mA");
        let sample = clamp.sample(&reading(0.050, Function::Unknown), Mono(7));
        assert_eq!((sample.quantity, sample.at), (Quantity::AmpsDc, Mono(7)));
        let Value::Number(value) = sample.value else { panic!("{sample:?}") };
        assert!((value - 0.5).abs() < 1e-12);
        // (1.5 % of 0.5 A + 20 mA) / √3, JCGM 100 4.3.7.
        assert!((sample.u.unwrap() - 0.0275 / 3f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn a_bare_current_sensor_rests_above_zero() {
        // 1.5 V of a sensor with 0.5 V + 20 mV/A is 50 A; its digit of 1 mV is 50 mA.
        let sensor = binding(Some(Quantity::AmpsDc), "0.5 V + 20 mV/A ± 1 %", "");
        let sample = sensor.sample(&reading(1.5, Function::Exact(Quantity::VoltsDc)), Mono(0));
        let Value::Number(amps) = sample.value else { panic!("{sample:?}") };
        assert!((amps - 50.0).abs() < 1e-9 && (sample.digit.unwrap() - 0.05).abs() < 1e-12, "{sample:?}");
        // 1 % of 50 A and a step of 50 mA, JCGM 100 4.3.7 and F.2.2.1.
        let expected = (0.5f64 / 3f64.sqrt()).hypot(0.05 / 12f64.sqrt());
        assert!((sample.u.unwrap() - expected).abs() < 1e-12, "{sample:?}");
    }

    #[test]
    fn a_scale_of_ten_keeps_the_digits_that_were_shown() {
        let clamp = binding(Some(Quantity::AmpsDc), "-100 mV/A", "");
        for (shown, decade, amps) in
            [(1.2614, -4, -12.614), (0.0002, -4, -0.002), (-0.00, -3, 0.0), (1.26141, -5, -12.6141)]
        {
            let reading = Reading { decade: Some(decade), ..reading(shown, Function::Unknown) };
            assert_eq!(clamp.sample(&reading, Mono(0)).value, Value::Number(amps), "{shown}");
        }
    }

    #[test]
    fn a_clamp_and_its_meter_are_off_independently() {
        // EA-4/02 and JCGM 100 5.1.2: 1 % of 5 A and 0.5 % + 5 mV at 100 mV/A, that is 50 mA and 75 mA, each over √3.
        let clamp = binding(Some(Quantity::AmpsDc), "100 mV/A ± 1 %", "0.5 % + 50 mA");
        let sample = clamp.sample(&reading(0.5, Function::Unknown), Mono(0));
        let expected = (0.050f64 / 3f64.sqrt()).hypot(0.075 / 3f64.sqrt());
        assert!((sample.u.unwrap() - expected).abs() < 1e-12, "{sample:?}");
        let untold = Binding { conversion: Conversion { accuracy: None, ..clamp.conversion }, ..clamp };
        let coarse = untold.sample(&Reading { decade: None, ..reading(0.5, Function::Unknown) }, Mono(0));
        assert!((coarse.u.unwrap() - 0.050 / 3f64.sqrt()).abs() < 1e-12, "{coarse:?}");
    }

    #[test]
    fn digits_count_in_circuit_terms() {
        // Computed: 12.345 V, 0.5 % + 3 digits of 1 mV, u = 0.037368996 V.
        let probe = binding(Some(Quantity::VoltsDc), "", "0.5 % + 3 digits");
        let sample = probe.sample(&reading(12.345, Function::Exact(Quantity::VoltsDc)), Mono(0));
        assert!((sample.u.unwrap() - 0.037_368_996).abs() < 1e-9);
    }

    #[test]
    fn a_wrong_switch_position_is_seen_and_not_scaled() {
        let clamp = binding(Some(Quantity::AmpsDc), "100 mV/A", "");
        let sample = clamp.sample(&reading(7.5, Function::Exact(Quantity::Ohms)), Mono(0));
        assert_eq!((sample.quantity, sample.value), (Quantity::Ohms, Value::Number(7.5)));

        let volts = binding(Some(Quantity::VoltsDc), "", "");
        let sample = volts.sample(&reading(7.5, Function::Exact(Quantity::VoltsAc)), Mono(0));
        assert_eq!(sample.quantity, Quantity::VoltsAc);
        let sample = volts.sample(&reading(7.5, Function::Unit(Dimension::Volt)), Mono(0));
        assert_eq!(sample.quantity, Quantity::VoltsDc);
    }

    #[test]
    fn each_function_has_the_accuracy_of_its_row() {
        let probe = binding(
            None,
            "",
            "V DC up to 60 V: 0.5 % + 2 digits; ohm up to 600 ohm: 0.9 % + 5 digits; ohm: 0.9 % + 2 digits",
        );
        let u = |value, quantity| probe.sample(&reading(value, Function::Exact(quantity)), Mono(0)).u.unwrap();
        // Half-widths by hand, digits of 1 mV or 1 mohm: 0.06 + 0.002 V, 0.0675 + 0.005 ohm, 9 + 0.002 ohm.
        for (value, quantity, half_width) in
            [(12.0, Quantity::VoltsDc, 0.062), (7.5, Quantity::Ohms, 0.0725), (1000.0, Quantity::Ohms, 9.002)]
        {
            assert!((u(value, quantity) - half_width / 3f64.sqrt()).abs() < 1e-12, "{value} {quantity}");
        }
        // Where the sheet has no row, the accuracy is unknown: the step of the display alone would promise too much.
        for (value, quantity) in [(12.0, Quantity::VoltsAc), (61.0, Quantity::VoltsDc)] {
            let sample = probe.sample(&reading(value, Function::Exact(quantity)), Mono(0));
            assert_eq!(sample.u, None, "{value} {quantity}");
        }
        // Without a sheet it is what is known, JCGM 100 F.2.2.1.
        let plain = binding(None, "", "").sample(&reading(12.0, Function::Exact(Quantity::VoltsDc)), Mono(0));
        assert!((plain.u.unwrap() - 0.001 / 12f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn rows_are_in_circuit_terms_and_so_is_the_digit() {
        // A clamp of 1 mV/A at a meter that shows 0.1 mV: steps of 0.1 A, so not the range of 60 A with its 10 mA.
        let text =
            "A DC up to 60 A in steps of 10 mA: 1 % + 2 digits; A DC up to 600 A in steps of 0.1 A: 2 % + 5 digits";
        let clamp = binding(Some(Quantity::AmpsDc), "1 mV/A", text);
        let shown = Reading { decade: Some(-4), ..reading(0.010, Function::Exact(Quantity::VoltsDc)) };
        let sample = clamp.sample(&shown, Mono(0));
        // 2 % of 10 A and 5 digits of 0.1 A.
        assert!((sample.u.unwrap() - 0.7 / 3f64.sqrt()).abs() < 1e-9, "{sample:?}");
    }

    #[test]
    fn overload_turns_with_a_reversed_lead() {
        let reversed = binding(Some(Quantity::AmpsDc), "-100 mV/A", "");
        let over = Reading { value: Value::Over, ..reading(0.0, Function::Unknown) };
        assert_eq!(reversed.sample(&over, Mono(0)).value, Value::Under);
    }
}
