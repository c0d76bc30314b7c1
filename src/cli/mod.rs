//! What a person types. A file for each command; nothing else writes to a terminal.
//!
//! Reading order: this file declares the commands, and `failure` turns an error into a sentence and an exit status.
//! `client` talks to the daemon, `answer` prints what it answered. Then each command in the order of the list below.
//! `table`, `show_value`, `visit` and `stop` are what several commands use.

mod failure;

mod answer;
mod client;

mod output_file;
mod show_hash;
mod show_judgement;
mod show_value;
mod show_watched;
mod stop;
mod table;
mod visit;

mod demo;
mod run;

mod begin;
mod correct;
mod end;
mod mark;
mod note;
mod page;
mod photo;
mod qr;
mod step;
mod take;
mod undo;
mod zero;

mod screen;
mod status;
mod watch;

mod compare;
mod export;
mod judge;
mod pdf;
mod report;
mod sessions;
mod show;

mod capture;
mod identify;
mod ports;
mod protocols;

mod check;
mod expect;

mod completions;
mod man;
mod openapi;

use std::{ffi::OsString, io::IsTerminal, path::PathBuf, process::ExitCode};

use clap::{Args, Parser, Subcommand};

use crate::{sanitize::sanitized, setup::ConfigFolder, store::Folder};
use failure::Failure;

/// Keeps watch over an electrical diagnosis: reads the meters, files every reading under the step
/// being done, judges it and keeps it.
#[derive(Debug, Parser)]
#[command(name = "bayline", version, arg_required_else_help = true, after_help = CODES)]
struct Cli {
    #[command(subcommand)]
    command: CliCommand,
    #[command(flatten)]
    common: CommonArgs,
}

const CODES: &str = "Exit status: 0 done; 1 failed; 2 usage, a mistake in a file you wrote, or with `check`, a step can't work; \
                     3 no daemon answers; 4 with `--strict` of `show` and `judge`, a step is out of limit.";

/// The options of every command.
#[derive(Debug, Clone, Args)]
struct CommonArgs {
    /// The folder of the database and the control socket
    #[arg(long, value_name = "DIR", env = "BAYLINE_DATA", global = true)]
    data: Option<PathBuf>,
    /// What is logged to stderr: error, warn, info, debug, or a filter such as bayline::port=debug
    #[arg(long, value_name = "LEVEL", env = "BAYLINE_LOG", default_value = "info", global = true)]
    log: String,
    /// A folder to search first for protocol files; may be given several times
    #[arg(long, value_name = "DIR", global = true)]
    protocols: Vec<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum CliCommand {
    /// Show what bayline does, on a simulated bench
    Demo(demo::DemoArgs),
    /// Run the daemon: read the meters and record until stopped
    Run(run::RunArgs),
    /// Begin a session; one that is open is ended first
    Begin(begin::BeginArgs),
    /// End the session
    End(end::EndArgs),
    /// Go to a step: next, back, again, skip, or its name
    Step(step::StepArgs),
    /// Capture the value that is shown now
    Take(take::TakeArgs),
    /// Zero a clamp that is held still with no current through it
    Zero(zero::ZeroArgs),
    /// Mark this moment
    Mark(mark::MarkArgs),
    /// Keep a note
    Note(note::NoteArgs),
    /// Keep a photo
    Photo(photo::PhotoArgs),
    /// Correct what was told of the visit, or what was filed wrongly
    Correct(correct::CorrectArgs),
    /// Undo the last step, capture, answer, zero, mark, note, photo or correction
    Undo(undo::UndoArgs),
    /// List, make and revoke links to the live page
    Page(page::PageArgs),
    /// Show the session, the step, the readings, the meters and the alarms
    Status(status::StatusArgs),
    /// Follow the session live, until Ctrl-C
    Watch(watch::WatchArgs),
    /// List the sessions
    Sessions(sessions::SessionsArgs),
    /// Show a session's ledger: step, value, limit, verdict
    Show(show::ShowArgs),
    /// Judge a stored session again, by another procedure or after corrections
    Judge(judge::JudgeArgs),
    /// Compare two sessions of one machine, before and after the work
    Compare(compare::CompareArgs),
    /// Write a session as CSV, or as a folder of files
    Export(export::ExportArgs),
    /// Write a session as a page to print or to send
    Report(report::ReportArgs),
    /// List the serial and HID devices that are plugged in
    Ports(ports::PortsArgs),
    /// Find out which protocol fits a meter
    Identify(identify::IdentifyArgs),
    /// Record what a port sends, byte by byte, for a meter that no protocol fits yet
    Capture(capture::CaptureArgs),
    /// List the protocols, or check their examples
    Protocols(protocols::ProtocolsArgs),
    /// List what the meters of a bench can't do for a procedure
    Check(check::CheckArgs),
    /// Calculate what a coil, a wire or a warm coil should show, and what a bad joint costs
    Expect(expect::ExpectArgs),
    /// Print what a shell completes the commands by
    Completions(completions::CompletionsArgs),
    /// Write the manual pages
    Man(man::ManArgs),
    /// Print what the live page's server can be asked for, by OpenAPI
    Openapi(openapi::OpenapiArgs),
}

/// Runs the program with these arguments and returns its exit status.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are no mistake; everything else is.
            let code = if error.use_stderr() { 2 } else { 0 };
            drop(error.print());
            return ExitCode::from(code);
        }
    };
    match cli.run() {
        Ok(code) => code,
        Err(failure) => failure.report(),
    }
}

impl Cli {
    fn run(self) -> Result<ExitCode, Failure> {
        let common = self.common;
        match self.command {
            CliCommand::Demo(command) => command.run(&common),
            CliCommand::Run(command) => command.run(&common),
            CliCommand::Begin(command) => command.run(&common),
            CliCommand::End(command) => command.run(&common),
            CliCommand::Step(command) => command.run(&common),
            CliCommand::Take(command) => command.run(&common),
            CliCommand::Zero(command) => command.run(&common),
            CliCommand::Mark(command) => command.run(&common),
            CliCommand::Note(command) => command.run(&common),
            CliCommand::Photo(command) => command.run(&common),
            CliCommand::Correct(command) => command.run(&common),
            CliCommand::Undo(command) => command.run(&common),
            CliCommand::Page(command) => command.run(&common),
            CliCommand::Status(command) => command.run(&common),
            CliCommand::Watch(command) => command.run(&common),
            CliCommand::Sessions(command) => command.run(&common),
            CliCommand::Show(command) => command.run(&common),
            CliCommand::Judge(command) => command.run(&common),
            CliCommand::Compare(command) => command.run(&common),
            CliCommand::Export(command) => command.run(&common),
            CliCommand::Report(command) => command.run(&common),
            CliCommand::Ports(command) => command.run(&common),
            CliCommand::Identify(command) => command.run(&common),
            CliCommand::Capture(command) => command.run(&common),
            CliCommand::Protocols(command) => command.run(&common),
            CliCommand::Check(command) => command.run(&common),
            CliCommand::Expect(command) => command.run(),
            CliCommand::Completions(command) => command.run(),
            CliCommand::Man(command) => command.run(),
            CliCommand::Openapi(command) => command.run(),
        }
    }
}

impl CommonArgs {
    fn folder(&self) -> Result<Folder, Failure> {
        if let Some(path) = &self.data {
            return Ok(Folder::at(path));
        }
        let home = directories::ProjectDirs::from("", "", "bayline").ok_or_else(|| {
            Failure::usage("you have no home folder to keep the data in; choose a folder with --data")
        })?;
        Ok(Folder::at(home.data_dir()))
    }

    fn config_folder(&self) -> ConfigFolder {
        let home = directories::ProjectDirs::from("", "", "bayline");
        ConfigFolder::at(home.as_ref().map(directories::ProjectDirs::config_dir))
    }

    fn library(&self) -> crate::protocol::Library {
        let own = directories::ProjectDirs::from("", "", "bayline").map(|home| home.config_dir().join("protocols"));
        crate::protocol::Library::new(self.protocols.iter().cloned().chain(own).collect())
    }

    fn start_log(&self) -> Result<(), Failure> {
        let filter = tracing_subscriber::EnvFilter::try_new(&self.log).map_err(|error| {
            Failure::usage(format!("--log: found \"{}\", expected a level such as info: {error}", self.log))
        })?;
        // The part of the program matters only to who looks for a defect in it, or filters by it.
        let modules = !["error", "warn", "info"].contains(&self.log.as_str());
        // Colour codes only for a terminal, not in a file or a journal.
        let colours = std::io::stderr().is_terminal();
        tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(std::io::stderr)
            .with_ansi(colours)
            .with_target(modules)
            // Names of meters and what they send are in the messages.
            .fmt_fields(tracing_subscriber::fmt::format::debug_fn(|writer, field, value| {
                let text = format!("{value:?}");
                match field.name() {
                    "message" => write!(writer, "{}", sanitized(&text)),
                    name => write!(writer, " {name}={}", sanitized(&text)),
                }
            }))
            // It would report them on stderr as well, and panic where that is closed.
            .log_internal_errors(false)
            .init();
        Ok(())
    }
}
