//! The shipped protocols, and what must hold for every protocol whatever bytes come.

use std::sync::Arc;

use proptest::prelude::*;

use super::{
    examples::show_reading,
    problem::{ProblemKind, REPORTED_OF_EACH_KIND},
    *,
};
use crate::{
    port::{DataBits, Level, Parity},
    words::{EnumWord, check_every_word},
};

/// What some bytes give under a protocol: readings and device times in canonical form, frame by
/// frame; problems behind the frame before them, with an exclamation mark.
pub(super) fn decoded(parts: &str, bytes: &[u8]) -> Vec<String> {
    decoded_with_losses(parts, &[bytes])
}

/// The same for a port that is lost, and found again, between one piece and the next.
pub(super) fn decoded_with_losses(parts: &str, pieces: &[&[u8]]) -> Vec<String> {
    let text = format!("name = \"test\"\nabout = \"a test\"\nsource = \"the test\"\n{parts}");
    let protocol = Protocol::parse("test.toml", &text).unwrap_or_else(|mistake| panic!("{mistake}"));
    let mut engine = Engine::new(Arc::new(protocol));
    let mut reported = Vec::new();
    let mut report = |engine: &Engine, out: &Decoded| {
        reported.extend(out.identities.iter().map(|(_, text)| format!("itself: {text}")));
        reported.extend(out.readings.iter().map(|r| show_reading(&engine.names()[usize::from(r.name)], r)));
        reported.extend(out.frames.iter().filter_map(|frame| frame.device_time).map(|time| format!("@ {time} s")));
        reported
            .extend(out.frames.iter().filter_map(|frame| frame.action).map(|action| format!("> {}", action.word())));
        reported.extend(out.problems.iter().map(|problem| format!("! {}", problem.reason)));
    };
    let mut out = Decoded::default();
    for (index, piece) in pieces.iter().enumerate() {
        if index > 0 {
            out.clear();
            engine.lost(&mut out);
            report(&engine, &out);
        }
        for byte in *piece {
            out.clear();
            engine.push(&[*byte], &mut out);
            report(&engine, &out);
        }
    }
    reported
}

fn shipped() -> Vec<Arc<Protocol>> {
    let library = Library::default();
    let (listed, errors) = library.all();
    assert!(errors.is_empty(), "{errors:?}");
    listed.iter().map(|listed| library.find(&listed.name).unwrap()).collect()
}

#[test]
fn shipped_protocols_hold_their_examples() {
    let failures: Vec<String> =
        shipped().iter().flat_map(|protocol| check(protocol)).map(|failure| failure.to_string()).collect();
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

#[test]
fn polled_protocols_are_distinguished_from_those_that_only_listen() {
    let shipped = shipped();
    let polled = shipped.iter().filter(|protocol| protocol.traffic() == Traffic::Polled);
    let polled: Vec<_> = polled.map(|protocol| &protocol.name[..]).collect();
    assert_eq!(polled, ["j1979-text", "scpi", "text-14-polled"]);
    assert!(
        shipped.iter().all(|p| Poller::new(p, crate::clock::Mono(0)).is_some() == (p.traffic() == Traffic::Polled))
    );
    let lcd = shipped.iter().find(|protocol| protocol.name == "lcd-mirror-14").unwrap();
    assert_eq!((lcd.serial.baud, lcd.serial.dtr, lcd.serial.rts), (Some(2400), Some(Level::On), Some(Level::Off)));
    let report = shipped.iter().find(|protocol| protocol.name == "report-14").unwrap();
    assert_eq!((report.serial.data_bits, report.serial.parity), (Some(DataBits::Seven), Some(Parity::Odd)));
}

#[test]
fn every_file_is_shipped_under_its_own_name() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols");
    let files = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<_> = files.filter(|path| path.extension().is_some_and(|end| end == "toml")).collect();
    files.retain(|path| path.is_file());
    let mut names: Vec<_> = files.iter().map(|path| path.file_stem().unwrap().to_str().unwrap()).collect();
    names.sort();
    assert_eq!(names, shipped().iter().map(|protocol| protocol.name.clone()).collect::<Vec<_>>());
}

/// Everything that some chunks give, glued together.
fn push_all<'a>(protocol: &Arc<Protocol>, chunks: impl Iterator<Item = &'a [u8]>) -> (Decoded, Vec<String>, Counts) {
    let mut engine = Engine::new(protocol.clone());
    let mut all = Decoded::default();
    for chunk in chunks {
        engine.push(chunk, &mut all);
    }
    (all, engine.names().to_vec(), engine.counts().clone())
}

/// Bytes near to what a protocol expects: pieces of its examples with damage between and in them.
fn hostile(protocol: &Protocol) -> impl Strategy<Value = Vec<u8>> + use<> {
    let mut examples: Vec<Vec<u8>> = protocol.examples().iter().map(Example::bytes).collect();
    // A report that is too short carries nothing.
    examples.retain(|bytes| !bytes.is_empty());
    let piece = prop_oneof![
        4 => prop::sample::select(examples.clone()),
        2 => (prop::sample::select(examples), any::<prop::sample::Index>(), any::<u8>()).prop_map(|(mut bytes, at, byte)| {
            let at = at.index(bytes.len());
            bytes[at] = byte;
            bytes
        }),
        1 => prop::collection::vec(any::<u8>(), 0..40),
        1 => "[-+0-9.,;:=eE\"{}\\[\\] \t\r\nOLnaif\u{b0}\u{3a9}mVA]{0,60}".prop_map(String::into_bytes),
    ];
    prop::collection::vec(piece, 0..12).prop_map(|pieces| pieces.concat())
}

/// A shipped protocol, bytes for it, and the sizes of the chunks they come in.
fn stream() -> impl Strategy<Value = (Arc<Protocol>, Vec<u8>, Vec<usize>)> {
    prop::sample::select(shipped()).prop_flat_map(|protocol| {
        let bytes = hostile(&protocol);
        (Just(protocol), bytes, prop::collection::vec(1usize..40, 1..20))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn any_chunks_give_the_same((protocol, bytes, sizes) in stream()) {
        let whole = push_all(&protocol, std::iter::once(&bytes[..]));
        let mut rest = &bytes[..];
        let chunks = sizes.iter().cycle().map_while(|size| {
            let (chunk, behind) = rest.split_at((*size).min(rest.len()));
            rest = behind;
            (!chunk.is_empty()).then_some(chunk)
        });
        prop_assert_eq!(&push_all(&protocol, chunks), &whole);
        prop_assert_eq!(&push_all(&protocol, bytes.chunks(1)), &whole);
    }

    #[test]
    fn readings_are_finite_and_counted((protocol, bytes, _) in stream()) {
        let (decoded, names, counts) = push_all(&protocol, std::iter::once(&bytes[..]));
        for reading in &decoded.readings {
            prop_assert!(usize::from(reading.name) < names.len());
            if let Value::Number(value) = reading.value {
                prop_assert!(value.is_finite());
            }
        }
        prop_assert_eq!(decoded.frames.last().map_or(0, |frame| frame.readings_end), decoded.readings.len());
        prop_assert_eq!((counts.frames, counts.readings), (decoded.frames.len() as u64, decoded.readings.len() as u64));
        prop_assert_eq!(counts.bytes, bytes.len() as u64);
        prop_assert!(counts.explained + counts.inconclusive <= counts.bytes && names.len() <= 256);
    }
}

#[test]
fn a_lost_port_tells_the_frame_that_was_begun() {
    let mut engine = Engine::new(Library::default().find("columns").unwrap());
    let mut out = Decoded::default();
    engine.push(b"1.5,2\n3,", &mut out);
    engine.lost(&mut out);
    engine.push(b"5.5,6\n", &mut out);
    assert_eq!(out.readings.len(), 4);
    assert_eq!(engine.counts().problems(ProblemKind::Partial), 1);
    assert_eq!(out.problems[0].frame, "3,");
}

#[test]
fn each_frame_is_counted_as_what_it_is() {
    let counts = |decode: &str, text: &str| {
        let head = "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"line\"\ncomment = \"#\"\n";
        let protocol = Protocol::parse("p.toml", &format!("{head}[decode]\n{decode}")).unwrap();
        let mut engine = Engine::new(Arc::new(protocol));
        engine.push(text.as_bytes(), &mut Decoded::default());
        let counts = engine.counts();
        assert_eq!(counts.explained + counts.inconclusive, text.len() as u64);
        [counts.frames, counts.without_values, counts.ignored, counts.inconclusive]
    };
    let columns = "kind = \"columns\"\nheader = \"optional\"\n";
    assert_eq!(counts(columns, "a,b\n1,2\nb,a\n3,4\n"), [2, 1, 0, 4]);
    assert_eq!(counts(columns, "1.5,2\n\n  \n# remark\n"), [1, 0, 0, 0]);
    let messages = "kind = \"pattern\"\n[[decode.message]]\npattern = '^V (?<value>.*)$'\n\
                    [[decode.message]]\npattern = '^BUTTON$'\naction = \"next\"\n\
                    [[decode.message]]\npattern = '^I am (?<itself>.*)$'\nidentity = \"itself\"\n\
                    [[decode.message]]\npattern = '^F (?<f>.*)$'\nwords.f = { V = \"V\" }\n\
                    [[decode.message]]\npattern = '^\\$'\n";
    assert_eq!(counts(messages, "V 1\nBUTTON\nI am one\nF V\n$x\n\t\n"), [2, 2, 1, 0]);
}

#[test]
fn only_the_first_problems_are_reported_and_all_are_counted() {
    let mut engine = Engine::new(Library::default().find("number").unwrap());
    let mut out = Decoded::default();
    engine.push(&b"x\n".repeat(1000), &mut out);
    assert_eq!(out.problems.len() as u64, REPORTED_OF_EACH_KIND);
    assert_eq!(engine.counts().all_problems(), 1000);
    assert_eq!(engine.counts().explained, 0);
    engine.reset_reported();
    engine.push(&b"x\n".repeat(1000), &mut out);
    assert_eq!(out.problems.len() as u64, 2 * REPORTED_OF_EACH_KIND);
    assert_eq!(engine.counts().all_problems(), 2000);
}

#[test]
fn a_missing_protocol_names_those_that_exist() {
    let error = Library::default().find("colums").unwrap_err().to_string();
    assert!(
        error.starts_with("there is no protocol \"colums\"; there are clamp-scans, columns, columns-ms"),
        "{error}"
    );
    assert!(Library::default().find("../columns").is_err());
}

#[test]
fn a_folder_comes_before_what_is_built_in() {
    let folder = tempfile::tempdir().unwrap();
    let text =
        "name = \"columns\"\nabout = \"mine\"\nsource = \"s\"\n[frame]\nkind = \"line\"\n[decode]\nkind = \"number\"\n";
    std::fs::write(folder.path().join("columns.toml"), text).unwrap();
    std::fs::write(folder.path().join("bad.toml"), "name = 3").unwrap();
    std::fs::write(folder.path().join("other.toml"), text).unwrap();
    let library = Library::new(vec![folder.path().join("absent"), folder.path().to_owned()]);
    assert_eq!(library.find("columns").unwrap().about, "mine");
    let (listed, errors) = library.all();
    assert_eq!(listed.iter().filter(|listed| listed.name == "columns").count(), 1);
    assert_eq!(errors.len(), 2, "{errors:?}");
    assert!(errors[1].to_string().contains("expected \"other\" as the file's"), "{}", errors[1]);
}

/// Seen: "found 11 bytes, expected 19", for a value that was said to stand behind the frame's end.
#[test]
fn a_wrong_at_is_reported_by_what_the_frame_has_and_what_is_read() {
    let file = |at: u32, length: u32| {
        let examples = "[[example]]\nhex = \"A5 01 02 03\"\ngives = [\"amps = 258\"]\n".repeat(4);
        let text = format!(
            "name = \"test\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"fixed\"\nlength = {length}\nstart = \"A5\"\n\
             [decode]\nkind = \"fields\"\norder = \"big\"\n[[decode.value]]\nname = \"amps\"\nat = {at}\ntype = \"u16\"\n{examples}"
        );
        let failures = check(&Protocol::parse("test.toml", &text).unwrap());
        failures.into_iter().map(|failure| failure.to_string()).find(|failure| failure.contains("is refused")).unwrap()
    };
    let behind = file(18, 4);
    assert!(
        behind.ends_with(
            "is refused: it has 4 bytes, but [decode] reads byte 19; check `at` and `type` there, or `length` in [frame]"
        ),
        "{behind}"
    );
    let before = file(2, 4);
    assert!(
        before.ends_with("is refused: it has 4 bytes, but [decode] reads 3; check `length` in [frame] and in [decode]"),
        "{before}"
    );
}

#[test]
fn an_example_that_does_not_hold_is_reported_with_its_byte() {
    let text = "name = \"p\"\nabout = \"a\"\nsource = \"s\"\n[frame]\nkind = \"line\"\n[decode]\nkind = \"columns\"\n\
                [[example]]\ntext = \"1.25,2\"\ngives = [\"v1 = 1.25\", \"v2 = 3\"]\n";
    let failures = check(&Protocol::parse("p.toml", text).unwrap());
    let reported: Vec<String> = failures.iter().map(ToString::to_string).collect();
    assert_eq!(
        reported,
        [
            "p.toml, line 8: found 1 examples, expected at least 4",
            "p.toml, line 8: reading 2, byte 6 of its frame: expected \"v2 = 3\", got \"v2 = 2\"",
        ]
    );
}

/// Every word of a type is read, and stands in the guide for those who write protocol files.
pub(super) fn check_words<T: EnumWord + PartialEq + std::fmt::Debug>() {
    check_every_word::<T>();
    T::VARIANTS.iter().for_each(|value| check_guide(value.word()));
}

pub(super) fn check_guide(word: &str) {
    let guide = include_str!("../../protocols/README.md");
    assert!(guide.contains(&format!("`{word}`")) || guide.contains(&format!("\"{word}\"")), "{word}");
}

/// The keys that a table has, by the mistake about one that it has not.
fn keys(parts: &str) -> Vec<String> {
    let text = format!("name = \"p\"\nabout = \"a\"\nsource = \"s\"\n{parts}");
    let message = Protocol::parse("p.toml", &text).unwrap_err().message;
    let (_, keys) = message.split_once("unknown key `zzz`, expected ").unwrap_or_else(|| panic!("{parts}: {message}"));
    keys.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

/// Each key of each table stands in the part of the guide that is about it.
#[test]
fn the_guide_names_every_key() {
    let guide = include_str!("../../protocols/README.md");
    let part = |title: &str| {
        let (_, rest) = guide.split_once(&format!("\n{title}\n")).unwrap_or_else(|| panic!("no part {title}"));
        let end = ["\n## ", "\n### "].iter().filter_map(|next| rest.find(next)).min().unwrap_or(rest.len());
        &rest[..end]
    };
    let (line, number) = ("[frame]\nkind = \"line\"\n", "[decode]\nkind = \"number\"\n");
    let values = "### Words for what is shown";
    let mut tables = vec![
        ("## The parts of a file".to_owned(), format!("zzz = 1\n{line}{number}")),
        ("## The parts of a file".to_owned(), format!("[serial]\nzzz = 1\n{line}{number}")),
        ("## `[hid]`".to_owned(), format!("[hid]\nzzz = 1\n{line}{number}")),
        ("## `[checksum]`".to_owned(), format!("[checksum]\nkind = \"sum8\"\nzzz = 1\n{line}{number}")),
        ("## `[poll]`".to_owned(), format!("[poll]\nzzz = 1\n{line}{number}")),
        ("## `[poll]`".to_owned(), format!("[poll]\nevery = \"1 s\"\nrequest = [{{ zzz = 1 }}]\n{line}{number}")),
        (
            "## `[poll]`".to_owned(),
            format!(
                "[poll]\nevery = \"1 s\"\nrequest = [{{ name = \"a\", send = \"A\" }}]\nerrors = {{ zzz = 1 }}\n{line}{number}"
            ),
        ),
        ("## `[[action]]`".to_owned(), format!("{line}{number}[[action]]\nzzz = 1\n")),
        ("## `[[example]]`".to_owned(), format!("{line}{number}[[example]]\nzzz = 1\n")),
        ("### `pattern`".to_owned(), format!("{line}[decode]\nkind = \"pattern\"\n[[decode.message]]\nzzz = 1\n")),
        (
            "### `pattern`".to_owned(),
            format!("{line}[decode]\nkind = \"pattern\"\n[[decode.message]]\nvalue = [{{ zzz = 1 }}]\n"),
        ),
        ("### `fields`".to_owned(), format!("{line}[decode]\nkind = \"fields\"\n[[decode.value]]\nzzz = 1\n")),
    ];
    for kind in frame::FrameKind::VARIANTS {
        let frame = format!("[frame]\nkind = \"{}\"\nzzz = 1\n{number}", kind.word());
        tables.push(("## `[frame]`".to_owned(), frame));
    }
    for kind in decode::DecodeKind::VARIANTS {
        tables
            .push((format!("### `{}`", kind.word()), format!("{line}[decode]\nkind = \"{}\"\nzzz = 1\n", kind.word())));
    }
    for (title, text) in tables {
        let (part, common) = (part(&title), part("## `[decode]`"));
        for key in keys(&text) {
            let is_named = |part: &str| {
                [
                    format!("`{key}`"),
                    format!("`{key} ="),
                    format!("[{key}]"),
                    format!("`{key}."),
                    format!(".{key}]]"),
                    format!("{key} ="),
                    format!(" {key},"),
                    format!(" {key} }}"),
                ]
                .iter()
                .any(|form| part.contains(form))
            };
            assert!(is_named(part) || is_named(common) && title.starts_with("###"), "{title} lacks {key}");
        }
    }
    assert!(!part(values).is_empty());
}

#[test]
fn words_of_actions_and_clocks() {
    check_words::<Action>();
    check_words::<counters::TimeUnit>();
}
