//! From observations to findings: what is wrong, said as finely as the captures bear, and no finer.

use super::{
    Alternative, Confidence, Finding, FindingKind, ObservationSet,
    cause::{CauseCandidate, CauseContext, FittedCause, candidates},
    circuit::Measurand,
    evidence,
    fit::FitProblem,
    layout::Layout,
    mode,
    next::Splitting,
    prior::MachinePrior,
    search::{Hypothesis, HypothesisSearch, Posterior, fits},
    statement::{Statement, StatementScope, Statements},
};

/// Alternatives are listed until their sum and the finding's leave out less than this.
const LEFT_OUT: f64 = 0.01;
/// A mistake is reported from this probability on: less is among the alternatives.
const MISTAKE: f64 = 0.8;
/// A part of a run is named from this probability on, else the run.
const LIKELY: f64 = 0.8;

/// The findings, the best explained first; empty where too little was measured to say anything.
pub fn conclude(case: &ObservationSet) -> Vec<Finding> {
    conclude_unless_cancelled(case, &|| true).unwrap_or_default()
}

/// As [`conclude`]; none once `go_on` says no, which is asked between hypotheses.
pub fn conclude_unless_cancelled(case: &ObservationSet, go_on: &dyn Fn() -> bool) -> Option<Vec<Finding>> {
    let layout = Layout::new(case);
    if layout.readings.is_empty() {
        return Some(Vec::new());
    }
    let prior = MachinePrior::new(&layout);
    let context = CauseContext { layout: &layout, prior: &prior };
    let candidates = candidates(&context);
    let problem = FitProblem { model: &prior.model };
    let search = HypothesisSearch { problem, candidates: &candidates, modes: mode::modes(&layout, &prior), go_on };
    let posterior = search.run()?;
    let statements = Statements { candidates: &candidates, posterior: &posterior };
    let writer = FindingWriter { layout: &layout, prior: &prior, problem, statements };
    Some(writer.findings())
}

/// Puts hypotheses into words.
pub(super) struct FindingWriter<'a> {
    pub layout: &'a Layout<'a>,
    pub prior: &'a MachinePrior,
    pub problem: FitProblem<'a>,
    pub statements: Statements<'a>,
}

/// A mistake in one step, or of two that were swapped, spoils so many readings at most.
const MOST_SPOILED: usize = 2;

impl FindingWriter<'_> {
    /// Whether the short to ground at this place of a hypothesis moves more readings than one mistake spoils, or as many with its ohms
    /// to the frame among them. Steps that were swapped, or a lead that slipped, make a pin sag as a short does.
    fn is_short_shown(&self, best: &Hypothesis, place: usize) -> bool {
        let moved = evidence::moved(self.layout, self.problem, best, place);
        let is_to_ground = |at: &usize| matches!(self.layout.readings[*at].measurand, Measurand::ToGround(_));
        moved.len() > MOST_SPOILED || moved.len() == MOST_SPOILED && moved.iter().any(is_to_ground)
    }

    pub(super) fn candidates(&self) -> &[CauseCandidate] {
        self.statements.candidates
    }

    pub(super) fn posterior(&self) -> &Posterior {
        self.statements.posterior
    }

    fn findings(&self) -> Vec<Finding> {
        let Some(best) = self.likeliest() else { return Vec::new() };
        let passes = fits(&best.fit);
        let mut findings: Vec<Finding> = Vec::new();
        let faults: Vec<usize> = self.statements.faults(best).collect();
        for cause in &faults {
            findings.push(self.fault(best, *cause, passes));
        }
        findings.sort_by(|one, other| other.confidence.weight.total_cmp(&one.confidence.weight));
        if !passes {
            findings.insert(0, self.contradiction(best));
        }
        findings.extend(self.mistake(best));
        if faults.is_empty() && passes {
            match self.worth_naming() {
                Some((cause, hypothesis)) => findings.insert(0, self.possible_fault(hypothesis, cause)),
                None => findings.extend(self.without_fault(best)),
            }
        }
        findings
    }

    /// A fault that is less likely than a good machine, and named as such.
    fn possible_fault(&self, hypothesis: &Hypothesis, cause: usize) -> Finding {
        let mut finding = self.fault(hypothesis, cause, fits(&hypothesis.fit));
        if finding.confidence.weight < self.statements.no_fault() {
            finding.sentence.push_str(" A good machine at the edge of what is usual is likelier.");
        }
        finding
    }

    /// The hypothesis whose faults are, taken together, the likeliest: mistakes and places that say the same are summed.
    fn likeliest(&self) -> Option<&Hypothesis> {
        let says = |one: &Hypothesis| -> Vec<Statement> {
            let mut all: Vec<Statement> =
                self.statements.faults(one).map(|at| Statement::of(&self.candidates()[at])).collect();
            all.sort_by(|one, other| one.kind.cmp(&other.kind).then(one.coils.cmp(&other.coils)));
            all
        };
        let mut sums: Vec<(Vec<Statement>, f64, &Hypothesis)> = Vec::new();
        for one in &self.posterior().hypotheses {
            let said = says(one);
            match sums.iter_mut().find(|(known, ..)| *known == said) {
                Some((_, sum, _)) => *sum += one.probability,
                None => sums.push((said, one.probability, one)),
            }
        }
        sums.into_iter().max_by(|one, other| one.1.total_cmp(&other.1)).map(|(_, _, one)| one)
    }

    /// One fault of the likeliest hypothesis, named as finely as the captures bear.
    fn fault(&self, best: &Hypothesis, cause: usize, passes: bool) -> Finding {
        let candidate = &self.candidates()[cause];
        if let Some(finding) = self.low_feed(best, cause, passes) {
            return finding;
        }
        let fine = Statement::of(candidate);
        let (statement, weight) = self.named(best, &fine);
        let sentence =
            if statement == fine { self.sentence(best, cause) } else { self.run_sentence(best, cause, &statement) };
        let alternatives = self.alternatives(best, &|one| self.statements.says(one, &statement), weight);
        let place = best.causes.iter().position(|at| *at == cause).unwrap_or(0);
        let fitted = self.fitted(best, place);
        let next = self.next(&statement, weight).unwrap_or_else(|| candidate.cause.next_step(&fitted));
        let mut evidence = evidence::for_cause(self.layout, self.problem, best, place);
        let is_shown = candidate.cause.is_shown(&fitted)
            && (statement.kind != FindingKind::ShortToGround || self.is_short_shown(best, place));
        let may_be_certain = passes && !evidence.is_empty() && is_shown;
        if evidence::is_series(statement.kind) {
            let balances =
                candidate.coils.iter().filter_map(|at| evidence::balance(self.layout, self.layout.coils[*at]));
            evidence.extend(balances);
        }
        let z = evidence::deviations(self.posterior(), self.statements, best);
        Finding {
            kind: statement.kind,
            circuits: statement.coils.iter().map(|at| self.layout.coils[*at].to_owned()).collect(),
            sentence,
            evidence,
            confidence: Confidence::new(weight, z, may_be_certain),
            alternatives,
            next,
        }
    }

    /// One terminal without its volts, and nothing else that a cause would move: what is behind it stays open.
    fn low_feed(&self, best: &Hypothesis, cause: usize, passes: bool) -> Option<Finding> {
        let is_of_feed = |at: usize| {
            let candidate = &self.candidates()[at];
            matches!(
                candidate.kind,
                FindingKind::OpenCircuit
                    | FindingKind::FeedLowEverywhere
                    | FindingKind::FeedLowInBranch
                    | FindingKind::FeedResistance
                    | FindingKind::WeakSupply
                    | FindingKind::ShortToGround
            )
        };
        let place = best.causes.iter().position(|at| *at == cause)?;
        let [only] = evidence::moved(self.layout, self.problem, best, place)[..] else { return None };
        let Measurand::HarnessFeed(coil) = self.layout.readings[only].measurand else { return None };
        if !is_of_feed(cause) {
            return None;
        }
        let is_said = |one: &Hypothesis| self.statements.faults(one).any(is_of_feed);
        let weight = self.posterior().probability(is_said);
        let (name, observation) = (self.layout.coils[coil], self.layout.observation(only));
        let is_dead = observation.uncertain().is_some_and(|volts| volts.value < 1.0);
        let what = if is_dead { "no feed" } else { "low feed" };
        let fitted = self.fitted(best, place);
        Some(Finding {
            kind: FindingKind::FeedLowInBranch,
            circuits: vec![name.to_owned()],
            sentence: format!("{name}: {what} at this terminal, {}.", observation.shown()),
            evidence: evidence::for_cause(self.layout, self.problem, best, place),
            confidence: Confidence::new(weight, evidence::deviations(self.posterior(), self.statements, best), passes),
            alternatives: self.alternatives(best, &is_said, weight),
            next: self
                .next(&Statement::of(&self.candidates()[cause]), weight)
                .unwrap_or_else(|| self.candidates()[cause].cause.next_step(&fitted)),
        })
    }

    /// What is said of a fault: itself where that is likely, else the narrowest run that it is in and that is.
    fn named(&self, best: &Hypothesis, fine: &Statement) -> (Statement, f64) {
        let own = self.statements.probability(fine);
        // Two faults in one run are no doubt about its place.
        let in_run =
            |run: &Statement| self.statements.faults(best).filter(|at| run.covers(&self.candidates()[*at])).count();
        let likely_run = fine
            .runs()
            .into_iter()
            .filter(|run| own < LIKELY && in_run(run) < 2)
            .map(|run| (self.statements.probability(&run), run))
            .find(|(weight, _)| *weight >= LIKELY);
        likely_run.map_or_else(|| (fine.clone(), own), |(weight, run)| (run, weight))
    }

    pub(super) fn fitted<'t>(&'t self, hypothesis: &'t Hypothesis, place: usize) -> FittedCause<'t> {
        let candidate = &self.candidates()[hypothesis.causes[place]];
        FittedCause {
            layout: self.layout,
            prior: self.prior,
            coils: &candidate.coils,
            edit: candidate.edit,
            kind: candidate.kind,
            sizes: hypothesis.sizes(place, self.prior.model.figures.len()),
        }
    }

    /// The circuits that a cause concerns, as the procedure names them.
    fn circuits(&self, cause: usize) -> Vec<String> {
        self.candidates()[cause].coils.iter().map(|at| self.layout.coils[*at].to_owned()).collect()
    }

    fn sentence(&self, hypothesis: &Hypothesis, cause: usize) -> String {
        let place = hypothesis.causes.iter().position(|at| *at == cause).unwrap_or(0);
        self.candidates()[cause].cause.sentence(&self.fitted(hypothesis, place))
    }

    /// A run whose parts the captures can't tell apart.
    fn run_sentence(&self, best: &Hypothesis, cause: usize, run: &Statement) -> String {
        let mut places: Vec<&str> = Vec::new();
        for one in self.posterior().hypotheses.iter().filter(|one| one.probability > LEFT_OUT) {
            for at in self.statements.faults(one).filter(|at| run.covers(&self.candidates()[*at])) {
                let place = match self.candidates()[at].kind {
                    FindingKind::GroundResistance => "its ground",
                    FindingKind::ConnectorResistance => "its connector",
                    FindingKind::FeedLowInBranch => "its driver",
                    _ => "its feed",
                };
                if !places.contains(&place) {
                    places.push(place);
                }
            }
        }
        let place = best.causes.iter().position(|at| *at == cause).unwrap_or(0);
        let fitted = self.fitted(best, place);
        let size = match fitted.kind {
            FindingKind::FeedLowInBranch => {
                super::cause::show_rounded(fitted.size(0), crate::units::Quantity::VoltsDc) + " lost"
            }
            _ => fitted.ohms(0) + " extra",
        };
        format!(
            "{}: high resistance under load, {size}, in {}: these captures can't tell them apart.",
            fitted.coil(),
            places.join(" or ")
        )
    }

    /// What else would explain the captures, until next to nothing is left out: what each has beside the best.
    pub(super) fn alternatives(
        &self,
        best: &Hypothesis,
        is_said: &dyn Fn(&Hypothesis) -> bool,
        weight: f64,
    ) -> Vec<Alternative> {
        let mut found: Vec<Alternative> = Vec::new();
        for one in self.posterior().hypotheses.iter().filter(|one| !is_said(one)) {
            let own = self.statements.own_place(one, best).map(|place| one.causes[place]);
            let (kind, circuits, sentence) = match own {
                Some(at) => (self.candidates()[at].kind, self.circuits(at), self.sentence(one, at)),
                None => {
                    let what = if self.statements.faults(one).next().is_none() { "Nothing" } else { "Nothing else" };
                    (FindingKind::Healthy, Vec::new(), format!("{what} is wrong: a good machine shows this too."))
                }
            };
            match found.iter_mut().find(|known| known.kind == kind && known.circuits == circuits) {
                Some(known) => known.weight = known.weight.map(|sum| sum + one.probability),
                None => found.push(Alternative { kind, circuits, sentence, weight: Some(one.probability) }),
            }
        }
        found.sort_by(|one, other| other.weight.unwrap_or(0.0).total_cmp(&one.weight.unwrap_or(0.0)));
        let mut sum = weight;
        found.retain(|other| {
            let is_needed = sum < 1.0 - LEFT_OUT && other.weight.is_some_and(|weight| weight >= 0.5 * LEFT_OUT);
            sum += other.weight.unwrap_or(0.0);
            is_needed
        });
        found
    }

    /// The measurement that splits best what is still open; none where nothing is.
    fn next(&self, statement: &Statement, weight: f64) -> Option<String> {
        if weight >= 0.99 && self.statements.probability(statement) >= 0.99 && statement.scope == StatementScope::Part {
            return None;
        }
        Splitting { writer: self }.best()
    }

    /// Readings that no explanation fits.
    fn contradiction(&self, best: &Hypothesis) -> Finding {
        let odd = evidence::oddest(self.problem, best);
        let mut circuits: Vec<String> = Vec::new();
        for at in &odd {
            let circuit = &self.layout.observation(*at).circuit;
            if !circuits.contains(circuit) {
                circuits.push(circuit.clone());
            }
        }
        let step = odd.first().map_or("", |at| self.layout.observation(*at).step.as_str());
        Finding {
            kind: FindingKind::Contradiction,
            circuits,
            sentence: format!("These readings fit no known cause: repeat the step \"{step}\"."),
            evidence: odd.iter().map(|at| evidence::miss(self.layout, best, *at)).collect(),
            confidence: Confidence::new(0.8, 3.1, false),
            alternatives: Vec::new(),
            next: format!(
                "Repeat the step \"{step}\": a lead may have slipped, or the wrong circuit was measured. If the value comes again, there is more than one fault."
            ),
        }
    }

    /// A mistake that is likelier than not.
    fn mistake(&self, best: &Hypothesis) -> Option<Finding> {
        let place = best.causes.iter().position(|at| !self.candidates()[*at].edit.is_fault())?;
        let cause = best.causes[place];
        let weight = self.posterior().probability(|one| one.causes.contains(&cause));
        let fitted = self.fitted(best, place);
        (weight >= MISTAKE).then(|| Finding {
            kind: self.candidates()[cause].kind,
            circuits: self.circuits(cause),
            sentence: self.candidates()[cause].cause.sentence(&fitted),
            evidence: evidence::for_cause(self.layout, self.problem, best, place),
            // No temperature was measured: that is never certain.
            confidence: match self.candidates()[cause].kind {
                FindingKind::WarmCoils => Confidence::from_absence(weight),
                _ => Confidence::new(weight, 0.0, fits(&best.fit)),
            },
            alternatives: Vec::new(),
            next: self.candidates()[cause].cause.next_step(&fitted),
        })
    }
}
