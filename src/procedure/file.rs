//! The procedure file as a person writes it.

use std::path::Path;

use serde::Deserialize;
use toml::Spanned;

use super::{
    Advance, CaptureMode, Procedure, ProcedureError, Role, Running, Step,
    keys::{self, AdvanceWord, CaptureWord, ConditionTable, RuleWord},
};
use crate::{
    mistake::{Mistake, Source, parse_toml},
    units::{Limit, Measure, Quantity},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    #[serde(default)]
    caution: String,
    #[serde(default)]
    advance: AdvanceWord,
    step: Spanned<Vec<StepTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StepTable {
    pub name: Spanned<String>,
    pub circuit: Option<String>,
    #[serde(default)]
    pub r#do: String,
    pub channel: Option<Spanned<String>>,
    pub quantity: Option<Spanned<String>>,
    pub at_least: Option<Spanned<String>>,
    pub at_most: Option<Spanned<String>>,
    pub between: Option<Spanned<String>>,
    pub nominal: Option<Spanned<String>>,
    #[serde(default)]
    pub capture: CaptureWord,
    #[serde(default)]
    pub rule: RuleWord,
    pub contact: Option<Spanned<String>>,
    pub steady: Option<Spanned<String>>,
    #[serde(default)]
    pub r#while: Vec<ConditionTable>,
    pub after: Option<Spanned<String>>,
    pub patience: Option<Spanned<String>>,
    pub hold_at_most: Option<Spanned<String>>,
    pub limit_at: Option<Spanned<String>>,
    pub temperature: Option<Spanned<String>>,
    pub place: Option<Spanned<String>>,
    pub role: Option<Spanned<String>>,
    pub running: Option<Spanned<String>>,
}

impl Procedure {
    /// Reads and checks a procedure file.
    pub fn load(path: &Path) -> Result<Self, ProcedureError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| ProcedureError::Unreadable { path: path.to_owned(), source })?;
        Ok(Self::parse(&path.display().to_string(), &text)?)
    }

    /// Checks the text of a procedure file; `file` is how the user knows it.
    pub fn parse(file: &str, text: &str) -> Result<Self, Mistake> {
        let source = Source { file, text };
        let table: File = parse_toml(file, text)?;
        if table.step.get_ref().is_empty() {
            return Err(source.mistake(table.step.span(), "found no step, expected at least one [[step]]"));
        }
        let mut steps: Vec<Step> = Vec::new();
        for row in table.step.into_inner() {
            let span = row.name.span();
            let step = step(source, row)?;
            if steps.iter().any(|other| other.name.eq_ignore_ascii_case(&step.name)) {
                let message = format!("found a second step named \"{}\", expected a name of its own", step.name);
                return Err(source.mistake(span, message));
            }
            steps.push(step);
        }
        Ok(Self {
            title: table.title,
            caution: table.caution,
            advance: match table.advance {
                AdvanceWord::Told => Advance::Told,
                AdvanceWord::Lifted => Advance::Lifted,
            },
            steps,
            file: file.to_owned(),
            text: text.to_owned(),
        })
    }
}

/// Words by which `next`, `back` and the like could be meant.
const RESERVED: [&str; 4] = ["next", "back", "again", "skip"];

fn step(source: Source, table: StepTable) -> Result<Step, Mistake> {
    let name = table.name.get_ref().trim().to_owned();
    if name.is_empty() || RESERVED.contains(&name.to_ascii_lowercase().as_str()) {
        let message = format!("found \"{name}\", expected a name other than next, back, again and skip");
        return Err(source.mistake(table.name.span(), message));
    }
    let quantity: Option<Quantity> = table.quantity.as_ref().map(|text| source.parse(text)).transpose()?;
    let limit = limit(source, &table)?;
    check_limit(source, &table, quantity, limit.as_ref())?;
    let limit = limit.map(|(limit, _)| limit);
    let capture = match table.capture {
        CaptureWord::Taken => CaptureMode::Taken,
        CaptureWord::Steady => CaptureMode::Steady,
        CaptureWord::Worst => CaptureMode::Worst,
    };
    if let (CaptureMode::Steady, None) = (capture, &table.channel) {
        let message = format!("step \"{name}\" is to capture a steady value, expected a channel to look at");
        return Err(source.mistake(table.name.span(), message));
    }
    let (role, running) = usage(source, &table, quantity)?;
    let at = table.channel.as_ref().unwrap_or(&table.name).span();
    Ok(Step {
        role,
        running,
        contact: keys::contact(source, &table, quantity, limit.as_ref(), capture)?,
        steady: keys::duration(source, table.steady.as_ref(), keys::STEADY)?,
        conditions: keys::conditions(source, &table.r#while)?,
        after: keys::duration(source, table.after.as_ref(), keys::AFTER)?,
        patience: keys::duration(source, table.patience.as_ref(), keys::PATIENCE)?,
        hold_at_most: keys::optional_duration(source, table.hold_at_most.as_ref())?,
        heat: keys::heat(source, &table, quantity)?,
        line: source.mistake(at, "").line,
        name,
        circuit: table.circuit,
        instruction: table.r#do,
        quantity,
        limit,
        channel: table.channel.map(Spanned::into_inner),
        capture,
        rule: table.rule.into(),
    })
}

type LimitAndPlace = (Limit, Spanned<String>);

fn check_limit(
    source: Source,
    table: &StepTable,
    quantity: Option<Quantity>,
    limit: Option<&LimitAndPlace>,
) -> Result<(), Mistake> {
    let Some((limit, text)) = limit else { return Ok(()) };
    if let Some(quantity) = quantity.filter(|quantity| quantity.dimension() != limit.dimension) {
        let message = format!(
            "found \"{}\", expected a limit in {} as the step's quantity is \"{quantity}\"",
            text.get_ref(),
            quantity.unit()
        );
        return Err(source.mistake(text.span(), message));
    }
    if table.channel.is_none() {
        let message = format!("found a limit in step \"{}\", expected a channel to judge by it", table.name.get_ref());
        return Err(source.mistake(text.span(), message));
    }
    Ok(())
}

/// What the step measures in its circuit and what runs meanwhile, where the file says so.
fn usage(
    source: Source,
    table: &StepTable,
    quantity: Option<Quantity>,
) -> Result<(Option<Role>, Option<Running>), Mistake> {
    let role: Option<Role> = table.role.as_ref().map(|text| source.parse(text)).transpose()?;
    let running: Option<Running> = table.running.as_ref().map(|text| source.parse(text)).transpose()?;
    if let (Some(role), Some(text)) = (role, &table.role) {
        let message = if quantity != Some(role.quantity()) {
            format!("found the role \"{role}\", expected quantity = \"{}\" beside it", role.quantity())
        } else if table.circuit.is_none() || table.channel.is_none() {
            format!("found the role \"{role}\", expected a circuit and a channel beside it")
        } else {
            return match (running, &table.running) {
                (Some(running), Some(text)) if !role.goes_with(running) => {
                    let message = format!(
                        "found \"{}\", expected something else as {role} can't be measured with that running",
                        running.word()
                    );
                    Err(source.mistake(text.span(), message))
                }
                _ => Ok((Some(role), running)),
            };
        };
        return Err(source.mistake(text.span(), message));
    }
    Ok((role, running))
}

/// The step's limit and where it stands; `at_least` and `at_most` may stand together.
fn limit(source: Source, table: &StepTable) -> Result<Option<LimitAndPlace>, Mistake> {
    let least = table.at_least.as_ref();
    let most = table.at_most.as_ref();
    let given = usize::from(least.or(most).is_some())
        + usize::from(table.between.is_some())
        + usize::from(table.nominal.is_some());
    if given > 1 {
        let message = "found two limits, expected at_least with or without at_most, or between, or nominal";
        return Err(source.mistake(table.name.span(), message));
    }
    let (text, limit) = if let Some(text) = &table.between {
        (text, Limit::between(text.get_ref()).map_err(|error| source.mistake(text.span(), error.to_string()))?)
    } else if let Some(text) = &table.nominal {
        (text, Limit::nominal(text.get_ref()).map_err(|error| source.mistake(text.span(), error.to_string()))?)
    } else {
        let low: Option<Measure> = least.map(|text| source.parse(text)).transpose()?;
        let high: Option<Measure> = most.map(|text| source.parse(text)).transpose()?;
        match (low, high, most.or(least)) {
            (Some(low), Some(high), Some(text)) => {
                if low.dimension != high.dimension || low.value > high.value {
                    let message =
                        format!("found \"{}\", expected a value in the unit of at_least and above it", text.get_ref());
                    return Err(source.mistake(text.span(), message));
                }
                (text, Limit { low: Some(low.value), high: Some(high.value), dimension: low.dimension })
            }
            (Some(low), None, Some(text)) => (text, Limit::at_least(low)),
            (None, Some(high), Some(text)) => (text, Limit::at_most(high)),
            _ => return Ok(None),
        }
    };
    Ok(Some((limit, text.clone())))
}

#[cfg(test)]
mod tests {
    use super::*;

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
        assert_eq!(ohms.limit.unwrap().to_string(), "6.900 ohm to 8.100 ohm");
        assert_eq!(procedure.steps[2].limit, None);
    }

    #[test]
    fn each_mistake_is_told_with_its_line() {
        for (from, to, line, words) in [
            ("at_least = \"11.8 V\"", "at_least = \"11.8 A\"", 11, "expected a limit in V"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8\"", 11, "a number and a unit"),
            ("at_least = \"11.8 V\"", "at_last = \"11.8 V\"", 11, "`at_last`"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nbetween = \"1 V to 2 V\"", 6, "two limits"),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nat_most = \"9 V\"", 12, "above it"),
            ("\"ohm\"", "\"mho\"", 17, "\"ohm\""),
            ("\"lift coil ohms\"", "\"Feed, lift coil\"", 14, "second step"),
            ("\"yard drive\"", "\"next\"", 21, "other than next"),
            ("\"yard drive\"", "\"drive\"\nat_most = \"1 V\"", 22, "expected a channel"),
            ("\"yard drive\"", "\"drive\"\ncapture = \"best\"", 22, "\"taken\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil amps\"", 18, "expected quantity = \"A DC\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil\"", 18, "\"coil ohms\", \"coil amps\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil ohms\"\nrunning = \"this\"", 19, "running"),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrunning = \"it\"", 18, "\"everything\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nplace = \"0 V to 3 V\"", 18, "\"-10 °C to 60 °C\""),
            ("at_least = \"11.8 V\"", "at_least = \"11.8 V\"\nplace = \"0 °C to 60 °C\"", 12, "\"ohm\" only"),
            ("circuit = \"lift coil\"\nchannel", "role = \"coil ohms\"\nchannel", 15, "expected a circuit"),
        ] {
            assert!(GOOD.contains(from), "{from}");
            let mistake = Procedure::parse("p.toml", &GOOD.replacen(from, to, 1)).unwrap_err();
            assert!(mistake.message.contains(words), "{to}: {mistake}");
            assert_eq!(mistake.line, line, "{to}: {mistake}");
        }
        assert!(Procedure::parse("p.toml", "title = \"x\"\nstep = []").is_err());
    }
}
