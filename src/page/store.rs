//! What the page holds: lines, takes, sounds and reports by number, the last few of each.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::refusal::Refusal;
use crate::judge::Check;
use crate::line::Line;
use crate::line::musicxml::edition::Edition;
use crate::line::read::{Kind, LineOptions, edition_of, line_of};
use crate::show::marked::Part;

/// More lines or reports than this are not kept: the oldest goes. An evening's work on one
/// étude fits.
const N_KEPT: usize = 12;
/// More takes, each with its sound, are not kept either: a large class fits, and the disk
/// stays bounded.
pub const N_TAKES_KEPT: usize = 64;

/// An étude's file as it came.
pub struct LineFile {
    /// As the browser called it; only ever shown.
    pub name: String,
    pub kind: Kind,
    pub content: Vec<u8>,
}

/// Which line of a file, and for whom.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(default)]
pub struct Choice {
    pub part: Option<String>,
    pub voice: Option<String>,
    pub tune: Option<u32>,
    pub instrument: Option<String>,
}

impl LineFile {
    pub fn read(&self, choice: &Choice) -> Result<Line, Refusal> {
        line_of(self.kind, &self.content, &choice.options())
            .map_err(|e| Refusal::unusable(format!("{}: {e}", self.name)))
    }

    /// The file itself for the engraver, where it can be engraved as it stands.
    pub fn edition(&self, choice: &Choice, line: &Line) -> Option<Edition> {
        edition_of(self.kind, &self.content, &choice.options(), line)
    }
}

impl Choice {
    fn options(&self) -> LineOptions {
        let said = |text: &Option<String>| text.clone().filter(|t| !t.trim().is_empty());
        LineOptions {
            part: said(&self.part),
            voice: said(&self.voice),
            tune: self.tune,
            instrument: said(&self.instrument),
            as_written: false,
        }
    }
}

/// A recording as it came.
pub struct TakeFile {
    pub name: String,
    pub path: PathBuf,
    pub duration_s: f64,
    /// Number of its sound, for listening.
    pub sound: u64,
    /// The file is in our folder and goes with this; one of the library stays there.
    pub ours: bool,
}

impl TakeFile {
    /// As the page is told of it.
    pub fn described(&self, number: u64) -> Value {
        json!({
            "number": number,
            "name": self.name,
            "sound": self.sound,
            "duration_s": self.duration_s,
        })
    }
}

impl Drop for TakeFile {
    fn drop(&mut self) {
        if self.ours {
            // The folder goes at the end in any case.
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// A WAV file to listen to.
pub struct Sound {
    pub path: PathBuf,
}

impl Drop for Sound {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// One take held against one line.
pub struct Report {
    pub line: Line,
    /// The file the line was read from; none of a take whose line comes out of the library.
    pub edition: Option<Edition>,
    pub check: Check,
}

impl Report {
    pub fn part(&self) -> Part<'_> {
        Part {
            edition: self.edition.as_ref(),
            ..Part::of_take(&self.line, &self.check)
        }
    }
}

/// Numbered things, oldest first.
struct Kept<T> {
    things: VecDeque<(u64, Arc<T>)>,
    n_at_most: usize,
}

impl<T> Kept<T> {
    fn new(n_at_most: usize) -> Kept<T> {
        Kept {
            things: VecDeque::new(),
            n_at_most,
        }
    }

    /// In the place of what had the number before.
    fn put(&mut self, number: u64, thing: T) {
        self.things.retain(|(n, _)| *n != number);
        self.things.push_back((number, Arc::new(thing)));
        if self.things.len() > self.n_at_most {
            self.things.pop_front();
        }
    }

    fn get(&self, number: u64) -> Option<Arc<T>> {
        self.things
            .iter()
            .find(|(n, _)| *n == number)
            .map(|(_, thing)| thing.clone())
    }
}

struct Shelves {
    last: u64,
    lines: Kept<LineFile>,
    takes: Kept<TakeFile>,
    sounds: Kept<Sound>,
    reports: Kept<Report>,
}

pub struct Store {
    folder: PathBuf,
    shelves: Mutex<Shelves>,
}

impl Store {
    /// `folder` is ours alone and is removed by whoever made it.
    pub fn new(folder: PathBuf) -> Store {
        Store {
            folder,
            shelves: Mutex::new(Shelves {
                last: 0,
                lines: Kept::new(N_KEPT),
                takes: Kept::new(N_TAKES_KEPT),
                sounds: Kept::new(2 * N_TAKES_KEPT),
                reports: Kept::new(N_KEPT),
            }),
        }
    }

    fn shelves(&self) -> MutexGuard<'_, Shelves> {
        // Nothing inside can be left half done, so a panic elsewhere spoils nothing.
        self.shelves.lock().unwrap_or_else(|e| e.into_inner())
    }

    /// A number nobody has yet, and the place on disk that belongs to it.
    pub fn place(&self, ending: &str) -> (u64, PathBuf) {
        let mut shelves = self.shelves();
        shelves.last += 1;
        let number = shelves.last;
        (number, self.folder.join(format!("{number}{ending}")))
    }

    pub fn put_line(&self, line: LineFile) -> u64 {
        let (number, _) = self.place("");
        self.shelves().lines.put(number, line);
        number
    }

    pub fn put_take(&self, number: u64, take: TakeFile) {
        self.shelves().takes.put(number, take);
    }

    pub fn put_sound(&self, number: u64, sound: Sound) {
        self.shelves().sounds.put(number, sound);
    }

    pub fn put_report(&self, report: Report) -> u64 {
        let (number, _) = self.place("");
        self.put_report_at(number, report);
        number
    }

    pub fn put_report_at(&self, number: u64, report: Report) {
        self.shelves().reports.put(number, report);
    }

    pub fn line(&self, number: u64) -> Result<Arc<LineFile>, Refusal> {
        let found = self.shelves().lines.get(number);
        found.ok_or_else(|| Refusal::gone("line"))
    }

    pub fn take(&self, number: u64) -> Result<Arc<TakeFile>, Refusal> {
        let found = self.shelves().takes.get(number);
        found.ok_or_else(|| Refusal::gone("take"))
    }

    pub fn sound(&self, number: u64) -> Result<Arc<Sound>, Refusal> {
        let found = self.shelves().sounds.get(number);
        found.ok_or_else(|| Refusal::gone("sound"))
    }

    pub fn report(&self, number: u64) -> Result<Arc<Report>, Refusal> {
        let found = self.shelves().reports.get(number);
        found.ok_or_else(|| Refusal::gone("report"))
    }
}
