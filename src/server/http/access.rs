//! Who may ask: the token of the printed address, the cookie that it is redeemed for, and the names of this server.

use std::net::SocketAddr;

use axum::http::{HeaderMap, HeaderValue, header};
use subtle::ConstantTimeEq;

/// Random bytes of a token and of a cookie.
const SECRET_BYTES: usize = 16;

/// The secrets of one run of the daemon, and the address that it is served at.
#[derive(Debug)]
pub(super) struct Access {
    address: SocketAddr,
    token: String,
    cookie: String,
}

impl Access {
    /// Fresh secrets; none where the system has no random bytes.
    pub(super) fn new(address: SocketAddr) -> Option<Self> {
        Some(Self { address, token: secret()?, cookie: secret()? })
    }

    /// The address with the token in its fragment.
    pub(super) fn link(&self) -> String {
        format!("http://{}/#{}", self.address, self.token)
    }

    /// Whether the request is meant for this server: a page of another site that points its name here is not.
    pub(super) fn is_host(&self, headers: &HeaderMap) -> bool {
        headers.get(header::HOST).is_some_and(|host| self.names().iter().any(|name| host.as_bytes() == name.as_bytes()))
    }

    /// Whether a change was asked for by the page itself.
    pub(super) fn is_origin(&self, headers: &HeaderMap) -> bool {
        let origins = self.names().map(|name| format!("http://{name}"));
        headers.get(header::ORIGIN).is_some_and(|origin| origins.iter().any(|own| origin.as_bytes() == own.as_bytes()))
    }

    fn names(&self) -> [String; 3] {
        let port = self.address.port();
        [self.address.to_string(), format!("localhost:{port}"), format!("127.0.0.1:{port}")]
    }

    /// The cookie for a token; none for a wrong one.
    pub(super) fn redeem(&self, token: &str) -> Option<HeaderValue> {
        let right: bool = token.as_bytes().ct_eq(self.token.as_bytes()).into();
        let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict", self.cookie_name(), self.cookie);
        right.then(|| HeaderValue::try_from(cookie).expect("hexadecimal digits are valid in a header"))
    }

    /// Whether a request carries the cookie.
    pub(super) fn is_paired(&self, headers: &HeaderMap) -> bool {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut pairs = cookies.flat_map(|text| text.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let name = self.cookie_name();
        pairs.any(|(found, value)| found == name && bool::from(value.as_bytes().ct_eq(self.cookie.as_bytes())))
    }

    /// Cookies are shared by all ports of a host: two daemons must not overwrite each other's.
    fn cookie_name(&self) -> String {
        format!("bayline-{}", self.address.port())
    }
}

fn secret() -> Option<String> {
    let mut bytes = [0; SECRET_BYTES];
    getrandom::fill(&mut bytes).ok()?;
    Some(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(header::HeaderName, &str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.clone(), HeaderValue::from_str(value).unwrap())).collect()
    }

    #[test]
    fn a_token_is_redeemed_for_a_cookie_that_opens() {
        let access = Access::new(SocketAddr::from(([127, 0, 0, 1], 4780))).unwrap();
        let link = access.link();
        let token = link.strip_prefix("http://127.0.0.1:4780/#").unwrap();
        assert_eq!(token.len(), 2 * SECRET_BYTES);
        for wrong in ["", "0", &token[1..], &format!("{token}0")] {
            assert!(access.redeem(wrong).is_none(), "{wrong}");
        }
        let cookie = access.redeem(token).unwrap();
        let cookie = cookie.to_str().unwrap();
        assert!(cookie.ends_with("; Path=/; HttpOnly; SameSite=Strict"), "{cookie}");
        let pair = cookie.split(';').next().unwrap();
        assert!(access.is_paired(&headers(&[(header::COOKIE, &format!("other=1; {pair}"))])));
        assert!(!access.is_paired(&headers(&[(header::COOKIE, "bayline-4780=00")])));
        assert!(!access.is_paired(&HeaderMap::new()));
    }

    #[test]
    fn only_names_of_this_computer_are_hosts() {
        let access = Access::new(SocketAddr::from(([127, 0, 0, 1], 4780))).unwrap();
        for (host, own) in
            [("127.0.0.1:4780", true), ("localhost:4780", true), ("example.invalid:4780", false), ("localhost", false)]
        {
            assert_eq!(access.is_host(&headers(&[(header::HOST, host)])), own, "{host}");
        }
        for (origin, own) in [("http://localhost:4780", true), ("https://localhost:4780", false), ("null", false)] {
            assert_eq!(access.is_origin(&headers(&[(header::ORIGIN, origin)])), own, "{origin}");
        }
        assert!(!access.is_host(&HeaderMap::new()) && !access.is_origin(&HeaderMap::new()));
    }
}
