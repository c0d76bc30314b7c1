//! What the circuits show, by ngspice: live, or as it was recorded.

use std::{collections::BTreeMap, fs, path::Path, process::Command};

/// True values by seed, as ngspice gave them, with the hash of the netlist that they belong to.
pub(crate) type Recorded = BTreeMap<u64, (u64, Vec<f64>)>;

/// Names of nodes and parts and what to print, of many steps.
pub(crate) struct Deck {
    pub parts: String,
    pub readings: Vec<String>,
}

impl Deck {
    /// FNV-1a, from memory: a netlist that changed needs new records.
    pub(crate) fn hash(&self) -> u64 {
        let bytes = self.parts.bytes().chain(self.readings.iter().flat_map(|text| text.bytes()));
        bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
    }
}

/// Whether ngspice is there.
pub(crate) fn is_there() -> bool {
    Command::new("ngspice").arg("--version").output().is_ok_and(|output| output.status.success())
}

/// Seconds, more than any visit needs: where ngspice finds no solution, it may search for hours.
const LONGEST: &str = "60";

/// The readings of a visit, by ngspice with tight tolerances, 12 digits; none where it finds no solution. A visit has a run of its
/// own: the circuits of several together have more junctions than its solver can start from nothing.
pub(crate) fn solve(deck: &Deck, folder: &Path, name: &str) -> Option<Vec<f64>> {
    let mut text = String::from("truth\n.model junction D(is=1e-12 n=1.05)\n");
    text.push_str(&deck.parts);
    text.push_str(".options gmin=1e-12 reltol=1e-9 abstol=1e-13 vntol=1e-10 itl1=2000\n.control\nset numdgt=12\nop\n");
    for (at, reading) in deck.readings.iter().enumerate() {
        text.push_str(&format!("let r{at} = {reading}\nprint r{at}\n"));
    }
    text.push_str("quit\n.endc\n.end\n");
    let file = folder.join(format!("{name}.cir"));
    fs::write(&file, text).unwrap();
    let output = Command::new("timeout").args([LONGEST, "ngspice", "-b"]).arg(&file).output().unwrap();
    let shown = String::from_utf8_lossy(&output.stdout);
    let values: BTreeMap<usize, f64> = shown
        .lines()
        .filter_map(|line| {
            let (name, value) = line.split_once('=')?;
            Some((name.trim().strip_prefix('r')?.parse().ok()?, value.trim().parse().ok()?))
        })
        .collect();
    (values.len() == deck.readings.len()).then(|| values.into_values().collect())
}

/// Reads records: a line a visit, seed, hash, values.
pub(crate) fn read(text: &str) -> Recorded {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| {
            let mut words = line.split(' ');
            let seed = words.next().unwrap().parse().unwrap();
            let hash = u64::from_str_radix(words.next().unwrap(), 16).unwrap();
            (seed, (hash, words.map(|word| word.parse().unwrap()).collect()))
        })
        .collect()
}

/// Writes a record.
pub(crate) fn line(seed: u64, deck: &Deck, values: &[f64]) -> String {
    let values: Vec<String> = values.iter().map(|value| format!("{value:.11e}")).collect();
    format!("{seed} {:016x} {}\n", deck.hash(), values.join(" "))
}
