//! The control socket: accepts clients, passes their requests to the event loop, sends answers and news.

use std::{
    io,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
    sync::Arc,
};

use futures_util::{SinkExt, StreamExt};
use nix::sys::stat::{Mode, umask};
use tokio::{
    net::{UnixListener, UnixStream},
    sync::{broadcast, mpsc, oneshot},
};
use tokio_util::{
    codec::{Framed, LinesCodec, LinesCodecError},
    sync::CancellationToken,
};

use super::{
    Answer, News, Request,
    http::{Access, LinkError},
    messages::{LinkLine, Permission},
};
use crate::{io_reason::IoReason, mistake::json_mistake};

/// The longest request: a procedure file travels in one.
const LONGEST_LINE: usize = 1 << 20;

/// A request that waits for its answer.
#[derive(Debug)]
pub(crate) struct PendingRequest {
    /// The request.
    pub request: Request,
    /// Dropped when the client is gone.
    pub answer: oneshot::Sender<Answer>,
}

/// Why the control socket can't be opened.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ServerError {
    /// A socket's name has room for 107 bytes.
    #[error("the path {} is too long for a socket (107 bytes); choose a shorter folder with --data", path.display())]
    PathTooLong {
        /// Which one.
        path: PathBuf,
    },
    /// The system refused.
    #[error("the control socket {} can't be opened: {}", path.display(), IoReason(.source))]
    Socket {
        /// Which one.
        path: PathBuf,
        /// The system's message.
        source: io::Error,
    },
}

/// Opens the control socket, for its owner alone. A socket left by a daemon that ended is
/// removed: the caller holds the folder's lock, so no daemon uses it.
pub(crate) fn bind(path: &Path) -> Result<UnixListener, ServerError> {
    if path.as_os_str().len() > 107 {
        return Err(ServerError::PathTooLong { path: path.to_owned() });
    }
    let failed = |source| ServerError::Socket { path: path.to_owned(), source };
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(failed(error)),
        _ => {}
    }
    // No other user may connect, not even before the permissions are set.
    let before = umask(Mode::from_bits_truncate(0o177));
    let bound = UnixListener::bind(path);
    umask(before);
    let listener = bound.map_err(failed)?;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).map_err(failed)?;
    Ok(listener)
}

/// Serves the clients of the control socket.
#[derive(Debug, Clone)]
pub(crate) struct ControlServer {
    /// To the daemon's event loop. The queue is short, since a client waits for its answer.
    pub requests: mpsc::Sender<PendingRequest>,
    /// News as lines of JSON. A slow watcher loses the oldest; a line then says how many.
    pub news: broadcast::Sender<Arc<str>>,
    /// The links of the page; none where it is off.
    pub access: Option<Arc<Access>>,
}

impl ControlServer {
    /// Serves clients until `stop` is cancelled. A failed accept is logged and tried again.
    pub(crate) async fn serve(self, listener: UnixListener, stop: CancellationToken) {
        loop {
            let accepted = tokio::select! {
                () = stop.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            match accepted {
                Ok((stream, _)) => {
                    let (server, stop) = (self.clone(), stop.clone());
                    tokio::spawn(async move {
                        let ended = tokio::select! {
                            () = stop.cancelled() => Ok(()),
                            ended = server.client(stream) => ended,
                        };
                        if let Err(error) = ended {
                            tracing::debug!("a client was cut off: {}", connection_words(&error));
                        }
                    });
                }
                Err(error) => {
                    tracing::warn!("the control socket could not accept a client: {}", IoReason(&error));
                    // Usually the process is out of file descriptors: an immediate retry would spin.
                    tokio::time::sleep(std::time::Duration::from_millis(200)).await;
                }
            }
        }
    }

    async fn client(&self, stream: UnixStream) -> Result<(), LinesCodecError> {
        let mut lines = ClientConnection(Framed::new(stream, LinesCodec::new_with_max_length(LONGEST_LINE)));
        while let Some(line) = lines.0.next().await {
            let line = match line {
                Ok(line) => line,
                Err(LinesCodecError::MaxLineLengthExceeded) => {
                    return lines.send(&Answer::refused("the request is longer than 1 MiB")).await;
                }
                Err(error) => return Err(error),
            };
            let answer = match serde_json::from_str::<Request>(&line) {
                Ok(Request::Watch {}) => {
                    let news = self.news.subscribe();
                    lines.send(&Answer::done()).await?;
                    return lines.follow(news).await;
                }
                Ok(Request::Links {}) => self.links(|access| Ok(access.list())),
                Ok(Request::Link { name, onlooker }) => self.links(|access| {
                    let permission = if onlooker { Permission::Look } else { Permission::Operate };
                    Ok(vec![access.make(&name, permission)?])
                }),
                Ok(Request::Revoke { link }) => self.links(|access| Ok(vec![access.revoke(link)?])),
                Ok(request) => self.ask(request).await,
                Err(error) => Answer::refused(format!("the request can't be read: {}", json_mistake(&error))),
            };
            lines.send(&answer).await?;
        }
        Ok(())
    }

    fn links(&self, act: impl FnOnce(&Access) -> Result<Vec<LinkLine>, LinkError>) -> Answer {
        let Some(access) = &self.access else {
            return Answer::refused("the page is off; start the daemon without `--page off`");
        };
        match act(access) {
            Ok(links) => Answer { links, ..Answer::done() },
            Err(error) => Answer::refused(error.to_string()),
        }
    }

    async fn ask(&self, request: Request) -> Answer {
        let (answer, answered) = oneshot::channel();
        let stopping = || Answer::refused("the daemon is stopping");
        if self.requests.send(PendingRequest { request, answer }).await.is_err() {
            return stopping();
        }
        answered.await.unwrap_or_else(|_| stopping())
    }
}

/// Why a client's connection failed, in words.
fn connection_words(error: &LinesCodecError) -> String {
    match error {
        LinesCodecError::Io(error) => IoReason(error).to_string(),
        LinesCodecError::MaxLineLengthExceeded => "its request is longer than 1 MiB".to_owned(),
    }
}

/// The connection of one client, a line of JSON at a time.
struct ClientConnection(Framed<UnixStream, LinesCodec>);

impl ClientConnection {
    async fn send(&mut self, answer: &Answer) -> Result<(), LinesCodecError> {
        let line = serde_json::to_string(answer).map_err(io::Error::from)?;
        self.0.send(line).await
    }

    /// Sends news until the client hangs up.
    async fn follow(mut self, mut news: broadcast::Receiver<Arc<str>>) -> Result<(), LinesCodecError> {
        loop {
            tokio::select! {
                // A watcher sends no more requests: anything it sends, or the end of the stream, ends the watch.
                _ = self.0.next() => return Ok(()),
                line = news.recv() => match line {
                    Ok(line) => self.0.send(&*line).await?,
                    Err(broadcast::error::RecvError::Lagged(count)) => {
                        let line = serde_json::to_string(&News::Missed { count }).map_err(io::Error::from)?;
                        self.0.send(line).await?;
                    }
                    Err(broadcast::error::RecvError::Closed) => return Ok(()),
                },
            }
        }
    }
}
