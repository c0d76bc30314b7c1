//! Red and black exchanged: a feed at -12.6 V is no value.

use serde_json::json;

use super::{Leads, feed};

#[test]
fn crossed_leads_are_swapped_and_never_filed() {
    let mut leads = Leads::on("0.002 V", &(feed("lift feed") + &feed("tilt feed")));
    leads.probe.shows("-12.6 V");
    let ask = leads.ears.asked("Leads crossed");
    assert_eq!((&ask["text"], &ask["pattern"]), (&json!("Leads crossed, swap them."), &json!("crossed leads")));
    let refused = leads.daemon.refused(json!({"do": "take"}));
    assert_eq!(refused, "this reading can't be taken: the leads are crossed, swap them");
    leads.probe.shows("12.6 V");
    assert_eq!(leads.ears.captured("lift feed")["verdict"], "in limit");
    leads.probe.shows("0.002 V");
    leads.ears.began("tilt feed");
    leads.probe.shows("-12.6 V");
    leads.ears.asked("Leads crossed");
    // Left as it is, the step has no value.
    leads.daemon.step("next");
    let kept = leads.bay.kept();
    assert_eq!(kept.rows("SELECT name, verdict FROM step"), ["lift feed | in limit", "tilt feed | no reading"]);
    assert_eq!(kept.number("SELECT count(*) FROM capture WHERE value < 0"), 0);
    leads.daemon.stop();
}
