//! Lines, hearings and alignments made from known truth.
#![allow(dead_code)] // Each test file uses its own part.

use passagework::align::{Alignment, Attempt, Extra, NoteMatch, Outcome};
use passagework::hear::{HeardNote, Hearing, PitchCandidate, Recording};
use passagework::judge::{Check, JudgeOptions, judge};
use passagework::line::{Key, Line, LineBar, LineNote, Spelling, TempoMark};

/// Seeded normal noise: a linear congruential generator (Knuth's MMIX constants) and Box–Muller.
pub struct Noise(pub u64);

impl Noise {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        let (u, v) = (self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// `F##4`, `Bb3`.
pub fn spelling(name: &str) -> Spelling {
    let letter = name.as_bytes()[0];
    let signs = &name[1..name.len() - 1];
    Spelling {
        letter: b"CDEFGAB".iter().position(|l| *l == letter).unwrap() as u8,
        alter: signs.matches('#').count() as i8 - signs.matches('b').count() as i8,
        octave: name[name.len() - 1..].parse().unwrap(),
    }
}

/// A line in 4/4 for an instrument at concert pitch, note after note.
pub fn line_of(notes: &[(&str, f64)], fifths: i32) -> Line {
    let mut at = 0.0;
    let mut list = Vec::new();
    for (name, quarters) in notes {
        let bar_idx = (at / 4.0 + 1e-9) as usize;
        let written = spelling(name);
        list.push(LineNote {
            bar: (bar_idx + 1).to_string(),
            bar_idx,
            pass: 1,
            beat: at - 4.0 * bar_idx as f64 + 1.0,
            onset_quarters: at,
            duration_quarters: *quarters,
            written,
            sounding_midi: written.midi(),
            grace: false,
            slurred: false,
            articulations: Vec::new(),
            ornament: None,
            fermata: false,
            breath_after: false,
            dynamic: None,
        });
        at += quarters;
    }
    let n_bars = (at / 4.0 - 1e-9).ceil() as usize;
    Line {
        title: "Test".into(),
        part: "Clarinet".into(),
        parts: vec!["Clarinet".into()],
        instrument: "unknown".into(),
        transpose_semitones: 0,
        key: Key {
            fifths,
            mode: "major".into(),
        },
        tempo: Some(TempoMark {
            beat_quarters: 1.0,
            bpm: 100.0,
        }),
        bars: (0..n_bars)
            .map(|b| LineBar {
                number: (b + 1).to_string(),
                page_idx: b,
                pass: 1,
                onset_quarters: 4.0 * b as f64,
                length_quarters: 4.0,
                beat_quarters: 1.0,
                first_beat: 1.0,
                ..LineBar::default()
            })
            .collect(),
        notes: list,
        problems: Vec::new(),
    }
}

/// `n` equal notes going up and down a C major scale.
pub fn scale_line(n: usize, quarters: f64) -> Line {
    const SCALE: [&str; 14] = [
        "C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5", "B4", "A4", "G4", "F4", "E4", "D4",
    ];
    let notes: Vec<(&str, f64)> = (0..n).map(|i| (SCALE[i % 14], quarters)).collect();
    line_of(&notes, 0)
}

/// A take of `line` under way.
pub struct Take {
    pub line: Line,
    pub hearing: Hearing,
    pub alignment: Alignment,
    stretch: usize,
}

impl Take {
    /// Every note right, its onset at `at(idx)` seconds, in order, with onset error `se_s`.
    pub fn right(line: &Line, se_s: f64, at: impl Fn(usize) -> f64) -> Take {
        let mut take = Take::empty(line);
        for idx in 0..line.notes.len() {
            take.play(idx, at(idx), 0.2, 0, se_s);
        }
        take
    }

    /// Nothing heard; every note not reached.
    pub fn empty(line: &Line) -> Take {
        let nothing = Attempt {
            outcome: Outcome::NotReached,
            heard_idx: None,
            stretch: 0,
            heard_midi: None,
            register_slip: false,
            confidence: 0.9,
        };
        Take {
            line: line.clone(),
            hearing: Hearing {
                a4_hz: 440.0,
                a4_hz_se: 0.1,
                recording: Recording {
                    duration_s: 60.0,
                    sample_rate_hz: 44_100,
                    level_dbfs: -20.0,
                    noise_dbfs: -70.0,
                    ..Recording::default()
                },
                ..Hearing::default()
            },
            alignment: Alignment {
                notes: vec![
                    NoteMatch {
                        last: nothing,
                        earlier: Vec::new(),
                    };
                    line.notes.len()
                ],
                a4_hz: 440.0,
                a4_hz_se: 0.1,
                ..Alignment::default()
            },
            stretch: 0,
        }
    }

    pub fn next_stretch(&mut self) {
        self.stretch += 1;
    }

    /// Hears `midi` at `onset_s`; returns its index.
    pub fn hear(&mut self, midi: f64, onset_s: f64, length_s: f64, se_s: f64) -> usize {
        self.hearing.notes.push(HeardNote {
            onset_s,
            onset_se_s: se_s,
            offset_s: onset_s + length_s,
            midi,
            cents_sd: 2.0,
            cents_se: 1.0,
            level_dbfs: -20.0,
            tongued: false,
            confidence: 0.98,
            candidates: vec![PitchCandidate {
                midi,
                probability: 0.95,
            }],
        });
        self.hearing.notes.len() - 1
    }

    /// Plays note `idx`, `by` semitones off, as its newest attempt.
    pub fn play(&mut self, idx: usize, onset_s: f64, length_s: f64, by: i32, se_s: f64) {
        let midi = self.line.notes[idx].sounding_midi + by;
        let heard = self.hear(f64::from(midi), onset_s, length_s, se_s);
        self.attempt(
            idx,
            Attempt {
                outcome: if by == 0 {
                    Outcome::Right
                } else {
                    Outcome::Wrong
                },
                heard_idx: Some(heard),
                stretch: self.stretch,
                heard_midi: Some(midi),
                register_slip: matches!(by.abs(), 12 | 19),
                confidence: 0.95,
            },
        );
    }

    pub fn miss(&mut self, idx: usize) {
        self.attempt(
            idx,
            Attempt {
                outcome: Outcome::Missed,
                heard_idx: None,
                stretch: self.stretch,
                heard_midi: None,
                register_slip: false,
                confidence: 0.9,
            },
        );
    }

    pub fn add(&mut self, after_idx: usize, midi: i32, onset_s: f64) {
        let heard_idx = self.hear(f64::from(midi), onset_s, 0.08, 0.001);
        self.alignment.added.push(Extra {
            heard_idx,
            after_idx: Some(after_idx),
            confidence: 0.95,
        });
    }

    fn attempt(&mut self, idx: usize, attempt: Attempt) {
        let matched = &mut self.alignment.notes[idx];
        let before = std::mem::replace(&mut matched.last, attempt);
        if before.outcome != Outcome::NotReached {
            matched.earlier.push(before);
        }
    }

    pub fn check(&self) -> Check {
        self.check_with(&JudgeOptions::default())
    }

    pub fn check_with(&self, options: &JudgeOptions) -> Check {
        judge(&self.line, &self.hearing, &self.alignment, options)
    }
}
