//! The framer and decoder of one port: bytes in, readings, frames and problems out.
//!
//! No clock and no I/O. The same bytes give the same readings however they were split.

use std::{ops::Range, sync::Arc, time::Duration};

use strum::VariantArray;

use super::{
    Action, Decoded, Frame, Protocol, RequestId,
    checksum::Checksum,
    counters::{ClockUnwrapper, SequenceCounter},
    decode::{DecodeOutcome, Decoder, Sink, WholeNumbers},
    decoded::Gap,
    frame::{Acceptance, Framer, FramerOutput},
    line_shape::{LinePauses, LineShapes, OtherShape},
    meter_errors::MeterErrorCounts,
    names::NameTable,
    problem::{DecodeError, Defect, Problem, ProblemKind, REPORTED_OF_EACH_KIND},
};

/// What came through a port since the engine was made.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes in all.
    pub bytes: u64,
    /// Bytes of frames that were understood, with their ends, comments and empty lines.
    pub explained: u64,
    /// Bytes of frames that may be anything: words before the first numbers, and what answers an opening line.
    pub inconclusive: u64,
    /// Frames understood, a scan each; one whose values are all empty or refused is among them.
    pub frames: u64,
    /// Frames understood that have nothing to file, such as the answer to a question for the function.
    pub without_values: u64,
    /// Frames understood that the protocol's file declares to be ignored, such as a receiver's without a position.
    pub ignored: u64,
    /// Readings kept.
    pub readings: u64,
    /// Frames that are missing by their sequence numbers.
    pub lost: u64,
    problems: [u64; ProblemKind::VARIANTS.len()],
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

    /// Frames understood, whether they have values or not.
    pub(super) fn understood(&self) -> u64 {
        self.frames + self.without_values + self.ignored
    }

    /// The share of the bytes that the protocol explains, 0 to 1, of those that show anything; 0 before any came.
    pub fn explained_share(&self) -> f64 {
        match self.bytes - self.inconclusive {
            0 => 0.0,
            bytes => self.explained as f64 / bytes as f64,
        }
    }
}

/// The framer and decoder of one port.
#[derive(Debug)]
pub struct Engine {
    framer: Framer,
    processor: FrameProcessor,
    /// Of boards' lines, which have nothing but their form to know them by.
    line_pauses: Option<LinePauses>,
    /// Before the bytes that come next.
    pause: Option<Duration>,
}

/// All but the framer, so that a frame may be borrowed from it while this works.
#[derive(Debug)]
struct FrameProcessor {
    protocol: Arc<Protocol>,
    checksum: Option<Checksum>,
    decoder: Decoder,
    names: NameTable,
    request: Option<RequestId>,
    sequence: SequenceCounter,
    clock: ClockUnwrapper,
    counts: Counts,
    /// How many problems of each kind were reported in words.
    reported: [u64; ProblemKind::VARIANTS.len()],
    errors: MeterErrorCounts,
    whole: WholeNumbers,
    /// What the lines of a board are like.
    shapes: Option<LineShapes>,
    /// A frame in other characters; kept for its memory.
    rewritten: Vec<u8>,
    /// Values refused in the frame at hand; kept for its memory.
    refused: Vec<DecodeError>,
    /// Which bytes of its frame each reading is from, for those who explain an example.
    trace: Option<Vec<Range<usize>>>,
}

/// Whether a frame that is refused is reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reporting {
    Reported,
    /// It may be the middle of a frame, and a problem was reported already.
    Silent,
}

impl Engine {
    /// An engine at the beginning of a stream.
    pub fn new(protocol: Arc<Protocol>) -> Self {
        let mut names = NameTable::default();
        for name in protocol.value_names().unwrap_or_default() {
            names.number(name).expect("a file's names are checked to be few and short when it is read");
        }
        let is_board = protocol.is_of_alike_lines();
        Self {
            framer: Framer::new(&protocol.frame),
            line_pauses: is_board.then(LinePauses::default),
            pause: None,
            processor: FrameProcessor {
                checksum: protocol.checksum.as_ref().map(Checksum::new),
                decoder: Decoder::new(&protocol.decode),
                protocol,
                names,
                request: None,
                sequence: SequenceCounter::default(),
                clock: ClockUnwrapper::default(),
                counts: Counts::default(),
                reported: Default::default(),
                errors: MeterErrorCounts::default(),
                whole: WholeNumbers::default(),
                shapes: is_board.then(LineShapes::default),
                rewritten: Vec::new(),
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
        if let (Some(pause), Some(pauses)) = (self.pause.take(), &mut self.line_pauses)
            && self.framer.ends_begun_line(bytes)
            && pauses.is_loss(pause)
        {
            self.framer.cut_off(Defect::Pause, |output| self.processor.take(output, out));
        }
        let before = self.processor.counts.frames;
        self.processor.counts.bytes += bytes.len() as u64;
        self.framer.push(bytes, |output| self.processor.take(output, out));
        if let Some(pauses) = &mut self.line_pauses {
            pauses.completed((self.processor.counts.frames - before) as u32);
        }
    }

    /// No byte came for so long before those that follow. A frame that is sent in one piece does not go on behind a pause.
    pub fn paused(&mut self, pause: Duration, out: &mut Decoded) {
        if self.processor.protocol.pause.is_some_and(|longest| pause > longest) {
            self.framer.cut_off(Defect::Pause, |output| self.processor.take(output, out));
        }
        self.pause = Some(pause);
    }

    /// The port went away: an unfinished frame is dropped and reported, and what comes next is from a
    /// device that begins anew.
    pub fn lost(&mut self, out: &mut Decoded) {
        self.framer.cut_off(Defect::Partial, |output| self.processor.take(output, out));
        self.processor.decoder.reset();
        self.processor.sequence.reset();
        self.processor.clock.reset();
        self.processor.whole.reset();
        if let Some(shapes) = &mut self.processor.shapes {
            shapes.reset();
        }
        self.line_pauses = self.line_pauses.is_some().then(LinePauses::default);
        self.pause = None;
        self.processor.request = None;
    }

    /// A new reader of problems begins: each kind is reported from the start again.
    pub fn reset_reported(&mut self) {
        self.processor.reported = Default::default();
        self.processor.errors = MeterErrorCounts::default();
    }

    /// The names of values so far, at most 256; `Reading::name` is an index into it. It grows
    /// and is never reordered.
    pub fn names(&self) -> &[String] {
        self.processor.names.all()
    }

    /// What came so far.
    pub fn counts(&self) -> &Counts {
        &self.processor.counts
    }
}

fn other_shape(OtherShape(bytes): OtherShape) -> DecodeError {
    match bytes {
        Some(bytes) => DecodeError::at(bytes, Defect::OtherNumberForm),
        None => DecodeError::whole(Defect::OtherLineForm),
    }
}

impl FrameProcessor {
    #[inline]
    fn take(&mut self, output: FramerOutput<'_>, out: &mut Decoded) -> Acceptance {
        match output {
            FramerOutput::Frame(frame, taken) => self.frame(frame, taken, Reporting::Reported, out),
            FramerOutput::Trial(frame, taken) => self.frame(frame, taken, Reporting::Silent, out),
            FramerOutput::Refused(bytes, error) => {
                self.problem(bytes, &error, &mut out.problems);
                Acceptance::Rejected
            }
        }
    }

    #[inline]
    fn frame(&mut self, frame: &[u8], taken: usize, reporting: Reporting, out: &mut Decoded) -> Acceptance {
        let (readings, frames, identities) = (out.readings.len(), out.frames.len(), out.identities.len());
        let known = self.names.all().len();
        match self.read(frame, out) {
            Ok(outcome) => {
                match outcome {
                    DecodeOutcome::Inconclusive => self.counts.inconclusive += taken as u64,
                    _ => self.counts.explained += taken as u64,
                }
                match outcome {
                    DecodeOutcome::Frame => {
                        self.counts.frames += (out.frames.len() - frames) as u64;
                        self.counts.readings += (out.readings.len() - readings) as u64;
                    }
                    DecodeOutcome::WithoutValues => self.counts.without_values += 1,
                    DecodeOutcome::Ignored => self.counts.ignored += 1,
                    DecodeOutcome::Blank | DecodeOutcome::Inconclusive => {}
                }
                self.report_refused(frame, out);
                Acceptance::Accepted
            }
            Err(error) => {
                if let Some(trace) = &mut self.trace {
                    trace.truncate(trace.len() - (out.readings.len() - readings));
                }
                out.readings.truncate(readings);
                out.frames.truncate(frames);
                out.identities.truncate(identities);
                self.names.forget_from(known);
                if reporting == Reporting::Reported {
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
            return Ok(DecodeOutcome::Blank);
        }
        let body = match &self.checksum {
            Some(checksum) => checksum.strip(frame)?,
            None => frame,
        };
        if let Some(poll) = &self.protocol.poll
            && poll.is_error(self.request, body)
        {
            self.refused.push(DecodeError::whole(Defect::MeterError));
            return Ok(DecodeOutcome::WithoutValues);
        }
        match self.request {
            Some(RequestId::OPENING) => return Ok(DecodeOutcome::Inconclusive),
            // No error: the text by which the protocol knows an empty queue.
            Some(RequestId::ERRORS) => return Ok(DecodeOutcome::WithoutValues),
            _ => {}
        }
        let begin = out.frames.len();
        if let Some(button) = self.protocol.actions.iter().find(|button| button.bytes == body) {
            let readings_end = out.readings.len();
            let action = Some(button.does);
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
            whole: &mut self.whole,
            rewritten: &mut self.rewritten,
        };
        let taken = self.decoder.decode(body, &mut sink);
        if let Some(shapes) = &mut self.shapes {
            match taken {
                Ok(DecodeOutcome::Frame) => shapes.take(body).map_err(other_shape)?,
                Ok(_) => {}
                Err(_) => shapes.refused(body),
            }
        }
        let taken = taken?;
        if taken == DecodeOutcome::Frame {
            let (time, sequence, action) = (sink.device_time, sink.sequence, sink.action);
            if sink.frames.len() == begin {
                sink.end_scan(0.0);
            }
            self.stamp(begin, time, sequence, action, out);
        }
        Ok(taken)
    }

    /// Gives the scans of a frame its time, number and action.
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
    fn report_refused(&mut self, frame: &[u8], out: &mut Decoded) {
        if self.refused.is_empty() {
            return;
        }
        let mut refused = std::mem::take(&mut self.refused);
        for error in refused.drain(..) {
            self.problem(frame, &error, &mut out.problems);
        }
        self.refused = refused;
    }

    fn problem(&mut self, frame: &[u8], error: &DecodeError, problems: &mut Vec<Problem>) {
        let kind = error.defect.kind();
        self.counts.problems[kind as usize] += 1;
        if kind != ProblemKind::MeterError {
            let count = &mut self.reported[kind as usize];
            if *count < REPORTED_OF_EACH_KIND {
                *count += 1;
                problems.push(error.to_problem(frame));
            }
            return;
        }
        match self.errors.count(frame) {
            Some(1) => problems.push(error.to_problem(frame)),
            Some(times) => {
                let problem = error.to_problem(frame);
                problems.push(Problem { reason: format!("{}, {times} times by now", problem.reason), ..problem });
            }
            // Who proves examples wants to see every one.
            None if self.trace.is_some() => problems.push(error.to_problem(frame)),
            None => {}
        }
    }
}
