//! The items of a step that is done on one thing after the other: `set = ["F1", "F2"]` or `set = "F1 to F12"`.

use std::{fmt, str::FromStr};

use serde::de::{Deserialize, Deserializer, Error, SeqAccess, Visitor};

use super::keys::WrittenName;

/// A range may have this many items at most: more is a slip of the pen.
const MOST: u32 = 200;

/// Names of the items, in their order; at least one.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SetItems(pub(super) Vec<String>);

/// What can't be a set.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("found {found}, expected the names of the items, such as [\"F1\", \"F2\"], or a range such as \"F1 to F12\"")]
pub(super) struct SetError {
    found: String,
}

impl FromStr for SetItems {
    type Err = SetError;

    fn from_str(text: &str) -> Result<Self, SetError> {
        let wrong = || SetError { found: format!("\"{text}\"") };
        let (first, last) = text.split_once(" to ").ok_or_else(wrong)?;
        let (prefix, first) = numbered(first.trim()).ok_or_else(wrong)?;
        let (other, last) = numbered(last.trim()).ok_or_else(wrong)?;
        if prefix != other || first > last || last - first >= MOST {
            return Err(wrong());
        }
        Ok(Self((first..=last).map(|number| format!("{prefix}{number}")).collect()))
    }
}

/// `F12` as `F` and 12.
fn numbered(text: &str) -> Option<(&str, u32)> {
    let digits = text.bytes().rev().take_while(u8::is_ascii_digit).count();
    let (prefix, number) = text.split_at(text.len() - digits);
    Some((prefix, number.parse().ok()?))
}

impl<'de> Deserialize<'de> for SetItems {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Items;

        impl<'de> Visitor<'de> for Items {
            type Value = SetItems;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the names of the items, or a range such as \"F1 to F12\"")
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<SetItems, E> {
                text.parse().map_err(E::custom)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<SetItems, A::Error> {
                let mut items: Vec<String> = Vec::new();
                while let Some(item) = list.next_element::<WrittenName>()? {
                    let item = item.0.trim().to_owned();
                    if item.is_empty() || items.contains(&item) {
                        let found = format!("\"{item}\" as an item");
                        return Err(A::Error::custom(SetError { found }));
                    }
                    items.push(item);
                }
                if items.is_empty() {
                    Err(A::Error::custom(SetError { found: "no item".to_owned() }))
                } else {
                    Ok(SetItems(items))
                }
            }
        }

        from.deserialize_any(Items)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_counts_its_items() {
        let items: SetItems = "F9 to F12".parse().unwrap();
        assert_eq!(items.0, ["F9", "F10", "F11", "F12"]);
        for wrong in ["F1", "F1 to K3", "F3 to F1", "1 to 100000", "F to G", "", " to "] {
            assert!(wrong.parse::<SetItems>().is_err(), "{wrong}");
        }
    }
}
