//! Degree and micro signs as ISO 8859-1 has them, a byte each: boards and old meters write `23 °C` so.

const DEGREE: u8 = 0xb0;
const MICRO: u8 = 0xb5;

/// The same text in UTF-8, appended to an empty buffer; false where other bytes are no UTF-8.
pub(super) fn to_utf8(text: &[u8], into: &mut Vec<u8>) -> bool {
    for chunk in text.utf8_chunks() {
        into.extend_from_slice(chunk.valid().as_bytes());
        for byte in chunk.invalid() {
            if !matches!(*byte, DEGREE | MICRO) {
                return false;
            }
            // U+0080 to U+00BF are C2 and the byte itself.
            into.extend_from_slice(&[0xc2, *byte]);
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn degrees_and_microunits() {
        let mut text = Vec::new();
        assert!(to_utf8(b"23.4 \xb0C, 5 \xb5A, 12 \xc2\xb0C", &mut text));
        assert_eq!(text, "23.4 °C, 5 µA, 12 °C".as_bytes());
        assert!(!to_utf8(b"1\xff2", &mut Vec::new()));
    }
}
