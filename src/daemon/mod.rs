//! Joins the stages: ports into the core, the core's effects into the store and to those who event_loop.
//!
//! Threads: one for each port, one for the store; everything else runs on one thread.

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
    server::{self, Doors, ServerError},
    session::{Begin, Visit},
    store::{
        Folder, FolderError, Store, StoreError, open_to_read,
        read::{ResumableSession, resumable_session},
    },
};
use alert::Alert;
use event_loop::EventLoop;
use ports::{PortCommands, Ports};

/// Chunks on the way from the ports: when it is full a port waits, and says how long.
const PORT_QUEUE: usize = 64;

/// Requests on the way from clients; each waits for its answer anyway.
const REQUEST_QUEUE: usize = 16;

/// News that a watcher may be behind; beyond it the oldest are dropped and he is told how many.
const NEWS_QUEUE: usize = 256;

/// Reports of the store on their way: few, and each is taken at once.
const REPORT_QUEUE: usize = 1024;

/// What the daemon is started with.
#[derive(Debug)]
pub(crate) struct Config {
    /// The meters.
    pub bench: Bench,
    /// Where everything is kept.
    pub folder: Folder,
    /// What is going to be done; none for a free-running session.
    pub procedure: Option<Arc<Procedure>>,
    /// Which machine, and why it is here.
    pub visit: Visit,
    /// The session that the first one goes on with: its number, the beginning of its identity, or last; none for one
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
    /// The procedure of the session that is gone on with does not suit this program or bench.
    #[error(transparent)]
    Procedure(#[from] Mistake),
    /// The control socket can't be opened.
    #[error(transparent)]
    Server(#[from] ServerError),
    /// The system gave no thread for the alert command.
    #[error("no thread for the alert command: {0}")]
    AlertThread(std::io::Error),
    /// The system gave no thread for a port.
    #[error("no thread for meter \"{meter}\": {source}")]
    Thread {
        /// The meter's name.
        meter: String,
        /// The system's word.
        source: std::io::Error,
    },
}

/// What a run came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Summary {
    /// The database.
    pub database: PathBuf,
}

/// Runs until told to stop. `ready` is called once clients can connect and recording has begun.
///
/// # Errors
/// It could not start, or the last commit failed.
pub(crate) async fn run(config: Config, ready: impl FnOnce(), stop: CancellationToken) -> Result<Summary, DaemonError> {
    let folder = config.folder;
    let held = folder.hold()?;
    let (report, reports) = mpsc::channel(REPORT_QUEUE);
    // The loop takes reports first of all, so the store never waits here for long.
    let store = Store::open(&folder.database(), move |told| drop(report.blocking_send(told)))?;
    for session in store.interrupted() {
        tracing::warn!(
            "session {session} had been cut off; it is closed as interrupted, `bayline begin --continues {session}` goes on with it"
        );
    }
    let mut begin = Begin {
        id: Uuid::now_v7(),
        wall: Clock::wall(),
        visit: config.visit,
        procedure: config.procedure,
        bench: config.bench.text.clone(),
        previous: None,
    };
    if let Some(wanted) = &config.continues {
        begin = resume(begin, resumable_session(&open_to_read(&folder.database())?, wanted)?)?;
        if let (Some(procedure), Some(channels)) = (&begin.procedure, config.bench.channel_names()) {
            procedure.check_channels(&channels)?;
        }
    }
    let listener = server::bind(&folder.socket())?;
    let (asked, requests) = mpsc::channel(REQUEST_QUEUE);
    let (news, _) = broadcast::channel(NEWS_QUEUE);
    let clients = CancellationToken::new();
    let server = tokio::spawn(Doors { asked, news: news.clone() }.serve(listener, clients.clone()));

    let clock = Clock::start();
    let (to_loop, from_ports) = mpsc::channel(PORT_QUEUE);
    let alert = Alert::start(config.alert)?;
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
    // It only ends; an accept loop has no result to lose.
    drop(server.await);
    drop(std::fs::remove_file(folder.socket()));
    drop(held);
    ended?;
    Ok(Summary { database: folder.database() })
}

/// A session that goes on where another one was cut off: with its procedure, and what was not told anew.
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
