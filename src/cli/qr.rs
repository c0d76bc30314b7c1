//! A link as a QR code for a terminal (ISO/IEC 18004, drawn by the crate qrcodegen), two rows of it in each line.

use qrcodegen::{QrCode, QrCodeEcc};

/// The light border that scanners need, modules: ISO/IEC 18004 asks for four.
const BORDER: i32 = 4;

/// The lines of the code; none for a text that is too long. With `colours` it is dark on light whatever the terminal's own.
pub(super) fn qr_lines(text: &str, colours: bool) -> Option<String> {
    let code = QrCode::encode_text(text, QrCodeEcc::Low).ok()?;
    let far = code.size() + BORDER;
    // A light place is drawn: outside of the code all is light.
    let light = |x: i32, y: i32| !code.get_module(x, y);
    let mut lines = String::new();
    for y in (-BORDER..far).step_by(2) {
        if colours {
            lines += "\u{1b}[38;5;231;48;5;16m";
        }
        for x in -BORDER..far {
            lines.push(match (light(x, y), light(x, y + 1)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            });
        }
        lines += if colours { "\u{1b}[0m\n" } else { "\n" };
    }
    Some(lines)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_has_a_border_and_three_finders() {
        let text = "http://192.168.1.20:4780/#0123456789abcdef0123456789abcdef";
        let lines: Vec<Vec<char>> = qr_lines(text, false).unwrap().lines().map(|line| line.chars().collect()).collect();
        // Version 4 has 33 modules a side (ISO/IEC 18004, table 1).
        assert_eq!(lines[0].len(), 33 + 8);
        assert!(lines[0].iter().all(|character| *character == '█'));
        // The upper edge of a finder is seven dark modules: the upper half of a line, since the border has an even number.
        for from in [4, 4 + 33 - 7] {
            assert!(lines[2][from..from + 7].iter().all(|character| matches!(character, '▄' | ' ')), "{:?}", lines[2]);
        }
        assert!(qr_lines(&"x".repeat(4000), false).is_none());
    }
}
