//! What a person types: one file a command. The only place that writes to a terminal.

mod client;
mod failure;
mod show_value;
mod table;
mod visit;

mod run;

mod operate;
mod status;
mod watch;

mod export;
mod sessions;
mod show;

mod capture;
mod identify;
mod ports;
mod protocols;
mod stop;

mod check;
mod expect;

mod demo;

use std::{ffi::OsString, io::IsTerminal, path::PathBuf, process::ExitCode};

use clap::{Args, Parser, Subcommand};

use crate::store::Folder;
use failure::Failure;

/// Keeps watch over an electrical diagnosis: reads the meters, files every reading under the step
/// being done, judges it and keeps it.
#[derive(Debug, Parser)]
#[command(name = "bayline", version, arg_required_else_help = true, after_help = CODES)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

const CODES: &str = "Exit status: 0 done; 1 failed; 2 usage, a mistake in a file you wrote, or with `check`, a step can't work; \
                     3 no daemon answers; 4 with `show --strict`, a step is outside its limits.";

/// What every command understands.
#[derive(Debug, Clone, Args)]
struct Common {
    /// Where the database and the control socket are
    #[arg(long, value_name = "DIR", env = "BAYLINE_DATA", global = true)]
    data: Option<PathBuf>,
    /// What is logged to stderr: error, warn, info, debug, or a filter such as bayline::port=debug
    #[arg(long, value_name = "LEVEL", env = "BAYLINE_LOG", default_value = "info", global = true)]
    log: String,
    /// Where protocol files are looked for first
    #[arg(long, value_name = "DIR", global = true)]
    protocols: Vec<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show what bayline does, on a simulated bench
    Demo(demo::Demo),
    /// Run the daemon: read the meters and record until stopped
    Run(run::Run),
    /// Begin a session; one that is open is ended first
    Begin(operate::Begin),
    /// End the session
    End(operate::End),
    /// Go to a step: next, back, again, skip, or its name
    Step(operate::Step),
    /// This reading counts: capture it
    Take(operate::Take),
    /// Take a clamp's zero: nothing through it, held still
    Zero(operate::Zero),
    /// Mark this moment
    Mark(operate::Mark),
    /// Keep a note
    Note(operate::Note),
    /// Tell what is on: session, step, readings, meters, alarms
    Status(status::Status),
    /// Follow what happens, until interrupted
    Watch(watch::Watch),
    /// List the sessions
    Sessions(sessions::Sessions),
    /// Show a session's ledger: step, value, limit, verdict
    Show(show::Show),
    /// Write a session as CSV, or as a folder of files
    Export(export::Export),
    /// List what is plugged in
    Ports(ports::Ports),
    /// Find out what a port speaks
    Identify(identify::Identify),
    /// Record what a port sends, byte by byte, for a meter that no protocol fits yet
    Capture(capture::Capture),
    /// List the protocols, or prove their examples
    Protocols(protocols::Protocols),
    /// Tell before anyone starts what a bench can't do for a procedure
    Check(check::Check),
    /// Reckon what a coil, a wire, a warm coil or a bad joint should show
    Expect(expect::Expect),
}

/// Runs the program with these arguments and returns its exit status.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are asked for; everything else is a mistake.
            let code = if error.use_stderr() { 2 } else { 0 };
            drop(error.print());
            return ExitCode::from(code);
        }
    };
    match cli.run() {
        Ok(code) => code,
        Err(failure) => failure.tell(),
    }
}

impl Cli {
    fn run(self) -> Result<ExitCode, Failure> {
        let common = self.common;
        match self.command {
            Command::Demo(command) => command.run(&common),
            Command::Run(command) => command.run(&common),
            Command::Begin(command) => command.run(&common),
            Command::End(command) => command.run(&common),
            Command::Step(command) => command.run(&common),
            Command::Take(command) => command.run(&common),
            Command::Zero(command) => command.run(&common),
            Command::Mark(command) => command.run(&common),
            Command::Note(command) => command.run(&common),
            Command::Status(command) => command.run(&common),
            Command::Watch(command) => command.run(&common),
            Command::Sessions(command) => command.run(&common),
            Command::Show(command) => command.run(&common),
            Command::Export(command) => command.run(&common),
            Command::Ports(command) => command.run(&common),
            Command::Identify(command) => command.run(&common),
            Command::Capture(command) => command.run(&common),
            Command::Protocols(command) => command.run(&common),
            Command::Check(command) => command.run(&common),
            Command::Expect(command) => command.run(),
        }
    }
}

impl Common {
    fn folder(&self) -> Result<Folder, Failure> {
        if let Some(path) = &self.data {
            return Ok(Folder::at(path));
        }
        let home = directories::ProjectDirs::from("", "", "bayline")
            .ok_or_else(|| Failure::usage("there is no home folder to keep data in; choose a folder with --data"))?;
        Ok(Folder::at(home.data_dir()))
    }

    fn library(&self) -> crate::protocol::Library {
        let own = directories::ProjectDirs::from("", "", "bayline").map(|home| home.config_dir().join("protocols"));
        crate::protocol::Library::new(self.protocols.iter().cloned().chain(own).collect())
    }

    fn start_log(&self) -> Result<(), Failure> {
        let filter = tracing_subscriber::EnvFilter::try_new(&self.log).map_err(|error| {
            Failure::usage(format!("--log: found \"{}\", expected a level such as info: {error}", self.log))
        })?;
        // Colours are for a terminal; in a file or a journal they are litter.
        let colours = std::io::stderr().is_terminal();
        tracing_subscriber::fmt()
            .with_env_filter(filter)
            .with_writer(std::io::stderr)
            .with_ansi(colours)
            // It would tell them on stderr as well, by a panic where nobody reads that any more.
            .log_internal_errors(false)
            .init();
        Ok(())
    }
}
