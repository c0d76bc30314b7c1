//! Joins the stages: port events into the core, the core's effects into the store and to watching clients.
//!
//! Threads: one for each port, one for the store; everything else runs on one thread.
//!
//! Read in this order: this file starts and stops everything; `ports` are the port threads; `event_loop` is the loop, with
//! `port_events`, `requests`, `store_reports` and `status` for what reaches it; `pauses` and `observed_bench` stand beside it; `announcer` runs
//! programs at announcements, and `speaker` knows who speaks.

mod announcer;
mod event_loop;
mod findings_thread;
mod observed_bench;
mod pauses;
mod ports;
mod speaker;

use std::{path::PathBuf, sync::Arc, time::Duration};

use tokio::{
    net::UnixListener,
    sync::{broadcast, mpsc},
};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::{
    channel::{Bench, ChannelIds},
    clock::Clock,
    judging::judge_all_by_corrections,
    mistake::Mistake,
    procedure::Procedure,
    server::{self, ControlServer, PageServer, ServerError},
    session::{Begin, Visit},
    setup::Setup,
    store::{
        Folder, FolderError, Store, StoreError, WriterReport,
        read::{Archive, ResumableSession, resumable_session},
    },
};
use announcer::{AnnouncementProgram, Announcer, ProgramEnding};
use event_loop::{EventLoop, LoopEnd};
use findings_thread::FindingsThread;
use ports::{PortCommands, Ports};
use speaker::Speaker;
pub(crate) use speaker::{OWN_VOICE, OwnVoice, SpeechProgram};

/// Events from the ports. When it is full, a port thread waits and reports how long.
const PORT_QUEUE: usize = 64;

/// Requests from clients. When it is full, the client waits, as it does for its answer.
const REQUEST_QUEUE: usize = 16;

/// News for one watching client. When it is full, the oldest are dropped and the client receives their number.
const NEWS_QUEUE: usize = 256;

/// How long the connections of the page have to end.
const PAGE_END: Duration = Duration::from_millis(500);

/// Reports from the store. The loop takes them first, so the store hardly ever waits.
const REPORT_QUEUE: usize = 1024;

/// How long until a control socket that could not be opened anew is tried again.
const SOCKET_RETRY: Duration = Duration::from_secs(1);

/// What the daemon is started with.
#[derive(Debug, Clone)]
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
    /// How this computer speaks by itself.
    pub voice: OwnVoice,
    /// The live page; none where it is off.
    pub page: Option<Arc<PageServer>>,
    /// What the page sets up with.
    pub setup: Arc<Setup>,
    /// Called with each report of the store, on the store's own thread: what fails here fails there.
    pub on_report: fn(&WriterReport),
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
    let on_report = config.on_report;
    let store = Store::open(&folder.database(), move |sent| {
        on_report(&sent);
        drop(report.blocking_send(sent));
    })?;
    let continued =
        config.continues.as_deref().and_then(|wanted| Some(Archive::open(folder).ok()?.find(wanted).ok()?.1.id));
    for session in store.interrupted() {
        if continued == Some(*session) {
            tracing::warn!("session {session} was cut off; it is closed as interrupted, and this run continues it");
        } else {
            tracing::warn!(
                "session {session} was cut off; it is closed as interrupted, and `bayline begin --continues {session}` continues it"
            );
        }
    }
    // What an earlier run left undone; those who record and look on don't wait for it.
    let catching_up = judging_by_corrections(folder);
    let begin = first_session(&config)?;
    let listener = server::bind(&folder.socket())?;
    let link = config.page.as_ref().map(|page| page.access().local_link());
    let (asked, requests) = mpsc::channel(REQUEST_QUEUE);
    let (news, _) = broadcast::channel(NEWS_QUEUE);
    let clients = CancellationToken::new();
    let access = config.page.as_ref().map(|page| page.access().clone());
    let page = config.page.clone().map(|page| {
        let (asked, news, stop) = (asked.clone(), news.clone(), clients.clone());
        let (folder, setup) = (folder.clone(), (config.setup.clone(), Arc::from(config.bench.text.as_str())));
        tokio::spawn(async move { page.serve(asked, &news, folder, setup, stop).await })
    });
    let server = ControlServer { requests: asked, news: news.clone(), access };
    let serve = {
        let clients = clients.clone();
        move |listener| server.clone().serve(listener, clients.clone())
    };
    let serving = tokio::spawn(serve_on(serve, listener, folder.socket(), clients.clone()));

    let clock = Clock::start();
    let (to_loop, from_ports) = mpsc::channel(PORT_QUEUE);
    let alert = (!config.alert.is_empty()).then(|| {
        let command = config.alert.clone();
        Announcer::start(AnnouncementProgram { name: "alert command", command, ending: ProgramEnding::Never })
    });
    let speaker = Speaker::new(&config.voice);
    let (findings_thread, findings) = FindingsThread::new();
    let (port_commands, commands) = PortCommands::new(config.bench.meters.len());
    let (mut event_loop, prepared) = EventLoop::new(
        clock,
        &config.bench,
        folder.clone(),
        store,
        event_loop::LoopOutputs { news, alert, speaker, ports: port_commands, findings: findings_thread },
    );
    let ids = ChannelIds::default();
    event_loop.add_derived(&config.bench, &ids);
    event_loop.set_page(link.clone());
    // Without a meter there is nothing to record: the operator sets up first.
    if !config.bench.meters.is_empty() {
        event_loop.begin(begin);
    }
    let ports = Ports::start(&config.bench, &ids, clock, &to_loop, commands)?;
    drop(to_loop);
    if let Some(link) = link {
        tracing::info!("the live page is at {link}");
    }
    ready();

    let inputs = event_loop::LoopInputs { ports: from_ports, requests, reports, prepared, findings };
    let (left, end) = event_loop.run(inputs, stop).await;
    ports.stop();
    let ended = event_loop.finish(left).await;
    clients.cancel();
    // What it could say has been logged.
    drop(serving.await);
    if let Some(page) = page {
        // Its streams end with `clients`; a browser that holds a connection open must not hold the end up.
        drop(tokio::time::timeout(PAGE_END, page).await);
    }
    // A temperature that was corrected while the session was open counts for its earlier steps too.
    if ended.is_ok() {
        drop(catching_up.await);
        drop(judging_by_corrections(folder).await);
    }
    drop(std::fs::remove_file(folder.socket()));
    drop(held);
    ended?;
    match end {
        LoopEnd::Stopped => Ok(Summary { database: folder.database() }),
        LoopEnd::StoreFailed => Err(StoreError::WriterGone.into()),
    }
}

/// Judges the sessions again that were corrected while they were open, on a thread of its own.
fn judging_by_corrections(folder: &Folder) -> tokio::task::JoinHandle<()> {
    let folder = folder.clone();
    tokio::task::spawn_blocking(move || judge_all_by_corrections(&folder))
}

/// Serves clients until it is stopped. Where the part that accepts them fails, the socket is opened anew.
async fn serve_on<F>(
    serve: impl Fn(UnixListener) -> F,
    listener: UnixListener,
    socket: PathBuf,
    stop: CancellationToken,
) where
    F: Future<Output = ()> + Send + 'static,
{
    let mut listener = Some(listener);
    while let Some(open) = listener.take() {
        // Clients have tasks of their own, and a failure of one ends that client alone.
        let served = tokio::spawn(serve(open)).await;
        if served.is_ok() || stop.is_cancelled() {
            return;
        }
        tracing::error!("the control socket failed unexpectedly; it is opened anew");
        while listener.is_none() && !stop.is_cancelled() {
            match server::bind(&socket) {
                Ok(again) => listener = Some(again),
                Err(error) => {
                    tracing::error!("{error}");
                    tokio::time::sleep(SOCKET_RETRY).await;
                }
            }
        }
    }
}

/// What the first session begins with.
fn first_session(config: &Config) -> Result<Begin, DaemonError> {
    let begin = Begin {
        id: Uuid::now_v7(),
        wall: Clock::wall(),
        visit: config.visit.clone(),
        procedure: config.procedure.clone(),
        bench: config.bench.text.clone(),
        retests: None,
        previous: None,
    };
    let Some(wanted) = &config.continues else { return Ok(begin) };
    let begin = resume(begin, resumable_session(&Archive::open(&config.folder)?, wanted)?)?;
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
        retests: begin.retests.or(resumable.retests),
        previous: Some(Arc::new(resumable.previous)),
        ..begin
    })
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU32, Ordering};

    use super::*;

    #[tokio::test]
    async fn a_control_socket_that_fails_is_opened_anew() {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("control.sock");
        let (stop, served) = (CancellationToken::new(), Arc::new(AtomicU32::new(0)));
        let serve = {
            let served = served.clone();
            move |listener: UnixListener| {
                let times = served.fetch_add(1, Ordering::SeqCst);
                async move {
                    let (_stream, _) = listener.accept().await.unwrap();
                    assert!(times > 0, "the first one fails, as the test wants");
                }
            }
        };
        let listener = server::bind(&socket).unwrap();
        let serving = tokio::spawn(serve_on(serve, listener, socket.clone(), stop));
        tokio::net::UnixStream::connect(&socket).await.unwrap();
        // Whoever comes while it is opened anew tries again, as every client does that finds no daemon.
        while served.load(Ordering::SeqCst) < 2 || tokio::net::UnixStream::connect(&socket).await.is_err() {
            tokio::task::yield_now().await;
        }
        serving.await.unwrap();
        assert_eq!(served.load(Ordering::SeqCst), 2);
    }

    /// A dead writer disabled its own alarm.
    #[tokio::test]
    async fn a_store_that_dies_ends_the_daemon_with_status_1() {
        let data = tempfile::tempdir().unwrap();
        let folder = Folder::at(data.path());
        let (report, reports) = mpsc::channel(REPORT_QUEUE);
        // Called on the thread of the writer: it dies there, as by a bug of its own.
        let store = Store::open(&folder.database(), move |sent| {
            assert!(!matches!(sent, WriterReport::Synced(_)), "the writer dies, as the test wants");
            drop(report.blocking_send(sent));
        })
        .unwrap();
        let (news, _) = broadcast::channel(NEWS_QUEUE);
        let (ports, _commands) = PortCommands::new(0);
        let (findings_thread, findings) = FindingsThread::new();
        let speaker = Speaker::new(&OwnVoice::Off);
        let outputs = event_loop::LoopOutputs { news, alert: None, speaker, ports, findings: findings_thread };
        let (mut event_loop, prepared) = EventLoop::new(Clock::start(), &Bench::default(), folder, store, outputs);
        let begin = Begin {
            id: Uuid::now_v7(),
            wall: Clock::wall(),
            visit: Visit::default(),
            procedure: None,
            bench: String::new(),
            previous: None,
            retests: None,
        };
        event_loop.begin(begin);
        let (asked, requests) = mpsc::channel(REQUEST_QUEUE);
        let (answer, answered) = tokio::sync::oneshot::channel();
        let request = server::Request::Note { text: "anybody there".to_owned() };
        asked.send(server::PendingRequest { request, answer }).await.unwrap();
        let (to_loop, from_ports) = mpsc::channel(PORT_QUEUE);
        let inputs = event_loop::LoopInputs { ports: from_ports, requests, reports, prepared, findings };
        let (left, end) = event_loop.run(inputs, CancellationToken::new()).await;
        assert_eq!(end, LoopEnd::StoreFailed);
        drop(to_loop);
        // The end says so too, and that is status 1.
        assert!(event_loop.finish(left).await.is_err());
        // The note was never acknowledged.
        assert!(answered.await.is_err());
    }
}
