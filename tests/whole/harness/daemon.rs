//! The daemon's process: started until it says that it is ready, asked, ended or killed.

use std::{
    io::{BufRead, BufReader, ErrorKind},
    ops::{Deref, DerefMut},
    os::unix::net::UnixDatagram,
    path::Path,
    process::{Child, Command, ExitStatus, Stdio},
    sync::{Arc, Mutex},
    thread,
    time::Duration,
};

use nix::{
    sys::signal::{Signal, kill},
    unistd::Pid,
};
use serde_json::Value;

use super::{Client, PATIENCE, now, until};

pub(crate) struct Daemon {
    process: Child,
    client: Client,
    log: Arc<Mutex<String>>,
}

impl Daemon {
    /// Starts it and waits for its word, given as to a service manager, that it is ready.
    pub(crate) fn start(mut command: Command, ready: &Path, socket: &Path) -> Self {
        drop(std::fs::remove_file(ready));
        let word = UnixDatagram::bind(ready).unwrap();
        word.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
        let mut process =
            command.env("NOTIFY_SOCKET", ready).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let log = Arc::new(Mutex::new(String::new()));
        let (lines, kept) = (BufReader::new(process.stderr.take().unwrap()).lines(), log.clone());
        thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                *kept.lock().unwrap() += &(line + "\n");
            }
        });
        let began = now();
        let mut message = [0; 256];
        loop {
            match word.recv(&mut message) {
                Ok(length) if message[..length].starts_with(b"READY=1") => break,
                Ok(_) => {}
                Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                    let ended = process.try_wait().unwrap();
                    assert!(ended.is_none(), "the daemon ended, {ended:?}:\n{}", log.lock().unwrap());
                    assert!(began.elapsed() < PATIENCE, "the daemon was not ready:\n{}", log.lock().unwrap());
                }
                Err(error) => panic!("{error}"),
            }
        }
        Self { client: Client::connect(socket), process, log }
    }

    /// Connects anew, after it began anew with another bench.
    pub(crate) fn reconnect(&mut self, socket: &Path) {
        self.client = Client::connect(socket);
    }

    /// What it has written to its log so far, also after its end.
    pub(crate) fn log(&self) -> Arc<Mutex<String>> {
        self.log.clone()
    }

    /// Its process number.
    pub(crate) fn process(&self) -> u32 {
        self.process.id()
    }

    /// Waits until the status shows something, and gives that status back.
    pub(crate) fn until(&mut self, what: &str, mut seen: impl FnMut(&Value) -> bool) -> Value {
        until(what, || {
            let status = self.client.status();
            if seen(&status) { Ok(status) } else { Err(status) }
        })
    }

    /// Waits until the ports of meters are open: what they send from now on is read.
    pub(crate) fn until_open<const N: usize>(&mut self, meters: [&str; N]) {
        for meter in meters {
            self.until(&format!("port of {meter} open"), |status| of_meter(status, meter)["open"] == true);
        }
    }

    /// Waits until so many samples have come in since the session began, of meters that send what the test tells them to and no
    /// more: a display that repeats its reading passes the count.
    pub(crate) fn until_samples(&mut self, count: u64) {
        self.until(&format!("{count} samples"), |status| status["session"]["samples"] == count);
    }

    /// The first finding, once it rests on all that was captured.
    pub(crate) fn until_finding(&mut self) -> Value {
        let status = self.until("findings", |status| status["findings_pending"] == false);
        status["findings"][0].clone()
    }

    /// Waits until so many frames of a meter could not be decoded.
    pub(crate) fn until_refused(&mut self, meter: &str, count: u64) {
        self.until(&format!("{count} refused"), |status| of_meter(status, meter)["refused"] == count);
    }

    /// Pulls the plug on it: it can't do anything about it.
    pub(crate) fn kill(mut self) {
        self.process.kill().unwrap();
        self.process.wait().unwrap();
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(self.process.id().cast_signed()), signal).unwrap();
    }

    /// Tells it to stop with a signal and waits for its end.
    pub(crate) fn stop_with(mut self, signal: Signal) -> (ExitStatus, Duration) {
        let began = now();
        self.signal(signal);
        let status = self.process.wait().unwrap();
        (status, began.elapsed())
    }

    /// Stops it as a service manager does; it must end well.
    pub(crate) fn stop(self) {
        let log = self.log.clone();
        let (status, _) = self.stop_with(Signal::SIGTERM);
        assert!(status.success(), "{status}:\n{}", log.lock().unwrap());
    }
}

/// A meter's line of the status.
pub(crate) fn of_meter<'a>(status: &'a Value, meter: &str) -> &'a Value {
    let meters = status["meters"].as_array().unwrap();
    meters.iter().find(|line| line["meter"] == meter).unwrap_or(&Value::Null)
}

impl Deref for Daemon {
    type Target = Client;

    fn deref(&self) -> &Client {
        &self.client
    }
}

impl DerefMut for Daemon {
    fn deref_mut(&mut self) -> &mut Client {
        &mut self.client
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Both do nothing to one that has ended.
        drop(self.process.kill());
        drop(self.process.wait());
        if thread::panicking() {
            eprintln!("the daemon said:\n{}", self.log.lock().map_or_else(|_| String::new(), |log| log.clone()));
        }
    }
}
