//! The control socket's language: one JSON object a line, requests in, answers out.
//!
//! # Format
//! A request names what to do; everything else is optional:
//!
//! ```json
//! {"do":"begin","machine":"loader 7","job":"A-113","procedure":{"file":"valves.toml","text":"title = …"}}
//! {"do":"step","to":"next"}
//! {"do":"take"}   {"do":"take","channel":"probe"}
//! {"do":"mark","text":"brake released"}   {"do":"note","text":"oil on the plug"}
//! {"do":"zero","channel":"lift coil"}
//! {"do":"end"}   {"do":"status"}   {"do":"watch"}
//! ```
//!
//! Each request has one [`Answer`], in order: `{"ok":true,…}` once what it acknowledges is on disk, or
//! `{"ok":false,"error":"…"}`. After `watch` is answered, [`News`] follow until the client hangs up.
//! Values are in the base unit that stands beside them; a value beyond the meter's range is `"over"` or `"under"`.

use serde::{Deserialize, Serialize};

use crate::{
    protocol::Value,
    session::{Capture, Judgement, Notice, Reply, StepView, Visit, findings::Finding},
    units::Quantity,
};

/// What a client asks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "lowercase", deny_unknown_fields)]
#[allow(missing_docs, reason = "the fields are the operator's own words")]
pub enum Request {
    /// Begin a session; one that is open is ended first.
    Begin(Box<BeginRequest>),
    /// End the session.
    End {},
    /// Go to a step: next, back, again, skip, or its name.
    Step { to: String },
    /// This reading counts.
    Take { channel: Option<String> },
    /// Something happened now.
    Mark {
        #[serde(default)]
        text: String,
    },
    /// A note to keep.
    Note { text: String },
    /// Nothing goes through this clamp: what it shows is its zero.
    Zero { channel: String },
    /// How things are.
    Status {},
    /// Tell everything from now on.
    Watch {},
}

/// What a session begins with; everything may be left out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BeginRequest {
    /// The machine in the operator's words.
    pub machine: String,
    /// The job's number or name.
    pub job: String,
    /// The vehicle identification number, or a machine's serial number.
    pub vin: String,
    /// Odometer or hour meter as read.
    pub counter: String,
    /// What the customer complains of.
    pub complaint: String,
    /// Temperature of the place, °C.
    pub ambient_celsius: Option<f64>,
    /// Temperature of the part under test, °C.
    pub part_celsius: Option<f64>,
    /// What is going to be done.
    pub procedure: Option<ProcedureText>,
}

impl BeginRequest {
    /// A request for this visit.
    pub fn new(visit: Visit, procedure: Option<ProcedureText>) -> Self {
        let Visit { machine, job, vin, counter, complaint, ambient_celsius, part_celsius } = visit;
        Self { machine, job, vin, counter, complaint, ambient_celsius, part_celsius, procedure }
    }

    /// The visit that it tells of.
    pub fn visit(&self) -> Visit {
        let Self { machine, job, vin, counter, complaint, ambient_celsius, part_celsius, procedure: _ } = self.clone();
        Visit { machine, job, vin, counter, complaint, ambient_celsius, part_celsius }
    }
}

/// A procedure file sent along, since the daemon may not see the client's files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProcedureText {
    /// Its name, for messages.
    pub file: String,
    /// All of it.
    pub text: String,
}

/// The answer to one request.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Answer {
    /// Whether it was done, and what it acknowledges is on disk.
    pub ok: bool,
    /// Why not, in one sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
    /// Identity of the session that was begun or ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<String>,
    /// Identity of a session that had to be ended first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<String>,
    /// What of the procedure the bench does not suit, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<String>,
    /// How the step that was left is judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub judged: Option<WireJudgement>,
    /// The step that is on now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<WireStep>,
    /// What was taken.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taken: Vec<WireCapture>,
    /// What is taken off a clamp from now on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zeroed: Option<WireZero>,
    /// How things are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<StatusReport>,
}

/// A clamp's zero.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireZero {
    /// What is taken off.
    pub offset: f64,
    /// How far it is from the zero before; none for the first.
    pub drift: Option<f64>,
    /// Its standard uncertainty.
    pub u: f64,
    /// What it is a zero of.
    pub quantity: String,
    /// Unit of the others.
    pub unit: String,
}

impl Answer {
    /// It was not done.
    pub fn refused(error: impl Into<String>) -> Self {
        Self { error: Some(error.into()), ..Self::default() }
    }

    /// It was done.
    pub fn done() -> Self {
        Self { ok: true, ..Self::default() }
    }
}

impl From<&Reply> for Answer {
    fn from(reply: &Reply) -> Self {
        let mut answer = Self::done();
        match reply {
            Reply::Begun { id, ended, step } => {
                answer.session = Some(id.to_string());
                answer.ended = ended.map(|id| id.to_string());
                answer.step = step.as_deref().map(WireStep::from);
            }
            Reply::Ended { id, judged } => {
                answer.session = Some(id.to_string());
                answer.judged = judged.as_ref().map(WireJudgement::from);
            }
            Reply::Step { judged, now } => {
                answer.judged = judged.as_ref().map(WireJudgement::from);
                answer.step = now.as_deref().map(WireStep::from);
            }
            Reply::Taken(captures) => {
                answer.taken = captures.iter().map(|(channel, capture)| WireCapture::new(channel, capture)).collect();
            }
            Reply::Zeroed(zeroed) => {
                answer.zeroed = Some(WireZero {
                    offset: zeroed.offset,
                    drift: zeroed.drift,
                    u: zeroed.u,
                    quantity: zeroed.quantity.word().to_owned(),
                    unit: zeroed.quantity.unit().to_owned(),
                });
            }
            Reply::Kept => {}
        }
        answer
    }
}

/// A step as the operator sees it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireStep {
    /// Counted from 1 over the session.
    pub number: u32,
    /// Place in the procedure, counted from 1.
    pub place: Option<usize>,
    /// Steps of the procedure.
    pub of: Option<usize>,
    /// What it is called.
    pub name: String,
    /// Which time it is done.
    pub attempt: u32,
    /// What it belongs to.
    pub circuit: Option<String>,
    /// What to do.
    pub instruction: String,
    /// What it looks at.
    pub channel: Option<String>,
    /// What the meter must be switched to.
    pub quantity: Option<String>,
    /// What the value must keep to, in words.
    pub limit: Option<String>,
}

impl From<&StepView> for WireStep {
    fn from(view: &StepView) -> Self {
        Self {
            number: view.number,
            place: view.place.map(|(place, _)| place),
            of: view.place.map(|(_, of)| of),
            name: view.name.clone(),
            attempt: view.attempt,
            circuit: view.circuit.clone(),
            instruction: view.instruction.clone(),
            channel: view.channel.clone(),
            quantity: view.quantity.map(|quantity| quantity.word().to_owned()),
            limit: view.limit.map(|limit| limit.to_string()),
        }
    }
}

/// A value on the wire: a number, or the word for too much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum WireValue {
    /// In the unit beside it.
    Number(f64),
    /// Beyond the range.
    Beyond(Beyond),
}

/// The words for too much.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Beyond {
    /// Upwards.
    Over,
    /// Downwards.
    Under,
}

impl From<Value> for WireValue {
    fn from(value: Value) -> Self {
        match value {
            Value::Number(value) => Self::Number(value),
            Value::Over => Self::Beyond(Beyond::Over),
            Value::Under => Self::Beyond(Beyond::Under),
        }
    }
}

impl WireValue {
    /// As a person reads it, with its unit.
    pub fn show(self, quantity: Option<&str>) -> String {
        let quantity = quantity.and_then(|word| word.parse::<Quantity>().ok()).unwrap_or(Quantity::Number);
        match self {
            Self::Number(value) => crate::units::show(value, quantity),
            Self::Beyond(Beyond::Over) => "beyond the range".to_owned(),
            Self::Beyond(Beyond::Under) => "beyond the range downwards".to_owned(),
        }
    }
}

/// A verdict with everything that defends it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireJudgement {
    /// The word; none where there is no limit.
    pub verdict: Option<String>,
    /// What was judged.
    pub value: Option<WireValue>,
    /// What the meter showed, where the judged value is that corrected for heat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<f64>,
    /// What it measures.
    pub quantity: Option<String>,
    /// Unit of value, u and limits.
    pub unit: Option<String>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// Least value that is within.
    pub limit_low: Option<f64>,
    /// Greatest value that is within.
    pub limit_high: Option<f64>,
    /// Probability that the true value keeps to the limit.
    pub conformity: Option<f64>,
    /// One sentence.
    pub reason: String,
}

impl From<&Judgement> for WireJudgement {
    fn from(judgement: &Judgement) -> Self {
        Self {
            verdict: judgement.verdict.map(|verdict| verdict.word().to_owned()),
            value: judgement.value.map(WireValue::from),
            measured: judgement.measured,
            conformity: judgement.conformity,
            quantity: judgement.quantity.map(|quantity| quantity.word().to_owned()),
            unit: judgement.quantity.map(|quantity| quantity.unit().to_owned()),
            u: judgement.u,
            limit_low: judgement.limit.and_then(|limit| limit.low),
            limit_high: judgement.limit.and_then(|limit| limit.high),
            reason: judgement.reason.clone(),
        }
    }
}

/// A captured value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireCapture {
    /// Where.
    pub channel: String,
    /// taken, steady, last or worst.
    pub how: String,
    /// Readings that it is the mean of.
    pub readings: u64,
    /// The worst under load, what came before it had settled included.
    pub peak: Option<WireValue>,
    /// What it says.
    #[serde(flatten)]
    pub judgement: WireJudgement,
}

impl WireCapture {
    /// A capture and the name of its channel.
    pub fn new(channel: &str, capture: &Capture) -> Self {
        Self {
            channel: channel.to_owned(),
            how: capture.how.word().to_owned(),
            readings: capture.settled.map_or(1, |settled| settled.count),
            peak: capture.peak.map(WireValue::from),
            judgement: WireJudgement::from(&capture.judgement),
        }
    }
}

/// How things are.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct StatusReport {
    /// The open session.
    pub session: Option<SessionLine>,
    /// The step that is on.
    pub step: Option<WireStep>,
    /// What each channel shows.
    pub readings: Vec<ReadingLine>,
    /// How the ports are.
    pub meters: Vec<MeterLine>,
    /// What is wrong with the recording now, a sentence each.
    pub alarms: Vec<String>,
    /// What follows from the captures so far, the best explained first.
    #[serde(default)]
    pub findings: Vec<WireFinding>,
    /// Where it is kept.
    pub database: String,
    /// Process number of the daemon.
    pub process: u32,
    /// Version of the daemon.
    pub version: String,
}

/// A conclusion from several captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireFinding {
    /// What.
    pub kind: String,
    /// Where; empty for what all share.
    pub circuits: Vec<String>,
    /// What is wrong and where.
    pub sentence: String,
    /// certain, likely or possible.
    pub sure: String,
    /// Its weight among all explanations, 0 to 1.
    pub weight: f64,
    /// What speaks for it.
    pub evidence: Vec<String>,
    /// What else would explain it.
    pub alternatives: Vec<String>,
    /// What to measure next.
    pub next: String,
}

impl From<&Finding> for WireFinding {
    fn from(finding: &Finding) -> Self {
        Self {
            kind: finding.kind.word().to_owned(),
            circuits: finding.circuits.clone(),
            sentence: finding.sentence.clone(),
            sure: finding.sure.belief.word().to_owned(),
            weight: finding.sure.weight,
            evidence: finding.evidence.clone(),
            alternatives: finding.alternatives.iter().map(|other| other.sentence.clone()).collect(),
            next: finding.next.clone(),
        }
    }
}

/// The open session in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionLine {
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadingLine {
    /// Which channel.
    pub channel: String,
    /// What it shows.
    pub value: WireValue,
    /// What that measures.
    pub quantity: String,
    /// Its unit.
    pub unit: String,
    /// Against the limit of the step.
    pub verdict: Option<String>,
    /// Seconds since it was measured.
    pub age_s: f64,
}

/// How a port is, and what came through it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeterLine {
    /// The meter's name.
    pub meter: String,
    /// Whether its port is open.
    pub open: bool,
    /// Why not; empty where it is open.
    pub why: String,
    /// Frames decoded since the daemon started.
    pub frames: u64,
    /// Frames that could not be decoded.
    pub refused: u64,
    /// Frames that sequence numbers say are missing.
    pub lost: u64,
    /// How well the device's own clock fits this computer's; none for a device without one.
    pub clock: Option<ClockLine>,
}

/// How well a device's clock fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockLine {
    /// How much later than the fastest frames arrive on average, s: what the fit takes out.
    pub jitter_s: f64,
    /// How much the device's clock gains, parts in a million; negative where it is slow.
    pub drift_ppm: f64,
    /// Chunks taken in since the device's clock began anew.
    pub frames: u64,
    /// How often the device's clock began anew or was set.
    pub resets: u64,
}

/// What those who watch are told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "news", rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the fields are those of the answers")]
pub enum News {
    /// What the channels show, a few times a second.
    Readings { elapsed_s: Option<f64>, readings: Vec<ReadingLine> },
    /// A session began.
    SessionBegan { title: String },
    /// A session ended.
    SessionEnded { how: String },
    /// A step began.
    Step { step: WireStep },
    /// A step was left.
    Judged { step: String, judged: Option<WireJudgement> },
    /// A value was captured.
    Captured { step: String, capture: WireCapture },
    /// What follows from the captures so far has become another.
    Finding { finding: WireFinding },
    /// Something the operator should hear.
    Say { text: String },
    /// Seconds until what is on must be switched off.
    Count { seconds: i64 },
    /// Something worth a line.
    Event { kind: String, subject: String, text: String },
    /// The watcher was too slow for so many pieces of news.
    Missed { count: u64 },
}

impl From<&Notice> for News {
    fn from(notice: &Notice) -> Self {
        match notice {
            Notice::SessionBegan(title) => Self::SessionBegan { title: title.clone() },
            Notice::SessionEnded(how) => Self::SessionEnded { how: how.word().to_owned() },
            Notice::Step(view) => Self::Step { step: WireStep::from(&**view) },
            Notice::Judged { step, judgement } => {
                Self::Judged { step: step.clone(), judged: judgement.as_ref().map(WireJudgement::from) }
            }
            Notice::Captured { step, channel, capture } => {
                Self::Captured { step: step.clone(), capture: WireCapture::new(channel, capture) }
            }
            Notice::Finding(finding) => Self::Finding { finding: WireFinding::from(&**finding) },
            Notice::Say(text) => Self::Say { text: text.clone() },
            Notice::Count(seconds) => Self::Count { seconds: *seconds },
            Notice::Event { kind, subject, text } => {
                Self::Event { kind: kind.word().to_owned(), subject: subject.clone(), text: text.clone() }
            }
        }
    }
}
