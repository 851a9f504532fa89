//! Tuning: A4 of the take and how each note, and each written pitch, sat against it.

use std::collections::BTreeMap;

use super::check::{NoteTuning, Tuning};
use super::stats::{mean, robust_mean, robust_sd};
use crate::align::{Alignment, Attempt, Outcome};
use crate::hear::{HeardNote, Hearing};
use crate::line::Line;

/// Cents of scatter below which all notes count in full.
const SCATTER_FLOOR_CENTS: f64 = 3.0;
/// Scatter of one pitch from note to note where the take cannot show it: two professionals
/// deviated from equal temperament by 6.5 cents SD (Kopiez, Music Perception 20 (2003) 383).
const USUAL_SCATTER_CENTS: f64 = 6.5;
/// A sound further than this from the pitch it was taken for says nothing about tuning.
const SAME_PITCH_CENTS: f64 = 60.0;
/// Notes whose pitch is less sure than this are too short to tune by.
const SURE_CENTS: f64 = 10.0;

/// Cents and error of one heard note, from the pitch it was taken for at A4 = 440 Hz.
#[derive(Clone, Copy, Debug)]
struct Pitched {
    written_midi: i32,
    idx: usize,
    cents: f64,
    se: f64,
}

/// Fractional sounding MIDI number of the sound taken for `midi` when tuned `shift` semitones
/// from 440 Hz: the nearest pitch the note offers.
fn pitch_taken(heard: &HeardNote, midi: i32, shift: f64) -> Option<f64> {
    let wanted = f64::from(midi) + shift;
    std::iter::once(heard.midi)
        .chain(heard.candidates.iter().map(|c| c.midi))
        .min_by(|a, b| (a - wanted).abs().total_cmp(&(b - wanted).abs()))
        .filter(|m| (m - wanted).abs() * 100.0 < SAME_PITCH_CENTS)
}

/// Tuning of the take and (cents, error) of each note of the line that sounded.
pub fn tuning(
    line: &Line,
    hearing: &Hearing,
    alignment: &Alignment,
) -> (Tuning, Vec<Option<(f64, f64)>>) {
    let guess = if alignment.a4_hz > 0.0 {
        12.0 * (alignment.a4_hz / 440.0).log2()
    } else {
        0.0
    };
    let pitched = |attempt: &Attempt, idx: usize| -> Option<Pitched> {
        let heard = hearing.notes.get(attempt.heard_idx?)?;
        let midi = attempt.heard_midi?;
        let taken = pitch_taken(heard, midi, guess)?;
        Some(Pitched {
            written_midi: line.notes[idx].written.midi(),
            idx,
            cents: 100.0 * (taken - f64::from(midi)),
            se: heard.cents_se,
        })
    };
    let last: Vec<Option<Pitched>> = alignment
        .notes
        .iter()
        .enumerate()
        .take(line.notes.len())
        .map(|(idx, m)| pitched(&m.last, idx))
        .collect();
    let right: Vec<Pitched> = alignment
        .notes
        .iter()
        .enumerate()
        .take(line.notes.len())
        .flat_map(|(idx, m)| m.earlier.iter().chain([&m.last]).map(move |a| (idx, a)))
        .filter(|(_, a)| a.outcome == Outcome::Right)
        .filter_map(|(idx, a)| pitched(a, idx))
        .filter(|p| p.se < SURE_CENTS)
        .collect();
    let cents: Vec<f64> = right.iter().map(|p| p.cents).collect();
    let spread = robust_sd(&cents);
    let (centre, a4_hz_se) = match robust_mean(&cents, SCATTER_FLOOR_CENTS) {
        Some(centre) => {
            let scatter = if cents.len() < 3 {
                USUAL_SCATTER_CENTS
            } else {
                spread.max(mean(&right.iter().map(|p| p.se).collect::<Vec<_>>()))
            };
            let se_cents = scatter / (cents.len() as f64).sqrt();
            let a4 = 440.0 * (centre / 1200.0).exp2();
            (centre, a4 * se_cents * std::f64::consts::LN_2 / 1200.0)
        }
        None => (100.0 * guess, alignment.a4_hz_se),
    };
    let a4_hz = 440.0 * (centre / 1200.0).exp2();
    let a4_se_cents = 1200.0 / std::f64::consts::LN_2 * a4_hz_se / a4_hz;
    let notes = last
        .iter()
        .map(|p| p.map(|p| (p.cents - centre, p.se)))
        .collect();
    let tuning = Tuning {
        a4_hz,
        a4_hz_se,
        cents_sd: (cents.len() > 1).then_some(spread),
        transposed_semitones: alignment.transposed_semitones,
        by_note: by_note(line, &right, centre, a4_se_cents),
    };
    (tuning, notes)
}

fn by_note(line: &Line, right: &[Pitched], centre: f64, a4_se_cents: f64) -> Vec<NoteTuning> {
    let mut pitches: BTreeMap<i32, Vec<&Pitched>> = BTreeMap::new();
    for p in right {
        pitches.entry(p.written_midi).or_default().push(p);
    }
    let means: BTreeMap<i32, f64> = pitches
        .iter()
        .filter_map(|(midi, list)| {
            let cents: Vec<f64> = list.iter().map(|p| p.cents - centre).collect();
            Some((*midi, robust_mean(&cents, SCATTER_FLOOR_CENTS)?))
        })
        .collect();
    // Scatter of one pitch from note to note, pooled over all pitches heard twice or more.
    let (mut squares, mut freedom) = (0.0, 0.0);
    for (midi, list) in pitches.iter().filter(|(_, list)| list.len() > 1) {
        squares += list
            .iter()
            .map(|p| (p.cents - centre - means[midi]).powi(2))
            .sum::<f64>();
        freedom += (list.len() - 1) as f64;
    }
    let scatter = if freedom >= 5.0 {
        (squares / freedom).sqrt()
    } else {
        USUAL_SCATTER_CENTS
    };
    pitches
        .iter()
        .map(|(midi, list)| {
            let own = mean(&list.iter().map(|p| p.se).collect::<Vec<_>>());
            let se = scatter.max(own) / (list.len() as f64).sqrt();
            NoteTuning {
                written: line.notes[list[0].idx].written.to_string(),
                written_midi: *midi,
                n_notes: list.len(),
                cents: means[midi],
                cents_se: se.hypot(a4_se_cents),
            }
        })
        .collect()
}
