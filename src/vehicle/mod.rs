//! What identifies the machine under test. It knows no session and no file.
//!
//! Reading order: `vin` is its only file.

mod vin;

pub(crate) use vin::{VinCheck, check_vin};
