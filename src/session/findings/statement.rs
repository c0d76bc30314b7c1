//! What a hypothesis says for people: kinds of faults and where. Hypotheses that say the same are counted together.

use super::{
    FindingKind,
    cause::CauseCandidate,
    search::{Hypothesis, Posterior},
};

/// One thing that is said to be wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Statement {
    pub kind: FindingKind,
    pub coils: Vec<usize>,
    pub scope: StatementScope,
}

/// How much of a circuit a statement speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum StatementScope {
    /// What one cause changes.
    Part,
    /// Resistance, or volts lost, anywhere between the shared feed and the coil: driver, wire, joints.
    FeedRun,
    /// The same anywhere in the circuit of one coil.
    WholeRun,
}

impl Statement {
    pub(super) fn of(candidate: &CauseCandidate) -> Self {
        Self { kind: candidate.kind, coils: candidate.coils.clone(), scope: StatementScope::Part }
    }

    /// What covers this one where captures can't tell the parts of a run apart, the narrower first.
    pub(super) fn runs(&self) -> Vec<Self> {
        let with = |kind, scope| Self { kind, coils: self.coils.clone(), scope };
        let whole = with(FindingKind::UnplacedResistance, StatementScope::WholeRun);
        match self.kind {
            FindingKind::FeedResistance | FindingKind::FeedLowInBranch => {
                vec![with(FindingKind::FeedResistance, StatementScope::FeedRun), whole]
            }
            FindingKind::GroundResistance | FindingKind::ConnectorResistance => vec![whole],
            _ => Vec::new(),
        }
    }

    /// Whether a cause says it, or a part of the run that it names.
    pub(super) fn covers(&self, candidate: &CauseCandidate) -> bool {
        let other = Self::of(candidate);
        *self == other || other.runs().contains(self)
    }
}

/// What hypotheses say.
#[derive(Clone, Copy)]
pub(super) struct Statements<'a> {
    pub candidates: &'a [CauseCandidate],
    pub posterior: &'a Posterior,
}

impl Statements<'_> {
    /// The faults of a hypothesis, without its mistakes.
    pub(super) fn faults<'h>(&'h self, hypothesis: &'h Hypothesis) -> impl Iterator<Item = usize> + 'h {
        hypothesis.causes.iter().copied().filter(|at| self.candidates[*at].edit.is_fault())
    }

    /// What a hypothesis has that another has not: the place of a fault of its own among its causes, else of a mistake.
    pub(super) fn own_place(&self, one: &Hypothesis, other: &Hypothesis) -> Option<usize> {
        let is_own = |place: &usize| {
            let cause = one.causes[*place];
            let said = Statement::of(&self.candidates[cause]);
            let mut of_other = self.faults(other).map(|at| Statement::of(&self.candidates[at]));
            if !self.candidates[cause].edit.is_fault() {
                !other.causes.contains(&cause)
            } else {
                !of_other.any(|one| one == said)
            }
        };
        let own: Vec<usize> = (0..one.causes.len()).filter(is_own).collect();
        own.iter().find(|place| self.candidates[one.causes[**place]].edit.is_fault()).or(own.first()).copied()
    }

    /// Whether a hypothesis says it.
    pub(super) fn says(&self, hypothesis: &Hypothesis, statement: &Statement) -> bool {
        self.faults(hypothesis).any(|at| statement.covers(&self.candidates[at]))
    }

    /// How likely it is.
    pub(super) fn probability(&self, statement: &Statement) -> f64 {
        self.posterior.probability(|one| self.says(one, statement))
    }

    /// How likely it is that the machine has no fault at all.
    pub(super) fn no_fault(&self) -> f64 {
        self.posterior.probability(|one| self.faults(one).next().is_none())
    }
}
