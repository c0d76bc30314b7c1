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

/// What the longest term depends on, the volts of a switched driver (`MachineView::driver_volts`). A coil held on has fewer.
const LONGEST_TERM: &[&str] = &[
    "volts of all drivers",
    "the driver's own factor",
    "its share without load",
    "volts of a junction",
    "what a junction takes less without load",
    "duty",
    "volts of the battery",
    "volts that charging adds",
    "volts of a fault",
    "volts of a second fault",
];

/// Each term has room for the longest; a longer one ends the calculation with a panic, never with a wrong slope.
const MOST_SLOPES: usize = LONGEST_TERM.len();

impl Default for Term {
    fn default() -> Self {
        Self::constant(0.0)
    }
}

impl Term {
    #[inline(always)]
    pub(super) const fn constant(value: f64) -> Self {
        Self { value, count: 0, places: [0; MOST_SLOPES], slopes: [0.0; MOST_SLOPES] }
    }

    /// A figure's value; its slope where that is wanted.
    #[inline(always)]
    pub(super) fn of(machine: &MachineView, place: usize) -> Self {
        let (value, slope) = machine.at(place);
        let mut term = Self::constant(value);
        if place >= machine.first_slope {
            term.push(place as u32, slope);
        }
        term
    }

    #[inline(always)]
    fn push(&mut self, place: u32, slope: f64) {
        (self.places[self.count], self.slopes[self.count]) = (place, slope);
        self.count += 1;
    }

    /// Places of figures, and what it gains by each.
    pub(super) fn slopes(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.places[..self.count].iter().zip(&self.slopes).map(|(place, slope)| (*place as usize, *slope))
    }

    #[inline(always)]
    pub(super) fn times(self, other: &Self) -> Self {
        let mut product = self.scaled(other.value);
        for at in 0..other.count {
            product.push(other.places[at], other.slopes[at] * self.value);
        }
        product
    }

    #[inline(always)]
    pub(super) fn plus(mut self, other: &Self) -> Self {
        self.value += other.value;
        for at in 0..other.count {
            self.push(other.places[at], other.slopes[at]);
        }
        self
    }

    #[inline(always)]
    pub(super) fn scaled(mut self, factor: f64) -> Self {
        self.value *= factor;
        self.slopes[..self.count].iter_mut().for_each(|slope| *slope *= factor);
        self
    }
}
