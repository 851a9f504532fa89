//! Tuning and transposition of a take against its line.

use std::collections::HashMap;

use super::expected::Expected;
use super::path::Path;
use super::pitch::Tuning;
use super::sound::Sound;
use crate::hear::Hearing;

/// Furthest transposition that is looked for: three octaves, a bass clarinet's part on an E flat one.
const SHIFT_MAX_SEMITONES: i32 = 36;
/// A shift is tried when it gathers this share of the votes of the best, or more.
const VOTE_SHARE: f64 = 0.3;
/// Shifts tried besides none: every trial costs a search.
const TRIALS: usize = 2;
/// Heard notes fewer than this say nothing about a transposition.
const NOTES_MIN: usize = 6;
/// Natural log of the odds a shift must win by: one take in a thousand comes on another
/// instrument, and a lucky fit of wrong notes must not look like one.
pub const SHIFT_ODDS: f64 = 15.0;

/// Shifts worth a search besides `tuning`'s own, by votes of intervals: every three heard notes
/// vote for the shifts that put them on three neighbouring notes of the line, split among the places.
pub fn candidates(hearing: &Hearing, expected: &Expected, tuning: Tuning) -> Vec<Tuning> {
    let mut places: HashMap<(i32, i32), Vec<i32>> = HashMap::new();
    for three in expected.notes.windows(3) {
        let key = (three[1].midi - three[0].midi, three[2].midi - three[1].midi);
        places.entry(key).or_default().push(three[0].midi);
    }
    let heard: Vec<f64> = hearing
        .notes
        .iter()
        .filter(|n| n.confidence >= 0.5 && n.midi.is_finite())
        .map(|n| n.midi - tuning.offset_semitones)
        .collect();
    if heard.len() < NOTES_MIN {
        return Vec::new();
    }
    let mut votes: HashMap<i32, f64> = HashMap::new();
    for three in heard.windows(3) {
        let key = (
            (three[1] - three[0]).round() as i32,
            (three[2] - three[1]).round() as i32,
        );
        let Some(found) = places.get(&key) else {
            continue;
        };
        for midi in found {
            let shift = (three[0] - *midi as f64).round() as i32;
            if shift.abs() <= SHIFT_MAX_SEMITONES {
                *votes.entry(shift).or_default() += 1.0 / found.len() as f64;
            }
        }
    }
    let most = votes.values().copied().fold(0.0, f64::max);
    let mut ranked: Vec<(i32, f64)> = votes
        .into_iter()
        .filter(|&(shift, count)| shift != tuning.shift_semitones && count >= VOTE_SHARE * most)
        .collect();
    ranked.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    ranked.truncate(TRIALS);
    ranked
        .into_iter()
        .map(|(shift_semitones, _)| Tuning {
            shift_semitones,
            ..tuning
        })
        .collect()
}

/// Tuning of the take from the notes that were placed and played right, with the standard
/// error of its offset in semitones; `None` with fewer than three.
pub fn refine(
    expected: &Expected,
    sounds: &[Sound],
    path: &Path,
    tuning: Tuning,
) -> Option<(Tuning, f64)> {
    let mut distances: Vec<f64> = path
        .steps
        .iter()
        .map(|s| sounds[s.heard_idx].offers[0].semitones - expected.notes[s.idx].midi as f64)
        .filter(|d| d.abs() < 0.75)
        .collect();
    if distances.len() < 3 {
        return None;
    }
    distances.sort_by(f64::total_cmp);
    let n = distances.len();
    let median = distances[n / 2];
    let mut away: Vec<f64> = distances.iter().map(|d| (d - median).abs()).collect();
    away.sort_by(f64::total_cmp);
    // 1.4826 MAD is the standard deviation of a normal sample, 1.2533/√n the error of its median.
    let se = 1.4826 * away[n / 2].max(0.002) * 1.2533 / (n as f64).sqrt();
    let total = tuning.offset_semitones + median;
    // Beyond half a semitone the neighbouring semitone is the nearer name for the same sound.
    let carry = total.round();
    let refined = Tuning {
        shift_semitones: tuning.shift_semitones + carry as i32,
        offset_semitones: total - carry,
    };
    Some((refined, se))
}
