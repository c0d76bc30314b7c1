//! `bayline demo`: the real daemon on a simulated bench, with a simulated operator.
//!
//! The daemon is this same program, started as a process of its own. It gets the simulated meters' ports and has the
//! usual control socket, nothing else.

use std::{
    fs::{self, File},
    io::{self, Write, stdout},
    os::unix::net::UnixDatagram,
    path::{Path, PathBuf},
    process::{Child, Command, ExitCode, Stdio},
    sync::mpsc::{Receiver, channel},
    thread,
    time::Duration,
};

use clap::Args;
use jiff::tz::TimeZone;
use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};

use super::{CommonArgs, client::Client, failure::Failure, show, watch::LiveOutput};
use crate::{
    demo::{DwellUntil, Operator, Scenario, SimulatedBench, SimulationSettings, circuit::LoaderCoil, files},
    export::{CsvStyle, ExportError, to_folder, whole_file},
    io_reason::IoReason,
    photo::PhotoFolder,
    report::{SheetLength, SheetOptions, write_sheet},
    server::{News, Request},
    store::{Folder, read::Archive},
};

/// How long the daemon may take to start, however slow the machine.
const START: Duration = Duration::from_secs(20);

/// How long a capture may take, however slow the machine.
const CAPTURE: Duration = Duration::from_secs(60);

/// Show what bayline does, on a simulated bench.
#[derive(Debug, Args)]
pub(super) struct DemoArgs {
    /// How many times faster than real time the demo runs
    #[arg(long, default_value_t = 1.0, value_parser = speed)]
    speed: f64,
    /// Seed of the errors of the simulated meters, which stay within their accuracy
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn speed(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|speed| (0.1..=20.0).contains(speed)).ok_or("expected a number from 0.1 to 20".to_owned())
}

impl DemoArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let root = common
            .data
            .clone()
            .unwrap_or_else(|| std::env::temp_dir().join(format!("bayline-demo-{}", std::process::id())));
        let paths = DemoPaths::make(&root)?;
        let settings = SimulationSettings { seed: self.seed, speed: self.speed, ..SimulationSettings::default() };
        let bench = SimulatedBench::start(&paths.ports, &settings).map_err(Failure::failed)?;
        fs::write(&paths.bench, files::bench(&bench.ports()))?;
        fs::write(&paths.procedure, files::procedure())?;
        say("A simulated valve block of a compact loader, with simulated meters and at least one fault.")?;
        say("Cautions of the procedure:")?;
        say(&crate::procedure::Procedure::parse("procedure.toml", files::procedure())?.caution)?;

        let daemon = DaemonProcess::start(&paths)?;
        let common = CommonArgs { data: Some(paths.folder.path().to_owned()), ..common.clone() };
        let mut operator = SimulatedOperator::new(&common, &bench)?;
        if let Some(page) = operator.client.ask(&Request::Status {})?.status.unwrap_or_default().page {
            say(&format!("live page: {page}"))?;
        }
        operator.zero_the_clamps()?;
        let (news, printer) = follow(&common)?;
        operator.news = Some(news);
        Scenario::yard().play(bench.machine(), self.speed, &mut operator)?;
        operator.client.ask(&Request::End {})?;
        daemon.stop()?;
        // Its last announcements must be printed before the ledger.
        let printed =
            printer.join().map_err(|_| Failure::failed(anyhow::anyhow!("the announcements could not be printed")))?;
        printed?;
        drop(bench);

        let archive = Archive::open(&paths.folder)?;
        let (connection, session) = archive.find("last")?;
        to_folder(connection, &session, &CsvStyle::default(), &paths.export, || {})?;
        let options = SheetOptions {
            length: SheetLength::Short,
            measured_by: String::new(),
            zone: TimeZone::system(),
            photos: PhotoFolder::of(paths.folder.path()),
        };
        let mut sheet = Vec::new();
        write_sheet(connection, &session, &options, &mut sheet)?;
        whole_file(&paths.sheet, |file| file.write_all(&sheet).map_err(ExportError::from))?;
        writeln!(stdout())?;
        show::print(&mut stdout().lock(), connection, &session)?;
        say("")?;
        say(&format!("database: {}", paths.folder.database().display()))?;
        say(&format!("CSV:      {}", paths.export.join("samples.csv").display()))?;
        say(&format!("sheet:    {}", paths.sheet.display()))?;
        say(&format!("again:    bayline show --data {}", paths.folder.path().display()))?;
        Ok(ExitCode::SUCCESS)
    }
}

struct DemoPaths {
    folder: Folder,
    ports: PathBuf,
    bench: PathBuf,
    procedure: PathBuf,
    export: PathBuf,
    sheet: PathBuf,
    log: PathBuf,
    ready: PathBuf,
}

impl DemoPaths {
    fn make(root: &Path) -> Result<Self, Failure> {
        let ports = root.join("ports");
        fs::create_dir_all(&ports).map_err(|error| {
            Failure::failed(anyhow::anyhow!(
                "the folder {} can't be created: {}; choose another with --data",
                root.display(),
                IoReason(&error)
            ))
        })?;
        // Absolute, since the daemon may work in another folder.
        let root = root.canonicalize()?;
        Ok(Self {
            folder: Folder::at(&root),
            ports: root.join("ports"),
            bench: root.join("bench.toml"),
            procedure: root.join("procedure.toml"),
            export: root.join("export"),
            sheet: root.join("sheet.html"),
            log: root.join("daemon.log"),
            ready: root.join("ready.sock"),
        })
    }
}

/// The daemon's process; it is stopped with the demo: also where the demo is killed, since the pipe to its input ends then.
struct DaemonProcess {
    process: Child,
}

impl DaemonProcess {
    /// Starts it and waits for its ready message, the one for service managers.
    fn start(paths: &DemoPaths) -> Result<Self, Failure> {
        // The socket of an earlier demo.
        drop(fs::remove_file(&paths.ready));
        let ready = UnixDatagram::bind(&paths.ready)?;
        ready.set_read_timeout(Some(START))?;
        let log = File::create(&paths.log)?;
        let process = Command::new(std::env::current_exe()?)
            .args(["run", "--stop-with-input"])
            .args(["--bench".as_ref(), paths.bench.as_os_str()])
            .args(["--procedure".as_ref(), paths.procedure.as_os_str()])
            .args(["--data".as_ref(), paths.folder.path().as_os_str()])
            .args(["--machine", "compact loader (simulated)", "--job", "demo", "--ambient", "21 °C", "--state", "cold"])
            .env("NOTIFY_SOCKET", &paths.ready)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()?;
        let mut daemon = Self { process };
        let reported = wait_for(&ready, &mut daemon.process);
        drop(fs::remove_file(&paths.ready));
        match reported {
            Ok(()) => Ok(daemon),
            Err(error) => {
                let log = fs::read_to_string(&paths.log).unwrap_or_default();
                let last = log.lines().last().unwrap_or_default();
                Err(Failure::failed(anyhow::anyhow!(
                    "the daemon did not start: {}; its last message: {last}",
                    IoReason(&error)
                )))
            }
        }
    }

    fn stop(mut self) -> Result<(), Failure> {
        terminate(&self.process)?;
        let status = self.process.wait()?;
        if status.success() { Ok(()) } else { Err(Failure::failed(anyhow::anyhow!("the daemon failed ({status})"))) }
    }
}

impl Drop for DaemonProcess {
    fn drop(&mut self) {
        // Only after a failure: a daemon that has ended needs nothing.
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

/// Waits until the daemon is ready or has ended.
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

/// Follows the daemon: prints what happens as `watch` does, and passes it on to the operator.
fn follow(common: &CommonArgs) -> Result<(Receiver<News>, thread::JoinHandle<io::Result<()>>), Failure> {
    let mut client = Client::connect(common)?;
    let mut output = LiveOutput::new(stdout());
    output.begin(&client.ask(&Request::Status {})?.status.unwrap_or_default())?;
    client.ask(&Request::Watch {})?;
    let (tell, news) = channel();
    let printer = thread::spawn(move || {
        while let Some(line) = client.next_line()? {
            let piece: News = serde_json::from_str(&line)?;
            output.print(&piece)?;
            // Fails once the operator has finished, which is fine.
            drop(tell.send(piece));
        }
        Ok(())
    });
    Ok((news, printer))
}

/// The operator: both hands on the leads; waits for announcements and rarely enters a command.
struct SimulatedOperator<'a> {
    client: Client,
    bench: &'a SimulatedBench,
    news: Option<Receiver<News>>,
    /// The step's name.
    step: String,
    /// The step's value was captured, so the next step begins by itself.
    goes_on: bool,
}

impl<'a> SimulatedOperator<'a> {
    fn new(common: &CommonArgs, bench: &'a SimulatedBench) -> Result<Self, Failure> {
        Ok(Self { client: Client::connect(common)?, bench, news: None, step: String::new(), goes_on: false })
    }

    /// No coil is on yet, so no current goes through the clamps: what they show is their zero.
    fn zero_the_clamps(&mut self) -> Result<(), Failure> {
        writeln!(stdout(), "zeroing the clamps: no coil is on")?;
        // A zero needs a second of steady readings, which a slow computer delivers late.
        let mut tries = 0;
        for coil in LoaderCoil::ALL {
            let request = Request::Zero { channel: coil.word().to_owned() };
            while let Err(failure) = self.client.ask(&request) {
                tries += 1;
                if tries > 100 {
                    return Err(failure);
                }
                self.bench.dwell(Duration::from_millis(100), DwellUntil::TimeIsUp);
            }
        }
        Ok(())
    }

    /// Waits until the tool announces what is awaited.
    fn follow(&self, what: &str, is_it: impl Fn(&News) -> bool) -> Result<(), Failure> {
        let in_vain = || Failure::failed(anyhow::anyhow!("the tool did not announce {what} in time"));
        let news = self.news.as_ref().ok_or_else(in_vain)?;
        loop {
            if is_it(&news.recv_timeout(CAPTURE).map_err(|_| in_vain())?) {
                return Ok(());
            }
        }
    }
}

impl Operator for SimulatedOperator<'_> {
    type Error = Failure;

    fn step(&mut self, name: &str) -> Result<(), Failure> {
        name.clone_into(&mut self.step);
        if std::mem::take(&mut self.goes_on) {
            return self.follow(
                &format!("that {name} begins"),
                |news| matches!(news, News::Step { step } if step.name == name),
            );
        }
        // The first step is on as soon as the session begins.
        let status = self.client.ask(&Request::Status {})?.status.unwrap_or_default();
        match status.step {
            Some(step) if step.name == name => Ok(()),
            _ => self.client.ask(&Request::Step { to: name.to_owned() }).map(drop),
        }
    }

    fn captured(&mut self) -> Result<(), Failure> {
        let own = &self.step;
        self.follow(
            &format!("that {own} is captured"),
            |news| matches!(news, News::Captured { step, .. } if step == own),
        )?;
        self.goes_on = true;
        Ok(())
    }

    fn asked(&mut self, words: &str) -> Result<(), Failure> {
        let is_it = |news: &News| matches!(news, News::Ask { ask } if ask.text.contains(words));
        self.follow(&format!("\"{words}\""), is_it)
    }

    fn note(&mut self, text: &str) -> Result<(), Failure> {
        self.client.ask(&Request::Note { text: text.to_owned() }).map(drop)
    }

    fn dwell(&mut self, at_least: Duration, until: DwellUntil) -> Result<(), Failure> {
        self.bench.dwell(at_least, until);
        Ok(())
    }
}

fn say(text: &str) -> io::Result<()> {
    writeln!(stdout(), "{text}")
}
