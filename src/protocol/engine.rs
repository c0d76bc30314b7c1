//! The framer and decoder of one port: bytes in, readings, frames and problems out.
//!
//! No clock and no I/O. The same bytes give the same readings however they were split.

use std::{ops::Range, sync::Arc};

use super::{
    Action, MeterIdentities, Protocol, Reading, RequestId,
    checksum::Checksum,
    counters::{ClockUnwrapper, SequenceCounter},
    decode::{DecodeOutcome, Decoder, Sink},
    frame::{Acceptance, Framer, FramerOutput},
    meter_errors::MeterErrorCounts,
    names::Names,
    poll::PollRule,
    problem::{DecodeError, Defect, Problem, ProblemKind, REPORTED_OF_EACH_KIND},
};

/// Everything that some bytes gave. Keep it and clear it, so that its memory is used again.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Decoded {
    /// The readings of all frames, one frame after the other.
    pub readings: Vec<Reading>,
    /// The frames, in the order they came.
    pub frames: Vec<Frame>,
    /// Frames that a sequence number says are missing.
    pub gaps: Vec<Gap>,
    /// What the meter said of itself.
    pub identities: MeterIdentities,
    /// The first few problems of each kind, and each different error that the meter tells of
    /// itself; all are counted in [`Engine::counts`].
    pub problems: Vec<Problem>,
}

impl Decoded {
    /// Empties it.
    pub fn clear(&mut self) {
        self.readings.clear();
        self.frames.clear();
        self.gaps.clear();
        self.identities.clear();
        self.problems.clear();
    }
}

/// One report of a meter; where it carries several scans, one for each of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Readings from the end of the frame before up to here belong to it.
    pub readings_end: usize,
    /// Seconds on the device's own clock, where the frame tells it; goes on where the device's
    /// counter wraps around.
    pub device_time: Option<f64>,
    /// Seconds that this scan is older than the last one of its frame: 0 where a frame is one scan.
    pub age: f64,
    /// The frame's number, where it tells it; wraps around as the device does.
    pub sequence: Option<u64>,
    /// What the operator asked for with a button on the device.
    pub action: Option<Action>,
}

/// Frames that were lost on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The place in [`Decoded::frames`] of the one that came next.
    pub before: usize,
    /// How many.
    pub lost: u64,
}

/// What came through a port since the engine was made.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes in all.
    pub bytes: u64,
    /// Bytes of frames that were understood, with their ends, headers, comments and empty lines.
    pub explained: u64,
    /// Frames understood, a scan each; one whose values are all empty or refused is among them.
    pub frames: u64,
    /// Readings kept.
    pub readings: u64,
    /// Frames that sequence numbers say are missing.
    pub lost: u64,
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

    /// The share of the bytes that the protocol explains, 0 to 1; 0 before any came.
    pub fn explained_share(&self) -> f64 {
        if self.bytes == 0 { 0.0 } else { self.explained as f64 / self.bytes as f64 }
    }
}

/// The framer and decoder of one port.
#[derive(Debug)]
pub struct Engine {
    framer: Framer,
    processor: FrameProcessor,
}

/// All but the framer, so that a frame may be borrowed from it while this works.
#[derive(Debug)]
struct FrameProcessor {
    protocol: Arc<Protocol>,
    checksum: Option<Checksum>,
    decoder: Decoder,
    names: Names,
    request: Option<RequestId>,
    sequence: SequenceCounter,
    clock: ClockUnwrapper,
    counts: Counts,
    /// Problems of each kind that were told.
    told: [u64; ProblemKind::ALL.len()],
    errors: MeterErrorCounts,
    /// Values refused in the frame at hand; kept for its memory.
    refused: Vec<DecodeError>,
    /// Which bytes of its frame each reading is from, for those who explain an example.
    trace: Option<Vec<Range<usize>>>,
}

/// Whether a frame that is refused is reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reporting {
    Reported,
    /// It may be the middle of a frame, and something was reported already.
    Silent,
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
            processor: FrameProcessor {
                checksum: protocol.checksum.as_ref().map(Checksum::new),
                decoder: Decoder::new(&protocol.decode),
                protocol,
                names,
                request: None,
                sequence: SequenceCounter::default(),
                clock: ClockUnwrapper::default(),
                counts: Counts::default(),
                told: Default::default(),
                errors: MeterErrorCounts::default(),
                refused: Vec::new(),
                trace: None,
            },
        }
    }

    /// The same, and it remembers where readings come from.
    pub(super) fn traced(protocol: Arc<Protocol>) -> Self {
        let mut engine = Self::new(protocol);
        engine.processor.trace = Some(Vec::new());
        engine
    }

    /// Which bytes of its frame each reading since the last call is from.
    pub(super) fn take_trace(&mut self) -> Vec<Range<usize>> {
        self.processor.trace.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// The protocol it follows.
    pub fn protocol(&self) -> &Protocol {
        &self.processor.protocol
    }

    /// The bytes that follow came after this request; none where nothing was asked.
    pub fn set_request(&mut self, request: Option<RequestId>) {
        self.processor.request = request;
    }

    /// Takes bytes in and adds what they complete to `out`.
    pub fn push(&mut self, bytes: &[u8], out: &mut Decoded) {
        self.processor.counts.bytes += bytes.len() as u64;
        self.framer.push(bytes, |cut| self.processor.take(cut, out));
    }

    /// The port went away: a frame that was begun is dropped and told, and what comes next is a
    /// device that begins anew.
    pub fn lost(&mut self, out: &mut Decoded) {
        self.framer.lost(|cut| self.processor.take(cut, out));
        self.processor.decoder.lost();
        self.processor.sequence.forget();
        self.processor.clock.forget();
        self.processor.request = None;
    }

    /// Whoever was told of problems until now is gone: the next ones are news again.
    pub fn reset_reported(&mut self) {
        self.processor.told = Default::default();
        self.processor.errors = MeterErrorCounts::default();
    }

    /// The names of values met so far, at most 256; [`Reading::name`] is a place in it. It grows
    /// and is never reordered.
    pub fn names(&self) -> &[String] {
        self.processor.names.all()
    }

    /// What came so far.
    pub fn counts(&self) -> &Counts {
        &self.processor.counts
    }
}

impl FrameProcessor {
    #[inline]
    fn take(&mut self, cut: FramerOutput<'_>, out: &mut Decoded) -> Acceptance {
        match cut {
            FramerOutput::Frame(frame, taken) => self.frame(frame, taken, Reporting::Reported, out),
            FramerOutput::Trial(frame, taken) => self.frame(frame, taken, Reporting::Silent, out),
            FramerOutput::Refused(bytes, error) => {
                self.problem(bytes, &error, &mut out.problems);
                Acceptance::Rejected
            }
        }
    }

    #[inline]
    fn frame(&mut self, frame: &[u8], taken: usize, telling: Reporting, out: &mut Decoded) -> Acceptance {
        let (readings, frames, said) = (out.readings.len(), out.frames.len(), out.identities.len());
        let known = self.names.all().len();
        match self.read(frame, out) {
            Ok(kind) => {
                self.counts.explained += taken as u64;
                if kind == DecodeOutcome::Frame {
                    self.counts.frames += (out.frames.len() - frames) as u64;
                    self.counts.readings += (out.readings.len() - readings) as u64;
                }
                self.tell_refused(frame, out);
                Acceptance::Accepted
            }
            Err(error) => {
                if let Some(trace) = &mut self.trace {
                    trace.truncate(trace.len() - (out.readings.len() - readings));
                }
                out.readings.truncate(readings);
                out.frames.truncate(frames);
                out.identities.keep(said);
                self.names.forget_from(known);
                if telling == Reporting::Reported {
                    self.problem(frame, &error, &mut out.problems);
                }
                Acceptance::Rejected
            }
        }
    }

    /// Reads a frame; what it brought before a error is taken back by the caller.
    #[inline]
    fn read(&mut self, frame: &[u8], out: &mut Decoded) -> Result<DecodeOutcome, DecodeError> {
        self.refused.clear();
        if frame.is_empty() {
            return Ok(DecodeOutcome::NoFrame);
        }
        let body = match &self.checksum {
            Some(checksum) => checksum.strip(frame)?,
            None => frame,
        };
        if let Some(poll) = &self.protocol.poll
            && poll.is_error(self.request, body)
        {
            self.refused.push(DecodeError::whole(Defect::MeterError));
            return Ok(DecodeOutcome::NoFrame);
        }
        if PollRule::is_aside(self.request) {
            return Ok(DecodeOutcome::NoFrame);
        }
        let begin = out.frames.len();
        if let Some((_, action)) = self.protocol.actions.iter().find(|(text, _)| text == body) {
            let readings_end = out.readings.len();
            let action = Some(*action);
            out.frames.push(Frame { readings_end, device_time: None, age: 0.0, sequence: None, action });
            return Ok(DecodeOutcome::Frame);
        }
        self.names.begin();
        let mut sink = Sink {
            readings: &mut out.readings,
            frames: &mut out.frames,
            names: &mut self.names,
            refused: &mut self.refused,
            identities: &mut out.identities,
            trace: self.trace.as_mut(),
            device_time: None,
            sequence: None,
            action: None,
            request: self.request,
        };
        let taken = self.decoder.decode(body, &mut sink)?;
        if taken == DecodeOutcome::Frame {
            let (time, sequence, action) = (sink.device_time, sink.sequence, sink.action);
            if sink.frames.len() == begin {
                sink.end_scan(0.0);
            }
            self.stamp(begin, time, sequence, action, out);
        }
        Ok(taken)
    }

    /// Gives the scans of a frame what it tells of itself.
    #[inline]
    fn stamp(
        &mut self,
        begin: usize,
        time: Option<f64>,
        sequence: Option<u64>,
        action: Option<Action>,
        out: &mut Decoded,
    ) {
        let rule = &self.protocol.counters;
        if let Some(number) = sequence {
            let lost = self.sequence.lost_before(number, rule.sequence_bits);
            if lost > 0 {
                self.counts.lost += lost;
                out.gaps.push(Gap { before: begin, lost });
            }
        }
        let time = time.map(|time| self.clock.unwrap(time, rule.time_period_s));
        let Some(frames) = out.frames.get_mut(begin..) else { return };
        let first_age = frames.first().map_or(0.0, |first| first.age);
        for frame in &mut *frames {
            frame.device_time = time.map(|time| time + (first_age - frame.age));
            frame.sequence = sequence;
        }
        if let Some(last) = frames.last_mut() {
            last.action = action;
        }
    }

    #[inline]
    fn tell_refused(&mut self, frame: &[u8], out: &mut Decoded) {
        if self.refused.is_empty() {
            return;
        }
        let mut refused = std::mem::take(&mut self.refused);
        for error in refused.drain(..) {
            self.problem(frame, &error, &mut out.problems);
        }
        self.refused = refused;
    }

    fn problem(&mut self, frame: &[u8], error: &DecodeError, told: &mut Vec<Problem>) {
        let kind = error.defect.kind();
        self.counts.problems[kind as usize] += 1;
        if kind != ProblemKind::MeterError {
            let count = &mut self.told[kind as usize];
            if *count < REPORTED_OF_EACH_KIND {
                *count += 1;
                told.push(error.tell(frame));
            }
            return;
        }
        match self.errors.count(frame) {
            Some(1) => told.push(error.tell(frame)),
            Some(times) => {
                let problem = error.tell(frame);
                told.push(Problem { reason: format!("{}, {times} times by now", problem.reason), ..problem });
            }
            // Who proves examples wants to see every one.
            None if self.trace.is_some() => told.push(error.tell(frame)),
            None => {}
        }
    }
}
