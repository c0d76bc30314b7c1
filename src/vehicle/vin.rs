//! The vehicle identification number and its check digit, 49 CFR 565.15(c).
//!
//! Table numbers are from memory. The check digit is a rule of North America. Elsewhere the ninth character is free, so a wrong one is
//! a reason to read the plate again and none to refuse the number.

/// The characters of a vehicle identification number (49 CFR 565.13(b) and ISO 3779, from memory).
const LENGTH: usize = 17;

/// Weights by position; the check digit itself counts nothing. 49 CFR 565.15(c) table IV.
const WEIGHTS: [u32; LENGTH] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];

/// Where the check digit stands, counted from 0.
const CHECK_PLACE: usize = 8;

/// What the number itself says about whether it was read rightly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum VinCheck {
    /// The check digit is right.
    Valid,
    /// It has the form of a number, but another check digit than North American rules want.
    WrongCheckDigit {
        /// What the ninth character should be: a digit or `X`.
        expected: char,
        /// What it is.
        found: char,
    },
    /// It is no vehicle identification number anywhere.
    NotAVin {
        /// Why not.
        why: NotAVin,
    },
}

/// Why a text is no vehicle identification number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum NotAVin {
    /// Too short or too long; numbers from before 1981 are shorter (from memory).
    #[error("found {found} characters, expected {LENGTH}")]
    Length {
        /// How many there are.
        found: usize,
    },
    /// A character that is never used, such as I, O or Q, which look like digits.
    #[error("found '{found}' as character {position}, expected a digit or a letter other than I, O and Q")]
    Character {
        /// Which one, counted from 1.
        position: usize,
        /// The character as it was written.
        found: char,
    },
}

/// Checks a number as it was typed: blanks at the ends and small letters do not matter.
pub(crate) fn check_vin(text: &str) -> VinCheck {
    let text = text.trim();
    let length = text.chars().count();
    if length != LENGTH {
        return VinCheck::NotAVin { why: NotAVin::Length { found: length } };
    }
    let mut sum = 0;
    for (place, (character, weight)) in text.chars().zip(WEIGHTS).enumerate() {
        match assigned_value(character) {
            Some(value) => sum += value * weight,
            None => {
                return VinCheck::NotAVin { why: NotAVin::Character { position: place + 1, found: character } };
            }
        }
    }
    // The remainder itself, not its decimal fraction: the rule's table of those has 7/11 as .634.
    let expected = char::from_digit(sum % 11, 10).unwrap_or('X');
    match text.chars().nth(CHECK_PLACE).map(|found| found.to_ascii_uppercase()) {
        Some(found) if found != expected => VinCheck::WrongCheckDigit { expected, found },
        _ => VinCheck::Valid,
    }
}

/// The value of a character, 49 CFR 565.15(c) table III; `None` for one that is not allowed.
fn assigned_value(character: char) -> Option<u32> {
    let character = character.to_ascii_uppercase();
    let after = |first: char| u32::from(character) - u32::from(first);
    match character {
        '0'..='9' => Some(after('0')),
        'A'..='H' => Some(after('A') + 1),
        'J'..='N' => Some(after('J') + 1),
        'P' => Some(7),
        'R' => Some(9),
        'S'..='Z' => Some(after('S') + 2),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_of_the_rule_and_of_its_readers() {
        for vin in [
            "1G4AH59H45G118341", // sample calculation in 49 CFR 565.15(c)
            "1J9RP1A36A1644345", // NHTSA's outline for new manufacturers, p. 18
            "1M8GDM9AXKP042788", // widely quoted, made up for the purpose
            "11111111111111111", // checks itself; from memory
            "5GZCZ43D13S812715", // widely quoted; from memory
        ] {
            assert_eq!(check_vin(vin), VinCheck::Valid, "{vin}");
            assert_eq!(check_vin(&format!(" {} ", vin.to_lowercase())), VinCheck::Valid, "{vin}");
        }
    }

    #[test]
    fn a_wrong_check_digit_names_the_right_one() {
        assert_eq!(check_vin("1M8GDM9A0KP042788"), VinCheck::WrongCheckDigit { expected: 'X', found: '0' });
        assert_eq!(check_vin("1g4ah59hz5g118341"), VinCheck::WrongCheckDigit { expected: '4', found: 'Z' });
    }

    #[test]
    fn letters_have_the_values_of_the_table() {
        // 49 CFR 565.15(c) table III.
        let table =
            [("AJ", 1), ("BKS", 2), ("CLT", 3), ("DMU", 4), ("ENV", 5), ("FW", 6), ("GPX", 7), ("HY", 8), ("RZ", 9)];
        for (letters, value) in table {
            for letter in letters.chars() {
                assert_eq!(assigned_value(letter), Some(value), "{letter}");
            }
        }
        for digit in 0..10 {
            assert_eq!(assigned_value(char::from_digit(digit, 10).unwrap()), Some(digit));
        }
        assert_eq!(["I", "O", "Q", "-", "é"].map(|c| assigned_value(c.chars().next().unwrap())), [None; 5]);
    }

    #[test]
    fn what_is_no_number_says_why() {
        let why = |text: &str| match check_vin(text) {
            VinCheck::NotAVin { why } => why.to_string(),
            other => panic!("{text:?} came out as {other:?}"),
        };
        assert_eq!(why(""), "found 0 characters, expected 17");
        assert_eq!(why("1M8GDM9AXKP0427889"), "found 18 characters, expected 17");
        let letter = "found 'O' as character 12, expected a digit or a letter other than I, O and Q";
        assert_eq!(why("1M8GDM9AXKPO42788"), letter);
        assert_eq!(why("1M8GDM9AXKP04278é").split(',').next(), Some("found 'é' as character 17"));
    }

    proptest! {
        #[test]
        fn any_text_gets_an_answer(text in "\\PC{0,20}") {
            if check_vin(&text) == VinCheck::Valid {
                prop_assert_eq!(text.trim().len(), 17);
            }
        }

        #[test]
        fn one_misread_digit_is_noticed(place in 0..17_usize, digit in 0..10_u32) {
            let good = "1M8GDM9AXKP042788";
            let misread: String = good
                .chars()
                .enumerate()
                .map(|(at, c)| if at == place { char::from_digit(digit, 10).unwrap() } else { c })
                .collect();
            // Every weight but that of the check digit is prime to 11; digits differ by less than 11,
            // but a letter and a digit may share their value.
            let same = assigned_value(good.chars().nth(place).unwrap()) == Some(digit) && place != CHECK_PLACE;
            prop_assert_eq!(check_vin(&misread) == VinCheck::Valid, same);
        }
    }
}
