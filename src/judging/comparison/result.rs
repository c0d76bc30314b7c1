//! What two sessions come to, in one sentence: from the verdict of each step before and after the work.

use crate::session::Verdict;

/// What the verdicts before and after the work say of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum VerdictChange {
    /// In limit now, and out of limit or too close to call before.
    Mended,
    /// In limit before, and not now.
    Worse,
    /// Not in limit before, nor now.
    StillBad,
    /// Not in limit now, and nothing is known of it before.
    NewlyBad,
    /// Not in limit before, and not measured since.
    NotAgain,
    /// Measured, without a verdict now.
    Undecided,
    /// In limit now, and not found bad before.
    Good,
    /// Nothing was to be judged.
    NotJudged,
}

impl VerdictChange {
    /// What is said of the steps, in the order in which it is said.
    const WORDS: [(Self, &str); 6] = [
        (Self::Mended, "in limit after the work and not before"),
        (Self::Worse, "in limit before the work and not after"),
        (Self::StillBad, "still not in limit"),
        (Self::NewlyBad, "not in limit after the work and not judged before"),
        (Self::NotAgain, "not in limit before the work and not measured again"),
        (Self::Undecided, "without a verdict after the work"),
    ];

    /// Of the verdicts before and after; none where the step was not done, or has no limit.
    pub(super) const fn of(before: Option<Verdict>, after: Option<Verdict>) -> Self {
        let was_bad = matches!(before, Some(Verdict::OutOfLimit | Verdict::TooCloseToCall));
        let was_good = matches!(before, Some(Verdict::InLimit));
        match after {
            Some(Verdict::InLimit) if was_bad => Self::Mended,
            Some(Verdict::InLimit) => Self::Good,
            Some(Verdict::OutOfLimit | Verdict::TooCloseToCall) => {
                if was_bad {
                    Self::StillBad
                } else if was_good {
                    Self::Worse
                } else {
                    Self::NewlyBad
                }
            }
            None | Some(Verdict::NoReading) if was_bad => Self::NotAgain,
            None | Some(Verdict::NoReading) => Self::NotJudged,
            Some(
                Verdict::NoLoadCurrent
                | Verdict::NotSettled
                | Verdict::WrongFunction
                | Verdict::HeldDisplay
                | Verdict::NoReference,
            ) => Self::Undecided,
        }
    }
}

/// One sentence on all steps: each with its name and what its verdicts say.
pub(super) fn sentence<'a>(steps: impl Iterator<Item = (&'a str, VerdictChange)>) -> String {
    let steps: Vec<(&str, VerdictChange)> = steps.collect();
    let mut parts: Vec<String> = Vec::new();
    for (change, words) in VerdictChange::WORDS {
        let names: Vec<&str> = steps.iter().filter(|(_, own)| *own == change).map(|(name, _)| *name).collect();
        if !names.is_empty() {
            parts.push(format!("{words}: {}", names.join(", ")));
        }
    }
    if parts.is_empty() {
        let is_any_good = steps.iter().any(|(_, change)| *change == VerdictChange::Good);
        let words = if is_any_good {
            "every step that was judged after the work is in limit"
        } else {
            "nothing was judged after the work"
        };
        parts.push(words.to_owned());
    }
    let text = parts.join("; ");
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect::<String>() + ".")
}

#[cfg(test)]
mod tests {
    use super::{VerdictChange, sentence};
    use crate::session::Verdict::{self, InLimit, NoLoadCurrent, NoReading, OutOfLimit, TooCloseToCall};

    fn result(steps: &[(&str, Option<Verdict>, Option<Verdict>)]) -> String {
        sentence(steps.iter().map(|(name, before, after)| (*name, VerdictChange::of(*before, *after))))
    }

    #[test]
    fn nothing_measured_is_not_called_good() {
        assert_eq!(result(&[("feed", Some(InLimit), None)]), "Nothing was judged after the work.");
        assert_eq!(result(&[("feed", Some(InLimit), Some(NoReading))]), "Nothing was judged after the work.");
        assert_eq!(result(&[("note", None, None)]), "Nothing was judged after the work.");
        assert_eq!(
            result(&[("feed", Some(OutOfLimit), None), ("ground", Some(TooCloseToCall), Some(NoReading))]),
            "Not in limit before the work and not measured again: feed, ground."
        );
    }

    #[test]
    fn what_was_good_is_not_still_bad() {
        assert_eq!(
            result(&[("feed", Some(InLimit), Some(OutOfLimit))]),
            "In limit before the work and not after: feed."
        );
        assert_eq!(
            result(&[("feed", None, Some(OutOfLimit)), ("ground", Some(NoLoadCurrent), Some(TooCloseToCall))]),
            "Not in limit after the work and not judged before: feed, ground."
        );
        assert_eq!(result(&[("feed", Some(TooCloseToCall), Some(OutOfLimit))]), "Still not in limit: feed.");
    }

    #[test]
    fn each_outcome_is_told() {
        let all = [
            ("a", Some(OutOfLimit), Some(InLimit)),
            ("b", Some(InLimit), Some(InLimit)),
            ("c", Some(OutOfLimit), Some(OutOfLimit)),
            ("d", Some(OutOfLimit), Some(NoLoadCurrent)),
        ];
        assert_eq!(
            result(&all),
            "In limit after the work and not before: a; still not in limit: c; without a verdict after the work: d."
        );
        assert_eq!(result(&all[1..2]), "Every step that was judged after the work is in limit.");
        assert_eq!(
            result(&[("a", None, Some(InLimit)), ("b", Some(InLimit), None), ("c", Some(NoReading), Some(InLimit))]),
            "Every step that was judged after the work is in limit."
        );
    }
}
