//! The procedure file: read, checked and turned into a [`Procedure`].
//!
//! Reading order: `tables` (the file as it is written), here, `conditions` (contact, loads, responses, heat).

mod conditions;
mod tables;

use std::{collections::HashSet, path::Path, time::Duration};

use toml::Spanned;

use super::{
    CaptureMode, Procedure, ProcedureError, ResponseRule, Step,
    circuit::circuits,
    keys::{Time, WrittenName},
    limits::{WrittenLimit, check_answer, limit, relative_mistake},
    shape::{ripple, shape},
};
use crate::{
    mistake::{LineNumbers, Mistake, Source, parse_toml},
    text_file,
    units::{Limit, Measure},
};
use conditions::{condition, contact, heat, response};
use tables::ProcedureFile;
pub(super) use tables::StepTable;

/// How long a reading must be steady: three readings of a slow handheld meter.
const STEADY: Duration = Duration::from_millis(1000);
/// How long after contact and load a value counts.
const AFTER: Duration = Duration::ZERO;
/// How long to wait before asking: finding a pin takes that long.
const PATIENCE: Duration = Duration::from_secs(30);
/// The longest procedure: more steps than a day has room for.
const MOST_STEPS: usize = 5000;

impl Procedure {
    /// Reads and checks a procedure file.
    pub fn load(path: &Path) -> Result<Self, ProcedureError> {
        let text =
            text_file::read(path).map_err(|source| ProcedureError::Unreadable { path: path.to_owned(), source })?;
        Ok(Self::parse(&path.display().to_string(), &text)?)
    }

    /// Checks the text of a procedure file; `file` is how the user knows it.
    pub fn parse(file: &str, text: &str) -> Result<Self, Mistake> {
        let source = Source { file, text };
        if text.len() as u64 > text_file::LONGEST {
            let most = text_file::LONGEST >> 10;
            return Err(source.mistake(0..0, format!("the file is longer than {most} KiB, expected a shorter one")));
        }
        let table: ProcedureFile = parse_toml(file, text)?;
        if table.step.get_ref().is_empty() {
            return Err(source.mistake(table.step.span(), "found no step, expected at least one [[step]]"));
        }
        if table.step.get_ref().len() > MOST_STEPS {
            let message = format!("found {} steps, expected {MOST_STEPS} at most", table.step.get_ref().len());
            return Err(source.mistake(table.step.span(), message));
        }
        let mut steps: Vec<Step> = Vec::new();
        let mut names = HashSet::new();
        let mut relative = Vec::new();
        let lines = LineNumbers::of(text);
        for row in table.step.into_inner() {
            let span = row.name.span();
            let (step, limit) = step(source, &lines, row)?;
            for step in items(step) {
                if !names.insert(step.name.to_ascii_lowercase()) {
                    let message = format!("found a second step named \"{}\", expected a name of its own", step.name);
                    return Err(source.mistake(span, message));
                }
                if steps.len() >= MOST_STEPS {
                    let message = format!("found more steps with those of the sets, expected {MOST_STEPS} at most");
                    return Err(source.mistake(span, message));
                }
                if let Some(WrittenLimit::Relative(limit, span)) = &limit {
                    relative.push((steps.len(), limit.clone(), span.clone()));
                }
                steps.push(step);
            }
        }
        for (place, limit, span) in relative {
            let resolved = limit.resolve(place, &steps).map_err(|error| relative_mistake(source, &error, span))?;
            steps[place].relative = Some(resolved);
        }
        Ok(Self {
            title: table.title.0,
            caution: table.caution.0,
            advance: table.advance,
            circuits: circuits(source, table.circuit, &steps)?,
            proof: table.proof.rules(source)?,
            steps,
            file: file.to_owned(),
            text: text.to_owned(),
        })
    }
}

/// Words that stand for a move to another step, so no step can have them as its name.
const RESERVED: [&str; 4] = ["next", "back", "again", "skip"];

/// A step, and the items of its set where it has one, as steps of their own.
type StepOfFile = (Step, Vec<String>);

/// The steps that a step of the file stands for: each item of its set is one.
fn items((step, items): StepOfFile) -> Vec<Step> {
    if items.is_empty() {
        return vec![step];
    }
    let item =
        |item: String| Step { name: format!("{}: {item}", step.name), set: Some(step.name.clone()), ..step.clone() };
    items.into_iter().map(item).collect()
}

fn step(source: Source, lines: &LineNumbers, table: StepTable) -> Result<(StepOfFile, Option<WrittenLimit>), Mistake> {
    let name = table.name.get_ref().0.trim().to_owned();
    if name.is_empty() || RESERVED.contains(&name.to_ascii_lowercase().as_str()) {
        let message = format!("found \"{name}\", expected a name other than next, back, again and skip");
        return Err(source.mistake(table.name.span(), message));
    }
    check_answer(source, &table)?;
    let limit = limit(source, &table)?;
    let plain = limit.as_ref().and_then(WrittenLimit::plain).copied();
    if let (CaptureMode::Steady, None) = (table.capture, &table.channel) {
        let message = format!("step \"{name}\" is to capture a steady value, expected a channel to read it from");
        return Err(source.mistake(table.name.span(), message));
    }
    let responses: Vec<ResponseRule> =
        table.when.iter().map(|table| response(source, table)).collect::<Result<_, _>>()?;
    if !responses.is_empty() && matches!(table.capture, CaptureMode::Steady | CaptureMode::Wiggle) {
        let message = format!("step \"{name}\" has `when` and watches, expected capture = \"worst\" or none");
        return Err(source.mistake(table.name.span(), message));
    }
    if table.capture == CaptureMode::Wiggle && (limit.is_some() || table.channel.is_none()) {
        let message = format!(
            "step \"{name}\" counts drop-outs while the harness is moved, expected a channel that carries something, and no limit"
        );
        return Err(source.mistake(table.name.span(), message));
    }
    check_role(source, &table)?;
    let shape = shape(source, &table, plain.and_then(|limit| limit.low))?;
    if shape.is_some()
        && (!matches!(table.capture, CaptureMode::Taken | CaptureMode::Worst) || plain.is_none() != limit.is_none())
    {
        let message = format!(
            "step \"{name}\" is judged on a shape, expected capture = \"worst\" or none, and a limit by itself"
        );
        return Err(source.mistake(table.name.span(), message));
    }
    let (warn_ahead, ripple) = (warn_ahead(source, &table, plain.as_ref())?, ripple(source, &table)?);
    let warn_levels = warn_levels(source, &table, plain.as_ref())?;
    let at = table.channel.as_ref().map_or_else(|| table.name.span(), Spanned::span);
    let time = |time: Option<Time>, default| time.map_or(default, |Time(time)| time);
    let step = Step {
        contact: contact(source, &table, limit.as_ref())?,
        // A limit by other values holds at the temperature that all of them have.
        heat: heat(source, &table, plain.as_ref())?.filter(|_| limit.is_none() || plain.is_some()),
        responses: responses.clone(),
        conditions: table.r#while.iter().map(|table| condition(source, table)).collect::<Result<_, _>>()?,
        line: lines.line(at.start),
        name,
        circuit: table.circuit.map(|WrittenName(circuit)| circuit),
        instruction: table.r#do.0,
        channel: table.channel.map(Spanned::into_inner),
        quantity: table.quantity,
        limit: plain,
        relative: None,
        answer: table.answer.map(Spanned::into_inner),
        set: None,
        // Responses and shapes are what a step that watches finds.
        capture: if responses.is_empty() && shape.is_none() { table.capture } else { CaptureMode::Worst },
        shape,
        warn_ahead,
        warn_levels,
        ripple,
        rule: table.rule,
        steady: time(table.steady, STEADY),
        after: time(table.after, AFTER),
        patience: time(table.patience, PATIENCE),
        hold_at_most: table.hold_at_most.map(|Time(time)| time),
        role: table.role.map(Spanned::into_inner),
        running: table.running.map(Spanned::into_inner),
    };
    Ok(((step, table.set.map_or(Vec::new(), |set| set.into_inner().0)), limit))
}

/// A trend is looked for where a step watches a channel against a limit by itself.
fn warn_ahead(source: Source, table: &StepTable, limit: Option<&Limit>) -> Result<Option<Duration>, Mistake> {
    let Some(key) = &table.warn_ahead else { return Ok(None) };
    if table.capture != CaptureMode::Worst || limit.is_none() || table.shape.is_some() {
        let message = "found warn_ahead, expected it in a step with capture = \"worst\" and a limit by itself";
        return Err(source.mistake(key.span(), message));
    }
    let Time(ahead) = *key.get_ref();
    Ok(Some(ahead))
}

/// Levels to warn at lie within the limit of a step that watches, on a side that is limited.
fn warn_levels(source: Source, table: &StepTable, limit: Option<&Limit>) -> Result<Option<Limit>, Mistake> {
    let (low, high) = (table.warn_below.as_ref(), table.warn_above.as_ref());
    let Some(first) = low.or(high) else { return Ok(None) };
    let limit = limit.filter(|_| table.capture == CaptureMode::Worst && table.shape.is_none());
    let Some(limit) = limit else {
        let message = "found a level to warn at, expected it in a step with capture = \"worst\" and a limit by itself";
        return Err(source.mistake(first.span(), message));
    };
    let is_within = |value: f64| limit.low.is_none_or(|low| value > low) && limit.high.is_none_or(|high| value < high);
    for (key, edge, side) in [(low, limit.low, "warn_below"), (high, limit.high, "warn_above")] {
        let Some(key) = key else { continue };
        let level = key.get_ref();
        if edge.is_none() || level.dimension != limit.dimension || !is_within(level.value) {
            let message =
                format!("found this {side}, expected a value inside the limit {limit}, which it comes before");
            return Err(source.mistake(key.span(), message));
        }
    }
    let value = |key: Option<&Spanned<Measure>>| key.map(|key| key.get_ref().value);
    let levels = Limit { low: value(low), high: value(high), dimension: limit.dimension };
    if levels.low.zip(levels.high).is_some_and(|(low, high)| low >= high) {
        return Err(source.mistake(first.span(), "found warn_below at or above warn_above, expected it lower"));
    }
    Ok(Some(levels))
}

/// A role wants its quantity, a circuit and a channel, and something or nothing running.
fn check_role(source: Source, table: &StepTable) -> Result<(), Mistake> {
    let Some(key) = &table.role else { return Ok(()) };
    let role = *key.get_ref();
    if table.quantity != Some(role.quantity()) {
        let message = format!("found the role \"{role}\", expected quantity = \"{}\" beside it", role.quantity());
        return Err(source.mistake(key.span(), message));
    }
    if table.circuit.is_none() || table.channel.is_none() {
        let message = format!("found the role \"{role}\", expected a circuit and a channel beside it");
        return Err(source.mistake(key.span(), message));
    }
    match &table.running {
        Some(running) if !role.goes_with(*running.get_ref()) => {
            let found = running.get_ref().word();
            let message =
                format!("found \"{found}\", expected something else as {role} can't be measured with that running");
            Err(source.mistake(running.span(), message))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests;
