//! `bayline zero`: zeroes a clamp.

use std::process::ExitCode;

use clap::Args;

use super::{CommonArgs, answer::AnswerFormatArgs, client::ask, failure::Failure};
use crate::server::Request;

/// Zero a clamp, or null the leads of an ohm meter.
///
/// Nothing goes through the clamp, or the leads of the ohm meter touch each other, for a second.
#[derive(Debug, Args)]
pub(super) struct ZeroArgs {
    /// The channel whose clamp has nothing through it, or whose leads touch each other
    channel: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl ZeroArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let answer = ask(common, &Request::Zero { channel: self.channel.clone() })?;
        self.format.print(&answer, |out, answer| {
            let Some(zeroed) = &answer.zeroed else { return Ok(()) };
            let zeroed = zeroed.zeroed;
            write!(out, "{}: zeroed; {} is subtracted from now on", self.channel, zeroed.shown())?;
            match zeroed.drift {
                Some(drift) => {
                    writeln!(out, "; the zero has drifted by {} since the last time", zeroed.shown_to(drift))
                }
                None => writeln!(out),
            }
        })
    }
}
