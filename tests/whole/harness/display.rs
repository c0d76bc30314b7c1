//! A fake meter that prints what its display shows again and again, as streaming meters do.

use std::{
    sync::{
        Arc, Mutex,
        mpsc::{RecvTimeoutError, Sender, channel},
    },
    thread::{self, JoinHandle},
    time::Duration,
};

use super::Meter;

/// From one frame to the next: the meter's own pace, a quick handheld one.
const PERIOD: Duration = Duration::from_millis(50);

pub(crate) struct Display {
    shown: Arc<Mutex<Vec<u8>>>,
    printing: Option<(Sender<()>, JoinHandle<()>)>,
}

impl Display {
    /// A meter that is plugged in and shows this line.
    pub(crate) fn of(meter: Meter, line: &str) -> Self {
        let shown = Arc::new(Mutex::new(format!("{line}\r\n").into_bytes()));
        let printed = shown.clone();
        let (switch_off, off) = channel();
        let printing = thread::spawn(move || {
            while off.recv_timeout(PERIOD) == Err(RecvTimeoutError::Timeout) {
                let frame = printed.lock().unwrap().clone();
                meter.bytes(&frame);
            }
        });
        Self { shown, printing: Some((switch_off, printing)) }
    }

    /// It shows this line from now on.
    pub(crate) fn shows(&self, line: &str) {
        self.shows_bytes(format!("{line}\r\n").as_bytes());
    }

    /// It sends this frame from now on.
    pub(crate) fn shows_bytes(&self, frame: &[u8]) {
        frame.clone_into(&mut self.shown.lock().unwrap());
    }
}

impl Drop for Display {
    fn drop(&mut self) {
        if let Some((switch_off, printing)) = self.printing.take() {
            drop(switch_off);
            drop(printing.join());
        }
    }
}
