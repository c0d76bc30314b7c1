//! Proves what is promised for disks that fail, hang, fill up and lose power, on real file systems where the machine allows
//! it: `cargo test --release --test faults -- --include-ignored --nocapture`. Each test prints its figures, and why it is
//! skipped where it can't run.

#![cfg(target_os = "linux")]

#[allow(
    dead_code,
    unused_imports,
    reason = "the tools are those of the whole-program tests, and not all are used here"
)]
#[path = "../whole/harness/mod.rs"]
mod harness;

mod disks;

mod bounded;
mod device;
mod hanging;
mod mounted;
mod stopped;
mod upgrade;
