//! What was found in a session, in the order of time: each with its stretch, a sentence, and what the other channels showed then.

use std::collections::HashMap;

use rusqlite::Connection;
use serde::Serialize;
use strum::{EnumMessage, VariantArray};

use crate::{
    session::{EventKind, Verdict},
    store::{
        StoreError,
        read::{self, ChannelRow, SessionRow},
    },
    units::{Quantity, ValueFormat, show_duration},
    words::{EnumWord, words},
};

/// How many samples of its channel are shown on each side of what was found.
const SAMPLES_BESIDE: i64 = 40;
/// Shorter and longer ones are not shown beside it, µs.
const BESIDE_US: (i64, i64) = (50_000, 10_000_000);
/// What the others showed is added to so many flags at most: the exported files have it for all.
const MOST_COMPLETED: usize = 300;

/// What a flag stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, VariantArray, EnumMessage)]
pub(crate) enum FlagKind {
    /// A limit was broken.
    #[strum(serialize = "out of limit")]
    OutOfLimit,
    /// A value fell for a moment.
    #[strum(serialize = "drop-out")]
    DropOut,
    /// A channel did not do in time what was asked after a mark or a change.
    #[strum(serialize = "response")]
    Response,
    /// A channel went to another level.
    #[strum(serialize = "change")]
    Change,
    /// Set by the operator.
    #[strum(serialize = "mark")]
    Mark,
    /// Written by the operator.
    #[strum(serialize = "note")]
    Note,
    /// A meter was lost or silent: a gap in the picture.
    #[strum(serialize = "meter lost")]
    MeterLost,
}

words!(FlagKind);

impl FlagKind {
    /// Whether it speaks against the machine.
    pub(crate) fn is_fault(self) -> bool {
        matches!(self, Self::OutOfLimit | Self::DropOut | Self::Response)
    }
}

/// Something that was found, at its place on the axis of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct DriveFlag {
    /// Counted from 1 over the session, in the order of time.
    pub number: usize,
    /// What it stands for.
    pub kind: FlagKind,
    /// When it was, µs since the session began: of an excursion, its worst.
    pub at_us: i64,
    /// From when to when its samples are to be looked at, µs.
    pub around_us: (i64, i64),
    /// The channels that it is of; empty for those of the operator.
    pub channels: Vec<String>,
    /// One sentence.
    pub text: String,
    /// What the other channels showed then.
    pub shown: Vec<String>,
}

/// What the last digit of each channel's meter was worth in a session.
struct ChannelDigits(HashMap<(String, Quantity), Option<f64>>);

impl ChannelDigits {
    fn of(connection: &Connection, session: &SessionRow) -> Result<Self, StoreError> {
        let figures = read::figures(connection, session)?;
        Ok(Self(figures.into_iter().map(|row| ((row.channel, row.quantity), row.digit)).collect()))
    }

    fn format(&self, channel: &str, quantity: Quantity) -> ValueFormat {
        let digit = self.0.get(&(channel.to_owned(), quantity)).copied().flatten();
        ValueFormat::new(quantity, digit, None)
    }

    fn show(&self, channel: &str, value: f64, quantity: Quantity) -> String {
        self.format(channel, quantity).show(value)
    }
}

/// The flags of a session. What others showed is there for excursions alone: [`add_other_channels`] looks for the rest.
///
/// # Errors
/// The database can't be read.
pub(crate) fn drive_flags(connection: &Connection, session: &SessionRow) -> Result<Vec<DriveFlag>, StoreError> {
    let ended = session.ended_us.unwrap_or(i64::MAX);
    let digits = ChannelDigits::of(connection, session)?;
    let mut flags = Vec::new();
    let mut add =
        |kind, at_us: i64, (from, to): (i64, i64), channels: Vec<String>, text: String, shown: Vec<String>| {
            flags.push(DriveFlag { number: 0, kind, at_us, around_us: (from, to), channels, text, shown });
        };
    for row in read::excursions(connection, session)? {
        let worst = match (row.beyond, row.worst) {
            (None, Some(worst)) => digits.show(&row.channel, worst, row.quantity),
            _ => "beyond the meter's range".to_owned(),
        };
        let lasted = row.ended_us.map_or(" to the end of the step".to_owned(), |ended| {
            format!(" for {}", show_duration((ended - row.began_us) as f64 / 1e6))
        });
        let stretch = (row.began_us, row.ended_us.unwrap_or(row.worst_us));
        let text = format!("{} out of limit{lasted}, worst {worst}", row.channel);
        add(FlagKind::OutOfLimit, row.worst_us, stretch, vec![row.channel], text, row.shown);
    }
    let dropouts = read::dropouts(connection, session)?;
    for group in dropouts.chunk_by(|one, other| (one.step, one.number) == (other.step, other.number)) {
        let channels: Vec<String> = group.iter().map(|row| row.channel.clone()).collect();
        let began = group.iter().map(|row| row.began_us).min().unwrap_or(0);
        let ended = group.iter().map(|row| row.ended_us).max().unwrap_or(began);
        let lasted = show_duration((ended - began) as f64 / 1e6);
        let together = if channels.len() > 1 { " together: upstream of all of them" } else { "" };
        let least: Vec<String> = group.iter().map(|row| digits.show(&row.channel, row.least, row.quantity)).collect();
        let text = format!("{} dropped out for {lasted}{together}; least {}", channels.join(", "), least.join(", "));
        add(FlagKind::DropOut, began, (began, ended), channels, text, Vec::new());
    }
    for row in read::responses(connection, session)?.into_iter().filter(|row| row.verdict != Some(Verdict::InLimit)) {
        let until = row.delay_s.map_or(0, |delay| (delay * 1e6) as i64).saturating_add(row.at_us);
        add(FlagKind::Response, row.at_us, (row.at_us, until), vec![row.channel], row.reason, Vec::new());
    }
    for row in read::changes(connection, session)? {
        let show = |level| digits.show(&row.channel, level, row.quantity);
        let (before, after) = (show(row.level_before), show(row.level_after));
        let lasted = show_duration(row.lasted_us as f64 / 1e6);
        let text = format!("{} went from {before} to {after} within {lasted}", row.channel);
        let half = row.lasted_us / 2;
        add(FlagKind::Change, row.at_us, (row.at_us - half, row.at_us + half), vec![row.channel], text, Vec::new());
    }
    for event in read::events(connection, session.id)? {
        let kind = match event.kind {
            EventKind::Mark => FlagKind::Mark,
            EventKind::Note => FlagKind::Note,
            EventKind::MeterLost | EventKind::MeterSilent => FlagKind::MeterLost,
            _ => continue,
        };
        let text = match (kind, event.text.is_empty()) {
            (FlagKind::MeterLost, _) => format!("{} lost: {}", event.subject, event.text),
            (_, true) => kind.word().to_owned(),
            _ => format!("{}: {}", kind.word(), event.text),
        };
        add(kind, event.at_us, (event.at_us, event.at_us), Vec::new(), text, Vec::new());
    }
    // What speaks against the machine stands first among those of one time.
    flags.sort_by_key(|flag| (flag.at_us, flag.kind));
    let channels = read::channels(connection, session.id)?;
    for (number, flag) in (1..).zip(&mut flags) {
        flag.number = number;
        let beside = beside_us(connection, &channels, flag)?;
        let (from, to) = flag.around_us;
        flag.around_us =
            (from.min(flag.at_us) - beside, (to.max(flag.at_us) + beside).min(ended.saturating_add(beside)));
    }
    Ok(flags)
}

/// How much of the time before and after a flag is shown: as much as some tens of samples of its channel take.
fn beside_us(connection: &Connection, channels: &[ChannelRow], flag: &DriveFlag) -> Result<i64, StoreError> {
    let own = channels.iter().filter(|row| flag.channels.is_empty() || flag.channels.contains(&row.name));
    let mut shortest: Option<i64> = None;
    for row in own {
        if let Some(interval) = read::interval_near(connection, row.id, flag.at_us)? {
            shortest = Some(shortest.map_or(interval, |shortest| shortest.min(interval)));
        }
    }
    let beside = shortest.map_or(BESIDE_US.1 / 2, |interval| interval.saturating_mul(SAMPLES_BESIDE));
    // Marks by hand lie beside what they mean by up to a second.
    let least = if flag.channels.is_empty() { 2_000_000 } else { BESIDE_US.0 };
    Ok(beside.clamp(least, BESIDE_US.1))
}

/// Adds what the other channels showed at each flag, with the digits that their meters showed.
///
/// # Errors
/// The database can't be read.
pub(crate) fn add_other_channels(
    connection: &Connection,
    session: &SessionRow,
    flags: &mut [DriveFlag],
) -> Result<(), StoreError> {
    let channels = read::channels(connection, session.id)?;
    let digits = ChannelDigits::of(connection, session)?;
    // Where it was stands on the track.
    let positions: Vec<String> =
        channels.iter().filter(|row| row.is_position()).map(|row| format!("{} ", row.name)).collect();
    for flag in flags.iter_mut() {
        flag.shown.retain(|text| !positions.iter().any(|name| text.starts_with(name)));
    }
    let incomplete = flags.iter_mut().filter(|flag| flag.shown.is_empty() && flag.kind != FlagKind::MeterLost);
    for flag in incomplete.take(MOST_COMPLETED) {
        for (row, showed) in channels.iter().zip(read::shown_at(connection, session, &channels, flag.at_us)?) {
            let is_other = !flag.channels.contains(&row.name) && !row.is_position();
            let Some(showed) = showed.filter(|_| is_other) else { continue };
            let text = showed.shown(digits.format(&row.name, row.quantity));
            flag.shown.push(format!("{} {text}", row.name));
        }
    }
    Ok(())
}
