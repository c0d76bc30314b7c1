//! The live page and what it asks for, over HTTP on this computer alone.
//!
//! The page asks the same requests as a client of the control socket and gets the same messages; nothing here changes the
//! core. Reading order: `access` (who may ask), `log` (news that a page which lost its connection gets again), `routes`.
//!
//! # Security
//! Only addresses of this computer are served. A request must name this server as its host, so that a page of another site
//! that points its own name here gets nothing. The address that `run` prints carries a token in its fragment, which is never
//! sent by itself: the page redeems it by POST for a cookie that scripts can't read and other sites can't send. Nothing from a
//! request reaches the file system.

mod access;
mod log;
mod routes;

use std::{io, net::SocketAddr, sync::Arc};

use tokio::{
    net::TcpListener,
    sync::{broadcast, mpsc},
};
use tokio_util::sync::CancellationToken;

use self::{access::Access, log::NewsLog};
use super::PendingRequest;
use crate::store::Folder;

/// Where the page is served unless another address is given.
pub(crate) const USUAL_PAGE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 4780);

/// Where the live page is served.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PageAddress {
    /// Nowhere.
    Off,
    /// At [`USUAL_PAGE`], or at another port where that is in use.
    Usual,
    /// Here or nowhere.
    At(SocketAddr),
}

/// Why the page can't be served.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PageError {
    /// The address is in use, or not of this computer.
    #[error("the page can't be served at {address}: {}; choose another address with --page, or --page off", crate::io_reason::IoReason(.source))]
    Bind {
        /// Which one.
        address: SocketAddr,
        /// The system's message.
        source: io::Error,
    },
    /// The system gave no random bytes for the token.
    #[error("the system gave no random bytes for the token of the page; use --page off")]
    Random,
}

/// A page that is about to be served.
#[derive(Debug)]
pub(crate) struct PageServer {
    listener: TcpListener,
    access: Access,
}

impl PageServer {
    /// Takes the address; none where the page is off.
    ///
    /// # Errors
    /// The address can't be had.
    pub(crate) async fn bind(address: PageAddress) -> Result<Option<Self>, PageError> {
        let (first, second) = match address {
            PageAddress::Off => return Ok(None),
            PageAddress::Usual => (USUAL_PAGE, Some(SocketAddr::new(USUAL_PAGE.ip(), 0))),
            PageAddress::At(address) => (address, None),
        };
        let bound = match (TcpListener::bind(first).await, second) {
            (Err(_), Some(any)) => TcpListener::bind(any).await.map_err(|source| (any, source)),
            (bound, _) => bound.map_err(|source| (first, source)),
        };
        let listener = bound.map_err(|(address, source)| PageError::Bind { address, source })?;
        let local = listener.local_addr().map_err(|source| PageError::Bind { address: first, source })?;
        Ok(Some(Self { listener, access: Access::new(local).ok_or(PageError::Random)? }))
    }

    /// The address with its token, for the operator.
    pub(crate) fn link(&self) -> String {
        self.access.link()
    }

    /// Serves until `stop` is cancelled, which also ends streams that are open.
    pub(crate) async fn serve(
        self,
        requests: mpsc::Sender<PendingRequest>,
        news: &broadcast::Sender<Arc<str>>,
        folder: Folder,
        stop: CancellationToken,
    ) {
        let log = NewsLog::follow(news, stop.clone());
        let state = routes::PageState { access: Arc::new(self.access), requests, log, folder, stop: stop.clone() };
        let served = axum::serve(self.listener, routes::router(state)).with_graceful_shutdown(stop.cancelled_owned());
        if let Err(error) = served.await {
            tracing::warn!("the page is not served any more: {}", crate::io_reason::IoReason(&error));
        }
    }
}
