//! Files that a command is asked to write.

use std::{
    fs,
    io::{IsTerminal, Write, stderr, stdin},
    path::Path,
};

use super::failure::Failure;
use crate::store::Folder;

/// Refuses to write over what is bayline's own, and over what is there already where nobody agrees to it.
pub(super) fn may_write(path: &Path, folder: &Folder, force: bool) -> Result<(), Failure> {
    if folder.owns(path) {
        let message =
            format!("{} belongs to bayline's own data and is never written over; choose another name", path.display());
        return Err(Failure::usage(message));
    }
    // A device or a pipe is written into, and stays what it is.
    let exists = fs::metadata(path).is_ok_and(|file| file.is_file());
    if !exists || force {
        return Ok(());
    }
    let refused = || {
        Failure::usage(format!("{} is there already; choose another name, or replace it with --force", path.display()))
    };
    if !stdin().is_terminal() || !stderr().is_terminal() {
        return Err(refused());
    }
    write!(stderr(), "{} is there already; replace it? [y/N] ", path.display())?;
    let mut answer = String::new();
    stdin().read_line(&mut answer)?;
    if answer.trim().eq_ignore_ascii_case("y") { Ok(()) } else { Err(refused()) }
}
