//! The procedure file: read, checked and turned into a [`Procedure`].
//!
//! The tables here are not the procedure's own types. In a file a limit has four forms and defaults depend on other keys; in
//! a [`Step`] all of it is known.

use std::{collections::HashSet, path::Path, time::Duration};

use serde::Deserialize;
use toml::Spanned;

use super::{
    Advance, CaptureMode, ChangeDirection, ConditionRule, ContactRule, HeatRule, MachineHeat, PartTemperature,
    Procedure, ProcedureError, RequiredMove, ResponseRule, ResponseTrigger, Role, RunningLoads, ShapeFigure, Step,
    YesNo,
    circuit::{CircuitTable, circuits},
    keys::{AtLeast, AtMost, Between, Celsius, CelsiusRange, Contact, Nominal, Share, Time},
    limits::{WrittenLimit, check_answer, dimension, limit, relative_mistake},
    proof_rules::ProofTable,
    response::LevelRange,
    set_items::SetItems,
    shape::{ripple, shape},
};
use crate::{
    electrics::DecisionRule,
    mistake::{LineNumbers, Mistake, Source, parse_toml},
    text_file,
    units::{AsWritten, Dimension, Limit, Measure, Quantity},
};

/// How long a reading must be steady: three readings of a slow handheld meter.
const STEADY: Duration = Duration::from_millis(1000);
/// How long after contact and load a value counts.
const AFTER: Duration = Duration::ZERO;
/// How long to wait before asking: finding a pin takes that long.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long a load must have been there.
const HELD: Duration = Duration::from_millis(200);
/// A load may fall short by this share before it counts as gone.
const HYSTERESIS: f64 = 0.1;
/// An open voltmeter lead picks up less than this: common practice, no source.
const CONTACT_V: f64 = 0.5;
/// An empty clamp drifts by less than this: common practice, no source.
const CONTACT_A: f64 = 0.05;
/// A current through the clamp is more than this share of the limit; less is an empty clamp's offset: common practice,
/// no source.
const CONTACT_SHARE: f64 = 0.2;
/// The longest procedure: more steps than a day has room for.
const MOST_STEPS: usize = 5000;
/// Coil limits hold at this temperature where the file names no other, °C: common practice, no source.
const REFERENCE_C: f64 = 20.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProcedureFile {
    title: String,
    #[serde(default)]
    caution: String,
    #[serde(default)]
    advance: Advance,
    #[serde(default)]
    circuit: Vec<CircuitTable>,
    #[serde(default)]
    proof: ProofTable,
    step: Spanned<Vec<StepTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StepTable {
    pub(super) name: Spanned<String>,
    circuit: Option<String>,
    #[serde(default)]
    r#do: String,
    pub(super) channel: Option<Spanned<String>>,
    pub(super) quantity: Option<Quantity>,
    pub(super) at_least: Option<Spanned<AsWritten<AtLeast>>>,
    pub(super) at_most: Option<Spanned<AsWritten<AtMost>>>,
    pub(super) between: Option<Spanned<AsWritten<Between>>>,
    pub(super) nominal: Option<Spanned<AsWritten<Nominal>>>,
    pub(super) answer: Option<Spanned<YesNo>>,
    set: Option<Spanned<SetItems>>,
    #[serde(default)]
    pub(super) capture: CaptureMode,
    #[serde(default = "guarded")]
    rule: DecisionRule,
    contact: Option<Spanned<AsWritten<Contact>>>,
    steady: Option<Time>,
    #[serde(default)]
    r#while: Vec<ConditionTable>,
    #[serde(default)]
    when: Vec<WhenTable>,
    pub(super) shape: Option<Spanned<ShapeFigure>>,
    pub(super) highest_frequency: Option<Spanned<Measure>>,
    warn_ahead: Option<Spanned<Time>>,
    pub(super) ripple_at_most: Option<Spanned<Measure>>,
    after: Option<Time>,
    patience: Option<Time>,
    hold_at_most: Option<Time>,
    limit_at: Option<Spanned<Celsius>>,
    temperature: Option<Spanned<PartTemperature>>,
    place: Option<Spanned<CelsiusRange>>,
    state: Option<Spanned<MachineHeat>>,
    pub(super) role: Option<Spanned<Role>>,
    running: Option<Spanned<RunningLoads>>,
}

/// The load is written with one of two keys.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConditionTable {
    channel: Spanned<String>,
    at_least: Option<Measure>,
    at_most: Option<Measure>,
    held: Option<Time>,
    hysteresis: Option<Share>,
}

/// What a channel must do, and after what: with one of two keys.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhenTable {
    mark: Option<String>,
    change: Option<String>,
    going: Option<ChangeDirection>,
    channel: Spanned<String>,
    #[serde(default)]
    must: RequiredMove,
    from: Option<LevelRange>,
    to: Option<LevelRange>,
    within: Option<Time>,
}

fn guarded() -> DecisionRule {
    DecisionRule::Guarded
}

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
            title: table.title,
            caution: table.caution,
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
    let name = table.name.get_ref().trim().to_owned();
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
    let at = table.channel.as_ref().unwrap_or(&table.name).span();
    let time = |time: Option<Time>, default| time.map_or(default, |Time(time)| time);
    let step = Step {
        contact: contact(source, &table, limit.as_ref())?,
        // A limit by other values holds at the temperature that all of them have.
        heat: heat(source, &table, plain.as_ref())?.filter(|_| limit.is_none() || plain.is_some()),
        responses: responses.clone(),
        conditions: table.r#while.iter().map(|table| condition(source, table)).collect::<Result<_, _>>()?,
        line: lines.line(at.start),
        name,
        circuit: table.circuit,
        instruction: table.r#do,
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

/// Only a value that captures itself needs a proof of contact. A small drop proves none: it reads like a lead that
/// touches nothing, so such a step must say that its leads are fixed, or which value proves contact.
fn contact(source: Source, table: &StepTable, limit: Option<&WrittenLimit>) -> Result<ContactRule, Mistake> {
    let dimension = dimension(table, limit);
    let plain = limit.and_then(WrittenLimit::plain);
    if let Some(key) = &table.contact {
        let AsWritten { value, text } = key.get_ref();
        return match value {
            Contact::Fixed => Ok(ContactRule::Fixed),
            Contact::AtLeast(least)
                if least.value > 0.0 && dimension.is_none_or(|dimension| dimension == least.dimension) =>
            {
                Ok(ContactRule::AtLeast(least.value))
            }
            Contact::AtLeast(_) => {
                let message = format!("found \"{text}\", expected \"fixed\" or a value above zero in the step's unit");
                Err(source.mistake(key.span(), message))
            }
        };
    }
    if table.capture != CaptureMode::Steady {
        return Ok(ContactRule::Fixed);
    }
    let least = match dimension {
        Some(Dimension::Volt) => CONTACT_V,
        Some(Dimension::Ampere) => CONTACT_A.max(CONTACT_SHARE * plain.map_or(0.0, nearest_to_zero)),
        Some(Dimension::Ohm) => 0.0,
        _ => return Ok(ContactRule::Fixed),
    };
    if least > 0.0 && limit.is_some_and(|limit| limit.may_be_near_zero(least)) {
        let message = format!(
            "step \"{}\" captures by itself a value that may be near zero, as a lead that touches nothing shows; write \
             contact = \"fixed\" if the leads are clipped on and stay there, or contact = \"20 mV\", the least value that proves \
             to you that they touch",
            table.name.get_ref()
        );
        return Err(source.mistake(table.name.span(), message));
    }
    Ok(ContactRule::AtLeast(least))
}

/// The lower edge of a limit, either sign; its only edge where it has one.
fn nearest_to_zero(limit: &Limit) -> f64 {
    limit.low.or(limit.high).map_or(0.0, f64::abs)
}

fn condition(source: Source, table: &ConditionTable) -> Result<ConditionRule, Mistake> {
    let limit = match (table.at_least, table.at_most) {
        (Some(least), None) => Limit::at_least(least),
        (None, Some(most)) => Limit::at_most(most),
        _ => return Err(source.mistake(table.channel.span(), "expected at_least or at_most beside the channel")),
    };
    let edge = limit.low.or(limit.high).unwrap_or(0.0);
    if limit.dimension == Dimension::Ampere && edge <= 0.0 {
        let message = format!(
            "found {limit} for channel \"{}\", expected a value above zero: the size of a current counts, whatever its sign",
            table.channel.get_ref()
        );
        return Err(source.mistake(table.channel.span(), message));
    }
    Ok(ConditionRule {
        channel: table.channel.get_ref().clone(),
        limit,
        held: table.held.map_or(HELD, |Time(held)| held),
        hysteresis: table.hysteresis.map_or(HYSTERESIS, |Share(share)| share),
    })
}

fn response(source: Source, table: &WhenTable) -> Result<ResponseRule, Mistake> {
    let wrong = |message: &str| Err(source.mistake(table.channel.span(), message));
    let trigger = match (&table.mark, &table.change) {
        (Some(text), None) if table.going.is_none() => ResponseTrigger::Mark(text.trim().to_owned()),
        (None, Some(channel)) => ResponseTrigger::Change(channel.clone(), table.going),
        _ => return wrong("expected mark, or change with or without going, beside the channel"),
    };
    let (from, to) = (table.from.map(|LevelRange(limit)| limit), table.to.map(|LevelRange(limit)| limit));
    match table.must {
        RequiredMove::Go if to.is_none() && table.within.is_none() => {
            return wrong("expected `to` or `within`: what must it do?");
        }
        RequiredMove::Hold if from.is_some() || to.is_some() => {
            return wrong("found `from` or `to`, expected none where it must hold");
        }
        _ => {}
    }
    if from.zip(to).is_some_and(|(from, to)| from.dimension != to.dimension) {
        return wrong("found `from` and `to` in different units, expected the same");
    }
    Ok(ResponseRule {
        trigger,
        channel: table.channel.get_ref().clone(),
        must: table.must,
        from,
        to,
        within: table.within.map(|Time(within)| within),
    })
}

/// Temperatures belong to the ohms of a coil: copper's resistance rises with heat.
fn heat(source: Source, table: &StepTable, limit: Option<&Limit>) -> Result<Option<HeatRule>, Mistake> {
    let spans = [
        table.limit_at.as_ref().map(Spanned::span),
        table.temperature.as_ref().map(Spanned::span),
        table.place.as_ref().map(Spanned::span),
        table.state.as_ref().map(Spanned::span),
    ];
    let told = spans.into_iter().flatten().next();
    if table.quantity != Some(Quantity::Ohms) {
        return match told {
            Some(span) => Err(source.mistake(span, "found a temperature, expected it in a step on \"ohm\" only")),
            None => Ok(None),
        };
    }
    // Ohms with a limit on one side are those of a wire, of leads or of insulation unless the step says otherwise.
    let is_one_sided = limit.is_some_and(|limit| limit.low.is_none() || limit.high.is_none());
    let is_coil = match table.role.as_ref().map(|role| *role.get_ref()) {
        Some(role) => role == Role::CoilOhms,
        None => !is_one_sided,
    };
    Ok((is_coil || told.is_some()).then(|| HeatRule {
        reference: table.limit_at.as_ref().map_or(REFERENCE_C, |celsius| celsius.get_ref().0),
        part: table.temperature.as_ref().map_or(PartTemperature::OfSession, |part| part.get_ref().clone()),
        place: table.place.as_ref().map(|range| range.get_ref().0),
        state: table.state.as_ref().map(|state| *state.get_ref()),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{procedure::PROCEDURE_SCHEMA, words};

    const GOOD: &str = r#"
title = "Loader valve block, at the connector"
caution = "Park on level ground, bucket down, key out before unplugging."

[[step]]
name = "feed, lift coil"
circuit = "lift coil"
do = "Key on, connector unplugged. Red lead on the lift feed pin, black lead on battery negative."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"

[[step]]
name = "lift coil ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
nominal = "7.5 ohm ± 8 %"

[[step]]
name = "yard drive"
"#;

    #[test]
    fn a_procedure_is_read() {
        let procedure = Procedure::parse("p.toml", GOOD).unwrap();
        assert_eq!(procedure.steps.len(), 3);
        let ohms = &procedure.steps[1];
        assert_eq!((ohms.quantity, ohms.line), (Some(Quantity::Ohms), 16));
        assert_eq!(ohms.limit.unwrap().to_string(), "6.9 ohm to 8.1 ohm");
        assert_eq!(procedure.steps[2].limit, None);
    }

    /// The words that the schema lists at a place are those of the parser's table.
    #[test]
    fn the_schema_lists_the_words_of_the_tables() {
        let schema: serde_json::Value = serde_json::from_str(PROCEDURE_SCHEMA).unwrap();
        let step = "/$defs/step/properties";
        words::check_schema::<Advance>(&schema, "/properties/advance/enum");
        words::check_schema::<CaptureMode>(&schema, &format!("{step}/capture/enum"));
        words::check_schema::<DecisionRule>(&schema, &format!("{step}/rule/enum"));
        words::check_schema::<MachineHeat>(&schema, &format!("{step}/state/enum"));
        words::check_schema::<Role>(&schema, &format!("{step}/role/enum"));
        words::check_schema::<ChangeDirection>(&schema, "/$defs/response/properties/going/enum");
        words::check_schema::<RequiredMove>(&schema, "/$defs/response/properties/must/enum");
        words::check_schema::<ShapeFigure>(&schema, &format!("{step}/shape/enum"));
        words::check_schema::<RunningLoads>(&schema, &format!("{step}/running/enum"));
        words::check_usual_words::<Quantity>(&schema, "/$defs/quantity/examples");
    }

    #[test]
    fn each_mistake_is_reported_with_its_line() {
        for (from, to, line, words) in [
            ("at_least = \"11.8 V\"", "at_least = \"11.8 A\"", 11, "expected a limit in V"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8\"", 11, "a number and a unit"),
            ("at_least = \"11.8 V\"", "at_last = \"11.8 V\"", 11, "`at_last`"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nbetween = \"1 V to 2 V\"", 6, "two limits"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nat_most = \"9 V\"", 12, "above it"),
            ("\"ohm\"", "\"mho\"", 17, "\"ohm\""),
            ("\"lift coil ohms\"", "\"Feed, lift coil\"", 14, "second step"),
            ("\"yard drive\"", "\"next\"", 21, "other than next"),
            ("\"yard drive\"", "\"w\"\ncapture = \"wiggle\"", 21, "expected a channel that carries something"),
            (
                "\"yard drive\"",
                "\"w\"\nwhen = [{ channel = \"a\", to = \"1 A to 2 A\" }]",
                22,
                "expected mark, or change",
            ),
            ("\"yard drive\"", "\"w\"\nwhen = [{ mark = \"\", channel = \"a\" }]", 22, "expected `to` or `within`"),
            ("\"yard drive\"", "\"w\"\nwhen = [{ mark = \"\", channel = \"a\", to = \"1 A\" }]", 22, "two values"),
            (
                "\"yard drive\"",
                "\"w\"\nwhen = [{ mark = \"\", channel = \"a\", must = \"hold\", to = \"1 A to 2 A\" }]",
                22,
                "none where it must hold",
            ),
            (
                "\"yard drive\"",
                "\"w\"\ncapture = \"steady\"\nchannel = \"a\"\nwhen = [{ mark = \"\", channel = \"a\", within = \"1 s\" }]",
                21,
                "capture = \"worst\" or none",
            ),
            ("\"yard drive\"", "\"drive\"\nat_most = \"1 V\"", 22, "expected a channel"),
            ("\"yard drive\"", "\"drive\"\ncapture = \"best\"", 22, "\"taken\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil amps\"", 18, "expected quantity = \"A DC\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil\"", 18, "\"coil ohms\", \"coil amps\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil ohms\"\nrunning = \"this\"", 19, "running"),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrunning = \"it\"", 18, "\"everything\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nplace = \"0 V to 3 V\"", 18, "\"-10 °C to 60 °C\""),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nstate = \"hot\"", 12, "\"ohm\" only"),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nstate = \"lukewarm\"", 18, "\"cold\", \"warm\" or \"hot\""),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nplace = \"0 °C to 60 °C\"", 12, "\"ohm\" only"),
            (
                "quantity = \"ohm\"",
                "quantity = \"ohm\"\ncontact = \"fix\"",
                18,
                "found \"fix\", expected \"fixed\" for leads",
            ),
            (
                "quantity = \"ohm\"",
                "quantity = \"ohm\"\nwhile = [{ channel = \"clamp\", at_least = \"-1 A\" }]",
                18,
                "found at least -1 A for channel \"clamp\", expected a value above zero",
            ),
            (
                "at_least = \"11.8 V\"",
                "at_most = \"100 mV\"\ncapture = \"steady\"",
                6,
                "write contact = \"fixed\" if the leads are clipped on and stay there, or contact = \"20 mV\"",
            ),
            ("circuit = \"lift coil\"\nchannel", "role = \"coil ohms\"\nchannel", 15, "expected a circuit"),
        ] {
            assert!(GOOD.contains(from), "{from}");
            let mistake = Procedure::parse("p.toml", &GOOD.replacen(from, to, 1)).unwrap_err();
            assert!(mistake.message.contains(words), "{to}: {mistake}");
            assert_eq!(mistake.line, line, "{to}: {mistake}");
        }
        assert!(Procedure::parse("p.toml", "title = \"x\"\nstep = []").is_err());
    }

    /// Seen: the line of each step was counted from the beginning of the file, and its name compared with all before:
    /// 30,000 steps took 10 s.
    #[test]
    fn a_long_procedure_is_read_in_no_time_and_too_long_a_one_refused() {
        let text = |steps: usize| {
            let steps: String =
                (0..steps).map(|step| format!("[[step]]\nname = \"step {step} of a long list\"\n")).collect();
            format!("title = \"long\"\n{steps}")
        };
        let procedure = Procedure::parse("p.toml", &text(MOST_STEPS)).unwrap();
        assert_eq!((procedure.steps.len(), procedure.steps[MOST_STEPS - 1].line), (MOST_STEPS, 2 * MOST_STEPS + 1));
        let mistake = Procedure::parse("p.toml", &text(MOST_STEPS + 1)).unwrap_err();
        assert!(mistake.message.contains("5001 steps, expected 5000 at most"), "{mistake}");
        let mistake = Procedure::parse("p.toml", &text(30_000)).unwrap_err();
        assert!(mistake.message.contains("longer than 512 KiB"), "{mistake}");
    }
}
