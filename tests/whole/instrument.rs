//! A bench multimeter that speaks SCPI over a pseudo-terminal. The `scpi` crate parses what is asked,
//! formats what is answered and keeps the queue of errors, so that it was not written by us.

use std::sync::{Arc, Mutex};

use scpi::{
    Branch, Leaf, Root, cmd_nquery, cmd_qonly,
    error::{ArrayErrorQueue, ErrorQueue, Result},
    tree::prelude::*,
};

use crate::harness::{Meter, Peer};

/// Errors that wait; the crate replaces the last by "Queue overflow" when there are more.
const QUEUE: usize = 10;

/// What it measures: its function in SCPI's words, and the value in base units. The crate writes
/// infinity as 9.9E37 and NaN as 9.91E37, as SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5 want it (clauses
/// from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Shows(pub &'static str, pub f64);

/// The multimeter's inside.
struct Multimeter {
    /// Maker, model, serial number, firmware.
    name: [&'static str; 4],
    shows: Shows,
    /// What the operator turns it to as soon as the next reading is out.
    turned: Option<Shows>,
    errors: ArrayErrorQueue<QUEUE>,
}

impl Device for Multimeter {
    fn handle_error(&mut self, error: Error) {
        self.errors.push_back_error(error);
    }
}

/// `*IDN?`, IEEE 488.2, 10.14: four fields parted by commas, of characters without quotes.
struct Idn;

impl Command<Multimeter> for Idn {
    cmd_qonly!();

    fn query(
        &self,
        device: &mut Multimeter,
        _context: &mut Context,
        _params: Parameters,
        mut response: ResponseUnit,
    ) -> Result<()> {
        for field in device.name {
            response.data(Character(field.as_bytes()));
        }
        response.finish()
    }
}

/// `*CLS`, IEEE 488.2, 10.3: empties the queue.
struct Cls;

impl Command<Multimeter> for Cls {
    cmd_nquery!();

    fn event(&self, device: &mut Multimeter, _context: &mut Context, _params: Parameters) -> Result<()> {
        device.errors.clear_errors();
        Ok(())
    }
}

/// `[SENSe:]FUNCtion?`: a string, in quotes.
struct SensFunction;

impl Command<Multimeter> for SensFunction {
    cmd_qonly!();

    fn query(
        &self,
        device: &mut Multimeter,
        _context: &mut Context,
        _params: Parameters,
        mut response: ResponseUnit,
    ) -> Result<()> {
        response.data(device.shows.0.as_bytes()).finish()
    }
}

/// `READ?`: a new reading. It is of the function that was set when it began, whatever the knob is turned to meanwhile.
struct Read;

impl Command<Multimeter> for Read {
    cmd_qonly!();

    fn query(
        &self,
        device: &mut Multimeter,
        _context: &mut Context,
        _params: Parameters,
        mut response: ResponseUnit,
    ) -> Result<()> {
        let Shows(_, value) = device.shows;
        device.shows = device.turned.take().unwrap_or(device.shows);
        response.data(value).finish()
    }
}

/// `SYSTem:ERRor[:NEXT]?`: the oldest error, which is forgotten then.
struct SystErrNext;

impl Command<Multimeter> for SystErrNext {
    cmd_qonly!();

    fn query(
        &self,
        device: &mut Multimeter,
        _context: &mut Context,
        _params: Parameters,
        mut response: ResponseUnit,
    ) -> Result<()> {
        response.data(device.errors.pop_front_error().unwrap_or_default()).finish()
    }
}

const TREE: Node<Multimeter> = Root![
    Leaf!(b"*IDN" => &Idn),
    Leaf!(b"*CLS" => &Cls),
    Leaf!(b"READ" => &Read),
    Branch![default b"SENSe"; Leaf!(b"FUNCtion" => &SensFunction)],
    Branch![b"SYSTem"; Branch![b"ERRor"; Leaf!(default b"NEXT" => &SystErrNext)]]
];

/// The multimeter on its port.
pub(crate) struct Instrument {
    inside: Arc<Mutex<Multimeter>>,
    peer: Peer,
}

impl Instrument {
    /// Plugs one in, of an invented make.
    pub(crate) fn new(meter: Meter, shows: Shows) -> Self {
        Self::named(meter, ["Invented Works", "Bench 6", "SN0042", "1.07"], shows)
    }

    /// Plugs one in: maker, model, serial number, firmware.
    pub(crate) fn named(meter: Meter, name: [&'static str; 4], shows: Shows) -> Self {
        let inside = Multimeter { name, shows, turned: None, errors: ArrayErrorQueue::new() };
        let inside = Arc::new(Mutex::new(inside));
        let (mine, mut begun) = (inside.clone(), Vec::new());
        let peer = Peer::new(meter, move |bytes| {
            let mut answers = Vec::new();
            for byte in bytes {
                match byte {
                    b'\n' => answers.extend(message(&mine, &std::mem::take(&mut begun))),
                    byte => begun.push(*byte),
                }
            }
            answers
        });
        Self { inside, peer }
    }

    /// Turns it to something else. The knob is turned right behind a reading: one that is turned
    /// between the question for the function and the reading deceives everybody.
    pub(crate) fn turn(&self, shows: Shows) {
        self.inside.lock().unwrap().turned = Some(shows);
    }

    /// Someone else, at another of its interfaces, sends it a message.
    pub(crate) fn message(&self, text: &str) {
        message(&self.inside, text.as_bytes());
    }

    /// Much goes wrong in it at once.
    pub(crate) fn fails(&self, errors: &[ErrorCode]) {
        let mut inside = self.inside.lock().unwrap();
        errors.iter().for_each(|error| inside.handle_error((*error).into()));
    }

    /// Errors that wait in its queue.
    pub(crate) fn errors(&self) -> usize {
        self.inside.lock().unwrap().errors.num_errors()
    }

    /// Pulls its cable.
    pub(crate) fn unplug(self) -> Meter {
        self.peer.unplug()
    }

    /// All that was written to its port.
    pub(crate) fn heard(&self) -> String {
        self.peer.heard()
    }
}

/// One message, and its answer.
fn message(inside: &Mutex<Multimeter>, text: &[u8]) -> Vec<u8> {
    let mut answer = Vec::new();
    // What is wrong with it is in the queue of errors, as with any instrument.
    let _kept = TREE.run(text, &mut *inside.lock().unwrap(), &mut Context::default(), &mut answer);
    answer
}
