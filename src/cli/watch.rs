//! `bayline watch`: follows the session live.

use std::{
    io::{self, IsTerminal, Write, stdin, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{
    CommonArgs,
    answer::{ANSWERING_COMMANDS, print_judgement, print_step},
    client::Client,
    failure::Failure,
    screen,
};
use crate::{
    sanitize::sanitized_record,
    server::{CaptureMessage, ChannelLine, News, Request, StatusReport},
    session::{EventKind, JudgementRecord, Verdict},
    units::show_seconds,
};

/// Follow the session live: a screen with keys on a terminal, lines where it is piped.
#[derive(Debug, Args)]
pub(super) struct WatchArgs {
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
    /// Print lines on a terminal too
    #[arg(long)]
    lines: bool,
}

impl WatchArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        if !self.json && !self.lines && stdin().is_terminal() && stdout().is_terminal() {
            screen::run(common)?;
            return Ok(ExitCode::SUCCESS);
        }
        let mut client = Client::connect(common)?;
        let mut output = LiveOutput::new(stdout().lock());
        // First the news, then the state: what happens between the two is shown twice rather than not at all.
        client.ask(&Request::Watch {})?;
        if !self.json {
            let status = Client::connect(common)?.ask(&Request::Status {})?.status.unwrap_or_default();
            output.begin(&sanitized_record(&status).map_err(io::Error::from)?)?;
        }
        while let Some(line) = client.next_line()? {
            if self.json {
                writeln!(output.out, "{line}")?;
                output.out.flush()?;
            } else {
                output.print(&serde_json::from_str(&line).map_err(io::Error::from)?)?;
            }
        }
        output.line(|out| writeln!(out, "the daemon has stopped"))?;
        Ok(ExitCode::SUCCESS)
    }
}

/// News as lines, and below them one line with the present readings.
pub(super) struct LiveOutput<W: Write> {
    out: W,
    /// Whether the last line can be overwritten: true on a terminal.
    live: bool,
    /// How wide the terminal is, in characters.
    columns: fn() -> usize,
    /// The length of the present live line, in characters.
    width: usize,
    /// The judgement that was printed at the capture. It is not printed again at the end of the step.
    printed: Option<JudgementRecord>,
    /// The channel of the step.
    channel: Option<String>,
}

impl<W: Write> LiveOutput<W> {
    pub(super) fn new(out: W) -> Self {
        Self { out, live: stdout().is_terminal(), columns, width: 0, printed: None, channel: None }
    }

    /// Prints the alarms and the step at the start.
    pub(super) fn begin(&mut self, status: &StatusReport) -> io::Result<()> {
        for alarm in &status.alarms {
            self.line(|out| writeln!(out, "ALARM: {alarm}"))?;
        }
        let session = status.session.as_ref();
        if let Some(caution) = session.and_then(|session| session.caution.as_ref()).filter(|text| !text.is_empty()) {
            self.line(|out| writeln!(out, "caution: {caution}"))?;
        }
        if let Some(step) = &status.step {
            self.channel.clone_from(&step.channel);
            self.line(|out| print_step(out, step))?;
        }
        Ok(())
    }

    /// Prints a piece of news, its texts sanitized.
    pub(super) fn print(&mut self, news: &News) -> io::Result<()> {
        match sanitized_record(news).map_err(io::Error::from)? {
            News::Readings { elapsed_s, readings } => self.readings(elapsed_s, &readings),
            News::SessionBegan { title } => self.line(|out| writeln!(out, "session began: {title}")),
            News::SessionEnded { how } => self.line(|out| writeln!(out, "session {how}")),
            News::Step { step } => {
                self.line(|out| print_step(out, &step))?;
                self.channel = step.channel;
                Ok(())
            }
            News::Judged { judged, .. } => match self.printed.take() {
                printed if printed.is_some() && printed == judged => Ok(()),
                _ => self.line(|out| print_judgement(out, judged.as_ref())),
            },
            News::Finding { finding } => self.line(|out| {
                writeln!(out, "\u{7}finding ({}): {}", finding.sure.word(), finding.sentence)?;
                writeln!(out, "  next: {}", finding.next)
            }),
            News::Say { text } => self.line(|out| writeln!(out, "\u{7}>> {text}")),
            News::Ask { ask } => self.line(|out| {
                writeln!(out, "\u{7}?? {}", ask.text)?;
                writeln!(out, "   waits for {}; or {ANSWERING_COMMANDS}", ask.waits_for)
            }),
            News::AskOver {} | News::Speaker { .. } => Ok(()),
            // What is said aloud comes as `Say`; these are for programs.
            News::Excursion { .. } | News::DropOut { .. } | News::Response { .. } => Ok(()),
            News::Change { text, .. } => self.line(|out| writeln!(out, "{text}")),
            News::Tick { channel } => self.line(|out| writeln!(out, "\u{7}drop-out: {channel}")),
            News::Count { seconds } => self.line(|out| writeln!(out, "\u{7}{seconds}")),
            News::Captured { step, capture } => {
                self.line(|out| print_capture(out, &step, &capture))?;
                self.printed = Some(capture.judgement);
                Ok(())
            }
            News::Event { kind, subject, text } => self.line(|out| {
                // The bell: the operator may be looking at the probes.
                let bell = if matches!(kind, EventKind::MeterLost | EventKind::MeterSilent) { "\u{7}" } else { "" };
                let kind = kind.word();
                match (subject.as_str(), text.as_str()) {
                    // A mark without a text.
                    ("", text) if text.is_empty() || text == kind => writeln!(out, "{bell}{kind}"),
                    ("", text) => writeln!(out, "{bell}{kind}: {text}"),
                    (subject, text) => writeln!(out, "{bell}{kind}, {subject}: {text}"),
                }
            }),
            News::Missed { count } => {
                self.line(|out| writeln!(out, "{count} messages were missed: this terminal is too slow"))
            }
        }
    }

    fn line(&mut self, write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<()> {
        if self.width > 0 {
            write!(self.out, "\r{:width$}\r", "", width = self.width)?;
            self.width = 0;
        }
        write(&mut self.out)?;
        self.out.flush()
    }

    fn readings(&mut self, elapsed_s: Option<f64>, readings: &[ChannelLine]) -> io::Result<()> {
        if !self.live {
            return Ok(());
        }
        let mut text = elapsed_s.map_or_else(String::new, |seconds| format!("{}  ", show_seconds(seconds)));
        // The step's channel first: the rest may not fit.
        let (own, others): (Vec<_>, Vec<_>) =
            readings.iter().partition(|reading| Some(&reading.channel) == self.channel.as_ref());
        for reading in own.into_iter().chain(others) {
            let mark = match reading.verdict {
                Some(Verdict::InLimit) => " ok",
                Some(Verdict::OutOfLimit) => " OUT OF LIMIT",
                Some(other) => &format!(" {}", other.word()),
                None => "",
            };
            text += &format!("{} {}{mark}   ", reading.channel, reading.shown);
        }
        // A line longer than the terminal could not be overwritten.
        let text: String = text.trim_end().chars().take((self.columns)().saturating_sub(1)).collect();
        let width = text.chars().count();
        write!(self.out, "\r{text:before$}", before = self.width.max(width))?;
        self.width = width;
        self.out.flush()
    }
}

/// With the bell, for an operator who does not look at the screen.
fn print_capture(out: &mut dyn Write, step: &str, capture: &CaptureMessage) -> io::Result<()> {
    let judgement = capture.judgement.sentence(", ");
    let of = if step.is_empty() { String::new() } else { format!(", step \"{step}\"") };
    writeln!(out, "\u{7}captured ({}){of}, {}: {judgement}", capture.how.word(), capture.channel)
}

fn columns() -> usize {
    terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{protocol::Value, units::Quantity};

    fn reading(channel: &str, shown: &str, verdict: Option<Verdict>) -> ChannelLine {
        ChannelLine {
            channel: channel.to_owned(),
            value: Value::Number(0.0),
            shown: shown.to_owned(),
            quantity: Quantity::VoltsDc,
            unit: "V".to_owned(),
            digit: None,
            u: None,
            least: None,
            greatest: None,
            verdict,
            age_s: 0.1,
        }
    }

    /// At 80 columns the channel of the step, the fifth on the bench, was never seen.
    #[test]
    fn the_channel_of_the_step_is_seen_on_a_narrow_terminal() {
        let others = ["lift coil clamp", "tilt coil clamp", "supply clamp", "temperature of the block"];
        let mut readings: Vec<ChannelLine> = others.iter().map(|name| reading(name, "1.612 A", None)).collect();
        readings.push(reading("probe", "341 mV", Some(Verdict::OutOfLimit)));
        for columns in [(|| 80) as fn() -> usize, || 40] {
            let mut out =
                LiveOutput { live: true, columns, channel: Some("probe".to_owned()), ..LiveOutput::new(Vec::new()) };
            out.readings(Some(3.2), &readings).unwrap();
            let line = String::from_utf8(out.out).unwrap();
            let shown = line.trim_start_matches('\r');
            assert!(shown.starts_with("3.2 s  probe 341 mV OUT OF LIMIT"), "{shown}");
            assert!(shown.chars().count() < columns(), "{shown}");
        }
        // Without a step the order is that of the bench.
        let mut out = LiveOutput { live: true, columns: || 80, ..LiveOutput::new(Vec::new()) };
        out.readings(None, &readings).unwrap();
        assert!(String::from_utf8(out.out).unwrap().starts_with("\rlift coil clamp"));
    }
}
