//! Proves the whole program: the built binary, real pseudo-terminals, real signals, a real database.
//!
//! Each module is one promise; its first line says which. Waits are for events: a note that was
//! acknowledged, a count that was reached, a word on the socket.

mod harness;
mod instrument;

mod bench;
mod browser;
mod comparing;
mod control;
mod correcting;
mod crash;
mod demo;
mod digits;
mod disk;
mod documents;
mod drive;
mod drive_picture;
mod export;
mod fitness;
mod garbage;
mod hands_free;
mod hot_and_loaded;
mod judging;
mod ledger;
mod limits;
mod moved;
mod openapi;
mod page;
mod page_bounds;
mod page_links;
mod page_slow;
mod pedal;
mod photos;
mod polled;
mod ports;
mod procedure;
mod proof;
mod refusals;
mod report;
mod sanitized;
mod shipped;
mod steps;
mod stopping;
mod terminal;
mod told_on_the_page;
mod undo;
mod unknown;
mod vehicle;
mod visit;
mod voice;
mod watching;
