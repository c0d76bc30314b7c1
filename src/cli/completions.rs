//! `bayline completions`: what a shell completes the commands and options by.

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate};

use super::{Cli, failure::Failure};

/// Print the completions of a shell.
#[derive(Debug, Args)]
pub(super) struct CompletionsArgs {
    /// The shell that completes
    shell: Shell,
}

impl CompletionsArgs {
    pub(super) fn run(self) -> Result<ExitCode, Failure> {
        // Into memory first: the generator panics where its output is closed.
        let mut script = Vec::new();
        generate(self.shell, &mut Cli::command(), "bayline", &mut script);
        stdout().write_all(&script)?;
        Ok(ExitCode::SUCCESS)
    }
}
