//! Operator commands, and the answers to them.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::{Capture, Correction, Judgement, PreviousSession, Refusal, VisitCorrection, VisitPhoto, Zeroed};
use crate::{
    clock::Wall,
    procedure::{MachineHeat, Procedure, YesNo},
    text_length::{check_name, check_text},
    units::{Limit, Quantity},
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

    /// What holds on another day too: all but the temperatures.
    pub(crate) fn for_another_day(self) -> Self {
        let Self { machine, job, vin, counter, complaint, ambient_celsius: _, part_celsius: _, state: _ } = self;
        Self { machine, job, vin, counter, complaint, ..Self::default() }
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
    pub(crate) fn of(visit: &Visit) -> Self {
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
