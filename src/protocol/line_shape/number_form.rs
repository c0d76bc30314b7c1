//! How one number of a board's lines is written: with how many decimals, at which size.
//!
//! Most boards print a fixed number of decimals. Meters and boards that change their range have fewer at larger values
//! (9.99, then 10.0). Who leaves out zeros at the end (`0.5` for 0.500) has any number of decimals: nothing is known of it until
//! a zero was written.

use super::{SETTLED_AFTER, skeleton::WrittenNumber};

/// More ways of writing one number are not kept apart.
const MOST_WAYS: usize = 6;

/// A value in the next range below is at most this part of the largest of the range above it.
const NEXT_RANGE: f64 = 0.1;

/// The ways in which a number was written so far.
#[derive(Debug, Default)]
pub(super) struct NumberForm {
    ways: Vec<Way>,
    keeps_zeros: bool,
    is_padded: bool,
    /// Lines since it was written in a new way.
    since_new: u32,
}

/// One way, and the sizes that were written so.
#[derive(Debug, Clone, Copy)]
struct Way {
    unit: u64,
    decimals: u8,
    least: f64,
    most: f64,
}

impl NumberForm {
    /// Whether it may be the same number once more: written as before, or as another range would be.
    pub(super) fn fits(&self, number: &WrittenNumber) -> bool {
        let is_settled = self.keeps_zeros && self.since_new >= SETTLED_AFTER;
        if !is_settled {
            return true;
        }
        let same_unit = || self.ways.iter().filter(|way| way.unit == number.unit);
        let is_known = same_unit().any(|way| way.decimals == number.decimals);
        let is_other_range = || {
            same_unit().all(|way| {
                let is_lower_range = way.decimals < number.decimals;
                let is_small = number.size < way.least || number.size <= way.most * NEXT_RANGE;
                if is_lower_range { is_small } else { number.size > way.most }
            })
        };
        (self.is_padded || !number.is_padded) && (is_known || is_other_range())
    }

    /// It was written so, in a line that was kept.
    pub(super) fn learn(&mut self, number: &WrittenNumber) {
        self.keeps_zeros |= number.keeps_zeros;
        self.is_padded |= number.is_padded;
        self.since_new = self.since_new.saturating_add(1);
        let same = |way: &&mut Way| (way.unit, way.decimals) == (number.unit, number.decimals);
        match self.ways.iter_mut().find(same) {
            Some(way) => (way.least, way.most) = (way.least.min(number.size), way.most.max(number.size)),
            None => {
                self.since_new = 0;
                self.ways.truncate(MOST_WAYS - 1);
                let WrittenNumber { unit, decimals, size, .. } = *number;
                self.ways.push(Way { unit, decimals, least: size, most: size });
            }
        }
    }
}
