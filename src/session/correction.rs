//! A later change of what was told of the visit: the first record stays beside it.

use serde::{Deserialize, Serialize};
use strum::{EnumMessage, VariantArray};

use super::{
    Refusal, Visit,
    command::{LONGEST_NAME, LONGEST_TEXT, check_length},
};
use crate::words::words;

/// What of a visit can be corrected; the words are columns of the table `session`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum VisitField {
    /// The machine.
    #[strum(serialize = "machine")]
    Machine,
    /// The job.
    #[strum(serialize = "job")]
    Job,
    /// The vehicle identification or serial number.
    #[strum(serialize = "vin")]
    Vin,
    /// Odometer or hour meter.
    #[strum(serialize = "counter")]
    Counter,
    /// The customer's complaint.
    #[strum(serialize = "complaint")]
    Complaint,
}

words!(pub VisitField);

impl VisitField {
    fn of(self, visit: &mut Visit) -> &mut String {
        match self {
            Self::Machine => &mut visit.machine,
            Self::Job => &mut visit.job,
            Self::Vin => &mut visit.vin,
            Self::Counter => &mut visit.counter,
            Self::Complaint => &mut visit.complaint,
        }
    }

    fn longest(self) -> usize {
        if self == Self::Complaint { LONGEST_TEXT } else { LONGEST_NAME }
    }
}

/// One correction: who, what, before and after. The time is that of its record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Correction {
    /// Who made it; empty where not told.
    pub made_by: String,
    /// What was corrected.
    pub field: VisitField,
    /// As it was.
    pub value_before: String,
    /// As it is now.
    pub value_after: String,
}

impl std::fmt::Display for Correction {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { made_by, field, value_before, value_after } = self;
        let field = field.word();
        write!(f, "{field} is \"{value_after}\", was \"{value_before}\"")?;
        if made_by.is_empty() { Ok(()) } else { write!(f, ", by {made_by}") }
    }
}

/// What is told anew of a visit; none for what stays.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct VisitCorrection {
    /// Who corrects it.
    pub by: String,
    /// The machine.
    pub machine: Option<String>,
    /// The job.
    pub job: Option<String>,
    /// The vehicle identification or serial number.
    pub vin: Option<String>,
    /// Odometer or hour meter.
    pub counter: Option<String>,
    /// The customer's complaint.
    pub complaint: Option<String>,
}

impl VisitCorrection {
    /// Changes the visit, and returns what changed.
    ///
    /// # Errors
    /// A text is too long, or nothing is another than it was; the visit is as it was then.
    pub(super) fn apply(self, visit: &mut Visit) -> Result<Vec<Correction>, Refusal> {
        let Self { by, machine, job, vin, counter, complaint } = self;
        check_length(&by, "name of who corrects", LONGEST_NAME)?;
        let fields = [
            (VisitField::Machine, machine),
            (VisitField::Job, job),
            (VisitField::Vin, vin),
            (VisitField::Counter, counter),
            (VisitField::Complaint, complaint),
        ];
        let mut corrected = visit.clone();
        let mut corrections = Vec::new();
        for (field, text) in fields {
            let Some(text) = text else { continue };
            check_length(text.trim(), field.word(), field.longest())?;
            let before = std::mem::replace(field.of(&mut corrected), text.trim().to_owned());
            if before != text.trim() {
                corrections.push(Correction {
                    made_by: by.trim().to_owned(),
                    field,
                    value_before: before,
                    value_after: text.trim().to_owned(),
                });
            }
        }
        if corrections.is_empty() {
            return Err(Refusal::NothingToCorrect);
        }
        *visit = corrected;
        Ok(corrections)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changes_is_kept_beside_what_it_was() {
        let mut visit = Visit { machine: "loader 7".to_owned(), job: "A-113".to_owned(), ..Visit::default() };
        let told = VisitCorrection {
            by: "K".to_owned(),
            machine: Some(" loader 8 ".to_owned()),
            job: Some("A-113".to_owned()),
            ..VisitCorrection::default()
        };
        let corrections = told.clone().apply(&mut visit).unwrap();
        assert_eq!(corrections.len(), 1);
        assert_eq!(corrections[0].to_string(), "machine is \"loader 8\", was \"loader 7\", by K");
        assert_eq!((visit.machine.as_str(), visit.job.as_str()), ("loader 8", "A-113"));
        assert_eq!(told.apply(&mut visit), Err(Refusal::NothingToCorrect));
        let long = VisitCorrection { job: Some("x".repeat(401)), machine: Some("y".to_owned()), ..Default::default() };
        assert!(matches!(long.apply(&mut visit), Err(Refusal::TooLong { what: "job", .. })));
        assert_eq!(visit.machine, "loader 8", "nothing has changed");
    }
}
