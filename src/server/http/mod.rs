//! The live page and what it asks for, over HTTP: on this computer, and on the shop's network where that is asked for.
//!
//! The page asks the same requests as a client of the control socket and gets the same messages; nothing here changes the
//! core. Reading order: `access` (who may ask, for what), `certificate`, `connections` (how many, how slow), `log` (news that a page which lost its
//! connection gets again), `routes`, `own_files`, `openapi` (their document), and the routes of setting up (`setup`), of past sessions (`past`, `download`) and of photos (`photos`).
//!
//! # Security
//! Without `--listen` only an address of this computer is served. A request must name this server by a bare address or `localhost`,
//! so that a page of another site that points its own name here gets nothing. A link carries a token in its fragment, which is
//! never sent by itself: the page redeems it by POST for a cookie that scripts can't read and other sites can't send. Each route
//! says which permission it needs. Nothing from a request becomes a path: files of the user are chosen from a list, or get a
//! name of letters, digits, blanks and dashes in a folder of their own.

mod access;
mod certificate;
mod connections;
mod download;
mod log;
mod openapi;
mod own_files;
mod past;
mod photos;
mod routes;
mod setup;

use std::{io, net::SocketAddr, sync::Arc};

use tokio::sync::{broadcast, mpsc};
use tokio_util::sync::CancellationToken;

use self::access::ServedAddress;
pub(crate) use self::access::{Access, LinkError};
pub(crate) use self::certificate::CertificateError;
pub(crate) use self::openapi::document;
use self::{certificate::PageCertificate, connections::BoundedListener, log::NewsLog};
use super::PendingRequest;
use crate::{setup::Setup, store::Folder};

/// Where the page is served unless another address is given.
const USUAL_PAGE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 4780);

/// Where the live page is served on this computer.
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
    #[error("the page can't be served at {address}: {}; choose another address with --page or --listen, or --page off", crate::io_reason::IoReason(.source))]
    Bind {
        /// Which one.
        address: SocketAddr,
        /// The system's message.
        source: io::Error,
    },
    /// It can't be encrypted.
    #[error(transparent)]
    Certificate(#[from] CertificateError),
    /// The first link can't be made.
    #[error(transparent)]
    Link(#[from] LinkError),
}

/// The page's addresses and links; both stay when the daemon changes its bench.
#[derive(Debug)]
pub(crate) struct PageServer {
    listeners: Vec<std::net::TcpListener>,
    /// Of the address on the network; none where that is not encrypted.
    certificate: Option<PageCertificate>,
    access: Arc<Access>,
}

/// How the page is served to other computers.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NetworkPage<'a> {
    /// Where.
    pub address: SocketAddr,
    /// The folder of its certificate; none where it is not encrypted.
    pub encrypted: Option<&'a std::path::Path>,
}

impl PageServer {
    /// Takes the addresses; none where the page is off.
    ///
    /// # Errors
    /// An address can't be had.
    pub(crate) fn bind(local: PageAddress, network: Option<NetworkPage>) -> Result<Option<Self>, PageError> {
        let open = |address: SocketAddr| -> Result<std::net::TcpListener, PageError> {
            let failed = |source| PageError::Bind { address, source };
            let listener = std::net::TcpListener::bind(address).map_err(failed)?;
            listener.set_nonblocking(true).map_err(failed)?;
            Ok(listener)
        };
        let own = match local {
            PageAddress::Off => return Ok(None),
            PageAddress::Usual => open(USUAL_PAGE).or_else(|_| open(SocketAddr::new(USUAL_PAGE.ip(), 0)))?,
            PageAddress::At(address) => open(address)?,
        };
        let mut listeners = vec![own];
        listeners.extend(network.map(|network| open(network.address)).transpose()?);
        let certificate =
            network.and_then(|network| Some(PageCertificate::of(network.encrypted?, network.address))).transpose()?;
        let addresses = listeners.iter().enumerate().map(|(index, listener)| {
            let wanted = network.map_or(USUAL_PAGE, |network| network.address);
            let address = listener.local_addr().map_err(|source| PageError::Bind { address: wanted, source })?;
            let is_encrypted = index > 0 && certificate.is_some();
            Ok(ServedAddress { address, scheme: if is_encrypted { "https" } else { "http" } })
        });
        let addresses = addresses.collect::<Result<_, PageError>>()?;
        Ok(Some(Self { listeners, certificate, access: Arc::new(Access::new(addresses)?) }))
    }

    /// By what the certificate of the page on the network is recognised; none where that is not encrypted.
    pub(crate) fn fingerprint(&self) -> Option<&str> {
        self.certificate.as_ref().map(|certificate| certificate.fingerprint.as_str())
    }

    /// The links.
    pub(crate) fn access(&self) -> &Arc<Access> {
        &self.access
    }

    /// Serves until `stop` is cancelled, which also ends streams that are open.
    pub(crate) async fn serve(
        &self,
        requests: mpsc::Sender<PendingRequest>,
        news: &broadcast::Sender<Arc<str>>,
        folder: Folder,
        setup: (Arc<Setup>, Arc<str>),
        stop: CancellationToken,
    ) {
        let log = NewsLog::follow(news, stop.clone());
        let state = routes::PageState::new(self.access.clone(), requests, log, folder, setup, stop.clone());
        let router = routes::router(state);
        let served = self.listeners.iter().enumerate().map(|(index, listener)| {
            let (router, stop) = (router.clone(), stop.clone());
            let acceptor = self.certificate.as_ref().filter(|_| index > 0).map(PageCertificate::acceptor);
            async move {
                let listener =
                    BoundedListener::new(tokio::net::TcpListener::from_std(listener.try_clone()?)?, acceptor);
                axum::serve(listener, router).with_graceful_shutdown(stop.cancelled_owned()).await
            }
        });
        for ended in futures_util::future::join_all(served).await {
            if let Err(error) = ended {
                tracing::warn!("the page is not served any more: {}", crate::io_reason::IoReason(&error));
            }
        }
    }
}
