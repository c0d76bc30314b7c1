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
use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore},
    time::{Sleep, sleep},
};

/// Connections at one time. When all are in use, a further one waits until one ends.
const MOST: usize = 96;
/// After so long without a byte either way a connection is closed. Streams of news carry a line every few seconds, so
/// one that stands still is a reader that takes nothing any more.
const LONGEST_STILL: Duration = Duration::from_secs(30);

/// Accepts connections while there is room.
pub(super) struct BoundedListener {
    listener: TcpListener,
    room: Arc<Semaphore>,
}

impl BoundedListener {
    pub(super) fn new(listener: TcpListener) -> Self {
        Self { listener, room: Arc::new(Semaphore::new(MOST)) }
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
        (WatchedStream { stream, still: Box::pin(sleep(LONGEST_STILL)), _room: room }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that ends when nothing moves on it.
pub(super) struct WatchedStream {
    stream: TcpStream,
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
        let polled = Pin::new(&mut self.stream).poll_read(context, to);
        self.moved(context, polled)
    }
}

impl AsyncWrite for WatchedStream {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write(context, from);
        self.moved(context, polled)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        from: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.stream).poll_write_vectored(context, from);
        self.moved(context, polled)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
