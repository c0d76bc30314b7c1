//! `bayline correct`: corrects what was told of the visit of the open session.

use std::process::ExitCode;

use clap::Args;

use super::{CommonArgs, answer::AnswerFormatArgs, client::ask, failure::Failure};
use crate::{server::Request, session::VisitCorrection};

/// Correct machine, job and the like of the open session.
#[derive(Debug, Args)]
pub(super) struct CorrectArgs {
    /// The machine, in your own words
    #[arg(long, value_name = "TEXT")]
    machine: Option<String>,
    /// The job's number or name
    #[arg(long, value_name = "TEXT")]
    job: Option<String>,
    /// The vehicle identification number, or a machine's serial number
    #[arg(long, value_name = "NUMBER")]
    vin: Option<String>,
    /// The odometer or hour meter as it reads, such as "4211 h"
    #[arg(long, value_name = "READING")]
    counter: Option<String>,
    /// What the customer complains of
    #[arg(long, value_name = "TEXT")]
    complaint: Option<String>,
    /// Who corrects it
    #[arg(long, value_name = "NAME", env = "USER", default_value = "", hide_env_values = true)]
    by: String,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

impl CorrectArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let Self { machine, job, vin, counter, complaint, by, format } = self;
        let vin = vin.map(|vin| vin.trim().to_uppercase());
        let told = VisitCorrection { by, machine, job, vin, counter, complaint };
        let answer = ask(common, &Request::Correct(Box::new(told)))?;
        format.print(&answer, |out, answer| {
            answer.corrections.iter().try_for_each(|correction| writeln!(out, "corrected: {correction}"))
        })
    }
}
