//! What players do with a note that the page does not say: vibrato, swells, a pitch that is
//! reached from below, notes that die away. Laid over a dry take of any voice, without moving
//! where its notes begin and end.

use passagework::sound::voice::{Rng, VoiceNote};

/// How one player does it, all takes long.
#[derive(Clone, Copy, Debug)]
pub struct Expression {
    /// Vibrato: turns a second (Seashore 1938, *Psychology of Music*: 5 to 7 in players), its
    /// pitch either side in cents and its level in dB; on notes longer than `vibrato_from_s`.
    pub vibrato_hz: f64,
    pub vibrato_cents: f64,
    pub vibrato_db: f64,
    pub vibrato_from_s: f64,
    /// How long after a note's beginning it begins, and grows; jazz players and strings begin at once.
    pub vibrato_after_s: f64,
    /// Share of tongued notes reached from below, by so many cents.
    pub scoop_share: f64,
    pub scoop_cents: f64,
    /// How far notes die away, or grow, dB to the end of each; a share of them does.
    pub shape_share: f64,
    pub shape_db: f64,
    /// Crescendo and diminuendo over phrases, dB either side.
    pub phrase_db: f64,
}

impl Expression {
    /// Any player: with vibrato (reeds and flute; few clarinets) or without.
    pub fn any(vibrato_share: f64, rng: &mut Rng) -> Expression {
        let vibrato = rng.chance(vibrato_share);
        Expression {
            vibrato_hz: rng.between(4.5, 6.8),
            vibrato_cents: if vibrato { rng.between(8.0, 60.0) } else { 0.0 },
            vibrato_db: if vibrato { rng.between(0.2, 2.5) } else { 0.0 },
            vibrato_from_s: rng.between(0.15, 0.4),
            vibrato_after_s: *rng.pick(&[0.0, 0.02, 0.08, 0.15]),
            scoop_share: *rng.pick(&[0.0, 0.0, 0.1, 0.3]),
            scoop_cents: rng.between(15.0, 60.0),
            shape_share: *rng.pick(&[0.0, 0.3, 0.8]),
            shape_db: *rng.pick(&[-12.0, -8.0, -5.0, -3.0, 4.0]),
            phrase_db: rng.between(0.0, 9.0),
        }
    }
}

/// A scoop reaches the pitch within this, seconds.
const SCOOP_S: (f64, f64) = (0.03, 0.09);

/// A phrase's hairpin, seconds.
const PHRASE_S: (f64, f64) = (2.0, 6.0);

/// Lays it over `samples`, whose notes lie at `notes`.
pub fn lay_over(
    samples: &mut Vec<f32>,
    rate: u32,
    notes: &[VoiceNote],
    how: &Expression,
    rng: &mut Rng,
) {
    let rate = f64::from(rate);
    let n = samples.len();
    // Cents and decibels over time; pitch is laid on by reading on faster or slower, and what a
    // note gains in time it gives back by its end.
    let (mut cents, mut gain_db) = (vec![0.0f64; n], vec![0.0f64; n]);
    let position = |t: f64| ((t * rate).max(0.0) as usize).min(n);
    for (place, note) in notes.iter().enumerate() {
        let next_s = notes.get(place + 1).map_or(f64::INFINITY, |n| n.onset_s);
        let until_s = note.offset_s.min(next_s);
        let (from, to) = (position(note.onset_s), position(until_s));
        let length_s = until_s - note.onset_s;
        let at = |i: usize| (i - from) as f64 / rate;
        if length_s > how.vibrato_from_s && how.vibrato_cents > 0.0 {
            let hz = how.vibrato_hz * rng.between(0.93, 1.07);
            let depth = rng.between(0.6, 1.0);
            let begins_s = how.vibrato_after_s * rng.between(0.5, 1.5);
            for i in from..to {
                let t = at(i) - begins_s;
                let grown = (t / how.vibrato_after_s.max(0.005)).clamp(0.0, 1.0)
                    * ((length_s - at(i)) / 0.03).clamp(0.0, 1.0);
                let turn = (std::f64::consts::TAU * hz * t).sin();
                cents[i] += depth * how.vibrato_cents * grown * turn;
                gain_db[i] += depth * how.vibrato_db * grown * turn;
            }
        }
        if note.tongued && length_s > 0.1 && rng.chance(how.scoop_share) {
            let scoop_s = rng.between(SCOOP_S.0, SCOOP_S.1);
            for (i, cents) in cents.iter_mut().enumerate().take(to).skip(from) {
                *cents -= how.scoop_cents * (1.0 - at(i) / scoop_s).max(0.0);
            }
        }
        if rng.chance(how.shape_share) {
            let db = how.shape_db * rng.between(0.3, 1.0);
            // The same decibels whatever the length would be a cut on short notes.
            let db = db * (length_s / 0.3).min(1.0);
            for (i, gain_db) in gain_db.iter_mut().enumerate().take(to).skip(from) {
                *gain_db += db * at(i) / length_s.max(1e-3);
            }
        }
        // What was gained goes back evenly over the note.
        let mean = cents[from..to].iter().sum::<f64>() / (to - from).max(1) as f64;
        cents[from..to].iter_mut().for_each(|c| *c -= mean);
    }
    let mut at_s = 0.0;
    let mut level_db = 0.0;
    while at_s < n as f64 / rate {
        let (length_s, next_db) = (
            rng.between(PHRASE_S.0, PHRASE_S.1),
            how.phrase_db * rng.between(-1.0, 0.3),
        );
        let (from, to) = (position(at_s), position(at_s + length_s));
        for (i, db) in gain_db.iter_mut().enumerate().take(to).skip(from) {
            *db += level_db + (next_db - level_db) * (i - from) as f64 / (to - from).max(1) as f64;
        }
        level_db = next_db;
        at_s += length_s;
    }
    let dry = std::mem::take(samples);
    let mut ahead = 0.0f64;
    samples.extend((0..n).map(|i| {
        // A small interval's ratio is its logarithm.
        ahead += cents[i] * std::f64::consts::LN_2 / 1200.0;
        let place = (i as f64 + ahead).clamp(1.0, n as f64 - 3.0);
        crate::sampled::interpolated(&dry, place) * 10f64.powf(gain_db[i] / 20.0) as f32
    }));
}
