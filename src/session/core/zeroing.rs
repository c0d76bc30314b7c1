//! The zero of a clamp without current, and the ohms of leads that touch each other.

use super::Core;
use crate::{
    channel::ChannelId,
    clock::Mono,
    electrics::Uncertain,
    session::{CommandReply, CoreInput, Effect, Record, Refusal, Zeroed, record::EventKind, undo::OperatorAct},
    units::{Dimension, Quantity, show},
};

/// Leads and their contacts have at most so much resistance, ohm: common practice, no source.
const MOST_LEADS_OHM: f64 = 2.0;

pub(super) fn leads_input(id: ChannelId, ohms: Option<Uncertain>) -> CoreInput {
    CoreInput::Leads(id.0, ohms.map(|ohms| (ohms.value, ohms.u)))
}

/// Within this time the same command takes the zero that was asked about, µs.
const DOUBTED_ZERO_US: i64 = 60_000_000;

/// Unless it has moved by more than this since, A.
const SAME_ZERO_A: f64 = 0.1;

/// A zero that was asked about.
#[derive(Debug)]
pub(super) struct DoubtedZero {
    channel: ChannelId,
    at: Mono,
    offset: f64,
}

impl Core {
    pub(super) fn zero(&mut self, at: Mono, channel: &str, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let id = self.find_channel(channel)?;
        self.open_session()?;
        let latest = self.latest.get(usize::from(id.0)).and_then(Option::as_ref);
        if latest.is_some_and(|latest| latest.sample.quantity == Quantity::Ohms) {
            return self.null_leads(at, id, effects);
        }
        if let Some(quantity) = latest.map(|latest| latest.sample.quantity)
            && quantity.dimension() != Dimension::Ampere
        {
            return Err(Refusal::NoZero { channel: self.channel_name(Some(id)), unit: quantity.unit() });
        }
        let not_still = || Refusal::NotStill { channel: channel.to_owned() };
        let shown = self.zeros.at_rest(usize::from(id.0)).ok_or_else(not_still)?;
        self.refuse_large_zero(at, id, shown)?;
        let zeroed = self.zeros.take(usize::from(id.0)).ok_or_else(not_still)?;
        self.keep_input(at, || CoreInput::Zero(id.0, zeroed), effects);
        self.zeroed(at, id, zeroed, effects);
        self.last_act = Some(OperatorAct::Zeroed(id));
        Ok(CommandReply::Zeroed(zeroed))
    }

    /// Asks once before it takes what a load through the clamp would show as well.
    fn refuse_large_zero(&mut self, at: Mono, id: ChannelId, shown: Zeroed) -> Result<(), Refusal> {
        let is_same = |doubted: DoubtedZero| {
            let moved = shown.offset - doubted.offset;
            doubted.channel == id && at.since(doubted.at) <= DOUBTED_ZERO_US && moved.abs() <= SAME_ZERO_A
        };
        if self.doubted_zero.take().is_some_and(is_same) || !shown.may_be_a_load() {
            return Ok(());
        }
        self.doubted_zero = Some(DoubtedZero { channel: id, at, offset: shown.offset });
        Err(Refusal::LargeZero { channel: self.channel_name(Some(id)), shown: show(shown.offset, shown.quantity) })
    }

    /// The leads touch each other: what an ohm meter shows is their resistance, which is taken off from now on.
    fn null_leads(&mut self, at: Mono, id: ChannelId, effects: &mut Vec<Effect>) -> Result<CommandReply, Refusal> {
        let channel = self.channel_name(Some(id));
        let settled = self.zeros.leads(usize::from(id.0)).ok_or(Refusal::NotStill { channel: channel.clone() })?;
        if !(0.0..=MOST_LEADS_OHM).contains(&settled.value.abs()) {
            return Err(Refusal::NotTogether { channel, shown: show(settled.value, Quantity::Ohms) });
        }
        let ohms = Uncertain::new(settled.value, settled.repeatability());
        let before = self.open_session()?.set_leads(id, Some(ohms));
        self.keep_input(at, || leads_input(id, Some(ohms)), effects);
        let drift = before.map(|before| ohms.value - before.value);
        let zeroed = Zeroed { offset: ohms.value, drift, u: ohms.u, quantity: Quantity::Ohms };
        self.zeroed(at, id, zeroed, effects);
        self.last_act = Some(OperatorAct::Nulled(id, before));
        Ok(CommandReply::Zeroed(zeroed))
    }

    /// Records a zero that is in use from now on.
    pub(super) fn zeroed(&mut self, at: Mono, id: ChannelId, zeroed: Zeroed, effects: &mut Vec<Effect>) {
        effects.push(Effect::Record(Record::Zeroed(at, id, zeroed)));
        let drift =
            zeroed.drift.map_or(String::new(), |drift| format!(", {} from the zero before", zeroed.shown_to(drift)));
        let text = format!("{} is taken off from now on{drift}", zeroed.shown());
        self.remark(at, EventKind::Zeroed, self.channel_name(Some(id)), text, effects);
    }
}
