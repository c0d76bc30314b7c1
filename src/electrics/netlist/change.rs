//! A solved circuit in which few resistors are changed or added: exact, and without solving it anew.
//!
//! A resistor with more ohms is the old one and a source in series that takes as many volts as its current loses in them
//! (substitution theorem, any circuit textbook). What each reading gains by such a source is known from its adjoint network, so
//! that one change costs a division, and two a pair of linear equations.

use super::{CircuitReading, ReadingGains, Resistor, SolvedNetlist, difference};

/// What becomes of a resistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct NetlistChange {
    /// Which one is changed; none where one is added.
    pub(crate) number: Option<usize>,
    /// What it is then; between the same nodes.
    pub(crate) resistor: Resistor,
    /// By each of up to two figures: the ohms and the volts that it gains.
    pub(crate) slopes: [(f64, f64); FIGURES],
}

/// A change has slopes by at most so many figures.
const FIGURES: usize = 2;
/// So many changes at once are worked out; more are to be solved anew.
pub(crate) const MOST_CHANGES: usize = 2;

/// What each change does: the volts of the source in series of one that is changed, the amps in one that is added.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ChangedNetlist {
    count: usize,
    strengths: [Strength; MOST_CHANGES],
}

impl ChangedNetlist {
    /// Nothing is changed.
    pub(crate) const NONE: Self = Self { count: 0, strengths: [[0.0; 2 + FIGURES]; MOST_CHANGES] };
}

/// Volts or amps, what they gain by each figure, and by a volt of the circuit's source.
type Strength = [f64; 2 + FIGURES];

/// A reading in a changed circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ChangedReading {
    /// V or A.
    pub(crate) value: f64,
    pub(crate) by_figures: [f64; FIGURES],
    /// What it gains by a volt that the source in `source` takes.
    pub(crate) by_source_volts: f64,
}

impl NetlistChange {
    /// One that is no change yet.
    pub(crate) const NONE: Self = Self {
        number: None,
        resistor: Resistor { from: None, to: None, ohms: 1.0, volts: 0.0 },
        slopes: [(0.0, 0.0); FIGURES],
    };

    /// What drives the change: the amps in what is changed, the volts across what is added.
    pub(crate) fn driven_by(&self) -> CircuitReading {
        self.number.map_or(CircuitReading::Volts(self.resistor.from, self.resistor.to), CircuitReading::Amps)
    }
}

impl SolvedNetlist {
    /// What a reading gains by the strength of a change.
    fn by_strength(&self, gains: &ReadingGains, change: &NetlistChange) -> f64 {
        match change.number {
            Some(number) => self.gain(gains, number).by_volts,
            None => -difference(&gains.adjoint, change.resistor.from, change.resistor.to),
        }
    }

    /// Works out changes, at most [`MOST_CHANGES`], from the gains of what drives each. `source` is the resistor with the source
    /// by whose volts slopes are wanted.
    pub(crate) fn changed(
        &self,
        changes: &[NetlistChange],
        drives: [&ReadingGains; MOST_CHANGES],
        source: usize,
    ) -> ChangedNetlist {
        let count = changes.len().min(MOST_CHANGES);
        // By change: Σ matrix · strength = right, from "volts = ohms · amps" of what is added, and from the volts that the further ohms
        // take of what is changed.
        let mut matrix = [[0.0, 0.0], [0.0, 1.0]];
        let mut right = [[0.0; 2 + FIGURES]; MOST_CHANGES];
        let mut by_strengths = [[0.0; MOST_CHANGES]; MOST_CHANGES];
        let more_ohms = |change: &NetlistChange| {
            let before = change.number.map_or(0.0, |number| self.netlist.resistors[number].ohms);
            change.resistor.ohms - before
        };
        for (at, change) in changes.iter().enumerate().take(count) {
            let by_strengths = &mut by_strengths[at];
            for (by, other) in by_strengths.iter_mut().zip(changes) {
                *by = self.by_strength(drives[at], other);
            }
            let drive = self.reading(change.driven_by());
            let by_source = self.gain(drives[at], source).by_volts;
            let ohms = more_ohms(change);
            match change.number {
                Some(number) => {
                    let volts = change.resistor.volts - self.netlist.resistors[number].volts;
                    (right[at][0], right[at][1 + FIGURES]) = (volts + ohms * drive, ohms * by_source);
                    let row = matrix[at].iter_mut().zip(by_strengths.iter()).enumerate().take(count);
                    row.for_each(|(other, (cell, by))| *cell = f64::from(u8::from(at == other)) - ohms * by);
                }
                None => {
                    (right[at][0], right[at][1 + FIGURES]) = (drive - change.resistor.volts, by_source);
                    let row = matrix[at].iter_mut().zip(by_strengths.iter()).enumerate().take(count);
                    row.for_each(|(other, (cell, by))| *cell = if at == other { ohms } else { 0.0 } - by);
                }
            }
        }
        let mut strengths = [[0.0; 2 + FIGURES]; MOST_CHANGES];
        let found = solve(matrix, [right[0][0], right[1][0]], count);
        (strengths[0][0], strengths[1][0]) = (found[0], found[1]);
        for (at, change) in changes.iter().enumerate().take(count) {
            let moved: f64 = by_strengths[at].iter().zip(&found).map(|(by, strength)| by * strength).sum();
            let amps = self.reading(change.driven_by()) + moved;
            for (figure, (by_ohms, by_volts)) in change.slopes.iter().enumerate() {
                right[at][1 + figure] = match change.number {
                    Some(_) => by_volts + by_ohms * amps,
                    None => -by_volts - by_ohms * found[at],
                };
            }
        }
        for which in 1..2 + FIGURES {
            let found = solve(matrix, [right[0][which], right[1][which]], count);
            (strengths[0][which], strengths[1][which]) = (found[0], found[1]);
        }
        ChangedNetlist { count, strengths }
    }

    /// What a reading shows, from its gains before the changes.
    pub(crate) fn reading_changed(
        &self,
        gains: &ReadingGains,
        changes: &[NetlistChange],
        changed: &ChangedNetlist,
        source: usize,
    ) -> ChangedReading {
        let mut sums: Strength = [0.0; 2 + FIGURES];
        (sums[0], sums[1 + FIGURES]) = (self.reading(gains.reading), self.gain(gains, source).by_volts);
        for (change, strength) in changes.iter().zip(&changed.strengths[..changed.count]) {
            let by = self.by_strength(gains, change);
            sums.iter_mut().zip(strength).for_each(|(sum, strength)| *sum += by * strength);
        }
        ChangedReading { value: sums[0], by_figures: [sums[1], sums[2]], by_source_volts: sums[1 + FIGURES] }
    }
}

/// One or two linear equations by Cramer's rule.
fn solve(matrix: [[f64; 2]; 2], right: [f64; 2], count: usize) -> [f64; 2] {
    let [[a, b], [c, d]] = matrix;
    if count < 2 {
        return [right[0] / a, 0.0];
    }
    let determinant = a * d - b * c;
    [(right[0] * d - b * right[1]) / determinant, (a * right[1] - c * right[0]) / determinant]
}

#[cfg(test)]
mod tests {
    use super::{super::Netlist, *};

    /// Battery, wire, coil, ground wire; beside the coil a second one. With the ohms of wire and coil, and what leaks from the wire's end.
    fn circuit(wire: f64, coil: f64, volts: f64, leak: Option<f64>) -> Netlist {
        let mut netlist = Netlist::default();
        let (feed, middle, stud) = (netlist.node(), netlist.node(), netlist.node());
        let mut add = |from, to, ohms, volts| netlist.add(Resistor { from, to, ohms, volts });
        add(None, Some(feed), 0.02, -12.6);
        add(Some(feed), Some(middle), wire, volts);
        add(Some(middle), Some(stud), coil, 0.0);
        add(Some(feed), Some(stud), 8.0, 0.3);
        add(Some(stud), None, 0.004, 0.0);
        if let Some(ohms) = leak {
            add(Some(middle), None, ohms, 0.0);
        }
        netlist
    }

    #[test]
    fn a_changed_circuit_reads_as_one_solved_anew() {
        let base = circuit(0.1, 7.5, 0.2, None).solve();
        let change = |number, from, to, ohms, volts| NetlistChange {
            number,
            resistor: Resistor { from, to, ohms, volts },
            slopes: [(1.0, 0.0), (0.0, 1.0)],
        };
        let wire = |ohms, volts| change(Some(1), Some(0), Some(1), ohms, volts);
        let coil = |ohms| change(Some(2), Some(1), Some(2), ohms, 0.0);
        let leak = |ohms| change(None, Some(1), None, ohms, 0.0);
        let cases = [
            (vec![wire(0.9, 0.2)], circuit(0.9, 7.5, 0.2, None)),
            (vec![wire(1e8, 0.2)], circuit(1e8, 7.5, 0.2, None)),
            (vec![wire(0.1, 3.0)], circuit(0.1, 7.5, 3.0, None)),
            (vec![coil(2.0)], circuit(0.1, 2.0, 0.2, None)),
            (vec![leak(0.5)], circuit(0.1, 7.5, 0.2, Some(0.5))),
            (vec![wire(1e4, -6e4), leak(0.3)], circuit(1e4, 7.5, -6e4, Some(0.3))),
            (vec![wire(0.7, 0.4), coil(3.0)], circuit(0.7, 3.0, 0.4, None)),
        ];
        for (changes, anew) in cases {
            let gains: Vec<ReadingGains> = changes.iter().map(|change| base.gains(change.driven_by())).collect();
            let changed = base.changed(&changes, [&gains[0], gains.last().unwrap()], 0);
            let anew = anew.solve();
            for reading in [
                CircuitReading::Volts(Some(0), None),
                CircuitReading::Volts(Some(1), Some(2)),
                CircuitReading::Volts(Some(2), None),
                CircuitReading::Amps(1),
                CircuitReading::Amps(2),
            ] {
                let found = base.reading_changed(&base.gains(reading), &changes, &changed, 0);
                let wanted = anew.reading(reading);
                let is_near = |found: f64, wanted: f64| (found - wanted).abs() < 1e-7 * (1.0 + wanted.abs());
                assert!(is_near(found.value, wanted), "{changes:?} {reading:?}: {} {wanted}", found.value);
                let gains = anew.gains(reading);
                let of = |number| anew.gain(&gains, number);
                assert!(is_near(found.by_source_volts, of(0).by_volts), "{changes:?} {reading:?}");
                // What is added stands last.
                let (mut by_ohms, mut by_volts) = (0.0, 0.0);
                for change in &changes {
                    let gain = of(change.number.unwrap_or(5));
                    by_ohms += gain.by_ohms;
                    by_volts += gain.by_volts;
                }
                assert!(is_near(found.by_figures[0], by_ohms), "{changes:?} {reading:?}");
                assert!(is_near(found.by_figures[1], by_volts), "{changes:?} {reading:?}");
            }
        }
    }
}
