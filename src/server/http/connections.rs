//! The connections of the page: so many at one time, and none that stands still for long.

use std::{
    future::Future,
    io,
    net::SocketAddr,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll, ready},
    time::Duration,
};

use axum::serve::Listener;
use nix::sys::socket::{setsockopt, sockopt};
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore},
    time::{Sleep, sleep},
};
use tokio_rustls::{Accept, TlsAcceptor, server::TlsStream};

/// Connections at one time. When all are in use, a further one waits until one ends.
const MOST: usize = 96;
/// After so long without a byte either way a connection is closed. Streams of news carry a line every few seconds, so
/// one that stands still is a reader that takes nothing any more.
const LONGEST_STILL: Duration = Duration::from_secs(20);
/// What the system keeps for a reader that takes nothing, bytes: some seconds of news. Left alone it would be megabytes, many
/// minutes late.
const SEND_BUFFER: usize = 1 << 16;

/// Accepts connections while there is room.
pub(super) struct BoundedListener {
    listener: TcpListener,
    /// Encrypts; none where the page is served as it is.
    acceptor: Option<TlsAcceptor>,
    room: Arc<Semaphore>,
}

impl BoundedListener {
    pub(super) fn new(listener: TcpListener, acceptor: Option<TlsAcceptor>) -> Self {
        Self { listener, acceptor, room: Arc::new(Semaphore::new(MOST)) }
    }
}

impl Listener for BoundedListener {
    type Io = WatchedStream;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (WatchedStream, SocketAddr) {
        let room = self.room.clone().acquire_owned().await.expect("nobody closes the semaphore");
        let (stream, from) = Listener::accept(&mut self.listener).await;
        // News are small and must not wait for more of them.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!("a connection of the page keeps its delay: {error}");
        }
        if let Err(error) = setsockopt(&stream, sockopt::SndBuf, &SEND_BUFFER) {
            tracing::debug!("a connection of the page keeps its buffer: {error}");
        }
        let stream = match &self.acceptor {
            None => PageStream::Plain(stream),
            Some(acceptor) => PageStream::Greeting(Box::pin(acceptor.accept(stream))),
        };
        (WatchedStream { stream, still: Box::pin(sleep(LONGEST_STILL)), _room: room }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection as it is, or encrypted.
enum PageStream {
    Plain(TcpStream),
    /// Keys are still being agreed on, which never holds up other connections.
    Greeting(Pin<Box<Accept<TcpStream>>>),
    Encrypted(Box<TlsStream<TcpStream>>),
}

/// What reads and writes once keys are agreed on.
trait ReadWrite: AsyncRead + AsyncWrite + Unpin {}

impl<T: AsyncRead + AsyncWrite + Unpin> ReadWrite for T {}

impl PageStream {
    fn ready(&mut self, context: &mut Context<'_>) -> Poll<io::Result<Pin<&mut dyn ReadWrite>>> {
        if let Self::Greeting(greeting) = self {
            let encrypted = ready!(greeting.as_mut().poll(context))?;
            *self = Self::Encrypted(Box::new(encrypted));
        }
        Poll::Ready(Ok(match self {
            Self::Plain(stream) => Pin::new(stream as &mut dyn ReadWrite),
            Self::Encrypted(stream) => Pin::new(stream.as_mut() as &mut dyn ReadWrite),
            Self::Greeting(_) => unreachable!("keys are agreed on above"),
        }))
    }

    fn poll_by<T>(
        &mut self,
        context: &mut Context<'_>,
        poll: impl FnOnce(Pin<&mut dyn ReadWrite>, &mut Context<'_>) -> Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        let stream = ready!(self.ready(context))?;
        poll(stream, context)
    }
}

/// A connection that ends when nothing moves on it.
pub(super) struct WatchedStream {
    stream: PageStream,
    still: Pin<Box<Sleep>>,
    _room: OwnedSemaphorePermit,
}

impl WatchedStream {
    /// Bytes moved, or none did for too long.
    fn moved<T>(&mut self, context: &mut Context<'_>, polled: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.still.set(sleep(LONGEST_STILL));
            return polled;
        }
        ready!(self.still.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for WatchedStream {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, to: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let polled = self.stream.poll_by(context, |stream, context| stream.poll_read(context, to));
        self.moved(context, polled)
    }
}

impl AsyncWrite for WatchedStream {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        let polled = self.stream.poll_by(context, |stream, context| stream.poll_write(context, from));
        self.moved(context, polled)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.stream.poll_by(context, |stream, context| stream.poll_flush(context))
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.stream.poll_by(context, |stream, context| stream.poll_shutdown(context))
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        from: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = self.stream.poll_by(context, |stream, context| stream.poll_write_vectored(context, from));
        self.moved(context, polled)
    }

    fn is_write_vectored(&self) -> bool {
        matches!(&self.stream, PageStream::Plain(stream) if stream.is_write_vectored())
    }
}
