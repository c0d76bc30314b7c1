//! Joins the stages: port events into the core, the core's effects into the store and to watching clients.
//!
//! Threads: one for each port, one for the store; everything else runs on one thread.
//!
//! Read in this order: this file starts and stops everything; `ports` are the port threads; `event_loop` is the loop, with
//! `port_events`, `requests` and `status` for what reaches it; `observed_bench` and `alert` stand beside it.

mod alert;
mod event_loop;
mod observed_bench;
mod ports;

use std::{path::PathBuf, sync::Arc};

use tokio::sync::{broadcast, mpsc};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::{
    channel::Bench,
    clock::Clock,
    mistake::Mistake,
    procedure::Procedure,
    server::{self, ControlServer, ServerError},
    session::{Begin, Visit},
    store::{
        Folder, FolderError, Store, StoreError, open_to_read,
        read::{ResumableSession, resumable_session},
    },
};
use alert::Alert;
use event_loop::EventLoop;
use ports::{PortCommands, Ports};

/// Events from the ports. When it is full, a port thread waits and reports how long.
const PORT_QUEUE: usize = 64;

/// Requests from clients. When it is full, the client waits, as it does for its answer.
const REQUEST_QUEUE: usize = 16;

/// News for one watching client. When it is full, the oldest are dropped and the client receives their number.
const NEWS_QUEUE: usize = 256;

/// Reports from the store. The loop takes them first, so the store hardly ever waits.
const REPORT_QUEUE: usize = 1024;

/// What the daemon is started with.
#[derive(Debug)]
pub(crate) struct Config {
    /// The meters.
    pub bench: Bench,
    /// Where everything is kept.
    pub folder: Folder,
    /// The procedure; none for a free-running session.
    pub procedure: Option<Arc<Procedure>>,
    /// Which machine, and why it is here.
    pub visit: Visit,
    /// The session that the first one continues: its number, the beginning of its identity, or last; none for one
    /// that stands alone.
    pub continues: Option<String>,
    /// A program and its first arguments, run at each announcement; empty for none.
    pub alert: Vec<String>,
}

/// Why the daemon could not start, or did not end well.
#[derive(Debug, thiserror::Error)]
pub(crate) enum DaemonError {
    /// The data folder can't be used.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The database can't be used.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The procedure of the resumed session does not suit this program or bench.
    #[error(transparent)]
    Procedure(#[from] Mistake),
    /// The control socket can't be opened.
    #[error(transparent)]
    Server(#[from] ServerError),
    /// The thread of the alert command could not be started.
    #[error("the system gave no thread for the alert command: {}", crate::io_reason::IoReason(.0))]
    AlertThread(std::io::Error),
    /// The thread of a port could not be started.
    #[error("the system gave no thread for meter \"{meter}\": {}", crate::io_reason::IoReason(.source))]
    Thread {
        /// The meter's name.
        meter: String,
        /// The system's error.
        source: std::io::Error,
    },
}

/// The result of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Summary {
    /// The database.
    pub database: PathBuf,
}

/// Runs until `stop`. `ready` is called once clients can connect and recording has begun.
///
/// # Errors
/// It could not start, or the last commit failed.
pub(crate) async fn run(config: Config, ready: impl FnOnce(), stop: CancellationToken) -> Result<Summary, DaemonError> {
    let folder = &config.folder;
    let held = folder.lock()?;
    let (report, reports) = mpsc::channel(REPORT_QUEUE);
    // The loop takes reports first, so the store never waits here for long.
    let store = Store::open(&folder.database(), move |sent| drop(report.blocking_send(sent)))?;
    for session in store.interrupted() {
        tracing::warn!(
            "session {session} was cut off; it is closed as interrupted, and `bayline begin --continues {session}` continues it"
        );
    }
    let begin = first_session(&config)?;
    let listener = server::bind(&folder.socket())?;
    let (asked, requests) = mpsc::channel(REQUEST_QUEUE);
    let (news, _) = broadcast::channel(NEWS_QUEUE);
    let clients = CancellationToken::new();
    let server = tokio::spawn(ControlServer { requests: asked, news: news.clone() }.serve(listener, clients.clone()));

    let clock = Clock::start();
    let (to_loop, from_ports) = mpsc::channel(PORT_QUEUE);
    let alert = Alert::start(config.alert.clone())?;
    let (port_commands, commands) = PortCommands::new(config.bench.meters.len());
    let mut event_loop = EventLoop::new(
        clock,
        &config.bench,
        folder.database(),
        store,
        event_loop::LoopOutputs { news, alert, ports: port_commands },
    );
    event_loop.begin(begin);
    let ports = Ports::start(&config.bench, clock, &to_loop, commands)?;
    drop(to_loop);
    ready();

    let left = event_loop.run(event_loop::LoopInputs { ports: from_ports, requests, reports }, stop).await;
    ports.stop();
    let ended = event_loop.finish(left).await;
    clients.cancel();
    // The accept loop has no result.
    drop(server.await);
    drop(std::fs::remove_file(folder.socket()));
    drop(held);
    ended?;
    Ok(Summary { database: folder.database() })
}

/// What the first session begins with.
fn first_session(config: &Config) -> Result<Begin, DaemonError> {
    let begin = Begin {
        id: Uuid::now_v7(),
        wall: Clock::wall(),
        visit: config.visit.clone(),
        procedure: config.procedure.clone(),
        bench: config.bench.text.clone(),
        previous: None,
    };
    let Some(wanted) = &config.continues else { return Ok(begin) };
    let begin = resume(begin, resumable_session(&open_to_read(&config.folder.database())?, wanted)?)?;
    if let (Some(procedure), Some(channels)) = (&begin.procedure, config.bench.channel_names()) {
        procedure.check_channels(&channels)?;
    }
    Ok(begin)
}

/// A session that continues a previous one: with its procedure, and with what is not given anew of its visit.
fn resume(begin: Begin, resumable: ResumableSession) -> Result<Begin, Mistake> {
    let procedure = match resumable.procedure {
        Some(text) => Some(Arc::new(Procedure::parse("the procedure of that session", &text)?)),
        None => None,
    };
    Ok(Begin {
        visit: begin.visit.or(resumable.visit),
        procedure: begin.procedure.or(procedure),
        previous: Some(Arc::new(resumable.previous)),
        ..begin
    })
}
