//! bayline keeps watch over an electrical diagnosis.
//!
//! A folder is a stage, in the order that data meets it; each begins with a page that says what it
//! is and what it must not know.

pub mod mistake;
pub mod units;

pub mod protocol;

pub mod demo;
