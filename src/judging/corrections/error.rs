//! Why nothing was corrected.

use crate::{judging::again::JudgingError, units::show_seconds};

/// Why nothing was corrected; nothing has changed.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CorrectionError {
    /// It is still being recorded.
    #[error(
        "session {id} is still open: only machine, job, VIN, counter and complaint can be corrected now, without its number; the rest once it has ended"
    )]
    Open {
        /// Its number.
        id: i64,
    },
    /// There is no such mark, or the words mean several.
    #[error("\"{wanted}\" does not mean exactly one mark of session {id}; {}", there_are("mark", marks))]
    NoMark {
        /// The session's number.
        id: i64,
        /// What was asked for.
        wanted: String,
        /// What there is.
        marks: Vec<String>,
    },
    /// The words mean several steps.
    #[error("\"{wanted}\" means several steps of session {id}; name one of: {}", steps.join(", "))]
    SeveralSteps {
        /// The session's number.
        id: i64,
        /// What was asked for.
        wanted: String,
        /// Those that it means.
        steps: Vec<String>,
    },
    /// There is no such step.
    #[error("session {id} has no step \"{wanted}\"; {}", there_are("step", steps))]
    NoStep {
        /// The session's number.
        id: i64,
        /// What was asked for.
        wanted: String,
        /// What there is.
        steps: Vec<String>,
    },
    /// The procedure has no such step.
    #[error("the procedure of session {id} has no step \"{name}\"; {}", there_are("step", steps))]
    NotOfProcedure {
        /// The session's number.
        id: i64,
        /// What was asked for.
        name: String,
        /// What there is.
        steps: Vec<String>,
    },
    /// Nothing was captured there.
    #[error("nothing was captured in step {step}, so there is nothing to declare void")]
    NothingCaptured {
        /// Its place and name.
        step: String,
    },
    /// The step has no such capture.
    #[error("step {step} has no capture {wanted}; {}", there_are("capture", captures))]
    NoCapture {
        /// The step's place and name.
        step: String,
        /// What was asked for.
        wanted: usize,
        /// What there is.
        captures: Vec<String>,
    },
    /// A mark that is a step must stay between its neighbours.
    #[error("this mark can be moved to a time between {} and {} after the session began", show_seconds(*from_us as f64 / 1e6), show_seconds(*to_us as f64 / 1e6))]
    BeyondNeighbours {
        /// The earliest time.
        from_us: i64,
        /// The latest.
        to_us: i64,
    },
    /// A mark that begins a step of which a part was filed elsewhere.
    #[error("a part of the step that begins at this mark was filed under another one; undo that correction first")]
    PartFiled,
    /// The first step has none before it that its samples could go to.
    #[error("the first mark can't be deleted: its samples would belong to no step; rename it instead")]
    FirstMark,
    /// Everything is so already.
    #[error("nothing would change: all this is so already")]
    Nothing,
    /// Nothing was asked for.
    #[error(
        "say what is to be corrected, such as --machine \"loader 8\", --step 5 --file-under \"lift feed\" or --undo; `bayline correct --help` has all"
    )]
    NothingAsked,
    /// A text that can't be what it is for.
    #[error("{0}")]
    Text(String),
    /// There is nothing to undo.
    #[error("session {id} has no correction{} left to undo; `bayline show {id}` lists them", wanted.map_or(String::new(), |number| format!(" {number}")))]
    NothingToUndo {
        /// The session's number.
        id: i64,
        /// Which one was asked for; none for the last.
        wanted: Option<usize>,
    },
    /// What follows from it can't be judged.
    #[error(transparent)]
    Judging(#[from] JudgingError),
}

impl From<crate::store::StoreError> for CorrectionError {
    fn from(error: crate::store::StoreError) -> Self {
        Self::Judging(error.into())
    }
}

fn there_are(what: &str, all: &[String]) -> String {
    match all {
        [] => format!("it has no {what}"),
        all => format!("there are: {}", all.join(", ")),
    }
}
