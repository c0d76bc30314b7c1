//! What breaks in a workshop: the cable of a meter, and the connection of the page. Both are told, and nothing is missed.

use std::{
    io::copy,
    net::{Shutdown, SocketAddr, TcpListener, TcpStream},
    sync::{Arc, Mutex},
    thread,
};

use super::{Browser, visit::TERMINALS};
use crate::harness::{Bay, Display, HANDHELD, text};

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_cable_that_is_pulled_is_told_and_so_is_its_return() {
    let bay = Bay::with_bench(HANDHELD);
    let mut meter = bay.meter("handheld");
    let terminals = bay.write("terminals.toml", TERMINALS);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--procedure", text(&terminals)]);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&link).await.unwrap();
    browser.until("link", "1 of 1 meter").await;
    meter.line("12.41 V");
    browser.until("figure", "12.41").await;
    browser.listen().await;

    meter.unplug();
    browser.until("alarms", "meter \"handheld\" is not there: it was unplugged or switched off").await;
    browser.until("link", "0 of 1 meter").await;
    // What it showed last is no longer now.
    browser.until("figure", "–").await;
    browser.until_said("handheld is not there: it was unplugged or switched off").await;
    browser.picture("cable", 360, 740).await;
    browser.is_accessible("cable").await;

    meter.plug_in();
    browser.until("hint", "handheld: its port is open now").await;
    browser.until("link", "1 of 1 meter").await;
    browser.until_gone("alarms", "handheld").await;
    browser.until_said("handheld: its port is open now").await;
    meter.line("12.38 V");
    browser.until("figure", "12.38").await;
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}

/// The network between a page and the daemon: another address of this computer, the same port.
struct Network {
    address: SocketAddr,
    wires: Arc<Mutex<Wires>>,
}

#[derive(Default)]
struct Wires {
    are_cut: bool,
    open: Vec<TcpStream>,
}

impl Network {
    fn to(daemon: SocketAddr) -> Self {
        let listener = TcpListener::bind(("127.0.0.2", daemon.port())).unwrap();
        let (address, wires) = (listener.local_addr().unwrap(), Arc::new(Mutex::new(Wires::default())));
        let shared = wires.clone();
        thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let mut wires = shared.lock().unwrap();
                let Ok(far) = TcpStream::connect(daemon) else { continue };
                if wires.are_cut {
                    continue;
                }
                for (mut from, mut to) in [(&near, &far), (&far, &near)]
                    .map(|(from, to)| (from.try_clone().unwrap(), to.try_clone().unwrap()))
                {
                    thread::spawn(move || {
                        drop(copy(&mut from, &mut to));
                        drop(to.shutdown(Shutdown::Write));
                    });
                }
                wires.open.extend([near, far]);
            }
        });
        Self { address, wires }
    }

    fn cut(&self) {
        let mut wires = self.wires.lock().unwrap();
        wires.are_cut = true;
        for stream in wires.open.drain(..) {
            drop(stream.shutdown(Shutdown::Both));
        }
    }

    fn mend(&self) {
        self.wires.lock().unwrap().are_cut = false;
    }
}

#[tokio::test]
#[ignore = "needs chromium and chromedriver: cargo test --test whole -- --ignored browser"]
async fn a_connection_that_is_lost_is_told_and_nothing_is_missed() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "0.003 V");
    let terminals = bay.write("terminals.toml", TERMINALS);
    let mut daemon = bay.start_with(&["--page", "127.0.0.1:0", "--procedure", text(&terminals)]);
    let link = daemon.status()["page"].as_str().unwrap().to_owned();
    let (address, token) = link.strip_prefix("http://").unwrap().split_once("/#").unwrap();
    let network = Network::to(address.parse().unwrap());
    let browser = Browser::start(&bay.path("profile")).await;
    browser.client.goto(&format!("http://{}/#{token}", network.address)).await.unwrap();
    browser.until("step", "feed, lift coil, step 1 of 2").await;
    browser.until("figure", "0.003").await;
    browser.listen().await;

    network.cut();
    browser.until("link", "connection lost, trying again").await;
    browser.picture("lost", 360, 740).await;
    // The work goes on meanwhile.
    let mut ears = bay.client().watch();
    probe.shows("12.41 V");
    ears.captured("feed, lift coil");
    daemon.note("nobody sees this yet");
    daemon.step("next");
    probe.shows("9.53 V");
    daemon.until("the value", |status| status["readings"][0]["shown"] == "9.53 V");
    daemon.take();
    assert!(!browser.text("ledger").await.contains("feed, lift coil"));
    assert!(browser.text("link").await.contains("connection lost"));

    network.mend();
    browser.until("link", "1 of 1 meter").await;
    browser.until("step", "feed, tilt coil, step 2 of 2").await;
    browser.until("ledger", "feed, lift coil").await;
    browser.until("verdict", "■ out of limit").await;
    // What came meanwhile is said late rather than never, and once.
    let sentences =
        ["Feed, lift coil, twelve point four volts, in limit.", "out of limit, two point three too little."];
    for words in sentences {
        browser.until_said(words).await;
    }
    let said = browser.value("return window.said.join('|')").await.to_string();
    for words in sentences {
        assert_eq!(said.matches(words).count(), 1, "{said}");
    }
    // The page works on as before.
    browser.tap("next").await;
    daemon.until("the last step left", |status| status["step"].is_null());
    daemon.stop();
    browser.client.clone().close().await.unwrap();
}
