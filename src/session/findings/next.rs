//! What to measure next to separate two explanations: the measurement on which they disagree most.

use super::{
    Role, RunningLoads,
    evidence::shown,
    fit::FitResult,
    layout::{Layout, measurand_of},
    model::{DriveState, Measurand, Measurement, Predictor, comparable, comparable_u},
};

/// A measurement that was not made yet.
struct UnmeasuredPoint {
    measurement: Measurement,
    role: Role,
    words: String,
}

/// A difference of fewer standard deviations is not worth measuring.
const WORTH: f64 = 4.0;

/// What the better explanation and its rival would show where they differ most; none where no measurement
/// that bayline knows splits them.
pub(super) fn distinguishing_measurement(
    layout: &Layout,
    better: &FitResult,
    rival: &FitResult,
    rival_words: &str,
) -> Option<String> {
    let open = not_measured(layout);
    let measurements: Vec<Measurement> = open.iter().map(|open| open.measurement).collect();
    let mut predictor = Predictor::new(&measurements, layout.coils.len());
    let (one, other) = (predictor.all(&better.circuit), predictor.all(&rival.circuit));
    let apart =
        |at: usize| (one[at] - other[at]).abs() / usual_u(&measurements[at], one[at].abs().min(other[at].abs()));
    let at = (0..measurements.len()).max_by(|a, b| apart(*a).total_cmp(&apart(*b)))?;
    if apart(at) < WORTH {
        return None;
    }
    let quantity = open[at].role.quantity();
    Some(format!(
        "Measure {}. About {} confirms this finding; about {} points to: {}",
        open[at].words,
        shown(&measurements[at], one[at], quantity),
        shown(&measurements[at], other[at], quantity),
        rival_words
    ))
}

/// The standard uncertainty of an ordinary meter; ohms as they are compared.
fn usual_u(measurement: &Measurement, value: f64) -> f64 {
    match measurement.measurand {
        Measurand::CoilOhms(_) | Measurand::ToGround(_) => {
            let ohms = 1.0 / value.max(1e-6) - 1.0;
            comparable_u(ohms, 0.02 * ohms + 0.1).max(comparable(1e5))
        }
        Measurand::Wire(_) => 0.015 * value + 0.03,
        _ => 0.007 * value + 0.03,
    }
}

fn not_measured(layout: &Layout) -> Vec<UnmeasuredPoint> {
    let mut open = Vec::new();
    let mut offer = |role: Role, running: RunningLoads, branch: Option<usize>| {
        let Some((measurand, state)) = measurand_of(role, running, branch) else { return };
        let done = layout
            .readings
            .iter()
            .any(|reading| reading.measurement.measurand == measurand && reading.measurement.state == state);
        if !done {
            let measurement = Measurement { measurand, state, gain: None };
            open.push(UnmeasuredPoint {
                measurement,
                role,
                words: words(role, state, branch.map(|at| layout.coils[at])),
            });
        }
    };
    offer(Role::Supply, RunningLoads::Nothing, None);
    offer(Role::Supply, RunningLoads::Everything, None);
    offer(Role::Feed, RunningLoads::Nothing, None);
    offer(Role::GroundDrop, RunningLoads::Everything, None);
    for at in 0..layout.coils.len() {
        offer(Role::CoilOhms, RunningLoads::Nothing, Some(at));
        offer(Role::Feed, RunningLoads::Nothing, Some(at));
        offer(Role::CoilAmps, RunningLoads::This, Some(at));
        offer(Role::Feed, RunningLoads::This, Some(at));
        offer(Role::GroundDrop, RunningLoads::This, Some(at));
        offer(Role::OhmsToGround, RunningLoads::Nothing, Some(at));
        offer(Role::Draw, RunningLoads::Nothing, Some(at));
        offer(Role::FeedPinDrop, RunningLoads::This, Some(at));
        offer(Role::GroundPinDrop, RunningLoads::This, Some(at));
    }
    open
}

fn words(role: Role, state: DriveState, coil: Option<&str>) -> String {
    let coil = coil.unwrap_or("the circuit");
    match (role, state) {
        (Role::Supply, DriveState::AllHeld) => {
            "the volts across the battery's posts with everything running".to_owned()
        }
        (Role::Supply, _) => "the volts across the battery's posts with nothing running".to_owned(),
        (Role::Feed, DriveState::Rest | DriveState::AllHeld) => {
            "the volts of the shared feed, nothing running".to_owned()
        }
        (Role::Feed, DriveState::HeldUnplugged(_)) => {
            format!("the volts at the harness feed pin of the {coil}, unplugged, its driver on")
        }
        (Role::Feed, _) => format!("the volts at the feed terminal of the {coil}, held on"),
        (Role::FeedDrop, _) => format!("from battery positive to the feed terminal of the {coil}, held on"),
        (Role::CoilOhms, _) => format!("the ohms of the {coil}, unplugged, at its own terminals"),
        (Role::CoilAmps, _) => format!("the amps of the {coil}, held on"),
        (Role::CoilVolts, _) => format!("the volts across the {coil}, held on"),
        (Role::FeedPinDrop, _) => format!("the drop across the feed pin of the {coil}, held on"),
        (Role::GroundPinDrop, _) => format!("the drop across the ground pin of the {coil}, held on"),
        (Role::GroundDrop, DriveState::AllHeld) => {
            "from the shared ground to battery negative with everything running".to_owned()
        }
        (Role::GroundDrop, _) => format!("from the ground terminal of the {coil} to battery negative, held on"),
        (Role::OhmsToGround, _) => {
            format!("the ohms from the harness feed pin of the {coil} to ground, unplugged, key off")
        }
        (Role::Draw, _) => format!("the amps of the {coil} with its driver off"),
    }
}
