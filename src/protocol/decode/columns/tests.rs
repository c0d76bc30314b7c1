//! What `columns` does, case by case.

use crate::protocol::tests::decoded;

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
        "1,2\n1,x\n1,nan\n",
        &[
            "v1 = 1",
            "v2 = 2",
            "! byte 3: found \"x\", expected a number",
            "v1 = 1",
            "! byte 3: found \"nan\", expected a finite number",
        ],
    );
    check("", "1,2\n1,\u{fffd}\n", &["v1 = 1", "v2 = 2", "! byte 3: found \"\u{fffd}\", expected a number"]);
}

#[test]
fn a_header_names_the_columns() {
    let rule = "header = \"optional\"";
    check(rule, "lift coil, spool\n1,2\n", &["lift coil = 1", "spool = 2"]);
    check(rule, "lift spool\n1 2\nspool lift\n1 2\n", &["lift = 1", "spool = 2", "spool = 1", "lift = 2"]);
    // The board's greeting, and the end of a header that was cut by opening the port.
    check(rule, "ready\n1,2\n", &["v1 = 1", "v2 = 2"]);
    check(
        rule,
        "1,2\nboot ok\n1,2\n",
        &["v1 = 1", "v2 = 2", "! expected numbers, found words after columns without a header", "v1 = 1", "v2 = 2"],
    );
}

#[test]
fn a_refused_line_after_a_header_does_not_use_it_up() {
    check(
        "header = \"required\"",
        "1,2\na,b\n1\n1,x\n1,2\n",
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
fn the_file_may_name_them() {
    let rule = "names = [\"t\", \"lift\", \"\", \"spool\"]\ntime = { column = 1, unit = \"ms\" }";
    check(rule, "1500,1,2,3\n", &["lift = 1", "spool = 3", "@ 1.5 s"]);
    check(rule, "1500,1,2\n", &["! found 3 columns, expected 4"]);
}
