//! Proves who gets into the page by which link, and that setting up and looking back by the page need no file and reach none.

use std::{
    fs,
    io::{BufRead, Read},
    sync::Arc,
};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use tokio_rustls::rustls::{
    ClientConfig, ClientConnection, RootCertStore,
    pki_types::{CertificateDer, ServerName, pem::PemObject},
};

use crate::{
    harness::{Bay, Daemon, Display, HANDHELD, text, until},
    page::Page,
};

const NONE: Value = Value::Null;

#[test]
fn a_link_is_for_one_browser_or_for_onlookers_who_change_nothing() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--listen", "127.0.0.1:0"]);
    let local = Page::of(&mut daemon);
    let made = |arguments: &[&str]| -> String {
        let printed = bay.bayline(["page", "--json"].iter().chain(arguments)).done();
        let answer: Value = serde_json::from_str(&printed).unwrap();
        answer["links"][0]["address"].as_str().unwrap().to_owned()
    };

    // The second address takes other names of this computer, never a name that someone else can own.
    let phone = Page::at(&made(&["link", "--name", "phone"]));
    let cookie = phone.pair();
    let used = phone.as_page("", "POST", "/pair", &json!({ "token": "0123" }));
    assert_eq!(used.status, 403);
    assert!(used.body.contains("`bayline page link` makes another"), "{}", used.body);
    assert_eq!(phone.json(&cookie, "POST", "/do", &json!({ "do": "note", "text": "by phone" }))["ok"], true);
    let foreign = [("cookie", cookie.as_str()), ("host", "bay.example.invalid:4780")];
    assert_eq!(phone.ask("GET", "/status", &foreign, "").status, 421);

    // Who looks on sees all of it and changes nothing.
    let class = Page::at(&made(&["link", "--onlooker", "--name", "class"]));
    let onlooker = class.pair();
    assert_eq!(class.json(&onlooker, "GET", "/status", &NONE)["permission"], "look on");
    assert_eq!(class.json(&onlooker, "GET", "/status", &NONE)["status"]["page"], NONE, "no link that lets others in");
    for request in [json!({ "do": "end" }), json!({ "do": "undo" }), json!({ "do": "note", "text": "x" })] {
        assert_eq!(class.as_page(&onlooker, "POST", "/do", &request).status, 403, "{request}");
    }
    for path in ["/ports", "/bench", "/procedures", "/protocols"] {
        assert_eq!(class.as_page(&onlooker, "GET", path, &NONE).status, 403, "{path}");
    }
    assert_eq!(class.as_page(&onlooker, "GET", "/sessions", &NONE).status, 200);
    // Links are made at the computer alone.
    assert_eq!(phone.as_page(&cookie, "POST", "/do", &json!({ "do": "links" })).status, 400);

    // Revoked, an open stream ends too.
    let listed = bay.bayline(["page"]).done();
    assert!(listed.contains("phone") && listed.contains("class") && !listed.contains('#'), "{listed}");
    let mut stream = class.open(format!(
        "GET /news HTTP/1.1\r\nhost: {}\r\ncookie: {onlooker}\r\nconnection: close\r\n\r\n",
        class.host()
    ));
    let mut line = String::new();
    while !line.contains("data:") {
        line.clear();
        assert!(stream.read_line(&mut line).unwrap() > 0, "the stream ended");
    }
    let number = listed.lines().find(|line| line.contains("class")).unwrap().trim().split(' ').next().unwrap();
    assert!(bay.bayline(["page", "revoke", number]).done().contains("is revoked"));
    let mut rest = String::new();
    stream.read_to_string(&mut rest).unwrap();
    assert_eq!(class.as_page(&onlooker, "GET", "/status", &NONE).status, 401);
    assert_eq!(phone.as_page(&cookie, "GET", "/status", &NONE).status, 200);
    assert!(bay.bayline(["page", "revoke", "99"]).failed(1).contains("there is no link 99"));
    assert_eq!(local.as_page(&local.pair(), "GET", "/status", &NONE).status, 200);
    daemon.stop();
}

#[test]
fn a_bench_and_a_procedure_are_set_up_by_form_and_no_path_gets_through() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "12.41 V");
    let port = bay.port("handheld");
    let port = text(&port);
    let mut daemon = bay.launch(bay.command(["run", "--page", "127.0.0.1:0", "--offer", port]));
    assert_eq!(daemon.status()["session"], NONE, "without a meter there is nothing to record");
    let page = Page::of(&mut daemon);
    let cookie = page.pair();
    let get = |path: &str| page.json(&cookie, "GET", path, &NONE);
    let put = |path: &str, body: Value| page.json(&cookie, "POST", path, &body);

    // Only what is in the list is listened to.
    assert!(get("/ports")["ports"].to_string().contains(port));
    let refused = put("/ports/listen", json!({ "port": "/etc/passwd" }));
    assert!(refused["error"].as_str().unwrap().contains("there is no port \"/etc/passwd\""), "{refused}");
    let heard = put("/ports/listen", json!({ "port": port, "baud": 9600 }));
    assert_eq!(heard["candidates"][0]["protocol"], "number", "{heard}");
    assert!(heard["candidates"][0]["first"].to_string().contains("12.41"), "{heard}");

    // The checks of the bench file and of `check`.
    let form = |channel: Value| json!({ "meter": [{ "name": "hand", "port": port, "protocol": "number", "channel": [channel] }] });
    let wrong = put("/bench/check", json!({ "form": form(json!({ "name": "probe", "scale": "100 mV/kg" })) }));
    assert!(wrong["ok"] == false && wrong["error"].as_str().unwrap().contains("the unit \"kg\""), "{wrong}");
    let elsewhere = json!({ "meter": [{ "name": "hand", "port": "/dev/sda", "protocol": "number" }] });
    assert_eq!(put("/bench/check", json!({ "form": elsewhere }))["ok"], false);
    let good = form(json!({ "name": "probe", "accuracy": "0.5 % + 2 digits" }));
    let for_coils = json!({ "form": good, "procedure": { "name": "valve-coils-at-the-connector", "own": false } });
    assert!(put("/bench/check", for_coils)["sentences"].as_array().unwrap().len() > 1);

    // Names that mean something in a path are no names.
    for name in ["../evil", "a/b", "/etc/cron", "..", ".hidden", "a.toml"] {
        let reply = page.as_page(&cookie, "POST", "/bench", &json!({ "name": name, "form": good }));
        assert_ne!(reply.status, 200, "{name}");
        assert_ne!(page.as_page(&cookie, "GET", "/procedure?own=true&name=..%2F..%2Fbench", &NONE).status, 200);
    }
    assert_eq!(put("/bench", json!({ "name": "bay 2", "form": good }))["ok"], true);
    assert!(put("/bench", json!({ "name": "bay 2", "form": good }))["error"].as_str().unwrap().contains("already"));
    let folder = bay.path(".config/bayline");
    let written: Vec<_> =
        fs::read_dir(folder.join("benches")).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(written, ["bay 2.toml"]);

    // The same daemon goes on with it; link and cookie stay.
    assert_eq!(put("/bench/use", json!({ "name": "bay 2" }))["ok"], true);
    until("the meter is read", || match get("/status") {
        status if status["status"]["readings"].to_string().contains("12.41") => Ok(()),
        status => Err(status),
    });
    daemon.reconnect(&bay.socket());
    assert_eq!(get("/status")["permission"], "operate");

    // The maker's figure in an own copy, and a visit by it.
    let figures = get("/procedure?name=charging-system-12v")["figures"].clone();
    let mut first = figures[0].clone();
    let before = first["value"].as_str().unwrap().to_owned();
    first["value"] = json!(before.replace("12.", "11."));
    let copy = json!({ "of": { "name": "charging-system-12v", "own": false }, "name": "mine", "figures": [first] });
    assert_eq!(put("/procedure", copy)["ok"], true);
    assert_eq!(get("/procedure?own=true&name=mine")["figures"][0]["value"], first["value"]);
    assert_eq!(get("/procedures")["procedures"][0]["name"], "mine");
    assert_eq!(put("/do", json!({ "do": "begin", "machine": "loader <b>7</b>" }))["ok"], true);
    daemon.until("samples of a display", |status| status["session"]["samples"].as_u64() >= Some(8));
    assert_eq!(put("/do", json!({ "do": "take" }))["ok"], true);
    assert_eq!(put("/do", json!({ "do": "end" }))["ok"], true);

    // Looking back.
    let listed = get("/sessions?find=LOADER");
    assert_eq!((&listed["all"], &listed["sessions"][0]["machine"]), (&json!(1), &json!("loader <b>7</b>")));
    assert_eq!(get("/session?id=last")["session"]["session"]["machine"], "loader <b>7</b>");
    let plot = get("/session/plot?id=last&channel=probe&quantity=V%20DC&columns=100");
    assert!(plot["series"]["samples"].as_u64().unwrap() >= 8, "{plot}");
    let csv = page.as_page(&cookie, "GET", "/session/file?id=last&what=samples", &NONE);
    assert!(
        csv.head.contains("attachment; filename=\"session-2-samples.csv\"") && csv.body.contains("12.41"),
        "{}",
        csv.head
    );
    let sheet = page.as_page(&cookie, "GET", "/session/file?id=last&what=sheet", &NONE);
    assert!(sheet.body.contains("loader &#60;b&#62;7") || sheet.body.contains("loader &lt;b&gt;7"));
    for path in ["/session?id=..%2F..%2Fetc", "/session/file?id=last&what=..%2Fpasswd", "/session/plot?id=last"] {
        let reply = page.as_page(&cookie, "GET", path, &NONE);
        assert!(reply.status != 200 || reply.body.contains("\"ok\":false"), "{path}: {}", reply.body);
    }
    daemon.stop();
}

#[test]
fn a_mark_is_kept_with_the_page_that_made_it() {
    let bay = Bay::with_bench(HANDHELD);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0"]);
    let own = Page::of(&mut daemon);
    let link = daemon.ask(json!({ "do": "link", "name": "foreman's phone", "onlooker": false }));
    let phone = Page::at(link["links"][0]["address"].as_str().unwrap());
    let (own_cookie, phone_cookie) = (own.pair(), phone.pair());
    let marks = [
        (&own, &own_cookie, json!({ "do": "mark", "text": "plug off" })),
        (&phone, &phone_cookie, json!({ "do": "mark", "text": "arms up" })),
        (&phone, &phone_cookie, json!({ "do": "mark", "text": "arms down", "by": " " })),
        (&phone, &phone_cookie, json!({ "do": "mark", "text": "jerk", "by": "K" })),
    ];
    for (page, cookie, mark) in marks {
        let answer = page.json(cookie, "POST", "/do", &mark);
        assert_eq!(answer["ok"], true, "{answer}");
    }
    daemon.stop();
    assert_eq!(
        bay.kept().rows("SELECT subject, text FROM event WHERE kind = 'mark' ORDER BY id"),
        [
            "page of this computer | plug off",
            "page of foreman's phone | arms up",
            "page of foreman's phone | arms down",
            "K | jerk"
        ]
    );
}

#[test]
fn the_network_page_is_encrypted_by_a_certificate_that_is_kept() {
    let bay = Bay::with_bench(HANDHELD);
    let _probe = Display::of(bay.meter("handheld"), "12.41 V");
    let start = || bay.start_with(&["--page", "127.0.0.1:0", "--listen", "127.0.0.1:0", "--https"]);
    // The line is printed beside the answer that a start waits for.
    let fingerprint = |daemon: &Daemon| {
        let log = daemon.log();
        until("the certificate's fingerprint", || {
            let log = log.lock().unwrap();
            let line = log.split_once("SHA-256 fingerprint: ").and_then(|(_, rest)| rest.split_once('\n'));
            line.map(|(fingerprint, _)| fingerprint.to_owned()).ok_or_else(|| log.clone())
        })
    };
    let mut daemon = start();
    let printed = fingerprint(&daemon);
    let made = bay.bayline(["page", "--json", "link"]).done();
    let answer: Value = serde_json::from_str(&made).unwrap();
    let link = answer["links"][0]["address"].as_str().unwrap().to_owned();
    let (host, token) = link.strip_prefix("https://").unwrap().split_once("/#").unwrap();

    // A client of its own, which knows the certificate by its fingerprint alone.
    let text = fs::read_to_string(bay.data().join("page-certificate.pem")).unwrap();
    let certificate = CertificateDer::from_pem_slice(text.as_bytes()).unwrap();
    let digest: Vec<String> = Sha256::digest(&certificate).iter().map(|byte| format!("{byte:02X}")).collect();
    assert_eq!(digest.join(":"), printed);
    let mut roots = RootCertStore::empty();
    roots.add(certificate).unwrap();
    let provider = Arc::new(tokio_rustls::rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions().unwrap();
    let config = Arc::new(config.with_root_certificates(roots).with_no_client_auth());
    let ask = |request: &str| {
        let name = ServerName::try_from("127.0.0.1").unwrap();
        let mut connection = ClientConnection::new(config.clone(), name).unwrap();
        let mut socket = std::net::TcpStream::connect(host).unwrap();
        let mut stream = tokio_rustls::rustls::Stream::new(&mut connection, &mut socket);
        std::io::Write::write_all(&mut stream, request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        // The server closes the connection without the alert that ends it.
        drop(stream.read_to_end(&mut answer));
        String::from_utf8_lossy(&answer).into_owned()
    };
    let body = json!({ "token": token }).to_string();
    let head =
        format!("host: {host}\r\norigin: https://{host}\r\ncontent-type: application/json\r\nconnection: close\r\n");
    let paired = ask(&format!("POST /pair HTTP/1.1\r\n{head}content-length: {}\r\n\r\n{body}", body.len()));
    assert!(paired.starts_with("HTTP/1.1 200") && paired.contains("SameSite=Strict; Secure"), "{paired}");
    // A connection that says nothing, or nothing that is encrypted, holds up nobody.
    let _silent = std::net::TcpStream::connect(host).unwrap();
    let mut plain = std::net::TcpStream::connect(host).unwrap();
    std::io::Write::write_all(&mut plain, b"GET / HTTP/1.1\r\nhost: x\r\n\r\n").unwrap();
    assert!(ask(&format!("GET / HTTP/1.1\r\n{head}\r\n")).starts_with("HTTP/1.1 200"));
    // The page of this computer stays as it is.
    let local = Page::of(&mut daemon);
    assert_eq!(local.as_page(&local.pair(), "GET", "/status", &NONE).status, 200);
    daemon.stop();

    // The next run has the same one.
    let daemon = start();
    assert_eq!(fingerprint(&daemon), printed);
    daemon.stop();
}
