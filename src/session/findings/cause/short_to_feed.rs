//! A wire that touches one which is always live: amps in a coil whose driver is off.

use super::{Candidate, Cause, Look, Told};
use crate::session::findings::{Kind, model::State, model::What, spoil::Spoil};

pub(super) struct ShortToFeed;

impl Cause for ShortToFeed {
    fn candidates(&self, look: &Look) -> Vec<Candidate> {
        // Nothing but amps or volts with the driver off tells it.
        let seen = |at: usize| {
            let readings = &look.layout.readings;
            readings.iter().any(|reading| reading.ask.what == What::Wire(at) && reading.ask.state == State::Rest)
        };
        look.coils()
            .filter(|at| seen(*at))
            .map(|at| {
                let (kind, spoil) = (Kind::ShortToFeed, Spoil::ShortToFeed(at));
                Candidate::one_figure(&Self, kind, vec![at], spoil, &[0.05, 0.3, 2.0, 10.0, 40.0], (0.02, 1e3))
            })
            .collect()
    }

    fn sentence(&self, told: &Told) -> String {
        format!("{}: short to feed, its coil draws current while its driver is off.", told.coil())
    }

    fn closer(&self, told: &Told) -> String {
        format!(
            "Key off, unplug the driver of the {} and measure the volts on its wire: still live means chafed on a live wire; move the harness until they go.",
            told.coil()
        )
    }
}
