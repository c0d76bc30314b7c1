//! Whether the leads make contact. A dead feed reads like a lifted lead, so contact must be proved.

use crate::{channel::Sample, clock::Mono, procedure::ContactRule, protocol::Value};

/// Tracks the leads of one step.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LeadContact {
    rule: ContactRule,
    /// Since when they have made contact; none while they do not.
    since: Option<Mono>,
    /// False while they may still be where the previous step left them.
    moved: bool,
}

impl LeadContact {
    /// The leads may be anywhere as the step begins.
    pub(crate) fn new(rule: ContactRule) -> Self {
        Self { rule, since: None, moved: true }
    }

    /// A step that begins with the leads where the one before was captured: nothing counts until
    /// they have been lifted.
    pub(crate) fn still_there(rule: ContactRule) -> Self {
        Self { rule, since: None, moved: rule == ContactRule::Fixed }
    }

    /// Takes one more sample of the step's function.
    pub(crate) fn sample(&mut self, sample: &Sample) {
        match self.proves(sample) {
            true if self.moved => {
                self.since.get_or_insert(sample.at);
            }
            true => {}
            false => {
                self.since = None;
                self.moved = true;
            }
        }
    }

    /// Contact is unknown: the function was wrong, or the meter is gone.
    pub(crate) fn broken(&mut self) {
        self.since = None;
        self.moved = true;
    }

    /// Since when the leads make contact.
    pub(crate) fn since(&self) -> Option<Mono> {
        self.since
    }

    /// Whether the leads may still be where the previous step left them.
    pub(crate) fn waits_for_a_lift(&self) -> bool {
        !self.moved
    }

    /// Whether the leads are fixed, so that nothing can be lifted.
    pub(crate) fn is_fixed(&self) -> bool {
        self.rule == ContactRule::Fixed
    }

    fn proves(&self, sample: &Sample) -> bool {
        match (self.rule, sample.value) {
            (ContactRule::Fixed, _) => true,
            (ContactRule::AtLeast(least), Value::Number(value)) => value.abs() >= least,
            (ContactRule::AtLeast(_), Value::Over | Value::Under) => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::step::tests::volts;

    #[test]
    fn contact_begins_with_the_first_value_that_proves_it() {
        let mut contact = LeadContact::new(ContactRule::AtLeast(0.5));
        for (at, value, since) in
            [(0, 0.02, None), (1, 12.4, Some(1)), (2, 12.5, Some(1)), (3, 0.0, None), (4, 12.4, Some(4))]
        {
            contact.sample(&volts(at, value));
            assert_eq!(contact.since(), since.map(Mono), "at {at}");
        }
    }

    #[test]
    fn leads_that_were_not_lifted_prove_nothing_new() {
        let mut contact = LeadContact::still_there(ContactRule::AtLeast(0.5));
        for (at, value, since) in [(0, 12.4, None), (1, 12.4, None), (2, 0.01, None), (3, 12.1, Some(3))] {
            contact.sample(&volts(at, value));
            assert_eq!(contact.since(), since.map(Mono), "at {at}");
        }
    }
}
