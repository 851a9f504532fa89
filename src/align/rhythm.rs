//! Practice rhythms: a run of equal notes played long-short, short-long and the like.
//!
//! Only the expected times change; which pitches follow each other does not.

use crate::line::Line;

/// How long the short note of a dotted pair is: long is three of these (common practice: the
/// dotted rhythm of a finger drill).
const LONG: f64 = 3.0;
const SHORT: f64 = 1.0;

/// Quarters within which two written lengths count as equal (a 128th note is 1/32).
const EQUAL_QUARTERS: f64 = 1e-3;

/// A repeating pattern of relative lengths; the group keeps its written total.
#[derive(Clone, Debug, PartialEq)]
pub struct Rhythm {
    weights: Vec<f64>,
}

impl Rhythm {
    /// Reads `long-short`, `short-long`, `long-short-short`, any such chain of two to eight words,
    /// or `triplet` (two to one) and `reverse-triplet`. `None` for anything else.
    pub fn parse(name: &str) -> Option<Rhythm> {
        let weights = match name.trim().to_ascii_lowercase().as_str() {
            "triplet" => vec![2.0, 1.0],
            "reverse-triplet" => vec![1.0, 2.0],
            chain => chain
                .split('-')
                .map(|word| match word {
                    "long" => Some(LONG),
                    "short" => Some(SHORT),
                    _ => None,
                })
                .collect::<Option<Vec<f64>>>()?,
        };
        (2..=8)
            .contains(&weights.len())
            .then_some(Rhythm { weights })
    }

    /// Onset of every note of `line` in quarters when its runs of equal notes are played in this
    /// rhythm. A group that the run's end cuts short keeps its written lengths.
    pub fn onsets_quarters(&self, line: &Line) -> Vec<f64> {
        let mut onsets: Vec<f64> = line.notes.iter().map(|n| n.onset_quarters).collect();
        let group = self.weights.len();
        let total: f64 = self.weights.iter().sum();
        let mut first = 0;
        while first < onsets.len() {
            let run = run_length(line, first);
            for start in (first..first + run).step_by(group) {
                if start + group > first + run {
                    break;
                }
                let unit = line.notes[start].duration_quarters * group as f64 / total;
                let mut at = line.notes[start].onset_quarters;
                for (k, weight) in self.weights.iter().enumerate() {
                    onsets[start + k] = at;
                    at += weight * unit;
                }
            }
            first += run.max(1);
        }
        onsets
    }
}

/// Number of notes from `first` on that follow each other without a gap in equal lengths.
fn run_length(line: &Line, first: usize) -> usize {
    let notes = &line.notes[first..];
    if notes[0].grace || notes[0].duration_quarters <= 0.0 {
        return 1;
    }
    let joined = notes.windows(2).take_while(|pair| {
        let end = pair[0].onset_quarters + pair[0].duration_quarters;
        !pair[1].grace
            && (pair[1].duration_quarters - notes[0].duration_quarters).abs() < EQUAL_QUARTERS
            && (pair[1].onset_quarters - end).abs() < EQUAL_QUARTERS
    });
    1 + joined.count()
}
