//! Makes takes with exact truth, to develop and measure hearing, aligning and judging on.
//!
//! `cargo run --example make_takes -- OUT [--set NAME] [--seed N] [--count N] [--notes N] [--rooms DIR] [--voices DIR]`
//!
//! Each folder OUT/NAME-nnn holds `take.wav`, `line.musicxml`, the same line as
//! `line.abc`, and `truth.json`: for every
//! note of the line `{outcome, onset, midi, cents, slur_in}` (seconds, sounding MIDI number),
//! then `added`, `restarts`, `skips` (two notes or more passed over), `a4`, tempo, and `sounded`: every sound in order.
//! `--notes`: about so many notes in each, instead of 40 to 120.
//! `--rooms`: a folder of impulse responses (WAV); without it rooms are made.
//! `--voices`: a folder of sounds to play every take with in place of ours: soundfonts (`.sf2`),
//! and folders `clarinet`, `violin` … of single notes (WAV, 16 bits, named `As4` by their pitch).
//! Even numbers are for developing, odd ones (`-held`) for measuring only.

mod abc;
mod etude;
mod expression;
mod faults;
mod musicxml;
mod performance;
mod rooms;
mod sampled;
mod sets;
mod waveguide;

use std::path::{Path, PathBuf};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out: Option<PathBuf> = None;
    let mut set_names: Vec<String> = Vec::new();
    let mut wishes = sets::Wishes::default();
    let (mut seed, mut count) = (1u64, 20usize);
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut value = || args.next().ok_or(format!("{arg} needs a value"));
        match arg.as_str() {
            "--set" => set_names.push(value()?),
            "--notes" => wishes.n_notes = Some(value()?.parse()?),
            "--seed" => seed = value()?.parse()?,
            "--count" => count = value()?.parse()?,
            "--rooms" => {
                for entry in std::fs::read_dir(value()?)? {
                    let path = entry?.path();
                    if path.extension().is_some_and(|x| x == "wav") {
                        wishes.rooms.push(path);
                    }
                }
                // The folder's order is the file system's own.
                wishes.rooms.sort();
            }
            "--voices" => wishes.voices = voices(Path::new(&value()?))?,
            _ if arg.starts_with('-') => return Err(format!("unknown option {arg}").into()),
            _ => out = Some(arg.into()),
        }
    }
    let out = out.ok_or(
        "say where to write: make_takes OUT [--set NAME] [--seed N] [--count N] [--notes N] [--rooms DIR] [--voices DIR]",
    )?;
    if set_names.is_empty() {
        set_names = sets::NAMES.iter().map(|name| name.to_string()).collect();
    }
    for name in &set_names {
        for number in 0..count {
            let made = sets::make(name, seed, number, &wishes)?;
            let part = if number % 2 == 0 { "dev" } else { "held" };
            write_take(
                &out.join(format!("{name}-{seed}-{number:03}-{part}")),
                &made,
            )?;
        }
        eprintln!("{name}: {count} takes");
    }
    Ok(())
}

fn voices(folder: &Path) -> Result<Vec<sets::OtherVoice>, Box<dyn std::error::Error>> {
    let mut fonts = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|x| x == "sf2") {
            fonts.push(path.display().to_string());
        }
    }
    // The folder's order is the file system's own.
    fonts.sort();
    // Kept until the program ends.
    let kept = |name: String| -> &'static str { name.leak() };
    let mut voices: Vec<_> = fonts
        .into_iter()
        .map(|font| sets::OtherVoice::Font(kept(font)))
        .collect();
    if folder.join("clarinet").is_dir() {
        voices.push(sets::OtherVoice::Notes(kept(folder.display().to_string())));
        // As many kinds of sound as fonts.
        voices.push(sets::OtherVoice::Notes(kept(folder.display().to_string())));
    }
    Ok(voices)
}

fn write_take(folder: &Path, made: &sets::Made) -> Result<(), Box<dyn std::error::Error>> {
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join("line.musicxml"), &made.musicxml)?;
    std::fs::write(folder.join("line.abc"), &made.abc)?;
    std::fs::write(
        folder.join("truth.json"),
        serde_json::to_string_pretty(&made.truth)?,
    )?;
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: made.sample_rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(folder.join("take.wav"), spec)?;
    for sample in &made.samples {
        writer.write_sample((sample.clamp(-1.0, 1.0) * 32767.0).round() as i16)?;
    }
    writer.finalize()?;
    Ok(())
}
