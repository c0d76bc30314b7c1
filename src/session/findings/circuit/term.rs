//! A quantity that knows how it moves with each figure.

use super::view::MachineView;

/// A quantity with what it gains by each figure. It lives on the stack: thousands are made for one conclusion.
#[derive(Debug, Clone, Copy)]
pub(super) struct Term {
    pub value: f64,
    count: usize,
    places: [u32; MOST_SLOPES],
    slopes: [f64; MOST_SLOPES],
}

/// A coil held on has many: its own factor, its kind's, two temperatures, its rise, a fault's factor. A switched driver has
/// the most: its volts and factor, its share without load, a junction's, those of the battery twice and its duty, a fault's.
const MOST_SLOPES: usize = 10;

impl Default for Term {
    fn default() -> Self {
        Self::constant(0.0)
    }
}

impl Term {
    pub(super) const fn constant(value: f64) -> Self {
        Self { value, count: 0, places: [0; MOST_SLOPES], slopes: [0.0; MOST_SLOPES] }
    }

    /// A figure's value; its slope where that is wanted.
    pub(super) fn of(machine: &MachineView, place: usize) -> Self {
        let (value, slope) = machine.at(place);
        let mut term = Self::constant(value);
        if place >= machine.first_slope {
            term.push(place as u32, slope);
        }
        term
    }

    fn push(&mut self, place: u32, slope: f64) {
        (self.places[self.count], self.slopes[self.count]) = (place, slope);
        self.count += 1;
    }

    /// Places of figures, and what it gains by each.
    pub(super) fn slopes(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.places[..self.count].iter().zip(&self.slopes).map(|(place, slope)| (*place as usize, *slope))
    }

    pub(super) fn times(self, other: &Self) -> Self {
        let mut product = self.scaled(other.value);
        for at in 0..other.count {
            product.push(other.places[at], other.slopes[at] * self.value);
        }
        product
    }

    pub(super) fn plus(mut self, other: &Self) -> Self {
        self.value += other.value;
        for at in 0..other.count {
            self.push(other.places[at], other.slopes[at]);
        }
        self
    }

    pub(super) fn scaled(mut self, factor: f64) -> Self {
        self.value *= factor;
        self.slopes[..self.count].iter_mut().for_each(|slope| *slope *= factor);
        self
    }
}
