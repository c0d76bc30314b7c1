//! Consistent overhead byte stuffing (Cheshire and Baker 1999): a frame without zeros, and a zero
//! behind it.

use crate::protocol::problem::{DecodeError, Defect};

/// Takes the stuffing out of a frame that came without its zero.
///
/// # Errors
/// A length that leads beyond the frame's end.
pub(super) fn unstuff(encoded: &[u8], plain: &mut Vec<u8>) -> Result<(), DecodeError> {
    let mut at = 0;
    while let Some(code) = encoded.get(at) {
        let block = at + 1..at + usize::from(*code);
        let bytes = encoded.get(block.clone()).ok_or(DecodeError::at(at..at + 1, Defect::Stuffing))?;
        plain.extend_from_slice(bytes);
        at = block.end;
        if *code != 0xff && at < encoded.len() {
            plain.push(0);
        }
    }
    Ok(())
}

/// The stuffed form with its zero, for tests and examples.
#[cfg(test)]
pub(in crate::protocol) fn stuff(plain: &[u8]) -> Vec<u8> {
    let (mut encoded, mut code_at) = (vec![0], 0);
    let mut code = 1u8;
    for (index, byte) in plain.iter().enumerate() {
        if *byte != 0 {
            encoded.push(*byte);
            code += 1;
        }
        let is_last = index + 1 == plain.len();
        if *byte == 0 || (code == 0xff && !is_last) {
            encoded[code_at] = code;
            (code_at, code) = (encoded.len(), 1);
            encoded.push(0);
        }
    }
    encoded[code_at] = code;
    encoded.push(0);
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(from: u8, to: u8) -> Vec<u8> {
        (from..=to).collect()
    }

    #[test]
    fn published_vectors() {
        // Cheshire and Baker 1999 and its usual examples; all computed with the Python package
        // cobs 1.2.2, the last two also from a note on the web.
        let with = |head: &[u8], middle: Vec<u8>, tail: &[u8]| [head, &middle, tail].concat();
        let vectors: Vec<(Vec<u8>, Vec<u8>)> = vec![
            (vec![], vec![1, 0]),
            (vec![0], vec![1, 1, 0]),
            (vec![0, 0], vec![1, 1, 1, 0]),
            (vec![0, 0x11, 0], vec![1, 2, 0x11, 1, 0]),
            (vec![0x11, 0x22, 0, 0x33], vec![3, 0x11, 0x22, 2, 0x33, 0]),
            (vec![0x11, 0x22, 0x33, 0x44], vec![5, 0x11, 0x22, 0x33, 0x44, 0]),
            (vec![0x11, 0, 0, 0], vec![2, 0x11, 1, 1, 1, 0]),
            (range(1, 0xfe), with(&[0xff], range(1, 0xfe), &[0])),
            (with(&[0], range(1, 0xfe), &[]), with(&[1, 0xff], range(1, 0xfe), &[0])),
            (range(1, 0xff), with(&[0xff], range(1, 0xfe), &[2, 0xff, 0])),
            (with(&[], range(2, 0xff), &[0]), with(&[0xff], range(2, 0xff), &[1, 1, 0])),
            (with(&[], range(3, 0xff), &[0, 1]), with(&[0xfe], range(3, 0xff), &[2, 1, 0])),
            (vec![0xde, 0xad, 0xbe, 0xef], vec![5, 0xde, 0xad, 0xbe, 0xef, 0]),
            (vec![0xde, 0xad, 0, 0xbe, 0xef], vec![3, 0xde, 0xad, 3, 0xbe, 0xef, 0]),
        ];
        for (plain, wire) in vectors {
            assert_eq!(stuff(&plain), wire);
            let mut read = Vec::new();
            assert_eq!(unstuff(&wire[..wire.len() - 1], &mut read), Ok(()));
            assert_eq!(read, plain);
        }
    }

    #[test]
    fn a_length_beyond_the_end_is_refused() {
        assert_eq!(unstuff(&[3, 1], &mut Vec::new()), Err(DecodeError::at(0..1, Defect::Stuffing)));
    }

    proptest::proptest! {
        #[test]
        fn what_was_stuffed_is_read_back(plain in proptest::collection::vec(0u8..4, 0..700)) {
            let wire = stuff(&plain);
            let (end, encoded) = wire.split_last().unwrap();
            proptest::prop_assert_eq!(*end, 0);
            proptest::prop_assert!(!encoded.contains(&0));
            let mut read = Vec::new();
            proptest::prop_assert_eq!(unstuff(encoded, &mut read), Ok(()));
            proptest::prop_assert_eq!(read, plain);
        }
    }
}
