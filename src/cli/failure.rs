//! Turns every error into one sentence and an exit status.

use std::{
    fmt::Display,
    io::{self, Write},
    process::ExitCode,
};

use crate::{
    channel::BenchError,
    daemon::DaemonError,
    export::ExportError,
    io_reason::IoReason,
    judging::{ComparisonError, CorrectionError, JudgingError, RetestError},
    mistake::Mistake,
    procedure::ProcedureError,
    protocol::LibraryError,
    report::ReportError,
    sanitize::sanitized,
    server::PageError,
    setup::SearchError,
    store::StoreError,
};

/// An error with the exit status of the program.
#[derive(Debug)]
pub(super) struct Failure {
    code: u8,
    error: anyhow::Error,
}

impl Failure {
    /// Exit status 1: the work failed.
    pub(super) fn failed(error: impl Into<anyhow::Error>) -> Self {
        Self { code: 1, error: error.into() }
    }

    /// Exit status 2: the command line, or a file that the user wrote, has a mistake.
    pub(super) fn usage(message: impl Into<String>) -> Self {
        Self { code: 2, error: anyhow::Error::msg(message.into()) }
    }

    /// Exit status 3: no daemon answers at the control socket.
    pub(super) fn no_daemon(message: impl Into<String>) -> Self {
        Self { code: 3, error: anyhow::Error::msg(message.into()) }
    }

    /// The sentence, where it is shown among others.
    pub(super) fn sentence(&self) -> String {
        self.error.to_string()
    }

    /// Prints the sentence on stderr and returns the exit status as a number.
    #[cfg(test)]
    pub(super) fn exit_status(&self) -> i32 {
        self.report();
        i32::from(self.code)
    }

    /// Prints the sentence on stderr and returns the exit status. A closed standard output is no failure.
    pub(super) fn report(&self) -> ExitCode {
        match self.error.downcast_ref::<io::Error>() {
            Some(error) if error.kind() == io::ErrorKind::BrokenPipe => return ExitCode::SUCCESS,
            Some(error) => print_error(IoReason(error)),
            None => print_error(&self.error),
        }
        ExitCode::from(self.code)
    }
}

/// Prints a sentence on stderr. Where stderr is closed, the exit status remains.
pub(super) fn print_error(what: impl Display) {
    drop(writeln!(io::stderr(), "bayline: {}", sanitized(&what.to_string())));
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

impl From<SearchError> for Failure {
    fn from(error: SearchError) -> Self {
        Self::failed(error)
    }
}

impl From<PageError> for Failure {
    fn from(error: PageError) -> Self {
        Self::failed(error)
    }
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        match error {
            // Kept as it is, so that `report` recognises a closed output.
            ExportError::Write(error) => Self::failed(error),
            error => Self::failed(error),
        }
    }
}

impl From<JudgingError> for Failure {
    fn from(error: JudgingError) -> Self {
        match error {
            JudgingError::Procedure(mistake) => mistake.into(),
            error @ (JudgingError::OtherSteps { .. } | JudgingError::FreeRunning { .. }) => {
                Self { code: 2, error: error.into() }
            }
            error => Self::failed(error),
        }
    }
}

impl From<CorrectionError> for Failure {
    fn from(error: CorrectionError) -> Self {
        match error {
            CorrectionError::Judging(error) => error.into(),
            error @ CorrectionError::Open { .. } => Self::failed(error),
            error => Self { code: 2, error: error.into() },
        }
    }
}

impl From<ComparisonError> for Failure {
    fn from(error: ComparisonError) -> Self {
        match error {
            ComparisonError::Store(error) => error.into(),
            error => Self { code: 2, error: error.into() },
        }
    }
}

impl From<RetestError> for Failure {
    fn from(error: RetestError) -> Self {
        Self { code: 2, error: error.into() }
    }
}

impl From<ReportError> for Failure {
    fn from(error: ReportError) -> Self {
        match error {
            ReportError::Export(error) => error.into(),
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
