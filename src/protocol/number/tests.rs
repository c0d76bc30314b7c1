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
    assert_eq!(token.place, Some(digit.log10().round() as i8), "{text}");
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
fn too_much() {
    for text in ["OL", "0L", "O.L", "ol", "OVLD", "OVERLOAD", "+OL", "+ OL", "OL V", "OL ohm", "0LMΩ"] {
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
