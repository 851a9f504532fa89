//! What a recorder or a room has done to a take, read off its pauses.
//!
//! A pause after playing shows it without any note being known: an automatic gain lifts the
//! noise again once the loud sound is gone; a noise suppressor holds the noise for a moment
//! and then shuts; a distant microphone hears the room ring on. Fewer pauses than it takes to
//! be sure give no warning. Digital silence is no pause: a file that was padded, a virtual
//! microphone or sound that was lost makes it. A gate that shuts to nothing is told from those
//! by its hold, the same in every pause.

use super::envelope::Envelope;
use super::levels::STEP_S;

/// A pause is this far below the playing, dB, for this long, seconds.
const PAUSE_DB: f64 = 18.0;
const PAUSE_S: f64 = 0.3;

/// Share of the steps, by level, whose upper end is the playing.
const LOUD_SHARE: f64 = 0.9;

/// Fewest pauses that say anything of gain or room.
const PAUSES_MIN: usize = 2;

/// A pause whose noise rises by this, dB, from its quietest moment to its end was lifted.
const LIFTED_DB: f64 = 2.5;

/// Thirds of a pause are compared from this long after its sound, seconds, and in what is
/// at least so long.
const DYING_S: f64 = 0.12;
const LONG_S: f64 = 0.36;

/// Less noise than this in all says nothing of a gain, seconds.
const NOISE_S: f64 = 0.85;

/// Neighbouring steps of noise that are much alike, and the least rise that counts, in dB and
/// in its standard errors.
const STEPS_ALIKE: f64 = 4.0;
const RISE_DB: f64 = 4.5;
const RISE_SES: f64 = 3.0;

/// A level that stands still for the first time, seconds, and falls by the next, dB, within
/// the last, seconds, was shut off: rooms and notes die away evenly, by 9 dB at the most in
/// simulated ones.
const PLATEAU_S: f64 = 0.06;
const SHUT_DB: f64 = 15.0;
const SHUT_S: f64 = 0.04;

/// Standard deviation of a level that stands still, dB.
const STILL_DB: f64 = 2.5;

/// Fewest steps of nothing on end that cut a pause short.
const NOTHING_STEPS: usize = 2;

/// A gate has shut where the level is below this, dB re full scale, and what it lets through
/// until then, within this of the same length in every pause, seconds, is a gate's hold.
const SHUT_DBFS: f64 = -88.0;
const HOLDS_ALIKE_S: f64 = 0.06;

/// The sound before a pause dies from the first to the second of these below its loudest, dB.
/// A clarinet's own tone does within 0.07 s, in a room of one second heard from afar it takes
/// over 0.2.
const DIES_DB: (f64, f64) = (6.0, 26.0);
const DIES_S: f64 = 0.2;

/// The noise must lie this far below that, dB, or it hides the end.
const HIDDEN_DB: f64 = 6.0;

/// How far before a pause its last sound is looked for, seconds.
const BEFORE_S: f64 = 0.6;

pub const AUTOMATIC_GAIN: &str =
    "the recorder's automatic gain was on: levels say little; switch it off where you can";
pub const NOISE_SUPPRESSION: &str = "the recorder suppressed noise: soft beginnings and ends may be missing; switch it off where you can";
pub const FAR_MICROPHONE: &str =
    "the room rings louder than suits: beginnings are blurred; put the microphone nearer";

/// Levels of a sound as [`warnings`] takes them, every [`STEP_S`].
pub fn levels_db(envelope: &Envelope, duration_s: f64) -> Vec<f64> {
    let steps = (duration_s / STEP_S) as usize;
    let at = |k: usize| envelope.between_db(k as f64 * STEP_S, (k + 1) as f64 * STEP_S);
    (0..steps).map(at).collect()
}

/// Sentences for the player, each at most once. `levels_db` every [`STEP_S`], and which of
/// those steps hold no sound at all.
pub fn warnings(levels_db: &[f64], nothing: &[bool]) -> Vec<String> {
    let mut sorted = levels_db.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(loud_db) = sorted.get((LOUD_SHARE * sorted.len() as f64) as usize) else {
        return Vec::new();
    };
    let rests = rests(levels_db, nothing, loud_db - PAUSE_DB);
    let pauses: Vec<&Pause> = rests.iter().filter_map(Rest::pause).collect();
    let seen = |of: &dyn Fn(&Pause) -> Option<f64>| -> Vec<f64> {
        let mut values: Vec<f64> = pauses.iter().filter_map(|pause| of(pause)).collect();
        values.sort_by(f64::total_cmp);
        values
    };
    let mut warnings = Vec::new();
    let lifted = seen(&|p| p.lifted_db());
    // Three in four of them: a breath or a key lifts one.
    let often = lifted.len() >= PAUSES_MIN && lifted[lifted.len() / 4] >= LIFTED_DB;
    if often || lifts_slowly(&pauses) {
        warnings.push(AUTOMATIC_GAIN.to_owned());
    }
    let shut = seen(&|p| p.shut_db());
    let shuts = !shut.is_empty() && shut[shut.len() / 2] >= SHUT_DB;
    if shuts || gated(&rests) {
        warnings.push(NOISE_SUPPRESSION.to_owned());
    }
    let dying = seen(&|p| p.dies_s());
    if dying.len() >= PAUSES_MIN && dying[dying.len() / 2] >= DIES_S {
        warnings.push(FAR_MICROPHONE.to_owned());
    }
    warnings
}

/// Levels of a pause, and of what sounded before it.
struct Pause<'a> {
    before_db: &'a [f64],
    levels_db: &'a [f64],
}

/// Quiet after some playing: a pause up to where the sound stops altogether.
struct Rest<'a> {
    pause: Pause<'a>,
    /// Steps until nothing was there; `None` where something always was.
    held: Option<usize>,
}

impl<'a> Rest<'a> {
    /// What is long enough to say something.
    fn pause(&self) -> Option<&Pause<'a>> {
        (self.pause.levels_db.len() >= steps(PAUSE_S)).then_some(&self.pause)
    }
}

fn steps(seconds: f64) -> usize {
    (seconds / STEP_S).round() as usize
}

/// Every stretch below `below_db` that is long enough for a pause.
fn rests<'a>(levels_db: &'a [f64], nothing: &[bool], below_db: f64) -> Vec<Rest<'a>> {
    let mut rests = Vec::new();
    let mut first = 0;
    let is_nothing = |k: usize| nothing.get(k) == Some(&true);
    for end in 1..=levels_db.len() {
        let quiet = levels_db[end - 1] < below_db;
        if !quiet || end == levels_db.len() {
            let last = if quiet { end } else { end - 1 };
            if first > steps(PLATEAU_S) && last >= first + steps(PAUSE_S) {
                let cut = (first..(last + 1).saturating_sub(NOTHING_STEPS))
                    .find(|k| (*k..k + NOTHING_STEPS).all(is_nothing));
                let shut = (first..last).find(|k| is_nothing(*k) || levels_db[*k] < SHUT_DBFS);
                rests.push(Rest {
                    pause: Pause {
                        before_db: &levels_db[first.saturating_sub(steps(BEFORE_S))..first],
                        levels_db: &levels_db[first..cut.unwrap_or(last)],
                    },
                    held: cut.and(shut).map(|k| k - first),
                });
            }
            first = end;
        }
    }
    rests
}

/// Whether noise was let through for a while, the same in every pause, and then nothing was.
fn gated(rests: &[Rest]) -> bool {
    let mut held: Vec<usize> = rests
        .iter()
        .filter_map(|rest| {
            let held = rest.held?;
            // The step in which it shuts is half of this, half of that.
            let noise = rest.pause.levels_db.get(..held.checked_sub(1)?)?;
            let plateau = noise.get(noise.len().checked_sub(steps(PLATEAU_S))?..)?;
            stands_still(plateau).then_some(held)
        })
        .collect();
    held.sort_unstable();
    let (Some(least), Some(most)) = (held.first(), held.last()) else {
        return false;
    };
    held.len() >= PAUSES_MIN && most - least <= steps(HOLDS_ALIKE_S)
}

/// Whether a level neither wanders nor leans.
fn stands_still(levels_db: &[f64]) -> bool {
    let level = mean(levels_db);
    let squares: Vec<f64> = levels_db.iter().map(|l| (l - level).powi(2)).collect();
    let half = levels_db.len() / 2;
    let leans = mean(&levels_db[half..]) - mean(&levels_db[..half]);
    mean(&squares).sqrt() < STILL_DB && leans.abs() < STILL_DB / 2.0
}

/// Whether the noise of the longer pauses, taken together, rises from their first third over
/// the second to the last by more than chance: a gain comes back from the moment the sound is
/// gone, a breath before the next note lifts the last third alone.
fn lifts_slowly(pauses: &[&Pause]) -> bool {
    let thirds: Vec<[&[f64]; 3]> = pauses.iter().filter_map(|p| p.thirds_db()).collect();
    let n = thirds.len() as f64;
    if thirds.iter().flatten().map(|t| t.len()).sum::<usize>() < steps(NOISE_S) {
        return false;
    }
    let level = |k: usize| thirds.iter().map(|t| mean(t[k])).sum::<f64>() / n;
    let (first, second, last) = (level(0), level(1), level(2));
    let variance_of_mean = |third: &[f64]| {
        let level = mean(third);
        let squares: Vec<f64> = third.iter().map(|l| (l - level).powi(2)).collect();
        mean(&squares) * STEPS_ALIKE / third.len() as f64
    };
    let both_ends = thirds
        .iter()
        .map(|t| variance_of_mean(t[0]) + variance_of_mean(t[2]));
    let se = both_ends.sum::<f64>().sqrt() / n;
    last - first > RISE_DB.max(RISE_SES * se) && second - first > RISE_DB / 3.0 && last > second
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

impl Pause<'_> {
    /// The pause without the moments in which the next note may already speak.
    fn inside(&self) -> &[f64] {
        &self.levels_db[..self.levels_db.len() - 3]
    }

    /// Rise from the quietest moment to the end, dB.
    fn lifted_db(&self) -> Option<f64> {
        let smooth: Vec<f64> = self.inside().windows(5).map(mean).collect();
        let lowest = (0..smooth.len()).min_by(|a, b| smooth[*a].total_cmp(&smooth[*b]))?;
        let time = smooth.len() - lowest > steps(0.12);
        Some(if time {
            smooth[smooth.len() - 1] - smooth[lowest]
        } else {
            0.0
        })
    }

    /// Levels of each third of a long pause once the sound before it has died, dB.
    fn thirds_db(&self) -> Option<[&[f64]; 3]> {
        let noise = self.inside().get(steps(DYING_S)..)?;
        if noise.len() < steps(LONG_S) {
            return None;
        }
        let third = noise.len() / 3;
        Some([0, 1, 2].map(|k| &noise[k * third..(k + 1) * third]))
    }

    /// Greatest fall from a level that stood still, dB.
    fn shut_db(&self) -> Option<f64> {
        let levels = self.inside();
        let (still, fall) = (steps(PLATEAU_S), steps(SHUT_S));
        let mut most: f64 = 0.0;
        for at in still..levels.len().saturating_sub(fall + 1) {
            let plateau = &levels[at - still..at];
            if stands_still(plateau) {
                let after = &levels[at + fall..(at + 3 * fall).min(levels.len())];
                let loudest = after.iter().copied().fold(-200.0, f64::max);
                most = most.max(mean(plateau) - loudest);
            }
        }
        Some(most)
    }

    /// How long the sound before it takes to die; `None` where noise hides it.
    fn dies_s(&self) -> Option<f64> {
        let all: Vec<f64> = self
            .before_db
            .iter()
            .chain(self.levels_db)
            .copied()
            .collect();
        let loudest = self.before_db.iter().copied().fold(-200.0, f64::max);
        let quietest = self.levels_db.iter().copied().fold(f64::INFINITY, f64::min);
        if quietest > loudest - DIES_DB.1 - HIDDEN_DB {
            return None;
        }
        let begins = all.iter().rposition(|l| *l >= loudest - DIES_DB.0)?;
        let ends = all[begins..]
            .iter()
            .position(|l| *l < loudest - DIES_DB.1)?;
        Some(ends as f64 * STEP_S)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::levels::Levels;

    const RATE_HZ: f64 = 8000.0;

    /// Tones of 0.8 s and pauses of 0.8 s over noise, 8 s in all; `level(seconds since the
    /// tone's end)` is the amplitude of tone and noise, a negative time being within the tone.
    fn take(level: impl Fn(f64) -> (f64, f64)) -> Vec<String> {
        take_of(|_, t| level(t))
    }

    /// The same, told which tone and pause it is.
    fn take_of(level: impl Fn(usize, f64) -> (f64, f64)) -> Vec<String> {
        let mut state = 1u64;
        let samples: Vec<f32> = (0..(8.0 * RATE_HZ) as usize)
            .map(|n| {
                let t = n as f64 / RATE_HZ;
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                let noise = (state >> 33) as f64 / f64::from(1u32 << 31) - 0.5;
                let (tone, hiss) = level((t / 1.6) as usize, t.rem_euclid(1.6) - 0.8);
                (tone * (std::f64::consts::TAU * 440.0 * t).sin() + hiss * noise) as f32
            })
            .collect();
        let mut levels = Levels::new(RATE_HZ as u32);
        levels.push(&samples);
        warnings(&levels.levels_db(), &levels.nothing())
    }

    fn dying(t: f64, tau_s: f64) -> f64 {
        0.2 * (-t.max(0.0) / tau_s).exp()
    }

    #[test]
    fn a_plain_recording_gives_no_warning() {
        for hiss in [0.0, 0.0003, 0.003] {
            assert_eq!(
                take(|t| (dying(t, 0.01), hiss)),
                Vec::<String>::new(),
                "{hiss}"
            );
        }
    }

    #[test]
    fn a_gain_that_comes_back_in_the_pauses_is_noticed() {
        // Half a second to come back, as a voice recorder's.
        let gain = |t: f64| {
            if t < 0.0 {
                0.3
            } else {
                1.0 - 0.7 * (-t / 0.5).exp()
            }
        };
        let heard = take(|t| (gain(t) * dying(t, 0.01), gain(t) * 0.003));
        assert_eq!(heard, [AUTOMATIC_GAIN]);
    }

    #[test]
    fn a_gain_that_comes_back_slowly_is_no_breath() {
        // The noise as it is lifted over 2 s, and by a breath in the last 0.25 s of a pause.
        let slow = |t: f64| if t < 0.0 { 0.2 } else { 0.2 + 0.4 * t };
        let breath = |t: f64| if t > 0.55 { 3.0 } else { 1.0 };
        assert_eq!(
            take(|t| (dying(t, 0.01), slow(t) * 0.002)),
            [AUTOMATIC_GAIN]
        );
        assert!(!lifted_by(breath), "a breath");
    }

    fn lifted_by(noise: impl Fn(f64) -> f64) -> bool {
        let levels_db: Vec<f64> = (0..80)
            .map(|i| 20.0 * (0.001 * noise(f64::from(i) * STEP_S)).log10())
            .collect();
        lifts_slowly(&[&Pause {
            before_db: &[],
            levels_db: &levels_db,
        }])
    }

    #[test]
    fn noise_that_is_shut_off_is_noticed() {
        let gate = |t: f64| if t < 0.15 { 1.0 } else { 0.01 };
        let heard = take(|t| (gate(t) * dying(t, 0.01), gate(t) * 0.002));
        assert_eq!(heard, [NOISE_SUPPRESSION]);
    }

    #[test]
    fn zeros_in_the_pauses_are_no_gate_unless_each_comes_as_late() {
        // Noise for as long as `held_s` says, and then nothing at all.
        let silenced = |held_s: [f64; 5]| {
            take_of(|k, t| {
                if t < held_s[k] {
                    (dying(t, 0.01), 0.002)
                } else {
                    (0.0, 0.0)
                }
            })
        };
        assert_eq!(silenced([0.2; 5]), [NOISE_SUPPRESSION]);
        let padded = silenced([0.12, 0.35, 0.2, 0.5, 0.3]);
        assert_eq!(padded, Vec::<String>::new(), "no gate keeps such times");
        assert_eq!(silenced([0.0; 5]), Vec::<String>::new(), "no noise at all");
    }

    #[test]
    fn a_room_that_rings_on_is_noticed() {
        // 60 dB in 1 s: amplitude falls to 1/e in 1/6.91 s.
        assert_eq!(take(|t| (dying(t, 1.0 / 6.91), 0.0002)), [FAR_MICROPHONE]);
    }
}
