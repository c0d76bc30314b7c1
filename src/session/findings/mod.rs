//! What the captures of a session say together: what is wrong, where, how sure, and what to measure next.
//!
//! Pure: plain values in, sentences with numbers out. Knows no meter, no store, no clock.

mod role;

pub use role::{Role, Running, Usage, WordError};
