//! The figure of a signal's shape that a step is judged on.

use super::{edges::EdgeResult, meter::WaveformMeter};
use crate::{
    electrics::{DecisionRule, Uncertain},
    procedure::{RippleRule, ShapeFigure, ShapeRule, rate_for_time_constant},
    protocol::Value,
    session::{
        Judgement, Verdict,
        judge::{NotJudged, Outcome, compare},
    },
    units::{Dimension, Limit, Quantity, show, show_duration, show_given, show_with},
};

/// A peak that fewer samples show may have been higher between them.
const PEAK_SAMPLES: u64 = 3;
/// A signal that does not move and is above this is at its high level, V and A: what an open lead and an empty clamp show at
/// most, common practice, no source.
const ALIVE_V: f64 = 0.5;
const ALIVE_A: f64 = 0.05;

/// A figure with what is to be said beside it, or why there is none.
type FigureOrReason = Result<(Uncertain, String), String>;

/// The judgement of a step on the shape of its signal; `meter` is none where nothing was read, `board` is what sends the samples.
pub(in crate::session) fn judged_shape(
    rule: &ShapeRule,
    limit: Option<&Limit>,
    decision: DecisionRule,
    meter: Option<&WaveformMeter>,
    board: &str,
) -> Judgement {
    let word = rule.figure.word();
    let (figure, of) = match meter {
        Some(meter) => (meter.figure(rule, board), Some(meter.quantity)),
        None => (Err(format!("nothing was read to take the {word} from")), None),
    };
    let quantity = of.map(|of| rule.figure.quantity(of));
    let (value, beside) = match (figure, quantity) {
        (Ok(figure), Some(_)) => figure,
        (Err(reason), _) => return without_value(reason, quantity, limit),
        (Ok(_), None) => return without_value(String::new(), None, limit),
    };
    let quantity = quantity.unwrap_or(Quantity::Number);
    let shown = show_with(value.value, 2.0 * value.u, quantity);
    let beside = if beside.is_empty() { beside } else { format!(" {beside}") };
    let (outcome, wanted) = match limit {
        None => (Outcome::Recorded { value: Value::Number(value.value), u: Some(value.u), quantity }, String::new()),
        Some(limit) => {
            let decision = compare(limit, Value::Number(value.value), Some(value.u), decision);
            let outcome = Outcome::Compared {
                decision,
                number: value.value,
                shown: None,
                u: Some(value.u),
                quantity,
                limit: *limit,
            };
            (outcome, format!(", {limit} wanted"))
        }
    };
    let mut judgement = Judgement { outcome, digit: None, reason: format!("{word} {shown}{beside}{wanted}") };
    let is_short = limit.and_then(|limit| limit.low).is_some_and(|low| value.value < low);
    match judgement.verdict() {
        Some(Verdict::OutOfLimit) if rule.figure == ShapeFigure::TimeConstant && is_short => {
            judgement.reason += "; a rise that is too fast while the settled current is right points at shorted turns: inductance \
                                 falls before resistance does; a hot coil has a shorter time constant too";
        }
        Some(Verdict::TooCloseToCall) => judgement.reason += "; too close to call",
        _ => {}
    }
    judgement
}

/// The judgement of what a watched value carries on top.
pub(in crate::session) fn judged_ripple(
    rule: &RippleRule,
    quantity: Quantity,
    meter: Option<&WaveformMeter>,
    board: &str,
) -> Judgement {
    let limit = &rule.at_most;
    let rate = meter.and_then(|meter| meter.rate.hertz());
    let found = meter.and_then(|meter| meter.own.as_ref()?.ripple.ripple());
    let Some(rate) = rate else {
        return without_value("nothing was read to take the ripple from".to_owned(), Some(quantity), Some(limit));
    };
    let needed = rule.needed_rate();
    if rate < needed {
        let reason = format!(
            "{board} sends {} readings a second: ripple of up to {} needs {}",
            rounded(rate),
            show_given(rule.highest_frequency, Dimension::Hertz),
            rounded(needed)
        );
        return without_value(reason, Some(quantity), Some(limit));
    }
    let Some(ripple) = found else {
        let reason = "too few readings to take the ripple from: a second of them is needed".to_owned();
        return without_value(reason, Some(quantity), Some(limit));
    };
    let number = ripple.peak_to_peak;
    let decision = compare(limit, Value::Number(number), None, DecisionRule::Guarded);
    let outcome = Outcome::Compared { decision, number, shown: None, u: None, quantity, limit: *limit };
    let reason = format!("ripple {}, {limit} wanted", show(number, quantity));
    Judgement { outcome, digit: None, reason }
}

fn without_value(reason: String, quantity: Option<Quantity>, limit: Option<&Limit>) -> Judgement {
    let outcome = Outcome::NoValue { why: NotJudged::NoReading, quantity, limit: limit.copied() };
    Judgement { outcome, digit: None, reason }
}

impl WaveformMeter {
    fn figure(&self, rule: &ShapeRule, board: &str) -> FigureOrReason {
        let word = rule.figure.word();
        let (Some(rate), Some(mean)) = (self.rate.hertz(), self.values.mean()) else {
            return Err(format!("too few readings to take the {word} from"));
        };
        if rule.figure != ShapeFigure::TimeConstant
            && let Some(needed) = rule.needed_rate().filter(|needed| rate < *needed)
        {
            let highest = show_given(rule.highest_frequency.unwrap_or(0.0), Dimension::Hertz);
            return Err(format!(
                "{board} sends {} readings a second: the {word} of what may repeat at {highest} needs {}",
                rounded(rate),
                rounded(needed)
            ));
        }
        let exact = |value: f64| Uncertain::new(value, self.u.unwrap_or(0.0));
        match rule.figure {
            ShapeFigure::Mean => Ok((exact(mean).widened(self.sampled_u()), String::new())),
            ShapeFigure::Rms => {
                let rms = self.rms().unwrap_or(mean.abs());
                Ok((exact(rms).widened(self.sampled_u()), String::new()))
            }
            ShapeFigure::Duty | ShapeFigure::DutyLow | ShapeFigure::Frequency => self.switched(rule.figure, mean),
            ShapeFigure::Ripple | ShapeFigure::RippleRms => {
                let ripple = self.own.as_ref().and_then(|own| own.ripple.ripple());
                let Some(ripple) = ripple else {
                    return Err(format!("too few readings to take the {word} from: a second of them is needed"));
                };
                let is_rms = rule.figure == ShapeFigure::RippleRms;
                let value = if is_rms { ripple.rms } else { ripple.peak_to_peak };
                // Offset and gain of the board hardly move what is between two of its readings.
                let around = format!("about {}", show(mean, self.quantity));
                Ok((Uncertain::new(value, 0.0), around))
            }
            ShapeFigure::Peak | ShapeFigure::Hold | ShapeFigure::TimeConstant => self.switched_on(rule, board),
        }
    }

    /// What a mean may be off since samples see a switched signal's edges only between two of them.
    fn sampled_u(&self) -> f64 {
        match (self.edges.result(&self.rate), self.edges.levels()) {
            (EdgeResult::Switched(figures), Some((low, high))) => (high - low) * figures.duty.u,
            _ => 0.0,
        }
    }

    fn switched(&self, figure: ShapeFigure, mean: f64) -> FigureOrReason {
        let alive = if self.quantity == Quantity::AmpsDc { ALIVE_A } else { ALIVE_V };
        let at = show(mean, self.quantity);
        match self.edges.result(&self.rate) {
            EdgeResult::Unknown => Err(format!("too few readings to take the {} from", figure.word())),
            EdgeResult::Changing => Err(format!("it changed without a steady rate: there is no {}", figure.word())),
            EdgeResult::Steady => {
                let is_high = mean.abs() > alive;
                let share = if is_high == (figure == ShapeFigure::Duty) { 100.0 } else { 0.0 };
                let value = if figure == ShapeFigure::Frequency { 0.0 } else { share };
                Ok((Uncertain::exact(value), format!("as it did not switch but stayed at {at}")))
            }
            EdgeResult::Switched(figures) => {
                let (frequency, duty) = (figures.frequency, figures.duty);
                let levels = self.edges.levels().map_or(String::new(), |(low, high)| {
                    format!("between {} and {}", show(low, self.quantity), show(high, self.quantity))
                });
                Ok(match figure {
                    ShapeFigure::Frequency => (frequency, levels),
                    _ => {
                        let share = if figure == ShapeFigure::DutyLow { 1.0 - duty.value } else { duty.value };
                        let beside = format!("at {} {levels}", show(frequency.value, Quantity::Frequency));
                        (Uncertain::new(100.0 * share, 100.0 * duty.u), beside)
                    }
                })
            }
        }
    }

    fn switched_on(&self, rule: &ShapeRule, board: &str) -> FigureOrReason {
        let Some(seen) = self.own.as_ref().map(|own| own.switch_on.seen()).filter(|seen| seen.count > 0) else {
            return Err("it was not switched on during the step: switch it on while the step is on".to_owned());
        };
        let times = if seen.count > 1 { format!("over {} times", seen.count) } else { String::new() };
        let exact = |value: f64| Uncertain::new(value, self.u.unwrap_or(0.0));
        match rule.figure {
            ShapeFigure::Hold => seen.hold.map(|hold| (exact(hold), times)).ok_or("it did not settle".to_owned()),
            ShapeFigure::Peak => {
                let (Some(peak), Some(hold)) = (seen.peak, seen.hold) else {
                    return Err("it did not settle".to_owned());
                };
                let is_seen = seen.peak_samples >= PEAK_SAMPLES || (peak - hold).abs() <= 2.0 * self.u.unwrap_or(0.0);
                if !is_seen {
                    let needed = PEAK_SAMPLES as f64 / seen.interval.max(1e-9);
                    return Err(format!(
                        "the peak lasted for {} of {board}'s readings, so it may have been higher between them: more than {} a second \
                         are needed",
                        seen.peak_samples,
                        rounded(needed)
                    ));
                }
                Ok((exact(peak), format!("before it settled at {}", show(hold, self.quantity))))
            }
            _ => match seen.time_constant() {
                Some(tau) => {
                    let settled = seen.hold.map_or(String::new(), |hold| format!("to {}", show(hold, self.quantity)));
                    Ok((
                        tau,
                        [settled, times].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" "),
                    ))
                }
                None if seen.too_fast > 0 => {
                    let shortest = rule.shortest.unwrap_or(seen.at_most);
                    Err(format!(
                        "it rose within a few of {board}'s readings, with a time constant below {}: at least {} readings a second are \
                         needed",
                        show_duration(seen.at_most),
                        rounded(rate_for_time_constant(shortest).max(1.0 / seen.interval.max(1e-9) * 2.0))
                    ))
                }
                None => Err("its rise is not that of a coil: no time constant fits it".to_owned()),
            },
        }
    }
}

/// `4,000`, `90`, `3.2`: three significant digits of a rate.
fn rounded(rate: f64) -> String {
    let step = 10f64.powf(rate.max(1e-9).log10().floor() - 2.0);
    let rate = (rate / step).round() * step;
    let whole = rate.round() as u64;
    match rate {
        small if small < 9.95 => format!("{small:.1}").trim_end_matches(".0").to_owned(),
        large if large < 1000.0 => format!("{whole}"),
        _ if whole < 1_000_000 => format!("{},{:03}", whole / 1000, whole % 1000),
        _ => format!("{whole}"),
    }
}
