//! What the session has learnt from the leads and keeps from step to step.

use crate::{
    channel::{ChannelId, Sample},
    clock::Mono,
    electrics::Uncertain,
    protocol::Value,
    session::judge::FRESH_US,
    units::Quantity,
};

/// A battery of 12 V or of 24 V shows volts in one of these bands, from a weak one at rest to one that is charged: common
/// practice, no source.
const BATTERY_V: [(f64, f64); 2] = [(10.0, 15.5), (20.0, 31.0)];

/// A touch of the battery shows at least this share of its volts: a lead, a jump post and a fuse lose little.
const LIVE_SHARE: f64 = 0.9;

/// And at most this share: a battery that is charged meanwhile.
const LIVE_MOST: f64 = 1.2;

/// What the session knows of supply and leads.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct LeadFacts {
    /// The newest volts of the battery channel, and when.
    measured: Option<(f64, Mono)>,
    /// What the step on the feed of the block or on the battery captured.
    captured: Option<f64>,
    /// What the first touch of the battery showed.
    touched: Option<f64>,
    /// By channel: the resistance of the leads, ohm.
    leads: Vec<(ChannelId, Uncertain)>,
    /// Clamps that were said to be on backward.
    reversed: Vec<ChannelId>,
    /// Whether a touch of the battery was asked for, and a command came instead: it may still follow.
    touch_may_follow: bool,
}

impl LeadFacts {
    /// The battery channel was read.
    pub(crate) fn battery(&mut self, sample: &Sample) {
        if let (Quantity::VoltsDc, Value::Number(volts)) = (sample.quantity, sample.value) {
            self.measured = Some((volts, sample.at));
        }
    }

    /// A step on a feed or on the battery captured this many volts.
    pub(crate) fn feed_captured(&mut self, volts: f64) {
        if is_a_battery(volts) {
            self.captured = Some(self.captured.map_or(volts, |before| before.max(volts)));
        }
    }

    /// The battery was touched.
    pub(super) fn battery_touched(&mut self, volts: f64) {
        self.touched.get_or_insert(volts);
    }

    /// A command came while a touch of the battery was awaited.
    pub(super) fn touch_may_follow(&mut self) {
        self.touch_may_follow = true;
    }

    /// Whether volts that come now may be a touch of the battery that was asked for; true once.
    pub(super) fn is_touch_that_follows(&mut self) -> bool {
        std::mem::take(&mut self.touch_may_follow)
    }

    /// What the battery channel shows now, V; none without one.
    pub(super) fn battery_shows(&self, now: Mono) -> Option<f64> {
        let (volts, at) = self.measured?;
        (now.since(at) <= FRESH_US && is_a_battery(volts)).then_some(volts)
    }

    /// The supply's volts, U.
    pub(super) fn supply(&self, now: Mono) -> Option<f64> {
        self.battery_shows(now).or(self.captured).or(self.touched)
    }

    /// Whether volts are those of the battery.
    pub(super) fn is_battery(&self, volts: f64, now: Mono) -> bool {
        match self.supply(now) {
            Some(supply) => (LIVE_SHARE * supply..=LIVE_MOST * supply).contains(&volts),
            None => is_a_battery(volts),
        }
    }

    /// What a touch of the battery must show, in words.
    pub(super) fn battery_words(&self, now: Mono) -> String {
        match self.supply(now) {
            Some(supply) => format!("at least {:.1} V", LIVE_SHARE * supply),
            None => {
                let [(low, high), (low_24, high_24)] = BATTERY_V;
                format!("{low} to {high} V, or {low_24} to {high_24} V")
            }
        }
    }

    /// A clamp is on backward; true where that has not been said yet.
    pub(crate) fn is_new_reversed(&mut self, clamp: ChannelId) -> bool {
        let is_new = !self.reversed.contains(&clamp);
        if is_new {
            self.reversed.push(clamp);
        }
        is_new
    }

    /// The resistance of a channel's leads, ohm.
    pub(crate) fn leads(&self, channel: ChannelId) -> Option<Uncertain> {
        self.leads.iter().find(|(other, _)| *other == channel).map(|(_, leads)| *leads)
    }

    /// The leads of a channel touched each other.
    pub(super) fn leads_measured(&mut self, channel: ChannelId, ohms: Uncertain) {
        self.set_leads(channel, Some(ohms));
    }

    /// The resistance of a channel's leads is this, or not known any more.
    pub(crate) fn set_leads(&mut self, channel: ChannelId, ohms: Option<Uncertain>) {
        self.leads.retain(|(other, _)| *other != channel);
        self.leads.extend(ohms.map(|ohms| (channel, ohms)));
    }
}

fn is_a_battery(volts: f64) -> bool {
    BATTERY_V.iter().any(|(low, high)| (*low..=*high).contains(&volts))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::judge::tests::volts;

    #[test]
    fn the_supply_is_what_knows_it_best() {
        let mut facts = LeadFacts::default();
        let live = |facts: &LeadFacts, volts| facts.is_battery(volts, Mono(0));
        assert!(live(&facts, 12.6) && live(&facts, 25.2) && !live(&facts, 17.0) && !live(&facts, 5.0));
        facts.battery_touched(25.2);
        facts.battery_touched(12.6);
        assert!(live(&facts, 24.0) && !live(&facts, 12.6));
        facts.feed_captured(12.4);
        facts.feed_captured(0.01);
        assert!(live(&facts, 11.2) && !live(&facts, 11.1) && !live(&facts, 25.2));
        facts.battery(&volts(0, 13.9));
        assert!(!live(&facts, 12.4) && live(&facts, 12.6));
        assert_eq!(facts.battery_words(Mono(0)), "at least 12.5 V");
        // A board that fell silent knows nothing any more.
        assert_eq!(facts.supply(Mono(FRESH_US + 1)), Some(12.4));
    }
}
