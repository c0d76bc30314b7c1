//! The loop itself, with queues in place of ports and clients.

use std::sync::{
    Arc, Mutex,
    atomic::{AtomicBool, Ordering},
};

use tokio::{sync::broadcast, time::timeout};
use uuid::Uuid;

use super::{
    super::{
        findings_thread::FindingsThread,
        ports::{PortCommands, PortEventKind},
        speaker::{OwnVoice, Speaker},
    },
    *,
};
use crate::{
    channel::{Batch, Channel, ChannelId, Conversion, Sample},
    protocol::{Annunciators, Value},
    server::Request,
    session::{Visit, findings::FindingsTask},
    units::Quantity,
};

const PROCEDURE: &str = r#"
title = "two feeds"

[[step]]
name = "feed one"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
role = "feed"

[[step]]
name = "lift ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
role = "coil ohms"
"#;

/// More than any queue here holds.
const QUEUE: usize = 4096;

/// Who sends readings and asks.
struct Outside {
    clock: Clock,
    to_ports: mpsc::Sender<PortEvent>,
    to_requests: mpsc::Sender<PendingRequest>,
    news: broadcast::Receiver<Arc<str>>,
}

impl Outside {
    async fn port(&self, kind: PortEventKind) {
        let event = PortEvent { meter: MeterId(0), at: self.clock.mono(), stats: PortStats::default(), kind };
        self.to_ports.send(event).await.unwrap();
    }

    /// Sends this reading until those who watch are told of it.
    async fn shows(&mut self, volts: f64) {
        let text = volts.to_string();
        loop {
            let sample = Sample {
                at: self.clock.mono(),
                channel: ChannelId(0),
                quantity: Quantity::VoltsDc,
                value: Value::Number(volts),
                u: Some(0.02),
                decade: Some(-2),
                digit: Some(0.01),
                annunciators: Annunciators::empty(),
            };
            self.port(PortEventKind::Batch(Batch { samples: vec![sample], events: Vec::new() })).await;
            let told = async { while !self.news.recv().await.is_ok_and(|line| line.contains(&text)) {} };
            if timeout(READINGS_AT_LEAST, told).await.is_ok() {
                return;
            }
        }
    }

    async fn ask(&self, request: Request) -> Answer {
        let (answer, answered) = oneshot::channel();
        self.to_requests.send(PendingRequest { request, answer }).await.unwrap();
        answered.await.unwrap()
    }
}

/// Readings go on, a command is carried out and its record on disk, all while the search has no answer yet; then it is heard.
#[tokio::test]
async fn a_slow_search_holds_nobody_up() {
    let data = tempfile::tempdir().unwrap();
    let folder = Folder::at(data.path());
    let (report, reports) = mpsc::channel(QUEUE);
    let store = Store::open(&folder.database(), move |sent| drop(report.blocking_send(sent))).unwrap();
    let (began, mut begun) = mpsc::channel(QUEUE);
    let (release, released) = std::sync::mpsc::channel::<()>();
    let (released, is_over) = (Mutex::new(released), Arc::new(AtomicBool::new(false)));
    let over = is_over.clone();
    let (findings_thread, findings) =
        FindingsThread::with(Arc::new(move |task: &FindingsTask, _: &dyn Fn() -> bool| {
            began.blocking_send(task.captures).unwrap();
            // Until the sender is dropped.
            released.lock().unwrap().recv().unwrap_err();
            over.store(true, Ordering::SeqCst);
            Some(Vec::new())
        }));
    let clock = Clock::start();
    let (news, watched) = broadcast::channel(QUEUE);
    let (ports, _commands) = PortCommands::new(0);
    let outputs =
        LoopOutputs { news, alert: None, speaker: Speaker::new(&OwnVoice::Off), ports, findings: findings_thread };
    let (mut event_loop, prepared) = EventLoop::new(clock, &Bench::default(), folder, store, outputs);
    event_loop.begin(Begin {
        id: Uuid::now_v7(),
        wall: Clock::wall(),
        visit: Visit::default(),
        procedure: Some(Arc::new(Procedure::parse("p.toml", PROCEDURE).unwrap())),
        bench: String::new(),
        previous: None,
        retests: None,
    });
    let (to_ports, from_ports) = mpsc::channel(QUEUE);
    let (to_requests, requests) = mpsc::channel(QUEUE);
    let inputs = LoopInputs { ports: from_ports, requests, reports, prepared, findings };
    let stop = CancellationToken::new();
    let mut outside = Outside { clock, to_ports, to_requests, news: watched };
    let work = async {
        let conversion = Conversion { quantity: Some(Quantity::VoltsDc), scale: None, accuracy: None };
        let probe = Channel {
            name: "probe".to_owned(),
            meter: MeterId(0),
            meter_name: "handheld".to_owned(),
            reads: String::new(),
            conversion,
            range: None,
            fuse: None,
        };
        outside.port(PortEventKind::Channels(vec![(ChannelId(0), probe)])).await;
        outside.shows(12.4).await;
        assert!(outside.ask(Request::Take { channel: None, answer: None }).await.ok);
        assert!(outside.ask(Request::Step { to: "next".to_owned() }).await.ok);
        assert_eq!(begun.recv().await, Some(1), "the capture is being thought about");
        outside.shows(11.9).await;
        assert!(outside.ask(Request::Note { text: "still here".to_owned() }).await.ok);
        assert!(!is_over.load(Ordering::SeqCst), "nothing of this waited for the search");
        drop(release);
        assert!(outside.ask(Request::End {}).await.ok, "the end waits for it, and comes");
        assert!(is_over.load(Ordering::SeqCst));
        stop.cancel();
    };
    let ((_, end), ()) = tokio::join!(event_loop.run(inputs, stop.clone()), work);
    assert_eq!(end, LoopEnd::Stopped);
}
