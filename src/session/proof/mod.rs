//! Proof by the leads: what a slipped, crossed or shorted lead could fake is proven by touches before it is captured.
//!
//! A pattern is a small state machine that is fed with the readings of a step. It lets a reading pass, holds the leads back
//! from being captured, asks the operator something, or has proven a value. No I/O and no clock: readings carry their time.
//!
//! Read in this order:
//! 1. `record` and `ask`: what a pattern proves and asks; `response` is what it answers to each reading.
//! 2. `lead_facts`: what the session has learnt from the leads; `held` is a small tool of the patterns.
//! 3. The patterns, a file each. On a feed: `crossed_leads`, `wrong_jack`, `nothing_on_pin`, `ghost_volts`. On a coil's ohms:
//!    `open_coil`, `leads_together`. On a drop: `held_display`, `slipped_lead`, `negative_drop`.
//! 4. `step_proof` asks the patterns of a step one after the other; the first that does not let a reading pass owns it.

mod ask;
mod record;
mod response;

mod held;
mod lead_facts;

mod crossed_leads;
mod ghost_volts;
mod nothing_on_pin;
mod wrong_jack;

mod leads_together;
mod open_coil;

mod negative_drop;
mod slipped_lead;

mod held_display;

mod step_proof;

pub(crate) use ask::Ask;
pub(crate) use record::{CaptureFlag, Proof, ProofPattern, Touch, TouchPlace};

pub(crate) use lead_facts::LeadFacts;
pub(crate) use response::{LeadReading, ProvenValue, Response};
pub(crate) use slipped_lead::MeasuringLead;
pub(crate) use step_proof::{MeasuredPoint, StepProof};
