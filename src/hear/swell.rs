//! A note that swells under the one before, which rings on: where it begins.
//!
//! Where the pitch changes over, the new note has long been there. So both waves are taken
//! from where each is alone, carried on under the other, and at every moment it is asked how
//! much of each there is (least squares). A ramp fitted to what there is of the new one (by
//! its absolute error, as single moments mislead) says where it comes within 20 dB of itself,
//! which is what the onset of a soft tone is here (see [`super::notes::soft_attack_s`]).

use super::harmonic::Tone;

/// Two neighbouring notes, seconds and Hz.
#[derive(Clone, Copy, Debug)]
pub struct Joint {
    pub old_hz: f64,
    pub old_onset_s: f64,
    pub new_hz: f64,
    /// Where the pitch is heard to change over.
    pub onset_s: f64,
    pub new_offset_s: f64,
}

/// The sound is looked at at about this rate, its harmonics up to `TOP_HZ`.
const RATE_HZ: f64 = 5500.0;
const TOP_HZ: f64 = 2400.0;

/// The old note alone: up to so long, and no more than a share of it, before the change, to so
/// near to it, seconds.
const OLD_S: f64 = 0.060;
const OLD_SHARE: f64 = 0.6;
const OLD_UNTIL_S: f64 = 0.008;

/// The new note alone, after the change, seconds, and no more than these shares of it.
const NEW_S: (f64, f64) = (0.050, 0.110);
const NEW_SHARES: (f64, f64) = (0.5, 0.95);

/// Shortest piece of a note that its wave can be taken from, seconds and periods.
const ALONE_S: f64 = 0.015;
const ALONE_PERIODS: f64 = 2.5;

/// Pitches tried about what was heard, cents.
const TRIED_CENTS: (f64, i32) = (3.0, 4);

/// How much there is of each is asked over so long, seconds or periods of the new note.
const WINDOW_S: f64 = 0.008;
const WINDOW_PERIODS: f64 = 1.3;

/// Looked at before and after the change, seconds.
const BEFORE_S: f64 = 0.055;
const AFTER_S: f64 = 0.060;

/// Beginnings of the ramp that are tried: up to so far from the change, so far apart, seconds.
const RAMP_FROM_S: f64 = 0.045;
const RAMP_STEP_S: f64 = 0.002;

/// Lengths of the ramp that are tried, seconds; straight, as a parabola, and, from the second
/// on, straight from a first step.
const RAMPS_S: [f64; 8] = [0.002, 0.006, 0.012, 0.018, 0.025, 0.035, 0.050, 0.070];
const LONG_RAMP_S: f64 = 0.02;
const FIRST_STEPS: [f64; 5] = [0.15, 0.30, 0.45, 0.60, 0.80];

/// A note is there from this share of it on (20 dB), and swells where it takes longer than this
/// from there to half of it, seconds.
const SPEAKS: f64 = 0.1;
const SWELLS_S: f64 = 0.012;

/// It must have begun so long before the change, seconds, under less than this share of the old
/// note in the middle of the time between: what does not get less has another voice.
const SOONER_S: f64 = 0.008;
const OLD_SHARE_MOST: f64 = 0.86;

/// Largest mean error of the ramp, share of the note.
const RAMP_ERROR: f64 = 0.12;

/// Standard error of a swelling beginning, share of what it takes to half of the note.
const SE_SHARE: f64 = 0.25;

/// Where the new note comes within 20 dB of itself, and the standard error, seconds; `None`
/// where it does not swell under the old one.
pub fn beginning(samples: &[f32], sample_rate_hz: f64, joint: &Joint) -> Option<(f64, f64)> {
    let every = ((sample_rate_hz / RATE_HZ).round() as usize).max(1);
    let rate = sample_rate_hz / every as f64;
    let (old_s, new_s) = (
        joint.onset_s - joint.old_onset_s,
        joint.new_offset_s - joint.onset_s,
    );
    let old = (
        joint.onset_s - OLD_S.min(OLD_SHARE * old_s),
        joint.onset_s - OLD_UNTIL_S,
    );
    let new = (
        joint.onset_s + NEW_S.0.min(NEW_SHARES.0 * new_s),
        joint.onset_s + NEW_S.1.min(NEW_SHARES.1 * new_s),
    );
    let long_enough =
        |piece: (f64, f64), hz: f64| piece.1 - piece.0 > ALONE_S.max(ALONE_PERIODS / hz);
    if !long_enough(old, joint.old_hz)
        || !long_enough(new, joint.new_hz)
        || joint.old_hz.max(joint.new_hz) > TOP_HZ
    {
        return None;
    }
    let from =
        (((joint.onset_s - OLD_S.max(BEFORE_S) - WINDOW_S) * sample_rate_hz).max(0.0)) as usize;
    let end = ((joint.onset_s + NEW_S.1 + WINDOW_S) * sample_rate_hz).max(0.0) as usize;
    let sound = thinned(samples.get(from..end.min(samples.len()))?, every);
    let at = |t: f64| {
        let place = (t * sample_rate_hz - from as f64) / every as f64;
        (place.max(0.0) as usize).min(sound.len())
    };
    let tone = |piece: (f64, f64), hz: f64| {
        let (a, b) = (at(piece.0), at(piece.1));
        let fitted = (b > a).then(|| Tone::fit(&sound[a..b], rate, hz, TRIED_CENTS, TOP_HZ));
        fitted.map(|tone| tone.wave(-(a as isize), sound.len()))
    };
    let shares = Shares::new(
        &sound,
        &tone(old, joint.old_hz)?,
        &tone(new, joint.new_hz)?,
        (rate * WINDOW_S.max(WINDOW_PERIODS / joint.new_hz)) as usize,
    );
    let range = at(joint.onset_s - BEFORE_S)..at(joint.onset_s + AFTER_S);
    let change = (joint.onset_s * sample_rate_hz - from as f64) / every as f64;
    // There already: or a ramp need not be looked for.
    let newest = shares
        .new
        .get(at(joint.onset_s - SOONER_S)..at(joint.onset_s) + 1)?;
    if newest.iter().sum::<f64>() < SPEAKS * newest.len() as f64 {
        return None;
    }
    let ramp = Ramp::fit(&shares, range, change, rate)?;
    let begins = ramp.reaches(SPEAKS);
    let rise_s = ramp.reaches(0.5) - begins;
    let between = at(joint.onset_s + begins)..at(joint.onset_s) + 1;
    let mut old_shares = shares.old.get(between)?.to_vec();
    old_shares.sort_by(f64::total_cmp);
    let rings = old_shares.get(old_shares.len() / 2)?;
    let swells = ramp.first_step <= FIRST_STEPS[0] && rise_s > SWELLS_S && ramp.error < RAMP_ERROR;
    (swells && begins < -SOONER_S && *rings < OLD_SHARE_MOST)
        .then_some((joint.onset_s + begins, SE_SHARE * rise_s))
}

/// Every so manieth sample of what a short mean leaves.
pub(super) fn thinned(samples: &[f32], every: usize) -> Vec<f32> {
    let half = every / 2;
    let mean = |centre: usize| {
        let piece = &samples[centre.saturating_sub(half)..(centre + half + 1).min(samples.len())];
        let ends = if every.is_multiple_of(2) && piece.len() == every + 1 {
            0.5 * (piece[0] + piece[every])
        } else {
            0.0
        };
        (piece.iter().sum::<f32>() - ends) / every as f32
    };
    (0..samples.len()).step_by(every).map(mean).collect()
}

/// How much there is of each note at every moment, and how well both explain the sound, 0 to 1.
struct Shares {
    old: Vec<f64>,
    new: Vec<f64>,
    explained: Vec<f64>,
}

impl Shares {
    /// Of a sound, two waves that it may be made of, and samples looked at together.
    fn new(sound: &[f32], old: &[f64], new: &[f64], window: usize) -> Shares {
        let products = |f: &dyn Fn(usize) -> f64| -> Vec<f64> {
            smoothed((0..sound.len()).map(f).collect(), window)
        };
        let x = |i: usize| f64::from(sound[i]);
        let (oo, nn) = (
            products(&|i| old[i] * old[i]),
            products(&|i| new[i] * new[i]),
        );
        let on = products(&|i| old[i] * new[i]);
        let (xo, xn) = (products(&|i| x(i) * old[i]), products(&|i| x(i) * new[i]));
        let xx = products(&|i| x(i) * x(i));
        let mut shares = Shares {
            old: Vec::new(),
            new: Vec::new(),
            explained: Vec::new(),
        };
        for i in 0..sound.len() {
            let (oo, nn) = (1.01 * oo[i] + 1e-12, 1.01 * nn[i] + 1e-12);
            let det = oo * nn - on[i] * on[i];
            let old = (xo[i] * nn - xn[i] * on[i]) / det;
            let new = (xn[i] * oo - xo[i] * on[i]) / det;
            shares.old.push(old);
            shares.new.push(new);
            let explained = (old * xo[i] + new * xn[i]) / (xx[i] + 1e-12);
            shares.explained.push(explained.clamp(0.0, 1.0));
        }
        shares
    }
}

/// Running mean over `window` values, twice: a triangle.
fn smoothed(values: Vec<f64>, window: usize) -> Vec<f64> {
    let window = (window / 2).max(1);
    let mut values = values;
    for turn in 0..2 {
        let mut sum = 0.0;
        let mut sums = Vec::with_capacity(values.len() + 1);
        sums.push(sum);
        sums.extend(values.iter().map(|x| {
            sum += x;
            sum
        }));
        let (back, ahead) = if turn == 0 {
            (window / 2, window - window / 2)
        } else {
            (window - window / 2, window / 2)
        };
        values = (0..values.len())
            .map(|i| sums[(i + ahead).min(values.len())] - sums[i.saturating_sub(back)])
            .collect();
    }
    values
}

/// How the new note comes, seconds from the change.
struct Ramp {
    from_s: f64,
    length_s: f64,
    square: bool,
    first_step: f64,
    error: f64,
}

impl Ramp {
    /// The ramp with the least error over `range`, the change being at `change`.
    fn fit(shares: &Shares, range: std::ops::Range<usize>, change: f64, rate: f64) -> Option<Ramp> {
        // One value in four: neighbours come from the same samples.
        let points: Vec<(f64, f64, f64)> = range
            .step_by(4)
            .map(|i| {
                let new = shares.new[i].clamp(-0.3, 1.3);
                ((i as f64 - change) / rate, new, shares.explained[i])
            })
            .collect();
        let weight: f64 = points.iter().map(|p| p.2).sum();
        let mut shapes: Vec<(f64, bool, f64)> = Vec::new();
        for length_s in RAMPS_S {
            shapes.extend([(length_s, false, 0.0), (length_s, true, 0.0)]);
            if length_s > LONG_RAMP_S {
                shapes.extend(FIRST_STEPS.map(|step| (length_s, false, step)));
            }
        }
        let n_steps = (RAMP_FROM_S / RAMP_STEP_S) as i32;
        let starts = (-n_steps..=n_steps).map(|k| f64::from(k) * RAMP_STEP_S);
        let ramps = starts.flat_map(|from_s| {
            shapes
                .iter()
                .map(move |(length_s, square, first_step)| Ramp {
                    from_s,
                    length_s: *length_s,
                    square: *square,
                    first_step: *first_step,
                    error: 0.0,
                })
        });
        let erring = ramps.map(|ramp| {
            let errors = points
                .iter()
                .map(|(t, new, weight)| weight * (new - ramp.at(*t)).abs());
            let error = errors.sum::<f64>() / weight.max(1e-9);
            Ramp { error, ..ramp }
        });
        erring
            .min_by(|a, b| a.error.total_cmp(&b.error))
            .filter(|_| points.len() > 8)
    }

    fn at(&self, t: f64) -> f64 {
        let u = (t - self.from_s) / self.length_s;
        if u < 0.0 {
            return 0.0;
        }
        let u = u.min(1.0);
        self.first_step + (1.0 - self.first_step) * if self.square { u * u } else { u }
    }

    /// Where it reaches a share of the note.
    fn reaches(&self, share: f64) -> f64 {
        let u = ((share - self.first_step) / (1.0 - self.first_step)).max(0.0);
        self.from_s + self.length_s * if self.square { u.sqrt() } else { u }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 22_050.0;

    /// G3 from 0 to where it lets go at 0.3 s and dies in `dies_s`, and A3, which comes from
    /// 0.3 s on in `comes_s`: when A3 is there, seconds.
    fn found(dies_s: f64, comes_s: f64, heard_s: f64) -> Option<f64> {
        let wave = |hz: f64, t: f64| -> f64 {
            let partial = |k: f64| (std::f64::consts::TAU * k * hz * t).sin() / (k * k);
            [1.0, 2.0, 3.0, 5.0].into_iter().map(partial).sum()
        };
        let samples: Vec<f32> = (0..(0.6 * HZ) as usize)
            .map(|n| {
                let t = n as f64 / HZ;
                let since = t - 0.3;
                let old = (-since.max(0.0) / dies_s).exp();
                let new = (since / comes_s).clamp(0.0, 1.0);
                (0.2 * (old * wave(196.0, t) + new * wave(220.0, t))) as f32
            })
            .collect();
        let joint = Joint {
            old_hz: 196.0,
            old_onset_s: 0.05,
            new_hz: 220.0,
            onset_s: heard_s,
            new_offset_s: 0.55,
        };
        beginning(&samples, HZ, &joint).map(|found| found.0)
    }

    #[test]
    fn a_note_that_swells_under_the_old_one_begins_before_the_change() {
        // A tenth of it is there after a tenth of the time: 20 dB below itself.
        for comes_s in [0.04, 0.06] {
            let begins_s = found(0.03, comes_s, 0.325).expect("a note that swells");
            let off_ms = 1e3 * (begins_s - 0.3 - 0.1 * comes_s);
            assert!(off_ms.abs() < 4.0, "{comes_s}: {off_ms} ms off");
        }
    }

    #[test]
    fn a_note_that_comes_at_once_is_left_alone() {
        assert_eq!(found(0.002, 0.004, 0.302), None);
        assert_eq!(found(0.05, 0.004, 0.302), None, "in a room");
        assert_eq!(found(0.05, 0.004, 0.320), None, "in a room, heard late");
    }
}
