//! bayline keeps watch over an electrical diagnosis.
//!
//! A folder is a stage, in the order that data meets it; each begins with a page that says what it
//! is and what it must not know.

pub mod clock;
mod io_reason;
mod mistake;
mod sanitize;
mod text_file;
mod text_length;
mod words;

pub mod units;

pub mod electrics;

mod vehicle;

mod port;

pub mod protocol;

pub mod channel;

pub mod procedure;

pub mod fitness;

pub mod session;

pub mod store;

mod judging;

mod drive;

mod export;

mod photo;

mod report;

mod setup;

mod server;

mod daemon;

pub mod demo;

pub mod cli;
