//! Rows of what was found while a step watched.

use rusqlite::{Connection, ToSql};

use crate::{
    clock::Mono,
    session::{Excursion, Intermittent, SignalChange, TimedResponse, Verdict, WaveformSummary},
    store::{record::insert, stored_value::value_columns},
    units::Quantity,
};

/// An excursion is stored when it begins, so that one that is cut off is known, and again when it ends.
pub(super) fn excursion_row(
    connection: &Connection,
    session: i64,
    began: Mono,
    excursion: &Excursion,
) -> rusqlite::Result<()> {
    let (worst, beyond) = value_columns(excursion.worst);
    let columns: &[(&str, &dyn ToSql)] = &[
        ("session", &session),
        ("step", &excursion.step),
        ("number", &excursion.number),
        ("channel", &excursion.channel),
        ("quantity", &excursion.quantity.word()),
        ("unit", &excursion.quantity.unit()),
        ("began_us", &excursion.began.since(began)),
        ("ended_us", &excursion.ended.map(|ended| ended.since(began))),
        ("worst", &worst),
        ("beyond", &beyond),
        ("worst_us", &excursion.worst_at.since(began)),
        ("limit_low", &excursion.limit.low),
        ("limit_high", &excursion.limit.high),
        ("shown", &excursion.shown.join("\n")),
    ];
    connection
        .prepare_cached("DELETE FROM excursion WHERE session = ?1 AND judgement = 0 AND step = ?2 AND number = ?3")?
        .execute((session, excursion.step, excursion.number))?;
    insert(connection, "excursion", columns).map(drop)
}

/// A row for each channel that dropped out.
pub(super) fn dropout_rows(
    connection: &Connection,
    session: i64,
    began: Mono,
    intermittent: &Intermittent,
) -> rusqlite::Result<()> {
    for part in &intermittent.parts {
        let columns: &[(&str, &dyn ToSql)] = &[
            ("session", &session),
            ("step", &intermittent.step),
            ("number", &intermittent.number),
            ("channel", &part.channel),
            ("quantity", &part.quantity.word()),
            ("unit", &part.quantity.unit()),
            ("began_us", &part.began.since(began)),
            ("ended_us", &part.ended.since(began)),
            ("level", &part.level),
            ("least", &part.least),
            ("samples", &part.samples),
        ];
        insert(connection, "dropout", columns)?;
    }
    Ok(())
}

/// The shape of a signal over a step.
pub(super) fn waveform_row(
    connection: &Connection,
    session: i64,
    step: u32,
    waveform: &WaveformSummary,
) -> rusqlite::Result<()> {
    let columns: &[(&str, &dyn ToSql)] = &[
        ("session", &session),
        ("step", &step),
        ("channel", &waveform.name),
        ("quantity", &waveform.quantity.word()),
        ("unit", &waveform.quantity.unit()),
        ("shape", &waveform.shape.word()),
        ("rate_hz", &waveform.rate_hz),
        ("samples", &(waveform.samples as i64)),
        ("least", &waveform.least),
        ("greatest", &waveform.greatest),
        ("mean", &waveform.mean),
        ("rms", &waveform.rms),
        ("low_level", &waveform.low_level),
        ("high_level", &waveform.high_level),
        ("frequency_hz", &waveform.frequency.map(|(frequency, _)| frequency)),
        ("frequency_u", &waveform.frequency.map(|(_, u)| u)),
        ("duty", &waveform.duty.map(|(duty, _)| duty)),
        ("duty_u", &waveform.duty.map(|(_, u)| u)),
        ("ripple_rms", &waveform.ripple_rms),
        ("ripple_pp", &waveform.ripple_pp),
        ("switch_ons", &waveform.switch_ons.map(|count| count as i64)),
        ("peak", &waveform.peak),
        ("hold", &waveform.hold),
        ("time_constant_s", &waveform.time_constant.map(|(tau, _)| tau)),
        ("time_constant_u", &waveform.time_constant.map(|(_, u)| u)),
    ];
    insert(connection, "waveform", columns).map(drop)
}

pub(super) fn change_row(
    connection: &Connection,
    session: i64,
    began: Mono,
    change: &SignalChange,
) -> rusqlite::Result<()> {
    let columns: &[(&str, &dyn ToSql)] = &[
        ("session", &session),
        ("step", &change.step),
        ("number", &change.number),
        ("channel", &change.channel),
        ("quantity", &change.quantity.word()),
        ("unit", &change.quantity.unit()),
        ("at_us", &change.change.at.since(began)),
        ("level_before", &change.change.from),
        ("level_after", &change.change.to),
        ("lasted_us", &change.change.lasted_us),
        ("interval_us", &change.change.interval_us),
    ];
    insert(connection, "change", columns).map(drop)
}

pub(super) fn response_row(
    connection: &Connection,
    session: i64,
    began: Mono,
    response: &TimedResponse,
) -> rusqlite::Result<()> {
    let columns: &[(&str, &dyn ToSql)] = &[
        ("session", &session),
        ("step", &response.step),
        ("number", &response.number),
        ("rule", &response.rule),
        ("channel", &response.channel),
        ("quantity", &response.quantity.map(Quantity::word)),
        ("unit", &response.quantity.map(Quantity::unit)),
        ("at_us", &response.at.since(began)),
        ("delay_s", &response.delay),
        ("u_s", &response.u),
        ("level_before", &response.levels.map(|(before, _)| before)),
        ("level_after", &response.levels.map(|(_, after)| after)),
        ("lasted_s", &response.lasted),
        ("verdict", &response.judgement.verdict().map(Verdict::word)),
        ("reason", &response.judgement.reason),
    ];
    insert(connection, "response", columns).map(drop)
}
