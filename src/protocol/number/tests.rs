//! What `number` does, case by case.

use super::*;

fn numbers() -> NumberReader {
    NumberReader::new(OverloadWords::default())
}

/// Value, digit and function of a text.
fn check(text: &str, value: f64, digit: f64, function: Function) {
    let token = numbers().read(text).unwrap_or_else(|wrong| panic!("{text}: {wrong:?}"));
    let Value::Number(found) = token.value else { panic!("{text}: {token:?}") };
    assert!((found - value).abs() <= value.abs() * 1e-14, "{text}: {found}");
    assert_eq!(token.decade, Some(digit.log10().round() as i8), "{text}");
    assert_eq!(token.function, function, "{text}");
}

#[test]
fn numbers_of_ieee_488_2() {
    // Forms of IEEE 488.2 8.7.2 to 8.7.4 as instrument guides quote them; the examples are ours.
    check("1", 1.0, 1.0, Function::Unknown);
    check("-12", -12.0, 1.0, Function::Unknown);
    check("+0042", 42.0, 1.0, Function::Unknown);
    check("12.345", 12.345, 0.001, Function::Unknown);
    check("-0.500", -0.5, 0.001, Function::Unknown);
    check("+1.23450E+01", 12.345, 1e-4, Function::Unknown);
    check("-5.0E-3", -0.005, 1e-4, Function::Unknown);
    // Tolerated on input (IEEE 488.2 7.7.2, from memory).
    check(".5", 0.5, 0.1, Function::Unknown);
    check("5.", 5.0, 1.0, Function::Unknown);
}

#[test]
fn words_of_scpi() {
    // SCPI-1999 vol. 1, 7.2.1 (clause from memory).
    let read = |text: &str| numbers().read(text).map(|token| token.value);
    assert_eq!(read("+9.90000000E+37"), Ok(Value::Over));
    assert_eq!(read("9.9E37"), Ok(Value::Over));
    assert_eq!(read("-9.9E37"), Ok(Value::Under));
    assert_eq!(read("+9.91000000E+37"), Err(Defect::NoNumberWord));
}

#[test]
fn units_and_prefixes() {
    let volt = Function::Unit(Dimension::Volt);
    check("12.45 V", 12.45, 0.01, volt);
    check("-0.512mV", -0.512e-3, 1e-6, volt);
    check("\u{2212}0.512 mV", -0.512e-3, 1e-6, volt);
    check("12,45 V", 12.45, 0.01, volt);
    assert_eq!(numbers().read("1261.1 mV").unwrap().value, Value::Number(1.2611), "it was 1.2610999999999999 V");
    check("7.49 ohm", 7.49, 0.01, Function::Unit(Dimension::Ohm));
    check("4.7 kΩ", 4700.0, 100.0, Function::Unit(Dimension::Ohm));
    check("4.7 k", 4700.0, 100.0, Function::Unknown);
    check("1.2 V AC", 1.2, 0.1, Function::Exact(Quantity::VoltsAc));
    check("12.4 VDC", 12.4, 0.1, Function::Exact(Quantity::VoltsDc));
    check("12.4 mVdc", 12.4e-3, 1e-4, Function::Exact(Quantity::VoltsDc));
    check("0.512 AAC", 0.512, 0.001, Function::Exact(Quantity::AmpsAc));
    check("0.512 DC A", 0.512, 0.001, Function::Exact(Quantity::AmpsDc));
    check("45 %", 45.0, 1.0, Function::Unit(Dimension::Percent));
    check("45 % duty", 45.0, 1.0, Function::Exact(Quantity::Duty));
}

#[test]
fn a_comma_between_thousands_is_no_decimal_sign() {
    let value = |numbers: &mut NumberReader, text: &str| match numbers.read(text)?.value {
        Value::Number(value) => Ok(value),
        beyond => panic!("{text}: {beyond:?}"),
    };
    let mut board = numbers();
    assert_eq!(value(&mut board, "1,234 V"), Err(Defect::AmbiguousThousands));
    assert_eq!(value(&mut board, "1,234.5 V"), Ok(1234.5));
    assert_eq!(value(&mut board, "12,345,678 V"), Ok(12_345_678.0));
    assert_eq!(value(&mut board, "1,234 V"), Ok(1234.0), "once it has shown what its commas are");
    assert_eq!(value(&mut board, "12,45 V"), Err(Defect::AmbiguousThousands), "one of them is damaged");
    let mut board = numbers();
    for (text, expected) in [("0,512 V", 0.512), ("12,45 V", 12.45), ("1,234 V", 1.234), ("- 1,2345 V", -1.2345)] {
        assert_eq!(value(&mut board, text), Ok(expected), "{text}");
    }
    assert_eq!(numbers().read("1,234 V").map(|token| token.decade), Err(Defect::AmbiguousThousands));
    for text in ["1,23.4", "1.234,5", "1,2,3", "1,", ",", "1,,2", "12345,678.9"] {
        assert!(numbers().read(text).is_err(), "{text}");
    }
}

#[test]
fn a_capital_m_is_milli_only_where_mega_is_impossible() {
    // `3.5 MA` was 3,500,000 A.
    let value = |numbers: &mut NumberReader, text: &str| match numbers.read(text)?.value {
        Value::Number(value) => Ok(value),
        beyond => panic!("{text}: {beyond:?}"),
    };
    let mut capitals = numbers();
    assert_eq!(value(&mut capitals, "4.7 MOHM"), Ok(4.7e6));
    assert_eq!(value(&mut capitals, "3.5 MA"), Ok(0.0035));
    assert_eq!(value(&mut capitals, "3.5 MADC"), Ok(0.0035));
    assert_eq!(value(&mut capitals, "4.7 MOHM"), Err(Defect::MegaOrMilli), "its M has been milli");
    let mut small = numbers();
    assert_eq!(value(&mut small, "3.5 mA"), Ok(0.0035));
    assert_eq!(value(&mut small, "3.5 MA"), Err(Defect::MegaOrMilli), "a meter that writes small letters");
    assert_eq!(value(&mut small, "4.7 Mohm"), Ok(4.7e6));
}

#[test]
fn signs_and_dashes_of_displays() {
    check("- 12.45 V", -12.45, 0.01, Function::Unit(Dimension::Volt));
    check("-  12.45", -12.45, 0.01, Function::Unknown);
    for text in ["----", "--.--", "---"] {
        assert_eq!(numbers().read(text), Err(Defect::NoNumberShown), "{text}");
    }
}

#[test]
fn too_much() {
    for text in [
        "0.L", ".OL", "OL.", "0.L MOhm", "OL", "0L", "O.L", "ol", "OVLD", "OVERLOAD", "+OL", "+ OL", "OL V", "OL ohm",
        "0LMΩ",
    ] {
        assert_eq!(numbers().read(text).map(|token| token.value), Ok(Value::Over), "{text}");
    }
    assert_eq!(numbers().read("-OL").map(|token| token.value), Ok(Value::Under));
    assert_eq!(numbers().read("OL ohm").unwrap().function, Function::Unit(Dimension::Ohm));
}

#[test]
fn what_is_no_value_is_refused() {
    for text in ["nan", "NaN", "-inf", "Infinity", "1e999"] {
        assert_eq!(numbers().read(text), Err(Defect::NotFinite), "{text}");
    }
    assert_eq!(numbers().read("1e31"), Err(Defect::TooLarge));
    assert_eq!(numbers().read("1e28 kV"), Err(Defect::TooLarge));
    for text in ["", "-", ".", "V", "1.2.3", "--1", "x1", "1,2,3", "12.4 OL", "1_000"] {
        assert!(matches!(numbers().read(text), Err(Defect::NotANumber | Defect::UnknownUnit)), "{text}");
    }
}

proptest::proptest! {
    #[test]
    fn a_plain_number_is_read_exactly(digits in 0u64..1_000_000_000_000_000, decimals in 0usize..15) {
        let text = format!("{digits:015}");
        let text = format!("-{}.{}", &text[..15 - decimals], &text[15 - decimals..]);
        let number = plain(text.as_bytes()).unwrap();
        proptest::prop_assert_eq!(number.value, text.parse::<f64>().unwrap());
        proptest::prop_assert_eq!(number.length, text.len());
    }

    #[test]
    fn any_text_is_read_without_a_panic(text in ".{0,40}") {
        if let Ok(Token { value: Value::Number(value), .. }) = numbers().read(&text) {
            proptest::prop_assert!(value.abs() <= LARGEST);
        }
    }
}
