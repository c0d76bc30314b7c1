//! A quantity in JSON: its word.

use serde::{Serialize, Serializer};

use super::Quantity;

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(self.word())
    }
}
