//! How sure a sketch is a note of its own: boosted regression trees over what the sound
//! shows, a set for each way of beginning. The trees lie in [`super::weights`].

use super::notes::{Beginning, Sketch};
use super::weights;
use super::{HeardNote, PitchCandidate};

/// Number of features a sketch is weighed by.
pub const N_FEATURES: usize = 26;

/// A neighbour further off than this says nothing, seconds.
const NEAR_S: f64 = 0.3;

/// Names of the features, in order.
pub const FEATURES: [&str; N_FEATURES] = [
    "duration",
    "below_loudest",
    "below_before",
    "rise",
    "dip",
    "over_noise",
    "strength",
    "change",
    "own_share",
    "neighbour_over_own",
    "new_power",
    "slope",
    "gap_before",
    "gap_after",
    "from_before",
    "to_next",
    "harmonic_of_near",
    "cents_sd",
    "cents_off",
    "onset_se",
    "below_next",
    "length_before",
    "length_after",
    "tongued",
    "silence",
    "is_dip",
];

/// What the weighing looks at, one row a sketch; the order of [`FEATURES`].
pub fn features(sketches: &[Sketch], i: usize, noise_dbfs: f64) -> [f64; N_FEATURES] {
    let s = &sketches[i];
    let duration_s = s.offset_s - s.onset_s;
    // Loudest neighbour within a second either side.
    let neighbours = sketches[..i]
        .iter()
        .rev()
        .take_while(|n| s.onset_s - n.offset_s < 1.0)
        .take(8)
        .chain(
            sketches[i + 1..]
                .iter()
                .take_while(|n| n.onset_s - s.offset_s < 1.0)
                .take(8),
        );
    let loudest = neighbours.map(|n| n.peak_db).fold(s.peak_db, f64::max);
    let before = i
        .checked_sub(1)
        .map(|k| &sketches[k])
        .filter(|n| s.onset_s - n.offset_s < NEAR_S);
    let drop_before = before.map_or(0.0, |n| n.peak_db - s.peak_db);
    let next = sketches
        .get(i + 1)
        .filter(|n| n.onset_s - s.offset_s < NEAR_S);
    let gap = |seconds: f64| (seconds / 0.010).clamp(0.0, 6.0);
    let semitones = |n: Option<&Sketch>| n.map_or(0.0, |n| n.midi - s.midi);
    let step = |semitones: f64| semitones.abs().min(8.0);
    let is_harmonic = [before, next]
        .into_iter()
        .any(|n| [12.0, 19.0, 24.0, 28.0, 31.0].contains(&semitones(n).abs().round()));
    let length = |n: Option<&Sketch>| {
        n.map_or(1.5, |n| {
            ((n.offset_s - n.onset_s) / 0.040).max(0.05).ln().min(1.5)
        })
    };
    [
        (duration_s / 0.040).max(0.05).ln().min(1.5),
        (loudest - s.peak_db).min(50.0),
        drop_before.clamp(-20.0, 50.0),
        s.rise_db.clamp(-10.0, 30.0),
        s.dip_db.clamp(-5.0, 25.0),
        (s.peak_db - noise_dbfs).min(50.0),
        s.strength,
        s.change.min(2.0),
        s.own_share,
        s.neighbour_share - s.own_share,
        s.new_power_db,
        s.slope_db.clamp(-40.0, 20.0),
        before.map_or(6.0, |n| gap(s.onset_s - n.offset_s)),
        next.map_or(6.0, |n| gap(n.onset_s - s.offset_s)),
        step(semitones(before)),
        step(semitones(next)),
        f64::from(u8::from(is_harmonic)),
        s.cents_sd.min(60.0),
        (100.0 * s.midi).rem_euclid(100.0),
        (1000.0 * s.change_se_s).min(20.0),
        next.map_or(0.0, |n| n.peak_db - s.peak_db)
            .clamp(-20.0, 50.0),
        length(before),
        length(next),
        f64::from(u8::from(s.tongued)),
        f64::from(u8::from(s.beginning == Beginning::Silence)),
        f64::from(u8::from(s.beginning == Beginning::Dip)),
    ]
}

/// The sketches as heard notes, each with its probability.
pub fn weigh(sketches: &[Sketch], noise_dbfs: f64) -> Vec<HeardNote> {
    (0..sketches.len())
        .map(|i| {
            let s = &sketches[i];
            HeardNote {
                onset_s: s.onset_s,
                onset_se_s: s.onset_se_s,
                offset_s: s.offset_s,
                midi: s.midi,
                cents_sd: s.cents_sd,
                cents_se: s.cents_se(),
                level_dbfs: s.peak_db,
                tongued: s.tongued,
                confidence: probability(&features(sketches, i, noise_dbfs), s.beginning),
                candidates: s
                    .offers
                    .iter()
                    .map(|(midi, probability)| PitchCandidate {
                        midi: *midi,
                        probability: *probability,
                    })
                    .collect(),
            }
        })
        .collect()
}

fn probability(features: &[f64; N_FEATURES], beginning: Beginning) -> f64 {
    let z = weights::log_odds(features, beginning);
    (1.0 / (1.0 + (-z).exp())).clamp(0.001, 0.999)
}
