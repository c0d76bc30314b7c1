//! `bayline photo`: keeps a photo.

use std::{fs, path::PathBuf, process::ExitCode};

use clap::Args;

use super::{CommonArgs, answer::AnswerFormatArgs, client::ask, failure::Failure};
use crate::{
    io_reason::IoReason,
    photo::{LARGEST_PHOTO, PhotoError, PhotoFolder, PhotoKept, redrawn},
    server::Request,
};

/// Keep a photo: JPEG, PNG or WebP.
///
/// It is made smaller, and nothing but its pixels is kept: no place, no date, no name. `bayline show` lists it, and the sheet shows it.
#[derive(Debug, Args)]
pub(super) struct PhotoArgs {
    /// The file of the photo
    file: PathBuf,
    /// What it shows
    #[arg(default_value = "")]
    text: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl PhotoArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let failed = |why: String| Failure::usage(format!("{}: {why}", self.file.display()));
        let size = fs::metadata(&self.file).map_err(|error| failed(IoReason(&error).to_string()))?.len();
        if size > LARGEST_PHOTO as u64 {
            return Err(failed(PhotoError::TooLarge.to_string()));
        }
        let bytes = fs::read(&self.file).map_err(|error| failed(IoReason(&error).to_string()))?;
        let prepared = redrawn(&bytes, &self.text).map_err(|error| failed(error.to_string()))?;
        let folder = common.folder()?;
        // Nothing is left behind where no daemon runs.
        drop(ask(common, &Request::Status {})?);
        let photos = PhotoFolder::of(folder.path());
        let kept = photos
            .save(&prepared)
            .map_err(|error| Failure::failed(anyhow::anyhow!("the photo can't be kept: {}", IoReason(&error))))?;
        let answer = ask(common, &Request::Photo(Box::new(prepared.photo.clone())));
        if answer.is_err() && kept == PhotoKept::New {
            photos.forget(&prepared.photo.hash);
        }
        let photo = prepared.photo;
        let size = photo.bytes.div_ceil(1024);
        self.format.print(&answer?, |out, _| {
            writeln!(out, "photo kept, {} × {} pixels, {size} KiB", photo.width, photo.height)
        })
    }
}
