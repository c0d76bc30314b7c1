//! `bayline capture`: records the bytes that a port sends, with their times of arrival.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write, stderr},
    path::PathBuf,
    process::ExitCode,
    thread,
    time::Duration,
};

use clap::Args;

use super::{CommonArgs, failure::Failure, stop::stop_on_signal};
use crate::{
    clock::{Clock, Mono},
    io_reason::IoReason,
    port::{Address, CaptureWriter, HidCable, Listener, Settings, Stop, read_until_stopped},
    units::parse_duration,
};

/// Record what a port sends.
#[derive(Debug, Args)]
pub(super) struct CaptureArgs {
    /// The port, such as /dev/ttyUSB0
    port: Address,
    /// The file to write; it must not exist yet
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// The speed in bits a second
    #[arg(long, value_name = "RATE", default_value_t = Settings::default().baud)]
    baud: u32,
    /// For a HID cable: a protocol whose "hid" section describes it; without it whole reports are recorded, and no
    /// start-up bytes are sent to the cable
    #[arg(long, value_name = "PROTOCOL")]
    cable: Option<String>,
    /// Stop after this time; without it, at Ctrl-C
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    length: Option<Duration>,
}

pub(super) fn duration(text: &str) -> Result<Duration, String> {
    parse_duration(text).map_err(|error| error.to_string())
}

impl CaptureArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let settings = self.settings(common)?;
        // A capture of a rare fault must not be lost by a repeated command.
        let file = OpenOptions::new().write(true).create_new(true).open(&self.output).map_err(|error| {
            Failure::usage(format!(
                "the file {} can't be created: {} (-o gives the name)",
                self.output.display(),
                IoReason(&error)
            ))
        })?;
        let writer = CaptureWriter::new(file, &format!("{}, {}", self.port, self.line(&settings)))?;
        let stop = Stop::default();
        stop_on_signal(stop.clone())?;
        let clock = Clock::start();
        if let Some(length) = self.length {
            // A thread of its own: a port that is missing never calls back.
            let stop = stop.clone();
            thread::Builder::new().name("end".to_owned()).spawn(move || {
                stop.wait(length);
                stop.stop();
            })?;
        }
        let mut recorder = CaptureRecorder { writer, clock, bytes: 0, failed: None };
        read_until_stopped(&self.port, &settings, &stop, &mut recorder);
        match recorder.failed {
            Some(error) => Err(error.into()),
            None if recorder.bytes == 0 => {
                // An empty file would stop the next attempt, which needs a new one.
                fs::remove_file(&self.output)?;
                Err(Failure::failed(anyhow::anyhow!(
                    "nothing came from {}; check that the meter is plugged in, switched on and set to send, and look at `bayline ports`",
                    self.port
                )))
            }
            None => {
                writeln!(stderr(), "{} bytes in {}", recorder.bytes, self.output.display())?;
                Ok(ExitCode::SUCCESS)
            }
        }
    }

    fn settings(&self, common: &CommonArgs) -> Result<Settings, Failure> {
        let plain = Settings { baud: self.baud, ..Settings::default() };
        if !matches!(self.port, Address::Hid(_)) {
            return match &self.cable {
                Some(_) => Err(Failure::usage("--cable is for HID cables, such as hid:/dev/hidraw0; leave it out")),
                None => Ok(plain),
            };
        }
        match &self.cable {
            Some(name) => named_cable(common, name),
            None => {
                writeln!(
                    stderr(),
                    "without --cable PROTOCOL whole reports are recorded, one a line; a cable that waits for its speed sends nothing"
                )?;
                Ok(Settings { hid: Some(HidCable::raw()), ..plain })
            }
        }
    }

    /// How the port was set, for the heading of the recording.
    fn line(&self, settings: &Settings) -> String {
        match (&self.port, &self.cable) {
            (Address::Hid(_), Some(name)) => format!("HID cable as in {name}"),
            (Address::Hid(_), None) => "whole reports".to_owned(),
            _ => settings.to_string(),
        }
    }
}

/// The serial settings and the HID cable that a protocol describes.
pub(super) fn named_cable(common: &CommonArgs, name: &str) -> Result<Settings, Failure> {
    let library = common.library();
    let cable = library.cable(name).map_err(|error| Failure::usage(format!("--cable {name}: {error}")))?;
    Ok(Settings { hid: Some(cable), ..library.find(name)?.settings(Settings::default()) })
}

struct CaptureRecorder<W> {
    writer: CaptureWriter<W>,
    clock: Clock,
    bytes: usize,
    failed: Option<io::Error>,
}

impl<W: Write> CaptureRecorder<W> {
    /// False when the file could not be written.
    fn write(&mut self, write: impl FnOnce(&mut CaptureWriter<W>, Duration) -> io::Result<()>) -> bool {
        let Mono(at) = self.clock.mono();
        let written = write(&mut self.writer, Duration::from_micros(at.unsigned_abs()));
        self.failed = written.err();
        self.failed.is_none()
    }
}

impl<W: Write> Listener for CaptureRecorder<W> {
    fn opened(&mut self) -> bool {
        self.write(|writer, at| writer.opened(at))
    }

    fn received(&mut self, bytes: &[u8]) -> bool {
        self.bytes += bytes.len();
        self.write(|writer, at| writer.bytes(at, bytes))
    }

    fn lost(&mut self, why: &io::Error) -> bool {
        let why = IoReason(why).to_string();
        tracing::warn!("the port is not there: {why}; it is tried again");
        self.write(|writer, at| writer.lost(at, &why))
    }
}
