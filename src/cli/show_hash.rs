//! `bayline show --hash`: whether a session's data are what was recorded, and what a sheet says.

use std::{io::Write, process::ExitCode};

use rusqlite::Connection;

use super::failure::Failure;
use crate::{
    report::record_sha256,
    store::{prove_samples, read::SessionRow},
    units::show_seconds,
};

/// Digits of a SHA-256 on paper.
const DIGITS: usize = 64;

/// A hash as it is typed from a sheet, in capitals or groups too: one that is incomplete would be of no session.
pub(super) fn typed(text: &str) -> Result<String, String> {
    let hash: String = text.chars().filter(|character| !character.is_whitespace()).collect();
    if hash.is_empty() || hash.len() == DIGITS && hash.bytes().all(|digit| digit.is_ascii_hexdigit()) {
        return Ok(hash.to_ascii_lowercase());
    }
    Err(format!(
        "expected the {DIGITS} digits (0 to 9, a to f) at the end of the sheet, found {}",
        hash.chars().count()
    ))
}

/// Prints both hashes, each calculated anew, and what differs. `wanted` is a hash of a sheet as [`typed`] reads it; empty for none.
pub(super) fn print(
    out: &mut dyn Write,
    connection: &Connection,
    session: &SessionRow,
    wanted: &str,
) -> Result<ExitCode, Failure> {
    let record = record_sha256(connection, session)?;
    writeln!(out, "{record}  session.json of its export: visit, steps, values, findings, corrections")?;
    let proved = prove_samples(connection, session, |_| ())?;
    writeln!(out, "{}  {} samples: time, channel, value and verdict of each", proved.sha256, session.samples)?;
    let mut is_proved = true;
    if let Some((from, to)) = proved.first_changed_us {
        let (from, to) = (show_seconds(from.max(0) as f64 / 1e6), show_seconds(to.max(0) as f64 / 1e6));
        writeln!(
            out,
            "The samples are not what was recorded, which was {}: the first difference lies between {from} and {to}.",
            proved.kept
        )?;
        is_proved = false;
    }
    if !wanted.is_empty() {
        let said = match [&record, &proved.sha256].into_iter().position(|own| own == wanted) {
            Some(0) => "The record is what the sheet says.",
            Some(_) => "The samples are what the sheet says.",
            None => {
                is_proved = false;
                "Neither is what the sheet says: it is of another session, or something was changed or corrected since."
            }
        };
        writeln!(out, "{said}")?;
    } else if is_proved {
        writeln!(out, "The samples are what was recorded.")?;
    }
    Ok(if is_proved { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
