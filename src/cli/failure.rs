//! Errors become one sentence and an exit status.

use std::{
    fmt::Display,
    io::{self, Write},
    process::ExitCode,
};

use crate::{
    channel::BenchError, daemon::DaemonError, export::ExportError, mistake::Mistake, procedure::ProcedureError,
    protocol::LibraryError, store::StoreError,
};

/// What went wrong, and the exit status that says so.
#[derive(Debug)]
pub(super) struct Failure {
    code: u8,
    error: anyhow::Error,
}

impl Failure {
    /// Something failed.
    pub(super) fn failed(error: impl Into<anyhow::Error>) -> Self {
        Self { code: 1, error: error.into() }
    }

    /// The user's words, or a file that he wrote, are wrong.
    pub(super) fn usage(message: impl Into<String>) -> Self {
        Self { code: 2, error: anyhow::Error::msg(message.into()) }
    }

    /// Nobody answers at the control socket.
    pub(super) fn no_daemon(message: impl Into<String>) -> Self {
        Self { code: 3, error: anyhow::Error::msg(message.into()) }
    }

    /// Tells it on stderr and returns the exit status. A reader that went away is no failure.
    pub(super) fn tell(&self) -> ExitCode {
        let pipe =
            self.error.downcast_ref::<io::Error>().is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe);
        if pipe {
            return ExitCode::SUCCESS;
        }
        complain(&self.error);
        ExitCode::from(self.code)
    }
}

/// A sentence on stderr; where nobody reads it, the exit status still tells.
pub(super) fn complain(what: impl Display) {
    drop(writeln!(io::stderr(), "bayline: {what}"));
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        Self::failed(error)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::failed(error)
    }
}

impl From<DaemonError> for Failure {
    fn from(error: DaemonError) -> Self {
        Self::failed(error)
    }
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        match error {
            // Kept as it is, so that a broken pipe is seen.
            ExportError::Write(error) => Self::failed(error),
            error => Self::failed(error),
        }
    }
}

impl From<Mistake> for Failure {
    fn from(error: Mistake) -> Self {
        Self { code: 2, error: error.into() }
    }
}

impl From<BenchError> for Failure {
    fn from(error: BenchError) -> Self {
        Self { code: 2, error: error.into() }
    }
}

impl From<ProcedureError> for Failure {
    fn from(error: ProcedureError) -> Self {
        Self { code: 2, error: error.into() }
    }
}

impl From<LibraryError> for Failure {
    fn from(error: LibraryError) -> Self {
        Self { code: 2, error: error.into() }
    }
}
