//! A target for each framer and decoder, for protocol files, and for all that ships.

use bayline::protocol::Protocol;
use bayline_fuzz::{protocol, shipped, try_bytes};

const LINE: &str = "[frame]\nkind = \"line\"\n";
const FIELDS: &str = "[decode]\nkind = \"fields\"\norder = \"little\"\nscans = { at = 3, length = 2, apart = \"1 ms\" }\n\
    sequence = { at = 2, type = \"u8\" }\n[[decode.value]]\nname = \"v\"\nat = 1\ntype = \"i16\"\n";

macro_rules! targets {
    ($($name:ident: $parts:expr;)*) => {
        $(#[test]
        fn $name() {
            let protocol = protocol(&$parts.concat());
            bolero::check!().for_each(|bytes: &[u8]| try_bytes(&protocol, bytes));
        })*
    };
}

targets! {
    frame_line: ["[frame]\nkind = \"line\"\nterminator = \"ab\"\nlongest = 9\n[decode]\nkind = \"number\"\n"];
    frame_fixed: ["[frame]\nkind = \"fixed\"\nlength = 5\nstart = \"A5\"\nend = \"0.\"\n", FIELDS];
    frame_indexed_nibbles: [
        "[frame]\nkind = \"indexed-nibbles\"\nlength = 5\n",
        "[decode]\nkind = \"segments\"\ndigits = [{ segments = \"1.0 1.1 1.2 1.3 2.0 2.1 2.2\", point = \"2.3\" }]\n\
         flags = [{ bit = \"5.0\", shows = \"mV\" }]\n",
    ];
    frame_length_prefixed: [
        "[frame]\nkind = \"length-prefixed\"\nstart = \"A5\"\nlength = { at = 2, add = 3 }\nlongest = 60\n[checksum]\nkind = \"xor\"\n",
        FIELDS,
    ];
    frame_cobs: ["[frame]\nkind = \"cobs\"\nlongest = 40\n[checksum]\nkind = \"sum8\"\n", FIELDS];
    frame_slip: ["[frame]\nkind = \"slip\"\nlongest = 40\n", FIELDS];
    decode_columns: [LINE, "[decode]\nkind = \"columns\"\nheader = \"optional\"\nsequence = { column = 2, bits = 8 }\n"];
    decode_pairs: [LINE, "[decode]\nkind = \"pairs\"\ntime = { name = \"t\", unit = \"ms\", bits = 16 }\n"];
    decode_json: [LINE, "[decode]\nkind = \"json\"\n"];
    decode_number: [LINE, "[decode]\nkind = \"number\"\n"];
    decode_pattern: [
        LINE,
        "[decode]\nkind = \"pattern\"\n\
         [[decode.message]]\npattern = '^(?<f>A|B)$'\nwords.f = { A = \"V DC\", B = [\"m\", \"A\"] }\n\
         [[decode.message]]\npattern = '^(?<value>[^ ]+) ?(?<unit>.*)$'\n",
    ];
    decode_report: [
        LINE,
        "[decode]\nkind = \"report\"\nlength = 7\nrange = 1\ndigits = { at = 2, count = 3 }\noverload = [\"OL \"]\n\
         codes = [{ at = 5, is = { \"a\" = { shows = \"V\", places = [-2, -1] }, \"b\" = \"ohm\" } }]\n\
         flags = [{ bit = \"6.0\", shows = \"minus\" }, { bit = \"7.3\", form = \"hex\", shows = \"over\" }]\n",
    ];
    decode_segments: [
        "[frame]\nkind = \"fixed\"\nlength = 3\nend = \".5\"\n",
        "[decode]\nkind = \"segments\"\ndigits = [{ segments = \"1.0 1.1 1.2 1.3 1.4 1.5 1.6\" },\n\
         { segments = \"2.0 2.1 2.2 2.3 2.4 2.5 2.6\", point = \"2.7\" }]\nflags = [{ bit = \"3.4\", shows = \"k\" }]\n",
    ];
    decode_fields: [
        "[frame]\nkind = \"fixed\"\nlength = 14\nstart = \"A.\"\n[decode]\nkind = \"fields\"\norder = \"big\"\n\
         time = { at = 2, type = \"u8\", unit = \"ms\" }\ncodes = [{ at = 1, type = \"u8\", bits = [0, 1], is = { 0 = \"V\", 1 = \"A\" } }]\n\
         [[decode.value]]\nname = \"f\"\nat = 3\ntype = \"f64\"\n[[decode.value]]\nname = \"i\"\nat = 11\ntype = \"i32\"\nbits = [3, 20]\nscale = 0.25\n",
    ];
}

#[test]
fn all_that_ships() {
    let shipped = shipped();
    bolero::check!().for_each(|bytes: &[u8]| {
        if let Some((first, rest)) = bytes.split_first() {
            try_bytes(&shipped[usize::from(*first) % shipped.len()], rest);
        }
    });
}

/// A file is read or refused, and one that is read can be used.
#[test]
fn protocol_files() {
    bolero::check!().for_each(|bytes: &[u8]| {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        if let Ok(protocol) = Protocol::parse("fuzz.toml", text) {
            try_bytes(&std::sync::Arc::new(protocol), bytes);
        }
    });
}
