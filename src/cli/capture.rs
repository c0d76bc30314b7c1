//! `bayline capture`: what a port sends, byte by byte, with the times of arrival.

use std::{
    fs::{self, OpenOptions},
    io::{self, Write, stderr},
    path::PathBuf,
    process::ExitCode,
    thread,
    time::Duration,
};

use clap::Args;

use super::{Common, failure::Failure, stop::stop_on_signal};
use crate::{
    clock::{Clock, Mono},
    port::{Address, CaptureWriter, HidCable, Listener, Settings, Stop, read_until_stopped},
    units::parse_duration,
};

/// Record what a port sends.
#[derive(Debug, Args)]
pub(super) struct Capture {
    /// The port, such as /dev/ttyUSB0
    port: Address,
    /// Where to; the file must not exist yet
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Bits a second
    #[arg(long, value_name = "RATE", default_value_t = Settings::default().baud)]
    baud: u32,
    /// For a HID cable: a protocol whose [hid] describes it; without it whole reports are recorded, and nothing is
    /// sent to wake the cable
    #[arg(long, value_name = "PROTOCOL")]
    cable: Option<String>,
    /// Stop after so long; without it, when interrupted
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    length: Option<Duration>,
}

pub(super) fn duration(text: &str) -> Result<Duration, String> {
    parse_duration(text).map_err(|error| error.to_string())
}

impl Capture {
    pub(super) fn run(self, common: &Common) -> Result<ExitCode, Failure> {
        common.start_log()?;
        let settings = self.settings(common)?;
        // A capture of a rare fault must not be lost by a repeated command.
        let file = OpenOptions::new().write(true).create_new(true).open(&self.output).map_err(|error| {
            Failure::usage(format!("{} can't be made: {error}; choose a new file with -o", self.output.display()))
        })?;
        let writer = CaptureWriter::new(file, &format!("{}, {}", self.port, self.line(&settings)))?;
        let stop = Stop::default();
        stop_on_signal(stop.clone())?;
        let clock = Clock::start();
        if let Some(length) = self.length {
            // Of its own, since a port that is not there calls nobody.
            let stop = stop.clone();
            thread::Builder::new().name("end".to_owned()).spawn(move || {
                stop.wait(length);
                stop.stop();
            })?;
        }
        let mut recorder = Recorder { writer, clock, bytes: 0, failed: None };
        read_until_stopped(&self.port, &settings, &stop, &mut recorder);
        match recorder.failed {
            Some(error) => Err(error.into()),
            None if recorder.bytes == 0 => {
                // An empty recording would only be in the way of the next try.
                fs::remove_file(&self.output)?;
                Err(Failure::failed(anyhow::anyhow!(
                    "nothing came from {}; is it plugged in and switched on, and does it send? see `bayline ports`",
                    self.port
                )))
            }
            None => {
                writeln!(stderr(), "{} bytes in {}", recorder.bytes, self.output.display())?;
                Ok(ExitCode::SUCCESS)
            }
        }
    }

    fn settings(&self, common: &Common) -> Result<Settings, Failure> {
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
                    "without --cable PROTOCOL whole reports are recorded, one a line; a cable that waits for its speed stays silent"
                )?;
                Ok(Settings { hid: Some(HidCable::raw()), ..plain })
            }
        }
    }

    /// How the bytes came, for people.
    fn line(&self, settings: &Settings) -> String {
        match (&self.port, &self.cable) {
            (Address::Hid(_), Some(name)) => format!("by [hid] of {name}"),
            (Address::Hid(_), None) => "whole reports".to_owned(),
            _ => settings.to_string(),
        }
    }
}

/// The line and the HID cable that a protocol describes.
pub(super) fn named_cable(common: &Common, name: &str) -> Result<Settings, Failure> {
    let library = common.library();
    let cable = library.cable(name).map_err(|error| Failure::usage(format!("--cable {name}: {error}")))?;
    Ok(Settings { hid: Some(cable), ..library.find(name)?.settings(Settings::default()) })
}

struct Recorder<W> {
    writer: CaptureWriter<W>,
    clock: Clock,
    bytes: usize,
    failed: Option<io::Error>,
}

impl<W: Write> Recorder<W> {
    /// False when it could not be written.
    fn keep(&mut self, write: impl FnOnce(&mut CaptureWriter<W>, Duration) -> io::Result<()>) -> bool {
        let Mono(at) = self.clock.mono();
        let written = write(&mut self.writer, Duration::from_micros(at.unsigned_abs()));
        self.failed = written.err();
        self.failed.is_none()
    }
}

impl<W: Write> Listener for Recorder<W> {
    fn opened(&mut self) -> bool {
        self.keep(|writer, at| writer.opened(at))
    }

    fn heard(&mut self, bytes: &[u8]) -> bool {
        self.bytes += bytes.len();
        self.keep(|writer, at| writer.bytes(at, bytes))
    }

    fn lost(&mut self, why: &io::Error) -> bool {
        tracing::warn!("the port is not there: {why}");
        let why = why.to_string();
        self.keep(|writer, at| writer.lost(at, &why))
    }
}
