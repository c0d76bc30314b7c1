//! Serial numbers and dates of calibration of meters and clamps, for who reads a stored session: the bench file as it was is kept
//! with it.

use jiff::civil::Date;
use serde::Deserialize;

use crate::mistake::{Mistake, Source};

/// A meter, or the clamp or divider of a channel, by which it can be told apart from others of its kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct InstrumentRecord {
    /// The meter's name.
    pub meter: String,
    /// The channel whose clamp or divider it is; none for the meter itself.
    pub channel: Option<String>,
    /// Its serial number as printed on it; none where not given.
    pub serial_number: Option<String>,
    /// The day of its last calibration; none where not given.
    pub calibrated: Option<String>,
}

impl InstrumentRecord {
    /// `handheld: serial number 4711, calibrated 2026-03-01`
    pub(crate) fn line(&self) -> String {
        let of = match &self.channel {
            Some(channel) => format!("clamp of {channel}"),
            None => self.meter.clone(),
        };
        let number = self.serial_number.as_ref().map(|number| format!("serial number {number}"));
        let calibrated = match &self.calibrated {
            Some(day) => format!("calibrated {day}"),
            None => "date of calibration not stated".to_owned(),
        };
        format!("{of}: {}", number.into_iter().chain([calibrated]).collect::<Vec<_>>().join(", "))
    }
}

#[derive(Deserialize)]
struct BenchKeys {
    #[serde(default)]
    meter: Vec<MeterKeys>,
}

#[derive(Deserialize)]
struct MeterKeys {
    name: String,
    serial_number: Option<String>,
    calibrated: Option<String>,
    #[serde(default)]
    channel: Vec<ChannelKeys>,
}

#[derive(Deserialize)]
struct ChannelKeys {
    name: String,
    serial_number: Option<String>,
    calibrated: Option<String>,
}

/// What a bench file says of its meters and clamps, in its order; nothing of those of which it says nothing.
pub(crate) fn instrument_records(bench: &str) -> Vec<InstrumentRecord> {
    // It was read when the session began; what a later version can't read has no records.
    let Ok(keys) = toml::from_str::<BenchKeys>(bench) else { return Vec::new() };
    let mut records = Vec::new();
    for meter in keys.meter {
        records.push(InstrumentRecord {
            meter: meter.name.clone(),
            channel: None,
            serial_number: meter.serial_number,
            calibrated: meter.calibrated,
        });
        records.extend(meter.channel.into_iter().map(|channel| InstrumentRecord {
            meter: meter.name.clone(),
            channel: Some(channel.name),
            serial_number: channel.serial_number,
            calibrated: channel.calibrated,
        }));
    }
    records.retain(|record| record.serial_number.is_some() || record.calibrated.is_some());
    records
}

/// Refuses a serial number without characters and a date that is none.
pub(super) fn check_instrument(
    source: Source<'_>,
    serial_number: Option<&toml::Spanned<String>>,
    calibrated: Option<&toml::Spanned<String>>,
) -> Result<(), Mistake> {
    if let Some(number) = serial_number.filter(|number| number.get_ref().trim().is_empty()) {
        return Err(source.mistake(number.span(), "found an empty serial number, expected the one printed on it"));
    }
    if let Some(day) = calibrated.filter(|day| day.get_ref().parse::<Date>().is_err()) {
        let message = format!("found \"{}\", expected a date such as \"2026-03-01\"", day.get_ref());
        return Err(source.mistake(day.span(), message));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn meters_and_clamps_are_read_from_the_bench_file() {
        let bench = "[[meter]]\nname = \"handheld\"\nserial_number = \"4711\"\ncalibrated = \"2026-03-01\"\n\
                     [[meter.channel]]\nname = \"probe\"\n[[meter]]\nname = \"clamps\"\n\
                     [[meter.channel]]\nname = \"lift coil\"\nserial_number = \"C 12\"\n";
        let lines: Vec<String> = instrument_records(bench).iter().map(InstrumentRecord::line).collect();
        assert_eq!(
            lines,
            [
                "handheld: serial number 4711, calibrated 2026-03-01",
                "clamp of lift coil: serial number C 12, date of calibration not stated"
            ]
        );
        assert_eq!(instrument_records("no bench"), []);
        assert_eq!(instrument_records(""), []);
    }
}
