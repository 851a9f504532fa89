//! `passagework demo`: a small étude, two takes of it by the built-in reed voice, and
//! what the check says of them. The étude and the takes are a scenario of our own.

use std::path::{Path, PathBuf};

use clap::Args;
use passagework::line::read::{LineOptions, read_line};
use passagework::line::{Articulation, Line};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::show;
use passagework::sound::voice::{Rng, VoiceNote, VoiceOptions, render};

use super::check::Look;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct DemoArguments {
    /// Folder the étude and the takes are written to
    #[arg(long, value_name = "DIR", default_value = "demo")]
    dir: PathBuf,
    #[command(flatten)]
    look: Look,
}

const ETUDE: &str = include_str!("demo_etude.abc");
const SAMPLE_RATE_HZ: u32 = 44_100;

/// How a take of the demo is played.
struct Reading {
    file: &'static str,
    said: &'static str,
    start_qpm: f64,
    end_qpm: f64,
    jitter_s: f64,
    faults: bool,
}

const READINGS: [Reading; 2] = [
    Reading {
        file: "first-read.wav",
        said: "A first read: F## misread once, a late finger change, a bar begun again, the end dragging.",
        start_qpm: 84.0,
        end_qpm: 76.0,
        jitter_s: 0.004,
        faults: true,
    },
    Reading {
        file: "after-a-week.wav",
        said: "The same line after a week of slow practice.",
        start_qpm: 92.0,
        end_qpm: 92.0,
        jitter_s: 0.001,
        faults: false,
    },
];

/// How late the faulty take's slurred changes into written E come, bars 3 and 5.
const LATE_CHANGE_S: f64 = 0.032;

pub fn run(arguments: &DemoArguments) -> Result<Done, CommandError> {
    let dir = &arguments.dir;
    std::fs::create_dir_all(dir).map_err(|e| {
        format!(
            "cannot make the folder {}: {e}; name another with --dir",
            dir.display()
        )
    })?;
    let etude = dir.join("lamps-along-the-canal.abc");
    std::fs::write(&etude, ETUDE).map_err(|e| {
        format!(
            "cannot write {}: {e}; name another folder with --dir",
            etude.display()
        )
    })?;
    let line = read_line(&etude, &LineOptions::default())?;
    for reading in &READINGS {
        let path = dir.join(reading.file);
        write_take(&path, &line, reading)?;
        let check = check_file(&line, &path, &TakeOptions::default())?;
        output::print(&format!(
            "{}\n\n{}\n",
            reading.said,
            show::text::check(&line, &check, arguments.look.layout())
        ))?;
    }
    output::print(&format!(
        "The étude and both takes lie in {0}. To check one again:\n  passagework check {1} {2}\n",
        dir.display(),
        etude.display(),
        dir.join(READINGS[0].file).display()
    ))?;
    Ok(Done::Quiet)
}

/// Note indices in the order they are played: the faulty take breaks off in bar 6 and begins it again.
fn order(line: &Line, faults: bool) -> Vec<usize> {
    let all = 0..line.notes.len();
    let bar = |number: &str| line.notes.iter().position(|n| n.bar == number);
    match (faults, bar("6")) {
        (true, Some(first)) => (0..first + 5).chain(first..line.notes.len()).collect(),
        _ => all.collect(),
    }
}

fn write_take(path: &Path, line: &Line, reading: &Reading) -> Result<(), CommandError> {
    let notes = &line.notes;
    let order = order(line, reading.faults);
    let mut rng = Rng::new(7);
    let mut t_s = 0.6;
    let mut voice_notes: Vec<VoiceNote> = Vec::with_capacity(order.len());
    for (place, &index) in order.iter().enumerate() {
        let note = &notes[index];
        let done = place as f64 / order.len() as f64;
        let quarter_s = 60.0 / (reading.start_qpm + (reading.end_qpm - reading.start_qpm) * done);
        let next = order.get(place + 1).copied();
        let goes_on = next == Some(index + 1);
        let length_s = quarter_s
            * match next {
                Some(n) if goes_on => notes[n].onset_quarters - note.onset_quarters,
                _ => note.duration_quarters,
            };
        let mut midi = note.sounding_midi as f64;
        let mut late_s = reading.jitter_s * rng.normal();
        if reading.faults {
            let misread = note.bar == "2" && note.written.alter == 2;
            midi -= f64::from(u8::from(misread));
            let change =
                (note.bar == "5" || note.bar == "3") && note.slurred && note.written.name() == "E";
            late_s += LATE_CHANGE_S * f64::from(u8::from(change));
        }
        let onset_s = t_s + late_s.clamp(-0.02, 0.05);
        let slurred = note.slurred && place > 0 && order[place - 1] + 1 == index;
        let slurs_on = goes_on && next.is_some_and(|n| notes[n].slurred);
        let sounding_s = if slurs_on {
            length_s
        } else if note.articulations.contains(&Articulation::Staccato) {
            0.55 * length_s
        } else {
            // The tongue rests on the reed before the next note (Hofmann et al. 2012: 34.5 ms).
            (note.duration_quarters * quarter_s).min(length_s) - 0.035
        };
        if slurred && let Some(before) = voice_notes.last_mut() {
            before.offset_s = onset_s;
        }
        voice_notes.push(VoiceNote {
            onset_s,
            offset_s: onset_s + sounding_s.max(0.05),
            midi,
            level_db: -4.0 + 1.5 * (2.0 * rng.unit() - 1.0),
            tongued: !slurred,
            blip: None,
        });
        t_s += length_s;
        if !goes_on && next.is_some() {
            t_s += 0.8;
        }
    }
    let options = VoiceOptions::default();
    let samples = render(&voice_notes, SAMPLE_RATE_HZ, t_s + 0.8, &options);
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: SAMPLE_RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec)?;
    for sample in samples {
        writer.write_sample((sample.clamp(-1.0, 1.0) * 32767.0) as i16)?;
    }
    writer.finalize()?;
    Ok(())
}
