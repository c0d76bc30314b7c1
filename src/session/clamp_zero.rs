//! The zero of clamps: their offset without current is subtracted, and its drift enters the uncertainty.

use super::judge::{Settled, SteadyWindow};
use crate::{
    channel::{Conversion, Sample},
    protocol::Value,
    units::{Dimension, Quantity, ValueFormat},
};

/// The reading must be steady for this long, µs.
const STILL_US: i64 = 1_000_000;

/// Largest noise at which a zero is taken, since it is averaged, A.
const COARSE_A: f64 = 0.05;

/// The same of leads, ohm.
const COARSE_OHM: f64 = 0.05;

/// A clamp for the currents of valve coils is off by some tens of milliamperes at rest, and drifts by less; a coil that is driven draws
/// more than this (common practice, no source), A.
const LARGE_A: f64 = 0.5;

/// Whether a zero of a clamp is as large as the current of a load: it is asked about as it is taken.
pub(crate) fn is_as_large_as_a_load(quantity: Quantity, offset: f64) -> bool {
    quantity.dimension() == Dimension::Ampere && offset.abs() > LARGE_A
}

/// Whether a sample still has the clamp's offset in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SampleZero {
    /// It is as the meter gave it.
    StillIn,
    /// It is a stored one.
    TakenOff,
}

/// One channel's zero.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ClampZero {
    quantity: Quantity,
    /// The channel's newest values, without the zero.
    recent: SteadyWindow,
    /// The offset that is subtracted; none before the first zero.
    offset: Option<f64>,
    /// Standard uncertainty of the offset.
    u: f64,
    /// Whether it was zeroed in this session.
    in_session: bool,
    /// Offset, uncertainty and whether it was zeroed, before the last zero.
    before: (Option<f64>, f64, bool),
}

/// A zero that was just taken.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
pub struct Zeroed {
    /// The offset that is subtracted from now on, base units of the quantity.
    pub offset: f64,
    /// Its difference from the previous zero; none for the first.
    pub drift: Option<f64>,
    /// Its standard uncertainty.
    pub u: f64,
    /// What it is a zero of.
    pub quantity: Quantity,
}

impl Zeroed {
    /// Whether a load through the clamp would show the same: it is far from none, and from the zero before.
    pub(super) fn may_be_a_load(&self) -> bool {
        is_as_large_as_a_load(self.quantity, self.offset) && self.is_far()
    }

    /// Whether it is further from the zero before than a clamp drifts, or from none where it is the first.
    fn is_far(&self) -> bool {
        self.drift.unwrap_or(self.offset).abs() > LARGE_A
    }

    /// The offset, with no more digits than its uncertainty leaves.
    pub(crate) fn shown(&self) -> String {
        self.shown_to(self.offset)
    }

    /// Another value of the same clamp, likewise.
    pub(crate) fn shown_to(&self, value: f64) -> String {
        let decade = (2.0 * self.u).log10().floor();
        let digit = decade.is_finite().then(|| 10f64.powf(decade));
        ValueFormat::new(self.quantity, digit, None).show(value)
    }
}

/// The zeros of all channels.
#[derive(Debug, Default)]
pub(super) struct ClampZeros {
    by_channel: Vec<Option<ClampZero>>,
    /// Channels that are worked out from others, which have their own.
    none: Vec<usize>,
}

impl ClampZeros {
    /// Subtracts the zero from a sample, unless it is off already. Only currents have one.
    ///
    /// The uncertainty follows from what is left, its zero and the channel's conversion: a sample that is stored without its
    /// uncertainty gets the same one again, to the bit.
    pub(super) fn apply(&mut self, sample: &mut Sample, conversion: &Conversion, zero: SampleZero) {
        if zero == SampleZero::TakenOff
            && let Value::Number(value) = sample.value
        {
            sample.u = conversion.standard_uncertainty(sample.quantity, value, sample.digit);
        }
        let is_ohms = sample.quantity == Quantity::Ohms;
        if sample.quantity.dimension() != Dimension::Ampere && !is_ohms {
            return;
        }
        let Value::Number(value) = sample.value else { return };
        let index = usize::from(sample.channel.0);
        if index >= self.by_channel.len() {
            self.by_channel.resize(index + 1, None);
        }
        let own = self.by_channel[index].get_or_insert_with(|| ClampZero::new(sample.quantity));
        if own.quantity != sample.quantity {
            *own = ClampZero::new(sample.quantity);
        }
        let offset = own.offset.unwrap_or(0.0);
        let left = match zero {
            SampleZero::StillIn => {
                own.recent.push(sample.at, value, sample.digit);
                value - offset
            }
            SampleZero::TakenOff => value,
        };
        if own.offset.is_some() {
            sample.value = Value::Number(left);
            let u = conversion.standard_uncertainty(sample.quantity, left + offset, sample.digit);
            sample.u = u.map(|u| u.hypot(own.u));
        }
    }

    /// A zero of an earlier run of the core.
    pub(super) fn restore(&mut self, channel: usize, zeroed: Zeroed, is_of_session: bool) {
        if channel >= self.by_channel.len() {
            self.by_channel.resize(channel + 1, None);
        }
        let own = self.by_channel[channel].get_or_insert_with(|| ClampZero::new(zeroed.quantity));
        own.quantity = zeroed.quantity;
        (own.offset, own.u, own.in_session) = (Some(zeroed.offset), zeroed.u, is_of_session);
    }

    /// The zeros in use, by channel.
    pub(super) fn in_use(&self) -> impl Iterator<Item = (usize, Zeroed)> {
        self.by_channel.iter().enumerate().filter_map(|(channel, zero)| {
            let zero = zero.as_ref()?;
            Some((channel, Zeroed { offset: zero.offset?, drift: None, u: zero.u, quantity: zero.quantity }))
        })
    }

    /// What the leads of a channel in ohms show, held together: it is taken off where ohms are judged, never off the samples. None
    /// while it is not steady.
    pub(super) fn leads(&self, channel: usize) -> Option<Settled> {
        let zero = self.by_channel.get(channel)?.as_ref().filter(|zero| zero.quantity == Quantity::Ohms)?;
        zero.recent.settled(COARSE_OHM)
    }

    /// What would be the channel's zero now; none while it is not steady.
    pub(super) fn at_rest(&self, channel: usize) -> Option<Zeroed> {
        let zero = self.by_channel.get(channel)?.as_ref().filter(|zero| zero.quantity != Quantity::Ohms)?;
        let settled: Settled = zero.recent.settled(COARSE_A)?;
        let drift = zero.offset.map(|offset| settled.value - offset);
        let mut zeroed = Zeroed { offset: settled.value, drift, u: settled.repeatability(), quantity: zero.quantity };
        // Between two zeros the true offset was anywhere between them: a rectangular distribution,
        // u = half-width / √3 (JCGM 100:2008, 4.3.7), here with all of the drift as the half-width. A zero before that was a load
        // is no drift.
        if let Some(drift) = drift.filter(|_| !zeroed.is_far()) {
            zeroed.u = zeroed.u.hypot(drift.abs() / 3f64.sqrt());
        }
        Some(zeroed)
    }

    /// The channel's present value becomes its zero; none while it is not steady.
    pub(super) fn take(&mut self, channel: usize) -> Option<Zeroed> {
        let zeroed = self.at_rest(channel)?;
        let zero = self.by_channel.get_mut(channel)?.as_mut()?;
        zero.before = (zero.offset, zero.u, zero.in_session);
        (zero.offset, zero.u, zero.in_session) = (Some(zeroed.offset), zeroed.u, true);
        Some(zeroed)
    }

    /// The zero before the last one is in use again; none where the channel has none. Where it was the first, nothing is
    /// subtracted any more.
    pub(super) fn undo(&mut self, channel: usize) -> Option<Zeroed> {
        let zero = self.by_channel.get_mut(channel)?.as_mut()?;
        let last = zero.offset?;
        (zero.offset, zero.u, zero.in_session) = zero.before;
        let offset = zero.offset.unwrap_or(0.0);
        Some(Zeroed { offset, drift: Some(offset - last), u: zero.u, quantity: zero.quantity })
    }

    /// Standard uncertainty of the channel's zero, A; none where it has none.
    pub(super) fn u(&self, channel: usize) -> Option<f64> {
        let zero = self.by_channel.get(channel).and_then(Option::as_ref)?;
        zero.offset.map(|_| zero.u)
    }

    /// A channel without a zero of its own.
    pub(super) fn need_none(&mut self, channel: usize) {
        self.none.push(channel);
    }

    /// Whether the channel was zeroed in this session, or needs no zero.
    pub(super) fn is_fresh(&self, channel: usize) -> bool {
        self.none.contains(&channel)
            || self.by_channel.get(channel).and_then(Option::as_ref).is_some_and(|zero| zero.in_session)
    }

    /// A new session: zeros stay in use, but they were not taken in this session.
    pub(super) fn mark_stale(&mut self) {
        self.by_channel.iter_mut().flatten().for_each(|zero| zero.in_session = false);
    }
}

impl ClampZero {
    fn new(quantity: Quantity) -> Self {
        Self {
            quantity,
            recent: SteadyWindow::new(STILL_US),
            offset: None,
            u: 0.0,
            in_session: false,
            before: (None, 0.0, false),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::tests::amps;

    /// Standard uncertainty of the samples here: a rectangle of 5 mA times √3, JCGM 100 4.3.7.
    fn five_milliamperes() -> Conversion {
        Conversion { accuracy: Some(std::sync::Arc::new("8.660254037844386 mA".parse().unwrap())), ..Conversion::NONE }
    }

    #[test]
    fn a_zero_has_no_more_digits_than_its_uncertainty_leaves() {
        let zeroed = |offset, u| Zeroed { offset, drift: None, u, quantity: Quantity::AmpsDc };
        assert_eq!(zeroed(0.030_12, 0.0006).shown(), "0.030 A");
        assert_eq!(zeroed(-0.1234, 0.004).shown_to(-0.0561), "-0.056 A");
        assert_eq!(zeroed(0.030_12, 0.0).shown(), "30.12 mA");
    }

    #[test]
    fn a_stored_sample_gets_its_uncertainty_again_to_the_bit() {
        let mut zeros = ClampZeros::default();
        shown(&mut zeros, 0, 0.0301);
        let zeroed = zeros.take(1).unwrap();
        let mut again = ClampZeros::default();
        again.restore(1, zeroed, true);
        for (index, value) in (0..).zip([0.53, 1.0 / 3.0, -0.1, 0.0301]) {
            let live = shown(&mut zeros, 2_000_000 * (1 + index), value);
            let mut stored = Sample { u: None, ..live };
            again.apply(&mut stored, &five_milliamperes(), SampleZero::TakenOff);
            assert_eq!(stored, live);
        }
        assert_eq!((again.u(1), again.is_fresh(1)), (zeros.u(1), true));
    }

    fn shown(zeros: &mut ClampZeros, from: i64, value: f64) -> Sample {
        let mut last = amps(0, 0.0);
        for index in 0..15 {
            last = amps(from + index * 100_000, value);
            zeros.apply(&mut last, &five_milliamperes(), SampleZero::StillIn);
        }
        last
    }

    #[test]
    fn a_zero_is_taken_off_and_its_drift_is_doubted() {
        let mut zeros = ClampZeros::default();
        assert_eq!(shown(&mut zeros, 0, 0.030).value, Value::Number(0.030));
        let first = zeros.take(1).unwrap();
        assert!((first.offset - 0.030).abs() < 1e-12 && first.drift.is_none() && first.u < 1e-12, "{first:?}");
        assert!(zeros.is_fresh(1));
        let sample = shown(&mut zeros, 2_000_000, 0.530);
        let Value::Number(value) = sample.value else { panic!("{sample:?}") };
        assert!((value - 0.5).abs() < 1e-12);
        zeros.mark_stale();
        assert!(!zeros.is_fresh(1));
        shown(&mut zeros, 5_000_000, 0.042);
        let again = zeros.take(1).unwrap();
        // 12 mA of drift as a rectangular half-width: 12 / √3 = 6.93 mA, JCGM 100 4.3.7.
        assert!((again.drift.unwrap() - 0.012).abs() < 1e-12 && (again.u - 0.006_928).abs() < 1e-5, "{again:?}");
        let sample = shown(&mut zeros, 8_000_000, 0.542);
        assert!((sample.u.unwrap() - 0.005f64.hypot(again.u)).abs() < 1e-12);
        // Undone, the zero before is in use again, as old as it was.
        let undone = zeros.undo(1).unwrap();
        assert!((undone.offset - 0.030).abs() < 1e-12 && (undone.drift.unwrap() + 0.012).abs() < 1e-12, "{undone:?}");
        assert!(!zeros.is_fresh(1) && zeros.undo(7).is_none());
    }

    #[test]
    fn a_clamp_that_is_not_still_has_no_zero() {
        let mut zeros = ClampZeros::default();
        for index in 0..30 {
            zeros.apply(&mut amps(index * 100_000, index as f64 * 0.2), &five_milliamperes(), SampleZero::StillIn);
        }
        assert_eq!(zeros.take(1), None);
        assert_eq!(zeros.take(7), None);
    }
}
