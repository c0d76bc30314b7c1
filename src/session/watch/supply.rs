//! A supply that must not fail while a module is written: where it heads for, what it carries on top, least and greatest.

use super::{WatchEvent, early_warning::EarlyWarning, trend::TrendWatch};
use crate::{
    channel::Sample,
    procedure::RippleRule,
    protocol::Value,
    session::{
        Judgement, Verdict,
        judge::WatchRules,
        waveform::{WaveformDepth, WaveformMeter, judged_ripple},
    },
    units::{Limit, Quantity, show},
};

/// A slope of less than this share of the value in a minute is not worth a word: common practice, no source.
const LEAST_SLOPE: f64 = 1e-4;

/// Watches the channel of one step.
#[derive(Debug, Clone)]
pub(super) struct SupplyWatch {
    trend: Option<TrendWatch>,
    early: Option<EarlyWarning>,
    ripple: Option<RippleRule>,
    /// Of the quantity that the channel showed first.
    meter: Option<WaveformMeter>,
    band: Option<(f64, f64)>,
    quantity: Option<Quantity>,
}

impl SupplyWatch {
    /// None where the step asks for nothing of it.
    pub(super) fn new(rules: &WatchRules) -> Option<Self> {
        let WatchRules { warn_ahead, warn_levels, ripple } = rules;
        (warn_ahead.is_some() || warn_levels.is_some() || ripple.is_some()).then(|| Self {
            early: warn_levels.map(EarlyWarning::new),
            trend: warn_ahead.map(|ahead| TrendWatch::new(ahead.as_secs_f64())),
            ripple: *ripple,
            meter: None,
            band: None,
            quantity: None,
        })
    }

    /// Takes a sample of the step's channel as it was judged.
    pub(super) fn sample(
        &mut self,
        sample: &Sample,
        verdict: Option<Verdict>,
        limit: Option<&Limit>,
        name: &str,
        events: &mut Vec<WatchEvent>,
    ) {
        let counts = matches!(verdict, Some(Verdict::InLimit | Verdict::OutOfLimit | Verdict::TooCloseToCall) | None);
        let Value::Number(value) = sample.value else { return };
        if !counts {
            return;
        }
        self.quantity = Some(sample.quantity);
        let (least, greatest) = self.band.unwrap_or((value, value));
        self.band = Some((least.min(value), greatest.max(value)));
        if self.ripple.is_some() {
            if self.meter.is_none() {
                self.meter = WaveformMeter::new(sample.quantity, WaveformDepth::Own);
            }
            if let Some(meter) = &mut self.meter {
                meter.sample(sample, true);
            }
        }
        if let (Some(early), Some(limit)) = (&mut self.early, limit) {
            let is_undecided = verdict == Some(Verdict::TooCloseToCall);
            events.extend(early.sample(sample, is_undecided, limit, name).map(WatchEvent::Say));
        }
        if let (Some(trend), Some(limit)) = (&mut self.trend, limit) {
            events.extend(trend.sample(sample, limit, name).map(WatchEvent::Say));
        }
    }

    /// `least 12.9 V, greatest 13.8 V, falling by 0.12 V a minute at the end`; none where nothing was seen.
    pub(super) fn band(&self) -> Option<String> {
        let ((least, greatest), quantity) = self.band.zip(self.quantity)?;
        let slope = self.trend.as_ref().and_then(TrendWatch::slope);
        let slope = slope.filter(|slope| {
            let is_large = slope.value.abs() * 60.0 > LEAST_SLOPE * greatest.abs();
            is_large && slope.value.abs() > 5.0 * slope.u
        });
        let slope = slope.map_or(String::new(), |slope| {
            let verb = if slope.value < 0.0 { "falling" } else { "rising" };
            format!(", {verb} by {} a minute at the end", show(slope.value.abs() * 60.0, quantity))
        });
        Some(format!("least {}, greatest {}{slope}", show(least, quantity), show(greatest, quantity)))
    }

    /// What it carried on top; none where the step does not ask.
    pub(super) fn ripple(&self, board: &str) -> Option<Judgement> {
        let rule = self.ripple.as_ref()?;
        Some(judged_ripple(rule, self.quantity?, self.meter.as_ref(), board))
    }
}
