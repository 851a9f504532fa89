//! A class: many takes of one line, one player a file, on all cores.
//!
//! Each take becomes one [`Row`], the same on every run. What is done is written down as it is
//! done, so that a run that was broken off goes on where it stopped.

mod hard;
mod state;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

pub use hard::{HardBar, HardChange, hard_bars, hard_changes};
pub use state::{State, StateError};

use crate::judge::{Check, Summary, Verdict};
use crate::line::Line;
use crate::pipeline::{TakeOptions, check_file};
use crate::progress::{TakeFigures, figures};

/// Findings of each take that are named in its row.
const FINDINGS_NAMED: usize = 3;
/// Files beside the takes that are plainly something else.
const NO_TAKES: [&str; 16] = [
    "musicxml", "xml", "mxl", "mid", "midi", "abc", "csv", "html", "json", "jsonl", "txt", "md",
    "pdf", "png", "jpg", "zip",
];

/// One take of the class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// The file's name without its extension; with it where two would be the same.
    pub player: String,
    /// The file's name.
    pub take: String,
    /// Of the file's bytes, where it can be read.
    #[serde(skip)]
    pub sha256: Option<String>,
    #[serde(flatten)]
    pub result: RowResult,
}

/// What became of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RowResult {
    Checked(Box<Checked>),
    /// Why it could not be checked.
    Error(String),
}

/// What of a check goes into the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Checked {
    pub summary: Summary,
    pub uneven_runs: usize,
    pub even_runs: usize,
    pub unclear_runs: usize,
    pub figures: TakeFigures,
    /// The worst findings in words, and how many there are.
    pub worst: Vec<String>,
    pub findings: usize,
    pub warnings: Vec<String>,
}

impl Row {
    pub fn checked(&self) -> Option<&Checked> {
        match &self.result {
            RowResult::Checked(checked) => Some(checked),
            RowResult::Error(_) => None,
        }
    }
}

/// The takes in `dir`, by name: every file that is not hidden and not plainly something else.
pub fn takes_in(dir: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut takes = Vec::new();
    for entry in std::fs::read_dir(dir)? {
        let path = entry?.path();
        let hidden = path
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with('.'));
        let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
        let other = NO_TAKES.iter().any(|known| extension == *known);
        if path.is_file() && !hidden && !other {
            takes.push(path);
        }
    }
    takes.sort();
    Ok(takes)
}

/// Who is told of the takes of a class, from any thread.
pub trait Watch: Sync {
    /// Whether a take that was checked before is to be checked again, since its check is needed.
    fn needs_check(&self, _row: &Row) -> bool {
        false
    }

    /// A take was checked just now.
    fn checked(&self, _row: &Row, _check: &Check) {}

    /// One more take is done.
    fn done(&self) {}
}

/// A take to be checked: the names its row gets, and where it is.
pub struct NamedTake {
    pub player: String,
    pub take: String,
    pub path: PathBuf,
}

/// Takes named after their files.
pub fn named(takes: Vec<PathBuf>) -> Vec<NamedTake> {
    let players = players(&takes);
    let named = takes.into_iter().zip(players);
    named
        .map(|(path, player)| NamedTake {
            player,
            take: name_of(&path),
            path,
        })
        .collect()
}

/// Checks every take; rows in the order of `takes`. `state` says what is done already and is
/// told what gets done.
pub fn check_class(
    line: &Line,
    takes: &[NamedTake],
    options: &TakeOptions,
    state: Option<&State>,
    watch: &dyn Watch,
) -> Vec<Row> {
    let rows = takes.par_iter().map(|take| {
        let sha256 = crate::keep::recording::file_hash(&take.path).ok();
        let known = state
            .zip(sha256.as_ref())
            .and_then(|(s, hash)| s.known(hash));
        let row = |result| Row {
            player: take.player.clone(),
            take: take.take.clone(),
            sha256: sha256.clone(),
            result,
        };
        let known = known.map(row).filter(|row| !watch.needs_check(row));
        let row = known.unwrap_or_else(|| match check_take(line, &take.path, options) {
            Ok(check) => {
                let row = row(RowResult::Checked(Box::new(checked(line, &check, options))));
                watch.checked(&row, &check);
                if let (Some(state), Some(hash), Some(checked)) =
                    (state, &row.sha256, row.checked())
                {
                    state.note(hash, checked);
                }
                row
            }
            Err(reason) => row(RowResult::Error(reason)),
        });
        watch.done();
        row
    });
    rows.collect()
}

fn check_take(line: &Line, take: &Path, options: &TakeOptions) -> Result<Check, String> {
    // A fault of ours in one take is not to take the class along.
    match catch_unwind(AssertUnwindSafe(|| check_file(line, take, options))) {
        Ok(Ok(check)) => Ok(check),
        Ok(Err(error)) => Err(error.to_string()),
        Err(_) => Err("the program failed on this take; please report it".into()),
    }
}

fn checked(line: &Line, check: &Check, options: &TakeOptions) -> Checked {
    let runs = |verdict| check.runs.iter().filter(|r| r.verdict == verdict).count();
    Checked {
        summary: check.summary,
        uneven_runs: runs(Verdict::Uneven),
        even_runs: runs(Verdict::Even),
        unclear_runs: runs(Verdict::CannotTell),
        figures: figures(line, check, options.judge.rhythm.is_some()),
        worst: check
            .findings
            .iter()
            .take(FINDINGS_NAMED)
            .map(|f| f.text.clone())
            .collect(),
        findings: check.findings.len(),
        warnings: check.take.warnings.clone(),
    }
}

fn name_of(path: &Path) -> String {
    let name = path.file_name().unwrap_or_default();
    name.to_string_lossy().into_owned()
}

fn players(takes: &[PathBuf]) -> Vec<String> {
    let stem = |take: &PathBuf| {
        let stem = take.file_stem().unwrap_or_default();
        stem.to_string_lossy().into_owned()
    };
    let stems: Vec<String> = takes.iter().map(stem).collect();
    takes
        .iter()
        .zip(&stems)
        .map(
            |(take, stem)| match stems.iter().filter(|s| *s == stem).count() {
                1 => stem.clone(),
                _ => name_of(take),
            },
        )
        .collect()
}
