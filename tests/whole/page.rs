//! Proves the live page's server by plain HTTP: who gets in, who does not, that the news resume where they broke off, and
//! that no open stream holds up the end of the daemon.

use std::{
    io::{BufRead, BufReader, Read, Write},
    net::TcpStream,
};

use serde_json::{Value, json};

use crate::harness::{Bay, Daemon, Display, HANDHELD, PATIENCE};

/// The server, as `status` names it.
pub(crate) struct Page {
    address: String,
    token: String,
}

/// An answer: its status, its head in small letters, its body.
pub(crate) struct Reply {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Page {
    pub(crate) fn of(daemon: &mut Daemon) -> Self {
        Self::at(daemon.status()["page"].as_str().expect("the page is on"))
    }

    /// The server of a link.
    pub(crate) fn at(link: &str) -> Self {
        let (address, token) = link.strip_prefix("http://").unwrap().split_once("/#").unwrap();
        Self { address: address.to_owned(), token: token.to_owned() }
    }

    pub(crate) fn host(&self) -> &str {
        &self.address
    }

    pub(crate) fn open(&self, request: impl AsRef<[u8]>) -> BufReader<TcpStream> {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        stream.write_all(request.as_ref()).unwrap();
        BufReader::new(stream)
    }

    pub(crate) fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: impl AsRef<[u8]>) -> Reply {
        let body = body.as_ref();
        let host = self.address.as_str();
        let mut head = format!("{method} {path} HTTP/1.1\r\nconnection: close\r\ncontent-length: {}\r\n", body.len());
        if !headers.iter().any(|(name, _)| *name == "host") {
            head += &format!("host: {host}\r\n");
        }
        for (name, value) in headers {
            head += &format!("{name}: {value}\r\n");
        }
        let mut bytes = Vec::new();
        self.open([head.as_bytes(), b"\r\n", body].concat()).read_to_end(&mut bytes).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
        Reply { status, head: head.to_lowercase(), body: body.to_owned() }
    }

    pub(crate) fn origin(&self) -> String {
        format!("http://{}", self.address)
    }

    /// Asks with a cookie, as the page does.
    pub(crate) fn as_page(&self, cookie: &str, method: &str, path: &str, body: &Value) -> Reply {
        let origin = self.origin();
        let headers = [("cookie", cookie), ("origin", &origin), ("content-type", "application/json")];
        self.ask(method, path, &headers, &if body.is_null() { String::new() } else { body.to_string() })
    }

    /// The same, and its answer as JSON.
    pub(crate) fn json(&self, cookie: &str, method: &str, path: &str, body: &Value) -> Value {
        let reply = self.as_page(cookie, method, path, body);
        serde_json::from_str(&reply.body).unwrap_or_else(|_| panic!("{} {}", reply.status, reply.body))
    }

    /// The cookie that the token is redeemed for.
    pub(crate) fn pair(&self) -> String {
        let body = json!({ "token": self.token }).to_string();
        let headers = [("origin", self.origin()), ("content-type", "application/json".to_owned())];
        let headers = headers.each_ref().map(|(name, value)| (*name, value.as_str()));
        let reply = self.ask("POST", "/pair", &headers, &body);
        assert_eq!(reply.status, 200, "{}", reply.head);
        let cookie = reply.head.lines().find_map(|line| line.strip_prefix("set-cookie: ")).unwrap();
        assert!(cookie.contains("httponly") && cookie.contains("samesite=strict"), "{cookie}");
        cookie.split(';').next().unwrap().to_owned()
    }
}

#[test]
fn only_the_page_of_this_computer_gets_in() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let origin = page.origin();
    let own = ("origin", origin.as_str());

    // The page's own files hold no secret; they come with a policy that lets nothing else run.
    let html = page.ask("GET", "/", &[], "");
    assert_eq!(html.status, 200);
    for part in
        ["content-security-policy: default-src 'none'", "x-content-type-options: nosniff", "cache-control: no-store"]
    {
        assert!(html.head.contains(part), "{part} is not in {}", html.head);
    }
    assert!(
        !html.body.contains("<script>") && !html.body.contains("style=") && !html.body.contains("onclick"),
        "{}",
        html.body
    );

    // Without the cookie nothing is told, and a wrong token gives none.
    for path in ["/status", "/ledger", "/news"] {
        assert_eq!(page.ask("GET", path, &[], "").status, 401, "{path}");
    }
    assert_eq!(page.ask("POST", "/do", &[own], r#"{"do":"end"}"#).status, 401);
    let json_body = ("content-type", "application/json");
    assert_eq!(page.ask("POST", "/pair", &[own, json_body], r#"{"token":"0000"}"#).status, 403);

    // Another name for this server, and another site's page, get nothing although the cookie is there.
    let cookie = page.pair();
    let paired = ("cookie", cookie.as_str());
    assert_eq!(page.ask("GET", "/status", &[paired], "").status, 200);
    assert_eq!(page.ask("GET", "/status", &[paired, ("host", "example.invalid")], "").status, 421);
    for foreign in ["http://example.invalid", "null"] {
        let reply = page.ask("POST", "/do", &[paired, ("origin", foreign)], r#"{"do":"end"}"#);
        assert_eq!(reply.status, 403, "{foreign}");
    }
    assert_eq!(page.ask("POST", "/do", &[paired], r#"{"do":"end"}"#).status, 403, "no origin");

    // What can't be understood, is too long or is not there is refused; the daemon goes on.
    assert_eq!(page.ask("POST", "/do", &[paired, own], "{").status, 400);
    assert_eq!(page.ask("POST", "/do", &[paired, own], "x".repeat((1 << 20) + 1)).status, 413);
    assert_eq!(page.ask("GET", "/../../etc/passwd", &[paired], "").status, 404);
    let done = page.ask("POST", "/do", &[paired, own], r#"{"do":"note","text":"from the page"}"#);
    assert!(done.body.contains(r#"{"ok":true"#), "{}", done.body);
    daemon.stop();
    assert_eq!(bay.kept().rows("SELECT text FROM event WHERE kind = 'note'"), ["from the page"]);
}

#[test]
fn news_resume_where_they_broke_off_and_no_stream_holds_up_the_end() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "12.41 V");
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let request = |last: Option<u64>| {
        let last = last.map_or(String::new(), |id| format!("last-event-id: {id}\r\n"));
        format!("GET /news HTTP/1.1\r\nhost: {}\r\ncookie: {cookie}\r\n{last}\r\n", page.address)
    };
    let marked = |stream: &mut BufReader<TcpStream>, wanted: &str| -> u64 {
        let mut id = 0;
        for line in stream.lines() {
            let line = line.unwrap();
            if let Some(number) = line.strip_prefix("id: ") {
                id = number.parse().unwrap();
            }
            let news = line.strip_prefix("data: ").and_then(|data| serde_json::from_str::<Value>(data).ok());
            if news.is_some_and(|news| news["step"]["name"] == wanted) {
                return id;
            }
        }
        panic!("the stream ended before {wanted}");
    };
    let mut first = page.open(request(None));
    // The stream has begun when readings come.
    let mut line = String::new();
    while !line.contains("\"readings\"") {
        line.clear();
        assert!(first.read_line(&mut line).unwrap() > 0, "the stream ended");
    }
    assert!(line.contains("\"shown\":\"12.41 V\""), "{line}");
    daemon.mark("arms up");
    let seen = marked(&mut first, "arms up");
    drop(first);
    daemon.mark("arms down");
    daemon.mark("bucket curled");
    let mut second = page.open(request(Some(seen)));
    let missed = marked(&mut second, "arms down");
    assert!(missed > seen && marked(&mut second, "bucket curled") > missed);
    // The stream is still open.
    daemon.stop();
    let mut rest = String::new();
    second.read_to_string(&mut rest).unwrap();
    drop(probe);
}

#[test]
fn a_page_for_other_computers_is_refused_and_off_is_off() {
    let bay = Bay::with_bench(HANDHELD);
    let bench = bay.path("bench.toml");
    let run = |page: &str| bay.bayline(["run", "--bench", bench.to_str().unwrap(), "--page", page]).failed(2);
    assert!(run("0.0.0.0:4780").contains("expected an address of this computer such as 127.0.0.1:4780"));
    assert!(run("somewhere").contains("expected an address and a port such as 127.0.0.1:4780, or off"));
    let network = bay.bayline(["run", "--meter", "x=/dev/nowhere,number", "--listen", "somewhere"]);
    assert!(network.code == Some(2) && network.stderr.contains("a port, such as 192.168.1.20:4780"), "{network:?}");
    let mut daemon = bay.start_with(&["--page", "off"]);
    assert_eq!(daemon.status()["page"], Value::Null);
    daemon.stop();
}
