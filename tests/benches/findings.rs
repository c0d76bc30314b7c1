//! How long findings take, for visits of 3, 8 and 24 coils with one bad ground: `cargo bench --bench findings`. They are worked out on one
//! thread, whose CPU time is what they take where no other program wants the core.

#![allow(clippy::disallowed_methods, reason = "a benchmark measures real time")]

use std::{hint::black_box, time::Instant};

use nix::time::{ClockId, clock_gettime};

use bayline::{
    electrics::Uncertain,
    session::findings::{Observation, ObservationSet, Role, RunningLoads, SharedGainError, conclude},
    units::Limit,
};

/// Feed, ohms, amps and both drops of each coil by Ohm's law, and the shared ground.
fn visit(coils: usize) -> ObservationSet {
    let mut all = Vec::new();
    let mut add = |circuit: &str, role: Role, running: RunningLoads, value: f64, fixed: f64| {
        let u = Uncertain::rectangular(value, 0.005 * value + fixed);
        let mut observation = Observation::number(circuit, &format!("{circuit}, {role}"), role, running, u);
        let meter = format!("{} {fixed}", role.quantity());
        observation.gain = Some(SharedGainError { meter, relative_u: 0.005 / 3f64.sqrt() });
        all.push(match role {
            Role::CoilOhms => observation.limited(Limit::nominal("7.5 ohm ± 10 %").unwrap()),
            _ => observation,
        });
    };
    let mut amps_of_all = 0.0;
    for at in 0..coils {
        let name = format!("coil {at}");
        let own = if at == 1 { 0.6 } else { 0.02 };
        let amps = 12.5 / (7.5 + 0.15 + own);
        amps_of_all += amps;
        add(&name, Role::Feed, RunningLoads::Nothing, 12.6, 0.02);
        add(&name, Role::CoilOhms, RunningLoads::Nothing, 7.5, 0.1);
        add(&name, Role::CoilAmps, RunningLoads::This, amps, 0.02);
        add(&name, Role::FeedDrop, RunningLoads::This, 0.1 + 0.15 * amps, 0.002);
        add(&name, Role::GroundDrop, RunningLoads::This, own * amps, 0.002);
    }
    add("block", Role::GroundDrop, RunningLoads::Everything, 0.003 * amps_of_all, 0.002);
    ObservationSet::new(all)
}

/// CPU time of this thread, ms.
fn cpu_ms() -> f64 {
    let time = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).expect("every kernel counts it");
    1e3 * time.tv_sec() as f64 + 1e-6 * time.tv_nsec() as f64
}

fn main() {
    for coils in [3, 8, 24] {
        let observations = visit(coils);
        let mut times: Vec<(f64, f64)> = (0..9)
            .map(|_| {
                let (begun, cpu) = (Instant::now(), cpu_ms());
                black_box(conclude(black_box(&observations)));
                (cpu_ms() - cpu, 1e3 * begun.elapsed().as_secs_f64())
            })
            .collect();
        times.sort_by(|one, other| one.0.total_cmp(&other.0));
        let (cpu, clock) = times[4];
        println!("{coils} coils: {cpu:.1} ms of CPU time (median of 9), {clock:.1} ms by the clock");
    }
}
