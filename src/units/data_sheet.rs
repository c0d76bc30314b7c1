//! The accuracy of a meter by its data sheet: one figure for all of it, or a row for each function and range.
//!
//! Knows functions, ranges and figures alone: no meter, no file, no clamp. All values are in the terms of the value that
//! is asked about. [`DataSheet::row_for`] states the rule by which a row is chosen.

use std::str::FromStr;

use super::{Accuracy, Dimension, Measure, Quantity, UnitError};

/// `"0.5 % + 2 digits"`, or `"V DC up to 600 mV: 0.8 % + 3 digits; V DC: 0.5 % + 2 digits"`.
#[derive(Debug, Clone, PartialEq)]
pub struct DataSheet(Content);

#[derive(Debug, Clone, PartialEq)]
enum Content {
    One(Accuracy),
    /// By function, and within one by range, the one without a range last.
    Rows(Vec<DataSheetRow>),
}

/// One line of the data sheet's table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DataSheetRow {
    /// The function; AC and DC are two.
    pub quantity: Quantity,
    /// The range's full scale, either sign, base units; none where the row holds for all that no other row covers.
    pub range: Option<f64>,
    /// What the last digit is worth on this range (the sheet's resolution), base units; none where not stated.
    pub digit: Option<f64>,
    /// The figures.
    pub accuracy: Accuracy,
}

/// What of a data sheet holds for one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ApplicableAccuracy<'a> {
    /// The figures.
    pub accuracy: &'a Accuracy,
    /// The full scale of the range that they hold on, base units; none where they are not for one range.
    pub range: Option<f64>,
    /// What the last digit is worth there, base units; none where the sheet does not state it.
    pub digit: Option<f64>,
}

/// What is written in decimals may differ in the last bits of the binary number.
const SAME: f64 = 1.0 + 1e-9;

const EXPECTED: &str = "an accuracy such as \"0.5 % + 2 digits\", or rows such as \"V DC up to 600 mV: 0.8 % + 3 digits\" \
                        with a semicolon between them";

const UP_TO: &str = " up to ";
const STEPS: &str = " in steps of ";

impl DataSheet {
    /// The same figures wherever their unit fits.
    pub fn one(accuracy: Accuracy) -> Self {
        Self(Content::One(accuracy))
    }

    /// Rows in any order; of two for the same function and range the first counts.
    pub fn of_rows(mut rows: Vec<DataSheetRow>) -> Self {
        rows.sort_by(|a, b| a.quantity.cmp(&b.quantity).then(a.full_scale().total_cmp(&b.full_scale())));
        Self(Content::Rows(rows))
    }

    /// What holds for a value of a function, base units; none where the sheet does not list the function.
    ///
    /// Of the function's ranges it is the smallest that can hold the value and whose digit is not finer than the one
    /// shown: steps of 1 mV mean that a meter is not on the range that shows 0.1 mV. Where the steps shown are coarser
    /// than those of every range, it is the widest.
    pub fn row_for(&self, quantity: Quantity, value: f64, shown: Option<f64>) -> Option<ApplicableAccuracy<'_>> {
        let rows = match &self.0 {
            Content::One(accuracy) => {
                let fits = accuracy.dimension.is_none_or(|fixed| fixed == quantity.dimension());
                return fits.then_some(ApplicableAccuracy { accuracy, range: None, digit: None });
            }
            Content::Rows(rows) => rows,
        };
        let first = rows.partition_point(|row| row.quantity < quantity);
        let mut widest = None;
        for row in rows[first..].iter().take_while(|row| row.quantity == quantity).filter(|row| row.holds(value)) {
            widest = Some(row);
            if row.may_show(shown) {
                break;
            }
        }
        widest.map(|row| ApplicableAccuracy { accuracy: &row.accuracy, range: row.range, digit: row.digit })
    }
}

impl ApplicableAccuracy<'_> {
    /// Half-width of the interval that holds the true value, base units. `shown` is what the display's last digit is
    /// worth, where that is known; decimals beyond what the sheet gives are no digits of the meter.
    pub fn half_width(&self, value: f64, shown: Option<f64>) -> f64 {
        let digit = match (shown, self.digit) {
            (Some(shown), Some(digit)) => Some(shown.max(digit)),
            (shown, digit) => shown.or(digit),
        };
        self.accuracy.half_width(value, digit)
    }
}

impl DataSheetRow {
    /// Whether both are for one function and range.
    pub fn is_like(&self, other: &Self) -> bool {
        let (a, b) = (self.full_scale(), other.full_scale());
        self.quantity == other.quantity && a <= b * SAME && b <= a * SAME
    }

    fn full_scale(&self) -> f64 {
        self.range.unwrap_or(f64::INFINITY)
    }

    fn holds(&self, value: f64) -> bool {
        value.abs() <= self.full_scale() * SAME
    }

    fn may_show(&self, shown: Option<f64>) -> bool {
        match (shown, self.digit) {
            (Some(shown), Some(digit)) => shown <= digit * SAME,
            _ => true,
        }
    }
}

/// A row of the text form, from the words as they were written: [`DataSheet`] reads them again.
pub(crate) fn row_text(quantity: Quantity, range: Option<&str>, digit: Option<&str>, accuracy: &str) -> String {
    let part = |before: &str, text: Option<&str>| text.map_or(String::new(), |text| format!("{before}{}", text.trim()));
    format!("{quantity}{}{}: {}", part(UP_TO, range), part(STEPS, digit), accuracy.trim())
}

impl FromStr for DataSheet {
    type Err = UnitError;

    fn from_str(text: &str) -> Result<Self, UnitError> {
        if !text.contains(':') {
            return text.parse().map(Self::one);
        }
        Ok(Self::of_rows(text.split(';').map(row).collect::<Result<_, _>>()?))
    }
}

fn row(text: &str) -> Result<DataSheetRow, UnitError> {
    let wrong = || UnitError::Form { found: text.to_owned(), expected: EXPECTED };
    let (head, accuracy) = text.split_once(':').ok_or_else(wrong)?;
    let (head, digit) = split(head, STEPS);
    let (quantity, range) = split(head, UP_TO);
    let quantity: Quantity = quantity.parse()?;
    let accuracy: Accuracy = accuracy.parse()?;
    if accuracy.dimension.is_some_and(|fixed| fixed != quantity.dimension()) {
        return Err(UnitError::Mixed { found: text.to_owned() });
    }
    let size = |text: Option<&str>| text.map(|text| size(text, quantity.dimension())).transpose();
    Ok(DataSheetRow { quantity, range: size(range)?, digit: size(digit)?, accuracy })
}

fn split<'a>(text: &'a str, at: &str) -> (&'a str, Option<&'a str>) {
    text.split_once(at).map_or((text, None), |(before, after)| (before, Some(after)))
}

fn size(text: &str, dimension: Dimension) -> Result<f64, UnitError> {
    let measure: Measure = text.parse()?;
    if measure.dimension != dimension {
        return Err(UnitError::Mixed { found: text.to_owned() });
    }
    if measure.value <= 0.0 {
        return Err(UnitError::Order { found: text.to_owned(), expected: "a value above zero" });
    }
    Ok(measure.value)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Invented in the manner of a 6000-count handheld meter's data sheet; common practice, no source.
    const HANDHELD: &str = "V DC up to 60 V in steps of 10 mV: 0.5 % + 2 digits; \
                            V DC: 0.8 % + 5 digits; \
                            V DC up to 600 mV in steps of 0.1 mV: 0.8 % + 3 digits; \
                            V DC up to 6 V in steps of 1 mV: 0.5 % + 2 digits; \
                            ohm up to 600 ohm: 0.9 % + 5 digits; V AC up to 6 V: 1.2 % + 5 digits";

    fn sheet(text: &str) -> DataSheet {
        text.parse().unwrap_or_else(|error| panic!("{error}"))
    }

    /// The full scale of the range in force; none where the row without a range is, or no row.
    fn range(sheet: &DataSheet, quantity: Quantity, value: f64, shown: Option<f64>) -> Option<f64> {
        sheet.row_for(quantity, value, shown).and_then(|row| row.range)
    }

    #[test]
    fn a_range_is_chosen_by_value_and_digit() {
        let sheet = sheet(HANDHELD);
        for (value, shown, expected) in [
            (0.4, Some(1e-4), Some(0.6)),
            (-0.6, Some(1e-4), Some(0.6)),
            // The same value in steps of 1 mV, then of 10 mV: the meter stands on a coarser range.
            (0.4, Some(1e-3), Some(6.0)),
            (0.4, Some(1e-2), Some(60.0)),
            (0.4, None, Some(0.6)),
            (0.600_1, None, Some(6.0)),
            (12.41, Some(1e-2), Some(60.0)),
            // Finer than the range that can hold it: decimals that are no digits.
            (12.41, Some(1e-4), Some(60.0)),
            (75.0, Some(0.1), None),
        ] {
            assert_eq!(range(&sheet, Quantity::VoltsDc, value, shown), expected, "{value} {shown:?}");
        }
        // On the row without a range, and not on none.
        assert_eq!(sheet.row_for(Quantity::VoltsDc, 75.0, Some(0.1)).unwrap().accuracy.digits, 5.0);
    }

    #[test]
    fn a_function_has_its_own_rows_or_none() {
        let sheet = sheet(HANDHELD);
        assert_eq!(range(&sheet, Quantity::VoltsAc, 0.4, None), Some(6.0));
        assert_eq!(sheet.row_for(Quantity::AmpsDc, 0.4, None), None);
        assert_eq!(sheet.row_for(Quantity::Continuity, 0.4, None), None, "continuity is no ohms range");
        assert_eq!(sheet.row_for(Quantity::Ohms, 601.0, None), None, "beyond every range of the sheet");
    }

    #[test]
    fn steps_coarser_than_every_range_shows_leave_the_widest() {
        let sheet = sheet("V DC up to 6 V in steps of 1 mV: 0.5 % + 2 digits; V DC up to 60 V in steps of 10 mV: 1 %");
        assert_eq!(range(&sheet, Quantity::VoltsDc, 0.4, Some(0.1)), Some(60.0));
        assert_eq!(sheet.row_for(Quantity::VoltsDc, 61.0, Some(0.1)), None);
    }

    #[test]
    fn half_widths_of_worked_examples() {
        // JCGM 100:2008, 4.3.7, example 2, from memory: 14e-6 of the reading and 2e-6 of the 1 V range, 0.928571 V: 15 µV.
        let volts = sheet("V DC up to 1 V: 14 ppm + 2 uV; V DC: 30 ppm");
        let row = volts.row_for(Quantity::VoltsDc, 0.928_571, None).unwrap();
        assert!((row.half_width(0.928_571, None) - 15e-6).abs() < 1e-10);
        // Vendor application notes on DMM error: 2.000 V at 0.08 % + 2 digits of 1 mV is 3.6 mV, at 0.5 % + 3 digits 13 mV.
        let volts = sheet("V DC up to 5 V in steps of 1 mV: 0.08 % + 2 digits; V DC: 0.5 % + 3 digits");
        for (shown, half_width) in [(None, 0.0036), (Some(1e-3), 0.0036), (Some(1e-6), 0.0036)] {
            let row = volts.row_for(Quantity::VoltsDc, 2.0, shown).unwrap();
            assert!((row.half_width(2.0, shown) - half_width).abs() < 1e-12, "{shown:?}");
        }
        let coarse = sheet("V DC up to 5 V in steps of 0.1 mV: 0.08 % + 2 digits; V DC: 0.5 % + 3 digits");
        let row = coarse.row_for(Quantity::VoltsDc, 2.0, Some(1e-3)).unwrap();
        assert!((row.half_width(2.0, Some(1e-3)) - 0.013).abs() < 1e-12);
    }

    #[test]
    fn one_figure_holds_wherever_its_unit_fits() {
        let any = sheet("0.5 % + 2 digits");
        assert!(any.row_for(Quantity::Ohms, 1e6, None).is_some() && any.row_for(Quantity::AmpsAc, 0.0, None).is_some());
        let volts = sheet("0.5 % + 5 mV");
        assert!(volts.row_for(Quantity::VoltsAc, 1.0, None).is_some());
        assert_eq!(volts.row_for(Quantity::Ohms, 1.0, None), None, "5 mV are no ohms");
    }

    #[test]
    fn the_text_form_is_read_back() {
        let text = row_text(Quantity::VoltsDc, Some("600 mV"), Some("0.1 mV"), "0.8 % + 3 digits");
        assert_eq!(text, "V DC up to 600 mV in steps of 0.1 mV: 0.8 % + 3 digits");
        let accuracy = "0.8 % + 3 digits".parse().unwrap();
        let row = DataSheetRow { quantity: Quantity::VoltsDc, range: Some(0.6), digit: Some(0.1 * 1e-3), accuracy };
        assert_eq!(sheet(&text), DataSheet::of_rows(vec![row]));
        let open = DataSheetRow { range: None, digit: None, ..row };
        let text = text + "; " + &row_text(Quantity::VoltsDc, None, None, "0.8 % + 3 digits");
        assert_eq!(sheet(&text), DataSheet::of_rows(vec![open, row]));
        assert!(!open.is_like(&row) && row.is_like(&row) && open.is_like(&open));
    }

    #[test]
    fn what_is_no_data_sheet_is_refused() {
        for text in [
            "",
            "V DC: ",
            ": 0.5 %",
            "volts: 0.5 %",
            "V DC: 0.5 % + 2 mA",
            "V DC up to 6 A: 0.5 %",
            "V DC up to 0 V: 0.5 %",
            "V DC up to 6 V in steps of -1 mV: 0.5 %",
            "V DC: 0.5 %; ",
        ] {
            assert!(text.parse::<DataSheet>().is_err(), "{text}");
        }
    }

    proptest! {
        /// What is chosen can hold the value, and no smaller range of those that show so coarse a step could; a
        /// coarser step never leads to a smaller range.
        #[test]
        fn the_choice_is_the_smallest_that_fits(
            decades in prop::collection::btree_set(-3i32..4, 1..6),
            counts in prop::sample::select(vec![2.0, 4.0, 6.0]),
            value in -9999.0..9999.0f64,
            shown in prop::option::of(-7i32..2),
            finer in 1i32..4,
        ) {
            let accuracy: Accuracy = "1 % + 2 digits".parse().unwrap();
            let row = |decade: i32| DataSheetRow {
                quantity: Quantity::VoltsDc,
                range: Some(counts * 10f64.powi(decade)),
                digit: Some(10f64.powi(decade - 3)),
                accuracy,
            };
            // Rows in falling order, among those of other functions.
            let mut rows: Vec<DataSheetRow> = decades.iter().rev().map(|decade| row(*decade)).collect();
            rows.extend([Quantity::VoltsAc, Quantity::AmpsDc].map(|quantity| DataSheetRow { quantity, ..row(5) }));
            let sheet = DataSheet::of_rows(rows);
            let step = |place: i32| 10f64.powi(place);
            let chosen = range(&sheet, Quantity::VoltsDc, value, shown.map(step));
            let able: Vec<i32> = decades.into_iter().filter(|decade| value.abs() <= counts * step(*decade)).collect();
            let fitting = able.iter().find(|decade| shown.is_none_or(|place| place <= **decade - 3));
            let expected = fitting.or(able.last()).map(|decade| counts * step(*decade));
            prop_assert_eq!(chosen, expected);
            if let Some(place) = shown {
                prop_assert!(range(&sheet, Quantity::VoltsDc, value, Some(step(place - finer))) <= chosen);
            }
        }

        #[test]
        fn no_text_breaks_it(text in "\\PC{0,60}") {
            drop(text.parse::<DataSheet>());
        }
    }
}
