//! A page as PDF, printed by the Chromium of this computer.

use std::{
    io,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

use super::failure::Failure;
use crate::io_reason::IoReason;

/// The names under which it is installed.
const PROGRAMS: [&str; 3] = ["chromium", "chromium-browser", "chrome"];

/// Prints an HTML file to a PDF file.
pub(super) fn print(html: &Path, pdf: &Path) -> Result<(), Failure> {
    let html = std::path::absolute(html)?;
    let pdf_path = std::path::absolute(pdf)?;
    // A profile of its own: one that is in use would hand the page over to the browser on the screen.
    let profile = Profile::new()?;
    for program in PROGRAMS {
        let mut command = Command::new(program);
        command
            .args([
                "--headless",
                "--disable-gpu",
                "--no-first-run",
                "--no-pdf-header-footer",
                "--disable-background-networking",
            ])
            .arg(format!("--user-data-dir={}", profile.0.display()))
            .arg(format!("--print-to-pdf={}", pdf_path.display()))
            .arg(format!("file://{}", html.display()))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        // It refuses to run with its sandbox as root.
        if nix::unistd::geteuid().is_root() {
            command.arg("--no-sandbox");
        }
        match command.status() {
            Ok(status) if status.success() && pdf_path.is_file() => return Ok(()),
            Ok(status) => {
                let message = format!(
                    "{program} could not print {} ({status}); open the page and print it there",
                    html.display()
                );
                return Err(Failure::failed(anyhow::Error::msg(message)));
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => {
                let message = format!("{program} can't be started: {}", IoReason(&error));
                return Err(Failure::failed(anyhow::Error::msg(message)));
            }
        }
    }
    let message =
        format!("no Chromium was found to print a PDF; install it, or open {} and print it there", html.display());
    Err(Failure::failed(anyhow::Error::msg(message)))
}

/// A folder for one run of the browser.
struct Profile(PathBuf);

impl Profile {
    fn new() -> io::Result<Self> {
        let folder = std::env::temp_dir().join(format!("bayline-print-{}", uuid::Uuid::now_v7()));
        std::fs::create_dir(&folder)?;
        Ok(Self(folder))
    }
}

impl Drop for Profile {
    fn drop(&mut self) {
        // What stays behind does no harm.
        drop(std::fs::remove_dir_all(&self.0));
    }
}
