//! How sure the words are: the temperature by which the logarithms of all weights are divided (temperature scaling: Guo and
//! others 2017, from memory), so that of all that is called 80 % or 99 % so many are right.
//!
//! Fitted on machines, meters and mistakes drawn from the priors of this program's own model, see the test below; never on the
//! truth simulator in `tests/truth`.

/// Counts the fits of the temperature: a change of priors or causes asks for a new one. It is stored with each finding.
pub(super) const CALIBRATION_VERSION: u32 = 7;

/// 1 takes the model at its word: of 600 drawn visits the logarithmic loss was 0.285 at 0.9, 0.283 at 1, 0.285 at 1.1.
pub(super) const TEMPERATURE: f64 = 1.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        electrics::Uncertain,
        session::findings::{
            Observation, ObservationSet, Role, RunningLoads, SharedGainError,
            cause::{CauseCandidate, CauseContext, candidates},
            circuit::MeterReading,
            fit::{FitProblem, HypothesisEdit},
            layout::Layout,
            mode::{ln_odds, modes},
            prior::MachinePrior,
            search::{HypothesisSearch, Posterior},
            statement::{Statement, Statements},
        },
        units::Limit,
    };
    use RunningLoads::{Everything, Nothing, This};

    /// Random numbers: SplitMix64 (Steele and others 2014, from memory), and Gaussian ones by Box and Muller (1958, from memory).
    struct Draws(u64);

    impl Draws {
        fn unit(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((mixed ^ (mixed >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn normal(&mut self) -> f64 {
            (-2.0 * self.unit().max(1e-300).ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
        }

        /// A place, each as likely as its weight.
        fn weighed(&mut self, weights: &[f64]) -> usize {
            let mut left = self.unit() * weights.iter().sum::<f64>();
            weights
                .iter()
                .position(|weight| {
                    left -= weight;
                    left < 0.0
                })
                .unwrap_or(0)
        }
    }

    /// A procedure on three coils, with these values or usual ones; ohms plain.
    fn observations(values: Option<&[f64]>) -> ObservationSet {
        let mut all = Vec::new();
        let mut add = |circuit: &str, role: Role, running, usual: f64, sheet: (f64, f64)| {
            let value = values.map_or(usual, |values| values[all.len()]);
            let step = format!("{circuit} {role}");
            let u = Uncertain::rectangular(value, sheet.0 * value.abs() + sheet.1);
            let mut observation = Observation::number(circuit, &step, role, running, u);
            if role == Role::CoilOhms && value > 1e5 {
                observation = observation.over();
            }
            let meter = format!("{} {}", role.quantity(), sheet.1);
            observation.gain = Some(SharedGainError { meter, relative_u: Uncertain::rectangular(0.0, sheet.0).u });
            observation.own_u = Some(Uncertain::rectangular(0.0, sheet.1).u);
            all.push(match role {
                Role::CoilOhms => observation.limited(Limit::nominal("7.5 ohm ± 10 %").unwrap()),
                _ => observation,
            });
        };
        for coil in ["one", "two", "three"] {
            add(coil, Role::Feed, Nothing, 12.6, (0.005, 0.02));
            add(coil, Role::CoilOhms, Nothing, 7.5, (0.008, 0.1));
            add(coil, Role::CoilAmps, This, 1.6, (0.015, 0.02));
            add(coil, Role::FeedDrop, This, 0.3, (0.005, 0.002));
            add(coil, Role::GroundDrop, This, 0.04, (0.005, 0.002));
        }
        add("block", Role::GroundDrop, Everything, 0.02, (0.005, 0.002));
        ObservationSet::new(all)
    }

    /// What a visit drawn from the priors came to.
    struct Drawn {
        /// The truth's faults.
        truth: Vec<Statement>,
        candidates: Vec<CauseCandidate>,
        posterior: Posterior,
    }

    /// A machine, its meters, a fault or two or a mistake, all by their priors; then the hypotheses on what it showed.
    fn draw(seed: u64) -> Drawn {
        let mut draws = Draws(seed.wrapping_mul(0x2545_F491_4F6C_DD1D));
        let usual = observations(None);
        let layout = Layout::new(&usual);
        let prior = MachinePrior::new(&layout);
        let all = candidates(&CauseContext { layout: &layout, prior: &prior });
        let problem = FitProblem { model: &prior.model };
        let mut weights: Vec<f64> = all.iter().map(|candidate| candidate.odds).collect();
        weights.push(1.0);
        let mut chosen = vec![draws.weighed(&weights)];
        chosen.retain(|at| *at < all.len());
        let all_modes = modes(&layout, &prior);
        let odds: Vec<f64> = all_modes.iter().map(|mode| ln_odds(mode).exp()).collect();
        let mode = all_modes[draws.weighed(&odds)].clone();
        let mut edits: Vec<_> = chosen
            .iter()
            .map(|at| {
                loop {
                    let sizes: Vec<f64> = all[*at].sizes.iter().map(|_| draws.normal()).collect();
                    let natural: Vec<f64> =
                        all[*at].sizes.iter().zip(&sizes).map(|(prior, size)| prior.at(*size).0).collect();
                    if all[*at].allows(&natural) {
                        break all[*at].edit_from(&sizes);
                    }
                }
            })
            .collect();
        edits.extend(mode.into_iter().map(|way| {
            let start = way.sizes.iter().map(|_| draws.normal()).collect();
            HypothesisEdit { start, ..way }
        }));
        let (applied, mut deviations) = problem.start(&edits);
        for deviation in deviations.iter_mut().take(prior.model.figures.len()) {
            *deviation = draws.normal();
        }
        let values = problem.values(&edits, &deviations);
        let shown = prior.model.predict(&values, &applied, 0..layout.readings.len());
        let plain = |reading: &MeterReading, shown: f64| {
            if reading.measurand.in_ohms() { 1.0 / shown.clamp(1e-7, 1.0) - 1.0 } else { shown }
        };
        let readings = layout.readings.iter().zip(shown.values.iter().zip(&shown.variances));
        let values: Vec<f64> = readings
            .map(|(reading, (shown, variance))| plain(reading, shown + variance.sqrt() * draws.normal()))
            .collect();
        let seen = observations(Some(&values));
        let layout = Layout::new(&seen);
        let prior = MachinePrior::new(&layout);
        let candidates = candidates(&CauseContext { layout: &layout, prior: &prior });
        let problem = FitProblem { model: &prior.model };
        let search =
            HypothesisSearch { problem, candidates: &candidates, modes: modes(&layout, &prior), go_on: &|| true };
        let posterior = search.run().unwrap();
        let truth = chosen.iter().filter(|at| all[**at].edit.is_fault()).map(|at| Statement::of(&all[*at])).collect();
        Drawn { truth, candidates, posterior }
    }

    /// The likeliest thing to say (none for no fault), its probability at a temperature, and whether it is so.
    fn probability_and_truth(drawn: &Drawn, temperature: f64) -> (f64, bool) {
        let best = drawn.posterior.hypotheses[0].ln_weight;
        let weights: Vec<f64> =
            drawn.posterior.hypotheses.iter().map(|one| ((one.ln_weight - best) / temperature).exp()).collect();
        let all: f64 = weights.iter().sum();
        let statements = Statements { candidates: &drawn.candidates, posterior: &drawn.posterior };
        let first = statements.faults(&drawn.posterior.hypotheses[0]).next();
        let statement = first.map(|at| Statement::of(&drawn.candidates[at]));
        let holds = |one: &crate::session::findings::search::Hypothesis| match &statement {
            Some(statement) => statements.says(one, statement),
            None => statements.faults(one).next().is_none(),
        };
        let hypotheses = drawn.posterior.hypotheses.iter().zip(&weights);
        let probability: f64 = hypotheses.filter(|(one, _)| holds(one)).map(|(_, weight)| weight / all).sum();
        let is_so = match &statement {
            // A coil's kind follows from its limit.
            Some(statement) => drawn.truth.iter().any(|truth| {
                truth == statement || (truth.coils == statement.coils && is_coil(truth.kind) && is_coil(statement.kind))
            }),
            None => drawn.truth.is_empty(),
        };
        (probability.clamp(1e-6, 1.0 - 1e-6), is_so)
    }

    fn is_coil(kind: crate::session::findings::FindingKind) -> bool {
        use crate::session::findings::FindingKind;
        matches!(kind, FindingKind::CoilOutOfTolerance | FindingKind::ShortedCoil | FindingKind::UnlikeSiblings)
    }

    #[test]
    fn what_is_certain_is_so() {
        let said: Vec<(f64, bool)> = (0..24).map(|seed| probability_and_truth(&draw(seed), TEMPERATURE)).collect();
        let certain: Vec<&(f64, bool)> = said.iter().filter(|(probability, _)| *probability >= 0.99).collect();
        let wrong = certain.iter().filter(|(_, is_so)| !is_so).count();
        assert!(certain.len() > 2 && wrong == 0, "{wrong} of {}", certain.len());
        assert_eq!(CALIBRATION_VERSION, 7, "measure anew after a change of the version");
    }

    #[test]
    #[ignore = "many visits: cargo test --lib -- --ignored --nocapture temperature"]
    fn the_temperature_is_the_best() {
        let drawn: Vec<Drawn> = (1000..1600).map(draw).collect();
        for (seed, drawn) in (1000..).zip(&drawn) {
            let (probability, is_so) = probability_and_truth(drawn, TEMPERATURE);
            if probability >= 0.99 && !is_so {
                let best = &drawn.posterior.hypotheses[0];
                let edits: Vec<_> = best.edits.iter().map(|edit| edit.edit).collect();
                println!("{seed}: {:?} taken for {edits:?}", drawn.truth);
            }
        }
        let loss = |temperature: f64| -> f64 {
            let each = drawn.iter().map(|drawn| {
                let (probability, is_so) = probability_and_truth(drawn, temperature);
                -if is_so { probability.ln() } else { (1.0 - probability).ln() }
            });
            each.sum::<f64>() / drawn.len() as f64
        };
        for temperature in [0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0] {
            let said: Vec<(f64, bool)> = drawn.iter().map(|drawn| probability_and_truth(drawn, temperature)).collect();
            let share = |low: f64, high: f64| {
                let within: Vec<&(f64, bool)> = said.iter().filter(|(p, _)| (low..high).contains(p)).collect();
                let so = within.iter().filter(|(_, is_so)| *is_so).count();
                format!("{so} of {}", within.len())
            };
            println!(
                "{temperature:.2}: loss {:.4}; from 0.99 {}; 0.8 to 0.99 {}; 0.5 to 0.8 {}",
                loss(temperature),
                share(0.99, 1.1),
                share(0.8, 0.99),
                share(0.5, 0.8)
            );
        }
        let best = [0.8, 0.9, 1.0, 1.1, 1.2].map(loss).into_iter().fold(f64::MAX, f64::min);
        assert!(loss(TEMPERATURE) < best + 0.005);
    }
}
