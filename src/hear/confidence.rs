//! How sure a sketch is a note of its own: a logistic regression over what the sound
//! shows, one for each way of beginning. The weights lie in [`super::weights`].

use super::notes::{Beginning, Sketch};
use super::weights::{CHANGE, DIP, HINGES, SILENCE};
use super::{HeardNote, PitchCandidate};

/// Number of features a sketch is weighed by.
pub const N_FEATURES: usize = 15;

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
        .filter(|n| s.onset_s - n.offset_s < 0.3);
    let drop_before = before.map_or(0.0, |n| n.peak_db - s.peak_db);
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
    let weights = match beginning {
        Beginning::Silence => &SILENCE,
        Beginning::Change => &CHANGE,
        Beginning::Dip => &DIP,
    };
    let straight: f64 = features
        .iter()
        .zip(&weights.features)
        .map(|(x, w)| x * w)
        .sum();
    let bent: f64 = HINGES
        .iter()
        .zip(&weights.hinges)
        .map(|((i, knee), w)| (features[*i] - knee).max(0.0) * w)
        .sum();
    let z = weights.intercept + straight + bent;
    (1.0 / (1.0 + (-z).exp())).clamp(0.001, 0.999)
}
