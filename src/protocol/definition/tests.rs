//! Mistakes in protocol files carry their line and what was expected: all of them, part by part.

use std::fmt::Write as _;

use super::Protocol;
use crate::{
    port::{Greeting, HidCable, Outgoing, Payload, Settings},
    protocol::check,
};

const HEAD: &str = "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n";

/// The mistake of a file with these parts, without the file's name.
fn mistake(parts: &str) -> String {
    let reported = Protocol::parse("p.toml", &format!("{HEAD}{parts}")).unwrap_err().to_string();
    reported.strip_prefix("p.toml, ").unwrap_or(&reported).to_owned()
}

fn of_frame(frame: &str) -> String {
    mistake(&format!("[frame]\n{frame}\n[decode]\nkind = \"number\"\n"))
}

fn of_decode(decode: &str) -> String {
    mistake(&format!("[frame]\nkind = \"line\"\n[decode]\n{decode}\n"))
}

fn of_part(part: &str) -> String {
    mistake(&format!("{part}\n[frame]\nkind = \"line\"\n[decode]\nkind = \"number\"\n"))
}

#[test]
fn whole_files() {
    assert_eq!(mistake(""), "line 1: expected a part [frame] with its kind");
    // The parts that come in kinds are looked for first.
    let capitals = HEAD.replace("\"p\"", "\"P 1\"");
    assert!(Protocol::parse("p.toml", &capitals).unwrap_err().to_string().starts_with("p.toml, line 1: "));
    let line_and_number = "[frame]\nkind = \"line\"\n[decode]\nkind = \"number\"\n";
    let name = Protocol::parse("p.toml", &format!("{capitals}{line_and_number}")).unwrap_err().to_string();
    assert_eq!(name, "p.toml, line 1: found the name \"P 1\", expected small letters, digits and hyphens");
}

#[test]
fn frames() {
    assert_eq!(
        of_frame("kind = \"lime\""),
        "line 5: found the kind \"lime\", expected one of \"line\", \"fixed\", \"indexed-nibbles\", \
         \"length-prefixed\", \"cobs\", \"slip\""
    );
    assert_eq!(of_frame("kind = \"line\"\nlongest = 0"), "line 6: found 0, expected a whole number from 1 to 65536");
    assert_eq!(
        of_frame("kind = \"fixed\"\nlength = 3\nstart = \"..\""),
        "line 5: expected `start` or `end`, or a checksum, to know a frame by"
    );
    let unmarked = |checksum: &str| {
        let frame = "[frame]\nkind = \"fixed\"\nlength = 3\n[decode]\nkind = \"number\"\n[checksum]\n";
        Protocol::parse("p.toml", &format!("{HEAD}{frame}kind = \"{checksum}\"\n")).map(|_| ())
    };
    assert_eq!(unmarked("sum8"), Ok(()));
    assert!(unmarked("none").unwrap_err().to_string().starts_with("p.toml, line 5: expected `start`"));
    assert_eq!(
        of_frame("kind = \"fixed\"\nlength = 1\nstart = \"A5 5A\""),
        "line 6: expected a length that holds the marks at both ends"
    );
    assert!(of_frame("kind = \"fixed\"\nlength = 3\nstart = \"A\"").starts_with("line 7: found \"A\", expected pairs"));
    assert_eq!(
        of_frame("kind = \"indexed-nibbles\"\nlength = 16"),
        "line 6: found 16, expected a whole number from 2 to 15"
    );
    assert_eq!(
        of_frame("kind = \"length-prefixed\"\nlength = { at = 0 }"),
        "line 6: found 0, expected a whole number from 1 to 65536"
    );
    assert_eq!(
        of_frame("kind = \"length-prefixed\"\nlength = { at = 2, size = 2 }"),
        "line 6: expected `order`: \"little\" or \"big\""
    );
}

#[test]
fn checksums() {
    assert!(
        of_part("[checksum]\nkind = \"CRC-16/CCITT\"")
            .starts_with("line 5: found \"CRC-16/CCITT\", a name that several go by")
    );
    assert!(
        of_part("[checksum]\nkind = \"md5\"")
            .contains("expected \"none\", \"sum8\", \"sum16\", \"xor\" or a name of the CRC")
    );
    assert_eq!(of_part("[checksum]\nkind = \"CRC-16/ARC\""), "line 5: expected `order`: \"little\" or \"big\"");
    assert!(of_part("[checksum]\nkind = \"xor\"\ncomplement = \"ones\"").starts_with("line 6: found a complement"));
    assert!(
        of_part("[checksum]\nkind = \"xor\"\nafter = \"*\"\nat = -1").starts_with("line 7: found `at` beside `after`")
    );
    assert!(of_part("[checksum]\nkind = \"xor\"\nat = 0").starts_with("line 6: expected a byte counted from 1"));
    assert!(
        of_part("[checksum]\nkind = \"xor\"\nrequired = false").starts_with("line 6: only a checksum behind a mark")
    );
}

#[test]
fn numbers_and_columns() {
    assert!(of_decode("kind = \"number\"\nsize = 3").starts_with("line 8: unknown key `size`"));
    let columns = |rest: &str| of_decode(&format!("kind = \"columns\"\n{rest}"));
    assert_eq!(
        columns("separator = \"1\""),
        "line 8: found the separator \"1\", expected \"any\" or text that is in no number"
    );
    assert_eq!(
        columns("header = \"maybe\""),
        "line 8: found \"maybe\", expected \"none\", \"optional\" or \"required\""
    );
    assert_eq!(columns("names = [\"a\", \"a\"]"), "line 8: found the name \"a\" twice");
    assert_eq!(
        columns("header = \"optional\"\nnames = [\"a\"]"),
        "line 9: found names beside a header, expected one of them"
    );
}

#[test]
fn patterns() {
    let message = "kind = \"pattern\"\n[[decode.message]]\n";
    let wrong = of_decode(&format!("{message}pattern = '(?<value>['"));
    assert!(wrong.starts_with("line 9: expected a regular expression: "), "{wrong}");
    assert_eq!(
        of_decode(&format!("{message}pattern = 'x'\nwords.kind = {{ a = \"V\" }}")),
        "line 10: the pattern has no group (?<kind>…)"
    );
    let wrong = of_decode(&format!("{message}pattern = '(?<kind>.)'\nwords.kind = {{ a = \"Vx\" }}"));
    assert!(wrong.starts_with("line 10: found \"Vx\", expected a unit, a prefix"), "{wrong}");
    let wrong = of_decode(&format!("{message}pattern = 'x'\nanswers = [\"reading\"]"));
    assert_eq!(wrong, "line 10: found \"reading\", expected the name of a request of [poll]");
}

#[test]
fn displays() {
    let report =
        |rest: &str| of_decode(&format!("kind = \"report\"\nlength = 5\ndigits = {{ at = 2, count = 4 }}\n{rest}"));
    assert_eq!(report("sign = 6"), "line 8: byte 6 is used, expected a length that holds it");
    let places = "codes = [{ at = 1, is = { a = { shows = \"V\", places = [1] } } }]";
    assert!(report(places).starts_with("line 10: found places by range, expected `range`"));
    assert!(
        report("flags = [{ bit = \"1.8\", shows = \"V\" }]")
            .starts_with("line 10: found \"1.8\", expected a byte from 1")
    );
    assert!(report("codes = [{ at = 1, is = { a = \"V\", bc = \"A\" } }]").contains("expected values of one length"));
    let six = "digits = [{ segments = \"1.0 1.1 1.2 1.3 1.4 1.5\" }]";
    assert!(of_decode(&format!("kind = \"segments\"\n{six}")).starts_with("line 8: expected seven bits"));
}

#[test]
fn fields() {
    let value = |rest: &str| of_decode(&format!("kind = \"fields\"\n[[decode.value]]\nname = \"v\"\n{rest}"));
    assert_eq!(value("at = 1\ntype = \"i16\""), "line 10: expected `order`: \"little\" or \"big\"");
    assert_eq!(value("at = 0\ntype = \"i8\""), "line 10: found 0, expected a whole number from 1 to 65536");
    assert!(value("at = 1\ntype = \"i64\"").starts_with("line 11: found \"i64\", expected one of"));
    assert!(value("at = 1\ntype = \"u8\"\nbits = [7, 2]").starts_with("line 12: expected the lowest bit and a count"));
    assert!(value("at = 1\ntype = \"u8\"\nscale = 0.0").starts_with("line 12: expected a scale other than 0"));
    let scans =
        "kind = \"fields\"\nscans = { at = 1, length = 1 }\n[[decode.value]]\nname = \"v\"\nat = 2\ntype = \"u8\"";
    assert!(of_decode(scans).contains("byte 2 of a scan is used"));
}

#[test]
fn cables() {
    let hid = |rest: &str| of_part(&format!("[hid]\n{rest}"));
    let counted = "payload = { at = 2, count_at = 1 }\n";
    assert!(hid("").contains("line 4: missing key `payload`"));
    assert!(hid("payload = { at = 2, counts = 1 }").starts_with("line 5: unknown key `counts`"));
    assert_eq!(
        hid("payload = { at = 2 }"),
        "line 5: expected `count`, or `count_at` for a report that counts its bytes"
    );
    assert_eq!(hid("payload = { at = 0, count = 3 }"), "line 5: found 0, expected a whole number from 1 to 4096");
    assert_eq!(hid("payload = { at = 2, count = 0 }"), "line 5: expected 1 to 4095 bytes");
    assert_eq!(
        hid("payload = { at = 2, count_at = 1, count_bits = 9 }"),
        "line 5: found 9, expected a whole number from 1 to 8"
    );
    assert!(hid("payload = { at = 2, count = 1, count_bits = 3 }").starts_with("line 5: found `count_bits` without"));
    assert_eq!(hid(&format!("{counted}mask = \"4g\"")), "line 6: expected pairs of hexadecimal digits");
    assert_eq!(hid(&format!("{counted}mask = \"\"")), "line 6: expected 1 to 4096 bytes, in hexadecimal digits");
    assert_eq!(hid(&format!("{counted}greeting = [\n{{}}]")), "line 7: expected `feature` or `output` in a greeting");
    let outgoing = |rest: &str| hid(&format!("{counted}outgoing = {{ {rest} }}"));
    assert_eq!(outgoing("length = 1, at = 2"), "line 6: found 1, expected a whole number from 2 to 4096");
    assert!(outgoing("length = 9, at = 1").starts_with("line 6: expected a byte from 2 to 9"));
    assert!(outgoing("length = 9, at = 10").starts_with("line 6: expected a byte from 2 to 9"));
    assert_eq!(outgoing("length = 9, at = 3, count_at = 3"), "line 6: expected a byte before byte 3");
    assert!(outgoing("length = 9, at = 3, count_with = 1").starts_with("line 6: found `count_with` without"));
    assert!(outgoing("length = 9, at = 3, count_at = 2, count_with = 1").starts_with("line 6: expected room"));
    let asking = "[poll]\nevery = \"1 s\"\nrequest = [{ name = \"a\", send = \"x\" }]";
    assert_eq!(
        hid(&format!("{counted}{asking}")),
        "line 4: expected `outgoing`, by which [poll] asks through this cable"
    );
    assert_eq!(
        of_part("[[example]]\nhid = [\"00\"]\ngives = []"),
        "line 5: found reports of a HID cable, expected a part [hid] that says how they carry bytes"
    );
    assert_eq!(
        hid(&format!("{counted}[[example]]\nhid = [\n\"01 31\",\n\"0\"]\ngives = [\"value = 1\"]")),
        "line 9: expected pairs of hexadecimal digits"
    );
}

#[test]
fn a_cable_is_read_as_it_is_written() {
    let text = "[hid]\npayload = { at = 3, count_at = 2, count_bits = 6 }\nmask = \"ff 0f\"\n\
                greeting = [{ output = \"01 02\" }, { feature = \"00 60\" }]\n\
                outgoing = { length = 64, at = 3, count_at = 2, count_with = 0xC0, number = 7 }\n";
    let text = format!("{HEAD}[frame]\nkind = \"line\"\n[decode]\nkind = \"number\"\n{text}");
    let expected = HidCable {
        payload: Payload::Counted { at: 1, bits: 0x3f, from: 2 },
        mask: vec![0xff, 0x0f],
        greeting: vec![Greeting::Output(vec![1, 2]), Greeting::Feature(vec![0, 0x60])],
        outgoing: Some(Outgoing { length: 64, count_at: Some(1), count_with: 0xc0, from: 2, number: 7 }),
    };
    let protocol = Protocol::parse("p.toml", &text).unwrap();
    assert_eq!(protocol.settings(Settings::default()).hid, Some(expected));
    // Nothing proves it yet.
    let reported: Vec<String> = check(&protocol).iter().map(ToString::to_string).collect();
    assert_eq!(reported.last().unwrap(), "p.toml, line 13: expected an example with `hid`, which proves [hid]");

    let fixed = text.replace("at = 3, count_at = 2, count_bits = 6 }", "at = 2, count = 3 }");
    let hid = Protocol::parse("p.toml", &fixed).unwrap().hid.unwrap();
    assert_eq!(hid.payload, Payload::Fixed { from: 1, count: 3 });
}

/// The layout decides what an example's reports give: a wrong one is reported like any wrong decoder.
#[test]
fn reports_prove_the_cable() {
    let failures = |payload: &str, example: &str| -> Vec<String> {
        let text = format!(
            "{HEAD}[hid]\npayload = {payload}\n[frame]\nkind = \"line\"\n[decode]\nkind = \"number\"\n\
             [[example]]\n{example}\n"
        );
        let protocol = Protocol::parse("p.toml", &text).unwrap();
        check(&protocol).iter().map(|failure| failure.0.message.clone()).skip(1).collect()
    };
    let (counted, good) = ("{ at = 2, count_at = 1 }", "hid = [\"02 31 2E\", \"00 FF FF\", \"02 35 0A\"]");
    assert_eq!(failures(counted, &format!("{good}\ngives = [\"value = 1.5\"]")), [""; 0]);
    let one = failures("{ at = 3, count_at = 1 }", &format!("{good}\ngives = [\"value = 1.5\"]"));
    assert_eq!(one, ["refused: a report of 3 bytes came where at least 4 were expected"]);
    let none = failures("{ at = 2, count = 1 }", &format!("{good}\ngives = [\"value = 1.5\"]"));
    assert_eq!(none, ["reading 1: expected \"value = 1.5\", but the bytes give no further reading"]);
    let short = "hid = [\"03 31 0A\"]\nrefused = \"of 3 bytes came where at least 4\"";
    assert_eq!(failures(counted, short), [""; 0]);
}

#[test]
fn polling_and_the_rest() {
    let poll = |rest: &str| of_part(&format!("[poll]\nevery = \"1 s\"\n{rest}"));
    assert_eq!(poll("request = []"), "line 6: expected 1 to 64 requests");
    assert!(poll("request = [{ name = \"open\", send = \"x\" }]").starts_with("line 6: found the name \"open\""));
    assert!(poll("request = [{ name = \"a\" }]").contains("expected `send` or `hex` in a request"));
    assert!(
        of_part("[poll]\nevery = \"1 V\"\nrequest = [{ name = \"a\", send = \"x\" }]")
            .contains("line 5: found \"1 V\"")
    );
    let parity = of_part("[serial]\nparity = \"mark\"");
    assert!(parity.starts_with("line ") && parity.contains("mark"), "{parity}");
    assert_eq!(
        of_part("[[action]]\ntext = \"\"\ndoes = \"take\""),
        "line 4: found an empty action, expected what the device sends"
    );
    assert!(
        of_part("[[action]]\ntext = \"x\"\ndoes = \"dance\"").starts_with("line 6: found \"dance\", expected one of")
    );
    assert!(
        of_part("[[example]]\ntext = \"1\"\nasked = \"x\"\ngives = [\"value = 1\"]").contains("a request of [poll]")
    );
}

/// Every protocol in the guide is one that holds.
#[test]
fn the_guide_is_right() {
    let guide = include_str!("../../../protocols/README.md");
    let mut checked = 0;
    for block in guide.split("```toml\n").skip(1) {
        let text = block.split("```").next().unwrap_or_default();
        let protocol = Protocol::parse("README.md", text).unwrap_or_else(|mistake| panic!("{mistake}"));
        let mut reported = String::new();
        check(&protocol).iter().for_each(|failure| writeln!(reported, "{failure}").unwrap());
        assert_eq!(reported, "");
        checked += 1;
        // The failure that the guide shows is the one that this mistake makes.
        let wrong = text.replacen("value = -0.0512 V DC, digit 0.00001", "value = -0.512 V DC", 1);
        let reported: Vec<String> =
            check(&Protocol::parse("my-meter.toml", &wrong).unwrap()).iter().map(ToString::to_string).collect();
        assert_eq!(reported.len(), 1);
        assert!(guide.contains(&reported[0]), "{}", reported[0]);
    }
    assert_eq!(checked, 1);
}
