//! What identifies the machine under test. It knows no session and no file.

mod vin;

pub use vin::{NotAVin, VinCheck, check_vin};
