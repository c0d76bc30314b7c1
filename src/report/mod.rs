//! A session as one printable page of HTML that needs no other file: what the customer gets, and what the shop keeps.
//!
//! Reads the store and writes to whatever it is given; knows no terminal. Reading order: `sheet` (what stands on the page,
//! with its template `sheet.html`), `result` (the one sentence), `rows` (the steps), `values` (those without a procedure), `zeros` (of clamps), `number_line`, `plot` and `drive` (drawings, with
//! the numbers of `axis`), `around` (each time out of limit), `fingerprint` (by which a copy is proved), `comparison` (two sessions, before and after).

mod around;
mod axis;
mod comparison;
mod drive;
mod fingerprint;
mod number_line;
mod plot;
mod result;
mod rows;
mod sheet;
mod values;
mod watched;
mod zeros;

use crate::sanitize::sanitized;
pub(crate) use comparison::write_comparison;
pub(crate) use fingerprint::record_sha256;
pub(crate) use sheet::{SheetLength, SheetOptions, write_sheet};

/// Why a sheet could not be made.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ReportError {
    /// The database could not be read, or the file could not be written.
    #[error(transparent)]
    Export(#[from] crate::export::ExportError),
    /// The page could not be composed.
    #[error("the sheet can't be composed: {0}; please report this defect")]
    Template(#[from] askama::Error),
    /// A plot could not be drawn.
    #[error("the plot of step \"{step}\" can't be drawn: {why}; please report this defect")]
    Plot {
        /// The step.
        step: String,
        /// The message of the plotting library.
        why: String,
    },
}

/// Texts from outside steer no reader of a page either; its own line feeds stay.
fn sanitized_page(html: &str) -> String {
    html.split('\n').map(sanitized).collect::<Vec<_>>().join("\n")
}

impl From<crate::store::StoreError> for ReportError {
    fn from(error: crate::store::StoreError) -> Self {
        Self::Export(error.into())
    }
}
