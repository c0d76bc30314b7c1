//! Who may ask, and for what: the links of the page, the cookies that they are redeemed for, and the names of this server.

use std::{
    net::SocketAddr,
    sync::{Mutex, MutexGuard, PoisonError},
};

use axum::http::{HeaderMap, HeaderValue, header};
use subtle::{Choice, ConditionallySelectable, ConstantTimeEq};
use tokio_util::sync::CancellationToken;

use crate::server::messages::{LinkLine, Permission};

/// Random bytes of a token and of a cookie.
const SECRET_BYTES: usize = 16;
/// Links that are valid at one time; a class has one for all of it.
const MOST_LINKS: usize = 32;
/// The longest name of a link, characters.
const LONGEST_NAME: usize = 60;

/// The links of one run of the daemon, and the addresses that it is served at.
#[derive(Debug)]
pub(crate) struct Access {
    /// The first is of this computer; a second is that of the shop's network.
    addresses: Vec<ServedAddress>,
    links: Mutex<Vec<PageLink>>,
}

/// Where the page is served.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ServedAddress {
    pub address: SocketAddr,
    /// http or https.
    pub scheme: &'static str,
}

impl std::fmt::Display for ServedAddress {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}://{}", self.scheme, self.address)
    }
}

/// One way in.
#[derive(Debug)]
struct PageLink {
    number: u32,
    name: String,
    permission: Permission,
    /// None once a link that is good for one time was used.
    token: Option<String>,
    is_for_one: bool,
    cookie: String,
    used: u32,
    /// Ends the streams of who came by it.
    revoked: CancellationToken,
}

/// What the bearer of a cookie may do, and until when.
#[derive(Debug, Clone)]
pub(super) struct Paired {
    /// Whom the link is for.
    pub name: String,
    pub permission: Permission,
    pub revoked: CancellationToken,
}

/// Why a link is not made or revoked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum LinkError {
    /// The system gave no random bytes.
    #[error("the system gave no random bytes for the token of the page; use --page off")]
    Random,
    /// All are in use.
    #[error("there are {MOST_LINKS} links already; revoke one that is not needed with `bayline page revoke NUMBER`")]
    TooMany,
    /// There is no such link.
    #[error("there is no link {0}; `bayline page` lists them")]
    Unknown(u32),
}

impl Access {
    /// Access by one link, printed on this computer and good for all of its browsers.
    ///
    /// # Errors
    /// The system has no random bytes.
    pub(super) fn new(addresses: Vec<ServedAddress>) -> Result<Self, LinkError> {
        let access = Self { addresses, links: Mutex::default() };
        access.add("this computer", Permission::Operate, false)?;
        Ok(access)
    }

    fn links(&self) -> MutexGuard<'_, Vec<PageLink>> {
        self.links.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The address of this computer with the first link's token in its fragment.
    pub(crate) fn local_link(&self) -> String {
        let links = self.links();
        let token = links.iter().find(|link| link.number == 1).and_then(|link| link.token.as_deref());
        match (self.addresses.first(), token) {
            (Some(address), Some(token)) => format!("{address}/#{token}"),
            (Some(address), None) => format!("{address}/"),
            (None, _) => String::new(),
        }
    }

    /// Whether other computers can reach the page.
    pub(crate) fn is_on_the_network(&self) -> bool {
        self.addresses.len() > 1
    }

    /// Makes a link: for one who works, good for one browser; or for any number who look on.
    pub(crate) fn make(&self, name: &str, permission: Permission) -> Result<LinkLine, LinkError> {
        self.add(name, permission, permission == Permission::Operate)
    }

    fn add(&self, name: &str, permission: Permission, is_for_one: bool) -> Result<LinkLine, LinkError> {
        let (token, cookie) = (secret()?, secret()?);
        let mut links = self.links();
        if links.len() >= MOST_LINKS {
            return Err(LinkError::TooMany);
        }
        let number = links.last().map_or(1, |link| link.number + 1);
        let link = PageLink {
            number,
            name: name.trim().chars().filter(|character| !character.is_control()).take(LONGEST_NAME).collect(),
            permission,
            token: Some(token.clone()),
            is_for_one,
            cookie,
            used: 0,
            revoked: CancellationToken::new(),
        };
        let address = self.addresses.last().map(|address| format!("{address}/#{token}"));
        let line = LinkLine { address, ..link.line() };
        links.push(link);
        Ok(line)
    }

    /// All links, without their tokens.
    pub(crate) fn list(&self) -> Vec<LinkLine> {
        self.links().iter().map(PageLink::line).collect()
    }

    /// Who came by this link gets no further; streams that are open end.
    pub(crate) fn revoke(&self, number: u32) -> Result<LinkLine, LinkError> {
        let mut links = self.links();
        let place = links.iter().position(|link| link.number == number).ok_or(LinkError::Unknown(number))?;
        let link = links.remove(place);
        link.revoked.cancel();
        Ok(link.line())
    }

    /// Whether the request is meant for this server. A page of another site that points its own name here is not: the names
    /// of this server are bare addresses, which no other site can have, and `localhost`.
    pub(super) fn is_host(&self, headers: &HeaderMap) -> bool {
        self.served(headers).is_some()
    }

    /// The address that a request names; none where it names another server.
    fn served(&self, headers: &HeaderMap) -> Option<ServedAddress> {
        let host = headers.get(header::HOST)?.to_str().ok()?;
        let named = match host.parse::<SocketAddr>() {
            Ok(address) => Some(address.port()),
            Err(_) => host.strip_prefix("localhost:").and_then(|port| port.parse().ok()),
        };
        let port = named?;
        self.addresses.iter().copied().find(|served| served.address.port() == port)
    }

    /// Whether a change was asked for by the page itself, as the browser saw it.
    pub(super) fn is_origin(&self, headers: &HeaderMap) -> bool {
        let host = headers.get(header::HOST).and_then(|host| host.to_str().ok());
        let own = host.zip(self.served(headers)).map(|(host, served)| format!("{}://{host}", served.scheme));
        headers.get(header::ORIGIN).is_some_and(|origin| own.is_some_and(|own| origin.as_bytes() == own.as_bytes()))
    }

    /// The cookie for a token; none for a wrong one. Every link is compared, whichever is right.
    pub(super) fn redeem(&self, token: &str, headers: &HeaderMap) -> Option<HeaderValue> {
        let mut links = self.links();
        let right = |link: &PageLink| link.token.as_ref().map_or(Choice::from(0), |own| same(own, token));
        let place = chosen(links.iter().map(right))?;
        let link = &mut links[place];
        link.used = link.used.saturating_add(1);
        if link.is_for_one {
            link.token = None;
        }
        let secure = if self.served(headers).is_some_and(|served| served.scheme == "https") { "; Secure" } else { "" };
        let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict{secure}", self.cookie_name(), link.cookie);
        Some(HeaderValue::try_from(cookie).expect("hexadecimal digits are valid in a header"))
    }

    /// What the cookie of a request opens; none without a right one.
    pub(super) fn paired(&self, headers: &HeaderMap) -> Option<Paired> {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let mut pairs = cookies.flat_map(|text| text.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let name = self.cookie_name();
        let (_, cookie) = pairs.find(|(found, _)| *found == name)?;
        let links = self.links();
        let link = &links[chosen(links.iter().map(|link| same(&link.cookie, cookie)))?];
        Some(Paired { name: link.name.clone(), permission: link.permission, revoked: link.revoked.clone() })
    }

    /// Cookies are shared by all ports of a host: two daemons must not overwrite each other's.
    fn cookie_name(&self) -> String {
        format!("bayline-{}", self.addresses.first().map_or(0, |served| served.address.port()))
    }
}

impl PageLink {
    fn line(&self) -> LinkLine {
        LinkLine {
            number: self.number,
            name: self.name.clone(),
            permission: self.permission,
            used: self.used,
            open: self.token.is_some(),
            address: None,
        }
    }
}

fn same(own: &str, given: &str) -> Choice {
    own.as_bytes().ct_eq(given.as_bytes())
}

/// The place of the right one, found in the same time wherever it is.
fn chosen(right: impl Iterator<Item = Choice>) -> Option<usize> {
    let mut place = u32::MAX;
    for (index, is_right) in (0..).zip(right) {
        place.conditional_assign(&index, is_right);
    }
    (place != u32::MAX).then_some(place as usize)
}

fn secret() -> Result<String, LinkError> {
    let mut bytes = [0; SECRET_BYTES];
    getrandom::fill(&mut bytes).map_err(|_| LinkError::Random)?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(header::HeaderName, &str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (name.clone(), HeaderValue::from_str(value).unwrap())).collect()
    }

    fn local() -> Access {
        let http = ServedAddress { address: SocketAddr::from(([127, 0, 0, 1], 4780)), scheme: "http" };
        Access::new(vec![http]).unwrap()
    }

    fn token(address: &str) -> &str {
        address.split_once('#').unwrap().1
    }

    fn opens(access: &Access, cookie: &HeaderValue) -> Option<Permission> {
        let pair = cookie.to_str().unwrap().split(';').next().unwrap();
        access.paired(&headers(&[(header::COOKIE, &format!("other=1; {pair}"))])).map(|paired| paired.permission)
    }

    #[test]
    fn a_token_is_redeemed_for_a_cookie_that_opens() {
        let access = local();
        let link = access.local_link();
        let token = link.strip_prefix("http://127.0.0.1:4780/#").unwrap();
        assert_eq!(token.len(), 2 * SECRET_BYTES);
        for wrong in ["", "0", &token[1..], &format!("{token}0")] {
            assert!(access.redeem(wrong, &HeaderMap::new()).is_none(), "{wrong}");
        }
        let cookie = access.redeem(token, &HeaderMap::new()).unwrap();
        assert!(cookie.to_str().unwrap().ends_with("; Path=/; HttpOnly; SameSite=Strict"), "{cookie:?}");
        assert_eq!(opens(&access, &cookie), Some(Permission::Operate));
        assert!(access.paired(&headers(&[(header::COOKIE, "bayline-4780=00")])).is_none());
        assert!(access.paired(&HeaderMap::new()).is_none());
    }

    #[test]
    fn a_link_is_for_one_browser_or_for_onlookers_and_is_revoked() {
        let access = local();
        let phone = access.make("phone\u{7}", Permission::Operate).unwrap();
        assert_eq!((phone.number, phone.name.as_str()), (2, "phone"));
        let address = phone.address.unwrap();
        let operator = access.redeem(token(&address), &HeaderMap::new()).unwrap();
        assert!(access.redeem(token(&address), &HeaderMap::new()).is_none(), "it is good for one time");
        let class = access.make("class", Permission::Look).unwrap().address.unwrap();
        let (first, second) = (
            access.redeem(token(&class), &HeaderMap::new()).unwrap(),
            access.redeem(token(&class), &HeaderMap::new()).unwrap(),
        );
        assert_eq!(opens(&access, &operator), Some(Permission::Operate));
        assert_eq!((opens(&access, &first), opens(&access, &second)), (Some(Permission::Look), Some(Permission::Look)));
        assert!(access.list().iter().all(|line| line.address.is_none()), "a list tells no token");
        access.revoke(2).unwrap();
        assert_eq!(access.revoke(2), Err(LinkError::Unknown(2)));
        assert_eq!((opens(&access, &operator), opens(&access, &first)), (None, Some(Permission::Look)));
        while access.make("more", Permission::Look).is_ok() {}
        assert_eq!(access.list().len(), MOST_LINKS);
    }

    #[test]
    fn only_addresses_of_this_server_are_hosts() {
        let access = local();
        for (host, own) in [
            ("127.0.0.1:4780", true),
            ("localhost:4780", true),
            ("example.invalid:4780", false),
            ("127.0.0.1.example.invalid:4780", false),
            ("127.0.0.1:80", false),
            ("localhost", false),
        ] {
            assert_eq!(access.is_host(&headers(&[(header::HOST, host)])), own, "{host}");
        }
        for (origin, own) in [
            ("http://localhost:4780", true),
            ("https://localhost:4780", false),
            ("http://127.0.0.1:4780", false),
            ("null", false),
        ] {
            let asked = headers(&[(header::HOST, "localhost:4780"), (header::ORIGIN, origin)]);
            assert_eq!(access.is_origin(&asked), own, "{origin}");
        }
        assert!(!access.is_host(&HeaderMap::new()) && !access.is_origin(&HeaderMap::new()));
        // The encrypted address has its own origin, and a cookie that never goes out unencrypted.
        let https = ServedAddress { address: SocketAddr::from(([192, 168, 1, 20], 4781)), scheme: "https" };
        let access = Access::new(vec![access.addresses[0], https]).unwrap();
        let asked = |origin| headers(&[(header::HOST, "192.168.1.20:4781"), (header::ORIGIN, origin)]);
        assert!(access.is_origin(&asked("https://192.168.1.20:4781")));
        assert!(!access.is_origin(&asked("http://192.168.1.20:4781")));
        let link = access.make("phone", Permission::Operate).unwrap().address.unwrap();
        assert!(link.starts_with("https://192.168.1.20:4781/#"), "{link}");
        let cookie = access.redeem(token(&link), &asked("https://192.168.1.20:4781")).unwrap();
        assert!(cookie.to_str().unwrap().ends_with("; SameSite=Strict; Secure"), "{cookie:?}");
    }
}
