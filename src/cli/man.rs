//! `bayline man`: the manual pages, a file for each command.

use std::{
    fs,
    io::{Write, stdout},
    path::PathBuf,
    process::ExitCode,
};

use clap::{Args, CommandFactory};
use clap_mangen::Man;

use super::{Cli, failure::Failure};
use crate::io_reason::IoReason;

/// Write the manual pages.
#[derive(Debug, Args)]
pub(super) struct ManArgs {
    /// The folder that they are written into, such as ~/.local/share/man/man1; without it the first page is printed
    #[arg(short, long, value_name = "DIR")]
    output: Option<PathBuf>,
}

impl ManArgs {
    pub(super) fn run(self) -> Result<ExitCode, Failure> {
        let Some(folder) = self.output else {
            let mut page = Vec::new();
            Man::new(Cli::command()).render(&mut page)?;
            stdout().write_all(&page)?;
            return Ok(ExitCode::SUCCESS);
        };
        let failed = |error: std::io::Error| {
            let message = format!(
                "the manual pages can't be written into {}: {}; choose another folder with -o",
                folder.display(),
                IoReason(&error)
            );
            Failure::failed(anyhow::Error::msg(message))
        };
        fs::create_dir_all(&folder).map_err(failed)?;
        clap_mangen::generate_to(Cli::command(), &folder).map_err(failed)?;
        writeln!(stdout(), "{}", folder.join("bayline.1").display())?;
        Ok(ExitCode::SUCCESS)
    }
}
