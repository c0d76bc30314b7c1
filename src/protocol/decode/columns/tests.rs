//! What `columns` does, case by case.

use crate::protocol::tests::{decoded, decoded_with_losses};

fn check(decode: &str, text: &str, expected: &[&str]) {
    let frame = "[frame]\nkind = \"line\"\n";
    assert_eq!(decoded(&format!("{frame}[decode]\nkind = \"columns\"\n{decode}"), text.as_bytes()), expected, "{text}");
}

#[test]
fn any_separator_and_any_mix() {
    for text in ["1.5,-2", "1.5;-2", "1.5\t-2", "1.5 -2", " 1.5 ,\t -2 ", "1.5,-2,"] {
        let tab_makes_an_empty_column = text.contains(",\t");
        let second = if tab_makes_an_empty_column { "v3 = -2" } else { "v2 = -2" };
        check("", &format!("{text}\n"), &["v1 = 1.5", second]);
    }
}

#[test]
fn an_empty_column_is_absent() {
    check("", "1,,3\n,2,\n,,\n", &["v1 = 1", "v3 = 3", "v2 = 2"]);
}

#[test]
fn units_belong_to_the_number_before_them() {
    let readings = ["v1 = 12.45 V DC", "v2 = 0.0003 A", "v3 = OL"];
    check("", "12.45 V DC 0.3 mA OL\n", &readings);
    check("", "12.45 VDC, 0.3mA, OL\n", &readings);
    check("separator = \"|\"", "12.45 V DC | 0.3 mA | OL\n", &readings);
}

#[test]
fn a_damaged_column_refuses_the_line_and_a_bad_value_only_itself() {
    check(
        "",
        "1.5,2\n1,x\n1,nan\n",
        &[
            "v1 = 1.5",
            "v2 = 2",
            "! byte 3: found \"x\", expected a number",
            "v1 = 1",
            "! byte 3: found \"nan\", expected a finite number",
        ],
    );
    check("", "1.5,2\n1,\u{fffd}\n", &["v1 = 1.5", "v2 = 2", "! byte 3: found \"\u{fffd}\", expected a number"]);
}

#[test]
fn a_header_names_the_columns() {
    let rule = "header = \"optional\"";
    check(rule, "lift coil, spool\n1,2\n", &["lift coil = 1", "spool = 2"]);
    check(rule, "lift spool\n1 2\nspool lift\n1 2\n", &["lift = 1", "spool = 2", "spool = 1", "lift = 2"]);
    // The board's greeting, and the end of a header that was cut by opening the port.
    check(rule, "ready\n1.5,2\n", &["v1 = 1.5", "v2 = 2"]);
    check(
        rule,
        "1.5,2\nboot ok\n1.5,2\n",
        &["v1 = 1.5", "v2 = 2", "! expected numbers, found words after columns without a header", "v1 = 1.5", "v2 = 2"],
    );
}

#[test]
fn a_refused_line_after_a_header_does_not_use_it_up() {
    check(
        "header = \"required\"",
        "1.5,2\na,b\n1\n1,x\n1,2\n",
        &[
            "! expected a header line with the names of the columns first",
            "! found 1 columns, expected 2",
            "! byte 3: found \"x\", expected a number",
            "a = 1",
            "b = 2",
        ],
    );
}

#[test]
fn a_comma_is_the_decimal_sign_where_something_else_separates() {
    // `1,5;2,5` once became the four values 1, 5, 2, 5.
    for text in ["1,5;-2", "1,5\t-2", "1,5 -2", "1,5; -2", "1,5 ;-2;"] {
        check("", &format!("{text}\n"), &["v1 = 1.5", "v2 = -2"]);
    }
    check("", "12,45 V;- 0,3 mA;OL\n", &["v1 = 12.45 V", "v2 = -0.0003 A", "v3 = OL"]);
    check("separator = \";\"", "1,5;2,5\n", &["v1 = 1.5", "v2 = 2.5"]);
    // Once it is known to be that, it stands in no thousands.
    check("", "1,234;7,512\n", &["v1 = 1.234", "v2 = 7.512"]);
}

#[test]
fn a_comma_that_may_be_either_is_refused_until_the_columns_are_counted() {
    let either = "! the comma may be a decimal sign or stand between two values; write a protocol with `separator` or `names` \
         (protocols/README.md)";
    check("", "1,5\n1,234.5\n1,5;2.5\n", &[either, either, either]);
    let two = ["v1 = 1.5", "v2 = 2", "v1 = 1.5", "v2 = 3", "v1 = 1", "v2 = 5"];
    check("", "1.5,2\n1,5\n1.5,3\n1,5\n", &[&two[..2], &[either], &two[2..]].concat());
    check("", "12,05\n12,5\n0,07\n12,5\n", &["v1 = 12.05", either, "v1 = 0.07", "v1 = 12.5"]);
    // A header, names or a column of time settle it.
    check("header = \"optional\"", "a,b\n1,5\n", &["a = 1", "b = 5"]);
    check("names = [\"a\"]", "1,5\n", &["a = 1.5"]);
    check("names = [\"a\", \"b\"]", "1,5\n", &["a = 1", "b = 5"]);
    check("time = { column = 1, unit = \"ms\" }", "1500,5\n", &["v1 = 5", "@ 1.5 s"]);
}

#[test]
fn a_line_with_another_number_of_columns_is_refused() {
    // After three columns a line of two once put the third value into the second channel.
    let three = "1.5,2,3\n";
    let wrong = "! found 2 columns, expected 3";
    check(
        "",
        &format!("{three}1.5,3\n{three}"),
        &["v1 = 1.5", "v2 = 2", "v3 = 3", wrong, "v1 = 1.5", "v2 = 2", "v3 = 3"],
    );
    check(
        "",
        &format!("{three}1.5,4\n1.6,5\n1.7,6\n1.8,7\n"),
        &["v1 = 1.5", "v2 = 2", "v3 = 3", wrong, wrong, "v1 = 1.7", "v2 = 6", "v1 = 1.8", "v2 = 7"],
    );
}

#[test]
fn a_greeting_is_no_header() {
    let rule = "header = \"optional\"";
    check(rule, "Clamp board, ready\n1.5,2,3\n", &["v1 = 1.5", "v2 = 2", "v3 = 3"]);
    check(rule, "Clamp board, ready\nlift,spool\n1.5,2\n", &["lift = 1.5", "spool = 2"]);
    let wrong = "! byte 1: found \"Clamp\", expected a number";
    check(rule, "Clamp board, ready, 10 Hz\nlift,spool\n1.5,2\n", &[wrong, "lift = 1.5", "spool = 2"]);
}

#[test]
fn what_displays_show_in_place_of_a_number() {
    check("", "0.L,.OL,O.L\n", &["v1 = OL", "v2 = OL", "v3 = OL"]);
    check("", "1.5,----\n", &["v1 = 1.5", "! byte 5: found \"----\", the meter shows no number"]);
    check("", "- 12.45 V, 0.5\n", &["v1 = -12.45 V", "v2 = 0.5"]);
}

#[test]
fn the_file_may_name_them() {
    let rule = "names = [\"t\", \"lift\", \"\", \"spool\"]\ntime = { column = 1, unit = \"ms\" }";
    check(rule, "1500,1,2,3\n", &["lift = 1", "spool = 3", "@ 1.5 s"]);
    check(rule, "1500,1,2\n", &["! found 3 columns, expected 4"]);
}

#[test]
fn a_device_that_begins_anew_may_have_other_columns() {
    let columns = |rule: &str, before: &str, behind: &str| {
        let file = format!("[frame]\nkind = \"line\"\n[decode]\nkind = \"columns\"\n{rule}");
        decoded_with_losses(&file, &[before.as_bytes(), behind.as_bytes()])
    };
    assert_eq!(columns("", "1.5,2\n", "1.5,2,3\n"), ["v1 = 1.5", "v2 = 2", "v1 = 1.5", "v2 = 2", "v3 = 3"]);
    let header = "header = \"optional\"";
    assert_eq!(columns(header, "a,b\n1,2\n", "c,d,e\n3,4,5\n"), ["a = 1", "b = 2", "c = 3", "d = 4", "e = 5"]);
    // One that was only out of reach goes on without its header.
    assert_eq!(columns(header, "a,b\n1,2\n", "3,4\n"), ["a = 1", "b = 2", "a = 3", "b = 4"]);
}
