//! Proves that the operator's last act can be undone once, and that its record stays.

use serde_json::json;

use crate::harness::{Bay, Display, HANDHELD, text};

const TWO_FEEDS: &str = r#"
title = "Two feeds"

[[step]]
name = "lift feed"
do = "Red lead on the lift feed pin."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"

[[step]]
name = "tilt feed"
do = "The same at the tilt feed pin."
channel = "probe"
quantity = "V DC"
at_least = "11.8 V"
"#;

#[test]
fn a_capture_in_the_wrong_place_and_a_wrong_word_are_undone() {
    let bay = Bay::with_bench(HANDHELD);
    let probe = Display::of(bay.meter("handheld"), "9.53 V");
    let procedure = bay.write("feeds.toml", TWO_FEEDS);
    let mut daemon = bay.start_with(&["--procedure", text(&procedure), "--machine", "loader 7"]);
    daemon.until("9.53 V shown", |status| status["readings"].to_string().contains("9.53"));
    let undo = json!({"do": "undo"});
    assert!(daemon.refused(undo.clone()).contains("there is nothing to undo"));

    // The lead was on another pin: the capture does not count, and the step begins again.
    daemon.ask(json!({"do": "take"}));
    let undone = daemon.ask(undo.clone());
    assert_eq!(
        (&undone["undone"], &undone["step"]["name"], &undone["step"]["attempt"]),
        (
            &json!("undone: what was captured in \"lift feed\" does not count, and the step begins again"),
            &json!("lift feed"),
            &json!(2)
        )
    );
    // Once only.
    assert!(daemon.refused(undo.clone()).contains("the last act is undone already"));
    probe.shows("12.41 V");
    daemon.until("12.41 V shown", |status| status["readings"].to_string().contains("12.41"));
    daemon.ask(json!({"do": "take"}));

    // A key pressed twice.
    daemon.step("next");
    daemon.step("next");
    assert_eq!(daemon.ask(undo.clone())["step"]["name"], "tilt feed");
    daemon.ask(json!({"do": "correct", "machine": "loader 8", "by": "K"}));
    assert_eq!(daemon.ask(undo.clone())["undone"], "undone: machine is \"loader 7\", was \"loader 8\", by K");
    daemon.ask(json!({"do": "note", "text": "oil on the plug"}));
    assert!(bay.bayline(["undo"]).done().contains("undone: the note \"oil on the plug\" does not count"));
    daemon.ask(json!({"do": "end"}));
    assert!(daemon.refused(undo).contains("no session is open"));
    daemon.stop();

    let kept = bay.kept();
    assert_eq!(
        kept.rows("SELECT number, name, attempt, left_how FROM step ORDER BY number"),
        [
            "1 | lift feed | 1 | undone",
            "2 | lift feed | 2 | done",
            "3 | tilt feed | 1 | done",
            "4 | tilt feed | 2 | session ended",
        ]
    );
    assert_eq!(kept.rows("SELECT verdict FROM step WHERE number < 3 ORDER BY number"), ["-", "in limit"]);
    // What was captured stays in the record.
    assert_eq!(kept.rows("SELECT count(*) FROM capture WHERE step = 1"), ["1"]);
    assert_eq!(
        kept.rows("SELECT field, value_before, value_after FROM correction ORDER BY id"),
        ["machine | loader 7 | loader 8", "machine | loader 8 | loader 7"]
    );
    assert_eq!(kept.rows("SELECT machine FROM session"), ["loader 7"]);
    assert_eq!(kept.rows("SELECT count(*) FROM event WHERE kind = 'undone'"), ["4"]);
}
