//! Which program has a device open, as far as this user may see.

use std::{fs, path::Path};

/// The name and number of a process that has a device open, other than this one; none where there is none or it is another user's.
pub(super) fn holder(device: &Path) -> Option<String> {
    let device = fs::canonicalize(device).ok()?;
    let own = std::process::id().to_string();
    let processes = fs::read_dir("/proc").ok()?.flatten();
    processes.filter_map(|process| process.file_name().into_string().ok()).find_map(|number| {
        if number == own || !number.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        let mut open = fs::read_dir(format!("/proc/{number}/fd")).ok()?.flatten();
        open.any(|file| fs::read_link(file.path()).is_ok_and(|path| path == device)).then_some(())?;
        let name = fs::read_to_string(format!("/proc/{number}/comm")).unwrap_or_default();
        Some(format!("{} (process {number})", name.trim()))
    })
}
