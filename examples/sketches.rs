//! Prints every note that might be in the takes of the given folders, with its features and
//! whether the truth has it: the material `fit_confidence.py` fits the weights to.
//!
//! `cargo run --release --example sketches -- DIR…` writes rows of comma-separated values:
//! folder, beginning (0 silence, 1 change, 2 dip), label, features.

use passagework::convert::{hz_to_midi, midi_to_hz};
use passagework::hear::{HearOptions, Hearer, confidence::FEATURES};
use passagework::sound::read_take;

/// A sketch this near a true onset, and within so much of its pitch, is that note.
const ONSET_S: f64 = 0.09;
const SEMITONES: f64 = 0.6;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!("folder,beginning,label,{}", FEATURES.join(","));
    for folder in std::env::args().skip(1) {
        let dir = std::path::Path::new(&folder);
        let take = ["take.wav", "take.flac"]
            .iter()
            .map(|name| dir.join(name))
            .find(|path| path.exists())
            .ok_or_else(|| format!("{folder} has no take.wav or take.flac"))?;
        let take = read_take(&take)?;
        let truth: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(dir.join("truth.json"))?)?;
        let true_notes = true_notes(&truth);
        let lowest = true_notes.iter().map(|n| n.1).fold(127.0, f64::min);
        let options = HearOptions {
            low_hz: midi_to_hz(lowest - 6.0, 440.0).min(140.0),
            high_hz: 2200.0,
            raised_hz: 0.0,
        };
        let mut hearer = Hearer::new(take.sample_rate_hz);
        hearer.push(&take.samples);
        let rows = hearer.evidence(&options);
        let offset = tuning_offset(
            &truth,
            &rows
                .iter()
                .map(|r| (r.0.onset_s, r.0.midi))
                .collect::<Vec<_>>(),
            &true_notes,
        );
        let mut label = vec![0; rows.len()];
        for (onset_s, midi) in &true_notes {
            let near = (0..rows.len())
                .filter(|i| label[*i] == 0)
                .filter(|i| (rows[*i].0.onset_s - onset_s).abs() < ONSET_S)
                .filter(|i| (rows[*i].0.midi - midi - offset).abs() < SEMITONES)
                .min_by(|a, b| {
                    let far = |i: &usize| {
                        let note = &rows[*i].0;
                        (note.onset_s - onset_s).abs()
                            + if note.duration_s() > 0.04 { 0.0 } else { 0.03 }
                    };
                    far(a).total_cmp(&far(b))
                });
            if let Some(i) = near {
                label[i] = 1;
            }
        }
        for ((_, features), label) in rows.iter().zip(label) {
            let n = features.len();
            let beginning = if features[n - 1] > 0.0 {
                2
            } else {
                u8::from(features[n - 2] == 0.0)
            };
            let values: Vec<String> = features.iter().map(|x| format!("{x:.4}")).collect();
            println!("{folder},{beginning},{label},{}", values.join(","));
        }
    }
    Ok(())
}

/// Onset and sounding pitch of every note of the truth, restarts included where it names them.
fn true_notes(truth: &serde_json::Value) -> Vec<(f64, f64)> {
    let list = |key: &str| truth[key].as_array().cloned().unwrap_or_default();
    let mut notes = list("sounded");
    if notes.is_empty() {
        notes = list("notes");
        notes.extend(list("added"));
    }
    notes
        .iter()
        .filter_map(|n| Some((n["onset"].as_f64()?, n["midi"].as_f64()?)))
        .collect()
}

/// How far the take lies from A4 = 440, semitones: told for made takes, else the median.
fn tuning_offset(
    truth: &serde_json::Value,
    heard: &[(f64, f64)],
    true_notes: &[(f64, f64)],
) -> f64 {
    if !truth["sounded"].is_null() {
        return hz_to_midi(truth["a4"].as_f64().unwrap_or(440.0), 440.0) - 69.0;
    }
    let mut residuals: Vec<f64> = heard
        .iter()
        .flat_map(|(t, m)| {
            true_notes
                .iter()
                .filter(move |(onset, midi)| (t - onset).abs() < 0.05 && (m - midi).abs() < 0.7)
                .map(move |(_, midi)| m - midi)
        })
        .collect();
    residuals.sort_by(f64::total_cmp);
    residuals.get(residuals.len() / 2).copied().unwrap_or(0.0)
}
