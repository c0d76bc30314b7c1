//! What a bench and a visit are put together from without writing files: ports and what fits them, the form of the bench,
//! the procedures that are found.
//!
//! Reading order: `config_folder` (the only place where a name becomes a file), `port_search`, `bench_form`, `procedures`.

mod bench_form;
mod config_folder;
mod port_search;
mod procedures;

use std::sync::{Arc, Mutex, PoisonError};

use tokio_util::sync::CancellationToken;

pub(crate) use self::{
    bench_form::BenchForm,
    config_folder::{ConfigFolder, FileName, FilesOf},
    port_search::{PortCandidate, ProtocolSearch, SearchError, why_no_protocol},
    procedures::{MakersFigure, ProcedureLine, ProcedureSource, figures, procedure_list, put_figures},
};
use crate::{
    channel::Bench,
    port::{Address, Roots, plugged_in},
    protocol::{Library, Protocol},
};

/// What the page needs for setting up; it stays when the daemon changes its bench.
#[derive(Debug)]
pub(crate) struct Setup {
    /// Where own benches and procedures are kept.
    pub files: ConfigFolder,
    /// The protocols.
    pub library: Library,
    /// Ports that are offered beside those that are plugged in.
    pub offered: Vec<Address>,
    /// One search at a time: a port has one reader.
    pub searching: Mutex<()>,
    chosen: Mutex<ChosenBench>,
}

#[derive(Debug, Default)]
struct ChosenBench {
    bench: Option<Bench>,
    /// Ends the run of the daemon whose bench is replaced.
    restart: CancellationToken,
}

impl Setup {
    /// Nothing is chosen yet.
    pub(crate) fn new(files: ConfigFolder, library: Library, offered: Vec<Address>) -> Self {
        Self { files, library, offered, searching: Mutex::default(), chosen: Mutex::default() }
    }

    /// The daemon is to go on with this bench: its open session ends.
    pub(crate) fn choose(&self, bench: Bench) {
        let mut chosen = self.chosen.lock().unwrap_or_else(PoisonError::into_inner);
        chosen.bench = Some(bench);
        chosen.restart.cancel();
    }

    /// The bench that was chosen since the last call.
    pub(crate) fn take_chosen(&self) -> Option<Bench> {
        self.chosen.lock().unwrap_or_else(PoisonError::into_inner).bench.take()
    }

    /// `restart` is cancelled when another bench is chosen.
    pub(crate) fn restart_by(&self, restart: CancellationToken) {
        self.chosen.lock().unwrap_or_else(PoisonError::into_inner).restart = restart;
    }

    /// What can be listened to: what is plugged in, in words, and what was offered.
    pub(crate) fn ports(&self) -> Vec<(Address, String)> {
        let plugged = plugged_in(&Roots::default()).into_iter().map(|device| {
            let usb = device.usb.as_ref();
            let words = usb.map_or(String::new(), |usb| {
                let parts = [&usb.maker, &usb.name, &usb.serial].into_iter().flatten().cloned();
                parts.collect::<Vec<_>>().join(" ")
            });
            (device.address(), words)
        });
        plugged.chain(self.offered.iter().map(|address| (address.clone(), String::new()))).collect()
    }

    /// All protocols that can be read.
    pub(crate) fn protocols(&self) -> Vec<Arc<Protocol>> {
        let (listed, broken) = self.library.all();
        for error in broken {
            tracing::warn!("{error}");
        }
        listed.iter().filter_map(|listed| self.library.find(&listed.name).ok()).collect()
    }
}
