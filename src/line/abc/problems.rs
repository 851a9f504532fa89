//! Problems with their places, bounded in number.

use super::super::Problem;

/// Line and column in the file, both from 1; column 0 means the line as a whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place {
    pub line: usize,
    pub column: usize,
}

/// More problems than this say nothing new.
const KEPT_MAX: usize = 100;

#[derive(Debug, Default)]
pub struct Problems {
    kept: Vec<Problem>,
    n_dropped: usize,
}

impl Problems {
    pub fn say(&mut self, place: Place, text: impl Into<String>) {
        if self.kept.len() >= KEPT_MAX {
            self.n_dropped += 1;
            return;
        }
        let place = match place.column {
            0 => format!("line {}", place.line),
            column => format!("line {}, column {column}", place.line),
        };
        let text = text.into();
        self.kept.push(Problem { place, text });
    }

    /// Says `text` unless the same has been said before.
    pub fn once(&mut self, place: Place, text: &str) {
        if !self.kept.iter().any(|p| p.text == text) {
            self.say(place, text);
        }
    }

    pub fn into_vec(mut self) -> Vec<Problem> {
        if self.n_dropped > 0 {
            self.kept.push(Problem {
                place: "file".into(),
                text: format!("{} more problems", self.n_dropped),
            });
        }
        self.kept
    }
}
