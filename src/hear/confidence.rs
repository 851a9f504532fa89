//! How sure a sketch is a note of its own.

use super::HeardNote;
use super::PitchCandidate;
use super::notes::{Beginning, Sketch};

/// What the weighing looks at, one row a sketch; the order of [`FEATURES`].
pub fn features(sketches: &[Sketch], i: usize, noise_dbfs: f64) -> [f64; FEATURES.len()] {
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

pub const FEATURES: [&str; 15] = [
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

pub fn weigh(sketches: &[Sketch], noise_dbfs: f64) -> Vec<HeardNote> {
    (0..sketches.len())
        .map(|i| {
            let s = &sketches[i];
            let f = features(sketches, i, noise_dbfs);
            let mut z = 4.0;
            z -= 0.35 * (f[1] - 18.0).max(0.0);
            z -= 3.0 * (0.1 - f[0]).max(0.0);
            z -= 0.3 * (10.0 - f[5]).max(0.0);
            if s.beginning == Beginning::Dip {
                z -= 0.8 * (8.0 - f[4]).max(0.0);
            } else {
                z -= 0.5 * (4.0 - f[3]).max(0.0) * (f[2] > 12.0) as u8 as f64;
            }
            HeardNote {
                onset_s: s.onset_s,
                onset_se_s: s.onset_se_s,
                offset_s: s.offset_s,
                midi: s.midi,
                cents_sd: s.cents_sd,
                cents_se: s.cents_sd / 2.0 + 0.3,
                level_dbfs: s.peak_db,
                tongued: s.tongued,
                confidence: 1.0 / (1.0 + (-z).exp()),
                candidates: vec![PitchCandidate {
                    midi: s.midi,
                    probability: 0.98,
                }],
            }
        })
        .collect()
}
