//! Takes of drills go through the whole program: played right in two voices each checks clean.

#[path = "../../examples/make_takes/sampled.rs"]
#[allow(dead_code, reason = "the takes here need one way of joining only")]
mod sampled;

use std::path::Path;

use crate::support::*;
use passagework::judge::FindingKind;
use passagework::line::read::{LineOptions, read_line};
use passagework::line::write::{self, WriteOptions};
use passagework::line::{Line, TempoMark};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::practise::perform::{perform, qpm_of, timbre_of};
use passagework::practise::{Drill, Pass};
use passagework::sound::voice::{Rng, VoiceOptions, render};
use sampled::{FontSingles, Joining, TIM_GM};

const RATE_HZ: u32 = 44_100;

fn write_wav(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a WAV can be made");
    for sample in samples {
        writer
            .write_sample((sample.clamp(-1.0, 1.0) * 32767.0) as i16)
            .expect("a sample can be written");
    }
    writer.finalize().expect("a WAV can be closed");
}

/// The drill as it is on disk, read as `check` reads it.
fn on_disk(folder: &Path, drill: &Drill) -> Line {
    let path = folder.join("drill.musicxml");
    let xml = write::musicxml(&drill.line, &WriteOptions::default()).xml;
    std::fs::write(&path, xml).expect("a file");
    let options = LineOptions {
        instrument: Some("clarinet-bb".into()),
        ..LineOptions::default()
    };
    read_line(&path, &options).expect("a drill is a good line")
}

fn sampled_sound(line: &Line) -> Vec<f32> {
    let performance = perform(line, qpm_of(line));
    let mut font =
        FontSingles::new(TIM_GM, 71, RATE_HZ).expect("scripts/setup test installs the soundfont");
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

fn own_sound(line: &Line) -> Vec<f32> {
    let performance = perform(line, qpm_of(line));
    let options = VoiceOptions {
        timbre: timbre_of(&line.instrument),
        ..VoiceOptions::default()
    };
    render(
        &performance.notes,
        RATE_HZ,
        performance.duration_s,
        &options,
    )
}

/// What a right take of every drill was reproached with; and how many notes the sound did not
/// settle, of how many.
struct Heard {
    accusations: Vec<String>,
    unsure: usize,
    notes: usize,
}

fn heard(voice: impl Fn(&Line) -> Vec<f32>) -> Heard {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut heard = Heard {
        accusations: Vec::new(),
        unsure: 0,
        notes: 0,
    };
    for drill in drills_of(&demo(), &[]) {
        let line = on_disk(folder.path(), &drill);
        let take = folder.path().join("take.wav");
        write_wav(&take, &voice(&line));
        let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
        heard.unsure += check.summary.unsure;
        heard.notes += check.notes.len();
        for finding in check
            .findings
            .iter()
            .filter(|f| f.kind != FindingKind::Unsure)
        {
            heard
                .accusations
                .push(format!("{}: {}", line.title, finding.text));
        }
        if check.summary.right + check.summary.unsure != check.notes.len() {
            heard
                .accusations
                .push(format!("{}: not all right", line.title));
        }
    }
    heard
}

/// Nobody is accused, and next to nothing is left open: "cannot tell" is a result that the
/// hearing gives rarely, five times in a thousand notes at the most.
fn assert_clean(heard: Heard) {
    println!("{} of {} notes unsure", heard.unsure, heard.notes);
    assert!(
        heard.accusations.is_empty(),
        "{}",
        heard.accusations.join("\n")
    );
    assert!(
        heard.unsure * 200 <= heard.notes,
        "{} of {}",
        heard.unsure,
        heard.notes
    );
}

#[test]
fn drills_in_the_built_in_voice_check_clean() {
    assert_clean(heard(own_sound));
}

#[test]
fn drills_in_a_sampled_voice_check_clean() {
    assert_clean(heard(sampled_sound));
}

/// The check is no rubber stamp: a drill with one note wrong is no clean pass.
#[test]
fn a_wrong_note_in_a_drill_is_no_clean_pass() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let drills = drills_of(&demo(), &[]);
    let mut line = on_disk(folder.path(), &drills[0]);
    line.tempo = Some(TempoMark {
        beat_quarters: 1.0,
        bpm: 60.0,
    });
    let take = folder.path().join("take.wav");
    let mut played = line.clone();
    played.notes[3].sounding_midi += 2;
    write_wav(&take, &own_sound(&played));
    let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
    assert_eq!(Pass::of(&check), Pass::Failed("1 wrong note".into()));
    write_wav(&take, &own_sound(&line));
    let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
    assert_eq!(Pass::of(&check), Pass::Clean);
}
