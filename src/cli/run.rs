//! `bayline run`: runs the daemon.

use std::{
    io::{self, IsTerminal, Write, stderr},
    net::SocketAddr,
    path::PathBuf,
    process::ExitCode,
    sync::Arc,
};

use clap::Args;
use tokio_util::sync::CancellationToken;

use super::{
    CommonArgs, failure::Failure, identify::identify, page::print_link, stop::ShutdownSignals, visit::VisitArgs,
};
use crate::{
    channel::{Bench, QuickMeter},
    daemon::{self, Config, OwnVoice, SpeechProgram},
    port::Address,
    procedure::Procedure,
    server::{NetworkPage, PageAddress, PageError, PageServer, Permission},
    session::Visit,
    setup::Setup,
};

/// Run the daemon.
#[derive(Debug, Args)]
pub(super) struct RunArgs {
    /// The bench file: the meters and their channels; without it and without --meter, the page sets up the bench
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// A meter without a bench file, such as probe=/dev/ttyUSB0,number (may be given several times); without a
    /// protocol, the one that fits is found by listening
    #[arg(long, value_name = "NAME=PORT[,PROTOCOL]")]
    meter: Vec<QuickMeter>,
    /// The procedure to work through; without it the session is free-running
    #[arg(long, value_name = "FILE")]
    procedure: Option<PathBuf>,
    /// Continue a session that was cut off: its number, the start of its identity, or last
    #[arg(long, value_name = "SESSION")]
    continues: Option<String>,
    /// Run this program at each announcement, with the words as its last argument and the kind in BAYLINE_KIND; repeat the option for fixed arguments
    #[arg(long, value_name = "PROGRAM")]
    alert: Vec<String>,
    /// Speak the announcements by the speech program of this computer (spd-say, espeak-ng or say); without one the bell rings
    #[arg(long)]
    say: bool,
    /// Where the live page is served, on this computer alone: an address such as 127.0.0.1:4780, or off; without it,
    /// 127.0.0.1:4780, or another port where that is in use
    #[arg(long, value_name = "ADDRESS")]
    page: Option<String>,
    /// Serve the page on the shop's network too, at an address of this computer there such as 192.168.1.20:4780 or 0.0.0.0:4780;
    /// who gets in has a link of `bayline page`
    #[arg(long, value_name = "ADDRESS", value_parser = network_address)]
    listen: Option<SocketAddr>,
    /// Encrypt the page on the shop's network by a certificate that this computer makes for itself; its fingerprint is printed, to be
    /// compared with what the browser shows. A phone keeps its screen on there
    #[arg(long, requires = "listen")]
    https: bool,
    /// Offer this port when the bench is set up on the page, beside those that are plugged in, such as tcp://host:port (may be
    /// given several times)
    #[arg(long, value_name = "PORT")]
    offer: Vec<Address>,
    /// Stop when the standard input is closed: a program that starts the daemon with a pipe takes it along when it ends, however that
    /// happens
    #[arg(long)]
    stop_with_input: bool,
    #[command(flatten)]
    visit: VisitArgs,
}

fn network_address(text: &str) -> Result<SocketAddr, String> {
    text.parse()
        .map_err(|_| "expected this computer's address on the network and a port, such as 192.168.1.20:4780".to_owned())
}

fn page_address(text: &str) -> Result<PageAddress, Failure> {
    if text == "off" {
        return Ok(PageAddress::Off);
    }
    let expected = match text.parse::<SocketAddr>() {
        Ok(address) if address.ip().is_loopback() => return Ok(PageAddress::At(address)),
        Ok(_) => "an address of this computer such as 127.0.0.1:4780, since the page is not encrypted",
        Err(_) => "an address and a port such as 127.0.0.1:4780, or off",
    };
    Err(Failure::usage(format!("--page: found \"{text}\", expected {expected}")))
}

impl RunArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let page = self.page.as_deref().map_or(Ok(PageAddress::Usual), page_address)?;
        let folder = common.folder()?;
        let encrypted = self.https.then(|| folder.path());
        let network = self.listen.map(|address| NetworkPage { address, encrypted });
        let page = PageServer::bind(page, network)?.map(Arc::new);
        let library = common.library();
        let mut bench = match &self.bench {
            Some(path) => Bench::load(path, &library)?,
            None => Bench::default(),
        };
        for mut meter in self.meter {
            if meter.protocol.is_none() {
                let found = identify(&meter.address, common)?;
                tracing::info!(
                    "meter \"{}\": protocol {} at {}",
                    meter.name,
                    found.candidate.protocol.name,
                    found.settings
                );
                meter.protocol = Some(found.candidate.protocol.name.clone());
                meter.settings = Some(found.settings);
            }
            bench.add(meter, &library)?;
        }
        for warning in bench.warnings() {
            tracing::warn!("{warning}");
        }
        if bench.meters.is_empty() {
            match (&self.bench, &page) {
                (Some(_), _) => {
                    return Err(Failure::usage("the bench has no meter; add a [[meter]] to the bench file"));
                }
                (None, None) => return Err(Failure::usage("name a bench file with --bench, or a meter with --meter")),
                (None, Some(page)) => {
                    let link = page.access().local_link().replace("/#", "/setup#");
                    tracing::info!("there is no bench yet; set it up at {link}");
                }
            }
        }
        let procedure = self.procedure.as_deref().map(Procedure::load).transpose()?;
        if let (Some(procedure), Some(channels)) = (&procedure, bench.channel_names()) {
            procedure.check_channels(&channels)?;
        }
        let config = Config {
            bench,
            folder,
            procedure: procedure.map(Arc::new),
            visit: self.visit.visit()?,
            continues: self.continues,
            alert: self.alert,
            voice: own_voice(self.say),
            page,
            setup: Arc::new(Setup::new(common.config_folder(), library, self.offer)),
            on_report: |_| {},
        };
        run_daemon(config, || {
            let signals = ShutdownSignals::new()?;
            if self.stop_with_input { signals.with_input() } else { Ok(signals) }
        })
    }
}

fn run_daemon(config: Config, signals: impl FnOnce() -> io::Result<ShutdownSignals>) -> Result<ExitCode, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    log_panics();
    let ended = runtime.block_on(async { until_stopped(config, signals()?).await });
    // A thread that still reads from a disk that does not answer must not hold up the end.
    runtime.shutdown_background();
    ended
}

/// How announcements are spoken; what was chosen is printed.
fn own_voice(is_wanted: bool) -> OwnVoice {
    if !is_wanted {
        return OwnVoice::Off;
    }
    let folders = std::env::var_os("PATH").unwrap_or_default();
    match SpeechProgram::find(&folders) {
        Some(program) => {
            tracing::info!("announcements are spoken by {}", program.path.display());
            OwnVoice::Speech(program)
        }
        None => {
            tracing::warn!(
                "--say: no speech program was found, looked for {}; the bell of this terminal rings instead",
                SpeechProgram::names()
            );
            OwnVoice::Bell(ring)
        }
    }
}

fn ring() {
    // Only where somebody may hear it: in a log it would be rubbish.
    if stderr().is_terminal() {
        drop(stderr().write_all(b"\x07"));
    }
}

/// A part of the program that fails is reported in the log; what becomes of it is decided by those who watch over it.
fn log_panics() {
    std::panic::set_hook(Box::new(|panic| {
        let thread = std::thread::current();
        tracing::error!("a part of bayline failed unexpectedly (thread \"{}\"): {panic}", thread.name().unwrap_or("?"));
    }));
}

async fn until_stopped(mut config: Config, mut signals: ShutdownSignals) -> Result<ExitCode, Failure> {
    let stop = CancellationToken::new();
    let folder = config.folder.clone();
    let ready = || {
        tracing::info!("recording to {}", folder.database().display());
        notify(sd_notify::NotifyState::Ready);
    };
    if let Some(page) = config.page.as_ref().filter(|page| page.access().is_on_the_network()) {
        let link = page.access().make("first", Permission::Operate).map_err(PageError::from)?;
        print_link(&mut stderr(), &link, stderr().is_terminal())?;
        if let Some(fingerprint) = page.fingerprint() {
            tracing::info!("the browser warns once; go on only where it shows this SHA-256 fingerprint: {fingerprint}");
        }
    }
    loop {
        let restart = stop.child_token();
        config.setup.restart_by(restart.clone());
        let mut run = std::pin::pin!(daemon::run(config.clone(), &ready, restart));
        // In one task with the loop: a task of its own that failed would leave a daemon that no signal stops.
        tokio::select! {
            ended = &mut run => ended?,
            () = signals.received() => {
                tracing::info!("stopping");
                notify(sd_notify::NotifyState::Stopping);
                stop.cancel();
                run.await?
            }
        };
        // Chosen on the page: the same daemon goes on with other meters, its addresses and links stay.
        let Some(bench) = config.setup.take_chosen().filter(|_| !stop.is_cancelled()) else {
            return Ok(ExitCode::SUCCESS);
        };
        for warning in bench.warnings() {
            tracing::warn!("{warning}");
        }
        config = Config { bench, procedure: None, visit: Visit::default(), continues: None, ..config };
    }
}

/// Notifies the service manager, where there is one.
fn notify(state: sd_notify::NotifyState) {
    if let Err(error) = sd_notify::notify(&[state]) {
        tracing::debug!("the service manager could not be notified: {error}");
    }
}

#[cfg(test)]
mod tests {
    use std::{
        io::Read,
        os::unix::net::UnixStream,
        process::{Command, Stdio},
        sync::mpsc,
        thread,
        time::Duration,
    };

    use super::*;
    use crate::{
        protocol::Library,
        setup::ConfigFolder,
        store::{Folder, WriterReport},
    };

    /// Where the process of the test below keeps its session.
    const FOLDER: &str = "BAYLINE_DYING_STORE";

    /// What is waited for comes within this.
    const PATIENCE: Duration = Duration::from_secs(60);

    /// Proven on a process of its own, since its exit status is what a service manager acts on.
    #[test]
    fn a_store_that_dies_ends_the_process_with_status_1() {
        let data = tempfile::tempdir().unwrap();
        let mut process = Command::new(std::env::current_exe().unwrap())
            .args(["cli::run::tests::a_daemon_whose_store_dies", "--exact", "--ignored", "--nocapture"])
            .env(FOLDER, data.path())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (mut errors, id) = (process.stderr.take().unwrap(), process.id());
        let (ended, end) = mpsc::channel();
        thread::spawn(move || {
            let mut log = String::new();
            drop(errors.read_to_string(&mut log));
            drop(ended.send((process.wait().unwrap(), log)));
        });
        let Ok((status, log)) = end.recv_timeout(PATIENCE) else {
            let _gone = nix::sys::signal::kill(nix::unistd::Pid::from_raw(id.cast_signed()), nix::sys::signal::SIGKILL);
            panic!("it goes on without its store");
        };
        assert_eq!(status.code(), Some(1), "{log}");
        assert!(log.contains("thread \"store\""), "{log}");
        assert!(log.lines().any(|line| line.starts_with("bayline: ")), "{log}");
    }

    #[test]
    #[ignore = "runs in a process of its own, which the test above starts"]
    fn a_daemon_whose_store_dies() {
        let Some(data) = std::env::var_os(FOLDER) else { return };
        tracing_subscriber::fmt().with_writer(std::io::stderr).init();
        let folder = Folder::at(data.as_ref());
        let socket = folder.socket();
        // The begin of a session has to be acknowledged, and that is the last thing the store does.
        thread::spawn(move || {
            let mut stream = loop {
                match UnixStream::connect(&socket) {
                    Ok(stream) => break stream,
                    Err(_) => thread::yield_now(),
                }
            };
            stream.write_all(b"{\"do\": \"begin\"}\n").unwrap();
            stream.read_to_string(&mut String::new()).unwrap();
        });
        let config = Config {
            bench: Bench::default(),
            folder,
            procedure: None,
            visit: Visit::default(),
            continues: None,
            alert: Vec::new(),
            voice: OwnVoice::Off,
            page: None,
            setup: Arc::new(Setup::new(ConfigFolder::at(None), Library::default(), Vec::new())),
            on_report: |report| {
                assert!(!matches!(report, WriterReport::Synced(_)), "the store dies, as the test wants");
            },
        };
        let code = run_daemon(config, ShutdownSignals::new).map_or_else(|failure| failure.exit_status(), |_| 0);
        std::process::exit(code);
    }
}
