//! Proves that what a slipped, crossed or shorted lead could fake is proven by the leads before it is captured, with no
//! hand at the computer: a story for each pattern. Limits and times are common practice, no source.

use crate::harness::{Bay, Client, Daemon, Display, HANDHELD, text};

mod coil_ohms;
mod crossed_leads;
mod dead_terminal;
mod drops;
mod volts;

/// Shorter times than a person needs, so that the stories are soon told.
pub(crate) const QUICK: &str = r#"
[proof]
nothing_for = "700 ms"
battery_for = "150 ms"
back_for = "500 ms"
answer_for = "500 ms"
stays_for = "3 s"
open_for = "500 ms"
leads_for = "200 ms"
ghost_for = "800 ms"
"#;

/// The leads of a handheld meter at a machine, and who listens.
struct Leads {
    bay: Bay,
    probe: Display,
    daemon: Daemon,
    ears: Client,
}

impl Leads {
    /// A handheld meter that shows this, and a procedure of these steps.
    fn on(shown: &str, steps: &str) -> Self {
        let bay = Bay::with_bench(HANDHELD);
        // Blank until somebody listens.
        let probe = Display::of(bay.meter("handheld"), "");
        let head = format!("title = \"By the leads\"\nadvance = \"lifted\"\n{QUICK}\n");
        let procedure = bay.write("p.toml", &(head + steps));
        let daemon = bay.start_with(&["--procedure", text(&procedure)]);
        let ears = bay.client().watch();
        probe.shows(shown);
        Self { bay, probe, daemon, ears }
    }

    /// What the session's steps were judged on.
    fn ledger(self) -> Vec<String> {
        self.daemon.stop();
        let kept = self.bay.kept();
        kept.assert_sound();
        kept.rows(
            "SELECT name, how, round(value, 3), step.verdict, flags
             FROM step JOIN capture ON capture.id = step.capture WHERE left_how <> 'session ended' ORDER BY number",
        )
    }
}

/// A step on a feed.
pub(crate) fn feed(name: &str) -> String {
    format!(
        "[[step]]\nname = \"{name}\"\nchannel = \"probe\"\nquantity = \"V DC\"\nat_least = \"11.8 V\"\n\
         capture = \"steady\"\nsteady = \"300 ms\"\n"
    )
}
