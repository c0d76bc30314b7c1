//! A later change of what was told of the visit, or of what was filed where: the first record stays beside it.

use serde::{Deserialize, Serialize};
use strum::{EnumMessage, VariantArray};

use super::{Refusal, Visit, command::checked_celsius};
use crate::{
    procedure::MachineHeat,
    text_length::{TooLong, check_name, check_text},
    words::words,
};

/// What can be corrected. The words of the visit's fields are columns of the table `session`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, VariantArray, EnumMessage)]
pub enum CorrectedField {
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
    /// The temperature of the place, °C.
    #[strum(serialize = "ambient_c")]
    Ambient,
    /// The temperature of the part, °C.
    #[strum(serialize = "part_c")]
    Part,
    /// How warm the machine is.
    #[strum(serialize = "machine_state")]
    State,
    /// The text of a mark.
    #[strum(serialize = "mark text")]
    MarkText,
    /// The time of a mark.
    #[strum(serialize = "mark time")]
    MarkTime,
    /// A mark that was none.
    #[strum(serialize = "mark deleted")]
    MarkDeleted,
    /// Which step it was that was on.
    #[strum(serialize = "step")]
    Step,
    /// When a step began.
    #[strum(serialize = "step begin")]
    StepBegin,
    /// A step that was none: the one before went on.
    #[strum(serialize = "step deleted")]
    StepDeleted,
    /// Which step a capture belongs to, with the stretch around it.
    #[strum(serialize = "capture")]
    Capture,
    /// A capture that does not count.
    #[strum(serialize = "void")]
    Void,
    /// Whether the machine is known to be good.
    #[strum(serialize = "good")]
    Good,
}

words!(pub CorrectedField);

impl CorrectedField {
    /// The field of a visit as text; empty where it is not given.
    pub(crate) fn of(self, visit: &Visit) -> String {
        let celsius = |value: Option<f64>| value.map_or(String::new(), |value| value.to_string());
        match self {
            Self::Machine => visit.machine.clone(),
            Self::Job => visit.job.clone(),
            Self::Vin => visit.vin.clone(),
            Self::Counter => visit.counter.clone(),
            Self::Complaint => visit.complaint.clone(),
            Self::Ambient => celsius(visit.ambient_celsius),
            Self::Part => celsius(visit.part_celsius),
            Self::State => visit.state.map_or(String::new(), |state| state.word().to_owned()),
            _ => String::new(),
        }
    }

    /// Puts a text into its field of a visit; another field than one of the visit changes nothing.
    pub(crate) fn put(self, visit: &mut Visit, text: &str) {
        match self {
            Self::Machine => text.clone_into(&mut visit.machine),
            Self::Job => text.clone_into(&mut visit.job),
            Self::Vin => text.clone_into(&mut visit.vin),
            Self::Counter => text.clone_into(&mut visit.counter),
            Self::Complaint => text.clone_into(&mut visit.complaint),
            Self::Ambient => visit.ambient_celsius = text.parse().ok(),
            Self::Part => visit.part_celsius = text.parse().ok(),
            Self::State => visit.state = text.parse().ok(),
            _ => {}
        }
    }

    /// Refuses a text that can't stand in its field.
    pub(crate) fn check(self, text: &str) -> Result<(), String> {
        match self {
            Self::Ambient | Self::Part if !text.is_empty() => {
                let celsius = text.parse().map_err(|_| format!("found \"{text}\", expected a temperature in °C"))?;
                checked_celsius(celsius).map(drop)
            }
            Self::State if !text.is_empty() => text.parse::<MachineHeat>().map(drop).map_err(|error| error.to_string()),
            _ => self.check_length(text).map_err(|refusal| refusal.to_string()),
        }
    }

    /// The text as a column of the visit keeps it: none for a temperature or state that is not given.
    pub(crate) fn column_value(self, text: &str) -> Option<&str> {
        (!self.is_of_heat() || !text.is_empty()).then_some(text)
    }

    /// What a field is called in a sentence.
    fn name(self) -> &'static str {
        match self {
            Self::Vin => "VIN",
            Self::Ambient => "ambient temperature",
            Self::Part => "part temperature",
            Self::State => "machine state",
            other => other.word(),
        }
    }

    /// The text of a field of the visit, in a sentence.
    fn shown(self, text: &str) -> String {
        match self {
            _ if text.is_empty() => "not told".to_owned(),
            Self::Ambient | Self::Part => format!("{text} °C"),
            Self::State => text.to_owned(),
            _ => format!("\"{text}\""),
        }
    }

    /// Whether it is of a step that was done.
    pub(crate) fn is_of_step(self) -> bool {
        matches!(self, Self::Step | Self::StepBegin | Self::StepDeleted | Self::Capture | Self::Void)
    }

    /// Whether a judgement may be another one after its correction.
    pub(crate) fn is_judged_by(self) -> bool {
        use CorrectedField::{Ambient, Capture, Part, State, Step, StepBegin, StepDeleted, Void};
        matches!(self, Ambient | Part | State | Step | StepBegin | StepDeleted | Capture | Void)
    }

    /// Whether it is a temperature, or how warm the machine is.
    pub(crate) fn is_of_heat(self) -> bool {
        matches!(self, Self::Ambient | Self::Part | Self::State)
    }

    /// Whether it is of a mark that is no step.
    pub(crate) fn is_of_mark(self) -> bool {
        matches!(self, Self::MarkText | Self::MarkTime | Self::MarkDeleted)
    }

    /// Refuses a text that is no name and no sentence.
    pub(crate) fn check_length(self, text: &str) -> Result<(), TooLong> {
        if self == Self::Complaint { check_text(self.word(), text) } else { check_name(self.word(), text) }
    }
}

/// One correction: who, what, before and after. The time is that of its record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Correction {
    /// Who made it; empty where not given.
    pub made_by: String,
    /// What was corrected.
    pub field: CorrectedField,
    /// Which mark or step, by its number; empty for the visit.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub subject: String,
    /// As it was.
    pub value_before: String,
    /// As it is now.
    pub value_after: String,
}

impl Correction {
    /// Puts the words before it back into the visit, and returns the correction that this is.
    pub(super) fn undo(&self, visit: &mut Visit) -> Self {
        self.field.put(visit, &self.value_before);
        let Self { value_before, value_after, .. } = self.clone();
        Self { value_before: value_after, value_after: value_before, ..self.clone() }
    }
}

impl std::fmt::Display for Correction {
    /// In words, with a step by its number in the first record.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.words(&format!("step {}", self.subject)))
    }
}

impl Correction {
    /// In words, with what its step is called.
    pub(crate) fn words(&self, step: &str) -> String {
        let Self { made_by, field, subject, value_before: before, value_after: after } = self;
        let text = match field {
            CorrectedField::MarkText => format!("mark {subject} is \"{after}\", was \"{before}\""),
            CorrectedField::MarkTime => {
                format!("mark {subject} is at {}, was at {}", as_given(after), as_recorded(before))
            }
            CorrectedField::MarkDeleted => format!("mark {subject} \"{before}\" is deleted"),
            CorrectedField::Step => format!("{step} is \"{after}\" now"),
            CorrectedField::StepBegin => {
                format!("{step} began at {}, was at {}", as_given(after), as_recorded(before))
            }
            CorrectedField::StepDeleted => format!("{step} is deleted"),
            CorrectedField::Capture => {
                let stretch = before.rsplit_once(", ").map_or(String::new(), |(_, stretch)| as_recorded(stretch));
                format!("what was captured in {step} from {stretch} belongs to \"{after}\"")
            }
            CorrectedField::Void => format!("what was captured in {step} is void: {after}"),
            CorrectedField::Good if after == "yes" => "the machine is known to be good".to_owned(),
            CorrectedField::Good => "the machine is not known to be good".to_owned(),
            field => format!("{} is {}, was {}", field.name(), field.shown(after), field.shown(before)),
        };
        if made_by.is_empty() { text } else { format!("{text}, by {made_by}") }
    }
}

/// The times of a text, kept to the microsecond, with the digits that a person gave: without zeros at their end.
fn as_given(times: &str) -> String {
    with_decimals(times, 6)
}

/// The same of times that were recorded: to the millisecond.
fn as_recorded(times: &str) -> String {
    with_decimals(times, 3)
}

fn with_decimals(times: &str, most: usize) -> String {
    let shown = |word: &str| match word.parse::<f64>() {
        Ok(seconds) if word.contains('.') => {
            format!("{seconds:.most$}").trim_end_matches('0').trim_end_matches('.').to_owned()
        }
        _ => word.to_owned(),
    };
    times.split(' ').map(shown).collect::<Vec<_>>().join(" ")
}

/// What is corrected of a visit; none for what stays.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
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
    /// Temperature of the place, °C.
    pub ambient_c: Option<f64>,
    /// Temperature of the part under test, °C.
    pub part_c: Option<f64>,
    /// How warm the machine is.
    pub machine_state: Option<MachineHeat>,
}

impl VisitCorrection {
    /// What is corrected, as text.
    pub(crate) fn fields(self) -> impl Iterator<Item = (CorrectedField, String)> {
        let Self { by: _, machine, job, vin, counter, complaint, ambient_c, part_c, machine_state } = self;
        let celsius = |value: Option<f64>| value.map(|value| value.to_string());
        let fields = [
            (CorrectedField::Machine, machine),
            (CorrectedField::Job, job),
            (CorrectedField::Vin, vin),
            (CorrectedField::Counter, counter),
            (CorrectedField::Complaint, complaint),
            (CorrectedField::Ambient, celsius(ambient_c)),
            (CorrectedField::Part, celsius(part_c)),
            (CorrectedField::State, machine_state.map(|state| state.word().to_owned())),
        ];
        fields.into_iter().filter_map(|(field, text)| Some((field, text?)))
    }

    /// Changes the visit, and returns what changed.
    ///
    /// # Errors
    /// A text is too long, or nothing is another than it was; the visit is as it was then.
    pub(super) fn apply(self, visit: &mut Visit) -> Result<Vec<Correction>, Refusal> {
        let by = self.by.trim().to_owned();
        check_name("name of who corrects", &by)?;
        let mut corrected = visit.clone();
        let mut corrections = Vec::new();
        for (field, text) in self.fields() {
            let text = text.trim();
            field.check_length(text)?;
            field.check(text).map_err(|why| Refusal::WrongCorrection { why })?;
            let before = field.of(&corrected);
            if before != text {
                field.put(&mut corrected, text);
                corrections.push(Correction {
                    made_by: by.clone(),
                    field,
                    subject: String::new(),
                    value_before: before,
                    value_after: text.to_owned(),
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
    fn times_have_the_digits_that_were_given() {
        let moved = |after: &str, before: &str| Correction {
            made_by: String::new(),
            field: CorrectedField::MarkTime,
            subject: "1".to_owned(),
            value_before: before.to_owned(),
            value_after: after.to_owned(),
        };
        for (after, before, words) in [
            ("20.500000 s", "18.123456 s", "mark 1 is at 20.5 s, was at 18.123 s"),
            ("61.000000 s", "0.000000 s", "mark 1 is at 61 s, was at 0 s"),
            ("0.000250 s", "100.000000 s", "mark 1 is at 0.00025 s, was at 100 s"),
        ] {
            assert_eq!(moved(after, before).to_string(), words);
        }
        let capture =
            Correction { field: CorrectedField::Capture, ..moved("lift feed", "tilt feed, 1.500000 s to its end") };
        let words = "what was captured in step 1 from 1.5 s to its end belongs to \"lift feed\"";
        assert_eq!(capture.to_string(), words);
    }

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
        assert_eq!(corrections.len(), 1, "what is as it was is no correction");
        assert_eq!(corrections[0].to_string(), "machine is \"loader 8\", was \"loader 7\", by K");
        assert_eq!((visit.machine.as_str(), visit.job.as_str()), ("loader 8", "A-113"));
        assert_eq!(told.apply(&mut visit), Err(Refusal::NothingToCorrect));
        let long = VisitCorrection { job: Some("x".repeat(401)), machine: Some("y".to_owned()), ..Default::default() };
        assert!(matches!(long.apply(&mut visit), Err(Refusal::TooLong(TooLong { what: "job", .. }))));
        assert_eq!(visit.machine, "loader 8", "nothing has changed");
    }
}
