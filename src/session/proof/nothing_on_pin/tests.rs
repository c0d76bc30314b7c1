//! Tests of the proof of a dead terminal.

use super::*;
use crate::session::{judge::tests::volts, proof::step_proof::tests::reading};

/// A technician's leads: a reading each 100 ms.
struct Leads {
    pattern: NothingOnPin,
    facts: LeadFacts,
    at: i64,
    said: Vec<String>,
    proven: Vec<ProvenValue>,
}

impl Leads {
    fn new() -> Self {
        let pattern = NothingOnPin::new("lift feed", &ProofRules::default());
        Self { pattern, facts: LeadFacts::default(), at: 0, said: Vec::new(), proven: Vec::new() }
    }

    /// Shows volts for some seconds; returns how many readings passed.
    fn show(&mut self, value: f64, seconds: f64) -> usize {
        let mut passed = 0;
        for _ in 0..(seconds * 10.0) as i64 {
            self.at += 100_000;
            let sample = volts(self.at, value);
            match self.pattern.sample(&ProofRules::default(), &reading(&sample), &mut self.facts) {
                Response::Pass => passed += 1,
                Response::Hold => {}
                Response::Ask(ask) => self.said.push(ask.text),
                Response::Say(text) => self.said.push(text),
                Response::Proven(value, text) => {
                    self.said.push(text);
                    self.proven.push(*value);
                }
            }
        }
        passed
    }
}

#[test]
fn a_dead_pin_is_proven_live_dead_live() {
    let mut leads = Leads::new();
    leads.show(0.002, 4.2);
    assert_eq!(leads.show(12.61, 1.0), 0);
    leads.show(0.003, 3.5);
    leads.show(12.62, 0.8);
    leads.show(0.003, 0.1);
    assert_eq!(
        leads.said,
        [
            "Nothing at lift feed. If the lead is on the pin, touch battery plus.",
            "Meter good, twelve point six. Back to the pin, hold.",
            "Battery plus again.",
            "Good. Lift off battery plus.",
            "Dead, proven both sides."
        ]
    );
    let [proven] = &leads.proven[..] else { panic!("{:?}", leads.proven) };
    let touches = &proven.proof.as_ref().unwrap().touches;
    let places: Vec<TouchPlace> = touches.iter().map(|touch| touch.place).collect();
    assert_eq!(places, [TouchPlace::Point, TouchPlace::Battery, TouchPlace::Point, TouchPlace::Battery]);
    assert!(matches!(proven.sample.value, Value::Number(value) if (value - 0.003).abs() < 1e-9), "{proven:?}");
    // It was read on the pin, before the battery was touched again.
    assert!(proven.sample.at < touches[3].at);
}

#[test]
fn a_quick_walk_costs_nothing() {
    let mut leads = Leads::new();
    leads.show(0.002, 3.5);
    assert_eq!(leads.show(12.5, 2.0), 20);
    leads.show(0.002, 3.5);
    assert_eq!(leads.show(12.5, 2.0), 20);
    assert!(leads.said.is_empty(), "{:?}", leads.said);
}

/// Seen: crossed leads counted as nothing on the pin. Lifting them to swap them was asked about at once, and the good pin was then taken
/// for the battery.
#[test]
fn crossed_leads_that_are_lifted_and_swapped_cost_nothing() {
    let mut leads = Leads::new();
    leads.show(0.002, 2.0);
    for _ in 0..50 {
        leads.at += 100_000;
        leads.pattern.crossed(&volts(leads.at, -12.61));
    }
    leads.show(0.002, 3.0);
    assert_eq!(leads.show(12.41, 2.0), 20);
    assert!(leads.said.is_empty(), "{:?}", leads.said);
}

#[test]
fn a_good_pin_after_a_long_walk_is_asked_about_and_holding_answers() {
    let mut leads = Leads::new();
    leads.show(0.002, 5.0);
    // The pin is live; the tool takes it for the battery and hears otherwise, as the lead stays.
    let passed = leads.show(12.5, 12.0);
    assert!(passed > 10, "{passed}");
    assert_eq!(leads.said.len(), 3, "{:?}", leads.said);
    assert_eq!(
        leads.said[2],
        "Twelve point five volts: which terminal is that? If it is lift feed, hold it; if not, lift."
    );
    assert!(leads.proven.is_empty());
}

/// Seen: a live pin was taken for the battery after a long walk, and the next pin then proved it dead.
#[test]
fn a_live_pin_that_is_held_is_asked_about() {
    let mut leads = Leads::new();
    leads.show(0.002, 5.0);
    leads.show(12.55, 3.5);
    assert!(leads.said.last().unwrap().contains("which terminal is that?"), "{:?}", leads.said);
    assert!(leads.proven.is_empty());
}

/// Seen: the closing touch was the next pin, held for its value, and a good terminal was filed as dead.
#[test]
fn a_next_pin_that_is_held_closes_no_proof() {
    let mut leads = Leads::new();
    leads.show(0.002, 5.0);
    leads.show(12.55, 2.0);
    leads.show(0.002, 4.0);
    leads.show(12.52, 4.0);
    assert!(leads.said.last().unwrap().contains("which terminal is that?"), "{:?}", leads.said);
    assert!(leads.proven.is_empty());
}

#[test]
fn volts_that_come_unasked_are_not_filed() {
    let mut leads = Leads::new();
    leads.show(0.002, 5.0);
    leads.show(12.6, 1.0);
    leads.show(0.002, 1.5);
    // Off to the next pin instead of back to this one.
    assert_eq!(leads.show(12.4, 2.0), 0);
    assert!(leads.said.last().unwrap().starts_with("Twelve point four volts: which terminal"), "{:?}", leads.said);
    // Lifting says no; the dialogue continues where it was.
    leads.show(0.002, 3.5);
    leads.show(12.6, 1.0);
    leads.show(0.002, 0.1);
    assert_eq!(leads.said.last().unwrap(), "Dead, proven both sides.");
}

#[test]
fn questions_come_after_longer_and_longer_pauses() {
    let mut leads = Leads::new();
    leads.show(0.002, 120.0);
    assert_eq!(leads.said.len(), 3, "{:?}", leads.said);
    assert_eq!(leads.pattern.pin(), None);
}

#[test]
fn a_battery_that_reads_nothing_means_jack_fuse_or_leads() {
    let mut leads = Leads::new();
    leads.facts.battery(&volts(0, 12.6));
    leads.show(0.002, 2.9);
    leads.facts.battery(&volts(leads.at, 12.6));
    leads.show(0.002, 2.0);
    for _ in 0..8 {
        leads.facts.battery(&volts(leads.at, 12.6));
        leads.show(0.002, 2.0);
    }
    assert!(
        leads.said[1].ends_with("meter shows nothing on the battery. Check jack, fuse, leads."),
        "{:?}",
        leads.said
    );
}

#[test]
fn after_amps_the_jack_comes_first() {
    let mut leads = Leads::new();
    leads.pattern.jacks(true, true);
    leads.show(0.0, 5.0);
    assert_eq!(leads.said, ["Nothing at lift feed. Red lead to the volts jack first, then press mark."]);
    assert!(!leads.pattern.awaits_battery());
    let ask = leads.pattern.acknowledge(&leads.facts, Mono(leads.at)).unwrap();
    assert!(ask.touches_battery && ask.text.contains("touch battery plus"), "{ask:?}");
    // A board has no jacks.
    let mut board = Leads::new();
    board.pattern.jacks(false, true);
    board.show(0.0, 5.0);
    assert_eq!(board.said, ["Nothing at lift feed. If the lead is on the pin, touch battery plus."]);
}
