//! Whether a bench suits a procedure, known before anyone starts.
//!
//! Pure: a procedure and the known facts of the channels in, a list of issues out. What is
//! not known is listed as such, never guessed. It knows no file, no meter and no clock.

mod facts;
mod limits;
mod responses;

pub use facts::{BenchFacts, ChannelFacts, ChannelList};

use std::{collections::HashSet, time::Duration};

use strum::{EnumMessage, VariantArray};

use crate::{
    procedure::{
        CaptureMode, CircuitMeasurement, ConditionRule, HeatRule, PartTemperature, Procedure, Role, ShapeRule, Step,
    },
    units::{Dimension, Limit, Quantity},
    words::words,
};

/// How much it matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, VariantArray, EnumMessage)]
pub enum Severity {
    /// The step can't come to the verdict it is for.
    #[strum(serialize = "can't work")]
    Fails,
    /// It may not come to one.
    #[strum(serialize = "doubtful")]
    Doubtful,
    /// It is intended, or not known yet.
    #[strum(serialize = "note")]
    Note,
}

words!(pub Severity);

/// One thing of a step that the bench does not suit.
#[derive(Debug, Clone, PartialEq)]
pub struct FitnessIssue {
    /// How much it matters.
    pub severity: Severity,
    /// The line of the procedure file.
    pub line: usize,
    /// The step's name.
    pub step: String,
    /// What does not fit.
    pub what: String,
    /// What can be done about it.
    pub remedy: String,
}

impl std::fmt::Display for FitnessIssue {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}; {}", self.severity.word(), self.what, self.remedy)
    }
}

/// All issues, in the order of the steps.
pub fn check(procedure: &Procedure, bench: &BenchFacts) -> Vec<FitnessIssue> {
    let mut check = FitnessCheck { bench, found: Vec::new(), listed: HashSet::new() };
    for (step, usage) in procedure.steps.iter().zip(CircuitMeasurement::of_steps(&procedure.steps)) {
        check.step(step);
        check.dead_feed(step, usage);
        check.use_in_circuit(step, usage);
    }
    check.found
}

/// Sensors are fed with 5 V, everything else with more: common practice, no source.
const LEAST_FEED_V: f64 = 4.0;

/// Checks the steps; an issue of a channel alone is listed at the first step that uses it.
struct FitnessCheck<'a> {
    bench: &'a BenchFacts,
    found: Vec<FitnessIssue>,
    listed: HashSet<(String, UnknownFact)>,
}

/// What may not be known of a channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum UnknownFact {
    Accuracy(Quantity),
    Digit,
    Rate,
    Name,
    /// Not of a channel, but of a circuit: what its steps measure.
    Role,
}

impl FitnessCheck<'_> {
    fn step(&mut self, step: &Step) {
        self.time_on(step);
        self.responses(step);
        for condition in &step.conditions {
            self.condition(step, condition);
        }
        if let Some(HeatRule { part: PartTemperature::Channel(name), .. }) = &step.heat {
            self.temperature(step, name);
        }
        let Some(name) = &step.channel else { return self.without_channel(step) };
        let Some(facts) = self.named(step, name) else { return };
        if let Some(rule) = &step.shape {
            if self.gives(step, &facts, step.quantity, None) {
                self.shape(step, &facts, rule);
            }
            return;
        }
        if !self.gives(step, &facts, step.quantity, step.limit.as_ref()) {
            return;
        }
        self.rate(step, &facts);
        match (&step.limit, &step.relative) {
            (None, Some(limit)) => self.relative(step, &facts, limit),
            (None, None) => self.add(
                Severity::Note,
                step,
                "the step has no limit: its value is recorded, not judged",
                "give a limit if the value is to be judged",
            ),
            (Some(limit), _) => {
                self.range(step, &facts, limit);
                self.check_uncertainty(step, &facts, limit);
            }
        }
    }

    /// What is judged of a step all the same.
    fn without_channel(&mut self, step: &Step) {
        let (what, remedy) = if step.answer.is_some() {
            (
                "the step asks a question: the answer is judged, no value",
                "make a value that is to be judged a step of its own",
            )
        } else if !step.responses.is_empty() {
            (
                "the step has no channel of its own: what must follow what is judged, no value",
                "name a channel if a value is to be judged too",
            )
        } else {
            ("the step has no channel: nothing is judged", "name a channel if a value is to be judged")
        };
        self.add(Severity::Note, step, what, remedy);
    }

    /// A feed or supply that would be in limit without power: the limit is probably in the wrong unit.
    fn dead_feed(&mut self, step: &Step, usage: Option<CircuitMeasurement>) {
        let is_source = usage.is_some_and(|usage| matches!(usage.role, Role::Feed | Role::Supply));
        let low = step.limit.filter(|limit| limit.dimension == Dimension::Volt).and_then(|limit| limit.low);
        if let (true, Some(limit), Some(low)) = (is_source, step.limit, low)
            && low < LEAST_FEED_V
        {
            let what = format!("{limit} is far below the voltage of any system: a feed that is dead would be in limit");
            self.add(Severity::Doubtful, step, &what, "correct the unit, V or mV, or the value");
        }
    }

    /// Whether the findings can use a step that names its circuit.
    fn use_in_circuit(&mut self, step: &Step, usage: Option<CircuitMeasurement>) {
        let measures = |quantity| matches!(quantity, Quantity::VoltsDc | Quantity::Ohms | Quantity::AmpsDc);
        let Some(circuit) = step.circuit.as_ref().filter(|_| usage.is_none() && step.quantity.is_some_and(measures))
        else {
            return;
        };
        let what =
            format!("the role of the step in the circuit \"{circuit}\" is not given: the findings can't use its value");
        let remedy = "add role = \"feed\", \"coil ohms\", \"coil amps\", \"ground drop\" or another to the step";
        self.add_once(circuit, UnknownFact::Role, step, &what, remedy);
    }

    /// The channel of a name; a missing one is an issue.
    fn named(&mut self, step: &Step, name: &str) -> Option<ChannelFacts> {
        if let Some(facts) = self.bench.channel(name) {
            return Some(facts.clone());
        }
        if self.bench.names == ChannelList::Incomplete {
            let what = format!("channel \"{name}\" is not known before its meter sends readings");
            self.add_once(
                name,
                UnknownFact::Name,
                step,
                &what,
                "name the channels in the bench file, so that they can be checked",
            );
            return None;
        }
        let names: Vec<&str> = self.bench.channels.iter().map(|channel| channel.name.as_str()).collect();
        let what = format!("channel \"{name}\" is not on the bench, which has: {}", names.join(", "));
        self.add(Severity::Fails, step, &what, "add it to the bench file, or name another one in the step");
        None
    }

    /// Whether a channel can give a quantity, and values in the limit's unit.
    fn gives(&mut self, step: &Step, facts: &ChannelFacts, wanted: Option<Quantity>, limit: Option<&Limit>) -> bool {
        let Some(given) = facts.quantity else { return true };
        let wanted = match (wanted, limit) {
            (Some(wanted), _) if wanted != given => wanted.word(),
            (None, Some(limit)) if limit.dimension != given.dimension() => limit.dimension.unit(),
            _ => return true,
        };
        let what = format!("channel \"{}\" measures {given}, but the step needs {wanted}", facts.name);
        self.add(
            Severity::Fails,
            step,
            &what,
            "name a channel that measures it; leave quantity out of the bench file if the meter can be switched",
        );
        false
    }

    fn condition(&mut self, step: &Step, condition: &ConditionRule) {
        let Some(facts) = self.named(step, &condition.channel) else { return };
        if self.gives(step, &facts, None, Some(&condition.limit)) {
            self.range(step, &facts, &condition.limit);
        }
    }

    fn temperature(&mut self, step: &Step, name: &str) {
        if let Some(facts) = self.named(step, name) {
            self.gives(step, &facts, Some(Quantity::Temperature), None);
        }
    }

    /// What is switched on must stay on long enough for a value to count.
    fn time_on(&mut self, step: &Step) {
        let Some(most) = step.hold_at_most else { return };
        let steady = if step.capture == CaptureMode::Steady { step.steady } else { Duration::ZERO };
        let needed = step.after + steady;
        if needed >= most {
            let what = format!(
                "it may be held on for {} ms, but a value counts only after {} ms",
                most.as_millis(),
                needed.as_millis()
            );
            self.add(
                Severity::Fails,
                step,
                &what,
                "shorten steady or after; lengthen hold_at_most only if the maker allows it",
            );
        }
    }

    /// A steady value is the mean of three readings at least, within the time asked.
    fn rate(&mut self, step: &Step, facts: &ChannelFacts) {
        if step.capture != CaptureMode::Steady {
            return;
        }
        let Some(rate) = facts.rate else {
            let what = format!("how often \"{}\" sends a reading is not known; a steady value needs three", facts.name);
            return self.add_once(
                &facts.name,
                UnknownFact::Rate,
                step,
                &what,
                "add rate = \"3 Hz\", or what it is, to the meter",
            );
        };
        let intervals = rate * step.steady.as_secs_f64();
        // Three readings span two intervals; the window holds one reading more than it is long.
        let severity = match intervals {
            few if few <= 1.0 => Severity::Fails,
            few if few < 2.0 => Severity::Doubtful,
            _ => return,
        };
        let what = format!(
            "\"{}\" sends {rate:.1} readings a second, too few for three in {} ms",
            facts.name,
            step.steady.as_millis()
        );
        let remedy = format!("set steady = \"{:.1} s\", or use a faster meter", (30.0 / rate).ceil() / 10.0);
        self.add(severity, step, &what, &remedy);
    }

    /// A shape needs samples that come fast enough.
    fn shape(&mut self, step: &Step, facts: &ChannelFacts, rule: &ShapeRule) {
        let Some(needed) = rule.needed_rate() else { return };
        let word = rule.figure.word();
        let Some(rate) = facts.rate else {
            let what = format!(
                "how often \"{}\" sends a reading is not known; the {word} needs {needed:.0} a second",
                facts.name
            );
            let remedy = "add rate = \"5000 Hz\", or what it is, to the meter";
            return self.add_once(&facts.name, UnknownFact::Rate, step, &what, remedy);
        };
        if rate < needed {
            let what = format!(
                "\"{}\" sends {rate:.1} readings a second, too few for the {word}, which needs {needed:.0}",
                facts.name
            );
            self.add(Severity::Fails, step, &what, "use a board that samples faster");
        }
    }

    fn add(&mut self, severity: Severity, step: &Step, what: &str, remedy: &str) {
        self.found.push(FitnessIssue {
            severity,
            line: step.line,
            step: step.name.clone(),
            what: what.to_owned(),
            remedy: remedy.to_owned(),
        });
    }

    /// An unknown fact of a channel, listed once.
    fn add_once(&mut self, channel: &str, missing: UnknownFact, step: &Step, what: &str, remedy: &str) {
        if self.listed.insert((channel.to_owned(), missing)) {
            self.add(Severity::Note, step, what, remedy);
        }
    }
}

#[cfg(test)]
mod tests;
