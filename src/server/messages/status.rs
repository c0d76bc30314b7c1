//! The answer to `status`.

use serde::{Deserialize, Serialize};

use super::{AskMessage, StepMessage};
use crate::{
    protocol::Value,
    session::{Verdict, findings::FindingRecord},
    units::Quantity,
};

/// The state of the daemon.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct StatusReport {
    /// The open session.
    pub session: Option<SessionLine>,
    /// The step that is on.
    pub step: Option<StepMessage>,
    /// The shape of the step's signal so far, in words; none where the step does not ask for one.
    #[serde(default)]
    pub shape: Option<String>,
    /// The question that waits for an answer.
    #[serde(default)]
    pub ask: Option<AskMessage>,
    /// What each channel shows.
    pub readings: Vec<ChannelLine>,
    /// How the ports are.
    pub meters: Vec<MeterLine>,
    /// What is wrong with the recording now, a sentence each.
    pub alarms: Vec<String>,
    /// What follows from the captures so far, the best explained first.
    #[serde(default)]
    pub findings: Vec<FindingRecord>,
    /// Whether newer captures came, so that the findings are still being worked out.
    #[serde(default)]
    pub findings_pending: bool,
    /// Where it is kept.
    pub database: String,
    /// The address of the live page; none where it is off.
    #[serde(default)]
    pub page: Option<String>,
    /// Who speaks: the name that a page gave, or `say`; none where nobody does.
    #[serde(default)]
    pub speaker: Option<String>,
    /// Process number of the daemon.
    pub process: u32,
    /// Version of the daemon.
    pub version: String,
}

/// The open session in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct SessionLine {
    /// Identity.
    pub uuid: String,
    /// Seconds since it began.
    pub elapsed_s: f64,
    /// Samples so far.
    pub samples: u64,
    /// The machine in the operator's words.
    pub machine: String,
    /// The job in the operator's words.
    pub job: String,
    /// Title of the procedure.
    pub procedure: Option<String>,
    /// What the procedure says to mind.
    pub caution: Option<String>,
}

/// What a channel shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ChannelLine {
    /// Which channel.
    pub channel: String,
    /// What it shows.
    pub value: Value,
    /// The same as a person reads it, with its unit.
    #[serde(default)]
    pub shown: String,
    /// What that measures.
    pub quantity: Quantity,
    /// Its unit.
    pub unit: String,
    /// What its last digit is worth, base units of the quantity; none where that is not known.
    #[serde(default)]
    pub digit: Option<f64>,
    /// Its standard uncertainty, base units; none where the accuracy of the channel is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// The least number since the last news of the channel; none where there was no number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least: Option<f64>,
    /// The greatest one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub greatest: Option<f64>,
    /// Against the limit of the step.
    pub verdict: Option<Verdict>,
    /// Seconds since it was measured.
    pub age_s: f64,
}

/// How a port is, and what came through it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct MeterLine {
    /// The meter's name.
    pub meter: String,
    /// Whether its port is open.
    pub open: bool,
    /// Why not; empty where it is open.
    pub why: String,
    /// Its channels, as far as they are known.
    #[serde(default)]
    pub channels: Vec<String>,
    /// Its identity as it reports it; none where it has not sent one since its port was opened.
    #[serde(default)]
    pub identity: Option<String>,
    /// Frames decoded since the daemon started.
    pub frames: u64,
    /// Frames that could not be decoded.
    pub refused: u64,
    /// Frames that sequence numbers say are missing.
    pub lost: u64,
    /// Requests that a polled meter did not answer in time.
    #[serde(default)]
    pub unanswered: u64,
    /// How well the device's own clock fits this computer's; none for a device without one.
    pub clock: Option<ClockLine>,
}

/// How well a device's clock fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct ClockLine {
    /// How much later than the fastest frames arrive on average, s: what the fit takes out.
    pub jitter_s: f64,
    /// How much the device's clock gains, parts in a million; negative where it is slow.
    pub drift_ppm: f64,
    /// Chunks taken in since the device's clock began anew.
    pub frames: u64,
    /// How often the device's clock began anew or was set.
    pub resets: u64,
}
