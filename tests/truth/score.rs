//! What findings are worth: right first, named within an ambiguity, wrong, nothing; and the precision of each word.

use std::{collections::BTreeMap, fmt, time::Duration};

use bayline::session::findings::{ConfidenceLevel, Finding, FindingKind, ObservationSet};

use crate::{machine::Fault, visit::Visit};

/// The coil that a fault concerns.
pub(crate) fn coil_of(fault: &Fault) -> Option<usize> {
    match *fault {
        Fault::FeedRun(at, _)
        | Fault::GroundRun(at, _)
        | Fault::OpenFeed(at)
        | Fault::OpenCoil(at)
        | Fault::OpenGround(at)
        | Fault::ToGround(at, ..)
        | Fault::Coil(at, _)
        | Fault::Driver(at, _) => Some(at),
        Fault::SharedGround(_) | Fault::SharedFeed(_) | Fault::WeakBattery(..) => None,
    }
}

/// Whether this kind at these circuits is the fault: exactly, or as a part of the run that it is in.
fn names(fault: &Fault, is_low_side: bool, kind: FindingKind, circuits: &[String], exactly: bool) -> bool {
    let wanted: Vec<String> = coil_of(fault).map(|at| format!("coil {}", at + 1)).into_iter().collect();
    if circuits != wanted {
        return false;
    }
    let run = !exactly && kind == FindingKind::UnplacedResistance;
    match fault {
        Fault::FeedRun(..) => kind == FindingKind::FeedResistance || run,
        Fault::GroundRun(..) => kind == FindingKind::GroundResistance || run,
        Fault::SharedGround(_) => kind == FindingKind::SharedGround,
        Fault::SharedFeed(_) => kind == FindingKind::FeedLowEverywhere,
        Fault::OpenFeed(_) | Fault::OpenCoil(_) | Fault::OpenGround(_) => kind == FindingKind::OpenCircuit,
        Fault::WeakBattery(..) => kind == FindingKind::WeakSupply,
        Fault::ToGround(..) => kind == FindingKind::ShortToGround,
        Fault::Coil(..) => {
            matches!(kind, FindingKind::CoilOutOfTolerance | FindingKind::ShortedCoil | FindingKind::UnlikeSiblings)
        }
        // Means can't tell a driver from a joint: the side is right either way.
        Fault::Driver(..) if is_low_side => kind == FindingKind::GroundResistance || run,
        Fault::Driver(..) => matches!(kind, FindingKind::FeedLowInBranch | FindingKind::FeedResistance) || run,
    }
}

#[derive(Debug, Default, Clone)]
struct Row {
    runs: u32,
    right: u32,
    named: u32,
    wrong: u32,
    nothing: u32,
    certain: u32,
    certain_wrong: u32,
}

/// Everything that was judged.
#[derive(Debug, Default)]
pub(crate) struct Report {
    rows: BTreeMap<String, Row>,
    /// By word: said, and right.
    words: BTreeMap<&'static str, (u32, u32)>,
    contradicting: Vec<u64>,
    excluding: Vec<u64>,
    examples: Vec<String>,
    longest: Duration,
    all: Duration,
}

impl Report {
    pub(crate) fn add(
        &mut self,
        seed: u64,
        name: &str,
        visit: &Visit,
        observations: &ObservationSet,
        findings: &[Finding],
        took: Duration,
    ) {
        let is_low = visit.machine.is_low_side;
        let faults = &visit.machine.faults;
        let is_true =
            |finding: &Finding| faults.iter().any(|fault| names(fault, is_low, finding.kind, &finding.circuits, false));
        let row = self.rows.entry(name.to_owned()).or_default();
        row.runs += 1;
        self.longest = self.longest.max(took);
        self.all += took;
        let said: Vec<&Finding> = findings.iter().filter(|finding| finding.kind.is_fault()).collect();
        for finding in &said {
            let word = self.words.entry(finding.confidence.level.word()).or_default();
            word.0 += 1;
            word.1 += u32::from(is_true(finding));
            if finding.confidence.level == ConfidenceLevel::Certain {
                row.certain_wrong += u32::from(!is_true(finding));
                if !is_true(finding) {
                    self.examples.push(format!(
                        "{seed} {name}, {:?}, {faults:?}, low side {is_low}: {} {}",
                        visit.mistake, finding.sentence, finding.confidence
                    ));
                }
            }
        }
        row.certain += u32::from(said.iter().any(|finding| {
            finding.confidence.level == ConfidenceLevel::Certain && (faults.is_empty() || is_true(finding))
        }));
        let first = said.first();
        let listed = |finding: &Finding| {
            finding
                .alternatives
                .iter()
                .any(|other| faults.iter().any(|fault| names(fault, is_low, other.kind, &other.circuits, false)))
        };
        match first {
            None => row.nothing += 1,
            Some(first) if faults.iter().any(|fault| names(fault, is_low, first.kind, &first.circuits, true)) => {
                row.right += 1
            }
            Some(first) if is_true(first) || listed(first) || said.iter().any(|finding| is_true(finding)) => {
                row.named += 1
            }
            Some(first) => {
                row.wrong += 1;
                if first.confidence.level != ConfidenceLevel::Certain && self.examples.len() < 60 {
                    self.examples.push(format!(
                        "  ({seed} {name}, {:?}, {faults:?}, low side {is_low}: {} {})",
                        visit.mistake, first.sentence, first.confidence
                    ));
                }
            }
        }
        let is_out = observations.observations().iter().any(|observation| observation.is_out);
        let is_healthy = findings.iter().any(|finding| finding.kind == FindingKind::Healthy);
        if is_out && is_healthy {
            self.contradicting.push(seed);
        }
        if is_healthy && !said.is_empty() {
            self.excluding.push(seed);
        }
    }

    pub(crate) fn merge(&mut self, other: Self) {
        for (name, row) in other.rows {
            let mine = self.rows.entry(name).or_default();
            mine.runs += row.runs;
            mine.right += row.right;
            mine.named += row.named;
            mine.wrong += row.wrong;
            mine.nothing += row.nothing;
            mine.certain += row.certain;
            mine.certain_wrong += row.certain_wrong;
        }
        for (word, (said, right)) in other.words {
            let mine = self.words.entry(word).or_default();
            mine.0 += said;
            mine.1 += right;
        }
        self.contradicting.extend(other.contradicting);
        self.excluding.extend(other.excluding);
        self.examples.extend(other.examples);
        self.longest = self.longest.max(other.longest);
        self.all += other.all;
    }

    fn sum(&self, of: impl Fn(&str, &Row) -> u32) -> f64 {
        f64::from(self.rows.iter().map(|(name, row)| of(name, row)).sum::<u32>())
    }

    /// Fails where more of what is called certain is wrong, or more sound machines give an alarm, than these shares.
    pub(crate) fn assert_words(&self, wrong: f64, alarms: f64) {
        let said = self.words.get("certain").copied().unwrap_or_default();
        assert!(said.0 > 0, "nothing is certain");
        assert!(
            f64::from(said.0 - said.1) <= (wrong * f64::from(said.0)).max(1.0),
            "certain and wrong: {:#?}",
            self.examples
        );
        let sound = self.rows.get("sound machine").cloned().unwrap_or_default();
        assert!(
            f64::from(sound.runs - sound.nothing) <= (alarms * f64::from(sound.runs)).max(1.0),
            "{:#?}",
            self.examples
        );
        assert!(
            self.contradicting.is_empty() && self.excluding.is_empty(),
            "{:?} {:?}",
            self.contradicting,
            self.excluding
        );
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{:38} {:>6} {:>7} {:>7} {:>7} {:>7} {:>8} {:>6}",
            "simulated", "runs", "right", "named", "wrong", "nothing", "certain", "wrong"
        )?;
        for (name, row) in &self.rows {
            let share = |count: u32| format!("{:.1} %", 100.0 * f64::from(count) / f64::from(row.runs));
            writeln!(
                f,
                "{name:38} {:>6} {:>7} {:>7} {:>7} {:>7} {:>8} {:>6}",
                row.runs,
                share(row.right),
                share(row.named),
                share(row.wrong),
                share(row.nothing),
                share(row.certain),
                row.certain_wrong
            )?;
        }
        for (word, (said, right)) in &self.words {
            writeln!(f, "{word}: said {said}, right {:.2} %", 100.0 * f64::from(*right) / f64::from(*said))?;
        }
        let faulty = |name: &str, count: u32| if name.starts_with("sound") { 0 } else { count };
        let runs = self.sum(|name, row| faulty(name, row.runs));
        writeln!(
            f,
            "faults called certain and right: {:.1} %; right first {:.1} %",
            100.0 * self.sum(|name, row| faulty(name, row.certain)) / runs,
            100.0 * self.sum(|name, row| faulty(name, row.right)) / runs
        )?;
        writeln!(f, "no fault found above a step out of limit: {}", self.contradicting.len())?;
        let visits = self.sum(|_, row| row.runs);
        writeln!(
            f,
            "mean {:.1} ms, longest {:.1} ms",
            1e3 * self.all.as_secs_f64() / visits,
            1e3 * self.longest.as_secs_f64()
        )?;
        for example in self.examples.iter().take(80) {
            writeln!(f, "{example}")?;
        }
        Ok(())
    }
}
