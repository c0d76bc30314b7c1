//! A drive on the sheet: one picture of all channels with numbered flags, a table of these, and the track.

use plotters::{
    coord::Shift,
    prelude::*,
    style::text_anchor::{HPos, Pos, VPos},
};
use rusqlite::Connection;

use super::{
    ReportError,
    axis::{AxisUnit, round_step},
};
use crate::{
    drive::{DriveFlag, FlagKind, TrackDrawing, add_other_channels, drive_flags, lanes},
    procedure::Procedure,
    session::CaptureMethod,
    store::read::{self, ChannelRow, PlotSeries, PlotWindow, SessionRow, StepRow},
    units::show_seconds,
};

/// Pixels of the picture's width; the page scales it.
const WIDTH: u32 = 720;
/// Room for the numbers at the left, and beside the last sample.
const SIDE: u32 = 58;
const END: u32 = 10;
/// Room above all for the flags' numbers, above each channel for its name, and below all for the times.
const FLAGS: u32 = 18;
const NAME: u32 = 15;
const TIMES: u32 = 24;
/// Height of one channel.
const LANE: u32 = 72;
/// Intervals of time that are kept apart: about one a pixel.
const COLUMNS: usize = 640;
/// A pause longer than this, s, is a gap in the line; where an interval of time is wider, so many of these.
const GAP_S: f64 = 2.0;
const GAP_COLUMNS: f64 = 3.0;
/// Numbers closer than this, pixels, are written as one: `3–7`.
const CLOSE: f64 = 28.0;
/// Flags on a full and on a short sheet at most.
const MOST_FLAGS: (usize, usize) = (40, 3);
/// About as many numbers at the side, and below.
const Y_LABELS: usize = 3;
const X_LABELS: usize = 8;

/// What the sheet shows of a drive.
pub(super) struct SheetDrive {
    /// Which part of the visit it is; none where there is one.
    pub part: Option<String>,
    /// The picture as SVG; none on a short sheet, which is one page.
    pub svg: Option<String>,
    /// The flags under it.
    pub flags: Vec<SheetFlag>,
    /// Flags that have no room.
    pub more: usize,
    /// The track as SVG.
    pub track: Option<String>,
}

/// One row of the table under the picture.
pub(super) struct SheetFlag {
    pub number: usize,
    pub at: String,
    pub text: String,
    pub others: String,
    pub is_fault: bool,
}

impl SheetDrive {
    /// Of a session in which something was watched; on a short sheet only where something speaks against the machine.
    pub(super) fn new(
        connection: &Connection,
        session: &SessionRow,
        steps: &[StepRow],
        full: bool,
    ) -> Result<Option<Self>, ReportError> {
        let all = drive_flags(connection, session)?;
        let track = if full { read::drawn_track(connection, session)? } else { Vec::new() };
        let is_watched =
            |step: &StepRow| step.capture.as_ref().is_some_and(|capture| capture.how == CaptureMethod::Worst);
        let matters = match full {
            true => {
                all.iter().any(|flag| flag.kind.is_fault() || flag.kind == FlagKind::Change)
                    || !track.is_empty()
                    || steps.iter().any(is_watched)
            }
            false => all.iter().any(|flag| flag.kind.is_fault()),
        };
        if !matters {
            return Ok(None);
        }
        let (mut flags, more) = with_room(&all, full);
        if !full {
            return Ok(Some(Self {
                part: None,
                svg: None,
                flags: flags.into_iter().map(SheetFlag::from).collect(),
                more,
                track: None,
            }));
        }
        add_other_channels(connection, session, &mut flags)?;
        let channels = read::channels(connection, session.id)?;
        let procedure = read::procedure_text(connection, session.id)?;
        let procedure = procedure.and_then(|text| Procedure::parse("procedure", &text).ok());
        let mut drawn = Vec::new();
        for row in lanes(&channels, procedure.as_ref()) {
            let quantity = row.quantity.word();
            let window = PlotWindow { channel: &row.name, quantity, from_us: None, to_us: None, columns: COLUMNS };
            let series = read::plot_series(connection, session, &window)?;
            if !series.at_s.is_empty() {
                drawn.push((row, series));
            }
        }
        if drawn.is_empty() {
            return Ok(None);
        }
        let svg = picture(&drawn, steps, &flags)
            .map_err(|why| ReportError::Plot { step: "the whole drive".to_owned(), why: why.to_string() })?;
        let track = TrackDrawing::new(&track, &flags).map(|drawing| track_svg(&drawing));
        Ok(Some(Self {
            part: None,
            svg: Some(svg),
            flags: flags.into_iter().map(SheetFlag::from).collect(),
            more,
            track,
        }))
    }
}

impl From<DriveFlag> for SheetFlag {
    fn from(flag: DriveFlag) -> Self {
        Self {
            number: flag.number,
            at: show_seconds(flag.at_us.max(0) as f64 / 1e6),
            text: flag.text,
            // Of a mere change it would only fill pages.
            others: if flag.kind == FlagKind::Change { String::new() } else { flag.shown.join(", ") },
            is_fault: flag.kind.is_fault(),
        }
    }
}

/// The flags that have room: faults first, the longest of each kind before the others, then the operator's, then changes; in the
/// order of time. And how many have none.
fn with_room(all: &[DriveFlag], full: bool) -> (Vec<DriveFlag>, usize) {
    let most = if full { MOST_FLAGS.0 } else { MOST_FLAGS.1 };
    let wanted = |flag: &&DriveFlag| full || flag.kind.is_fault();
    let rank = |kind: FlagKind| (!kind.is_fault(), kind == FlagKind::Change);
    let mut flags: Vec<DriveFlag> = all.iter().filter(wanted).cloned().collect();
    let more = flags.len().saturating_sub(most);
    let lasted = |flag: &DriveFlag| match flag.kind.is_fault() {
        true => flag.around_us.1.saturating_sub(flag.around_us.0),
        false => 0,
    };
    flags.sort_by_key(|flag| std::cmp::Reverse(lasted(flag)));
    let key = |at: usize| {
        let own: &DriveFlag = &flags[at];
        let is_longer = |other: &&DriveFlag| own.kind.is_fault() && other.kind == own.kind;
        (rank(own.kind), flags[..at].iter().filter(is_longer).count())
    };
    let keys: Vec<_> = (0..flags.len()).map(key).collect();
    let mut ranked: Vec<_> = keys.into_iter().zip(flags).collect();
    ranked.sort_by_key(|(key, _)| *key);
    let mut flags: Vec<DriveFlag> = ranked.into_iter().map(|(_, flag)| flag).take(most).collect();
    flags.sort_by_key(|flag| flag.number);
    (flags, more)
}

type DrawingError = Box<dyn std::error::Error>;
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

fn picture(
    lanes: &[(&ChannelRow, PlotSeries)],
    steps: &[StepRow],
    flags: &[DriveFlag],
) -> Result<String, DrawingError> {
    let ends = lanes.iter().flat_map(|(_, series)| [series.at_s.first(), series.at_s.last()]).flatten();
    let (from, to) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(from, to), at| (from.min(*at), to.max(*at)));
    let to = to.max(from + 1e-3);
    let lane = NAME + LANE;
    let height = FLAGS + lane * lanes.len() as u32 + TIMES;
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        numbers(&root, flags, (from, to))?;
        for (index, (row, series)) in lanes.iter().enumerate() {
            let last = index + 1 == lanes.len();
            let top = FLAGS + lane * index as u32;
            let bottom = top + lane + if last { TIMES } else { 0 };
            let (rest, area) = root.split_vertically(top as i32);
            drop(rest);
            let (area, rest) = area.split_vertically((bottom - top) as i32);
            drop(rest);
            one_lane(&area, row, series, steps, flags, (from, to), last)?;
        }
        root.present()?;
    }
    Ok(svg)
}

/// Where a time lies, pixels from the left.
fn across(at: f64, (from, to): (f64, f64)) -> f64 {
    f64::from(SIDE) + (at - from) / (to - from) * f64::from(WIDTH - SIDE - END)
}

/// The numbers of the flags, above all channels.
fn numbers(root: &Area, flags: &[DriveFlag], ends: (f64, f64)) -> Result<(), DrawingError> {
    let mut groups: Vec<(f64, usize, usize)> = Vec::new();
    for flag in flags {
        let x = across(flag.at_us as f64 / 1e6, ends);
        match groups.last_mut() {
            Some(group) if x - group.0 < CLOSE => group.2 = flag.number,
            _ => groups.push((x, flag.number, flag.number)),
        }
    }
    let style = ("sans-serif", 12).into_font().color(&BLACK).pos(Pos::new(HPos::Center, VPos::Top));
    for (x, first, last) in groups {
        let text = if first == last { first.to_string() } else { format!("{first}–{last}") };
        root.draw(&Text::new(text, (x as i32, 3), style.clone()))?;
    }
    Ok(())
}

fn one_lane(
    area: &Area,
    row: &ChannelRow,
    series: &PlotSeries,
    steps: &[StepRow],
    flags: &[DriveFlag],
    (from, to): (f64, f64),
    last: bool,
) -> Result<(), DrawingError> {
    let values = series.value.iter().flatten();
    let (low, high) =
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)));
    // All of it may be beyond the meter's range.
    let (low, high) = if low <= high { (low, high) } else { (0.0, 1.0) };
    let room = 0.08 * (high - low).max(high.abs().max(low.abs()) * 0.02).max(1e-9);
    let (low, high) = (low - room, high + room);
    let mut chart = ChartBuilder::on(area)
        .margin_top(NAME)
        .margin_right(END)
        .x_label_area_size(if last { TIMES } else { 0 })
        .y_label_area_size(SIDE)
        .build_cartesian_2d(from..to, low..high)?;
    for step in steps.iter().skip(1).step_by(2) {
        let ended = step.ended_us.map_or(to, |us| us as f64 / 1e6);
        let corners = [(step.began_us as f64 / 1e6, low), (ended, high)].map(|(at, value)| (at.clamp(from, to), value));
        chart.draw_series([Rectangle::new(corners, BLACK.mix(0.06).filled())])?;
    }
    let unit = AxisUnit::suiting(low.abs().max(high.abs()), row.quantity.dimension());
    let step = round_step((high - low) / unit.factor / Y_LABELS as f64);
    let time = AxisUnit::suiting(1.0, crate::units::Dimension::Second);
    let time_step = round_step((to - from) / X_LABELS as f64);
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(WHITE.mix(0.0))
        .bold_line_style(BLACK.mix(0.12))
        .axis_style(BLACK.mix(0.6))
        .label_style(("sans-serif", 12))
        .x_labels(if last { X_LABELS } else { 0 })
        .y_labels(Y_LABELS)
        .x_label_formatter(&|at| match to - from {
            span if span < 120.0 => format!("{} s", time.number(*at, time_step)),
            _ => show_seconds(at.max(0.0)),
        })
        .y_label_formatter(&|value| format!("{} {}", unit.number(*value, step), unit.name()))
        .draw()?;
    for flag in flags {
        let at = flag.at_us as f64 / 1e6;
        let own = flag.channels.contains(&row.name);
        let ink = BLACK.mix(if own { 0.9 } else { 0.3 });
        let line = [(at, low), (at, high)];
        chart.draw_series(DashedLineSeries::new(line, 2, if own { 1 } else { 4 }, ink.into()))?;
    }
    let gap = GAP_S.max(GAP_COLUMNS * (to - from) / COLUMNS as f64);
    let mut line: Vec<(f64, f64)> = Vec::new();
    for (at, value) in
        series.at_s.iter().zip(&series.value).map(|(at, value)| (*at, *value)).chain([(f64::INFINITY, None)])
    {
        if value.is_none() || line.last().is_some_and(|before| at - before.0 > gap) {
            match std::mem::take(&mut line)[..] {
                [] => {}
                [only] => _ = chart.draw_series([Circle::new(only, 1, BLACK.filled())])?,
                ref points => _ = chart.draw_series(LineSeries::new(points.to_vec(), BLACK))?,
            }
        }
        line.extend(value.map(|value| (at, value)));
    }
    let style = ("sans-serif", 12).into_font().color(&BLACK);
    area.draw(&Text::new(row.name.clone(), (SIDE as i32, 1), style))?;
    Ok(())
}

fn track_svg(drawing: &TrackDrawing) -> String {
    let [left, top, width, height] = drawing.view;
    let flags: String = drawing
        .flags
        .iter()
        .map(|flag| {
            let line = if flag.is_fault { 2.4 } else { 1.2 };
            let [x, y] = flag.at;
            let (text_y, words) = (y + 3.5, flag.number);
            format!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"8\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"{line}\"/>\
                 <text x=\"{x:.1}\" y=\"{text_y:.1}\" font-size=\"10\" text-anchor=\"middle\">{words}</text>"
            )
        })
        .collect();
    let (bar, words, [x, y]) = (&drawing.bar, &drawing.bar_words, drawing.bar_words_at);
    let [start_x, start_y] = drawing.start;
    format!(
        "<svg viewBox=\"{left:.1} {top:.1} {width:.1} {height:.1}\" role=\"img\" aria-label=\"{}\">\
         <path d=\"{}\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.5\"/>\
         <circle cx=\"{start_x:.1}\" cy=\"{start_y:.1}\" r=\"5\" fill=\"none\" stroke=\"#000\"/>{flags}\
         <path d=\"{bar}\" fill=\"none\" stroke=\"#000\" stroke-width=\"1.2\"/>\
         <text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"12\">{words}</text></svg>",
        drawing.words, drawing.way
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flag(number: usize, kind: FlagKind) -> DriveFlag {
        DriveFlag {
            number,
            kind,
            at_us: number as i64,
            around_us: (0, 0),
            channels: Vec::new(),
            text: String::new(),
            shown: Vec::new(),
        }
    }

    #[test]
    fn faults_have_room_before_changes_and_keep_their_numbers() {
        let all: Vec<DriveFlag> = (1..=100)
            .map(|number| flag(number, if number % 10 == 0 { FlagKind::OutOfLimit } else { FlagKind::Change }))
            .collect();
        let (full, more) = with_room(&all, true);
        assert_eq!((full.len(), more), (40, 60));
        assert_eq!(full.iter().filter(|flag| flag.kind.is_fault()).count(), 10);
        assert!(full.is_sorted_by_key(|flag| flag.number));
        let (short, more) = with_room(&all, false);
        assert_eq!((short.len(), more), (3, 7));
        assert!(short.iter().all(|flag| flag.kind.is_fault()));
        // The longest of them is there, wherever it was.
        let mut all = all;
        all[79].around_us.1 = 600_000;
        let (short, _) = with_room(&all, false);
        assert_eq!(short.iter().map(|flag| flag.number).collect::<Vec<_>>(), [10, 20, 80]);
    }
}
