//! The worst of a watched step.

use super::*;

#[test]
fn the_worst_of_a_watched_step_counts() {
    let mut judge = step("quantity = \"V DC\"\nat_least = \"11.5 V\"\ncapture = \"worst\"");
    feed(&mut judge, 0, [12.6, 12.4, 11.2, 12.5, 12.6]);
    let capture = judge.close(Mono(600_000), &[]).unwrap();
    assert_eq!((capture.how, capture.judgement.verdict()), (CaptureMethod::Worst, Some(Verdict::OutOfLimit)));
    assert_eq!(capture.judgement.value(), Some(Value::Number(11.2)));
}

#[test]
fn the_worst_by_a_limit_that_moves_is_judged_at_its_time() {
    // The feed may be 0.5 V below the battery: at 12.0 V it was 0.6 V below 12.6 V, later the battery is at 11 V itself.
    let text = "title = \"t\"\n[[step]]\nname = \"s\"\nchannel = \"probe\"\nquantity = \"V DC\"\ncapture = \"worst\"\n\
                at_most = \"0.5 V below battery\"\n";
    let procedure = Procedure::parse("p.toml", text).unwrap();
    let spec = &procedure.steps[0];
    let mut criteria = StepCriteria::of(spec, &Visit::default(), |name| (name == "probe").then_some(ChannelId(0)))
        .referring(spec, |_| Err(String::new()));
    let battery = crate::channel::Channel {
        name: "battery".to_owned(),
        meter: crate::channel::MeterId(0),
        meter_name: "board".to_owned(),
        reads: "v1".to_owned(),
        conversion: crate::channel::Conversion::NONE,
        range: None,
        fuse: None,
    };
    criteria.bench_channel(ChannelId(2), &battery);
    let contact = LeadContact::new(criteria.contact);
    let mut judge = StepJudge::new(criteria, Mono(0), contact);
    let mut events = Vec::new();
    for (at, battery, feed, verdict) in
        [(0, 12.6, 12.4, Verdict::InLimit), (1, 12.6, 12.0, Verdict::OutOfLimit), (2, 11.0, 10.9, Verdict::InLimit)]
    {
        judge.sample(&sample(2, at * 100_000, battery, Quantity::VoltsDc), &mut events);
        assert_eq!(judge.sample(&volts(at * 100_000, feed), &mut events), Some(verdict), "{at}");
    }
    let judgement = judge.close(Mono(400_000), &[]).unwrap().judgement;
    assert_eq!((judgement.verdict(), judgement.value()), (Some(Verdict::OutOfLimit), Some(Value::Number(12.0))));
    assert!(judgement.reason.contains("at most 0.5 V below battery, and that is 12.60 V"), "{}", judgement.reason);
}
