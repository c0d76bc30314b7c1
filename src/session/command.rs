//! Operator commands, and the answers to them.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Capture, Correction, Judgement, PreviousSession, VisitCorrection, VisitPhoto, Zeroed};
use crate::{
    clock::Wall,
    procedure::{MachineHeat, Procedure, YesNo},
    text_length::{TooLong, check_name, check_text},
    units::{Limit, Quantity, show_seconds},
};

/// An operator command.
#[derive(Debug, Clone)]
pub enum Command {
    /// Begin a session; one that is open is ended first.
    Begin(Begin),
    /// End the session.
    End,
    /// Go to another step.
    Step(StepMove),
    /// Capture the present reading of the step, or of the named channel.
    Take(Option<String>),
    /// No current flows through this clamp: its present value is its zero.
    Zero(String),
    /// Answer the step's question.
    Answer(YesNo),
    /// Mark this moment; begins a step in a free-running session.
    Mark {
        /// What happened.
        text: String,
        /// Who made it: a person, a meter with a button, a page; empty where that is not known.
        by: String,
    },
    /// Record a note.
    Note(String),
    /// Keep a photo, whose file is kept already.
    Photo(Box<VisitPhoto>),
    /// Correct what was told of the visit.
    Correct(VisitCorrection),
    /// Undo the last of these, but not the begin or end of a session.
    Undo,
}

/// What a session begins with.
#[derive(Debug, Clone)]
pub struct Begin {
    /// Its identity.
    pub id: Uuid,
    /// When it begins, by the computer's clock.
    pub wall: Wall,
    /// Which machine, and why it is here.
    pub visit: Visit,
    /// The procedure; none for a free-running session.
    pub procedure: Option<Arc<Procedure>>,
    /// The bench file as written.
    pub bench: String,
    /// The session whose steps it does again after the work; none where it is no retest.
    pub retests: Option<Uuid>,
    /// The session that it continues; none for a separate one.
    pub previous: Option<Arc<PreviousSession>>,
}

/// What is known of a machine and its visit; empty or none where not given.
///
/// The one type for it: on the socket, in the database (a column of the table `session` for each field) and in JSON.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(default)]
pub struct Visit {
    /// The machine in the operator's words.
    pub machine: String,
    /// The job's number or name.
    pub job: String,
    /// The vehicle identification number, or a machine's serial number.
    pub vin: String,
    /// Odometer or hour meter as read: `"4211 h"`, `"88120 km"`.
    pub counter: String,
    /// What the customer complains of.
    pub complaint: String,
    /// Temperature of the place, °C.
    #[serde(rename = "ambient_c", alias = "ambient_celsius", deserialize_with = "celsius")]
    pub ambient_celsius: Option<f64>,
    /// Temperature of the part under test, °C.
    #[serde(rename = "part_c", alias = "part_celsius", deserialize_with = "celsius")]
    pub part_celsius: Option<f64>,
    /// How warm the machine is.
    #[serde(rename = "machine_state")]
    pub state: Option<MachineHeat>,
}

/// Temperatures of places and parts that someone may work at, °C.
const CELSIUS: std::ops::RangeInclusive<f64> = -90.0..=400.0;

/// A temperature that is possible.
///
/// # Errors
/// A sentence with the range.
pub(crate) fn checked_celsius(celsius: f64) -> Result<f64, String> {
    if CELSIUS.contains(&celsius) {
        return Ok(celsius);
    }
    Err(format!("found {celsius:?} °C, expected a temperature from {} °C to {} °C", CELSIUS.start(), CELSIUS.end()))
}

fn celsius<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    Option::<f64>::deserialize(from)?.map(checked_celsius).transpose().map_err(serde::de::Error::custom)
}

impl Visit {
    /// Refuses texts that are no names and sentences.
    ///
    /// # Errors
    /// A text is longer than what is kept.
    pub fn check(&self) -> Result<(), Refusal> {
        let names = [("machine", &self.machine), ("job", &self.job), ("VIN", &self.vin), ("counter", &self.counter)];
        names.into_iter().try_for_each(|(what, text)| check_name(what, text))?;
        Ok(check_text("complaint", &self.complaint)?)
    }

    /// What is given this time; the rest from before.
    pub fn or(self, before: Self) -> Self {
        let text = |now: String, before: String| if now.is_empty() { before } else { now };
        Self {
            machine: text(self.machine, before.machine),
            job: text(self.job, before.job),
            vin: text(self.vin, before.vin),
            counter: text(self.counter, before.counter),
            complaint: text(self.complaint, before.complaint),
            ambient_celsius: self.ambient_celsius.or(before.ambient_celsius),
            part_celsius: self.part_celsius.or(before.part_celsius),
            state: self.state.or(before.state),
        }
    }
}

/// How warm it is: what the limits of coils depend on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VisitTemperatures {
    /// Of the place, °C.
    pub ambient_c: Option<f64>,
    /// Of the part under test, °C.
    pub part_c: Option<f64>,
    /// Of the machine, in words.
    pub machine_state: Option<MachineHeat>,
}

impl VisitTemperatures {
    /// Those of a visit.
    pub(super) fn of(visit: &Visit) -> Self {
        Self { ambient_c: visit.ambient_celsius, part_c: visit.part_celsius, machine_state: visit.state }
    }

    /// Puts them into a visit.
    pub(super) fn put(self, visit: &mut Visit) {
        (visit.ambient_celsius, visit.part_celsius, visit.state) = (self.ambient_c, self.part_c, self.machine_state);
    }
}

/// Which step to go to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum StepMove {
    /// The one after this.
    Next,
    /// The one before this.
    Back,
    /// This one, from its beginning; the old attempt is kept.
    Again,
    /// The one after this, leaving this one undone.
    Skip,
    /// The one of this name or place; in a free-running session, a new one of this name.
    Named(String),
}

impl StepMove {
    /// `next`, `back`, `again`, `skip`, or a step's name or place.
    pub fn parse(text: &str) -> Self {
        let name = text.trim();
        match name.to_ascii_lowercase().as_str() {
            "next" => Self::Next,
            "back" => Self::Back,
            "again" => Self::Again,
            "skip" => Self::Skip,
            _ => Self::Named(name.to_owned()),
        }
    }
}

/// The answer to a command.
#[derive(Debug, Clone)]
pub enum CommandReply {
    /// A session began.
    Begun {
        /// Its identity.
        id: Uuid,
        /// The one that was open and has been ended.
        ended: Option<Uuid>,
        /// Its first step; none in a free-running session.
        step: Option<Arc<StepView>>,
    },
    /// The session ended.
    Ended {
        /// Its identity.
        id: Uuid,
        /// How the step that was on was judged.
        judged: Option<Judgement>,
    },
    /// Another step is on.
    Step {
        /// How the one before was judged.
        judged: Option<Judgement>,
        /// The new one; none after the last of a procedure.
        now: Option<Arc<StepView>>,
    },
    /// Values were taken: channel's name and capture.
    Taken(Vec<(String, Capture)>),
    /// A clamp was zeroed.
    Zeroed(Zeroed),
    /// What was told of the visit was corrected.
    Corrected(Vec<Correction>),
    /// The last act was undone.
    Undone {
        /// What is so now, in one sentence.
        text: String,
        /// The step that is on now.
        now: Option<Arc<StepView>>,
    },
    /// It is kept.
    Kept,
}

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

/// A step as the operator sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct StepView {
    /// Counted from 1 over the whole session.
    pub number: u32,
    /// Its place in the procedure, counted from 1, and how many there are; none in a free-running session.
    pub place: Option<(usize, usize)>,
    /// What it is called.
    pub name: String,
    /// Which time it is done, counted from 1.
    pub attempt: u32,
    /// What it belongs to.
    pub circuit: Option<String>,
    /// What to do; empty where the procedure does not say.
    pub instruction: String,
    /// Its channel.
    pub channel: Option<String>,
    /// What the meter must be switched to.
    pub quantity: Option<Quantity>,
    /// What the value must keep to.
    pub limit: Option<Limit>,
    /// The limit in words, where it refers to other values or is an answer.
    pub limit_text: Option<String>,
    /// Whether it asks a question, to be answered yes or no.
    pub asks: bool,
    /// Whether it is an item of a set, and another one follows.
    pub has_next_item: bool,
}
