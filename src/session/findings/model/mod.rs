//! The circuit that findings reckon with: one battery, one shared feed, coils side by side, one shared ground.
//!
//! ```text
//! battery+ ── feed ──┬── driver, wire, feed pin ── coil ── ground pin, wire ──┬── ground ── battery−
//!   │                ├── (each further coil the same) ────────────────────────┤
//!   inside           └── what the machine draws anyhow                          stud
//! ```
//!
//! [`Parts`] is what all of it is made of, [`Nodes`] the volts where branches meet, [`Ask`] one measurement
//! and what it would show. Kirchhoff's and Ohm's laws; knows no fact, no limit and no word.

mod ask;
mod nodes;
mod parts;

pub(super) use ask::{Ask, Predictor, What, comparable, comparable_u};
pub(super) use nodes::{Nodes, State};
pub(super) use parts::{Branch, Part, Parts};
