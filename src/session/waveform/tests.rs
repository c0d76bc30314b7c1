//! Shapes against closed forms, ngspice and signals whose truth is known.

use super::*;
use crate::{
    channel::{ChannelId, Sample},
    electrics::{
        DecisionRule,
        checks::{near, number, rows},
        noise::Noise,
        switched_coil::PwmDrive,
    },
    procedure::{ShapeFigure, ShapeRule},
    session::{
        Judgement, Verdict,
        judge::tests::{amps, volts},
    },
    units::{Dimension, Limit, Quantity},
};

/// Feeds a signal at a rate for some seconds.
fn metered(quantity: Quantity, hertz: f64, seconds: f64, mut signal: impl FnMut(f64) -> f64) -> WaveformMeter {
    let mut meter = WaveformMeter::new(quantity, WaveformDepth::Own).unwrap();
    for index in 0..(seconds * hertz) as u32 {
        let t = f64::from(index) / hertz;
        let at = (t * 1e6).round() as i64;
        let sample = if quantity == Quantity::AmpsDc { amps(at, signal(t)) } else { volts(at, signal(t)) };
        meter.sample(&Sample { digit: Some(0.001), ..sample }, true);
    }
    meter
}

fn rule(figure: ShapeFigure, highest: f64) -> ShapeRule {
    ShapeRule { figure, highest_frequency: Some(highest), shortest: None }
}

fn judged(meter: &WaveformMeter, rule: &ShapeRule, limit: Option<Limit>) -> Judgement {
    judged_shape(rule, limit.as_ref(), DecisionRule::Guarded, Some(meter), "the board")
}

fn value(meter: &WaveformMeter, figure: ShapeFigure, highest: f64) -> f64 {
    let judgement = judged(meter, &rule(figure, highest), None);
    match judgement.value() {
        Some(crate::protocol::Value::Number(value)) => value,
        other => panic!("{figure:?}: {other:?}, {}", judgement.reason),
    }
}

/// One with a rectangular wave.
fn square(hertz: f64, duty: f64, low: f64, high: f64) -> impl Fn(f64) -> f64 {
    move |t| if (t * hertz).fract() < duty { high } else { low }
}

#[test]
fn duty_and_frequency_of_a_rectangle() {
    for (hertz, duty) in [(100.3, 0.4), (203.7, 0.25), (97.3, 0.9), (333.3, 0.6)] {
        let meter = metered(Quantity::VoltsDc, 5000.0, 4.0, square(hertz, duty, 0.05, 12.5));
        near(value(&meter, ShapeFigure::Frequency, 400.0), hertz, 0.002 * hertz);
        near(value(&meter, ShapeFigure::Duty, 400.0), 100.0 * duty, 1.5);
        near(value(&meter, ShapeFigure::DutyLow, 400.0), 100.0 - 100.0 * duty, 1.5);
        // Closed form: mean and RMS of a rectangle.
        near(value(&meter, ShapeFigure::Mean, 400.0), duty * 12.5 + (1.0 - duty) * 0.05, 0.05);
        let rms = (duty * 12.5_f64.powi(2) + (1.0 - duty) * 0.05_f64.powi(2)).sqrt();
        near(value(&meter, ShapeFigure::Rms, 400.0), rms, 0.05);
        let summary = meter.summary(ChannelId(0), "pin", Some(&rule(ShapeFigure::Duty, 400.0))).unwrap();
        assert_eq!(summary.shape, SignalShape::Switched);
        let (u, found) = (summary.duty.unwrap().1, summary.duty.unwrap().0);
        assert!((found - 100.0 * duty).abs() <= 2.0 * u, "{found} ± {u} at {hertz} Hz");
    }
}

/// The stated uncertainty holds at any phase, where the samples stand still in the period too.
#[test]
fn the_uncertainty_of_a_duty_holds_where_the_samples_stand_still_in_the_period() {
    let mut noise = Noise::of_seed(3);
    let (mut within, runs) = (0, 200);
    for _ in 0..runs {
        let (phase, duty) = (noise.uniform(), 0.3 + 0.4 * noise.uniform());
        let meter =
            metered(Quantity::VoltsDc, 5000.0, 1.0, |t| if (t * 250.0 + phase).fract() < duty { 12.0 } else { 0.0 });
        let summary = meter.summary(ChannelId(0), "pin", Some(&rule(ShapeFigure::Duty, 400.0))).unwrap();
        let (found, u) = summary.duty.unwrap();
        within += u32::from((found - 100.0 * duty).abs() <= 2.0 * u);
    }
    assert!(within >= runs * 95 / 100, "{within} of {runs}");
}

/// Recorded with ngspice 39, its netlist beside the data: a coil of 7.5 ohm and 60 mH on a driver at 200 Hz and 40 %, with a
/// flyback diode. The figures are ngspice's own, `meas` over ten periods.
#[test]
fn a_switched_coil_with_a_flyback_diode_is_what_ngspice_says() {
    let table: Vec<(f64, f64)> = rows(include_str!("../../../tests/data/electrics/switched_coil.csv"))
        .map(|row| (number(row[1]), number(row[2])))
        .collect();
    // The last row but one closes the period: 500 samples are 20 periods.
    let at = |t: f64| table[(t * 5000.0).round() as usize % 500];
    let current = metered(Quantity::AmpsDc, 5000.0, 4.0, |t| at(t).0);
    near(value(&current, ShapeFigure::Mean, 400.0), 0.5964608, 2e-3);
    near(value(&current, ShapeFigure::Rms, 400.0), 0.601501, 2e-3);
    near(value(&current, ShapeFigure::Frequency, 400.0), 200.0, 0.4);
    near(value(&current, ShapeFigure::Ripple, 400.0), 0.7336226 - 0.4648053, 4e-3);
    let pin = metered(Quantity::VoltsDc, 5000.0, 4.0, |t| at(t).1);
    near(value(&pin, ShapeFigure::Frequency, 400.0), 200.0, 0.4);
    let judgement = judged(&pin, &rule(ShapeFigure::Duty, 400.0), None);
    near(value(&pin, ShapeFigure::Duty, 400.0), 40.0, 2.0);
    assert!(judgement.reason.contains("at 200"), "{}", judgement.reason);
    near(value(&pin, ShapeFigure::Mean, 400.0), 4.471650, 0.02);
}

/// Closed form, which agrees with scipy (`electrics::switched_coil`).
#[test]
fn the_mean_of_a_switched_coil_is_that_of_its_closed_form() {
    for duty in [0.4, 0.6, 0.85] {
        let drive = PwmDrive { supply_v: 12.61, ohms: 7.5, henries: 0.06, hertz: 200.0, duty, diode_v: 0.7 };
        let meter = metered(Quantity::AmpsDc, 5000.0, 4.0, |t| drive.at(t));
        near(value(&meter, ShapeFigure::Mean, 400.0), drive.current().average(), 2e-3);
    }
}

/// A figure that samples could have made up is not given: 190 Hz at 200 samples a second looks like 10 Hz.
#[test]
fn samples_that_are_too_slow_give_no_figure() {
    let meter = metered(Quantity::VoltsDc, 200.0, 20.0, square(190.0, 0.4, 0.0, 12.5));
    for figure in [ShapeFigure::Duty, ShapeFigure::Frequency, ShapeFigure::Rms, ShapeFigure::Ripple, ShapeFigure::Peak]
    {
        let judgement = judged(&meter, &rule(figure, 400.0), None);
        assert_eq!(judgement.verdict(), Some(Verdict::NoReading), "{figure:?}");
        assert!(
            judgement.reason.contains("the board sends 200 readings a second")
                && judgement.reason.contains("what may repeat at 400 Hz needs 4,000"),
            "{}",
            judgement.reason
        );
    }
    for rule in [None, Some(rule(ShapeFigure::Duty, 400.0))] {
        let summary = meter.summary(ChannelId(0), "pin", rule.as_ref()).unwrap();
        assert_eq!((summary.frequency, summary.duty, summary.rms), (None, None, None));
        assert_eq!((summary.ripple_pp, summary.peak), (None, None));
    }
    // Whatever the driver's true frequency is: without a highest one nothing is given at any rate.
    let fast = metered(Quantity::VoltsDc, 5000.0, 2.0, square(100.0, 0.4, 0.0, 12.5));
    let summary = fast.summary(ChannelId(0), "pin", None).unwrap();
    assert_eq!((summary.shape, summary.frequency), (SignalShape::Switched, None));
}

#[test]
fn steady_is_only_said_by_samples_that_would_see_it_switch() {
    let mut noise = Noise::of_seed(8);
    let fast = metered(Quantity::AmpsDc, 2000.0, 3.0, |_| 1.62 + 0.01 * noise.normal());
    assert_eq!(fast.summary(ChannelId(0), "coil", None).unwrap().shape, SignalShape::Steady);
    let slow = metered(Quantity::AmpsDc, 100.0, 3.0, |_| 1.62 + 0.01 * noise.normal());
    assert_eq!(slow.summary(ChannelId(0), "coil", None).unwrap().shape, SignalShape::Unknown);
    // An empty clamp that only drifts and hums does not switch.
    let empty = metered(Quantity::AmpsDc, 2000.0, 3.0, |_| 0.008 * noise.normal());
    assert_eq!(empty.summary(ChannelId(0), "coil", None).unwrap().shape, SignalShape::Steady);
    let meter = metered(Quantity::AmpsDc, 3.0, 30.0, |_| 1.62);
    assert_eq!(meter.summary(ChannelId(0), "coil", None), None);
}

#[test]
fn a_signal_that_does_not_switch_has_a_duty_and_no_rate_without_a_period() {
    let steady = metered(Quantity::VoltsDc, 5000.0, 2.0, |_| 12.4);
    assert_eq!(value(&steady, ShapeFigure::Duty, 400.0), 100.0);
    assert_eq!(value(&steady, ShapeFigure::DutyLow, 400.0), 0.0);
    assert_eq!(value(&steady, ShapeFigure::Frequency, 400.0), 0.0);
    let mut noise = Noise::of_seed(4);
    let mut level = 0.0;
    let wild = metered(Quantity::VoltsDc, 5000.0, 4.0, |_| {
        if noise.uniform() < 0.01 {
            level = 12.0 * noise.uniform();
        }
        level
    });
    let judgement = judged(&wild, &rule(ShapeFigure::Duty, 400.0), None);
    assert!(judgement.reason.contains("without a steady rate"), "{}", judgement.reason);
}

/// Ripple about the trend: that of a sine is its amplitude over √2, and twice its amplitude from least to greatest.
#[test]
fn ripple_is_about_the_trend() {
    let wave = |t: f64| 13.8 - 0.2 * t + 0.15 * (std::f64::consts::TAU * 97.0 * t).sin();
    let meter = metered(Quantity::VoltsDc, 5000.0, 5.0, wave);
    near(value(&meter, ShapeFigure::RippleRms, 400.0), 0.15 / 2f64.sqrt(), 1e-3);
    near(value(&meter, ShapeFigure::Ripple, 400.0), 0.30, 3e-3);
}

/// A coil of `ohms` and `henries` that is switched on at 1 s and off at 2 s, again and again.
fn switched_on(tau: f64, end: f64, seed: u64) -> impl FnMut(f64) -> f64 {
    let mut noise = Noise::of_seed(seed);
    move |t| {
        let t = t % 2.0;
        let on = if t >= 1.0 { end * (1.0 - (-(t - 1.0) / tau).exp()) } else { 0.0 };
        on + 0.004 * noise.normal()
    }
}

fn time_constant(limit: (f64, f64)) -> (ShapeRule, Limit) {
    let rule = ShapeRule { figure: ShapeFigure::TimeConstant, highest_frequency: None, shortest: Some(limit.0) };
    (rule, Limit { low: Some(limit.0), high: Some(limit.1), dimension: Dimension::Second })
}

/// The synthetic truth: L/R of the coil within the stated uncertainty, once and many times.
#[test]
fn the_time_constant_of_a_coil_is_found_with_its_uncertainty() {
    let (rule, limit) = time_constant((6e-3, 10e-3));
    let mut within = 0;
    for seed in 1..=40 {
        let meter = metered(Quantity::AmpsDc, 2000.0, 8.0, switched_on(8e-3, 1.62, seed));
        let summary = meter.summary(ChannelId(0), "coil", None).unwrap();
        let (tau, u) = summary.time_constant.unwrap();
        assert!(u > 0.0 && u < 0.2e-3, "{u}");
        within += u32::from((tau - 8e-3).abs() <= 2.0 * u);
        assert_eq!(summary.switch_ons, Some(4));
        near(summary.hold.unwrap(), 1.62, 0.005);
        let judgement = judged(&meter, &rule, Some(limit));
        assert_eq!(judgement.verdict(), Some(Verdict::InLimit), "{}", judgement.reason);
        assert!(judgement.reason.contains("over 4 times"), "{}", judgement.reason);
    }
    assert!(within >= 35, "{within} of 40 within k = 2");
}

#[test]
fn a_rise_that_is_too_fast_points_at_shorted_turns() {
    let (rule, limit) = time_constant((6e-3, 10e-3));
    let meter = metered(Quantity::AmpsDc, 2000.0, 8.0, switched_on(3e-3, 1.68, 9));
    let judgement = judged(&meter, &rule, Some(limit));
    assert_eq!(judgement.verdict(), Some(Verdict::OutOfLimit), "{}", judgement.reason);
    assert!(judgement.reason.contains("inductance falls before resistance does"), "{}", judgement.reason);
}

#[test]
fn a_rise_between_two_samples_has_no_time_constant_and_says_what_would_show_it() {
    let (rule, limit) = time_constant((2e-3, 10e-3));
    let meter = metered(Quantity::AmpsDc, 100.0, 8.0, switched_on(4e-3, 1.62, 2));
    let judgement = judged(&meter, &rule, Some(limit));
    assert_eq!(judgement.verdict(), Some(Verdict::NoReading), "{}", judgement.reason);
    assert!(judgement.reason.contains("at least 2,500 readings a second are needed"), "{}", judgement.reason);
    let off = metered(Quantity::AmpsDc, 2000.0, 2.0, |_| 0.0);
    let judgement = judged(&off, &rule, Some(limit));
    assert!(judgement.reason.contains("not switched on during the step"), "{}", judgement.reason);
}

/// A driver that pulls with 4 A and holds with 1 A.
#[test]
fn peak_and_hold() {
    let driver = |t: f64| match t % 2.0 {
        t if t < 1.0 => 0.0,
        t if t < 1.03 => 4.0 * (1.0 - (-(t - 1.0) / 0.004).exp()),
        t => 1.0 + 3.0 * (-(t - 1.03) / 0.004).exp(),
    };
    let meter = metered(Quantity::AmpsDc, 5000.0, 6.0, driver);
    near(value(&meter, ShapeFigure::Peak, 400.0), 4.0, 0.02);
    near(value(&meter, ShapeFigure::Hold, 400.0), 1.0, 0.01);
    // A surge that one sample shows may have been higher.
    let surge = |t: f64| match t % 2.0 {
        t if t < 1.0 => 0.0,
        t if t < 1.0002 => 9.0,
        _ => 1.0,
    };
    let meter = metered(Quantity::AmpsDc, 5000.0, 6.0, surge);
    let judgement = judged(&meter, &rule(ShapeFigure::Peak, 400.0), None);
    assert!(judgement.reason.contains("may have been higher between them"), "{}", judgement.reason);
}
