//! The criteria of a step: the procedure's rules with the bench's channels resolved.

use std::time::Duration;

use super::{
    CoilHold, LoadConditions, PartCelsius, ReferenceLimit, ReferredValue, TemperatureCorrection, plausible_temperatures,
};
use crate::{
    channel::{Channel, ChannelId},
    clock::micros,
    electrics::DecisionRule,
    procedure::{
        CaptureMode, ContactRule, Driver, PartTemperature, ProofRules, ResponseRule, RippleRule, Role, ShapeRule, Step,
        YesNo,
    },
    session::{
        StepView, Visit,
        proof::{MeasuredPoint, MeasuringLead},
    },
    units::{Dimension, Limit, Measure, Quantity},
};

/// Everything that judging one step needs; by default nothing is judged.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct StepCriteria {
    /// What the step is called.
    pub name: String,
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
    /// What it measures in its circuit, where the procedure says so.
    pub role: Option<Role>,
    /// Whether it belongs to a circuit.
    pub of_circuit: bool,
    /// Standard uncertainty of the clamp's zero, A; none where it has none.
    pub zero_u: Option<f64>,
    /// By what the leads prove a capture.
    pub proof: ProofRules,
    /// The limit by other values, where the step has one; `limit` is then what it came to last.
    pub reference: Option<ReferenceLimit>,
    /// What the coil was on before.
    pub coil: CoilHold,
    /// What drives the circuit.
    pub driver: Driver,
    /// The answer that is good, in a step that asks a question.
    pub answer: Option<YesNo>,
    /// What is known of the channel; none while no meter has it.
    pub known: Option<Channel>,
    /// What must follow a mark or a change.
    pub responses: Vec<ResponseRule>,
    /// The figure of the signal's shape that the step is judged on, and its limit.
    pub shape: Option<(ShapeRule, Option<Limit>)>,
    /// What else is watched.
    pub watched: WatchRules,
}

/// What a step that watches looks for beside its limit.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct WatchRules {
    /// How long before its limit a value that heads for it is announced.
    pub warn_ahead: Option<Duration>,
    /// Where a value is announced before it is out of its limit.
    pub warn_levels: Option<Limit>,
    /// What the value may carry on top.
    pub ripple: Option<RippleRule>,
}

/// A limit on volts that are to be few is that of a drop up to this, V: common practice, no source.
const DROP_V: f64 = 3.0;

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
            name: step.name.clone(),
            channel: step.channel.as_deref().and_then(&named),
            range: None,
            quantity: step.quantity,
            // That of a shape is not one of the values.
            limit: step.limit.filter(|_| step.shape.is_none()),
            rule: step.rule,
            mode: step.capture,
            contact: step.contact,
            load: LoadConditions::new(&step.conditions, &named),
            after: step.after,
            steady: step.steady,
            patience: step.patience,
            hold_at_most: step.hold_at_most,
            heat,
            role: step.role,
            of_circuit: step.circuit.is_some(),
            zero_u: None,
            proof: ProofRules::default(),
            reference: None,
            coil: CoilHold::default(),
            driver: Driver::default(),
            answer: step.answer,
            known: None,
            responses: step.responses.clone(),
            shape: step.shape.map(|rule| (rule, step.limit)),
            watched: WatchRules { warn_ahead: step.warn_ahead, warn_levels: step.warn_levels, ripple: step.ripple },
        }
    }

    /// The same with the limit by other values, where the step has one.
    pub(crate) fn referring(mut self, step: &Step, captured: impl Fn(&str) -> Result<ReferredValue, String>) -> Self {
        self.reference = step
            .relative
            .as_ref()
            .zip(step.quantity)
            .map(|(rule, quantity)| ReferenceLimit::new(rule, quantity, micros(step.steady), captured));
        self
    }

    /// A channel is on the bench: perhaps one that the limit refers to.
    pub(crate) fn bench_channel(&mut self, id: ChannelId, channel: &Channel) {
        self.load.channel_found(id, &channel.name);
        if let Some(reference) = &mut self.reference {
            reference.channel_found(id, channel);
        }
    }

    /// The step's channel is on the bench.
    pub(crate) fn channel_found(&mut self, id: ChannelId, channel: &Channel) {
        self.channel = Some(id);
        self.range = channel.range;
        self.known = Some(channel.clone());
    }

    /// The criteria of a step of a free-running session, which is only recorded.
    pub(crate) fn unjudged(view: &StepView) -> Self {
        let (name, quantity, limit) = (view.name.clone(), view.quantity, view.limit);
        Self { name, quantity, limit, steady: Duration::from_secs(1), patience: Duration::MAX, ..Self::default() }
    }

    /// What the step measures, as far as the proofs differ.
    pub(crate) fn measured(&self) -> MeasuredPoint {
        if self.quantity == Some(Quantity::Ohms) {
            return MeasuredPoint::Coil(self.limit.and_then(|limit| limit.low));
        }
        let is_volts = self.quantity.is_none_or(|quantity| quantity == Quantity::VoltsDc);
        let Some(limit) = self.limit else {
            // A least value by other values, such as the battery, is that of a feed.
            let is_feed = is_volts && self.reference.as_ref().is_some_and(ReferenceLimit::has_low);
            return if is_feed { MeasuredPoint::Feed } else { MeasuredPoint::Other };
        };
        match (limit.dimension, limit.low, limit.high) {
            // Twice what an open lead picks up, so that a feed and a drop can't be confused.
            (Dimension::Volt, Some(low), _) if is_volts && low >= 2.0 * self.proof.nothing_below => MeasuredPoint::Feed,
            (Dimension::Volt, None, Some(high)) if is_volts && high <= DROP_V => MeasuredPoint::Drop(match self.role {
                Some(Role::FeedDrop | Role::FeedPinDrop) => MeasuringLead::Black,
                _ => MeasuringLead::Red,
            }),
            _ => MeasuredPoint::Other,
        }
    }

    /// Whether the current can flow one way only, so that a clamp that shows it negative is on backward: a coil's.
    pub(crate) fn flows_one_way(&self) -> bool {
        let is_coil = match self.role {
            Some(role) => role == Role::CoilAmps,
            None => self.of_circuit || self.hold_at_most.is_some(),
        };
        self.quantity == Some(Quantity::AmpsDc) && is_coil
    }
}
