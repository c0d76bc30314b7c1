//! `bayline watch`: what happens, as it happens.

use std::{
    io::{self, IsTerminal, Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::{
    Common,
    client::Client,
    failure::Failure,
    operate::{tell_judgement, tell_step},
};
use crate::{
    server::{News, ReadingLine, Request, StatusReport, WireCapture, WireJudgement},
    units::show_seconds,
};

/// Follow what happens.
#[derive(Debug, Args)]
pub(super) struct Watch {
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
}

impl Watch {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        let mut client = Client::connect(common)?;
        let mut screen = Screen::new(stdout().lock());
        if !self.json {
            screen.begin(&client.ask(&Request::Status {})?.status.unwrap_or_default())?;
        }
        client.ask(&Request::Watch {})?;
        while let Some(line) = client.next_line()? {
            if self.json {
                writeln!(screen.out, "{line}")?;
                screen.out.flush()?;
            } else {
                screen.tell(serde_json::from_str(&line).map_err(io::Error::from)?)?;
            }
        }
        screen.line(|out| writeln!(out, "the daemon stopped"))?;
        Ok(ExitCode::SUCCESS)
    }
}

/// News as lines, with one line below them that always shows what the channels show.
pub(super) struct Screen<W: Write> {
    out: W,
    /// Whether a line may be written over: on a terminal.
    live: bool,
    /// Characters of the live line that stands there now.
    width: usize,
    /// The judgement that was told when it was captured: it is not told again when the step is left.
    told: Option<WireJudgement>,
}

impl<W: Write> Screen<W> {
    pub(super) fn new(out: W) -> Self {
        Self { out, live: stdout().is_terminal(), width: 0, told: None }
    }

    /// What is wrong and what is on as the following begins.
    pub(super) fn begin(&mut self, status: &StatusReport) -> io::Result<()> {
        for alarm in &status.alarms {
            self.line(|out| writeln!(out, "ALARM: {alarm}"))?;
        }
        match &status.step {
            Some(step) => self.line(|out| tell_step(out, step)),
            None => Ok(()),
        }
    }

    pub(super) fn tell(&mut self, news: News) -> io::Result<()> {
        match news {
            News::Readings { elapsed_s, readings } => self.readings(elapsed_s, &readings),
            News::SessionBegan { title } => self.line(|out| writeln!(out, "session began: {title}")),
            News::SessionEnded { how } => self.line(|out| writeln!(out, "session {how}")),
            News::Step { step } => self.line(|out| tell_step(out, &step)),
            News::Judged { judged, .. } => match self.told.take() {
                told if told.is_some() && told == judged => Ok(()),
                _ => self.line(|out| tell_judgement(out, judged.as_ref())),
            },
            News::Finding { finding } => self.line(|out| {
                writeln!(out, "\u{7}finding ({}): {}", finding.sure, finding.sentence)?;
                writeln!(out, "  next: {}", finding.next)
            }),
            News::Say { text } => self.line(|out| writeln!(out, "\u{7}>> {text}")),
            News::Count { seconds } => self.line(|out| writeln!(out, "\u{7}{seconds}")),
            News::Captured { step, capture } => {
                self.line(|out| tell_capture(out, &step, &capture))?;
                self.told = Some(capture.judgement);
                Ok(())
            }
            News::Event { kind, subject, text } => self.line(|out| {
                // Who looks at the probes must hear that a meter is gone.
                let bell = if ["meter lost", "meter silent"].contains(&kind.as_str()) { "\u{7}" } else { "" };
                match subject.as_str() {
                    "" => writeln!(out, "{bell}{kind}: {text}"),
                    subject => writeln!(out, "{bell}{kind}, {subject}: {text}"),
                }
            }),
            News::Missed { count } => self.line(|out| writeln!(out, "{count} pieces of news were missed")),
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

    fn readings(&mut self, elapsed_s: Option<f64>, readings: &[ReadingLine]) -> io::Result<()> {
        if !self.live {
            return Ok(());
        }
        let mut text = elapsed_s.map_or_else(String::new, |seconds| format!("{}  ", show_seconds(seconds)));
        for reading in readings {
            let mark = match reading.verdict.as_deref() {
                Some("within") => " ok",
                Some("outside") => " OUTSIDE",
                Some(other) => &format!(" {other}"),
                None => "",
            };
            text += &format!("{} {}{mark}   ", reading.channel, reading.value.show(Some(&reading.quantity)));
        }
        // A line longer than the terminal would not be written over.
        let text: String = text.trim_end().chars().take(columns().saturating_sub(1)).collect();
        let width = text.chars().count();
        write!(self.out, "\r{text:before$}", before = self.width.max(width))?;
        self.width = width;
        self.out.flush()
    }
}

/// The bell is for the one who does not look.
fn tell_capture(out: &mut dyn Write, step: &str, capture: &WireCapture) -> io::Result<()> {
    let WireJudgement { verdict, value, quantity, reason, .. } = &capture.judgement;
    write!(out, "\u{7}{}, {step}, {}: ", capture.how, capture.channel)?;
    match (verdict, value) {
        (None, Some(value)) => writeln!(out, "{}", value.show(quantity.as_deref())),
        (verdict, _) => writeln!(out, "{}, {reason}", verdict.as_deref().unwrap_or("recorded")),
    }
}

fn columns() -> usize {
    terminal_size::terminal_size().map_or(80, |(width, _)| usize::from(width.0))
}
