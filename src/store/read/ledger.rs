//! What a session came to: its steps, captures, figures and events.

use rusqlite::{Connection, Row, types::FromSql};

use crate::store::StoreError;

/// One row of the table `step` with the capture it was judged on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StepRow {
    /// Counted from 1 over the session.
    pub number: i64,
    /// Place in the procedure; none when free-running.
    pub place: Option<i64>,
    /// Which time it was done.
    pub attempt: i64,
    /// What it is called.
    pub name: String,
    /// What it belongs to.
    pub circuit: Option<String>,
    /// What it looked at.
    pub channel: Option<String>,
    /// What the meter had to be switched to.
    pub quantity: Option<String>,
    /// Unit of the limits.
    pub unit: Option<String>,
    /// Least value that is within.
    pub limit_low: Option<f64>,
    /// Greatest value that is within.
    pub limit_high: Option<f64>,
    /// µs since the session began.
    pub began_us: i64,
    /// µs since the session began; none while it is on.
    pub ended_us: Option<i64>,
    /// done, back, again, skipped …; none while it is on.
    pub left: Option<String>,
    /// The verdict's word; none where nothing was judged.
    pub verdict: Option<String>,
    /// One sentence.
    pub reason: Option<String>,
    /// Rowid of its first sample.
    pub first_row: i64,
    /// Rowid of its last sample; none while it is on.
    pub last_row: Option<i64>,
    /// What it was judged on.
    pub capture: Option<CaptureRow>,
}

/// One row of the table `capture`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CaptureRow {
    /// step.number; none where no step was on.
    pub step: Option<i64>,
    /// taken, last or worst.
    pub how: String,
    /// µs since the session began.
    pub at_us: i64,
    /// Where.
    pub channel: Option<String>,
    /// What.
    pub quantity: Option<String>,
    /// Unit of value and u.
    pub unit: Option<String>,
    /// None where there is none or it was beyond the range.
    pub value: Option<f64>,
    /// 1 beyond the range, −1 beyond it downwards.
    pub beyond: Option<i64>,
    /// What the meter showed, where the value is that corrected for heat.
    pub measured: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
    /// The verdict's word.
    pub verdict: Option<String>,
    /// One sentence.
    pub reason: String,
}

/// One row of the table `figure`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FigureRow {
    /// step.number
    pub step: i64,
    /// channel.name
    pub channel: String,
    /// channel.quantity
    pub quantity: String,
    /// channel.unit
    pub unit: String,
    /// Numbers among the samples.
    pub count: i64,
    /// Samples beyond the range.
    pub beyond: i64,
    /// The last number.
    pub last: Option<f64>,
    /// Mean of the numbers.
    pub mean: Option<f64>,
    /// Sample standard deviation.
    pub deviation: Option<f64>,
    /// The least.
    pub min: Option<f64>,
    /// The greatest.
    pub max: Option<f64>,
    /// How long outside the step's limit, µs.
    pub outside_us: i64,
}

/// One row of the table `event`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct EventRow {
    /// µs since the session began.
    pub at_us: i64,
    /// note, mark, meter lost …
    pub kind: String,
    /// What it concerns; empty where nothing.
    pub subject: String,
    /// One sentence.
    pub text: String,
}

/// Reads the columns of a row one after the other.
struct Columns<'a, 'b> {
    row: &'a Row<'b>,
    next: usize,
}

impl Columns<'_, '_> {
    fn next<T: FromSql>(&mut self) -> rusqlite::Result<T> {
        self.next += 1;
        self.row.get(self.next - 1)
    }
}

const CAPTURE: &str =
    "capture.step, capture.how, capture.at_us, capture.channel, capture.quantity, capture.unit, capture.value,
    capture.beyond, capture.measured, capture.u, capture.verdict, capture.reason";

fn capture(columns: &mut Columns) -> rusqlite::Result<CaptureRow> {
    Ok(CaptureRow {
        step: columns.next()?,
        how: columns.next()?,
        at_us: columns.next()?,
        channel: columns.next()?,
        quantity: columns.next()?,
        unit: columns.next()?,
        value: columns.next()?,
        beyond: columns.next()?,
        measured: columns.next()?,
        u: columns.next()?,
        verdict: columns.next()?,
        reason: columns.next()?,
    })
}

/// The steps of a session in the order in which they were begun.
pub(crate) fn steps(connection: &Connection, session: i64) -> Result<Vec<StepRow>, StoreError> {
    let sql = format!(
        "SELECT step.number, step.place, step.attempt, step.name, step.circuit, step.channel, step.quantity, step.unit,
            step.limit_low, step.limit_high, step.began_us, step.ended_us, step.left_how, step.verdict, step.reason,
            step.first_row, step.last_row, capture.id, {CAPTURE}
         FROM step LEFT JOIN capture ON capture.id = step.capture WHERE step.session = ?1 ORDER BY step.number"
    );
    let mut statement = connection.prepare(&sql)?;
    let rows = statement.query_map([session], |row| {
        let mut columns = Columns { row, next: 0 };
        Ok(StepRow {
            number: columns.next()?,
            place: columns.next()?,
            attempt: columns.next()?,
            name: columns.next()?,
            circuit: columns.next()?,
            channel: columns.next()?,
            quantity: columns.next()?,
            unit: columns.next()?,
            limit_low: columns.next()?,
            limit_high: columns.next()?,
            began_us: columns.next()?,
            ended_us: columns.next()?,
            left: columns.next()?,
            verdict: columns.next()?,
            reason: columns.next()?,
            first_row: columns.next()?,
            last_row: columns.next()?,
            capture: match columns.next::<Option<i64>>()? {
                Some(_) => Some(capture(&mut columns)?),
                None => None,
            },
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// All captures of a session, oldest first.
pub(crate) fn captures(connection: &Connection, session: i64) -> Result<Vec<CaptureRow>, StoreError> {
    let mut statement = connection.prepare(&format!("SELECT {CAPTURE} FROM capture WHERE session = ?1 ORDER BY id"))?;
    let rows = statement.query_map([session], |row| capture(&mut Columns { row, next: 0 }))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// The figures of all steps that were left.
pub(crate) fn figures(connection: &Connection, session: i64) -> Result<Vec<FigureRow>, StoreError> {
    let mut statement = connection.prepare(
        "SELECT figure.step, channel.name, channel.quantity, channel.unit, figure.count, figure.beyond, figure.last, figure.mean,
            figure.deviation, figure.min, figure.max, figure.outside_us
         FROM figure JOIN channel ON channel.id = figure.channel WHERE figure.session = ?1 ORDER BY figure.step, figure.channel",
    )?;
    let rows = statement.query_map([session], |row| {
        let mut columns = Columns { row, next: 0 };
        Ok(FigureRow {
            step: columns.next()?,
            channel: columns.next()?,
            quantity: columns.next()?,
            unit: columns.next()?,
            count: columns.next()?,
            beyond: columns.next()?,
            last: columns.next()?,
            mean: columns.next()?,
            deviation: columns.next()?,
            min: columns.next()?,
            max: columns.next()?,
            outside_us: columns.next()?,
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// One row of the table `finding`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FindingRow {
    /// Counted from 1, the best explained first.
    pub rank: i64,
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
    /// By how many standard deviations the captures speak for it.
    pub z: f64,
    /// What speaks for it.
    pub evidence: Vec<String>,
    /// What else would explain it.
    pub alternatives: Vec<String>,
    /// What to measure next.
    pub next: String,
}

/// What follows from a session's captures, the best explained first.
pub(crate) fn findings(connection: &Connection, session: i64) -> Result<Vec<FindingRow>, StoreError> {
    let mut statement = connection.prepare(
        "SELECT rank, kind, circuits, sentence, sure, weight, z, evidence, alternatives, next
         FROM finding WHERE session = ?1 ORDER BY rank",
    )?;
    let lines = |text: String| text.lines().map(str::to_owned).collect();
    let rows = statement.query_map([session], |row| {
        let mut columns = Columns { row, next: 0 };
        Ok(FindingRow {
            rank: columns.next()?,
            kind: columns.next()?,
            circuits: lines(columns.next()?),
            sentence: columns.next()?,
            sure: columns.next()?,
            weight: columns.next()?,
            z: columns.next()?,
            evidence: lines(columns.next()?),
            alternatives: lines(columns.next()?),
            next: columns.next()?,
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// The events of a session in the order in which they were kept.
pub(crate) fn events(connection: &Connection, session: i64) -> Result<Vec<EventRow>, StoreError> {
    let mut statement =
        connection.prepare("SELECT at_us, kind, subject, text FROM event WHERE session = ?1 ORDER BY id")?;
    let rows = statement.query_map([session], |row| {
        let mut columns = Columns { row, next: 0 };
        Ok(EventRow { at_us: columns.next()?, kind: columns.next()?, subject: columns.next()?, text: columns.next()? })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
