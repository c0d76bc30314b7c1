//! Errors that a meter reports: each different one is passed on at least once, repeated ones are
//! counted and passed on again when their count is ten times as much. Knows nothing of frames.

/// At most this many different errors are passed on; more of them are damage, or carry a time or a number.
pub(super) const MOST_ERRORS_REPORTED: usize = 32;

/// Errors are compared by their first bytes.
const COMPARED: usize = 160;

/// The errors of one port.
#[derive(Debug, Default)]
pub(super) struct MeterErrorCounts {
    known: Vec<MeterError>,
}

#[derive(Debug)]
struct MeterError {
    begins: Box<[u8]>,
    times: u64,
}

impl MeterErrorCounts {
    /// Counts an error. Returns how often it has come where that is to be reported.
    pub(super) fn count(&mut self, text: &[u8]) -> Option<u64> {
        let begins = &text[..text.len().min(COMPARED)];
        if let Some(known) = self.known.iter_mut().find(|known| *known.begins == *begins) {
            known.times += 1;
            return (known.times == 10u64.pow(known.times.ilog10())).then_some(known.times);
        }
        let is_reported = self.known.len() < MOST_ERRORS_REPORTED;
        if is_reported {
            self.known.push(MeterError { begins: begins.into(), times: 1 });
        }
        is_reported.then_some(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_is_reported_once_and_then_ever_more_rarely() {
        let mut errors = MeterErrorCounts::default();
        let mut reported = Vec::new();
        for _ in 0..1234 {
            reported.extend(errors.count(b"-113,\"Undefined header\""));
        }
        assert_eq!(reported, [1, 10, 100, 1000]);
        assert_eq!(errors.count(b"-222,\"Data out of range\""), Some(1));
    }

    #[test]
    fn their_number_and_length_are_bounded() {
        let mut errors = MeterErrorCounts::default();
        let reported = (0..1000).filter_map(|number: u32| errors.count(number.to_string().as_bytes()));
        assert_eq!(reported.count(), MOST_ERRORS_REPORTED);
        let mut errors = MeterErrorCounts::default();
        let long = [b'x'; 2 * COMPARED];
        assert_eq!((errors.count(&long), errors.count(&long[1..])), (Some(1), None));
        assert!(errors.known.iter().all(|known| known.begins.len() <= COMPARED));
    }
}
