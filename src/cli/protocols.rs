//! `bayline protocols`: lists the protocols, checks their examples, drafts new ones.

use std::{
    fs::File,
    io::{BufReader, Write, stdout},
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
};

use clap::{Args, Subcommand};
use serde_json::json;

use super::{
    CommonArgs,
    failure::{Failure, print_error},
    table::{left, table},
};
use crate::{
    port::{CaptureReader, Recorded},
    protocol::{Library, Protocol, Traffic, check, draft},
};

/// List the protocols, or check their examples.
#[derive(Debug, Args)]
pub(super) struct ProtocolsArgs {
    #[command(subcommand)]
    command: Option<ProtocolsCommand>,
    /// Print the list as JSON, one object a line
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum ProtocolsCommand {
    /// Check the examples of protocol files, or of all protocols
    Check {
        /// The protocol files; without any, all protocols
        file: Vec<PathBuf>,
    },
    /// Draft examples from a recording made by `capture`: the first frame of each kind, to be compared with the display
    Examples {
        /// The recording
        capture: PathBuf,
        /// The protocol's name, or its file
        #[arg(long, value_name = "PROTOCOL")]
        protocol: String,
    },
}

impl ProtocolsArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        match self.command {
            None => list(common, self.json),
            Some(ProtocolsCommand::Check { file: files }) if !files.is_empty() => {
                check_examples(files.iter().map(|path| Library::read(path)).collect::<Result<Vec<_>, _>>()?)
            }
            Some(ProtocolsCommand::Examples { capture, protocol }) => examples(common, &capture, &protocol),
            Some(ProtocolsCommand::Check { .. }) => {
                let library = common.library();
                let (listed, broken) = library.all();
                if let Some(error) = broken.into_iter().next() {
                    return Err(error.into());
                }
                let protocols: Result<Vec<_>, _> = listed.iter().map(|listed| library.find(&listed.name)).collect();
                check_examples(protocols?)
            }
        }
    }
}

fn examples(common: &CommonArgs, capture: &Path, name: &str) -> Result<ExitCode, Failure> {
    let protocol = match name.ends_with(".toml") {
        true => Library::read(Path::new(name))?,
        false => common.library().find(name)?,
    };
    if protocol.traffic() == Traffic::Polled {
        let sentence = format!(
            "{name} asks its meter, and a recording does not show which answer belongs to which question; write a dialogue by hand"
        );
        return Err(Failure::usage(sentence));
    }
    let unreadable =
        |error: String| Failure::usage(format!("the recording {} can't be read: {error}", capture.display()));
    let file = File::open(capture).map_err(|error| unreadable(error.to_string()))?;
    let mut bytes = Vec::new();
    for entry in CaptureReader::new(BufReader::new(file)).map_err(|error| unreadable(error.to_string()))? {
        if let Recorded::Bytes(chunk) = entry.map_err(|error| unreadable(error.to_string()))?.what {
            bytes.extend_from_slice(&chunk);
        }
    }
    let mut out = stdout().lock();
    let drafts = draft(&protocol, &bytes);
    for draft in &drafts {
        writeln!(out, "{}", draft.to_toml(&protocol))?;
    }
    match drafts.is_empty() {
        true => Err(Failure::failed(anyhow::anyhow!("{} holds no frame of {name}", capture.display()))),
        false => Ok(ExitCode::SUCCESS),
    }
}

fn check_examples(protocols: Vec<Arc<Protocol>>) -> Result<ExitCode, Failure> {
    let mut out = stdout().lock();
    let mut failures = 0;
    for protocol in protocols {
        let failed = check(&protocol);
        if failed.is_empty() {
            writeln!(out, "{}: all {} examples pass", protocol.name, protocol.examples().len())?;
        }
        for failure in &failed {
            writeln!(out, "{failure}")?;
        }
        failures += failed.len();
    }
    match failures {
        0 => Ok(ExitCode::SUCCESS),
        1 => Err(Failure::usage("one example fails")),
        many => Err(Failure::usage(format!("{many} examples fail"))),
    }
}

fn list(common: &CommonArgs, as_json: bool) -> Result<ExitCode, Failure> {
    let (listed, broken) = common.library().all();
    let mut out = stdout().lock();
    let place = |file: &Option<PathBuf>| file.as_ref().map_or("built in".to_owned(), |path| path.display().to_string());
    if as_json {
        for protocol in &listed {
            let line = json!({
                "name": protocol.name, "about": protocol.about, "source": protocol.source, "file": place(&protocol.file),
            });
            writeln!(out, "{line}")?;
        }
    } else {
        let rows = listed.iter().map(|listed| [listed.name.clone(), listed.about.clone(), place(&listed.file)]);
        write!(out, "{}", table([left("protocol"), left("what it reads"), left("from")], rows))?;
    }
    for error in broken {
        print_error(error);
    }
    Ok(ExitCode::SUCCESS)
}
