//! `bayline openapi`: what the live page's server can be asked for, for those who write a program that asks it.

use std::{
    io::{Write, stdout},
    process::ExitCode,
};

use clap::Args;

use super::failure::Failure;
use crate::server::document;

/// Print what the live page's server can be asked for, by OpenAPI.
#[derive(Debug, Args)]
pub(super) struct OpenapiArgs {}

impl OpenapiArgs {
    pub(super) fn run(self) -> Result<ExitCode, Failure> {
        let Self {} = self;
        let text = serde_json::to_string_pretty(&document()).map_err(std::io::Error::from)?;
        writeln!(stdout(), "{text}")?;
        Ok(ExitCode::SUCCESS)
    }
}
