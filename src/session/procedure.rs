//! The procedure file: an ordered list of steps with what each must show.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use super::findings::{Role, Running};
use crate::{
    electrics::Rule,
    mistake::{Mistake, Source, parse_toml},
    units::{Limit, Measure, Quantity},
};

/// What the operator is going to do, step by step.
#[derive(Debug, Clone, PartialEq)]
pub struct Procedure {
    /// What it is called.
    pub title: String,
    /// What to mind before anything is touched; empty where the file has none.
    pub caution: String,
    /// At least one; names are unique.
    pub steps: Vec<Step>,
    /// The file as the user named it.
    pub file: String,
    /// The file as written, kept with the session.
    pub text: String,
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
    /// Which value counts.
    pub capture: CaptureMode,
    /// How the uncertainty enters.
    pub rule: Rule,
    /// What it measures in its circuit, where the file says so.
    pub role: Option<Role>,
    /// What runs meanwhile, where the file says so.
    pub running: Option<Running>,
    /// The line of the file that names the channel, or the step.
    pub line: usize,
}

/// Which value of a step is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CaptureMode {
    /// The one that the operator takes; the last one where he takes none.
    #[default]
    Taken,
    /// The worst of the whole step: for watching.
    Worst,
}

/// Why a procedure can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ProcedureError {
    /// The file can't be read.
    #[error("the procedure file {} can't be read: {source}; check the name and its permissions", path.display())]
    Unreadable {
        /// As the user gave it.
        path: PathBuf,
        /// The system's word.
        source: std::io::Error,
    },
    /// Something in the file is wrong.
    #[error(transparent)]
    Mistake(#[from] Mistake),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: String,
    #[serde(default)]
    caution: String,
    step: Spanned<Vec<StepTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StepTable {
    name: Spanned<String>,
    circuit: Option<String>,
    #[serde(default)]
    r#do: String,
    channel: Option<Spanned<String>>,
    quantity: Option<Spanned<String>>,
    at_least: Option<Spanned<String>>,
    at_most: Option<Spanned<String>>,
    between: Option<Spanned<String>>,
    nominal: Option<Spanned<String>>,
    #[serde(default)]
    capture: CaptureMode,
    #[serde(default)]
    rule: RuleWord,
    role: Option<Spanned<String>>,
    running: Option<Spanned<String>>,
}

/// How a file says by which rule a step is judged.
#[derive(Deserialize, Default, Clone, Copy)]
#[serde(rename_all = "lowercase")]
enum RuleWord {
    /// The limit is guarded by the uncertainty.
    #[default]
    Guarded,
    /// The value alone decides.
    Simple,
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
        Ok(Self { title: table.title, caution: table.caution, steps, file: file.to_owned(), text: text.to_owned() })
    }

    /// The steps whose channel is not among those given.
    pub fn without_channel<'a>(&'a self, channels: &'a [String]) -> impl Iterator<Item = &'a Step> {
        self.steps.iter().filter(|step| step.channel.as_ref().is_some_and(|name| !channels.contains(name)))
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
    if let (Some(quantity), Some((limit, text))) = (quantity, &limit)
        && quantity.dimension() != limit.dimension
    {
        let message = format!(
            "found \"{}\", expected a limit in {} as the step's quantity is \"{quantity}\"",
            text.get_ref(),
            quantity.unit()
        );
        return Err(source.mistake(text.span(), message));
    }
    if let (None, Some((_, text))) = (&table.channel, &limit) {
        let message = format!("found a limit in step \"{name}\", expected a channel to judge by it");
        return Err(source.mistake(text.span(), message));
    }
    let (role, running) = usage(source, &table, quantity)?;
    let at = table.channel.as_ref().unwrap_or(&table.name).span();
    Ok(Step {
        line: source.mistake(at, "").line,
        name,
        circuit: table.circuit,
        instruction: table.r#do,
        quantity,
        limit: limit.map(|(limit, _)| limit),
        channel: table.channel.map(Spanned::into_inner),
        capture: table.capture,
        rule: match table.rule {
            RuleWord::Guarded => Rule::Guarded,
            RuleWord::Simple => Rule::Simple,
        },
        role,
        running,
    })
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
fn limit(source: Source, table: &StepTable) -> Result<Option<(Limit, Spanned<String>)>, Mistake> {
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
            ("\"yard drive\"", "\"drive\"\ncapture = \"best\"", 22, "`taken`"),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil amps\"", 18, "expected quantity = \"A DC\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil\"", 18, "\"coil ohms\", \"coil amps\""),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrole = \"coil ohms\"\nrunning = \"this\"", 19, "running"),
            ("quantity = \"ohm\"", "quantity = \"ohm\"\nrunning = \"it\"", 18, "\"everything\""),
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
