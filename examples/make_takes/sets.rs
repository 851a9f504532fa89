//! The sets of takes, each deterministic by its name, seed and number.

use crate::etude::{Etude, EtudeOptions, compose};
use crate::musicxml::to_musicxml;
use crate::performance::{Manner, Performance, perform, straight};
use passagework::sound::voice::{Rng, VoiceOptions, render};
use serde_json::Value;

pub const NAMES: &[&str] = &["clean"];

pub struct Made {
    pub line: String,
    pub truth: Value,
    pub samples: Vec<f32>,
    pub sample_rate_hz: u32,
}

pub fn make(name: &str, seed: u64, number: usize) -> Result<Made, String> {
    let mixed = name.bytes().fold(seed ^ 0xA5A5, |h, b| {
        h.wrapping_mul(0x100_0000_01B3) ^ b as u64
    });
    let mut rng = Rng::new(Rng::new(mixed).next_u64() ^ (number as u64).wrapping_mul(0x9E37_79B9));
    let title = format!("{name} {number}");
    match name {
        "clean" => Ok(clean(&title, &mut rng)),
        _ => Err(format!("no set {name}; there are {}", NAMES.join(", "))),
    }
}

fn options(rng: &mut Rng) -> EtudeOptions {
    EtudeOptions {
        n_notes: 40 + rng.below(81),
        repeat: false,
        even_runs: false,
        instrument: None,
    }
}

fn clean(title: &str, rng: &mut Rng) -> Made {
    let options = options(rng);
    let etude = compose(title, &options, rng);
    let notes = etude.notes();
    let manner = Manner::human(rng);
    let performance = perform(
        &notes,
        &straight(&notes),
        &manner,
        etude.beat_quarters(),
        rng,
    );
    sound_by_reed(&etude, performance, rng)
}

/// The performance in the built-in voice, dry.
fn sound_by_reed(etude: &Etude, performance: Performance, rng: &mut Rng) -> Made {
    let sample_rate_hz = *rng.pick(&[44_100, 44_100, 48_000, 22_050]);
    let voice = VoiceOptions {
        timbre: etude.instrument.timbre,
        seed: rng.next_u64(),
        amplitude: rng.between(0.08, 0.3) as f32,
        jitter_cents: rng.between(1.0, 5.0),
        breath_db: rng.between(-52.0, -38.0),
        keys_db: rng.between(-60.0, -42.0),
        floor_dbfs: rng.between(-85.0, -65.0),
        ..VoiceOptions::default()
    };
    let samples = render(
        &performance.voice_notes,
        sample_rate_hz,
        performance.duration_s,
        &voice,
    );
    let mut truth = performance.truth;
    truth["voice"] = "reed".into();
    Made {
        line: to_musicxml(etude),
        truth,
        samples,
        sample_rate_hz,
    }
}
