//! `bayline run`: runs the daemon.

use std::{
    io::{IsTerminal, Write, stderr},
    net::SocketAddr,
    path::PathBuf,
    process::ExitCode,
    sync::Arc,
};

use clap::Args;
use tokio_util::sync::CancellationToken;

use super::{CommonArgs, failure::Failure, identify::identify, stop::ShutdownSignals, visit::VisitArgs};
use crate::{
    channel::{Bench, QuickMeter},
    daemon::{self, Config, OwnVoice, SpeechProgram},
    procedure::Procedure,
    server::PageAddress,
};

/// Run the daemon.
#[derive(Debug, Args)]
pub(super) struct RunArgs {
    /// The bench file: the meters and their channels
    #[arg(long, value_name = "FILE", required_unless_present = "meter")]
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
    #[command(flatten)]
    visit: VisitArgs,
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
            return Err(Failure::usage("the bench has no meter; add a [[meter]] to the bench file"));
        }
        let procedure = self.procedure.as_deref().map(Procedure::load).transpose()?;
        if let (Some(procedure), Some(channels)) = (&procedure, bench.channel_names()) {
            procedure.check_channels(&channels)?;
        }
        let folder = common.folder()?;
        let config = Config {
            bench,
            folder,
            procedure: procedure.map(Arc::new),
            visit: self.visit.visit()?,
            continues: self.continues,
            alert: self.alert,
            voice: own_voice(self.say),
            page,
        };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        log_panics();
        let ended = runtime.block_on(until_stopped(config));
        // A thread that still reads from a disk that does not answer must not hold up the end.
        runtime.shutdown_background();
        ended
    }
}

/// How announcements are spoken, which is told.
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

async fn until_stopped(config: Config) -> Result<ExitCode, Failure> {
    let stop = CancellationToken::new();
    let mut signals = ShutdownSignals::new()?;
    let folder = config.folder.clone();
    let ready = || {
        tracing::info!("recording to {}", folder.database().display());
        notify(sd_notify::NotifyState::Ready);
    };
    let mut run = std::pin::pin!(daemon::run(config, ready, stop.clone()));
    // In one task with the loop: a task of its own that failed would leave a daemon that no signal stops.
    tokio::select! {
        ended = &mut run => return Ok(ended.map(|_| ExitCode::SUCCESS)?),
        () = signals.received() => {}
    }
    tracing::info!("stopping");
    notify(sd_notify::NotifyState::Stopping);
    stop.cancel();
    run.await?;
    Ok(ExitCode::SUCCESS)
}

/// Notifies the service manager, where there is one.
fn notify(state: sd_notify::NotifyState) {
    if let Err(error) = sd_notify::notify(&[state]) {
        tracing::debug!("the service manager could not be notified: {error}");
    }
}
