//! What of a class is done: a file of JSON lines, one a take, known again by its bytes.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{Checked, RowResult};
use crate::keep::identity::{hex, line_print};
use crate::line::Line;
use crate::said::Said;

/// The file that says what is done.
pub struct State {
    known: HashMap<String, Checked>,
    file: Mutex<File>,
}

#[derive(Debug, thiserror::Error)]
pub enum StateError {
    #[error("{}: {source}; name another file with --state", path.display())]
    Io {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{} is something else than the state of a class; name another file with --state", path.display())]
    NotAState { path: PathBuf },
}

#[derive(Serialize, Deserialize)]
struct Head {
    /// Of line, instrument, question and program: another one begins anew.
    passagework_class: String,
}

#[derive(Serialize, Deserialize)]
struct Done {
    /// SHA-256 of the take's bytes.
    take: String,
    checked: Checked,
}

impl State {
    /// Opens the state at `path`, or begins one. Rows of another line, question or program
    /// version are dropped.
    pub fn open(path: &Path, line: &Line, said: &Said) -> Result<State, StateError> {
        let io = |source| StateError::Io {
            path: path.into(),
            source,
        };
        let key = key(line, said);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(io)?;
        let mut known = HashMap::new();
        let mut reader = BufReader::new(&mut file);
        let mut first = String::new();
        // A stranger's file may be no text at all.
        let readable = reader.by_ref().take(1 << 12).read_line(&mut first).is_ok();
        let head: Option<Head> = serde_json::from_str(&first).ok();
        if !first.is_empty() && head.is_none() || !readable {
            return Err(StateError::NotAState { path: path.into() });
        }
        let goes_on = head.is_some_and(|head| head.passagework_class == key);
        let mut end = 0;
        if goes_on {
            end = first.len() as u64;
            let mut row = String::new();
            // Up to the row that a broken-off run did not finish.
            while reader.read_line(&mut row).is_ok_and(|n| n > 0) && row.ends_with('\n') {
                if let Ok(done) = serde_json::from_str::<Done>(&row) {
                    known.insert(done.take, done.checked);
                }
                end += row.len() as u64;
                row.clear();
            }
        }
        drop(reader);
        file.set_len(end).map_err(io)?;
        file.seek(SeekFrom::Start(end)).map_err(io)?;
        let state = State {
            known,
            file: Mutex::new(file),
        };
        if !goes_on {
            state.append(&Head {
                passagework_class: key,
            });
        }
        Ok(state)
    }

    /// Takes that are done already.
    pub fn n_known(&self) -> usize {
        self.known.len()
    }

    pub(super) fn known(&self, take: &str) -> Option<RowResult> {
        let checked = self.known.get(take)?;
        Some(RowResult::Checked(Box::new(checked.clone())))
    }

    pub(super) fn note(&self, take: &str, checked: &Checked) {
        self.append(&Done {
            take: take.into(),
            checked: checked.clone(),
        });
    }

    /// One write a row. A state that cannot be written costs a later run its time, and nothing
    /// else; the table goes on.
    fn append(&self, row: &impl Serialize) {
        let mut text = serde_json::to_vec(row).expect("a row has a JSON form");
        text.push(b'\n');
        if let Ok(mut file) = self.file.lock() {
            let _ = file.write_all(&text);
        }
    }
}

fn key(line: &Line, said: &Said) -> String {
    let mut hash = Sha256::new();
    hash.update(line_print(line));
    hash.update(&line.instrument);
    hash.update(line.transpose_semitones.to_le_bytes());
    hash.update(serde_json::to_vec(said).expect("a question has a JSON form"));
    hash.update(env!("CARGO_PKG_VERSION"));
    hex(&hash.finalize())
}
