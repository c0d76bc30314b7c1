//! The judgements of a session above its ledger: which one is shown, and what tells it from the others.

use std::io::Write;

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use super::{failure::Failure, sessions::local};
use crate::{
    sanitize::sanitized,
    store::{
        hexadecimal,
        read::{self, JudgementRow, SessionRow},
    },
};

/// So much of the hash of a procedure tells two of them apart.
const DIGITS_OF_HASH: usize = 8;

/// Prints a line for each judgement, where there are several; the one that is shown below is pointed at.
pub(super) fn print(out: &mut dyn Write, connection: &Connection, session: &SessionRow) -> Result<(), Failure> {
    let rows = read::judgements(connection, session.id)?;
    if rows.is_empty() {
        return Ok(());
    }
    let in_force = read::judgement_in_force(connection, session.id)?;
    let recorded = read::procedure_text(connection, session.id)?;
    let of_text = |title: &str, text: Option<&str>| {
        let Some(text) = text else { return String::new() };
        let hash = hexadecimal(&Sha256::digest(text));
        format!(": \"{}\" (procedure {})", sanitized(title), &hash[..DIGITS_OF_HASH])
    };
    let mut line = |number: i64, words: String| {
        let mark = if number == session.judgement { ">" } else { " " };
        let force = if number == in_force { ", in force" } else { "" };
        writeln!(out, "{mark} judgement {number}{words}{force}")
    };
    let title = session.procedure.as_deref().unwrap_or_default();
    let first = of_text(title, recorded.as_deref());
    line(0, format!(", the first record{first}, {}, bayline {}", local(session.began_utc_us), session.program))?;
    for row in rows {
        let by = if row.made_by.is_empty() { String::new() } else { format!(", by {}", sanitized(&row.made_by)) };
        let JudgementRow { procedure_title, procedure_text, corrections, program, .. } = &row;
        let text = procedure_text.as_deref().or(recorded.as_deref());
        let procedure = of_text(procedure_title.as_deref().unwrap_or(title), text);
        let corrected = match corrections {
            0 => String::new(),
            1 => ", 1 correction".to_owned(),
            count => format!(", {count} corrections"),
        };
        let made = local(session.began_utc_us + row.at_us);
        line(row.number, format!("{by}{procedure}{corrected}, {made}, bayline {program}"))?;
    }
    writeln!(out, "`bayline show {} --judgement NUMBER` shows another one, 0 the first record\n", session.id)?;
    Ok(())
}
