//! Which steps were on, and in which order their begins came among the inputs.

use crate::{session::StepExit, store::read::StepRow};

/// A stretch of the session during which one step was on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct StepRun {
    /// step.number in the first record.
    pub number: i64,
    /// What the step is called.
    pub name: String,
    /// When it began, µs since the session began.
    pub began_us: i64,
    /// Rowid of its first sample.
    pub first_row: i64,
    /// When it ended, and rowid of the first sample after it; none for the one that the session's end ended.
    pub ended: Option<(i64, i64)>,
    /// How it was left.
    pub left: StepExit,
}

impl StepRun {
    /// As the steps were recorded.
    pub(crate) fn of_steps(steps: &[StepRow]) -> Vec<Self> {
        let run = |step: &StepRow| {
            // One that was cut off has no exit of its own.
            let left = step.left.as_deref().and_then(|word| word.parse().ok()).unwrap_or(StepExit::SessionEnd);
            let ended = step.ended_us.zip(step.last_row).map(|(at_us, last)| (at_us, last + 1));
            Self {
                number: step.number,
                name: step.name.clone(),
                began_us: step.began_us,
                first_row: step.first_row,
                ended: ended.filter(|_| left != StepExit::SessionEnd),
                left,
            }
        };
        steps.iter().map(run).collect()
    }

    /// Whether it was on at this time, µs since the session began.
    pub(super) fn holds(&self, at_us: i64) -> bool {
        at_us >= self.began_us && self.ended.is_none_or(|(ended_us, _)| at_us <= ended_us)
    }

    /// Where it begins among inputs and samples.
    pub(super) fn place(&self) -> (i64, i64) {
        (self.first_row, self.began_us)
    }
}

/// A move between steps: the step that is on ends, the named one begins.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct RecordedMove {
    /// Rowid of the first sample after it, and when, µs.
    pub place: (i64, i64),
    /// How the step before was left.
    pub left: StepExit,
    /// The step that begins; none where none does.
    pub step: Option<String>,
}

/// The moves that make these runs, in order.
pub(super) fn moves_of(runs: &[StepRun]) -> Vec<RecordedMove> {
    let mut moves: Vec<RecordedMove> = Vec::new();
    let mut left = StepExit::Done;
    for run in runs {
        match moves.last_mut() {
            Some(last) if last.step.is_none() && last.place == run.place() => last.step = Some(run.name.clone()),
            _ => moves.push(RecordedMove { place: run.place(), left, step: Some(run.name.clone()) }),
        }
        left = run.left;
        if let Some((at_us, next_row)) = run.ended {
            moves.push(RecordedMove { place: (next_row, at_us), left, step: None });
        }
    }
    moves
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_that_follow_each_other_are_one_move() {
        let run = |name: &str, began_us, first_row, ended, left| StepRun {
            number: first_row,
            name: name.to_owned(),
            began_us,
            first_row,
            ended,
            left,
        };
        let moves = moves_of(&[
            run("a", 0, 1, Some((50, 4)), StepExit::Skipped),
            run("b", 50, 4, Some((90, 9)), StepExit::Done),
            run("c", 120, 12, None, StepExit::SessionEnd),
        ]);
        let words: Vec<_> = moves.iter().map(|one| (one.place, one.left, one.step.as_deref())).collect();
        assert_eq!(
            words,
            [
                ((1, 0), StepExit::Done, Some("a")),
                ((4, 50), StepExit::Skipped, Some("b")),
                ((9, 90), StepExit::Done, None),
                ((12, 120), StepExit::Done, Some("c")),
            ]
        );
    }
}
