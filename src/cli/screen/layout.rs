//! Which lines the screen has, from the most needed to the least: what to do, the reading of the step with its limit, alarms, the other
//! channels, what was done, keys. Where there is no room the last of them give way; the reading never does.

use ratatui::{
    style::{Color, Modifier, Style},
    text::{Line, Span},
};

use super::{
    keys::KeyReader,
    state::{LedgerLine, ScreenState},
    text::{apart, cut, width, wrap},
};
use crate::{server::ChannelLine, session::Verdict};

/// From so many columns on, the ledger stands beside the rest.
const TWO_COLUMNS: usize = 100;

/// A reading older than this is shown with its age, s.
const OLD_S: f64 = 3.0;

/// Okabe and Ito's colours (2008) as the nearest of a terminal's 256.
const GREEN: Color = Color::Indexed(36);
const VERMILION: Color = Color::Indexed(166);
const ORANGE: Color = Color::Indexed(214);

/// A verdict's shape and style; the word stands beside it, so that colour alone tells nothing.
fn verdict_mark(verdict: Option<Verdict>) -> (&'static str, Style) {
    match verdict {
        Some(Verdict::InLimit) => ("●", Style::new().fg(GREEN)),
        Some(Verdict::OutOfLimit) => ("■", Style::new().fg(VERMILION).add_modifier(Modifier::BOLD)),
        Some(Verdict::TooCloseToCall) => ("◆", Style::new().fg(ORANGE)),
        Some(_) | None => ("○", Style::new()),
    }
}

/// The whole screen, a line for each of its rows.
pub(super) fn screen(state: &ScreenState, keys: &KeyReader, columns: usize, rows: usize) -> Vec<Line<'static>> {
    let footer = footer(state, keys, columns);
    let room = rows.saturating_sub(footer.len());
    let is_wide = columns >= TWO_COLUMNS;
    let left_columns = if is_wide { columns * 3 / 5 } else { columns };
    let mut lines = left(state, left_columns, room);
    if is_wide {
        lines.resize(room, Line::default());
        beside(&mut lines, &ledger(state, columns - left_columns - 3, room), left_columns);
    } else {
        let left_over = room.saturating_sub(lines.len() + 1);
        if left_over > 0 && !state.ledger.is_empty() {
            lines.push(Line::default());
            lines.extend(ledger(state, columns, left_over));
        }
    }
    lines.resize(room, Line::default());
    lines.extend(footer);
    lines.truncate(rows);
    lines
}

/// Puts lines at the right of others, behind a rule.
fn beside(lines: &mut [Line<'static>], right: &[Line<'static>], columns: usize) {
    for (row, line) in lines.iter_mut().enumerate() {
        let gap = columns.saturating_sub(line.width());
        line.push_span(Span::raw(format!("{} │ ", " ".repeat(gap))));
        if let Some(right) = right.get(row) {
            line.spans.extend(right.spans.iter().cloned());
        }
    }
}

/// What to do, the reading, alarms and the other channels.
fn left(state: &ScreenState, columns: usize, rows: usize) -> Vec<Line<'static>> {
    let open = state.meters.iter().filter(|meter| meter.open).count();
    let meters = format!("{open} of {} meters", state.meters.len());
    let mut top = vec![Line::styled(apart(&state.title(), &meters, columns), Style::new().add_modifier(Modifier::DIM))];
    let reading = own_reading(state, columns);
    let alarms = alarms(state, columns);
    // The sentence has what the reading and one alarm leave, and at most six lines.
    let for_sentence = rows.saturating_sub(top.len() + reading.len() + alarms.len().min(2) + 2).clamp(1, 6);
    top.extend(sentence(state, columns, for_sentence));
    let room = rows.saturating_sub(top.len() + reading.len());
    if room > alarms.len() + 1 {
        top.push(Line::default());
    }
    top.extend(reading);
    let room = rows.saturating_sub(top.len());
    top.extend(alarms.into_iter().take(room));
    let room = rows.saturating_sub(top.len() + 1);
    let others = others(state, columns);
    if room > 0 && !others.is_empty() {
        top.push(Line::default());
        top.extend(others.into_iter().take(room.min(4)));
    }
    top
}

fn sentence(state: &ScreenState, columns: usize, rows: usize) -> Vec<Line<'static>> {
    let place = state.step.as_ref().map(|step| match (step.place, step.of) {
        (Some(place), Some(of)) => format!("step {place} of {of}"),
        _ => format!("step {}", step.number),
    });
    let (words, below) = state.sentence();
    let small = Style::new().add_modifier(Modifier::DIM);
    let mut lines = Vec::new();
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let bold = if state.ask.is_some() { bold.fg(ORANGE) } else { bold };
    // Name and place of the step stay where there is room for them.
    let name = match (&state.ask, below) {
        (None, name) => apart(&name.unwrap_or_default(), place.as_deref().unwrap_or_default(), columns),
        (Some(_), waits_for) => cut(&waits_for.unwrap_or_default(), columns),
    };
    let has_room = rows > 1 && !name.trim().is_empty();
    let for_words = if has_room { rows - 1 } else { rows };
    lines.extend(wrap(&words, columns, for_words).into_iter().map(|line| Line::styled(line, bold)));
    if has_room {
        lines.push(Line::styled(name, small));
    }
    lines
}

/// The reading of the step, its verdict and its limit.
fn own_reading(state: &ScreenState, columns: usize) -> Vec<Line<'static>> {
    let Some(step) = &state.step else { return Vec::new() };
    let Some(channel) = &step.channel else { return Vec::new() };
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let mut line = match state.own_reading() {
        None => Line::styled(cut(&format!("{channel}: nothing yet"), columns), bold),
        Some(reading) => {
            let (shape, style) = verdict_mark(reading.verdict);
            let verdict = reading.verdict.map_or("", Verdict::word);
            let value = Span::styled(format!("  {}  ", shown(reading)), bold.add_modifier(Modifier::REVERSED));
            let words = if verdict.is_empty() { String::new() } else { format!(" {shape} {verdict}") };
            let words = cut(&words, columns.saturating_sub(value.width()));
            Line::from(vec![value, Span::styled(words, style)])
        }
    };
    if let Some(seconds) = state.count {
        line.push_span(Span::styled(format!("  {seconds} s"), bold.fg(VERMILION)));
    }
    let limit = step.limit.as_ref().map_or_else(|| channel.clone(), |limit| format!("{channel}: {limit}"));
    let age = state.own_reading().filter(|reading| reading.age_s > OLD_S);
    let age = age.map_or(String::new(), |reading| format!(", {:.0} s old", reading.age_s));
    vec![line, Line::raw(cut(&format!("{limit}{age}"), columns))]
}

fn shown(reading: &ChannelLine) -> String {
    reading.shown.clone()
}

fn alarms(state: &ScreenState, columns: usize) -> Vec<Line<'static>> {
    let red = Style::new().fg(VERMILION).add_modifier(Modifier::BOLD);
    let alarms = state.alarms.iter().flat_map(|alarm| wrap(&format!("ALARM: {alarm}"), columns, 3));
    let mut lines: Vec<Line<'static>> = alarms.map(|line| Line::styled(line, red)).collect();
    let lost = state.meters.iter().filter(|meter| !meter.open);
    let lost = lost.flat_map(|meter| wrap(&format!("{}: {}", meter.meter, meter.why), columns, 2));
    lines.extend(lost.map(|line| Line::styled(line, Style::new().fg(ORANGE))));
    if let Some(message) = &state.message {
        lines.extend(wrap(message, columns, 2).into_iter().map(Line::raw));
    }
    if let Some(finding) = &state.finding {
        lines.extend(wrap(&format!("finding: {finding}"), columns, 2).into_iter().map(Line::raw));
    }
    lines
}

/// The channels beside the step's own, as many in a line as there is room for.
fn others(state: &ScreenState, columns: usize) -> Vec<Line<'static>> {
    let own = state.step.as_ref().and_then(|step| step.channel.as_ref());
    let others = state.readings.iter().filter(|reading| Some(&reading.channel) != own);
    let mut lines: Vec<String> = Vec::new();
    for reading in others {
        let text = cut(&format!("{} {}", reading.channel, shown(reading)), columns);
        match lines.last_mut() {
            Some(line) if width(line) + 3 + width(&text) <= columns => *line += &format!("   {text}"),
            _ => lines.push(text),
        }
    }
    lines.into_iter().map(Line::raw).collect()
}

/// What was done, the newest first.
fn ledger(state: &ScreenState, columns: usize, rows: usize) -> Vec<Line<'static>> {
    let newest = state.ledger.iter().rev().take(rows);
    let value_columns = newest.clone().map(|line| width(&line.value)).max().unwrap_or(0).min(columns / 2);
    newest.map(|line| ledger_line(line, columns, value_columns)).collect()
}

fn ledger_line(line: &LedgerLine, columns: usize, value_columns: usize) -> Line<'static> {
    let (shape, style) = verdict_mark(line.verdict);
    let word = line.verdict.map_or("no limit", Verdict::word);
    // In a narrow window the shape stands for the word, so that the name can be read.
    let is_narrow = columns < 60;
    let word = if is_narrow { String::new() } else { format!("  {word:<17}") };
    let room = columns.saturating_sub(2 + 1 + value_columns + width(&word));
    let name = cut(&line.step, room);
    let gap = " ".repeat(room.saturating_sub(width(&name)));
    let value = cut(&line.value, value_columns);
    let value_gap = " ".repeat(value_columns.saturating_sub(width(&value)));
    Line::from(vec![
        Span::styled(format!("{shape} "), style),
        Span::raw(format!("{name}{gap} {value_gap}{value}")),
        Span::styled(word, style),
    ])
}

/// The keys, or the text that is being typed.
fn footer(state: &ScreenState, keys: &KeyReader, columns: usize) -> Vec<Line<'static>> {
    let rule = Line::styled("─".repeat(columns), Style::new().add_modifier(Modifier::DIM));
    if let Some((what, text)) = keys.typing() {
        let hint = "enter keeps it, esc drops it";
        let typed = format!("{what}: {text}▏");
        let shown = if width(&typed) > columns { format!("…{}", tail(&typed, columns - 1)) } else { typed };
        return vec![
            rule,
            Line::raw(shown),
            Line::styled(cut(hint, columns), Style::new().add_modifier(Modifier::DIM)),
        ];
    }
    let words: &[&str] = match state.asks_a_question() {
        true => &["space yes", "x no", "n next", "b back", "s skip", "u undo", "m mark", "o note", "q quit"],
        false => {
            &["n next", "space take", "a again", "m mark", "s skip", "b back", "u undo", "o note", "v voice", "q quit"]
        }
    };
    let mut lines = vec![String::new()];
    for word in words {
        let last = lines.last_mut().expect("there is one line at least");
        if !last.is_empty() && width(last) + 3 + width(word) > columns {
            lines.push((*word).to_owned());
        } else {
            *last = if last.is_empty() { (*word).to_owned() } else { format!("{last}   {word}") };
        }
    }
    lines.truncate(2);
    let keys =
        lines.into_iter().map(|line| Line::styled(cut(&line, columns), Style::new().add_modifier(Modifier::DIM)));
    std::iter::once(rule).chain(keys).collect()
}

/// The end of a text, of so many columns.
fn tail(text: &str, columns: usize) -> String {
    let mut shown = String::new();
    for character in text.chars().rev() {
        if width(&shown) + width(character.encode_utf8(&mut [0; 4])) > columns {
            break;
        }
        shown.insert(0, character);
    }
    shown
}
