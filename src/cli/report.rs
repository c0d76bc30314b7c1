//! `bayline report`: the printable sheet of a session.

use std::{
    io::{BufWriter, Write, stderr, stdout},
    path::{Path, PathBuf},
    process::ExitCode,
};

use clap::Args;
use jiff::tz::TimeZone;

use super::{CommonArgs, failure::Failure, output_file::may_write, pdf};
use crate::{
    export::{ExportError, whole_file},
    photo::PhotoFolder,
    report::{SheetLength, SheetOptions, write_sheet},
    store::{read::Archive, roll_up_later},
};

/// Write a session as a page to print or to send.
#[derive(Debug, Args)]
pub(super) struct ReportArgs {
    /// The session's number, the start of its identity, or last
    #[arg(value_name = "ID", default_value = "last")]
    id: String,
    /// The file to write, such as sheet.html; without it, or with -, standard output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace a file that is there already
    #[arg(long)]
    force: bool,
    /// Show everything: the ledger, findings with their evidence, plots, meters, notes and events
    #[arg(long)]
    full: bool,
    /// Who measured; without it a line is left to sign on
    #[arg(long, value_name = "NAME", default_value = "")]
    by: String,
    /// Write a PDF too, by the Chromium of this computer
    #[arg(long, value_name = "FILE", requires = "output")]
    pdf: Option<PathBuf>,
    /// Write times in UTC instead of this computer's time zone
    #[arg(long)]
    utc: bool,
}

impl ReportArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let folder = common.folder()?;
        let archive = Archive::open(&folder)?;
        let (connection, session) = archive.find(&self.id)?;
        // The sheet is right without it, only slow.
        if let Ok(Some(samples)) = roll_up_later(connection, &session) {
            writeln!(stderr(), "session {}: {samples} samples rolled up, once, for its plots", session.id)?;
        }
        let options = SheetOptions {
            length: if self.full { SheetLength::Full } else { SheetLength::Short },
            measured_by: self.by,
            photos: PhotoFolder::of(folder.path()),
            zone: if self.utc { TimeZone::UTC } else { TimeZone::system() },
        };
        let Some(path) = self.output.as_deref().filter(|path| *path != Path::new("-")) else {
            let mut out = BufWriter::new(stdout().lock());
            write_sheet(connection, &session, &options, &mut out)?;
            out.flush()?;
            return Ok(ExitCode::SUCCESS);
        };
        for path in [Some(path), self.pdf.as_deref()].into_iter().flatten() {
            may_write(path, &folder, self.force)?;
        }
        let mut bytes = Vec::new();
        write_sheet(connection, &session, &options, &mut bytes)?;
        whole_file(path, |file| file.write_all(&bytes).map_err(ExportError::from))?;
        writeln!(stdout(), "{}", path.display())?;
        if let Some(pdf) = &self.pdf {
            pdf::print(path, pdf)?;
            writeln!(stdout(), "{}", pdf.display())?;
        }
        Ok(ExitCode::SUCCESS)
    }
}
