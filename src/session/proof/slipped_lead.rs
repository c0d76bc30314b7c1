//! A drop of nothing while the load is on: a joint without resistance, or a lead that touches nothing.
//!
//! A drop that was level and collapses within one reading while the load stays is a lead that slipped: the plateau before it is
//! kept, not proven. A slipped lead need not read nothing: what is left of it may be some tens of millivolts. It is proven by letting go and holding again, as the drop follows the load, or by the measuring lead on the
//! battery in between (common practice, no source).

use super::{
    Ask, CaptureFlag, LeadFacts, Proof, ProofPattern, ProvenValue, Response, Touch, TouchPlace,
    held::{Held, Reminder},
    response::LeadReading,
};
use crate::{
    channel::Sample, clock::Mono, electrics::RunningStatistics, procedure::ProofRules, protocol::Value,
    units::show_seconds,
};

/// A drop of less than so many of the last digits is nothing.
const DIGITS: f64 = 1.5;

/// A drop of less than this is nothing, V: a joint has a milliohm, common practice, no source.
const NOTHING_V: f64 = 0.000_5;

/// A plateau is at least so many times what counts as nothing, and so many times what a slipped lead still reads.
const PLATEAU: f64 = 5.0;

/// Readings within this share of their mean are level. What flows at switching on falls reading by reading, and is not.
const LEVEL_WITHIN: f64 = 0.2;

/// So many readings over so long, µs, are a level.
const LEVEL_READINGS: u64 = 3;
const LEVEL_US: i64 = 300_000;

/// The plateau is the mean over at most this time, µs.
const PLATEAU_US: i64 = 1_000_000;

/// A lead that is back on something for less than this has only bounced.
const BOUNCE: std::time::Duration = std::time::Duration::from_millis(300);

/// Which lead goes to the battery to be proven.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MeasuringLead {
    /// The red lead measures, the black one is on battery minus: a ground drop.
    Red,
    /// The black lead measures, the red one is on battery plus: a feed drop.
    Black,
}

/// The state machine of one step on a drop under load.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SlippedLead {
    lead: MeasuringLead,
    state: SlipState,
    /// The drop over the last second before it fell to nothing.
    plateau: Plateau,
    kept: Option<Sample>,
    level: DropLevel,
    fallen: Held,
    nothing: Held,
    something: Held,
    live: Held,
    let_go: bool,
    reminder: Reminder,
    zero: RunningStatistics,
    touches: Vec<Touch>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum SlipState {
    Watching,
    /// Is the lead on? Whether it slipped off a plateau.
    Doubted,
    /// The lead was proven on the battery: back to the joint.
    Back,
}

/// A running mean in two halves, so that it forgets.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Plateau {
    before: Option<f64>,
    now: RunningStatistics,
    began: Option<Mono>,
    last: Option<Sample>,
}

impl Plateau {
    fn push(&mut self, sample: &Sample, value: f64) {
        let began = *self.began.get_or_insert(sample.at);
        if sample.at.since(began) >= PLATEAU_US / 2 {
            self.before = self.now.mean();
            self.now = RunningStatistics::default();
            self.began = Some(sample.at);
        }
        self.now.push(value);
        self.last = Some(*sample);
    }

    /// The mean, in a sample of the last reading.
    fn mean(&self) -> Option<Sample> {
        let means = [self.before, self.now.mean()];
        let (sum, count) = means.iter().flatten().fold((0.0, 0.0), |(sum, count), mean| (sum + mean, count + 1.0));
        let last = self.last.filter(|_| count > 0.0)?;
        Some(Sample { value: Value::Number(sum / count), ..last })
    }
}

/// Readings that stay within a share of their mean.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct DropLevel {
    readings: RunningStatistics,
    began: Option<Mono>,
    last: Option<Mono>,
}

impl DropLevel {
    fn push(&mut self, at: Mono, value: f64) {
        let is_near = |mean: f64| (value - mean).abs() <= LEVEL_WITHIN * mean.abs();
        if !self.readings.mean().is_some_and(is_near) {
            *self = Self { began: Some(at), ..Self::default() };
        }
        self.readings.push(value);
        self.last = Some(at);
    }

    /// Its size, V; none before there is a level.
    fn volts(&self) -> Option<f64> {
        let lasted = self.last?.since(self.began?);
        let is_level = self.readings.count() >= LEVEL_READINGS && lasted >= LEVEL_US;
        self.readings.mean().filter(|_| is_level).map(f64::abs)
    }
}

/// What a drop of nothing reads at most, V.
fn nothing_v(sample: &Sample) -> f64 {
    (DIGITS * sample.digit.unwrap_or(0.0)).max(NOTHING_V)
}

impl SlippedLead {
    pub(super) fn new(lead: MeasuringLead, rules: &ProofRules) -> Self {
        Self {
            lead,
            state: SlipState::Watching,
            plateau: Plateau::default(),
            kept: None,
            level: DropLevel::default(),
            fallen: Held::default(),
            nothing: Held::default(),
            something: Held::default(),
            live: Held::default(),
            let_go: false,
            reminder: Reminder::after(rules.nothing_for * 3),
            zero: RunningStatistics::default(),
            touches: Vec::new(),
        }
    }

    /// Whether a drop is nothing, as far as the meter can tell.
    pub(super) fn is_nothing(sample: &Sample) -> bool {
        matches!(sample.value, Value::Number(volts) if volts.abs() <= nothing_v(sample))
    }

    /// What counts as nothing, V: after a collapse, what is left of the drop. Once the load was let go, a drop that follows
    /// it is real, however small.
    fn fallen_to(&self, sample: &Sample) -> f64 {
        let level = match (self.state, self.kept.map(|kept| kept.value)) {
            (SlipState::Watching, _) => self.level.volts(),
            (SlipState::Doubted, _) if self.let_go => None,
            (_, Some(Value::Number(volts))) => Some(volts.abs()),
            _ => None,
        };
        nothing_v(sample).max(level.unwrap_or(0.0) / PLATEAU)
    }

    /// The plateau from before the lead slipped, not proven: what is kept where the question is not answered.
    pub(super) fn kept(&self) -> Option<ProvenValue> {
        let sample = self.kept.filter(|_| self.state != SlipState::Watching)?;
        Some(ProvenValue { sample, proof: None, flags: vec![CaptureFlag::UnprovenPlateau] })
    }

    /// A command cut the dialogue short.
    pub(super) fn cut_short(&mut self) {
        self.state = SlipState::Watching;
        self.kept = None;
        self.plateau = Plateau::default();
        self.level = DropLevel::default();
        self.fallen.clear();
        self.nothing.clear();
        self.touches.clear();
    }

    pub(super) fn sample(&mut self, rules: &ProofRules, reading: &LeadReading, facts: &mut LeadFacts) -> Response {
        // Without a load nothing is known of the drop.
        let Some(loaded) = reading.loaded else { return Response::Pass };
        let (at, sample) = (reading.at(), reading.sample);
        let Some(volts) = reading.number() else { return Response::Pass };
        let is_nothing = volts.abs() <= self.fallen_to(sample);
        let is_live = facts.is_battery(volts.abs(), at);
        let live_lasts = self.live.lasts(is_live, at, rules.battery_for);
        let something_lasts = self.something.lasts(!is_nothing && !is_live && loaded, at, BOUNCE);
        let long = if self.state == SlipState::Back { rules.back_for } else { rules.leads_for };
        let nothing_lasts = self.nothing.lasts(is_nothing && loaded, at, long);
        self.let_go |= !loaded;
        match self.state {
            SlipState::Watching if !loaded => {
                self.plateau = Plateau::default();
                self.level = DropLevel::default();
                self.fallen.clear();
                Response::Pass
            }
            SlipState::Watching if !is_nothing => {
                self.fallen.clear();
                self.plateau.push(sample, volts);
                self.level.push(at, volts);
                Response::Pass
            }
            SlipState::Watching => {
                let least = PLATEAU * nothing_v(sample);
                let plateau = self
                    .plateau
                    .mean()
                    .filter(|plateau| matches!(plateau.value, Value::Number(volts) if volts.abs() >= least));
                // The clamp may tell a reading later that the load was let go.
                let lasts = self.fallen.lasts(true, at, BOUNCE);
                let is_sure = if plateau.is_some() { lasts } else { nothing_lasts };
                if !is_sure {
                    return Response::Hold;
                }
                self.kept = plateau;
                self.state = SlipState::Doubted;
                self.let_go = false;
                self.reminder.postpone();
                self.touches = plateau.iter().map(|plateau| touch(TouchPlace::Point, plateau)).collect();
                Response::Ask(self.question(rules, facts, at))
            }
            SlipState::Doubted | SlipState::Back if something_lasts => {
                // The drop is there, and it follows the load or the lead.
                self.cut_short();
                Response::Pass
            }
            SlipState::Doubted if live_lasts => {
                facts.battery_touched(volts.abs());
                self.touches.push(touch(TouchPlace::Battery, sample));
                self.state = SlipState::Back;
                self.zero = RunningStatistics::default();
                let waits_for = format!("the drop under load for {}", show_seconds(rules.back_for.as_secs_f64()));
                Response::Ask(Ask::new(self.pattern(), "Leads good. Back to the joint, hold.", waits_for))
            }
            SlipState::Doubted if is_nothing && loaded && self.reminder.is_due(at) => {
                Response::Ask(self.question(rules, facts, at))
            }
            SlipState::Doubted => Response::Hold,
            SlipState::Back => {
                if is_nothing && loaded {
                    self.zero.push(volts);
                }
                if nothing_lasts { self.proven(sample) } else { Response::Hold }
            }
        }
    }

    /// Nothing again after the lead was proven on the battery: the joint is good.
    fn proven(&mut self, last: &Sample) -> Response {
        let sample = Sample { value: self.zero.mean().map_or(last.value, Value::Number), ..*last };
        self.touches.push(touch(TouchPlace::Point, &sample));
        let proof = Proof { pattern: self.pattern(), touches: std::mem::take(&mut self.touches) };
        self.cut_short();
        let value = ProvenValue { sample, proof: Some(proof), flags: Vec::new() };
        Response::Proven(Box::new(value), "Good joint, proven.".to_owned())
    }

    fn pattern(&self) -> ProofPattern {
        if self.kept.is_some() { ProofPattern::SlippedLead } else { ProofPattern::ZeroDrop }
    }

    fn question(&self, rules: &ProofRules, facts: &LeadFacts, now: Mono) -> Ask {
        let touch = match self.lead {
            MeasuringLead::Red => "touch battery plus with the red lead",
            MeasuringLead::Black => "touch battery minus with the black lead",
        };
        let text = match self.kept {
            Some(_) => format!("The drop collapsed and the load stayed. Let go and hold again, or {touch}."),
            None => format!("No drop under load. If the lead is on, {touch}."),
        };
        let seconds = show_seconds(rules.battery_for.as_secs_f64());
        Ask::at_battery(self.pattern(), text, format!("{} for {seconds}, or the drop", facts.battery_words(now)))
    }
}

fn touch(place: TouchPlace, sample: &Sample) -> Touch {
    Touch::of(place, sample)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::tests::volts;

    struct Joint {
        pattern: SlippedLead,
        facts: LeadFacts,
        at: i64,
        said: Vec<String>,
        proven: Vec<ProvenValue>,
    }

    impl Joint {
        fn new() -> Self {
            let pattern = SlippedLead::new(MeasuringLead::Red, &ProofRules::default());
            Self { pattern, facts: LeadFacts::default(), at: 0, said: Vec::new(), proven: Vec::new() }
        }

        fn show(&mut self, value: f64, loaded: bool, seconds: f64) -> usize {
            let mut passed = 0;
            for _ in 0..(seconds * 10.0) as i64 {
                self.at += 100_000;
                let sample = Sample { digit: Some(0.001), ..volts(self.at, value) };
                let reading = LeadReading { sample: &sample, loaded: Some(loaded), load_on: Some(loaded) };
                match self.pattern.sample(&ProofRules::default(), &reading, &mut self.facts) {
                    Response::Pass => passed += 1,
                    Response::Hold => {}
                    Response::Ask(ask) => self.said.push(ask.text),
                    Response::Say(text) => self.said.push(text),
                    Response::Proven(value, text) => {
                        self.said.push(text);
                        self.proven.push(*value);
                    }
                }
            }
            passed
        }
    }

    #[test]
    fn a_drop_that_collapses_is_kept_and_not_proven() {
        let mut joint = Joint::new();
        assert_eq!(joint.show(0.341, true, 0.8), 8);
        assert_eq!(joint.show(0.0, true, 2.0), 0);
        assert_eq!(
            joint.said,
            ["The drop collapsed and the load stayed. Let go and hold again, or touch battery plus with the red lead."]
        );
        let kept = joint.pattern.kept().unwrap();
        assert_eq!(kept.flags, [CaptureFlag::UnprovenPlateau]);
        assert!(matches!(kept.sample.value, Value::Number(volts) if (volts - 0.341).abs() < 1e-9));
        // Let go and held again: the drop follows the load.
        joint.show(0.0, false, 1.0);
        assert!(joint.show(0.341, true, 1.0) >= 7);
        assert_eq!(joint.pattern.kept(), None);
    }

    #[test]
    fn a_drop_of_nothing_is_proven_by_the_battery() {
        let mut joint = Joint::new();
        assert_eq!(joint.show(0.0, true, 1.5), 0);
        assert_eq!(joint.said, ["No drop under load. If the lead is on, touch battery plus with the red lead."]);
        joint.show(12.61, true, 0.8);
        joint.show(0.0, true, 3.5);
        assert_eq!(joint.said[1..], ["Leads good. Back to the joint, hold.", "Good joint, proven."]);
        assert_eq!(joint.proven[0].proof.as_ref().unwrap().pattern, ProofPattern::ZeroDrop);
        assert!(joint.proven[0].flags.is_empty());
    }

    /// Seen: what was left of 0.25 V when the lead slipped was 10 to 30 mV, which was filed as a good ground.
    #[test]
    fn a_drop_that_collapses_to_a_little_is_no_good_joint() {
        for left in [0.01, 0.03] {
            let mut joint = Joint::new();
            assert_eq!(joint.show(0.25, true, 0.5), 5);
            assert_eq!(joint.show(left, true, 2.0), 0);
            assert!(joint.said[0].starts_with("The drop collapsed and the load stayed."), "{:?}", joint.said);
            assert!(joint.pattern.kept().is_some());
            // A drop that goes and comes with the load is real: the joint was moved.
            joint.show(0.0, false, 1.0);
            assert!(joint.show(left, true, 1.0) >= 6, "{left}");
            assert_eq!(joint.pattern.kept(), None);
        }
    }

    #[test]
    fn what_flows_at_switching_on_is_no_plateau() {
        let mut joint = Joint::new();
        for volts in [0.27, 0.15, 0.09, 0.06] {
            joint.show(volts, true, 0.1);
        }
        assert_eq!(joint.show(0.04, true, 2.0), 20);
        assert!(joint.said.is_empty(), "{:?}", joint.said);
    }

    /// The drop falls a reading before the clamp tells why.
    #[test]
    fn a_clamp_that_is_late_makes_no_slip() {
        let mut joint = Joint::new();
        joint.show(0.341, true, 0.8);
        joint.show(0.0, true, 0.2);
        joint.show(0.0, false, 2.0);
        assert!(joint.said.is_empty(), "{:?}", joint.said);
    }

    #[test]
    fn letting_go_is_no_slip() {
        let mut joint = Joint::new();
        joint.show(0.341, true, 0.5);
        assert_eq!(joint.show(0.0, false, 3.0), 30);
        assert!(joint.said.is_empty());
    }
}
