//! The tempo ladder: from a clean tempo to the goal in steps that can be noticed, smaller toward
//! the top, one back after a failed pass.

use crate::align::Outcome;
use crate::judge::{Check, FindingKind, Verdict};

/// The smallest step worth taking: a change of tempo that is just noticed over six intervals
/// (3 %; Drake and Botte, Percept. Psychophys. 54, 1993, 277).
pub const NOTICEABLE_SHARE: f64 = 0.03;
/// Share of the way still to go that a step takes, so that steps shrink toward the top. Common
/// practice put into a number.
const STEP_SHARE: f64 = 0.25;
/// Clean passes in a row before the next step. Common practice: once may be luck, three times
/// is not.
pub const CLEAN_PASSES: u32 = 3;
/// Tempos are whole beats, as a metronome has them.
const WHOLE_BPM: f64 = 1.0;
/// A tempo that no line is practised below, beats a minute.
pub const SLOWEST_BPM: f64 = 30.0;

/// Tempos from `start_bpm` to `goal_bpm`, both included; only the goal where the start is not below it.
pub fn steps(start_bpm: f64, goal_bpm: f64) -> Vec<f64> {
    let goal = goal_bpm.round().max(SLOWEST_BPM);
    let mut at = start_bpm.round().max(SLOWEST_BPM);
    let mut steps = Vec::new();
    while at < goal {
        steps.push(at);
        let least = (NOTICEABLE_SHARE * at).ceil().max(WHOLE_BPM);
        at += (STEP_SHARE * (goal - at)).round().max(least);
    }
    // The last step up to the goal must not be smaller than can be noticed either.
    if let Some(&last) = steps.last()
        && steps.len() > 1
        && goal - last < NOTICEABLE_SHARE * last
    {
        steps.pop();
    }
    steps.push(goal);
    steps
}

/// How one pass went.
#[derive(Clone, Debug, PartialEq)]
pub enum Pass {
    Clean,
    /// Not clean, and why in a phrase.
    Failed(String),
    /// The sound does not settle it, and why: the pass counts neither way.
    CannotTell(String),
}

impl Pass {
    /// What a check says of a pass. Tuning and the course of the tempo are no part of it.
    pub fn of(check: &Check) -> Pass {
        let s = &check.summary;
        let played = s.right + s.wrong + s.missed;
        let count = |n: usize, one: &str, more: &str| match n {
            0 => None,
            1 => Some(format!("1 {one}")),
            n => Some(format!("{n} {more}")),
        };
        let faults: Vec<String> = [
            count(s.wrong, "wrong note", "wrong notes"),
            count(s.missed, "missed note", "missed notes"),
            count(s.added, "added note", "added notes"),
            count(s.restarts, "restart", "restarts"),
            count(check.stops.len(), "stop", "stops"),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !faults.is_empty() {
            return Pass::Failed(faults.join(", "));
        }
        if let Some(run) = check.runs.iter().find(|r| r.verdict == Verdict::Uneven) {
            return Pass::Failed(match run.bar_first == run.bar_last {
                true => format!("the run in bar {} uneven", run.bar_first),
                false => format!("the run in bars {}-{} uneven", run.bar_first, run.bar_last),
            });
        }
        if played == 0 {
            return Pass::CannotTell("nothing of the line was heard".into());
        }
        let unsettled = |n: &&crate::judge::NoteCheck| {
            matches!(n.outcome, Outcome::Unsure | Outcome::NotReached)
        };
        match check.notes.iter().filter(unsettled).count() {
            0 => Pass::Clean,
            n => Pass::CannotTell(format!(
                "{n} of {} notes not heard for certain or not reached",
                check.notes.len()
            )),
        }
    }

    /// The tempo of a pass, quarters a minute, where it can be told.
    pub fn qpm(check: &Check) -> Option<f64> {
        check
            .tempo
            .mean_bpm
            .map(|bpm| bpm * check.tempo.beat_quarters)
    }
}

/// Whether a check found faults that a drill is made from.
pub fn is_fault(kind: FindingKind) -> bool {
    matches!(
        kind,
        FindingKind::Wrong
            | FindingKind::Missed
            | FindingKind::Added
            | FindingKind::Uneven
            | FindingKind::Stopped
    )
}

/// What to do after a pass.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// The same tempo again; so many clean passes are still wanted.
    Again { bpm: f64, still_wanted: u32 },
    /// One step up.
    Up { bpm: f64 },
    /// One step back.
    Back { bpm: f64 },
    /// The goal has been played clean as often as wanted.
    Done { bpm: f64 },
}

impl Step {
    pub fn bpm(&self) -> f64 {
        match *self {
            Step::Again { bpm, .. }
            | Step::Up { bpm }
            | Step::Back { bpm }
            | Step::Done { bpm } => bpm,
        }
    }
}

/// Where the player stands on the ladder.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    steps: Vec<f64>,
    at: usize,
    clean_in_a_row: u32,
    clean_wanted: u32,
}

impl Ladder {
    /// `steps` as [`steps`] gives them; never empty.
    pub fn new(steps: Vec<f64>, clean_wanted: u32) -> Ladder {
        assert!(!steps.is_empty(), "a ladder has at least its goal");
        Ladder {
            steps,
            at: 0,
            clean_in_a_row: 0,
            clean_wanted: clean_wanted.max(1),
        }
    }

    pub fn bpm(&self) -> f64 {
        self.steps[self.at]
    }

    pub fn steps(&self) -> &[f64] {
        &self.steps
    }

    /// Takes a pass at the present tempo into account.
    pub fn pass(&mut self, pass: &Pass) -> Step {
        match pass {
            Pass::CannotTell(_) => {}
            Pass::Failed(_) => {
                self.clean_in_a_row = 0;
                if self.at > 0 {
                    self.at -= 1;
                    return Step::Back { bpm: self.bpm() };
                }
            }
            Pass::Clean => self.clean_in_a_row += 1,
        }
        if self.clean_in_a_row < self.clean_wanted {
            return Step::Again {
                bpm: self.bpm(),
                still_wanted: self.clean_wanted - self.clean_in_a_row,
            };
        }
        if self.at + 1 == self.steps.len() {
            return Step::Done { bpm: self.bpm() };
        }
        self.at += 1;
        self.clean_in_a_row = 0;
        Step::Up { bpm: self.bpm() }
    }
}
