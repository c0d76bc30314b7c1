//! The tables of the file, as they are written. In a file a limit has four forms and defaults depend on other keys.

use serde::Deserialize;
use toml::Spanned;

use crate::{
    electrics::DecisionRule,
    procedure::{
        Advance, CaptureMode, ChangeDirection, MachineHeat, PartTemperature, RequiredMove, Role, RunningLoads,
        ShapeFigure, YesNo,
        circuit::CircuitTable,
        keys::{
            AtLeast, AtMost, Between, Celsius, CelsiusRange, Contact, Nominal, Share, Time, WrittenName, WrittenText,
        },
        proof_rules::ProofTable,
        response::LevelRange,
        set_items::SetItems,
    },
    units::{AsWritten, Measure, Quantity},
};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::procedure) struct ProcedureFile {
    pub(in crate::procedure) title: WrittenName,
    #[serde(default)]
    pub(in crate::procedure) caution: WrittenText,
    #[serde(default)]
    pub(in crate::procedure) advance: Advance,
    #[serde(default)]
    pub(in crate::procedure) circuit: Vec<CircuitTable>,
    #[serde(default)]
    pub(in crate::procedure) proof: ProofTable,
    pub(in crate::procedure) step: Spanned<Vec<StepTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::procedure) struct StepTable {
    pub(in crate::procedure) name: Spanned<WrittenName>,
    pub(in crate::procedure) circuit: Option<WrittenName>,
    #[serde(default)]
    pub(in crate::procedure) r#do: WrittenText,
    pub(in crate::procedure) channel: Option<Spanned<String>>,
    pub(in crate::procedure) quantity: Option<Quantity>,
    pub(in crate::procedure) at_least: Option<Spanned<AsWritten<AtLeast>>>,
    pub(in crate::procedure) at_most: Option<Spanned<AsWritten<AtMost>>>,
    pub(in crate::procedure) between: Option<Spanned<AsWritten<Between>>>,
    pub(in crate::procedure) nominal: Option<Spanned<AsWritten<Nominal>>>,
    pub(in crate::procedure) answer: Option<Spanned<YesNo>>,
    pub(in crate::procedure) set: Option<Spanned<SetItems>>,
    #[serde(default)]
    pub(in crate::procedure) capture: CaptureMode,
    #[serde(default)]
    pub(in crate::procedure) rule: DecisionRule,
    pub(in crate::procedure) contact: Option<Spanned<AsWritten<Contact>>>,
    pub(in crate::procedure) steady: Option<Time>,
    #[serde(default)]
    pub(in crate::procedure) r#while: Vec<ConditionTable>,
    #[serde(default)]
    pub(in crate::procedure) when: Vec<WhenTable>,
    pub(in crate::procedure) shape: Option<Spanned<ShapeFigure>>,
    pub(in crate::procedure) highest_frequency: Option<Spanned<Measure>>,
    pub(in crate::procedure) warn_ahead: Option<Spanned<Time>>,
    pub(in crate::procedure) warn_below: Option<Spanned<Measure>>,
    pub(in crate::procedure) warn_above: Option<Spanned<Measure>>,
    pub(in crate::procedure) ripple_at_most: Option<Spanned<Measure>>,
    pub(in crate::procedure) after: Option<Time>,
    pub(in crate::procedure) patience: Option<Time>,
    pub(in crate::procedure) hold_at_most: Option<Time>,
    pub(in crate::procedure) limit_at: Option<Spanned<Celsius>>,
    pub(in crate::procedure) temperature: Option<Spanned<PartTemperature>>,
    pub(in crate::procedure) place: Option<Spanned<CelsiusRange>>,
    pub(in crate::procedure) state: Option<Spanned<MachineHeat>>,
    pub(in crate::procedure) role: Option<Spanned<Role>>,
    pub(in crate::procedure) running: Option<Spanned<RunningLoads>>,
}

/// The load is written with one of two keys.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::procedure) struct ConditionTable {
    pub(in crate::procedure) channel: Spanned<String>,
    pub(in crate::procedure) at_least: Option<Measure>,
    pub(in crate::procedure) at_most: Option<Measure>,
    pub(in crate::procedure) held: Option<Time>,
    pub(in crate::procedure) hysteresis: Option<Share>,
}

/// What a channel must do, and after what: with one of two keys.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::procedure) struct WhenTable {
    pub(in crate::procedure) mark: Option<WrittenText>,
    pub(in crate::procedure) change: Option<String>,
    pub(in crate::procedure) going: Option<ChangeDirection>,
    pub(in crate::procedure) channel: Spanned<String>,
    #[serde(default)]
    pub(in crate::procedure) must: RequiredMove,
    pub(in crate::procedure) from: Option<LevelRange>,
    pub(in crate::procedure) to: Option<LevelRange>,
    pub(in crate::procedure) within: Option<Time>,
}
