//! Why a command is refused, with what to do instead.

use crate::{text_length::TooLong, units::show_seconds};

/// Why a command is refused; nothing has changed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// Nothing is being recorded.
    #[error("no session is open; `bayline begin` opens one")]
    NoSession,
    /// The move makes sense in a procedure only.
    #[error("there is no procedure to go {way} in; name the step you want to begin")]
    NoProcedure {
        /// `back` or `skip`.
        way: &'static str,
    },
    /// The first step has none before it.
    #[error("this is the first step")]
    AtFirst,
    /// All steps are done.
    #[error("the last step is done; `bayline step back` returns to it, `bayline end` ends the session")]
    AtEnd,
    /// No step is on.
    #[error("no step is on; name the step you want to begin")]
    NoStep,
    /// The procedure has no such step, or the word means several.
    #[error(
        "\"{name}\" does not mean exactly one step of the procedure; give the number or the name of one of these: {}",
        numbered(steps)
    )]
    UnknownStep {
        /// What was asked for.
        name: String,
        /// What there is.
        steps: Vec<String>,
    },
    /// A name was needed.
    #[error("the {what} is empty; give it in a few words")]
    Empty {
        /// What was needed.
        what: &'static str,
    },
    /// A text is a sentence or a page, not a file.
    #[error(transparent)]
    TooLong(#[from] TooLong),
    /// A temperature or state is none that can be.
    #[error("{why}")]
    WrongCorrection {
        /// What is wrong with it.
        why: String,
    },
    /// A session has room for so many photos.
    #[error("the session has {most} photos already, and no more are kept; undo one, or begin another session")]
    TooManyPhotos {
        /// How many.
        most: usize,
    },
    /// Everything is as it was told.
    #[error("nothing would change; give what is right, such as --machine \"loader 8\"")]
    NothingToCorrect,
    /// There is no last act, or it is one that stays.
    #[error(
        "there is nothing to undo; a step, capture, answer, zero, mark, note, photo or correction can be undone, once and before the next, \
         but not the begin or end of a session: `bayline begin --continues last` continues one that was ended"
    )]
    NothingToUndo,
    /// The last act is undone, and the one before it stays.
    #[error(
        "the last act is undone already, and only the last one can be: `bayline step` goes to the step to do again, and once the session has \
         ended `bayline correct` puts right what was filed wrongly"
    )]
    UndoneAlready,
    /// No meter has such a channel.
    #[error("no channel is named \"{name}\"; there are: {}", channels.join(", "))]
    UnknownChannel {
        /// What was asked for.
        name: String,
        /// What there is.
        channels: Vec<String>,
    },
    /// A zero needs a clamp at rest.
    #[error(
        "\"{channel}\" shows nothing steady to take as its zero: put nothing through the clamp, or hold the leads of an ohm meter together, \
         for a second and try again"
    )]
    NotStill {
        /// The channel.
        channel: String,
    },
    /// Only clamps and leads have a zero.
    #[error(
        "\"{channel}\" is in {unit}, and nothing is taken off there: only a clamp is zeroed, and an ohm meter whose leads touch each other"
    )]
    NoZero {
        /// The channel.
        channel: String,
        /// Its unit.
        unit: &'static str,
    },
    /// So much is seldom the offset of a clamp: a current may flow through it.
    #[error(
        "\"{channel}\" shows {shown}, much for a clamp without current: take it off the wire and zero it there; if it shows that at rest \
         all the same, zero it once more within a minute"
    )]
    LargeZero {
        /// The channel.
        channel: String,
        /// What it shows.
        shown: String,
    },
    /// Leads that touch each other have next to no resistance.
    #[error(
        "\"{channel}\" shows {shown}, more than leads that touch each other: hold their tips together for a second and try again"
    )]
    NotTogether {
        /// The channel.
        channel: String,
        /// What it shows.
        shown: String,
    },
    /// There is no present reading.
    #[error("no reading has come yet; try again in a moment, or see `bayline status`")]
    NothingToTake,
    /// The step measures something.
    #[error("this step asks no question; `bayline take` captures its reading")]
    NoQuestion,
    /// The step asks a question.
    #[error("this step asks a question; answer with `bayline take yes` or `bayline take no`")]
    Question,
    /// What the meter sends is not understood.
    #[error(
        "there is no reading to take: meter \"{meter}\" sends bytes, but no reading by its protocol; stop bayline, and let `bayline identify` name \
         what it sends"
    )]
    Unintelligible {
        /// Its name.
        meter: String,
    },
    /// The meter sends nothing, or no reading any more.
    #[error("there is no reading to take: meter \"{meter}\" has sent none for {}; is it on, and does it send?", show_seconds(*for_s))]
    MeterSilent {
        /// Its name.
        meter: String,
        /// For how long, s.
        for_s: f64,
    },
    /// The meter that should give the reading is missing.
    #[error("there is no reading to take: meter \"{meter}\" is not there: {why}")]
    MeterMissing {
        /// Its name.
        meter: String,
        /// Why it is missing.
        why: String,
    },
    /// The meter is switched to something else than the step needs.
    #[error("this reading can't be taken: {why}")]
    WrongSwitch {
        /// Which switch is wrong.
        why: String,
    },
}

/// The names with their places, counted from 1.
fn numbered(names: &[String]) -> String {
    let numbered: Vec<String> = (1..).zip(names).map(|(place, name)| format!("{place} \"{name}\"")).collect();
    numbered.join(", ")
}
