//! The criteria of a step: the procedure's rules with the bench's channels resolved.

use std::time::Duration;

use super::{LoadConditions, PartCelsius, TemperatureCorrection, plausible_temperatures};
use crate::{
    channel::{Channel, ChannelId},
    electrics::DecisionRule,
    procedure::{CaptureMode, ContactRule, PartTemperature, Step},
    session::{StepView, Visit},
    units::{Limit, Measure, Quantity},
};

/// Everything that judging one step needs.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StepCriteria {
    /// The channel; none while no meter has it, and for a step without a channel.
    pub channel: Option<ChannelId>,
    /// The channel's range, either sign; none where it is not known.
    pub range: Option<Measure>,
    /// What the meter must be switched to; none where any function is right.
    pub quantity: Option<Quantity>,
    /// What the value must keep to; none for a step that is only recorded.
    pub limit: Option<Limit>,
    /// How the uncertainty enters.
    pub rule: DecisionRule,
    /// Which value counts.
    pub mode: CaptureMode,
    /// What proves that the leads touch.
    pub contact: ContactRule,
    /// Under which load the value counts.
    pub load: LoadConditions,
    /// How long after contact and load.
    pub after: Duration,
    /// How long a reading must be steady.
    pub steady: Duration,
    /// How long to wait for an automatic capture before asking.
    pub patience: Duration,
    /// How long what is switched on may stay on.
    pub hold_at_most: Option<Duration>,
    /// How the limit depends on temperature.
    pub heat: Option<TemperatureCorrection>,
}

impl StepCriteria {
    /// The criteria of a procedure's step, with the temperatures that were typed for this visit.
    pub(crate) fn of(step: &Step, visit: &Visit, named: impl Fn(&str) -> Option<ChannelId>) -> Self {
        let heat = step.heat.as_ref().map(|rule| TemperatureCorrection {
            reference: rule.reference,
            part: match &rule.part {
                PartTemperature::Given(celsius) => PartCelsius::typed(*celsius),
                PartTemperature::OfSession => visit.part_celsius.map_or(PartCelsius::Unknown, PartCelsius::typed),
                PartTemperature::Channel(name) => {
                    named(name).map_or(PartCelsius::Unknown, |id| PartCelsius::Channel(id, None))
                }
            },
            plausible: plausible_temperatures(rule.place, rule.state.or(visit.state), visit.ambient_celsius),
        });
        Self {
            channel: step.channel.as_deref().and_then(&named),
            range: None,
            quantity: step.quantity,
            limit: step.limit,
            rule: step.rule,
            mode: step.capture,
            contact: step.contact,
            load: LoadConditions::new(&step.conditions, &named),
            after: step.after,
            steady: step.steady,
            patience: step.patience,
            hold_at_most: step.hold_at_most,
            heat,
        }
    }

    /// The step's channel is on the bench.
    pub(crate) fn channel_found(&mut self, id: ChannelId, channel: &Channel) {
        self.channel = Some(id);
        self.range = channel.range;
    }

    /// The criteria of a step of a free-running session, which is only recorded.
    pub(crate) fn nothing(view: &StepView) -> Self {
        Self {
            channel: None,
            range: None,
            quantity: view.quantity,
            limit: view.limit,
            rule: DecisionRule::Guarded,
            mode: CaptureMode::Taken,
            contact: ContactRule::Fixed,
            load: LoadConditions::default(),
            after: Duration::ZERO,
            steady: Duration::from_secs(1),
            patience: Duration::MAX,
            hold_at_most: None,
            heat: None,
        }
    }
}
