//! What is worked out branch by branch, or by the change of a few resistors, is what the whole would give.

use super::{FitProblem, matrix::Cholesky};
use crate::{
    electrics::Uncertain,
    procedure::{Driver, DriverSide},
    session::findings::{
        Observation, ObservationSet, Role, RunningLoads,
        cause::{CauseCandidate, CauseContext, candidates},
        circuit::{AppliedEdit, Edit, SolvedMachine},
        fit::HypothesisEdit,
        layout::Layout,
        mode,
        prior::MachinePrior,
    },
    units::Limit,
};
use RunningLoads::{Everything, Nothing, This};

/// Four coils of two kinds by hand, everything measured that can be, the last coil with everything running too.
fn observations(side: DriverSide) -> ObservationSet {
    let mut all = Vec::new();
    let names = ["one", "two", "three", "four"];
    let mut add = |name: &str, role: Role, running, value: f64| {
        let measured = Uncertain::new(value, 0.003 * value.abs() + 0.005);
        let observation = Observation::number(name, &format!("{name} {role}"), role, running, measured);
        all.push(match role {
            Role::CoilOhms if name == "two" => observation.limited(Limit::nominal("9 ohm ± 8 %").unwrap()),
            Role::CoilOhms => observation.limited(Limit::nominal("7.5 ohm ± 8 %").unwrap()),
            _ => observation,
        });
    };
    add("battery", Role::Supply, Nothing, 12.6);
    for name in names {
        let ohms = if name == "two" { 9.0 } else { 7.5 };
        let amps = 12.4 / (ohms + 0.2);
        add(name, Role::Feed, Nothing, 12.55);
        add(name, Role::CoilOhms, Nothing, ohms);
        add(name, Role::OhmsToGround, Nothing, 1e5);
        add(name, Role::Draw, Nothing, 0.0);
        add(name, Role::CoilAmps, This, if name == "three" { 0.05 } else { amps });
        add(name, Role::FeedDrop, This, 0.1 + 0.1 * amps);
        add(name, Role::GroundDrop, This, 0.03 * amps);
        add(name, Role::FeedPinDrop, This, 0.005 * amps);
    }
    add("four", Role::Feed, Everything, 12.3);
    add("block", Role::GroundDrop, Everything, 0.02);
    add("battery", Role::Supply, Everything, 12.4);
    let mut observations = ObservationSet::new(all);
    let driver = Driver { side: Some(side), ..Driver::default() };
    observations.drivers = names.iter().map(|name| ((*name).to_owned(), driver)).collect();
    observations
}

/// Every cause on this machine, alone and beside another, in each mode.
fn each(side: DriverSide, check: impl Fn(&FitProblem, &[HypothesisEdit], &CauseCandidate)) {
    let observations = observations(side);
    let layout = Layout::new(&observations);
    let prior = MachinePrior::new(&layout);
    let all = candidates(&CauseContext { layout: &layout, prior: &prior });
    let problem = FitProblem { model: &prior.model };
    let leads = [
        None,
        all.iter().find(|one| matches!(one.edit, Edit::LeakToFeed(0, _))),
        all.iter().find(|one| matches!(one.edit, Edit::SwappedSteps(..))),
        all.iter().find(|one| matches!(one.edit, Edit::EngineStarted(5))),
    ];
    for mode in mode::modes(&layout, &prior) {
        for lead in leads.iter().take(if mode.is_empty() { leads.len() } else { 1 }) {
            let mut base: Vec<HypothesisEdit> = lead.iter().map(|lead| lead.edit_from(&lead.starts[0])).collect();
            base.extend(mode.iter().cloned());
            for candidate in &all {
                if lead.is_none_or(|lead| lead.edit != candidate.edit) {
                    check(&problem, &base, candidate);
                }
            }
        }
    }
}

#[test]
fn a_solved_machine_shows_with_one_edit_more_what_one_solved_anew_shows() {
    for side in [DriverSide::High, DriverSide::Low] {
        each(side, |problem, base, candidate| {
            let (edits, deviations) = problem.start(base);
            let values = problem.values(base, &deviations);
            let all: Vec<usize> = (0..problem.model.readings.len()).collect();
            // What a branch does to others is left to the fit.
            let is_own = |at: &usize| {
                let of = problem.model.readings[*at].measurand.branch();
                candidate.edit.branches().any(|branch| of == Some(branch))
            };
            let places: Vec<usize> =
                if candidate.edit.is_shared() { all.clone() } else { all.into_iter().filter(is_own).collect() };
            let (solved, _) = SolvedMachine::new(problem.model, values.clone(), edits.clone());
            for start in &candidate.starts {
                let sizes: Vec<(f64, f64)> =
                    candidate.sizes.iter().zip(start).map(|(prior, deviation)| prior.at(*deviation)).collect();
                let applied = AppliedEdit { edit: candidate.edit, sizes: values.len() };
                let moved = solved.with(applied, &sizes, &places);
                let mut longer = values.clone();
                longer.extend(&sizes);
                let mut more = edits.clone();
                more.push(applied);
                let anew = problem.model.predict_from(values.len(), &longer, &more, places.iter().copied());
                for (row, at) in places.iter().enumerate() {
                    let is_near = |one: f64, other: f64| (one - other).abs() < 2e-6 * (1.0 + other.abs());
                    let wanted = anew.values[row];
                    let reading = problem.model.readings[*at].measurand;
                    let what = format!("{:?} {edits:?} {reading:?}", candidate.edit);
                    assert!(is_near(moved.values[row], wanted), "{what}: {} {wanted}", moved.values[row]);
                    let mut slopes = [0.0; 2];
                    anew.row(row).iter().for_each(|(size, slope)| slopes[*size as usize] = *slope);
                    for (by_size, slope) in moved.by_sizes.iter().zip(slopes) {
                        assert!(is_near(by_size[row], slope), "{what}: {} {slope}", by_size[row]);
                    }
                }
            }
        });
    }
}

#[test]
fn branches_eliminated_one_by_one_are_the_whole_matrix() {
    for side in [DriverSide::High, DriverSide::Low] {
        each(side, |problem, base, candidate| {
            let start = candidate.starts.first().cloned().unwrap_or_default();
            let mut hypothesis = base.to_vec();
            hypothesis.push(candidate.edit_from(&start));
            let (edits, deviations) = problem.start(&hypothesis);
            let values = problem.values(&hypothesis, &deviations);
            let size = problem.model.readings.len();
            let prediction = problem.model.predict(&values, &edits, 0..size);
            let rows: Vec<Vec<f64>> = (0..size)
                .map(|at| {
                    let mut row = vec![0.0; deviations.len()];
                    prediction.row(at).iter().for_each(|(place, slope)| row[*place as usize] = *slope);
                    row
                })
                .collect();
            let mut matrix = vec![0.0; size * size];
            for (row, one) in rows.iter().enumerate() {
                for (column, other) in rows.iter().enumerate() {
                    matrix[row * size + column] = one.iter().zip(other).map(|(one, other)| one * other).sum();
                }
                matrix[row * size + row] += prediction.variances[row];
            }
            let whole = Cholesky::new(size, &matrix).unwrap();
            let covariance = problem.covariance(&prediction, &edits, deviations.len()).unwrap();
            let what = format!("{edits:?}");
            let (found, wanted) = (covariance.ln_determinant(), whole.ln_determinant());
            assert!((found - wanted).abs() < 1e-6, "{what}: {found} {wanted}");
            let misses = problem.misses(&prediction);
            let of = |weights: &[f64]| -> f64 { weights.iter().zip(&misses).map(|(one, other)| one * other).sum() };
            let (found, wanted) = (of(&covariance.solve(&misses)), of(&whole.solve(&misses)));
            assert!((found - wanted).abs() < 1e-6 * (1.0 + wanted.abs()), "{what}: {found} {wanted}");
            let inverse = covariance.inverse();
            for row in 0..size {
                for column in 0..size {
                    let product: f64 = (0..size).map(|at| inverse[row * size + at] * matrix[at * size + column]).sum();
                    let unit = if row == column { 1.0 } else { 0.0 };
                    assert!((product - unit).abs() < 1e-4, "{what}: {row} {column} {product}");
                }
            }
        });
    }
}
