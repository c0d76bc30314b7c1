//! What identifies the machine under test. It knows no session and no file.

mod vin;

pub(crate) use vin::{VinCheck, check_vin};
