//! The procedures that are found: those that ship, and the user's own; the maker's figures put into a copy.

use serde::{Deserialize, Serialize};
use toml_edit::DocumentMut;

use super::{ConfigFolder, FileName, FilesOf};
use crate::{mistake::Mistake, procedure::Procedure};

macro_rules! shipped {
    ($($name:literal),+) => {
        [$(($name, include_str!(concat!("../../contrib/procedures/", $name, ".toml")))),+]
    };
}

/// The procedures that ship, by name.
const SHIPPED: [(&str, &str); 15] = shipped!(
    "battery-and-cranking-drop",
    "charging-system-12v",
    "charging-system-24v",
    "current-control-of-a-switched-valve",
    "feed-drop-under-load",
    "gear-changes-on-the-road",
    "hot-and-cold",
    "insulation-of-a-coil",
    "key-off-draw-after-everything-sleeps",
    "module-feed-and-ground-under-load",
    "selector-moves-in-the-bay",
    "shared-ground-drop-with-everything-running",
    "supply-while-a-control-module-is-programmed",
    "valve-coils-at-the-connector",
    "wiggle-at-the-connector"
);

/// The keys by which a step says what a value must keep to.
const FIGURES: [&str; 4] = ["at_least", "at_most", "between", "nominal"];

/// Where a procedure comes from.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, utoipa::ToSchema)]
pub(crate) struct ProcedureSource {
    /// Its name.
    pub name: FileName,
    /// Whether it is one of the user's own.
    pub own: bool,
}

/// One procedure that is found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub(crate) struct ProcedureLine {
    name: String,
    own: bool,
    title: String,
    steps: usize,
    /// Why it can't be used; none where it can.
    #[serde(skip_serializing_if = "Option::is_none")]
    wrong: Option<String>,
}

/// A figure of one step, as it stands in the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub(crate) struct MakersFigure {
    /// Which step, counted from 0 in the file.
    pub step: usize,
    /// What the step is called.
    #[serde(default)]
    pub name: String,
    /// at_least, at_most, between or nominal.
    pub key: String,
    /// The figure as written.
    pub value: String,
}

/// Why a figure can't be put in.
#[derive(Debug, thiserror::Error)]
pub(crate) enum FigureError {
    /// There is no such step or key.
    #[error("step {step} has no `{key}` to put a figure in")]
    Unknown {
        /// Counted from 1.
        step: usize,
        /// The key.
        key: String,
    },
    /// The file is no TOML.
    #[error("the procedure can't be read: {0}")]
    Toml(#[from] toml_edit::TomlError),
    /// With the figure it is no procedure.
    #[error(transparent)]
    Mistake(#[from] Mistake),
}

impl ProcedureSource {
    /// Its text.
    ///
    /// # Errors
    /// There is none of this name, or it can't be read.
    pub(crate) fn text(&self, files: &ConfigFolder) -> std::io::Result<String> {
        if self.own {
            return files.read(FilesOf::Procedures, &self.name);
        }
        let found = SHIPPED.iter().find(|(name, _)| *name == self.name.as_str());
        found.map(|(_, text)| (*text).to_owned()).ok_or_else(|| std::io::ErrorKind::NotFound.into())
    }
}

/// All procedures, the user's own first.
pub(crate) fn procedure_list(files: &ConfigFolder) -> Vec<ProcedureLine> {
    let line = |name: &str, own, text: std::io::Result<String>| {
        let parsed = text.map_err(|error| crate::io_reason::IoReason(&error).to_string());
        let parsed = parsed.and_then(|text| Procedure::parse(name, &text).map_err(|mistake| mistake.to_string()));
        let (title, steps, wrong) = match parsed {
            Ok(procedure) => (procedure.title, procedure.steps.len(), None),
            Err(why) => (name.to_owned(), 0, Some(why)),
        };
        ProcedureLine { name: name.to_owned(), own, title, steps, wrong }
    };
    let own = files.list(FilesOf::Procedures);
    let own = own.iter().map(|name| line(name.as_str(), true, files.read(FilesOf::Procedures, name)));
    own.chain(SHIPPED.iter().map(|(name, text)| line(name, false, Ok((*text).to_owned())))).collect()
}

/// The figures of a procedure file, in its order.
///
/// # Errors
/// It is no TOML.
pub(crate) fn figures(text: &str) -> Result<Vec<MakersFigure>, FigureError> {
    let file: DocumentMut = text.parse()?;
    let mut found = Vec::new();
    for (index, step) in file.get("step").and_then(|step| step.as_array_of_tables()).into_iter().flatten().enumerate() {
        let name = step.get("name").and_then(|name| name.as_str()).unwrap_or_default();
        for key in FIGURES {
            if let Some(value) = step.get(key).and_then(|value| value.as_str()) {
                let (name, key, value) = (name.to_owned(), key.to_owned(), value.to_owned());
                found.push(MakersFigure { step: index, name, key, value });
            }
        }
    }
    Ok(found)
}

/// The procedure file with these figures in the place of its own; all else stays as it is written. A comment behind a figure
/// that is replaced goes with it.
///
/// # Errors
/// A figure has no place, or with it the file is no procedure.
pub(crate) fn put_figures(file_name: &str, text: &str, figures: &[MakersFigure]) -> Result<String, FigureError> {
    let mut file: DocumentMut = text.parse()?;
    for MakersFigure { step, key, value, .. } in figures {
        let unknown = || FigureError::Unknown { step: step + 1, key: key.clone() };
        let tables = file.get_mut("step").and_then(|steps| steps.as_array_of_tables_mut()).ok_or_else(unknown)?;
        let found = tables.get_mut(*step).filter(|_| FIGURES.contains(&key.as_str())).ok_or_else(unknown)?;
        let written = found.get_mut(key).and_then(|item| item.as_value_mut()).ok_or_else(unknown)?;
        if written.as_str() != Some(value.as_str()) {
            *written = toml_edit::Value::from(value.as_str());
            written.decor_mut().set_prefix(" ");
            written.decor_mut().set_suffix(" # put in on the page");
        }
    }
    let text = file.to_string();
    Procedure::parse(file_name, &text)?;
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_that_ship_are_listed_and_read() {
        let lines = procedure_list(&ConfigFolder::at(None));
        assert_eq!(lines.len(), SHIPPED.len());
        assert!(lines.iter().all(|line| line.wrong.is_none() && line.steps > 0), "{lines:?}");
        let shipped = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/contrib/procedures")).unwrap();
        assert_eq!(shipped.count(), SHIPPED.len(), "a procedure that ships is not in the list");
    }

    #[test]
    fn the_makers_figure_replaces_one_and_nothing_else() {
        let (name, text) = *SHIPPED.iter().find(|(name, _)| *name == "valve-coils-at-the-connector").unwrap();
        let all = figures(text).unwrap();
        let battery = all.iter().find(|figure| figure.name == "battery").unwrap();
        assert_eq!((battery.key.as_str(), battery.value.as_str()), ("at_least", "12.4 V"));
        assert_eq!(put_figures(name, text, &all).unwrap(), text, "the same figures change nothing");
        let makers = MakersFigure { value: "12.5 V".to_owned(), ..battery.clone() };
        let changed = put_figures(name, text, &[makers]).unwrap();
        let different: Vec<&str> =
            changed.lines().zip(text.lines()).filter(|(now, before)| now != before).map(|(now, _)| now).collect();
        assert_eq!(different, ["at_least = \"12.5 V\" # put in on the page"]);
        let wrong = MakersFigure { value: "12.5 kg".to_owned(), ..battery.clone() };
        assert!(matches!(put_figures(name, text, &[wrong]), Err(FigureError::Mistake(_))));
        for (step, key) in [(999, "at_least"), (battery.step, "name"), (battery.step, "nominal")] {
            let nowhere = MakersFigure { step, key: key.to_owned(), ..battery.clone() };
            assert!(matches!(put_figures(name, text, &[nowhere]), Err(FigureError::Unknown { .. })), "{key}");
        }
    }
}
