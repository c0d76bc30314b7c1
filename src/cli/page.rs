//! `bayline page`: the links to the live page.

use std::{
    io::{self, IsTerminal, Write, stdout},
    process::ExitCode,
};

use clap::{Args, Subcommand};

use super::{
    CommonArgs,
    answer::AnswerFormatArgs,
    client::ask,
    failure::Failure,
    qr::qr_lines,
    table::{left, right, table},
};
use crate::{
    server::{LinkLine, Request},
    words::EnumWord,
};

/// List, make and revoke links to the live page.
#[derive(Debug, Args)]
pub(super) struct PageArgs {
    #[command(subcommand)]
    act: Option<PageAct>,
    #[command(flatten)]
    format: AnswerFormatArgs,
}

#[derive(Debug, Subcommand)]
enum PageAct {
    /// Make a link and show it as a QR code: good for one browser, or with --onlooker for any number that only look
    Link {
        /// For those who look on, such as a class or a customer: it shows everything and changes nothing
        #[arg(long)]
        onlooker: bool,
        /// Whom it is for
        #[arg(long, value_name = "NAME", default_value = "")]
        name: String,
    },
    /// Make a link invalid; who came by it is cut off
    Revoke {
        /// Its number
        link: u32,
    },
}

impl PageArgs {
    pub(super) fn run(self, common: &CommonArgs) -> Result<ExitCode, Failure> {
        let request = match self.act {
            None => Request::Links {},
            Some(PageAct::Link { onlooker, name }) => Request::Link { name, onlooker },
            Some(PageAct::Revoke { link }) => Request::Revoke { link },
        };
        let answer = ask(common, &request)?;
        self.format.print(&answer, |out, answer| match request {
            Request::Link { .. } => {
                answer.links.iter().try_for_each(|link| print_link(out, link, stdout().is_terminal()))
            }
            Request::Revoke { .. } => {
                answer.links.iter().try_for_each(|link| writeln!(out, "link {} is revoked", link.number))
            }
            _ => write!(out, "{}", links(&answer.links)),
        })
    }
}

/// A link and its QR code.
pub(super) fn print_link(out: &mut dyn Write, link: &LinkLine, colours: bool) -> io::Result<()> {
    let Some(address) = &link.address else { return Ok(()) };
    let who = if link.name.is_empty() { String::new() } else { format!(" ({})", link.name) };
    writeln!(out, "link {}{who}, to {}: {address}", link.number, link.permission.word())?;
    match qr_lines(address, colours) {
        Some(lines) => write!(out, "{lines}"),
        None => Ok(()),
    }
}

fn links(links: &[LinkLine]) -> String {
    let rows = links.iter().map(|link| {
        let state = match (link.open, link.used) {
            (false, _) => "in use",
            (true, 0) => "not used yet",
            (true, _) => "in use, good for more",
        };
        [
            link.number.to_string(),
            link.name.clone(),
            link.permission.word().to_owned(),
            state.to_owned(),
            link.used.to_string(),
        ]
    });
    table([right("link"), left("for"), left("allows"), left("state"), right("redeemed")], rows).to_string()
}
