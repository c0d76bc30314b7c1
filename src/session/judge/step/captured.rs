//! A step's captures: value, uncertainty, verdict and reason.

use super::{StepJudge, excess};
use crate::{
    channel::Sample,
    electrics::Decision,
    procedure::ClampPlace,
    protocol::Value,
    session::judge::{
        Capture, CaptureMethod, Judgement, NotJudged, Outcome, Settled, Verdict, beyond_range::BeyondRange, judge,
    },
    session::proof::{CaptureFlag, ProvenValue},
    units::{Limit, Quantity},
};

impl StepJudge {
    /// A capture of the mean over the window: repetition and meter together (JCGM 100:2008, 5.1.2).
    pub(super) fn of_window(&self, how: CaptureMethod, settled: Settled, last: &Sample) -> Capture {
        let u = match (last.u, settled.count) {
            (Some(meter), _) => Some(meter.hypot(settled.uncertainty(last.digit))),
            // The uncertainty of one reading of an unknown meter is unknown.
            (None, 0 | 1) => None,
            (None, _) => Some(settled.uncertainty(last.digit)),
        };
        let sample = Sample { at: settled.at, value: Value::Number(settled.value), u, ..*last };
        Capture { settled: Some(settled), ..self.of_judgement(how, &sample, self.judgement(&sample, true)) }
    }

    /// A capture of a value that the leads have proven.
    pub(super) fn of_proof(&self, how: CaptureMethod, proven: ProvenValue) -> Capture {
        let mut capture = self.of_sample(how, &proven.sample);
        capture.flags = proven.flags;
        if capture.flags.contains(&CaptureFlag::UnprovenPlateau) {
            capture.judgement.reason += "; the drop before the lead slipped, not proven";
        }
        Capture { proof: proven.proof, ..capture }
    }

    pub(super) fn of_sample(&self, how: CaptureMethod, sample: &Sample) -> Capture {
        self.of_judgement(how, sample, self.judgement(sample, false))
    }

    pub(super) fn of_worst(&self, worst: &Sample) -> Capture {
        match &self.worst_judged {
            Some((_, judgement)) => self.of_judgement(CaptureMethod::Worst, worst, judgement.clone()),
            None => self.of_sample(CaptureMethod::Worst, worst),
        }
    }

    fn of_judgement(&self, how: CaptureMethod, sample: &Sample, mut judgement: Judgement) -> Capture {
        let peak = self.peak.map(|peak| peak.value);
        if let (Some(limit), Some(Value::Number(peak)), Some(Verdict::InLimit)) =
            (&self.criteria.limit, peak, judgement.verdict())
            && excess(limit, Value::Number(peak)) > 0.0
        {
            judgement.reason += &format!("; it reached {} before it settled", sample.format(Some(limit)).show(peak));
        }
        let mut flags = Vec::new();
        if matches!(how, CaptureMethod::Taken | CaptureMethod::Last)
            && let Some((flag, words)) = self.proof.doubts(sample, self.loaded(sample.at))
        {
            flags.push(flag);
            judgement.reason += &format!("; {words}");
        }
        if self.reversed {
            flags.push(CaptureFlag::ReversedClamp);
            judgement.reason += "; the clamp is on backward";
        }
        if let Some(leads) = self.proof.leads_taken_off(sample) {
            judgement.reason +=
                &format!("; {} of the leads taken off", sample.format(self.criteria.limit.as_ref()).show(leads));
        }
        Capture { peak, flags, ..Capture::plain(how, sample.at, Some(sample.channel), judgement) }
    }

    /// `is_mean`: over the step's window, so that what the limit refers to is one as well.
    fn judgement(&self, sample: &Sample, is_mean: bool) -> Judgement {
        if let Some(why) = self.unfit(sample) {
            return self.not_counted(sample, why, self.switch_words(sample));
        }
        if let Some(beyond) = BeyondRange::of(sample, self.criteria.range) {
            return beyond.judge(self.criteria.limit.as_ref(), self.criteria.rule);
        }
        if let Some(reference) = &self.criteria.reference {
            let judged = reference.judge(sample, self.own_gain(sample).as_ref(), self.criteria.rule, is_mean);
            return self.with_driver(judged, sample);
        }
        let Some(limit) = self.criteria.limit else { return Judgement::recorded(sample) };
        let (Some(heat), Value::Number(value)) = (&self.criteria.heat, sample.value) else {
            let judged = judge(&limit, sample, self.criteria.rule);
            return self.with_driver(judged, sample);
        };
        heat.judge(&limit, sample, value, self.criteria.rule)
    }

    /// What the driver does to a mean. Where the procedure says that it switches, a value that is low proves nothing: the duty
    /// is not known.
    fn with_driver(&self, mut judged: Judgement, sample: &Sample) -> Judgement {
        let Some(limit) = judged.limit() else { return judged };
        if judged.verdict() == Some(Verdict::InLimit) || !self.may_be_an_average(sample, &limit) {
            return judged;
        }
        let driver = &self.criteria.driver;
        if !driver.shows_means() {
            judged.reason += "; a driver that switches on and off fast shows its average here";
            return judged;
        }
        if let Outcome::Compared { decision: decision @ Decision::Outside, .. } = &mut judged.outcome
            && self.criteria.reference.is_none()
        {
            *decision = Decision::TooClose;
        }
        let control = driver.control.word();
        judged.reason += &match driver.clamp {
            ClampPlace::BeforeDriver => format!(
                "; the driver is {control} and the clamp sits before it: it shows duty times the coil's current, \
                 so judge it by volts at the coil over its ohms, times the duty"
            ),
            ClampPlace::BehindDriver => format!(
                "; the driver is {control}: this is the mean, which follows its duty, so judge it by the mean volts at the coil over \
                 its ohms"
            ),
        };
        judged
    }

    /// Whether the amps of a coil that is held on are low, as with a driver that reduces its holding current.
    fn may_be_an_average(&self, sample: &Sample, limit: &Limit) -> bool {
        let is_low =
            matches!(sample.value, Value::Number(value) if limit.low.is_some_and(|low| value.abs() < low.abs()));
        is_low && sample.quantity == Quantity::AmpsDc && self.criteria.hold_at_most.is_some()
    }

    pub(super) fn refused(&self, how: CaptureMethod, sample: &Sample, why: NotJudged, reason: String) -> Capture {
        let judgement = self.not_counted(sample, why, reason);
        Capture::plain(how, sample.at, Some(sample.channel), judgement)
    }

    fn not_counted(&self, sample: &Sample, why: NotJudged, reason: String) -> Judgement {
        let Sample { value, u, quantity, digit, .. } = *sample;
        Judgement {
            outcome: Outcome::NotCounted { why, value, u, quantity, limit: self.criteria.limit },
            digit,
            reason,
        }
    }

    pub(super) fn without_value(&self, why: NotJudged, reason: String) -> Judgement {
        let outcome = Outcome::NoValue { why, quantity: self.criteria.quantity, limit: self.criteria.limit };
        Judgement { outcome, digit: None, reason }
    }
}
