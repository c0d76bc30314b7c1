//! What `capture` does, case by case.

use proptest::prelude::*;

use super::*;

const EXAMPLE: &str = "bayline capture 1\n\
    # /dev/ttyUSB0, 9600 8N1\n\
    0 opened\n\
    151203 \"12.45 V\\r\\n\"\n\
    252012 \"\\xb5\\t\\\"\\\\\"\n\
    900000 <1b 00 ff 7c>\n\
    950000 lost the other end closed it\n";

fn at(micros: u64) -> Duration {
    Duration::from_micros(micros)
}

fn read(text: &[u8]) -> (Vec<Entry>, u64, bool) {
    let mut reader = CaptureReader::new(text).unwrap();
    let entries = reader.by_ref().collect::<Result<_, _>>().unwrap();
    (entries, reader.damaged(), reader.cut_off())
}

fn write(entries: &[Entry]) -> Vec<u8> {
    let mut writer = CaptureWriter::new(Vec::new(), "/dev/ttyUSB0, 9600 8N1").unwrap();
    for entry in entries {
        match &entry.what {
            Recorded::Bytes(bytes) => writer.bytes(entry.at, bytes),
            Recorded::Opened => writer.opened(entry.at),
            Recorded::Lost(why) => writer.lost(entry.at, why),
        }
        .unwrap();
    }
    writer.into_inner()
}

#[test]
fn the_example_is_what_is_written_and_read() {
    let bytes = |micros, bytes: &[u8]| Entry { at: at(micros), what: Recorded::Bytes(bytes.to_vec()) };
    let entries = [
        Entry { at: at(0), what: Recorded::Opened },
        bytes(151_203, b"12.45 V\r\n"),
        bytes(252_012, b"\xb5\t\"\\"),
        bytes(900_000, b"\x1b\0\xff|"),
        Entry { at: at(950_000), what: Recorded::Lost("the other end closed it".to_owned()) },
    ];
    assert_eq!(String::from_utf8(write(&entries)).unwrap(), EXAMPLE);
    assert_eq!(read(EXAMPLE.as_bytes()), (entries.to_vec(), 0, false));
}

#[test]
fn a_person_may_edit_it() {
    let edited = EXAMPLE.replace('\n', "\r\n") + "\n# cut here\n7 <1B00>\n8 \"last\"";
    let (entries, damaged, cut_off) = read(edited.as_bytes());
    assert_eq!((entries.len(), damaged, cut_off), (7, 0, false));
    assert_eq!(entries[5].what, Recorded::Bytes(vec![0x1b, 0]));
}

#[test]
fn damaged_lines_are_counted_and_left_out() {
    let damaged = "bayline capture 1\nnonsense\n1 \"a\\q\"\n2 <1>\n3 \"a\"b\"\n-4 \"a\"\n5 \"kept\"\n\0\0\0\n";
    let (entries, damaged, cut_off) = read(damaged.as_bytes());
    assert_eq!((entries.len(), damaged, cut_off), (1, 6, false));
    let long = format!("bayline capture 1\n1 \"{}\"\n2 \"kept\"\n", "x".repeat(9 * LONGEST_LINE));
    let (entries, damaged, _) = read(long.as_bytes());
    assert_eq!(entries.last().unwrap().at, at(2));
    assert!(damaged >= 9);
}

#[test]
fn another_file_is_refused() {
    let error = CaptureReader::new(&b"time;volts\n1;2\n"[..]).unwrap_err();
    assert!(error.to_string().contains("time;volts"), "{error}");
    assert!(CaptureReader::new(&b""[..]).is_err());
    assert!(CaptureReader::new(&b"bayline capture 2\n"[..]).is_err());
}

fn some_entries() -> impl Strategy<Value = Vec<Entry>> {
    let bytes = prop_oneof![
        prop::collection::vec(any::<u8>(), 1..40),
        "[ -~\r\n\t]{1,40}".prop_map(String::into_bytes),
        prop::collection::vec(any::<u8>(), LONGEST_PIECE..=LONGEST_PIECE),
    ];
    let what = prop_oneof![
        8 => bytes.prop_map(Recorded::Bytes),
        1 => Just(Recorded::Opened),
        1 => "([ -~]{0,40}[!-~])?".prop_map(Recorded::Lost),
    ];
    prop::collection::vec((any::<u64>(), what).prop_map(|(micros, what)| Entry { at: at(micros), what }), 0..12)
}

proptest! {
    #[test]
    fn what_was_written_is_read(entries in some_entries()) {
        prop_assert_eq!(read(&write(&entries)), (entries, 0, false));
    }

    #[test]
    fn cut_off_anywhere_it_is_whole_up_to_there(entries in some_entries(), cut in any::<prop::sample::Index>()) {
        let text = write(&entries);
        let first = FIRST_LINE.len() + 1;
        let end = first + cut.index(text.len() - first + 1);
        let (kept, damaged, _) = read(&text[..end]);
        prop_assert_eq!(damaged, 0);
        // All lines that are whole, and the last one too where only its end of line is missing.
        let whole = text[..end].iter().filter(|byte| **byte == b'\n').count().saturating_sub(2);
        prop_assert!(kept.len() == whole.min(entries.len()) || kept.len() == whole + 1);
        for (kept, written) in kept.iter().zip(&entries) {
            match (&kept.what, &written.what) {
                // A remark may be cut in the middle: it says nothing that is computed with.
                (Recorded::Lost(part), Recorded::Lost(why)) => prop_assert!(why.starts_with(part.as_str())),
                _ => prop_assert_eq!(kept, written),
            }
        }
    }

    #[test]
    fn any_bytes_can_be_read(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let text = [FIRST_LINE.as_bytes(), b"\n", &bytes].concat();
        let mut reader = CaptureReader::new(&text[..]).unwrap();
        for entry in reader.by_ref() {
            prop_assert!(entry.is_ok());
        }
    }
}
