//! What a search one cause after the other misses: a second cause bends the screen and the modes so much that neither leads to both.

use super::{
    super::circuit::{Edit, LeakPlace, Measurand, comparable},
    Hypothesis, HypothesisSearch, NEGLIGIBLE, Screened, fits, mode,
};

/// More held coils without amps than this have a cause in common.
const MOST_DEAD: usize = 2;
/// Exchanged steps that are tried with every other cause, where one of the two is a sign of a fault by itself.
const LEADS_EXCHANGED: usize = 24;
/// A coil of more is open, and a wire with less to the frame is grounded, Ω.
const OPEN_OHMS: f64 = 1e4;
const GROUNDED_OHMS: f64 = 1e3;

impl HypothesisSearch<'_> {
    /// Where the best gives a reading up as slipped beside a fault, or fits badly: an open coil, a short to ground or a coil without amps whose
    /// step was exchanged with another's. Alone neither that nor the fault explains anything, so that neither leads to the pair.
    pub(super) fn with_exchanged_signs(
        &self,
        hypotheses: &mut Vec<Hypothesis>,
        sizes: &[Option<Vec<f64>>],
        singles: &[Screened],
    ) -> Option<()> {
        let Some(best) = hypotheses.first() else { return Some(()) };
        let is_slipped = |cause: &usize| matches!(self.candidates[*cause].edit, Edit::Slipped(_));
        let is_pair = best.causes.len() >= 2 && best.causes.iter().any(is_slipped);
        if !is_pair && fits(&best.fit) {
            return Some(());
        }
        let floor = best.ln_weight - NEGLIGIBLE;
        let mut leads = Vec::new();
        for single in singles {
            let [cause] = single.causes[..] else { continue };
            let Edit::SwappedSteps(one, other) = self.candidates[cause].edit else { continue };
            let is_usual = single.edits.len() == 1;
            if is_usual && self.is_sign(one) != self.is_sign(other) && leads.len() < LEADS_EXCHANGED {
                leads.push(single);
            }
        }
        let mut screened = Vec::new();
        for lead in leads {
            if !(self.go_on)() {
                return None;
            }
            let fit = self.problem.fit(&lead.edits);
            screened.extend(self.one_more(&lead.causes, &lead.edits, &fit, sizes, floor)?);
        }
        self.fit_best(hypotheses, &mut screened)
    }

    /// Where the best has a mistake beside a fault: the mistake alone, on good machines of every mode. By the reading that it
    /// spoils, another mode looks likelier as long as the mistake is not known.
    pub(super) fn with_mistake_alone(&self, hypotheses: &mut Vec<Hypothesis>) -> Option<()> {
        let Some(best) = hypotheses.first() else { return Some(()) };
        let is_mistake = |cause: &&usize| self.candidates[**cause].edit.is_mistake();
        let Some(mistake) = best.causes.iter().find(is_mistake).copied().filter(|_| best.causes.len() > 1) else {
            return Some(());
        };
        let start = self.candidates[mistake].starts.first().cloned().unwrap_or_default();
        for mode in &self.modes {
            if !(self.go_on)() {
                return None;
            }
            let mut edits = vec![self.candidates[mistake].edit_from(&start)];
            edits.extend(mode.iter().cloned());
            let Some(fitted) = self.fitted(vec![mistake], edits) else { continue };
            // One that started from a bent mode may have stopped elsewhere.
            let is_same = |known: &Hypothesis| {
                known.causes == fitted.causes && mode::of(&known.edits).eq(mode::of(&fitted.edits))
            };
            match hypotheses.iter_mut().find(|known| is_same(known)) {
                Some(known) if known.ln_weight < fitted.ln_weight => *known = fitted,
                Some(_) => {}
                None => hypotheses.push(fitted),
            }
        }
        hypotheses.sort_by(|one, other| other.ln_weight.total_cmp(&one.ln_weight));
        Some(())
    }

    /// Whether a reading by itself is the sign of a fault: no amps in a coil that is held, an open coil, a wire on the frame.
    fn is_sign(&self, at: usize) -> bool {
        let reading = &self.problem.model.readings[at];
        match reading.measurand {
            Measurand::CoilOhms(_) => reading.value < comparable(OPEN_OHMS),
            Measurand::ToGround(_) => reading.value > comparable(GROUNDED_OHMS),
            Measurand::Wire(_) => self.candidates.iter().any(|candidate| candidate.edit == Edit::DeadClamp(at)),
            _ => false,
        }
    }

    /// What leaves a held coil without amps, fitted whether or not it is promising alone: beside a larger misfit at another coil
    /// the screen is bent, and puts all of them far behind.
    pub(super) fn of_dead_coils(&self, hypotheses: &[Hypothesis], screened: &[Screened]) -> Option<Vec<Hypothesis>> {
        let readings = &self.problem.model.readings;
        let dead: Vec<(usize, usize)> = self
            .candidates
            .iter()
            .filter_map(|candidate| match candidate.edit {
                Edit::DeadClamp(at) => Some((at, readings[at].measurand.branch()?)),
                _ => None,
            })
            .collect();
        let mut found = Vec::new();
        if dead.len() > MOST_DEAD {
            return Some(found);
        }
        for (cause, candidate) in self.candidates.iter().enumerate() {
            let leaves_dead = match candidate.edit {
                Edit::DeadClamp(_) => true,
                Edit::Open(_) | Edit::LeakToFeed(_, LeakPlace::BehindClamp) => {
                    dead.iter().any(|(_, coil)| candidate.coils == [*coil])
                }
                _ => false,
            };
            if !leaves_dead {
                continue;
            }
            if !(self.go_on)() {
                return None;
            }
            // In the usual mode: which one it is shows only once all is explained.
            let known = hypotheses.iter().find(|one| one.causes == [cause] && one.edits.len() == 1).cloned();
            let usual = || screened.iter().find(|one| one.causes == [cause] && one.edits.len() == 1);
            found.extend(known.or_else(|| usual().and_then(|one| self.fitted(vec![cause], one.edits.clone()))));
        }
        Some(found)
    }
}
