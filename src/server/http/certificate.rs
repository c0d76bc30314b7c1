//! The certificate of the page on the shop's network: made by this computer for its own addresses, kept beside the database for its
//! owner alone, and recognised by its fingerprint.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write},
    net::{IpAddr, SocketAddr},
    os::unix::fs::OpenOptionsExt,
    path::Path,
    sync::Arc,
};

use rcgen::{CertificateParams, DnType, KeyPair};
use sha2::{Digest, Sha256};
use tokio_rustls::{
    TlsAcceptor,
    rustls::{
        self, ServerConfig,
        pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject},
    },
};

use crate::{clock::Clock, io_reason::IoReason};

/// Browsers take no certificate that is good for much longer than two years.
const GOOD_FOR_DAYS: i64 = 800;
const DAY_US: i64 = 86_400_000_000;

/// Why the page can't be encrypted.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CertificateError {
    /// It can't be kept or read.
    #[error("the certificate {} can't be kept: {}", path.display(), IoReason(.source))]
    File {
        /// Where.
        path: std::path::PathBuf,
        /// The system's message.
        source: io::Error,
    },
    /// It can't be made.
    #[error("the certificate of the page can't be made: {0}")]
    Made(#[from] rcgen::Error),
    /// The file holds something else.
    #[error("{} is no certificate with its key ({why}); delete it, and a new one is made", path.display())]
    Wrong {
        /// Which file.
        path: std::path::PathBuf,
        /// What is wrong.
        why: String,
    },
}

/// A certificate with its key, ready to be served by.
#[derive(Clone)]
pub(super) struct PageCertificate {
    acceptor: TlsAcceptor,
    /// SHA-256 of it, as browsers show it: pairs of hexadecimal digits with colons between them.
    pub fingerprint: String,
}

impl std::fmt::Debug for PageCertificate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PageCertificate").field("fingerprint", &self.fingerprint).finish_non_exhaustive()
    }
}

impl PageCertificate {
    /// The one that is kept in a folder, or a new one where there is none for this address, or it has run out.
    ///
    /// # Errors
    /// It can't be made, kept or read.
    pub(super) fn of(folder: &Path, address: SocketAddr) -> Result<Self, CertificateError> {
        let path = folder.join("page-certificate.pem");
        let failed = |source| CertificateError::File { path: path.clone(), source };
        let names = names_of(address);
        let title = format!("bayline's page at {}", names.iter().map(IpAddr::to_string).collect::<Vec<_>>().join(" "));
        let kept = match fs::read_to_string(&path) {
            Ok(text) => Some(text).filter(|text| is_good(text, &title, Clock::wall().0)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(source) => return Err(failed(source)),
        };
        let text = match kept {
            Some(text) => text,
            None => {
                let text = made(&names, &title, Clock::wall().0)?;
                fs::create_dir_all(folder).map_err(failed)?;
                // Never readable by others, not even for a moment; the old one is replaced as a whole.
                drop(fs::remove_file(&path));
                let mut file =
                    OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path).map_err(failed)?;
                file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
                text
            }
        };
        let wrong = |why: String| CertificateError::Wrong { path: path.clone(), why };
        let certificate = CertificateDer::from_pem_slice(text.as_bytes()).map_err(|error| wrong(error.to_string()))?;
        let key = PrivateKeyDer::from_pem_slice(text.as_bytes()).map_err(|error| wrong(error.to_string()))?;
        let digest = Sha256::digest(&certificate);
        let fingerprint = digest.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":");
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .and_then(|builder| builder.with_no_client_auth().with_single_cert(vec![certificate], key))
            .map_err(|error| wrong(error.to_string()))?;
        Ok(Self { acceptor: TlsAcceptor::from(Arc::new(config)), fingerprint })
    }

    pub(super) fn acceptor(&self) -> TlsAcceptor {
        self.acceptor.clone()
    }
}

/// The addresses that a browser may name: the one that is listened at, or all of this computer.
fn names_of(address: SocketAddr) -> Vec<IpAddr> {
    if !address.ip().is_unspecified() {
        return vec![address.ip()];
    }
    let all = nix::ifaddrs::getifaddrs().into_iter().flatten().filter_map(|interface| {
        let storage = interface.address?;
        let four = storage.as_sockaddr_in().map(|address| IpAddr::V4(address.ip()));
        four.or_else(|| storage.as_sockaddr_in6().map(|address| IpAddr::V6(address.ip())))
    });
    let mut names: Vec<IpAddr> = all.collect();
    names.sort_unstable();
    names.dedup();
    names
}

/// Whether a kept file is for these names and still good: its first line says so.
fn is_good(text: &str, title: &str, now_us: i64) -> bool {
    let first = text.lines().next().and_then(|line| line.strip_prefix("# "));
    let Some((found, until)) = first.and_then(|first| first.rsplit_once(", good until ")) else { return false };
    let is_now = until.parse::<jiff::Timestamp>().is_ok_and(|until| until.as_microsecond() > now_us);
    found == title && is_now
}

fn made(names: &[IpAddr], title: &str, now_us: i64) -> Result<String, CertificateError> {
    let mut params = CertificateParams::new(names.iter().map(IpAddr::to_string).collect::<Vec<_>>())?;
    let day = |us: i64| {
        let date =
            jiff::Timestamp::from_microsecond(us).unwrap_or_default().to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
        rcgen::date_time_ymd(date.year().into(), date.month() as u8, date.day() as u8)
    };
    let until = now_us + GOOD_FOR_DAYS * DAY_US;
    (params.not_before, params.not_after) = (day(now_us - DAY_US), day(until));
    params.distinguished_name.push(DnType::CommonName, "bayline");
    let key = KeyPair::generate()?;
    let certificate = params.self_signed(&key)?;
    let until = jiff::Timestamp::from_microsecond(until - DAY_US).unwrap_or_default();
    Ok(format!("# {title}, good until {until}\n{}{}", certificate.pem(), key.serialize_pem()))
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    #[test]
    fn one_is_made_kept_for_its_owner_and_used_again() {
        let folder = tempfile::tempdir().unwrap();
        let address = SocketAddr::from(([192, 168, 1, 20], 4780));
        let first = PageCertificate::of(folder.path(), address).unwrap();
        assert_eq!(first.fingerprint.len(), 32 * 3 - 1);
        let path = folder.path().join("page-certificate.pem");
        assert_eq!(path.metadata().unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(PageCertificate::of(folder.path(), address).unwrap().fingerprint, first.fingerprint);
        // Another address, or one that has run out, needs another.
        let other = SocketAddr::from(([192, 168, 1, 21], 4780));
        assert_ne!(PageCertificate::of(folder.path(), other).unwrap().fingerprint, first.fingerprint);
        let text = fs::read_to_string(&path).unwrap();
        let title = "bayline's page at 192.168.1.21";
        assert!(is_good(&text, title, Clock::wall().0));
        assert!(!is_good(&text, title, Clock::wall().0 + GOOD_FOR_DAYS * DAY_US));
        fs::write(&path, text.lines().next().unwrap()).unwrap();
        assert!(matches!(PageCertificate::of(folder.path(), other), Err(CertificateError::Wrong { .. })));
        assert!(!names_of(SocketAddr::from(([0, 0, 0, 0], 1))).is_empty());
    }
}
