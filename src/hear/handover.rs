//! Where one tone takes over from another, in noise or a ringing room.
//!
//! There the old wave's error hides the beginning of a slur's glide, and a change of that error
//! comes late. Here the old tone is fitted to the sound before the change, the new one and what
//! rings on of the old one together to the sound after it; both are carried through the change,
//! and it is put where the one explains the samples before and the other those after it best.
//! Tens of milliseconds count on either side, so that noise averages out. It finds the middle of
//! the glide and not its beginning, which is why it only bounds what [`super::slur`] says.

use std::ops::Range;

use super::harmonic::{Pair, Tone};
use super::notes::Sketch;
use super::refine::likeness;
use super::swell::{Joint, thinned};
use crate::convert::midi_to_hz;

/// The sound is looked at at about this rate, its harmonics up to `TOP_HZ`.
const RATE_HZ: f64 = 5500.0;
const TOP_HZ: f64 = 2400.0;

/// Pieces of the notes that the tones are fitted to: so far from the change, so long, at the
/// least so long, and so far from the notes' other ends, seconds.
const GAP_S: f64 = 0.004;
const PIECE_S: f64 = 0.030;
const PIECE_LEAST_S: f64 = 0.010;
const SETTLING_S: f64 = 0.008;
const ENDING_S: f64 = 0.003;

/// Pitches tried about what was heard: distance in cents, number either side.
const TRIED_CENTS: (f64, i32) = (12.0, 1);

/// In a dried room the old note may seem to end so long before a slur, seconds.
const BROKEN_S: f64 = 0.15;

/// Pieces of a note, shorter than the one or nearer than the other, seconds.
const FRAGMENT_S: f64 = 0.010;
const TOUCHING_S: f64 = 0.050;

/// Sound beside the pieces, seconds.
const BESIDE_S: f64 = 0.002;

/// Looked at before and after the change, seconds.
const LOOK_S: f64 = 0.018;
const EDGE_S: f64 = 0.002;

/// A slur begins so long before the middle of its glide, seconds: half of 2 to 10 ms. Less than
/// the least is late, where the beginning is hidden by so much; where it is not, only a handover
/// before the beginning tells.
const LEAD_S: f64 = 0.0025;
const LEAD_LEAST_S: f64 = 0.001;
const HIDDEN: f64 = 0.1;

/// Slurs among `which` that are heard to begin late are put where the handover allows it. `piece`
/// gives the samples of a range as they were recorded.
pub fn put_sooner(
    sketches: &mut [Sketch],
    which: Range<usize>,
    piece: impl Fn(Range<usize>) -> Vec<f32>,
    sample_rate_hz: f64,
) {
    let sample = |t_s: f64| (t_s.max(0.0) * sample_rate_hz) as usize;
    for i in which {
        let note = &sketches[i];
        let plain = note.blip.is_none() && note.through_midi.is_none() && !note.tongued;
        let Some(old) = old_note(sketches, i).filter(|_| plain) else {
            continue;
        };
        let around_s = LOOK_S.max(GAP_S + PIECE_S) + BESIDE_S;
        let period_s = 1.0 / midi_to_hz(old.midi, 440.0);
        let first = sample(note.onset_s - around_s - period_s);
        let sound = piece(first..sample(note.onset_s + around_s));
        let begin_s = first as f64 / sample_rate_hz;
        let joint = Joint {
            old_hz: midi_to_hz(old.midi, 440.0),
            old_onset_s: old.onset_s - begin_s,
            new_hz: midi_to_hz(note.midi, 440.0),
            onset_s: note.onset_s - begin_s,
            new_offset_s: note.offset_s - begin_s,
        };
        let Some(handover) = handover(&sound, sample_rate_hz, &joint) else {
            continue;
        };
        if let Some(sooner_s) = handover.sooner_s(joint.onset_s) {
            let moved_s = joint.onset_s - sooner_s;
            let note = &mut sketches[i];
            note.onset_s = (note.onset_s - moved_s).max(old.onset_s);
            note.onset_se_s = note.onset_se_s.hypot(0.5 * moved_s);
            let onset_s = note.onset_s;
            for before in &mut sketches[old.idx..i] {
                before.onset_s = before.onset_s.min(onset_s);
                before.offset_s = before.offset_s.min(onset_s);
            }
        }
    }
}

/// The note that another is slurred from.
pub struct OldNote {
    /// The last sketch of it.
    pub idx: usize,
    pub midi: f64,
    pub onset_s: f64,
}

/// What sounded before sketch `i`, another pitch: a dip in a ringing room may part it in pieces,
/// the last of no length at all.
pub fn old_note(sketches: &[Sketch], i: usize) -> Option<OldNote> {
    let note = &sketches[i];
    let idx = (0..i)
        .rev()
        .take_while(|j| note.onset_s - sketches[*j].offset_s < BROKEN_S)
        .find(|j| {
            let before = &sketches[*j];
            (note.midi - before.midi).abs() > 0.5 && before.offset_s - before.onset_s > FRAGMENT_S
        })?;
    let midi = sketches[idx].midi;
    let pieces = sketches[..=idx].windows(2).rev();
    let of_it = pieces.take_while(|pair| {
        (pair[0].midi - midi).abs() < 0.5 && pair[1].onset_s - pair[0].offset_s < TOUCHING_S
    });
    let first = idx - of_it.count();
    Some(OldNote {
        idx,
        midi,
        onset_s: sketches[first].onset_s,
    })
}

/// A handover.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Handover {
    at_s: f64,
    /// Amplitude of what of the old note is not like one period before, over its own.
    hidden: f64,
}

impl Handover {
    /// Where a slur heard to begin at `onset_s` begins at the latest, seconds; `None` where that
    /// may be so.
    fn sooner_s(&self, onset_s: f64) -> Option<f64> {
        let (least_s, lead_s) = if self.hidden > HIDDEN {
            (LEAD_LEAST_S, LEAD_S)
        } else {
            (-LEAD_LEAST_S, 0.0)
        };
        (self.at_s - onset_s < least_s).then_some((self.at_s - lead_s).min(onset_s))
    }
}

/// Where the new tone takes over, or `None` where one of the notes is too short.
fn handover(samples: &[f32], sample_rate_hz: f64, joint: &Joint) -> Option<Handover> {
    let every = ((sample_rate_hz / RATE_HZ).round() as usize).max(1);
    let rate = sample_rate_hz / every as f64;
    let change_s = joint.onset_s;
    let old_s = (
        (joint.old_onset_s + SETTLING_S).max(change_s - GAP_S - PIECE_S),
        change_s - GAP_S,
    );
    let new_s = (
        change_s + GAP_S,
        (joint.new_offset_s - ENDING_S).min(change_s + GAP_S + PIECE_S),
    );
    if old_s.1 - old_s.0 < PIECE_LEAST_S || new_s.1 - new_s.0 < PIECE_LEAST_S {
        return None;
    }
    let from = ((old_s.0.min(change_s - LOOK_S) * sample_rate_hz).floor()).max(0.0) as usize;
    let end = (new_s.1.max(change_s + LOOK_S) * sample_rate_hz).ceil() as usize + every;
    let sound = thinned(samples.get(from..end.min(samples.len()))?, every);
    let at = |t_s: f64| {
        let place = (t_s * sample_rate_hz - from as f64) / every as f64;
        (place.max(0.0).round() as usize).min(sound.len())
    };
    let (old, new) = (at(old_s.0)..at(old_s.1), at(new_s.0)..at(new_s.1));
    let look = at(change_s - LOOK_S)..at(change_s + LOOK_S);
    if old.len() < 8 || new.len() < 8 || look.len() < 8 {
        return None;
    }
    let old_tone = Tone::fit(&sound[old.clone()], rate, joint.old_hz, TRIED_CENTS, TOP_HZ);
    let both = Pair::fit(
        &sound[new.clone()],
        rate,
        joint.new_hz,
        &old_tone,
        TRIED_CENTS,
        TOP_HZ,
    );
    let since = |range: &Range<usize>| look.start as isize - range.start as isize;
    let before = old_tone.wave(since(&old), look.len());
    let after = both.wave(since(&new), look.len());
    let squares = |wave: &[f64]| -> Vec<f64> {
        let errors = sound[look.clone()].iter().zip(wave);
        errors.map(|(x, y)| (f64::from(*x) - y).powi(2)).collect()
    };
    let (before, after) = (squares(&before), squares(&after));
    let mut error: f64 = after.iter().sum();
    let (mut least, mut best) = (error, 0);
    for (k, (old, new)) in before.iter().zip(&after).enumerate() {
        error += old - new;
        if error < least {
            (least, best) = (error, k + 1);
        }
    }
    let centre = 0.5 * (old_s.0 + old_s.1) * sample_rate_hz;
    let period = sample_rate_hz / joint.old_hz;
    let length = (old_s.1 - old_s.0) * sample_rate_hz;
    let alike = likeness(samples, centre, period, length);
    // At the edge of what is looked at nothing was found.
    let edge = (EDGE_S * rate) as usize;
    if best < edge || best + edge > look.len() {
        return None;
    }
    Some(Handover {
        at_s: (from as f64 + ((look.start + best) * every) as f64) / sample_rate_hz,
        hidden: (1.0 - alike).max(0.0).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::notes::Beginning;
    use crate::hear::slur::tests::{RATE, glide, with_noise};

    const ONSET_S: f64 = 0.1;
    const WAY_S: f64 = 0.006;

    /// Semitones, a third and a twelfth, up and down.
    const PAIRS_HZ: [(f64, f64); 5] = [
        (220.0, 233.1),
        (466.2, 440.0),
        (330.0, 262.0),
        (196.0, 587.0),
        (880.0, 932.3),
    ];

    fn joint(old_hz: f64, new_hz: f64, onset_s: f64) -> Joint {
        Joint {
            old_hz,
            old_onset_s: 0.02,
            new_hz,
            onset_s,
            new_offset_s: 0.2,
        }
    }

    #[test]
    fn the_middle_of_a_glide_is_found_in_noise() {
        for (old_hz, new_hz) in PAIRS_HZ {
            let sound = with_noise(glide(old_hz, new_hz, ONSET_S, WAY_S), 0.04);
            for late_s in [0.001, 0.004, 0.007] {
                let joint = joint(old_hz, new_hz, ONSET_S + late_s);
                let handover = handover(&sound, RATE, &joint).expect("both notes are there");
                let error_ms = 1e3 * (handover.at_s - ONSET_S - 0.5 * WAY_S);
                assert!(
                    error_ms.abs() < 2.5,
                    "{old_hz} to {new_hz} Hz, heard {late_s} s late: {error_ms:+.2} ms"
                );
                assert!(handover.hidden > HIDDEN, "{handover:?}");
            }
        }
    }

    #[test]
    fn what_is_not_late_stays() {
        let handover = |hidden: f64| Handover {
            at_s: 1.003,
            hidden,
        };
        assert_eq!(handover(0.3).sooner_s(1.0), None);
        assert_eq!(handover(0.3).sooner_s(1.006), Some(1.003 - LEAD_S));
        // In a quiet room the beginning is seen, unless the new note is there before it.
        assert_eq!(handover(0.01).sooner_s(1.003), None);
        assert_eq!(handover(0.01).sooner_s(1.006), Some(1.003));
    }

    #[test]
    fn notes_too_short_have_no_handover() {
        let sound = glide(220.0, 247.0, ONSET_S, WAY_S);
        for (old_onset_s, new_offset_s) in [(0.09, 0.2), (0.02, 0.11), (0.2, 0.2)] {
            let joint = Joint {
                old_onset_s,
                new_offset_s,
                ..joint(220.0, 247.0, ONSET_S)
            };
            assert_eq!(handover(&sound, RATE, &joint), None, "{joint:?}");
        }
        assert_eq!(handover(&[], RATE, &joint(220.0, 247.0, ONSET_S)), None);
    }

    fn sketch(midi: f64, onset_s: f64, offset_s: f64, beginning: Beginning) -> Sketch {
        Sketch {
            first: 0,
            end: 0,
            beginning,
            onset_s,
            onset_se_s: 0.001,
            change_se_s: 0.001,
            offset_s,
            tongued: beginning == Beginning::Dip,
            midi,
            cents_sd: 1.0,
            strength: 1.0,
            dip_db: 0.0,
            rise_db: 0.0,
            peak_db: -20.0,
            change: 1.0,
            own_share: 1.0,
            neighbour_share: 0.0,
            new_power_db: 0.0,
            slope_db: 0.0,
            offers: Vec::new(),
            blip: None,
            through_midi: None,
        }
    }

    /// A room's dip parts the old note in three, the last of no length.
    #[test]
    fn pieces_of_the_old_note_are_one() {
        let sketches = [
            sketch(60.0, 0.1, 0.4, Beginning::Silence),
            sketch(67.0, 0.4, 0.6, Beginning::Change),
            sketch(67.0, 0.6, 0.7, Beginning::Dip),
            sketch(67.0, 0.72, 0.72, Beginning::Dip),
            sketch(65.0, 0.72, 0.9, Beginning::Change),
        ];
        let old = old_note(&sketches, 4).expect("the old note");
        assert_eq!((old.idx, old.midi, old.onset_s), (2, 67.0, 0.4));
        assert!(old_note(&sketches, 0).is_none());
    }
}
