//! A direct-current circuit of resistors and voltage sources, solved by the nodal method of any circuit textbook.
//!
//! The matrix is symmetric and positive definite, and a row is kept from its first element on (skyline storage: Jennings 1966,
//! from memory). Where a branch's own nodes come before those that branches share, the branches are so eliminated one by
//! one, and the work grows with their number alone. A general matrix library would not use that, hence own code.
//!
//! What any reading gains by any ohm or volt follows from one more solution for that reading (the adjoint network: Director and
//! Rohrer 1969, from memory).

mod change;

pub(crate) use change::{ChangedNetlist, MOST_CHANGES, NetlistChange};

/// A resistor with a voltage source in series; the current flows from `from` to `to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Resistor {
    /// Node; none for the reference.
    pub(crate) from: Option<usize>,
    /// Node; none for the reference.
    pub(crate) to: Option<usize>,
    /// Ω, more than zero.
    pub(crate) ohms: f64,
    /// Volts that the source takes from what drives the current, V.
    pub(crate) volts: f64,
}

impl Resistor {
    /// Its current, A.
    fn amps(&self, volts: &[f64]) -> f64 {
        (difference(volts, self.from, self.to) - self.volts) / self.ohms
    }
}

/// A circuit. Nodes are numbered from 0.
#[derive(Debug, Clone, Default)]
pub(crate) struct Netlist {
    nodes: usize,
    resistors: Vec<Resistor>,
}

/// From every node to the reference, S: a voltmeter's 10 Mohm. So no node is without a path.
const LEAK_SIEMENS: f64 = 1e-7;

impl Netlist {
    /// Without any node yet, with room for so many resistors.
    pub(crate) fn with_room(resistors: usize) -> Self {
        Self { nodes: 0, resistors: Vec::with_capacity(resistors) }
    }

    /// A node more; its number.
    pub(crate) fn node(&mut self) -> usize {
        self.nodes += 1;
        self.nodes - 1
    }

    /// A resistor more; its number.
    pub(crate) fn add(&mut self, resistor: Resistor) -> usize {
        self.resistors.push(resistor);
        self.resistors.len() - 1
    }

    /// All resistors, by their numbers.
    pub(crate) fn resistors(&self) -> &[Resistor] {
        &self.resistors
    }

    /// The volts of all nodes.
    pub(crate) fn solve(self) -> SolvedNetlist {
        let mut first: Vec<usize> = (0..self.nodes).collect();
        for resistor in &self.resistors {
            if let (Some(from), Some(to)) = (resistor.from, resistor.to) {
                let (low, high) = (from.min(to), from.max(to));
                first[high] = first[high].min(low);
            }
        }
        let mut matrix = Skyline::new(first);
        let mut right = vec![0.0; self.nodes];
        for node in 0..self.nodes {
            matrix.add(node, node, LEAK_SIEMENS);
        }
        for resistor in &self.resistors {
            let siemens = 1.0 / resistor.ohms;
            for (node, sign) in [(resistor.from, 1.0), (resistor.to, -1.0)] {
                if let Some(node) = node {
                    matrix.add(node, node, siemens);
                    right[node] += sign * siemens * resistor.volts;
                }
            }
            if let (Some(from), Some(to)) = (resistor.from, resistor.to) {
                matrix.add(from.max(to), from.min(to), -siemens);
            }
        }
        matrix.factor();
        let volts = matrix.solve(right);
        SolvedNetlist { netlist: self, matrix, volts }
    }
}

/// What is measured in a circuit: volts between two nodes, or the amps in a resistor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CircuitReading {
    /// From the first node to the second; none is the reference.
    Volts(Option<usize>, Option<usize>),
    /// In the resistor of this number.
    Amps(usize),
}

/// A circuit with the volts of its nodes.
#[derive(Debug)]
pub(crate) struct SolvedNetlist {
    netlist: Netlist,
    matrix: Skyline,
    volts: Vec<f64>,
}

/// How much a reading gains by each ohm and each volt of a resistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Gain {
    /// Per Ω.
    pub(crate) by_ohms: f64,
    /// Per V of its source.
    pub(crate) by_volts: f64,
}

impl SolvedNetlist {
    /// V or A.
    pub(crate) fn reading(&self, reading: CircuitReading) -> f64 {
        match reading {
            CircuitReading::Volts(from, to) => difference(&self.volts, from, to),
            CircuitReading::Amps(number) => self.netlist.resistors[number].amps(&self.volts),
        }
    }

    /// What a reading gains by the resistors: the volts of its adjoint network.
    pub(crate) fn gains(&self, reading: CircuitReading) -> ReadingGains {
        let mut right = vec![0.0; self.netlist.nodes];
        let (from, to, weight) = match reading {
            CircuitReading::Volts(from, to) => (from, to, 1.0),
            CircuitReading::Amps(number) => {
                let resistor = &self.netlist.resistors[number];
                (resistor.from, resistor.to, 1.0 / resistor.ohms)
            }
        };
        for (node, sign) in [(from, weight), (to, -weight)] {
            if let Some(node) = node {
                right[node] += sign;
            }
        }
        ReadingGains { reading, adjoint: self.matrix.solve(right) }
    }

    /// What a reading gains by a resistor and its source.
    pub(crate) fn gain(&self, gains: &ReadingGains, number: usize) -> Gain {
        let resistor = &self.netlist.resistors[number];
        let mut across = difference(&gains.adjoint, resistor.from, resistor.to);
        if gains.reading == CircuitReading::Amps(number) {
            across -= 1.0;
        }
        let by_volts = across / resistor.ohms;
        Gain { by_ohms: by_volts * resistor.amps(&self.volts), by_volts }
    }

    /// All resistors, by their numbers.
    pub(crate) fn resistors(&self) -> &[Resistor] {
        &self.netlist.resistors
    }
}

/// What one reading gains.
#[derive(Debug)]
pub(crate) struct ReadingGains {
    reading: CircuitReading,
    /// Volts of the adjoint network.
    adjoint: Vec<f64>,
}

fn difference(volts: &[f64], from: Option<usize>, to: Option<usize>) -> f64 {
    let of = |node: Option<usize>| node.map_or(0.0, |node| volts[node]);
    of(from) - of(to)
}

/// The lower half of a symmetric matrix, each row from its first element on; once factored, L and D of L D Lᵀ.
#[derive(Debug)]
struct Skyline {
    /// By row, its first column.
    first: Vec<usize>,
    /// By row, the place of its column 0 among the elements if it had one.
    base: Vec<isize>,
    elements: Vec<f64>,
}

impl Skyline {
    fn new(first: Vec<usize>) -> Self {
        let mut length = 0_isize;
        let mut base = Vec::with_capacity(first.len());
        for (row, column) in first.iter().enumerate() {
            base.push(length - *column as isize);
            length += (row - column + 1) as isize;
        }
        Self { first, base, elements: vec![0.0; length as usize] }
    }

    fn place(&self, row: usize, column: usize) -> usize {
        (self.base[row] + column as isize) as usize
    }

    fn add(&mut self, row: usize, column: usize, value: f64) {
        let place = self.place(row, column);
        self.elements[place] += value;
    }

    /// The elements of a row, the last of which stands on the diagonal.
    fn row(&self, row: usize) -> &[f64] {
        &self.elements[self.place(row, self.first[row])..=self.place(row, row)]
    }

    fn factor(&mut self) {
        for row in 0..self.first.len() {
            let first = self.first[row];
            let begin = self.place(row, first);
            let (above, of_row) = self.elements.split_at_mut(begin);
            let of_row = &mut of_row[..=row - first];
            let start = |row: usize, column: usize| (self.base[row] + column as isize) as usize;
            for column in first..row {
                let from = first.max(self.first[column]);
                let (done, rest) = of_row.split_at_mut(column - first);
                let known = done[from - first..].iter().zip(&above[start(column, from)..]);
                rest[0] -= known.map(|(one, other)| one * other).sum::<f64>();
            }
            // So far the row is L D; the division gives L, and the diagonal D.
            let mut diagonal = of_row[row - first];
            for column in first..row {
                let product = of_row[column - first];
                of_row[column - first] = product / above[start(column, column)];
                diagonal -= product * of_row[column - first];
            }
            of_row[row - first] = diagonal.max(f64::MIN_POSITIVE);
        }
    }

    fn solve(&self, mut x: Vec<f64>) -> Vec<f64> {
        for row in 0..x.len() {
            let known = self.row(row).iter().zip(&x[self.first[row]..row]);
            x[row] -= known.map(|(element, known)| element * known).sum::<f64>();
        }
        for (row, value) in x.iter_mut().enumerate() {
            *value /= self.elements[self.place(row, row)];
        }
        for row in (0..x.len()).rev() {
            let value = x[row];
            let known = x[self.first[row]..row].iter_mut().zip(self.row(row));
            known.for_each(|(known, element)| *known -= element * value);
        }
        x
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A battery of 12 V and 1 ohm, 2 ohm to a node, and from it 3 and 6 ohm in parallel to the reference: 5 ohm in all, by hand 2.4 A
    /// and 4.8 V at the node, 1.6 A in the 3 ohm.
    fn example(ohms: f64, volts: f64) -> Netlist {
        let mut netlist = Netlist::default();
        let (post, middle) = (netlist.node(), netlist.node());
        netlist.add(Resistor { from: None, to: Some(post), ohms: 1.0, volts });
        netlist.add(Resistor { from: Some(post), to: Some(middle), ohms: 2.0, volts: 0.0 });
        netlist.add(Resistor { from: Some(middle), to: None, ohms, volts: 0.0 });
        netlist.add(Resistor { from: Some(middle), to: None, ohms: 6.0, volts: 0.0 });
        netlist
    }

    #[test]
    fn a_worked_example() {
        let solved = example(3.0, -12.0).solve();
        let near = |reading, value: f64| (solved.reading(reading) - value).abs() < 1e-6;
        assert!(near(CircuitReading::Volts(Some(1), None), 4.8));
        assert!(near(CircuitReading::Volts(Some(0), Some(1)), 4.8));
        assert!(near(CircuitReading::Amps(2), 1.6) && near(CircuitReading::Amps(0), 2.4));
    }

    #[test]
    fn gains_agree_with_a_small_step() {
        const STEP: f64 = 1e-5;
        for reading in [CircuitReading::Volts(Some(1), None), CircuitReading::Amps(2), CircuitReading::Amps(1)] {
            let value = |ohms, volts| example(ohms, volts).solve().reading(reading);
            let solved = example(3.0, -12.0).solve();
            let gains = solved.gains(reading);
            let by_ohms = (value(3.0 + STEP, -12.0) - value(3.0 - STEP, -12.0)) / (2.0 * STEP);
            let by_volts = (value(3.0, -12.0 + STEP) - value(3.0, -12.0 - STEP)) / (2.0 * STEP);
            let (of_ohms, of_source) = (solved.gain(&gains, 2).by_ohms, solved.gain(&gains, 0).by_volts);
            assert!((of_ohms - by_ohms).abs() < 1e-6, "{reading:?} {of_ohms} {by_ohms}");
            assert!((of_source - by_volts).abs() < 1e-6, "{reading:?} {of_source} {by_volts}");
        }
    }
}
