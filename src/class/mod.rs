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

use crate::judge::{Summary, Verdict};
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

/// Checks every take; rows in the order of `takes`. `state` says what is done already and is
/// told what gets done; `done` is called after each take, from any thread.
pub fn check_class(
    line: &Line,
    takes: &[PathBuf],
    options: &TakeOptions,
    state: Option<&State>,
    done: &(dyn Fn() + Sync),
) -> Vec<Row> {
    let players = players(takes);
    let rows = takes.par_iter().zip(&players).map(|(take, player)| {
        let hash = crate::keep::recording::file_hash(take).ok();
        let known = state.zip(hash.as_ref()).and_then(|(s, hash)| s.known(hash));
        let fresh = known.is_none();
        let result = known.unwrap_or_else(|| check_take(line, take, options));
        if let (true, Some(state), Some(hash), RowResult::Checked(checked)) =
            (fresh, state, hash, &result)
        {
            state.note(&hash, checked);
        }
        done();
        Row {
            player: player.clone(),
            take: name_of(take),
            result,
        }
    });
    rows.collect()
}

fn check_take(line: &Line, take: &Path, options: &TakeOptions) -> RowResult {
    // A fault of ours in one take is not to take the class along.
    let checked = catch_unwind(AssertUnwindSafe(|| check_file(line, take, options)));
    let check = match checked {
        Ok(Ok(check)) => check,
        Ok(Err(error)) => return RowResult::Error(error.to_string()),
        Err(_) => {
            return RowResult::Error("the program failed on this take; please report it".into());
        }
    };
    let runs = |verdict| check.runs.iter().filter(|r| r.verdict == verdict).count();
    RowResult::Checked(Box::new(Checked {
        summary: check.summary,
        uneven_runs: runs(Verdict::Uneven),
        even_runs: runs(Verdict::Even),
        unclear_runs: runs(Verdict::CannotTell),
        figures: figures(line, &check, options.judge.rhythm.is_some()),
        worst: check
            .findings
            .iter()
            .take(FINDINGS_NAMED)
            .map(|f| f.text.clone())
            .collect(),
        findings: check.findings.len(),
        warnings: check.take.warnings.clone(),
    }))
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
