//! A small étude, its check, and recordings in any number, for tests of the library.

#![allow(dead_code, reason = "each test file uses what it needs")]

use std::path::{Path, PathBuf};

use passagework::judge::Check;
use passagework::keep::{KeepError, Kept, Library, NewTake};
use passagework::line::Line;
use passagework::line::read::{Kind, LineOptions, line_of};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::said::Said;
use passagework::sound::voice::{Rng, VoiceNote, VoiceOptions, render};

use crate::common::wav;

pub const STUDY: &str = "X:1\nT:Corridor at noon\nM:4/4\nL:1/8\nQ:1/4=120\nK:G transpose=-2\n\
                         GABc defg|agfe dcBA|GBdg fdBA|G2A2 B2c2|d4 G4|]\n";
pub const RATE_HZ: u32 = 22_050;

pub fn line_from(abc: &str) -> Line {
    line_of(Kind::Abc, abc.as_bytes(), &LineOptions::default()).expect("the study is read")
}

pub fn study() -> Line {
    line_from(STUDY)
}

/// How a take is played.
pub struct Playing {
    pub quarter_s: f64,
    /// Seconds late, and semitones off, of a note by its index.
    pub late_s: Box<dyn Fn(usize) -> f64>,
    pub off: Box<dyn Fn(usize) -> i32>,
}

impl Default for Playing {
    fn default() -> Self {
        Playing {
            quarter_s: 0.5,
            late_s: Box::new(|_| 0.0),
            off: Box::new(|_| 0),
        }
    }
}

/// Samples of the built-in voice playing `line`, every note tongued.
pub fn played(line: &Line, playing: &Playing) -> Vec<f32> {
    let at = |quarters: f64| 0.4 + playing.quarter_s * quarters;
    let notes: Vec<VoiceNote> = line
        .notes
        .iter()
        .enumerate()
        .map(|(idx, n)| VoiceNote {
            onset_s: at(n.onset_quarters) + (playing.late_s)(idx),
            offset_s: at(n.onset_quarters + n.duration_quarters) - 0.035,
            midi: f64::from(n.sounding_midi + (playing.off)(idx)),
            level_db: 0.0,
            tongued: true,
            blip: None,
        })
        .collect();
    let end_s = notes[notes.len() - 1].offset_s + 0.5;
    render(&notes, RATE_HZ, end_s, &VoiceOptions::default())
}

pub fn write_wav(path: &Path, samples: &[f32]) {
    wav::write_wav(path, samples, RATE_HZ);
}

/// The study, a real check of one take of it, and recordings as long as that take.
pub struct Material {
    pub line: Line,
    pub check: Check,
    pub samples: Vec<f32>,
    pub dir: tempfile::TempDir,
}

impl Material {
    pub fn new() -> Material {
        let dir = tempfile::tempdir().unwrap();
        let line = study();
        let samples = played(&line, &Playing::default());
        let path = dir.path().join("take.wav");
        write_wav(&path, &samples);
        let check = check_file(&line, &path, &TakeOptions::default()).expect("the take is read");
        Material {
            line,
            check,
            samples,
            dir,
        }
    }

    /// A recording whose bytes no other `seed` gives.
    pub fn recording(&self, seed: u64) -> PathBuf {
        let mut rng = Rng::new(seed);
        let samples: Vec<f32> = self
            .samples
            .iter()
            .map(|s| 0.9 * s + 0.001 * rng.normal() as f32)
            .collect();
        let path = self.dir.path().join(format!("take-{seed}.wav"));
        write_wav(&path, &samples);
        path
    }

    pub fn keep(&self, library: &mut Library, recording: &Path) -> Result<Kept, KeepError> {
        library.keep(&NewTake {
            line: &self.line,
            recording,
            check: &self.check,
            said: Said::default(),
            played: None,
            player: None,
        })
    }
}
