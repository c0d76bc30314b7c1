//! The thread of one port: open, read, lose, find again.

use std::{
    io,
    sync::{Arc, Condvar, Mutex, PoisonError},
    time::Duration,
};

use super::{Address, LONGEST_READ_WAIT, Port, ReadOutcome, Settings, open};
use crate::{
    clock::{Clock, micros},
    io_reason::with_reason,
};

/// First wait before a lost port is tried again; it doubles up to [`LONGEST_WAIT`].
const FIRST_WAIT: Duration = Duration::from_millis(50);

/// The longest wait for a meter that was plugged in again. A port that lasted as long is tried again
/// soon; one that did not, later and later.
const LONGEST_WAIT: Duration = Duration::from_secs(1);

/// A read waits in pieces of this length, so that the listener knows closely how long nothing came.
const LOOK: Duration = Duration::from_millis(50);

/// One read takes at most this much: at 3 Mbaud some 200 ms of bytes.
const BUFFER: usize = 64 * 1024;

/// Receives what a port does. A `false` from any of its methods ends the reader.
pub(crate) trait Listener {
    /// The port is open.
    fn opened(&mut self) -> bool;

    /// Called before each read, so that a polled meter can be asked. Returns how long the read may
    /// wait at most, which is when the next request is due.
    ///
    /// # Errors
    /// Whatever the port answers to a write; the port is then lost.
    fn before_read(&mut self, _port: &mut dyn Port) -> io::Result<Duration> {
        Ok(LONGEST_READ_WAIT)
    }

    /// Bytes were received just now.
    fn received(&mut self, bytes: &[u8]) -> bool;

    /// Nothing has come since the last bytes.
    fn silent(&mut self) {}

    /// Bytes of a capture, and how long after its first bytes they were recorded.
    fn received_from_capture(&mut self, bytes: &[u8], _after: Duration) -> bool {
        self.received(bytes)
    }

    /// A fault in the bytes that was found before they were decoded.
    fn warning(&mut self, _text: String) -> bool {
        true
    }

    /// The port could not be opened, or went away: called once until it is open again, and again where the reason
    /// changes meanwhile.
    fn lost(&mut self, why: &io::Error) -> bool;

    /// A capture is over: it is not tried again, and the reader returns.
    fn ended(&mut self) {}
}

/// The signal by which reader threads stop; it wakes those that wait.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stop(Arc<(Mutex<bool>, Condvar)>);

impl Stop {
    /// From now on everyone stops.
    pub(crate) fn stop(&self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.0.1.notify_all();
    }

    /// Whether to stop.
    pub(crate) fn stopped(&self) -> bool {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits, but not when it is time to stop.
    pub(crate) fn wait(&self, duration: Duration) {
        let guard = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        // Either outcome is fine: the caller checks `stopped` next.
        drop(self.0.1.wait_timeout_while(guard, duration, |stopped| !*stopped));
    }
}

/// Reads a port until it is stopped, through any number of losses, or until a capture is over.
pub(crate) fn read_until_stopped(address: &Address, settings: &Settings, stop: &Stop, listener: &mut impl Listener) {
    let mut read_loop = ReadLoop {
        stop,
        listener,
        buffer: vec![0; BUFFER],
        reported: ReportedState::Nothing,
        reason: String::new(),
        unplugged: None,
        failed_before_data: false,
    };
    let mut wait = FIRST_WAIT;
    while !stop.stopped() {
        let began = Clock::start();
        let why = match open(address, settings) {
            Ok(port) => match read_loop.read(port, began) {
                Some(why) => why,
                None => return,
            },
            Err(why) => why,
        };
        if !read_loop.lost(&why) {
            return;
        }
        if began.mono().0 >= micros(LONGEST_WAIT) {
            wait = FIRST_WAIT;
        }
        stop.wait(wait);
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}

/// What was reported to the listener last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ReportedState {
    Nothing,
    Open,
    Lost,
}

struct ReadLoop<'a, L> {
    stop: &'a Stop,
    listener: &'a mut L,
    buffer: Vec<u8>,
    reported: ReportedState,
    /// Why it is lost, as reported last.
    reason: String,
    /// Why it was lost when it was open the last time.
    unplugged: Option<String>,
    /// It went away the last time before it had brought anything: a program that ends at once, a
    /// server that hangs up. It is reported as open again when it brings something, or lasts.
    failed_before_data: bool,
}

impl<L: Listener> ReadLoop<'_, L> {
    /// Reads until the port is lost; none when all is over.
    fn read(&mut self, mut port: Box<dyn Port>, began: Clock) -> Option<io::Error> {
        if !self.failed_before_data && !self.open() {
            return None;
        }
        self.failed_before_data = true;
        while !self.stop.stopped() {
            // No request is sent before the listener knows that the port is open.
            let patience = if self.reported == ReportedState::Open {
                self.listener.before_read(&mut *port)
            } else {
                Ok(LONGEST_READ_WAIT)
            };
            let outcome = match patience.and_then(|patience| port.read(&mut self.buffer, patience.min(LOOK))) {
                Ok(outcome) => outcome,
                Err(why) => return Some(why),
            };
            let lasts = outcome != ReadOutcome::Silence || began.mono().0 >= micros(LONGEST_READ_WAIT / 2);
            self.failed_before_data &= !lasts;
            if lasts && !self.open() {
                return None;
            }
            if let Some(text) = port.take_warning()
                && !self.listener.warning(text)
            {
                return None;
            }
            let goes_on = match outcome {
                ReadOutcome::Bytes(count) => self.listener.received(&self.buffer[..count]),
                ReadOutcome::Recorded(count, after) => {
                    self.listener.received_from_capture(&self.buffer[..count], after)
                }
                ReadOutcome::Silence => {
                    self.listener.silent();
                    true
                }
                ReadOutcome::Ended => {
                    self.listener.ended();
                    false
                }
            };
            if !goes_on {
                return None;
            }
        }
        None
    }

    fn open(&mut self) -> bool {
        let news = self.reported != ReportedState::Open;
        self.reported = ReportedState::Open;
        !news || self.listener.opened()
    }

    fn lost(&mut self, why: &io::Error) -> bool {
        let mut why = with_reason(why);
        if self.reported == ReportedState::Open {
            self.unplugged = Some(why.to_string());
        } else if let (io::ErrorKind::NotFound, Some(unplugged)) = (why.kind(), &self.unplugged) {
            // That it is not to be found now is no other reason.
            why = io::Error::new(why.kind(), unplugged.clone());
        }
        let reason = why.to_string();
        let news = self.reported != ReportedState::Lost || self.reason != reason;
        self.reported = ReportedState::Lost;
        self.reason = reason;
        !news || self.listener.lost(&why)
    }
}

#[cfg(test)]
mod tests {
    use std::{
        fs::File,
        io::{Read, Write},
        net::TcpListener,
        os::{fd::OwnedFd, unix::fs::symlink},
        path::Path,
        sync::mpsc,
        thread::{self, JoinHandle},
    };

    use nix::{pty::openpty, unistd::ttyname};

    use super::*;

    #[derive(Debug, PartialEq)]
    enum ListenerCall {
        Opened,
        Received(String),
        Lost,
        Ended,
    }

    struct Recorder(mpsc::Sender<ListenerCall>, Option<&'static str>);

    impl Listener for Recorder {
        fn opened(&mut self) -> bool {
            self.0.send(ListenerCall::Opened).is_ok()
        }

        fn before_read(&mut self, port: &mut dyn Port) -> io::Result<Duration> {
            if let Some(question) = self.1.take() {
                port.write_all(question.as_bytes(), LONGEST_READ_WAIT)?;
            }
            Ok(LONGEST_READ_WAIT)
        }

        fn received(&mut self, bytes: &[u8]) -> bool {
            self.0.send(ListenerCall::Received(String::from_utf8_lossy(bytes).into_owned())).is_ok()
        }

        fn lost(&mut self, _why: &io::Error) -> bool {
            self.0.send(ListenerCall::Lost).is_ok()
        }

        fn ended(&mut self) {
            drop(self.0.send(ListenerCall::Ended));
        }
    }

    /// A reader on a thread of its own, and its events.
    struct ReaderThread {
        stop: Stop,
        thread: JoinHandle<()>,
        events: mpsc::Receiver<ListenerCall>,
    }

    impl ReaderThread {
        fn start(address: &str, question: Option<&'static str>) -> Self {
            let address = address.parse().unwrap();
            let (tell, events) = mpsc::channel();
            let stop = Stop::default();
            let stops = stop.clone();
            let thread = thread::spawn(move || {
                read_until_stopped(&address, &Settings::default(), &stops, &mut Recorder(tell, question));
            });
            Self { stop, thread, events }
        }

        fn next(&self) -> ListenerCall {
            self.events.recv_timeout(Duration::from_secs(20)).expect("the reader tells what happens")
        }

        /// The thread ends and has sent nothing more.
        fn stops(self) {
            self.stop.stop();
            self.ends();
        }

        fn ends(self) {
            self.thread.join().unwrap();
            assert_eq!(self.events.try_iter().collect::<Vec<_>>(), []);
        }
    }

    /// A cable plugged in under a name: the master's side, and the other side to keep it open.
    fn plug(name: &Path) -> (File, OwnedFd) {
        let pair = openpty(None, None).unwrap();
        let beside = name.with_extension("new");
        symlink(ttyname(&pair.slave).unwrap(), &beside).unwrap();
        std::fs::rename(beside, name).unwrap();
        (File::from(pair.master), pair.slave)
    }

    #[test]
    fn a_cable_pulled_and_plugged_again_under_its_name_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("meter");
        let reader = ReaderThread::start(name.to_str().unwrap(), None);
        assert_eq!(reader.next(), ListenerCall::Lost);
        for value in ["1.5\n", "1.6\n"] {
            let (mut master, slave) = plug(&name);
            assert_eq!(reader.next(), ListenerCall::Opened);
            master.write_all(value.as_bytes()).unwrap();
            assert_eq!(reader.next(), ListenerCall::Received(value.to_owned()));
            drop((master, slave));
            assert_eq!(reader.next(), ListenerCall::Lost);
        }
        reader.stops();
    }

    #[test]
    fn another_device_under_the_same_name_is_noticed_in_silence() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("meter");
        let _first = plug(&name);
        let reader = ReaderThread::start(name.to_str().unwrap(), None);
        assert_eq!(reader.next(), ListenerCall::Opened);
        let (mut second, _slave) = plug(&name);
        assert_eq!(reader.next(), ListenerCall::Lost);
        assert_eq!(reader.next(), ListenerCall::Opened);
        second.write_all(b"2\n").unwrap();
        assert_eq!(reader.next(), ListenerCall::Received("2\n".to_owned()));
        reader.stops();
    }

    /// Seen: a port that was unplugged and then held by another program kept its first reason.
    #[test]
    fn another_reason_is_reported_too() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("meter");
        let reader = ReaderThread::start(name.to_str().unwrap(), None);
        assert_eq!(reader.next(), ListenerCall::Lost);
        // Now something is there, but it is no port.
        std::fs::create_dir(&name).unwrap();
        assert_eq!(reader.next(), ListenerCall::Lost);
        reader.stops();
    }

    #[test]
    fn a_meter_can_be_asked() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("meter");
        let (mut master, _slave) = plug(&name);
        let reader = ReaderThread::start(name.to_str().unwrap(), Some("READ?\n"));
        assert_eq!(reader.next(), ListenerCall::Opened);
        let mut question = [0; 6];
        master.read_exact(&mut question).unwrap();
        assert_eq!(&question, b"READ?\n");
        master.write_all(b"+1.2E0\n").unwrap();
        assert_eq!(reader.next(), ListenerCall::Received("+1.2E0\n".to_owned()));
        reader.stops();
    }

    #[test]
    fn a_server_that_hangs_up_is_called_again() {
        let server = TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let reader = ReaderThread::start(&format!("tcp://{}", server.local_addr().unwrap()), None);
        for value in ["3\n", "4\n"] {
            let (mut line, _) = server.accept().unwrap();
            assert_eq!(reader.next(), ListenerCall::Opened);
            line.write_all(value.as_bytes()).unwrap();
            assert_eq!(reader.next(), ListenerCall::Received(value.to_owned()));
            drop(line);
            assert_eq!(reader.next(), ListenerCall::Lost);
        }
        reader.stops();
    }

    #[test]
    fn a_program_that_keeps_failing_is_reported_once() {
        let folder = tempfile::tempdir().unwrap();
        let runs = folder.path().join("runs");
        // Three runs that end at once, then one that prints and stays.
        let script = format!("echo >>{0}; [ $(wc -l <{0}) -lt 4 ] && exit 1; echo 7; exec sleep 1000", runs.display());
        let reader = ReaderThread::start(&format!("exec:sh -c '{script}'"), None);
        assert_eq!(reader.next(), ListenerCall::Opened);
        assert_eq!(reader.next(), ListenerCall::Lost);
        assert_eq!(reader.next(), ListenerCall::Opened);
        assert_eq!(reader.next(), ListenerCall::Received("7\n".to_owned()));
        assert_eq!(std::fs::read_to_string(&runs).unwrap().lines().count(), 4);
        reader.stops();
    }

    #[test]
    fn a_program_is_started_again_when_it_ends() {
        let reader = ReaderThread::start("exec:sh -c 'echo 5'", None);
        for _ in 0..2 {
            assert_eq!(reader.next(), ListenerCall::Opened);
            assert_eq!(reader.next(), ListenerCall::Received("5\n".to_owned()));
            assert_eq!(reader.next(), ListenerCall::Lost);
        }
        reader.stop.stop();
        reader.thread.join().unwrap();
    }

    #[test]
    fn a_capture_ends_and_is_not_begun_again() {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(b"bayline capture 1\n10 \"1\\n\"\n20 \"2\\n\"\n").unwrap();
        let reader = ReaderThread::start(&format!("file:{}", file.path().display()), None);
        for event in [
            ListenerCall::Opened,
            ListenerCall::Received("1\n".to_owned()),
            ListenerCall::Received("2\n".to_owned()),
            ListenerCall::Ended,
        ] {
            assert_eq!(reader.next(), event);
        }
        reader.ends();
    }
}
