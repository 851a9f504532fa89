//! Drills of a line played as written, in two voices, and checked by the whole program.

#[path = "../../examples/make_takes/sampled.rs"]
#[allow(dead_code, reason = "the takes here need one way of joining only")]
mod sampled;
#[path = "../common/wav.rs"]
mod wav;

use std::path::Path;

use super::support::drills_of;
use passagework::judge::FindingKind;
use passagework::line::read::{LineOptions, read_line};
use passagework::line::write::{self, WriteOptions};
use passagework::line::{Line, TempoMark};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::practise::Drill;
use passagework::practise::perform::{perform, qpm_of, timbre_of};
use passagework::sound::voice::{Rng, VoiceOptions, render};
use sampled::{FontSingles, Joining, TIM_GM};

const RATE_HZ: u32 = 44_100;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Voice {
    BuiltIn,
    Sampled,
}

/// Which of the drill's tempo steps is played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tempo {
    Start,
    Goal,
}

impl Voice {
    /// The line as it is written, mono at 44.1 kHz.
    pub fn sound(self, line: &Line) -> Vec<f32> {
        let performance = perform(line, qpm_of(line));
        if self == Voice::BuiltIn {
            let options = VoiceOptions {
                timbre: timbre_of(&line.instrument),
                ..VoiceOptions::default()
            };
            return render(
                &performance.notes,
                RATE_HZ,
                performance.duration_s,
                &options,
            );
        }
        // General MIDI 1: programs counted from 0.
        let program = match line.instrument.as_str() {
            "alto-sax" => 65,
            "oboe" => 68,
            "flute" => 73,
            _ => 71,
        };
        let mut font = FontSingles::new(TIM_GM, program, RATE_HZ)
            .expect("scripts/setup test installs the soundfont");
        let mut onsets: Vec<f64> = performance.notes.iter().map(|n| n.onset_s).collect();
        sampled::render(
            &performance.notes,
            &mut font,
            Joining::Crossfade,
            RATE_HZ,
            performance.duration_s,
            &mut onsets,
            &mut Rng::new(5),
        )
        .expect("the soundfont has every note")
    }
}

pub fn write_wav(path: &Path, samples: &[f32]) {
    wav::write_wav(path, samples, RATE_HZ);
}

/// The drill as it is on disk, read as `check` reads it.
pub fn on_disk(folder: &Path, drill: &Drill) -> Line {
    let path = folder.join("drill.musicxml");
    let xml = write::musicxml(&drill.line, &WriteOptions::default()).xml;
    std::fs::write(&path, xml).expect("a file");
    let options = LineOptions {
        instrument: Some(drill.line.instrument.clone()),
        ..LineOptions::default()
    };
    read_line(&path, &options).expect("a drill is a good line")
}

/// What right takes of drills were reproached with, and what was left open.
#[derive(Default)]
pub struct Heard {
    pub drills: usize,
    pub notes: usize,
    pub accusations: Vec<String>,
    pub unsure: Vec<String>,
}

/// Every drill of the line played right and checked.
pub fn heard(etude: &Line, voice: Voice, tempo: Tempo) -> Heard {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut heard = Heard::default();
    for drill in drills_of(etude, &[]) {
        let mut line = on_disk(folder.path(), &drill);
        if tempo == Tempo::Goal {
            let bpm = *drill.steps_qpm.last().expect("a drill has steps");
            line.tempo = Some(TempoMark {
                beat_quarters: 1.0,
                bpm,
            });
        }
        let take = folder.path().join("take.wav");
        write_wav(&take, &voice.sound(&line));
        let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
        heard.drills += 1;
        heard.notes += check.notes.len();
        for finding in &check.findings {
            let list = match finding.kind {
                FindingKind::Unsure => &mut heard.unsure,
                _ => &mut heard.accusations,
            };
            list.push(format!("{}: {}", line.title, finding.text));
        }
        let s = &check.summary;
        if s.right + s.unsure != s.expected {
            heard
                .accusations
                .push(format!("{}: not all right", line.title));
        }
    }
    heard
}
