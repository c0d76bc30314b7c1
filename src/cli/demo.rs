//! `bayline demo`: the real daemon on a simulated bench, and an operator who knows the procedure.
//!
//! The daemon is this same program, started as a process of its own; it gets nothing but the
//! simulated instruments' ports and the control socket that everyone uses.

use std::{
    fs::{self, File},
    io::{self, Write, stdout},
    os::unix::net::UnixDatagram,
    path::{Path, PathBuf},
    process::{Child, Command, ExitCode, Stdio},
    time::Duration,
};

use clap::Args;
use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};

use super::{Common, client::Client, failure::Failure, show};
use crate::{
    demo::{Bench, Operator, Scenario, Settings, Until, files},
    export::{Style, to_folder},
    server::{Answer, Request},
    store::{Folder, open_to_read, read},
};

/// How long the daemon may take to start, however slow the machine.
const START: Duration = Duration::from_secs(20);

/// Show what bayline does, on a simulated bench.
#[derive(Debug, Args)]
pub(super) struct Demo {
    /// How many times faster than real the story is played
    #[arg(long, default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// Which way the simulated meters are off, within their accuracy
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn speed(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|speed| (0.1..=20.0).contains(speed)).ok_or("expected a number from 0.1 to 20".to_owned())
}

impl Demo {
    pub fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let root = common
            .data
            .clone()
            .unwrap_or_else(|| std::env::temp_dir().join(format!("bayline-demo-{}", std::process::id())));
        let paths = Paths::make(&root)?;
        let settings = Settings { seed: self.seed, speed: self.speed, ..Settings::default() };
        let bench = Bench::start(&paths.ports, &settings).map_err(Failure::failed)?;
        fs::write(&paths.bench, files::bench(&bench.ports()))?;
        fs::write(&paths.procedure, files::procedure())?;
        say("A compact loader's valve block, simulated: meters on pseudo-terminals, at least one fault in it.")?;
        say("Cautions of the procedure:")?;
        say(&crate::session::Procedure::parse("procedure.toml", files::procedure())?.caution)?;

        let daemon = Daemon::start(&paths)?;
        let common = Common { data: Some(paths.folder.path().to_owned()), ..common.clone() };
        let mut hands = Hands { client: Client::connect(&common)?, bench: &bench };
        Scenario::yard().play(bench.world(), self.speed, &mut hands)?;
        let ended = hands.client.ask(&Request::End {})?;
        tell_verdict(&ended)?;
        daemon.stop()?;
        drop(bench);

        let connection = open_to_read(&paths.folder.database())?;
        let session = read::find(&connection, "last")?;
        to_folder(&connection, &session, &Style::default(), &paths.export, || {})?;
        writeln!(stdout())?;
        show::tell(&mut stdout().lock(), &connection, &session)?;
        say("")?;
        say(&format!("database: {}", paths.folder.database().display()))?;
        say(&format!("CSV:      {}", paths.export.join("samples.csv").display()))?;
        say(&format!("again:    bayline show --data {}", paths.folder.path().display()))?;
        Ok(ExitCode::SUCCESS)
    }
}

struct Paths {
    folder: Folder,
    ports: PathBuf,
    bench: PathBuf,
    procedure: PathBuf,
    export: PathBuf,
    log: PathBuf,
    ready: PathBuf,
}

impl Paths {
    fn make(root: &Path) -> Result<Self, Failure> {
        let ports = root.join("ports");
        fs::create_dir_all(&ports).map_err(|error| {
            Failure::failed(anyhow::anyhow!(
                "the folder {} can't be made: {error}; choose another with --data",
                root.display()
            ))
        })?;
        // The daemon may be started in another folder: names must be whole.
        let root = root.canonicalize()?;
        Ok(Self {
            folder: Folder::at(&root),
            ports: root.join("ports"),
            bench: root.join("bench.toml"),
            procedure: root.join("procedure.toml"),
            export: root.join("export"),
            log: root.join("daemon.log"),
            ready: root.join("ready.sock"),
        })
    }
}

/// The daemon's process; it does not outlive the demo.
struct Daemon {
    process: Child,
}

impl Daemon {
    /// Starts it and waits until it says that it is ready, as it would to a service manager.
    fn start(paths: &Paths) -> Result<Self, Failure> {
        // A socket that an earlier demo left.
        drop(fs::remove_file(&paths.ready));
        let ready = UnixDatagram::bind(&paths.ready)?;
        ready.set_read_timeout(Some(START))?;
        let log = File::create(&paths.log)?;
        let process = Command::new(std::env::current_exe()?)
            .arg("run")
            .args(["--bench".as_ref(), paths.bench.as_os_str()])
            .args(["--procedure".as_ref(), paths.procedure.as_os_str()])
            .args(["--data".as_ref(), paths.folder.path().as_os_str()])
            .args(["--machine", "compact loader (simulated)", "--job", "demo"])
            .env("NOTIFY_SOCKET", &paths.ready)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()?;
        let mut daemon = Self { process };
        let told = wait_for(&ready, &mut daemon.process);
        drop(fs::remove_file(&paths.ready));
        match told {
            Ok(()) => Ok(daemon),
            Err(error) => {
                let log = fs::read_to_string(&paths.log).unwrap_or_default();
                let last = log.lines().last().unwrap_or_default();
                Err(Failure::failed(anyhow::anyhow!("the daemon did not start: {error}; it said: {last}")))
            }
        }
    }

    fn stop(mut self) -> Result<(), Failure> {
        terminate(&self.process)?;
        let status = self.process.wait()?;
        if status.success() {
            Ok(())
        } else {
            Err(Failure::failed(anyhow::anyhow!("the daemon ended badly: {status}")))
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // After a failure half-way; once it has ended both do nothing.
        if let Ok(None) = self.process.try_wait() {
            drop(terminate(&self.process));
            drop(self.process.wait());
        }
    }
}

fn terminate(process: &Child) -> io::Result<()> {
    let number = i32::try_from(process.id()).map_err(io::Error::other)?;
    Ok(kill(Pid::from_raw(number), Signal::SIGTERM)?)
}

/// Waits for the word that the daemon is ready, or for its end.
fn wait_for(ready: &UnixDatagram, process: &mut Child) -> io::Result<()> {
    ready.set_read_timeout(Some(Duration::from_millis(100)))?;
    let mut message = [0; 256];
    for _ in 0..START.as_millis() / 100 {
        match ready.recv(&mut message) {
            Ok(length) if message[..length].starts_with(b"READY=1") => return Ok(()),
            Ok(_) => {}
            Err(error) if matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut) => {
                if let Some(status) = process.try_wait()? {
                    return Err(io::Error::other(status.to_string()));
                }
            }
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::new(io::ErrorKind::TimedOut, "it was not ready in time"))
}

/// The operator: says to the daemon what a technician would say.
struct Hands<'a> {
    client: Client,
    bench: &'a Bench,
}

impl Operator for Hands<'_> {
    type Error = Failure;

    fn step(&mut self, name: &str) -> Result<(), Failure> {
        // The first step is on as soon as the session begins.
        let status = self.client.ask(&Request::Status {})?.status.unwrap_or_default();
        if status.step.is_none_or(|step| step.name != name) {
            let answer = self.client.ask(&Request::Step { to: name.to_owned() })?;
            tell_verdict(&answer)?;
        }
        write!(stdout(), "{name} … ")?;
        Ok(stdout().flush()?)
    }

    fn take(&mut self) -> Result<(), Failure> {
        self.client.ask(&Request::Take { channel: None }).map(drop)
    }

    fn note(&mut self, text: &str) -> Result<(), Failure> {
        self.client.ask(&Request::Note { text: text.to_owned() }).map(drop)
    }

    fn dwell(&mut self, at_least: Duration, until: Until) -> Result<(), Failure> {
        self.bench.dwell(at_least, until);
        Ok(())
    }
}

fn tell_verdict(answer: &Answer) -> io::Result<()> {
    match &answer.judged {
        Some(judged) => {
            writeln!(stdout(), "{}: {}", judged.verdict.as_deref().unwrap_or("recorded"), judged.reason)
        }
        None => writeln!(stdout(), "recorded"),
    }
}

fn say(text: &str) -> io::Result<()> {
    writeln!(stdout(), "{text}")
}
