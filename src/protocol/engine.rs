//! The framer and decoder of one port: bytes in, readings, frames and problems out.
//!
//! No clock and no I/O. The same bytes give the same readings however they were split.

use std::sync::Arc;

use super::{
    Protocol, Reading,
    decode::{Decoder, Sink, Taken},
    frame::{Cut, Framer},
    names::Names,
    problem::{Fault, Problem, ProblemKind, TOLD_OF_EACH_KIND},
};

/// Everything that some bytes gave. Keep it and clear it, so that its memory is used again.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoded {
    /// The readings of all frames, one frame after the other.
    pub readings: Vec<Reading>,
    /// The frames, in the order they came.
    pub frames: Vec<Frame>,
    /// The first few problems of each kind; all are counted in [`Engine::counts`].
    pub problems: Vec<Problem>,
}

impl Decoded {
    /// Empties it.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.frames.clear();
        self.problems.clear();
    }
}

/// One report of a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Readings from the end of the frame before up to here belong to it.
    pub readings_end: usize,
    /// Seconds on the device's own clock, where the frame tells it.
    pub device_time: Option<f64>,
}

/// What came through a port since the engine was made.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes in all.
    pub bytes: u64,
    /// Bytes of frames that were understood, with their ends, headers, comments and empty lines.
    pub explained: u64,
    /// Frames understood; one whose values are all empty or refused is among them.
    pub frames: u64,
    /// Readings kept.
    pub readings: u64,
    problems: [u64; ProblemKind::ALL.len()],
}

impl Counts {
    /// Problems of one kind.
    pub fn problems(&self, kind: ProblemKind) -> u64 {
        self.problems[kind as usize]
    }

    /// Problems of every kind.
    pub fn all_problems(&self) -> u64 {
        self.problems.iter().sum()
    }
}

/// The framer and decoder of one port.
#[derive(Debug)]
pub struct Engine {
    framer: Framer,
    rest: Rest,
}

/// All but the framer, so that a frame may be borrowed from it while this works.
#[derive(Debug)]
struct Rest {
    protocol: Arc<Protocol>,
    decoder: Decoder,
    names: Names,
    counts: Counts,
    /// Values refused in the frame at hand; kept for its memory.
    refused: Vec<Fault>,
}

impl Engine {
    /// An engine at the beginning of a stream.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        let mut names = Names::default();
        for name in protocol.value_names().unwrap_or_default() {
            names.number(name).expect("a file's names are checked to be few and short when it is read");
        }
        Self {
            framer: Framer::new(&protocol.frame),
            rest: Rest {
                decoder: Decoder::new(&protocol.decode),
                protocol,
                names,
                counts: Counts::default(),
                refused: Vec::new(),
            },
        }
    }

    /// The protocol it follows.
    pub fn protocol(&self) -> &Protocol {
        &self.rest.protocol
    }

    /// Takes bytes in and adds what they complete to `out`.
    pub fn push(&mut self, bytes: &[u8], out: &mut Decoded) {
        self.rest.counts.bytes += bytes.len() as u64;
        self.framer.push(bytes, |cut| self.rest.take(cut, out));
    }

    /// The port went away: a frame that was begun is dropped and told, and what comes next is a
    /// device that begins anew.
    pub fn lost(&mut self, out: &mut Decoded) {
        self.framer.lost(|cut| self.rest.take(cut, out));
        self.rest.decoder.lost();
    }

    /// The names of values met so far, at most 256; [`Reading::name`] is a place in it. It grows
    /// and is never reordered.
    pub fn names(&self) -> &[String] {
        self.rest.names.all()
    }

    /// What came so far.
    pub fn counts(&self) -> &Counts {
        &self.rest.counts
    }
}

impl Rest {
    #[inline]
    fn take(&mut self, cut: Cut<'_>, out: &mut Decoded) {
        match cut {
            Cut::Frame(frame, taken) => self.frame(frame, taken, out),
            Cut::Refused(bytes, fault) => self.problem(bytes, &fault, &mut out.problems),
        }
    }

    #[inline]
    fn frame(&mut self, frame: &[u8], taken: usize, out: &mut Decoded) {
        let (begin, known) = (out.readings.len(), self.names.all().len());
        self.names.begin();
        self.refused.clear();
        let mut sink =
            Sink { readings: &mut out.readings, names: &mut self.names, refused: &mut self.refused, device_time: None };
        let read = self.decoder.decode(frame, &mut sink);
        let device_time = sink.device_time;
        match read {
            Ok(kind) => {
                self.counts.explained += taken as u64;
                if kind == Taken::Frame {
                    let readings_end = out.readings.len();
                    self.counts.frames += 1;
                    self.counts.readings += (readings_end - begin) as u64;
                    out.frames.push(Frame { readings_end, device_time });
                }
                self.tell_refused(frame, out);
            }
            Err(fault) => {
                out.readings.truncate(begin);
                self.names.forget_from(known);
                self.problem(frame, &fault, &mut out.problems);
            }
        }
    }

    #[inline]
    fn tell_refused(&mut self, frame: &[u8], out: &mut Decoded) {
        if self.refused.is_empty() {
            return;
        }
        let mut refused = std::mem::take(&mut self.refused);
        for fault in refused.drain(..) {
            self.problem(frame, &fault, &mut out.problems);
        }
        self.refused = refused;
    }

    fn problem(&mut self, frame: &[u8], fault: &Fault, told: &mut Vec<Problem>) {
        let count = &mut self.counts.problems[fault.wrong.kind() as usize];
        *count += 1;
        if *count <= TOLD_OF_EACH_KIND {
            told.push(fault.tell(frame));
        }
    }
}
