//! The DC sums of a network of conductors: nodal analysis by elimination.
//!
//! Pure arithmetic on numbered nodes; knows no coil, battery or vehicle. Method: Kirchhoff's current
//! law at each node, conductances on the left and injected currents on the right (the nodal method of
//! any circuit textbook), solved by Gaussian elimination with partial pivoting.

/// A place in the network where conductors meet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum NetworkNode {
    /// The reference: 0 V by definition.
    Reference,
    /// A node whose volts are sought, counted from 0.
    At(usize),
}

/// The least resistance of a conductor, ohm: keeps a perfect joint from dividing by zero.
const LEAST_OHMS: f64 = 1e-6;

/// Leakage from each node to the reference, siemens (1 Gohm, a good insulation). It gives a part that is
/// plugged off on both sides a potential at all, and is far below what any meter here shows.
const LEAKAGE_S: f64 = 1e-9;

/// Conductances and injected currents, to be solved for the volts of each node.
#[derive(Debug, Clone)]
pub(super) struct Network {
    size: usize,
    /// Row by row, siemens.
    conductance_s: Vec<f64>,
    /// Into each node, ampere.
    injected_a: Vec<f64>,
}

impl Network {
    /// A network of nodes that nothing connects yet but leakage.
    pub(super) fn new(size: usize) -> Self {
        let mut network = Self { size, conductance_s: vec![0.0; size * size], injected_a: vec![0.0; size] };
        (0..size).for_each(|node| network.conductance_s[node * size + node] = LEAKAGE_S);
        network
    }

    /// A resistor between two nodes, ohm.
    pub(super) fn conductor(&mut self, one: NetworkNode, other: NetworkNode, ohms: f64) {
        let siemens = conductance(ohms);
        self.add(one, one, siemens);
        self.add(other, other, siemens);
        self.add(one, other, -siemens);
        self.add(other, one, -siemens);
    }

    /// A current pushed into a node, ampere (negative: drawn from it).
    pub(super) fn inject(&mut self, node: NetworkNode, amps: f64) {
        if let NetworkNode::At(node) = node {
            self.injected_a[node] += amps;
        }
    }

    /// A source of `volts` above the reference behind `ohms`, feeding a node.
    pub(super) fn source(&mut self, node: NetworkNode, volts: f64, ohms: f64) {
        self.conductor(node, NetworkNode::Reference, ohms);
        self.inject(node, volts * conductance(ohms));
    }

    /// A switch that is closed for the share `duty` of the time between `feed` and `out`, with a drop of
    /// `lost_v` and `ohms` in series, its coil current free-wheeling through the reference meanwhile.
    ///
    /// In the mean over a period that is a transformer without loss: the output sees `duty` times the feed
    /// volts, the feed gives `duty` times the output current (the averaged model of a buck converter in
    /// continuous conduction; power electronics textbooks). `duty` is 0 to 1; 1 is a switch held on.
    pub(super) fn chopper(&mut self, feed: NetworkNode, out: NetworkNode, duty: f64, lost_v: f64, ohms: f64) {
        let siemens = conductance(ohms);
        self.add(out, out, siemens);
        self.add(feed, feed, duty * duty * siemens);
        self.add(out, feed, -duty * siemens);
        self.add(feed, out, -duty * siemens);
        self.inject(out, -duty * siemens * lost_v);
        self.inject(feed, duty * duty * siemens * lost_v);
    }

    /// The volts of each node above the reference.
    pub(super) fn solve(mut self) -> Vec<f64> {
        for column in 0..self.size {
            let pivot = (column..self.size)
                .max_by(|&a, &b| self.at(a, column).abs().total_cmp(&self.at(b, column).abs()))
                .unwrap_or(column);
            self.swap_rows(column, pivot);
            for row in column + 1..self.size {
                let factor = self.at(row, column) / self.at(column, column);
                if factor != 0.0 {
                    self.subtract_row(row, column, factor);
                }
            }
        }
        let mut volts = vec![0.0; self.size];
        for row in (0..self.size).rev() {
            let known: f64 = (row + 1..self.size).map(|column| self.at(row, column) * volts[column]).sum();
            volts[row] = (self.injected_a[row] - known) / self.at(row, row);
        }
        volts
    }

    fn add(&mut self, row: NetworkNode, column: NetworkNode, siemens: f64) {
        if let (NetworkNode::At(row), NetworkNode::At(column)) = (row, column) {
            self.conductance_s[row * self.size + column] += siemens;
        }
    }

    fn at(&self, row: usize, column: usize) -> f64 {
        self.conductance_s[row * self.size + column]
    }

    fn swap_rows(&mut self, one: usize, other: usize) {
        if one != other {
            (0..self.size)
                .for_each(|column| self.conductance_s.swap(one * self.size + column, other * self.size + column));
            self.injected_a.swap(one, other);
        }
    }

    fn subtract_row(&mut self, row: usize, pivot: usize, factor: f64) {
        for column in pivot..self.size {
            self.conductance_s[row * self.size + column] -= factor * self.at(pivot, column);
        }
        self.injected_a[row] -= factor * self.injected_a[pivot];
    }
}

/// Siemens of a resistance in ohm, which is taken as no less than [`LEAST_OHMS`].
pub(super) fn conductance(ohms: f64) -> f64 {
    1.0 / ohms.max(LEAST_OHMS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const A: NetworkNode = NetworkNode::At(0);
    const B: NetworkNode = NetworkNode::At(1);

    fn close(found: f64, expected: f64) -> bool {
        (found - expected).abs() < 1e-6 * expected.abs().max(1.0)
    }

    #[test]
    fn a_divider() {
        // Textbook: 12 V over 100 ohm and 200 ohm in series leaves 8 V on the 200 ohm.
        let mut network = Network::new(2);
        network.source(A, 12.0, 0.0);
        network.conductor(A, B, 100.0);
        network.conductor(B, NetworkNode::Reference, 200.0);
        let volts = network.solve();
        assert!(close(volts[0], 12.0) && close(volts[1], 8.0), "{volts:?}");
    }

    #[test]
    fn series_and_parallel() {
        // Textbook: 10 V, 2 ohm in series with 3 ohm beside 6 ohm (together 2 ohm): 2.5 A and 5 V on the pair.
        let mut network = Network::new(2);
        network.source(A, 10.0, 0.0);
        network.conductor(A, B, 2.0);
        network.conductor(B, NetworkNode::Reference, 3.0);
        network.conductor(B, NetworkNode::Reference, 6.0);
        let volts = network.solve();
        assert!(close((volts[0] - volts[1]) / 2.0, 2.5) && close(volts[1], 5.0), "{volts:?}");
    }

    #[test]
    fn a_bridge_needs_the_nodes_together() {
        // A Wheatstone bridge is balanced when 10/20 = 30/60 (textbook): no volts between the arms.
        let mut network = Network::new(3);
        network.source(NetworkNode::At(2), 9.0, 0.0);
        network.conductor(NetworkNode::At(2), A, 10.0);
        network.conductor(A, NetworkNode::Reference, 20.0);
        network.conductor(NetworkNode::At(2), B, 30.0);
        network.conductor(B, NetworkNode::Reference, 60.0);
        network.conductor(A, B, 5.0);
        let volts = network.solve();
        assert!(close(volts[0], 6.0) && close(volts[1], 6.0), "{volts:?}");
    }

    #[test]
    fn a_chopper_gives_its_share_of_the_volts() {
        // 24 V, half of the time, 20 ohm, no loss: 0.6 A in the coil and half of that from the feed (a buck
        // converter's averages; 0.600 A also from a time-stepped solution of the same coil at 500 Hz and 60 mH).
        let mut network = Network::new(2);
        network.source(A, 24.0, 1e-3);
        network.chopper(A, B, 0.5, 0.0, 1e-3);
        network.conductor(B, NetworkNode::Reference, 20.0);
        let volts = network.solve();
        assert!((volts[1] / 20.0 - 0.6).abs() < 1e-4, "{volts:?}");
        assert!(((24.0 - volts[0]) / 1e-3 - 0.3).abs() < 1e-4, "{volts:?}");
    }

    proptest! {
        #[test]
        fn what_flows_in_flows_out(ohms in proptest::collection::vec(0.001f64..1e6, 6), volts in 1.0f64..60.0) {
            let mut network = Network::new(3);
            let arms = [(0, 1), (1, 2), (0, 2)];
            network.source(A, volts, ohms[0]);
            arms.iter().zip(&ohms[1..]).for_each(|(&(a, b), &r)| network.conductor(NetworkNode::At(a), NetworkNode::At(b), r));
            network.conductor(NetworkNode::At(2), NetworkNode::Reference, ohms[4]);
            network.conductor(B, NetworkNode::Reference, ohms[5]);
            let found = network.solve();
            let given = (volts - found[0]) / ohms[0];
            let returned = found[2] / ohms[4] + found[1] / ohms[5];
            // Leakage takes at most 3 nodes x 60 V x 1 nS.
            prop_assert!((given - returned).abs() < 2e-7 + 1e-6 * given.abs(), "{given} {returned}");
        }
    }
}
