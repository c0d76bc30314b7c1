//! What the commas of a line of columns are: the decimal sign of its numbers, or what separates them.
//!
//! Each line is read by its own form. Where that leaves both open, the number of columns decides, if it is known; otherwise the
//! line is refused: `1,5` is one and a half to half of the world.

/// What a comma in a line of columns is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LineComma {
    /// `0.512,1.20` are two values.
    Separates,
    /// `0,512;1,20` are two values.
    Decimal,
}

/// What the form of one line shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LineForm {
    Clear(LineComma),
    /// So many columns with the comma as decimal sign, and so many with it as separator.
    Either {
        decimal: usize,
        separates: usize,
    },
}

/// What one comma shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CommaShape {
    Separates,
    Decimal,
    Either,
}

/// What the commas of a line are, where any sign may separate.
///
/// A comma that is no digit's neighbour, or the second one between two other separators, separates. One before `05`, or
/// behind `-0`, is a decimal sign, and so is each where something else separates and no number has a point.
pub(super) fn of_line(line: &[u8]) -> LineForm {
    let separates = LineForm::Clear(LineComma::Separates);
    if memchr::memchr(b',', line).is_none() {
        return separates;
    }
    let (mut cells, mut commas, mut commas_in_cell) = (1, 0, 0);
    let (mut has_point, mut is_decimal) = (false, false);
    for (at, byte) in line.iter().enumerate() {
        let (before, behind) = (&line[..at], &line[at + 1..]);
        match byte {
            b',' => {
                commas += 1;
                commas_in_cell += 1;
                match shape(before, behind) {
                    CommaShape::Separates => return separates,
                    _ if commas_in_cell > 1 => return separates,
                    CommaShape::Decimal => is_decimal = true,
                    CommaShape::Either => {}
                }
            }
            b'.' if behind.first().is_some_and(u8::is_ascii_digit) => has_point = true,
            b';' | b'\t' => (cells, commas_in_cell) = (cells + 1, 0),
            b' ' if !before.trim_ascii_end().is_empty() && begins_number(behind) => {
                let is_behind_separator = before.trim_ascii_end().ends_with(b";");
                (cells, commas_in_cell) = (cells + usize::from(!is_behind_separator), 0);
            }
            _ => {}
        }
    }
    if !has_point && (is_decimal || cells > 1) {
        LineForm::Clear(LineComma::Decimal)
    } else {
        LineForm::Either { decimal: cells, separates: cells + commas }
    }
}

fn shape(before: &[u8], behind: &[u8]) -> CommaShape {
    let head = before.iter().rev().take_while(|byte| byte.is_ascii_digit()).count();
    let tail = behind.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let before_head = &before[..before.len() - head];
    let behind_tail = behind.get(tail);
    if head == 0 || tail == 0 {
        return CommaShape::Separates;
    }
    // A number with a point on one side; only `1,234.5` may be one of thousands.
    if before_head.ends_with(b".") || behind_tail == Some(&b'.') {
        let is_in_thousands =
            !before_head.ends_with(b".") && head <= 3 && tail == 3 && before[before.len() - head] != b'0';
        return if is_in_thousands { CommaShape::Either } else { CommaShape::Separates };
    }
    let is_minus_zero = before_head.ends_with(b"-") && before.ends_with(b"0") && head == 1;
    if is_minus_zero || (behind[0] == b'0' && tail > 1) { CommaShape::Decimal } else { CommaShape::Either }
}

fn begins_number(text: &[u8]) -> bool {
    text.first().is_some_and(|byte| byte.is_ascii_digit() || matches!(byte, b'+' | b'-' | b'.'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_form_of_a_line_shows_what_its_commas_are() {
        for line in [
            "1.5",
            "0.512,1.20",
            "1, 5",
            "1 ,5",
            "1,-5",
            "1,.5",
            "1,2,3",
            "1,2,3;4",
            "12.45 V, 0.3 mA, OL",
            "1500,OL",
            "0.512,300",
            "5000,234.5",
            "0,234.5",
            "1,5,",
        ] {
            assert_eq!(of_line(line.as_bytes()), LineForm::Clear(LineComma::Separates), "{line}");
        }
        for line in
            ["1,5;2,5", "1,5\t2,5", "1,5 2,5", "1,5; 2", "12,45 V;0,3 mA", "-0,5", "12,05", "1,5;", "1500;0,512"]
        {
            assert_eq!(of_line(line.as_bytes()), LineForm::Clear(LineComma::Decimal), "{line}");
        }
        for (line, decimal, separates) in
            [("1,5", 1, 2), ("1,234.5", 1, 2), ("1,5;2.5", 2, 3), ("12,45 V", 1, 2), ("0,5", 1, 2)]
        {
            assert_eq!(of_line(line.as_bytes()), LineForm::Either { decimal, separates }, "{line}");
        }
    }
}
