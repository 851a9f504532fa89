//! How the instrument may be tuned, until the notes tell: one belief of the player's place for
//! each tuning.
//!
//! A pitch half a semitone off is of the note above or below; only the line tells which. So the
//! filter runs at every tuning from 410 to 473 Hz, as far apart as a player is out of tune anyway,
//! and those under which the notes become too unlikely fall away, mostly within a bar.

use std::collections::VecDeque;

use super::belief::{Belief, Note};
use crate::align::expected::Expected;
use crate::align::pitch;

/// Tunings tried, semitones from A4 = 440 Hz: so many either side of it, so far apart.
const EITHER_SIDE: i32 = 5;
const APART_SEMITONES: f64 = 0.25;

/// Spread of the tunings that instruments are played at, semitones, and the least that one is
/// worth against 440 Hz, natural log: a pitch pipe of another age, a part read in another key.
const USUAL_SD_SEMITONES: f64 = 0.35;
const UNUSUAL: f64 = -3.5;

/// A tuning takes over when its notes are likelier by this factor, natural log; and it falls away
/// when they are unlikelier by that.
const TAKES_OVER: f64 = 0.7;
const FALLS_AWAY: f64 = 12.0;

/// Settled notes after which the likeliest is the tuning.
const SETTLED_NOTES: usize = 64;

/// The tuning follows the instrument's by this much at a time, semitones: what is further off is
/// that of another note.
const FOLLOWS_SEMITONES: f64 = 0.3;

/// Settled notes at which the alignment may still put the follower right.
const HISTORY_NOTES: usize = 32;

/// Settled notes in a row that the place is unknown after, whereupon the tunings are tried anew on
/// them, and again each time as many more have come: what came before was a metronome's or talk.
const ASTRAY_NOTES: usize = 8;

/// Then the playing may also be so many whole semitones off, either way: the line is another
/// instrument's, or read in another key.
const TRANSPOSED: i32 = 14;

/// The new ones have to be likelier by this, natural log; and a tuning under which so many notes
/// had their place is the instrument's.
const ANEW: f64 = 6.0;
const PROVEN_NOTES: usize = 24;

/// A tuning and what is believed if it is the player's.
pub(super) struct Way {
    /// Sharpness of the take, semitones.
    semitones: f64,
    /// After the settled notes.
    pub(super) settled: Belief,
    /// After the notes that have only begun too.
    now: Belief,
    /// After each of the newest settled notes.
    history: VecDeque<Belief>,
}

impl Way {
    fn after(&self, belief: &Belief, note: &Note, expected: &Expected) -> Belief {
        let offers: Vec<pitch::Offer> = (note.offers.iter())
            .map(|(midi, probability)| pitch::Offer {
                semitones: midi - self.semitones,
                probability: *probability,
            })
            .collect();
        let likelihood = |midi: &i32| {
            let fit = pitch::fit(&offers, note.pitch_se_semitones, *midi);
            f64::from(fit.right.max(fit.wrong)).exp()
        };
        let fits: Vec<f64> = expected.pitches.iter().map(likelihood).collect();
        let midi = (note.midi - self.semitones).round() as i32;
        belief.after(note, (midi, &fits), expected)
    }

    /// `full`: the oldest of the history falls out.
    fn settle(&mut self, note: &Note, full: bool, expected: &Expected) {
        self.settled = self.after(&self.settled, note, expected);
        if full {
            self.history.pop_front();
        }
        self.history.push_back(self.settled.clone());
    }

    fn begin(&mut self, note: &Note, expected: &Expected) {
        self.now = self.after(&self.now, note, expected);
    }

    /// The begun notes anew on top of the settled ones.
    fn replay(&mut self, begun: &[Note], expected: &Expected) {
        self.now = self.settled.clone();
        for note in begun {
            self.begin(note, expected);
        }
    }
}

/// Every tuning, 440 Hz first.
fn every_way(expected: &Expected) -> Vec<Way> {
    let mut sides: Vec<i32> = (-EITHER_SIDE..=EITHER_SIDE).collect();
    sides.sort_by_key(|side| side.abs());
    let semitones = (sides.into_iter()).map(|side| f64::from(side) * APART_SEMITONES);
    ways(semitones, expected)
}

/// The player of whom nothing was heard yet, so many semitones sharp.
fn ways(semitones: impl Iterator<Item = f64>, expected: &Expected) -> Vec<Way> {
    let way = |semitones: f64| {
        let usual = -0.5 * (semitones / USUAL_SD_SEMITONES).powi(2);
        let mut belief = Belief::new(expected);
        belief.log_evidence = usual.max(UNUSUAL);
        Way {
            semitones,
            settled: belief.clone(),
            now: belief,
            history: VecDeque::new(),
        }
    };
    semitones.map(way).collect()
}

/// The tunings that are still possible.
pub(super) struct Tunings {
    /// The likeliest first.
    ways: Vec<Way>,
    /// The newest settled notes.
    notes: VecDeque<Note>,
    n_settled: usize,
    /// Settled notes that had their place, and those in a row since that had none.
    n_placed: usize,
    n_astray: usize,
    now: Belief,
}

impl Tunings {
    pub(super) fn new(expected: &Expected) -> Tunings {
        Tunings {
            ways: every_way(expected),
            notes: VecDeque::new(),
            n_settled: 0,
            n_placed: 0,
            n_astray: 0,
            now: Belief::new(expected),
        }
    }

    /// What is believed now, whichever the tuning.
    pub(super) fn now(&self) -> &Belief {
        &self.now
    }

    /// Of the likeliest tuning.
    #[cfg(test)]
    pub(super) fn likeliest_mut(&mut self) -> &mut Way {
        &mut self.ways[0]
    }

    /// Sharpness of the take as it likeliest is, semitones.
    pub(super) fn semitones(&self) -> f64 {
        self.ways[0].semitones
    }

    /// The take's tuning is that of its newest notes, semitones of which only the fraction counts.
    /// While several are possible they stay as they are: talk before the playing has a tuning too.
    pub(super) fn follow(&mut self, semitones: f64) {
        if let [way] = &mut self.ways[..] {
            let off = semitones - way.semitones;
            let off = off - off.round();
            if off.abs() < FOLLOWS_SEMITONES {
                way.semitones += off;
            }
        }
    }

    /// A note has begun.
    pub(super) fn begin(&mut self, note: &Note, expected: &Expected) {
        for way in &mut self.ways {
            way.begin(note, expected);
        }
        self.rank();
    }

    pub(super) fn replay(&mut self, begun: &[Note], expected: &Expected) {
        for way in &mut self.ways {
            way.replay(begun, expected);
        }
        self.rank();
    }

    /// The hearing has settled a note; [`Tunings::replay`] is to follow.
    pub(super) fn settle(&mut self, note: Note, expected: &Expected) {
        let full = self.notes.len() == HISTORY_NOTES;
        for way in &mut self.ways {
            way.settle(&note, full, expected);
        }
        if full {
            self.notes.pop_front();
        }
        self.notes.push_back(note);
        self.n_settled += 1;
        self.thin_out();
        if self.ways[0].settled.likeliest().1 > 0.5 {
            self.n_placed += 1;
            self.n_astray = 0;
        } else {
            self.n_astray += 1;
            if self.n_astray.is_multiple_of(ASTRAY_NOTES) && self.n_placed < PROVEN_NOTES {
                self.try_anew(expected);
            }
        }
    }

    /// Every tuning once more, as if the playing began with the newest notes.
    fn try_anew(&mut self, expected: &Expected) {
        let before = self.notes.len() - ASTRAY_NOTES;
        let newest: VecDeque<Note> = self.notes.range(before..).cloned().collect();
        let farther = (-TRANSPOSED..=TRANSPOSED).map(f64::from);
        let reach = f64::from(EITHER_SIDE) * APART_SEMITONES;
        let mut ways = every_way(expected);
        ways.extend(self::ways(
            farther.filter(|semitones| semitones.abs() > reach),
            expected,
        ));
        for way in &mut ways {
            for note in &newest {
                way.settle(note, false, expected);
            }
        }
        ways.sort_by(|a, b| b.settled.log_evidence.total_cmp(&a.settled.log_evidence));
        let present = &self.ways[0];
        let since = before.checked_sub(1).map(|k| &present.history[k]);
        let so_far = since.map_or(0.0, |belief| belief.log_evidence);
        if ways[0].settled.log_evidence > present.settled.log_evidence - so_far + ANEW {
            (self.ways, self.notes) = (ways, newest);
            (self.n_settled, self.n_placed) = (ASTRAY_NOTES, 0);
        }
    }

    /// Drops what is no longer likely, and at last all but one.
    fn thin_out(&mut self) {
        if self.ways.len() == 1 {
            return;
        }
        let log = |way: &Way| way.settled.log_evidence;
        let best = self.ways.iter().map(log).fold(f64::NEG_INFINITY, f64::max);
        let last = self.n_settled >= SETTLED_NOTES;
        // The first is the likeliest after the notes that have begun too: it stays.
        let mut first = true;
        self.ways
            .retain(|way| std::mem::take(&mut first) || !last && log(way) > best - FALLS_AWAY);
    }

    /// Puts the likeliest first, and weighs what all of them say of the place.
    fn rank(&mut self) {
        let log = |way: &Way| way.now.log_evidence;
        let best =
            (1..self.ways.len()).max_by(|a, b| log(&self.ways[*a]).total_cmp(&log(&self.ways[*b])));
        if let Some(best) = best
            && log(&self.ways[best]) > log(&self.ways[0]) + TAKES_OVER
        {
            self.ways.swap(0, best);
        }
        self.now = self.ways[0].now.clone();
        if self.ways.len() > 1 {
            let most = self.ways.iter().map(log).fold(f64::NEG_INFINITY, f64::max);
            let weighed = self
                .ways
                .iter()
                .map(|way| (&way.now, (log(way) - most).exp()));
            self.now.mix(weighed);
        }
    }

    /// The alignment is sure of these places, in order (note of the line, onset). False where it
    /// tells nothing new. [`Tunings::replay`] is to follow.
    pub(super) fn put_right(&mut self, places: &[(usize, f64)], expected: &Expected) -> bool {
        let Some((place, onset_s)) = places.last() else {
            return false;
        };
        let at = (self.notes.iter()).rposition(|note| (note.onset_s - onset_s).abs() < 1e-6);
        let Some(at) = at.filter(|_| *place < expected.len()) else {
            return false;
        };
        if self.ways[0].history[at].likeliest().0 == *place {
            return false;
        }
        for way in &mut self.ways {
            way.history[at].put_right(places, expected);
            let mut belief = way.history[at].clone();
            for (k, note) in self.notes.iter().enumerate().skip(at + 1) {
                belief = way.after(&belief, note, expected);
                way.history[k] = belief.clone();
            }
            way.settled = belief;
        }
        true
    }
}
