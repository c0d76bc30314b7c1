//! The end of a session: it waits for its last findings, and says where they do not come.

use super::*;

const FEEDS: &str = r#"
title = "feeds"

[[step]]
name = "feed one"
circuit = "lift coil"
channel = "probe"
quantity = "V DC"
role = "feed"

[[step]]
name = "feed two"
circuit = "tilt coil"
channel = "probe"
quantity = "V DC"
role = "feed"

[[step]]
name = "lift ohms"
circuit = "lift coil"
channel = "probe"
quantity = "ohm"
role = "coil ohms"
"#;

impl Watched {
    /// A session of which so many feeds are captured; what is to be worked out of them.
    fn with_captures(count: usize) -> (Self, Vec<findings::FindingsTask>) {
        let mut watched = Self::new(Some(FEEDS));
        for at in 0..count as i64 {
            watched.feed(vec![volts(1000 * at + 10, 12.4)]);
            watched.say(1000 * at + 20, Command::Take(None)).unwrap();
            watched.go(1000 * at + 30, "next").unwrap();
        }
        let tasks = watched.effects.iter().filter_map(|effect| match effect {
            Effect::WorkOut(task) => Some((**task).clone()),
            _ => None,
        });
        let tasks = tasks.collect();
        (watched, tasks)
    }

    fn concluded(&mut self, task: &findings::FindingsTask) {
        let findings = task.work_out(&|| true).unwrap();
        let event = CoreEvent::Findings { session: task.session, captures: task.captures, findings };
        self.core.handle(Mono(9_000_000), event, &mut self.effects);
    }

    /// When the session ended; none where it is not closed yet.
    fn ended(&self) -> Option<i64> {
        self.effects.iter().find_map(|effect| match effect {
            Effect::Record(Record::SessionEnded(at, _)) => Some(at.0 / 1000),
            _ => None,
        })
    }

    fn stored_findings(&self) -> Option<Vec<findings::Finding>> {
        self.effects.iter().find_map(|effect| match effect {
            Effect::Record(Record::Findings { findings, .. }) => Some(findings.clone()),
            _ => None,
        })
    }
}

#[test]
fn the_newest_captures_win() {
    let (mut watched, tasks) = Watched::with_captures(2);
    let [older, newer] = &tasks[..] else { panic!("{tasks:?}") };
    watched.concluded(newer);
    let shown: Vec<findings::Finding> = watched.core.findings().cloned().collect();
    assert!(!watched.core.findings_pending());
    // The older work ends late: it is dropped.
    let wrong = CoreEvent::Findings { session: older.session, captures: older.captures, findings: Vec::new() };
    watched.core.handle(Mono(9_500_000), wrong, &mut watched.effects);
    assert!(!watched.core.findings_pending());
    assert_eq!(watched.core.findings().cloned().collect::<Vec<_>>(), shown);
}

#[test]
fn the_end_waits_for_the_last_findings_and_takes_no_more() {
    let (mut watched, tasks) = Watched::with_captures(2);
    assert!(watched.core.wind_up(Mono(5_000_000), SessionExit::Ended, &mut watched.effects));
    // Meanwhile nothing of a session is open, and readings go on.
    assert!(watched.core.session().is_none() && watched.on().is_none());
    watched.feed(vec![volts(6000, 3.0)]);
    watched.concluded(&tasks[0]);
    assert_eq!(watched.ended(), None, "older findings are not the last");
    watched.concluded(&tasks[1]);
    // It ended when that was asked for, and its findings are those that judging again comes to.
    assert_eq!(watched.ended(), Some(5000));
    let CommandReply::Ended { .. } = watched.say(9100, Command::End).unwrap() else { panic!("the reply waits") };
    assert_eq!(watched.say(9200, Command::End).unwrap_err(), Refusal::NoSession);
    let (mut again, _) = Watched::with_captures(2);
    again.say(5000, Command::End).unwrap();
    assert_eq!(again.ended(), Some(5000));
    assert_eq!(watched.stored_findings(), again.stored_findings());
    let is_late = |effect: &Effect| matches!(effect, Effect::Record(Record::Samples(samples, _)) if samples.iter().any(|sample| sample.at.0 > 5_000_000));
    assert!(!watched.effects.iter().any(is_late), "what comes after the end is not the session's");
}

#[test]
fn a_session_that_is_begun_ends_the_one_before() {
    let (mut watched, tasks) = Watched::with_captures(1);
    assert!(watched.core.wind_up(Mono(5_000_000), SessionExit::Replaced, &mut watched.effects));
    watched.concluded(&tasks[0]);
    let CommandReply::Begun { ended, .. } = watched.say(9100, begin(None)).unwrap() else { panic!() };
    assert_eq!(ended, Some(Uuid::nil()));
}

#[test]
fn findings_that_do_not_come_are_told() {
    let (mut watched, _) = Watched::with_captures(1);
    assert!(watched.core.wind_up(Mono(5_000_000), SessionExit::Ended, &mut watched.effects));
    watched.core.close_without_findings("the last findings were not ready within 20 s", &mut watched.effects);
    assert_eq!((watched.ended(), watched.stored_findings()), (Some(5000), None));
    let says = "the last findings were not ready within 20 s: the session keeps no findings. \
                `bayline judge` works them out from its captures.";
    assert!(watched.records().iter().any(|record| record.contains(says)));
    // A panic while the end waits ends it at once.
    let failed = |task: &findings::FindingsTask| CoreEvent::NoFindings {
        session: task.session,
        captures: task.captures,
        why: "findings could not be worked out".to_owned(),
    };
    let (mut watched, tasks) = Watched::with_captures(1);
    assert!(watched.core.wind_up(Mono(5_000_000), SessionExit::Ended, &mut watched.effects));
    watched.core.handle(Mono(6_000_000), failed(&tasks[0]), &mut watched.effects);
    assert_eq!(watched.ended(), Some(5000));
    // One before the end is an alarm, and nothing is waited for.
    let (mut watched, tasks) = Watched::with_captures(1);
    watched.core.handle(Mono(4_000_000), failed(&tasks[0]), &mut watched.effects);
    assert_eq!(watched.core.alarms().collect::<Vec<_>>(), ["findings could not be worked out"]);
    assert!(!watched.core.wind_up(Mono(5_000_000), SessionExit::Ended, &mut watched.effects));
    let (mut watched, tasks) = Watched::with_captures(1);
    watched.concluded(&tasks[0]);
    assert!(!watched.core.wind_up(Mono(5_000_000), SessionExit::Ended, &mut watched.effects), "nothing to wait for");
}
