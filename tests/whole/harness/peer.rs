//! A meter that answers: a thread at its end of the line hears what the program writes and replies.

use std::{
    os::{fd::AsFd, unix::net::UnixStream},
    sync::{Arc, Mutex},
    thread::{self, JoinHandle},
};

use nix::{
    errno::Errno,
    poll::{PollFd, PollFlags, PollTimeout, poll},
};

use super::{Meter, until};

/// What no program writes: whatever was written before it was heard when this is.
const MARK: u8 = 0;

/// A meter that answers. It hangs up when it is dropped.
pub(crate) struct Peer {
    /// None only while it is unplugged.
    meter: Option<Arc<Meter>>,
    heard: Arc<Mutex<Vec<u8>>>,
    /// The thread ends when this is closed.
    end: Option<UnixStream>,
    thread: Option<JoinHandle<()>>,
}

impl Peer {
    /// A meter that makes its answers of the bytes that come, however they are split.
    pub(crate) fn new(meter: Meter, mut answer: impl FnMut(&[u8]) -> Vec<u8> + Send + 'static) -> Self {
        let (end, ended) = UnixStream::pair().unwrap();
        let (meter, heard) = (Arc::new(meter), Arc::new(Mutex::new(Vec::new())));
        let (device, kept) = (meter.clone(), heard.clone());
        let thread = thread::spawn(move || {
            loop {
                let mut ready =
                    [PollFd::new(device.device(), PollFlags::POLLIN), PollFd::new(ended.as_fd(), PollFlags::POLLIN)];
                match poll(&mut ready, PollTimeout::NONE) {
                    Ok(_) | Err(Errno::EINTR) => {}
                    Err(error) => panic!("the fake meter can't wait: {error}"),
                }
                if ready[1].any() == Some(true) {
                    return;
                }
                let bytes = device.heard();
                let (mine, written): (Vec<u8>, Vec<u8>) = bytes.iter().partition(|byte| **byte == MARK);
                device.bytes(&answer(&written));
                kept.lock().unwrap().extend(written.iter().chain(&mine));
            }
        });
        Self { meter: Some(meter), heard, end: Some(end), thread: Some(thread) }
    }

    /// Pulls its cable.
    pub(crate) fn unplug(mut self) -> Meter {
        self.hang_up();
        let meter = self.meter.take().and_then(Arc::into_inner);
        let mut meter = meter.expect("its thread has ended, and it is unplugged once");
        meter.unplug();
        meter
    }

    fn hang_up(&mut self) {
        self.end = None;
        let ended = self.thread.take().map(JoinHandle::join);
        if let Some(Err(panic)) = ended
            && !thread::panicking()
        {
            std::panic::resume_unwind(panic);
        }
    }

    /// All that the program wrote to it until now.
    pub(crate) fn heard(&self) -> String {
        self.meter.as_ref().expect("it is plugged in").as_program(&[MARK]);
        let all = until("what was written before", || {
            let mut heard = self.heard.lock().unwrap();
            let is_all = heard.last() == Some(&MARK);
            heard.retain(|byte| *byte != MARK || !is_all);
            if is_all { Ok(heard.clone()) } else { Err(heard.len()) }
        });
        String::from_utf8_lossy(&all).into_owned()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.hang_up();
    }
}
