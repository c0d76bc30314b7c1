//! The bench: which meters are connected, and what their values mean in the circuit.
//!
//! How it is written in a file is known to `bench_file` alone.

use std::{path::PathBuf, sync::Arc};

use super::{Conversion, DerivedSpec};
use crate::{
    io_reason::IoReason,
    mistake::Mistake,
    port::{Address, HidCable, Settings},
    protocol::{Library, Protocol, Traffic},
    units::{AsWritten, Measure},
};

/// The meters of the bench, ready to be opened.
#[derive(Debug, Clone, Default)]
pub struct Bench {
    /// In the order of the file; names are unique.
    pub meters: Vec<MeterSpec>,
    /// Channels that are worked out from two others, in the order of the file; names are unique among all channels.
    pub(crate) derived: Vec<DerivedSpec>,
    /// The file as written, kept with the session; empty for a bench given on the command line.
    pub text: String,
}

/// One meter or board.
#[derive(Debug, Clone)]
pub struct MeterSpec {
    /// Unique on the bench.
    pub name: String,
    /// Where its bytes come from.
    pub address: Address,
    /// How the line is set.
    pub settings: Settings,
    /// How its bytes become readings.
    pub protocol: Arc<Protocol>,
    /// The fuse of its amps jack; none where the file does not say.
    pub amps_fuse: Option<AsWritten<Measure>>,
    /// How often it reports, Hz; none where the file does not say.
    pub rate: Option<f64>,
    /// What its readings mean; when empty, every value that it sends becomes a channel of its own.
    pub channels: Vec<ChannelSpec>,
    /// Where it was named.
    pub origin: MeterOrigin,
}

/// Where a meter was named.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeterOrigin {
    /// In the bench file; without channels it may be a foot switch.
    BenchFile,
    /// On the command line, to be read.
    CommandLine,
}

/// The speeds that serial lines are usually set to, bits a second: common practice, no source.
const USUAL_SPEEDS: [u32; 22] = [
    300, 600, 1200, 2400, 4800, 9600, 14_400, 19_200, 28_800, 38_400, 57_600, 76_800, 115_200, 128_000, 230_400,
    250_000, 256_000, 460_800, 500_000, 921_600, 1_000_000, 2_000_000,
];

/// One channel of a meter.
#[derive(Debug, Clone)]
pub struct ChannelSpec {
    /// Unique on the bench.
    pub name: String,
    /// The value of the frame that it takes.
    pub reads: String,
    /// How the reading becomes a sample.
    pub conversion: Conversion,
    /// How far it reaches, either sign, base units in circuit terms; none where the file does not say.
    pub range: Option<Measure>,
    /// What its last digit is worth, base units in circuit terms; none where the file does not say.
    pub digit: Option<Measure>,
}

/// `NAME=PORT,PROTOCOL` or `NAME=PORT`: a meter without a bench file.
#[derive(Debug, Clone, PartialEq)]
pub struct QuickMeter {
    /// Unique on the bench.
    pub name: String,
    /// Where its bytes come from.
    pub address: Address,
    /// The protocol's name; none where it is to be found out.
    pub protocol: Option<String>,
    /// How the line is set; none where the protocol says.
    pub settings: Option<Settings>,
}

/// Why a bench can't be used.
#[derive(Debug, thiserror::Error)]
pub enum BenchError {
    /// The file can't be read.
    #[error("the bench file {} can't be read: {}", path.display(), IoReason(source))]
    Unreadable {
        /// As the user gave it.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// Something in the file is wrong.
    #[error(transparent)]
    Mistake(#[from] Mistake),
    /// Something in a `--meter` option is wrong.
    #[error("--meter {option}: {message}")]
    Option {
        /// As the user gave it.
        option: String,
        /// What was expected.
        message: String,
    },
}

impl Bench {
    /// The channels that there can ever be; none where a meter brings its own, whose names are not known before its
    /// first frame.
    pub fn channel_names(&self) -> Option<Vec<String>> {
        let named = self.meters.iter().all(|meter| !meter.channels.is_empty());
        let channels = self.meters.iter().flat_map(|meter| &meter.channels);
        let derived = self.derived.iter().map(|derived| derived.name.clone());
        named.then(|| channels.map(|channel| channel.name.clone()).chain(derived).collect())
    }

    /// What is possible and still probably a slip, a sentence each.
    pub fn warnings(&self) -> Vec<String> {
        let serial = self.meters.iter().filter(|meter| matches!(meter.address, Address::Serial(_)));
        let unusual = serial.filter(|meter| !USUAL_SPEEDS.contains(&meter.settings.baud));
        let nearest =
            |baud: u32| *USUAL_SPEEDS.iter().min_by_key(|usual| usual.abs_diff(baud)).expect("the list is not empty");
        let sentence = |meter: &MeterSpec| {
            let baud = meter.settings.baud;
            format!(
                "meter \"{}\": baud = {baud} is unusual; usual are 1200, 2400, 4800, 9600, 19200, 38400, 57600 and 115200 (the nearest \
                 is {})",
                meter.name,
                nearest(baud)
            )
        };
        unusual.map(sentence).collect()
    }

    /// Adds a meter given on the command line.
    pub fn add(&mut self, quick: QuickMeter, library: &Library) -> Result<(), BenchError> {
        let wrong = |message: String| BenchError::Option { option: quick.name.clone(), message };
        if self.meters.iter().any(|meter| meter.name == quick.name) {
            return Err(wrong("there is a meter of this name already; give it another".to_owned()));
        }
        let name = quick.protocol.as_deref().ok_or_else(|| wrong("its protocol is not known".to_owned()))?;
        let protocol = library.find(name).map_err(|error| wrong(error.to_string()))?;
        let settings = quick.settings.unwrap_or_else(|| protocol.settings(Settings::default()));
        check_cable(settings.hid.as_ref(), &quick.address, &protocol).map_err(|error| wrong(error.to_string()))?;
        self.meters.push(MeterSpec {
            name: quick.name,
            address: quick.address,
            settings,
            protocol,
            amps_fuse: None,
            rate: None,
            channels: Vec::new(),
            origin: MeterOrigin::CommandLine,
        });
        Ok(())
    }
}

/// A HID cable whose description does not suffice for its meter.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum CableError {
    /// Neither file describes where the bytes stand in its reports.
    #[error(
        "protocol \"{0}\" has no [hid], so it is not known how the reports of this HID cable carry bytes; in the bench \
         file, cable = \"NAME\" takes the cable of another protocol, and [meter.hid] describes one (see \
         protocols/README.md)"
    )]
    Unknown(String),
    /// It only receives, and the meter reports only when it is asked.
    #[error("protocol \"{0}\" asks its meter, and the HID cable's description has no `outgoing` to carry requests")]
    ReceivesOnly(String),
}

/// Whether a meter can be read through its port.
pub(super) fn check_cable(cable: Option<&HidCable>, address: &Address, protocol: &Protocol) -> Result<(), CableError> {
    match (address, cable) {
        (Address::Hid(_), None) => Err(CableError::Unknown(protocol.name.clone())),
        (Address::Hid(_), Some(HidCable { outgoing: None, .. })) if protocol.traffic() == Traffic::Polled => {
            Err(CableError::ReceivesOnly(protocol.name.clone()))
        }
        _ => Ok(()),
    }
}

impl std::str::FromStr for QuickMeter {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("found \"{text}\", expected NAME=PORT,PROTOCOL such as probe=/dev/ttyUSB0,number, or NAME=PORT");
        let (name, rest) = text.split_once('=').ok_or_else(wrong)?;
        // The text behind the last comma is a protocol's name only if it looks like one.
        let is_name = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
        let (port, protocol) = match rest.rsplit_once(',') {
            Some((port, protocol)) if is_name(protocol.trim()) => (port, Some(protocol.trim().to_owned())),
            _ => (rest, None),
        };
        if name.trim().is_empty() || port.ends_with(',') {
            return Err(wrong());
        }
        let address = port.trim().parse().map_err(|error: crate::port::AddressError| error.to_string())?;
        Ok(Self { name: name.trim().to_owned(), address, protocol, settings: None })
    }
}
