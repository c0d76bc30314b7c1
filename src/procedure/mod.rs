//! What is going to be done: an ordered list of steps with what each must show.
//!
//! Read this file first (the types), then `role.rs` (what a step measures in its circuit)
//! and `circuit.rs` (what drives a circuit), `relative` (a limit by
//! other values), `response.rs` (what must follow a mark or a change), `shape.rs` (figures of a signal's shape), then `file.rs` (how a procedure is
//! written, its defaults and its mistakes) with `keys.rs` (the values of the keys) and `proof_rules.rs`
//! (the table of the proofs by the leads). Knows no reading and no session.

mod circuit;
mod file;
mod keys;
mod limits;
mod machine_heat;
mod proof_rules;
mod relative;
mod response;
mod role;
mod set_items;
mod shape;
mod yes_no;

use std::{path::PathBuf, time::Duration};

use strum::{EnumMessage, VariantArray};

use crate::{
    electrics::DecisionRule,
    io_reason::IoReason,
    mistake::Mistake,
    units::{Limit, Quantity},
};

pub use circuit::{CircuitSpec, ClampPlace, Driver, DriverControl, DriverSide};
pub use machine_heat::MachineHeat;
pub use proof_rules::ProofRules;
pub use relative::{ReferenceTerm, ReferenceValue, RelativeEdge, RelativeLimit, ValueSource};
pub use response::{ChangeDirection, RequiredMove, ResponseRule, ResponseTrigger};
pub(crate) use response::{HAND_S, PORT_S, delay_u};
pub use role::{CircuitMeasurement, Role, RunningLoads};
pub(crate) use shape::rate_for_time_constant;
pub use shape::{RippleRule, ShapeFigure, ShapeRule};
pub use yes_no::YesNo;

/// The JSON schema of the procedure file, by which an editor completes it.
pub const PROCEDURE_SCHEMA: &str = include_str!("procedure.schema.json");

/// What the operator is going to do, step by step.
#[derive(Debug, Clone, PartialEq)]
pub struct Procedure {
    /// What it is called.
    pub title: String,
    /// What to mind before anything is touched; empty where the file has none.
    pub caution: String,
    /// When the next step begins.
    pub advance: Advance,
    /// The circuits that the file describes, in its order; names are unique.
    pub circuits: Vec<CircuitSpec>,
    /// By what the leads prove a capture.
    pub proof: ProofRules,
    /// At least one; names are unique.
    pub steps: Vec<Step>,
    /// The file as the user named it.
    pub file: String,
    /// The file as written, kept with the session.
    pub text: String,
}

/// When the next step begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub enum Advance {
    /// When the operator commands it.
    #[default]
    #[strum(serialize = "told")]
    ByCommand,
    /// When a steady value was captured and the lead has been lifted.
    #[strum(serialize = "lifted")]
    WhenLifted,
}

/// One step of a procedure.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Unique in the procedure.
    pub name: String,
    /// The steps of one coil, feed or ground carry one name.
    pub circuit: Option<String>,
    /// What to do, as a sentence.
    pub instruction: String,
    /// The channel that is judged; none for a step that is only recorded.
    pub channel: Option<String>,
    /// What the meter must be switched to.
    pub quantity: Option<Quantity>,
    /// What the value must keep to.
    pub limit: Option<Limit>,
    /// What it must keep to by other values; none where `limit` says it.
    pub relative: Option<RelativeLimit>,
    /// The answer that is good, in a step that asks a question and measures nothing.
    pub answer: Option<YesNo>,
    /// The set that it is an item of, by the name that the file gives it.
    pub set: Option<String>,
    /// Which value counts.
    pub capture: CaptureMode,
    /// How the uncertainty enters.
    pub rule: DecisionRule,
    /// What proves that the leads touch.
    pub contact: ContactRule,
    /// How long a reading must be steady.
    pub steady: Duration,
    /// Under which load the value counts: all must hold.
    pub conditions: Vec<ConditionRule>,
    /// What must follow a mark or a change, and how soon.
    pub responses: Vec<ResponseRule>,
    /// The figure of the signal's shape that `limit` is for; none where that is for its values.
    pub shape: Option<ShapeRule>,
    /// How long before its limit a value that heads for it is announced; none where it is not looked for.
    pub warn_ahead: Option<Duration>,
    /// Levels within the limit beyond which the value is announced; none where only the limit counts.
    pub warn_levels: Option<Limit>,
    /// What the value may carry on top; none where that is not looked at.
    pub ripple: Option<RippleRule>,
    /// How long after contact and load the value counts.
    pub after: Duration,
    /// How long to wait for a value that can be captured by itself before asking.
    pub patience: Duration,
    /// How long what is switched on may stay on; none where it may.
    pub hold_at_most: Option<Duration>,
    /// How the limit depends on the part's temperature; none where it does not.
    pub heat: Option<HeatRule>,
    /// What it measures in its circuit, where the file says so.
    pub role: Option<Role>,
    /// What runs meanwhile, where the file says so.
    pub running: Option<RunningLoads>,
    /// The line of the file that names the channel, or the step.
    pub line: usize,
}

/// Which value of a step is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, VariantArray, EnumMessage)]
pub enum CaptureMode {
    /// The one that the operator takes; the last one where he takes none.
    #[default]
    #[strum(serialize = "taken")]
    Taken,
    /// The first steady one, captured without hands; the one that is taken where he takes one.
    #[strum(serialize = "steady")]
    Steady,
    /// The worst of the whole step: for watching.
    #[strum(serialize = "worst")]
    Worst,
    /// No value: drop-outs are counted while the operator moves the harness.
    #[strum(serialize = "wiggle")]
    Wiggle,
}

impl CaptureMode {
    /// Whether the step watches for as long as it is on, and nothing is taken in it.
    pub(crate) fn is_watch(self) -> bool {
        matches!(self, Self::Worst | Self::Wiggle)
    }
}

/// What proves that the leads touch something.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum ContactRule {
    /// They are fixed: whatever is read counts.
    #[default]
    Fixed,
    /// The value is at least so large, base units of the step's quantity, either sign. For ohms:
    /// anything that is not beyond the range.
    AtLeast(f64),
}

/// A load without which the value does not count.
#[derive(Debug, Clone, PartialEq)]
pub struct ConditionRule {
    /// The channel that shows the load.
    pub channel: String,
    /// What it must show.
    pub limit: Limit,
    /// How long it must have shown it.
    pub held: Duration,
    /// How far it may fall short again before the load counts as gone, as a share of the limit.
    pub hysteresis: f64,
}

/// Copper's resistance rises with heat: the limit is given at a reference temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatRule {
    /// °C at which the limit is given.
    pub reference: f64,
    /// Where the part's temperature comes from.
    pub part: PartTemperature,
    /// From what to what temperature the part can have where it is, °C; none where the file does not say.
    pub place: Option<(f64, f64)>,
    /// How warm the machine is at this step; none where the file does not say.
    pub state: Option<MachineHeat>,
}

/// Where a part's temperature comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum PartTemperature {
    /// What was typed when the session began, where it was.
    OfSession,
    /// It stands in the procedure, °C.
    Given(f64),
    /// A channel measures it.
    Channel(String),
}

/// Why a procedure can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProcedureError {
    /// The file can't be read.
    #[error("the procedure file {} can't be read: {}", path.display(), IoReason(source))]
    Unreadable {
        /// As the user gave it.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// Something in the file is wrong.
    #[error(transparent)]
    Mistake(#[from] Mistake),
}

impl Procedure {
    /// What drives a circuit; a transistor that is on all the time where the file does not say.
    pub fn driver(&self, circuit: Option<&str>) -> Driver {
        let told = self.circuits.iter().find(|told| Some(told.name.as_str()) == circuit);
        told.map_or(Driver::default(), |told| told.driver)
    }

    /// Whether a limit in ohms holds at a temperature of the part that the session must tell.
    pub fn asks_for_temperature(&self) -> bool {
        self.steps.iter().any(|step| {
            let heat = step.heat.as_ref().filter(|_| step.limit.is_some());
            heat.is_some_and(|heat| {
                heat.part == PartTemperature::OfSession && heat.place.is_none() && heat.state.is_none()
            })
        })
    }

    /// Checks that no step waits for a channel that is not among those of the bench.
    ///
    /// # Errors
    /// The first step that does.
    pub fn check_channels(&self, bench: &[String]) -> Result<(), Mistake> {
        let mut named = self.steps.iter().flat_map(|step| step.channels().map(move |channel| (step, channel)));
        match named.find(|(_, channel)| !bench.iter().any(|other| other == channel)) {
            None => Ok(()),
            Some((step, channel)) if step.referred_channels().any(|name| name == channel) => Err(Mistake {
                file: self.file.clone(),
                line: step.line,
                message: format!(
                    "the limit of step \"{}\" refers to \"{channel}\", which is neither a step nor a channel of the bench, \
                     expected the name of a step or one of: {}",
                    step.name,
                    bench.join(", ")
                ),
            }),
            Some((step, channel)) => Err(Mistake {
                file: self.file.clone(),
                line: step.line,
                message: format!(
                    "step \"{}\" reads channel \"{channel}\", which the bench does not have, expected one of: {}",
                    step.name,
                    bench.join(", ")
                ),
            }),
        }
    }
}

impl Step {
    /// What the shape of its signal must be, in words: `duty 38 % to 42 %`; none where it is judged on values.
    pub(crate) fn shape_limit(&self) -> Option<String> {
        let word = self.shape?.figure.word();
        Some(self.limit.map_or(word.to_owned(), |limit| format!("{word} {limit}")))
    }

    /// All channels that the step reads.
    pub fn channels(&self) -> impl Iterator<Item = &str> {
        let heat = self.heat.as_ref().and_then(|heat| match &heat.part {
            PartTemperature::Channel(name) => Some(name.as_str()),
            _ => None,
        });
        let conditions = self.conditions.iter().map(|condition| condition.channel.as_str());
        let responses = self.responses.iter().flat_map(|rule| {
            let trigger = match &rule.trigger {
                ResponseTrigger::Change(name, _) => Some(name.as_str()),
                ResponseTrigger::Mark(_) => None,
            };
            trigger.into_iter().chain([rule.channel.as_str()])
        });
        let named = self.channel.as_deref().into_iter().chain(conditions).chain(heat).chain(responses);
        named.chain(self.referred_channels())
    }

    /// The channels that the limit refers to.
    pub(crate) fn referred_channels(&self) -> impl Iterator<Item = &str> {
        let sources = self.relative.as_ref().map_or(Vec::new(), |relative| relative.reference.sources());
        sources.into_iter().filter_map(|source| match source {
            ValueSource::Channel(name) => Some(name.as_str()),
            ValueSource::Step(_) => None,
        })
    }
}
