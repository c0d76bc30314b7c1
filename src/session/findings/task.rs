//! The work of finding out, as a value: it can be done on any thread, and given up.

use uuid::Uuid;

use super::{Finding, ObservationSet, conclude_unless_cancelled};

/// Findings that are to be worked out. The same task gives the same findings.
#[derive(Debug, Clone)]
pub struct FindingsTask {
    /// The session that it is for.
    pub session: Uuid,
    /// How many captures of the session it rests on.
    pub captures: u64,
    /// What was captured.
    pub observations: ObservationSet,
}

impl FindingsTask {
    /// Works them out, the best first; none once `go_on` says no, which is asked between hypotheses.
    pub fn work_out(&self, go_on: &dyn Fn() -> bool) -> Option<Vec<Finding>> {
        conclude_unless_cancelled(&self.observations, go_on)
    }
}
