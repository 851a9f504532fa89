//! Where in the line the player is, note by note.
//!
//! A forward filter over the positions of the line: after every note the probability that it
//! was this or that one, with wrong notes, notes left out and too many, restarts and skips
//! priced as in the whole-take alignment ([`crate::align`]); every jump is a running sum, so
//! that a note costs O(line notes). Notes that have only begun are laid on top of those that
//! the hearing has settled, and taken off again when it has settled them too.

use std::collections::HashMap;

use super::belief::{Belief, Note, TEMPO_PAIRS};
use super::events::Event;
use super::quick::{Begun, probability};
use super::settle::CERTAIN;
use super::tunings::Tunings;
use crate::align::expected::Expected;
use crate::align::{model, passage};
use crate::hear::HeardNote;
use crate::line::Line;
use crate::pipeline::TakeOptions;

/// Probability from which a place is said.
const SAID: f64 = 0.5;

/// A note that the next one explains is still said up to this late, seconds: what is further back
/// helps nobody.
const TOLD_LATE_S: f64 = 0.25;

/// Probability of the likeliest place below which it is called unknown, and the notes in a
/// row that it takes; from the second on it is known again.
const LOST: f64 = 0.4;
const LOST_NOTES: usize = 3;
/// Notes in a row without a place that is likely enough to say, after which it is unknown too.
const UNSAID_NOTES: usize = 5;
/// … or fewer of them in such a time, seconds: a wrong place is to be gone within two.
const UNSAID_NOTES_MIN: usize = 2;
const UNSAID_S: f64 = 1.0;
const FOUND: f64 = 0.6;

/// Belief left to the place said last, and to the notes after it that may have come since, below
/// which it is withdrawn: what came contradicts it, and where the player is instead is not known.
const WITHDRAWN: f64 = 0.2;

/// How sure a note is that has only begun: one that was waited for, and one that has lasted, as
/// one that was not waited for has from the first.
const BEGUN_CONFIDENCE: f64 = 0.95;
const BEGUN_LASTED_CONFIDENCE: f64 = 0.997;
/// … and at the most one of a pitch that sounded already, when its level has risen.
const RISEN_CONFIDENCE: f64 = 0.98;

/// Spread of the quick hearing's pitch, semitones.
const BEGUN_PITCH_SE: f64 = 0.2;

/// A begun note up to this much later than a settled one is the same, seconds.
const SAME_ONSET_S: f64 = 0.035;

/// … of this pitch, semitones.
const SAME_PITCH_SEMITONES: f64 = 0.65;

/// Log-odds that a settled note of a pitch that sounded already is one: constant, and how much
/// those of the hearing and those of the attack count. Logistic regression on 6,427 such notes of
/// made takes (210, half of them tonguing exercises or in loud rooms).
const AGAIN_LOG_ODDS: [f64; 3] = [-0.09, 0.91, 0.39];

/// Other places may be as likely as this for so long, seconds; then it is unknown which. Within
/// two seconds a wrong place has to be gone.
const RIVALS: [(f64, f64); 2] = [(0.15, 1.6), (0.3, 1.0)];

/// A wrong note or one left out moves the place by this many notes for a moment.
const NEAR_NOTES: usize = 1;

/// Notes in a row that were noticed only when they had ended (a loud room over a low instrument):
/// by then the player is elsewhere.
const UNNOTICED_NOTES: usize = 3;

/// A note noticed within this time of its onset was noticed, seconds: attacks in rooms are blurred.
const NOTICED_S: f64 = 0.1;

/// Notes after the likeliest one whose pitches are expected.
const EXPECTED_NOTES: usize = 2;

/// A place is expected to go on from when it is this likely.
const EXPECTED_FROM: f64 = 0.2;

pub struct Follower {
    expected: Expected,
    tunings: Tunings,
    settled_s: f64,
    sounded_until_s: f64,
    /// Pitch of the last settled note.
    settled_midi: f64,
    begun: Vec<Note>,
    /// Places said: index in the line, onset.
    places: Vec<(usize, f64)>,
    said: Option<usize>,
    unsure: usize,
    unsaid: usize,
    /// When a place was likely enough to say last, seconds.
    likely_s: f64,
    lost: bool,
    /// The first note at the same place of the page (bar and distance from its start) as each:
    /// two passes through a repeat are one place.
    page_place: Vec<usize>,
    /// Since when other places are as likely as each of [`RIVALS`], seconds.
    rivals_since_s: [Option<f64>; RIVALS.len()],
    /// Settled notes in a row that had not been noticed when they began.
    unnoticed: usize,
}

impl Follower {
    pub fn new(line: &Line, options: &TakeOptions) -> Follower {
        let range = options
            .align
            .bars
            .as_ref()
            .and_then(|(from, to)| passage(line, from, to))
            .unwrap_or(0..line.notes.len());
        let notes = line.notes[range.clone()].iter();
        let mut places = HashMap::new();
        let page_place = (notes.enumerate())
            .map(|(i, note)| *places.entry(line.page_place(note)).or_insert(i))
            .collect();
        let expected = Expected::new(line, range, options.align.rhythm.as_ref());
        Follower {
            tunings: Tunings::new(&expected),
            expected,
            settled_s: 0.0,
            sounded_until_s: 0.0,
            settled_midi: 0.0,
            begun: Vec::new(),
            places: Vec::new(),
            said: None,
            unsure: 0,
            unsaid: 0,
            likely_s: 0.0,
            lost: false,
            page_place,
            rivals_since_s: [None; RIVALS.len()],
            unnoticed: 0,
        }
    }

    /// Tuning of the take so far, up to a semitone.
    pub fn set_a4_hz(&mut self, a4_hz: f64) {
        self.tunings.follow(12.0 * (a4_hz / 440.0).log2());
    }

    /// Pitches that may come next, fractional MIDI at A4 = 440 Hz.
    pub fn expected(&self, pitches: &mut Vec<f64>) {
        pitches.clear();
        let n = self.expected.len();
        let (now, tuning) = (self.now(), self.tunings.semitones());
        let total = now.total();
        for i in 0..n {
            let here = now.on[i] + now.off[i];
            if here < EXPECTED_FROM * total {
                continue;
            }
            for next in i + 1..(i + 1 + EXPECTED_NOTES).min(n) {
                pitches.push(f64::from(self.expected.notes[next].midi) + tuning);
                if !self.expected.notes[next].grace {
                    break;
                }
            }
        }
        if now.unstarted > EXPECTED_FROM * total && n > 0 {
            pitches.push(f64::from(self.expected.notes[0].midi) + tuning);
        }
    }

    /// A note has begun.
    pub fn begun(&mut self, begun: &Begun, said_s: f64, events: &mut Vec<Event>) {
        if self.expected.len() == 0 {
            return;
        }
        let note = Note {
            onset_s: begun.onset_s,
            midi: begun.midi,
            goes_on: begun.again.is_some(),
            again: begun.again,
            silence_s: begun.silence_s,
            confidence: match begun.again {
                Some(probability) => probability.min(BEGUN_CONFIDENCE),
                None if begun.expected => BEGUN_CONFIDENCE,
                None => BEGUN_LASTED_CONFIDENCE,
            },
            offers: vec![(begun.midi, 1.0)],
            pitch_se_semitones: BEGUN_PITCH_SE,
        };
        if begun.weighed_again {
            self.weigh_again(begun, said_s, events);
            return;
        }
        self.unnoticed = 0;
        if begun.revises && self.begun.pop().is_some() {
            self.replay();
        }
        self.tunings.begin(&note, &self.expected);
        self.begun.push(note);
        self.say(begun.onset_s, said_s, true, events);
    }

    /// A note that has begun is more or less likely than was said.
    fn weigh_again(&mut self, begun: &Begun, said_s: f64, events: &mut Vec<Event>) {
        let known = |note: &&mut Note| note.onset_s == begun.onset_s;
        let Some(note) = self.begun.iter_mut().rev().find(known) else {
            return;
        };
        note.confidence = match begun.again {
            Some(again) => again.min(RISEN_CONFIDENCE),
            None => BEGUN_LASTED_CONFIDENCE,
        };
        note.again = begun.again;
        self.replay();
        self.take_back(begun.onset_s, said_s, events);
        let onset_s = self.now().onset_s;
        self.say(onset_s, said_s, false, events);
    }

    /// Says the place before once more where what was taken for the next note is likely none.
    fn take_back(&mut self, from_s: f64, said_s: f64, events: &mut Vec<Event>) {
        let off = self.now().off.iter().enumerate();
        let Some((place, off)) = off.max_by(|a, b| a.1.total_cmp(b.1)) else {
            return;
        };
        let index = place + self.expected.first;
        if self.lost || *off < SAID * self.now().total() || self.said == Some(index) {
            return;
        }
        self.said = Some(index);
        self.places.retain(|place| place.1 < from_s);
        events.push(Event::Position {
            index,
            onset_s: self.now().off_began_s[place],
            said_s,
        });
    }

    /// Notes that the hearing has settled.
    pub fn settled(&mut self, notes: &[HeardNote], said_s: f64, events: &mut Vec<Event>) {
        if notes.is_empty() || self.expected.len() == 0 {
            return;
        }
        for heard in notes {
            let offers = heard.candidates.iter().map(|c| (c.midi, c.probability));
            let note = Note {
                onset_s: heard.onset_s,
                silence_s: (heard.onset_s - self.sounded_until_s).max(0.0),
                midi: heard.midi,
                goes_on: (heard.midi - self.settled_midi).abs() < SAME_PITCH_SEMITONES,
                again: None,
                confidence: self.confidence(heard),
                offers: offers.collect(),
                pitch_se_semitones: (heard.cents_se / 100.0).clamp(0.0, 1.0),
            };
            let noticed = |begun: &Note| (begun.onset_s - heard.onset_s).abs() < NOTICED_S;
            if self.begun.iter().any(noticed) {
                self.unnoticed = 0;
            } else if heard.confidence >= CERTAIN {
                self.unnoticed += 1;
            }
            self.tunings.settle(note, &self.expected);
            self.sounded_until_s = self.sounded_until_s.max(heard.offset_s);
            self.settled_midi = heard.midi;
            // A ripple does not take the place of a note that began with it.
            let same_s = if heard.confidence >= CERTAIN {
                SAME_ONSET_S
            } else {
                -SAME_ONSET_S
            };
            self.settled_s = self.settled_s.max(heard.onset_s + same_s);
        }
        let settled_s = self.settled_s;
        self.begun.retain(|note| note.onset_s > settled_s);
        self.replay();
        let onset_s = self.now().onset_s;
        self.say(onset_s, said_s, false, events);
    }

    /// The alignment of the settled notes is sure of these places, in order (index in the line,
    /// onset): it knows what came after them.
    pub fn put_right(&mut self, places: &[(usize, f64)], said_s: f64, events: &mut Vec<Event>) {
        let first = self.expected.first;
        let within = |(index, _): &&(usize, f64)| *index >= first;
        // The tempo is that of the newest.
        let newest = places.len().saturating_sub(TEMPO_PAIRS + 1);
        let known: Vec<(usize, f64)> = (places[newest..].iter().filter(within))
            .map(|(index, onset_s)| (index - first, *onset_s))
            .collect();
        if !self.tunings.put_right(&known, &self.expected) {
            return;
        }
        self.places = known;
        self.replay();
        let onset_s = self.now().onset_s;
        self.say(onset_s, said_s, false, events);
    }

    /// How sure a settled note is; one of a pitch that sounded already by its attack too, as it
    /// was noticed.
    fn confidence(&self, heard: &HeardNote) -> f64 {
        let apart_s = |begun: &Note| (begun.onset_s - heard.onset_s).abs();
        let again = self
            .begun
            .iter()
            .filter(|begun| apart_s(begun) < SAME_ONSET_S)
            .filter(|begun| (begun.midi - heard.midi).abs() < SAME_PITCH_SEMITONES)
            .min_by(|a, b| apart_s(a).total_cmp(&apart_s(b)))
            .and_then(|begun| begun.again);
        let Some(again) = again else {
            return heard
                .confidence
                .clamp(model::CONFIDENCE_MIN, model::CONFIDENCE_MAX);
        };
        let log_odds = |p: f64| {
            let p = p.clamp(model::CONFIDENCE_MIN, model::CONFIDENCE_MAX);
            (p / (1.0 - p)).ln()
        };
        let [constant, settled, noticed] = AGAIN_LOG_ODDS;
        let both = constant + settled * log_odds(heard.confidence) + noticed * log_odds(again);
        probability(both)
    }

    fn now(&self) -> &Belief {
        self.tunings.now()
    }

    /// The begun notes anew on top of the settled ones.
    fn replay(&mut self) {
        self.tunings.replay(&self.begun, &self.expected);
    }

    /// Belief in each place of the page, at its first note, from that in each note.
    fn on_page(&self, belief: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut places = vec![0.0; self.expected.len()];
        for (i, place) in self.page_place.iter().enumerate() {
            places[*place] += belief(i);
        }
        places
    }

    /// The likeliest place of the page that the last note was, as the likeliest note there, and
    /// its probability.
    fn likeliest(&self) -> (usize, f64) {
        let on = &self.now().on;
        let places = self.on_page(|i| on[i]);
        (self.page_place.iter().enumerate())
            .map(|(i, place)| (i, places[*place]))
            .max_by(|a, b| (a.1.total_cmp(&b.1)).then_with(|| on[a.0].total_cmp(&on[b.0])))
            .unwrap_or((0, 0.0))
    }

    /// Belief in places other than that of note `place`.
    fn elsewhere(&self, place: usize) -> f64 {
        let other = |i: &usize| {
            i.abs_diff(place) > NEAR_NOTES && self.page_place[*i] != self.page_place[place]
        };
        (0..self.expected.len())
            .filter(other)
            .map(|i| self.now().on[i] + self.now().off[i])
            .sum()
    }

    /// True where other places have had this share of the belief for too long.
    fn has_rival(&mut self, elsewhere: f64, said_s: f64) -> bool {
        let mut too_long = false;
        for ((as_likely, long_s), since_s) in RIVALS.iter().zip(&mut self.rivals_since_s) {
            let began_s = since_s.unwrap_or(said_s);
            *since_s = (elsewhere > *as_likely).then_some(began_s);
            too_long |= since_s.is_some() && said_s - began_s > *long_s;
        }
        too_long
    }

    /// Belief in the place said last and in the notes that may have come since.
    fn still_there(&self) -> f64 {
        let Some(said) = self.said else {
            return f64::INFINITY;
        };
        let from = said.wrapping_sub(self.expected.first);
        let until = (from + 1 + self.unsaid).min(self.expected.len() - 1);
        (from..=until)
            .map(|i| self.now().on[i] + self.now().off[i])
            .sum()
    }

    /// True while the note said last, a shake or the like, goes on.
    fn shakes(&self) -> bool {
        let Some(said) = self.said.filter(|_| !self.lost) else {
            return false;
        };
        let place = said.wrapping_sub(self.expected.first);
        let ornament = (self.expected.notes.get(place)).is_some_and(|note| note.ornament.is_some());
        ornament && self.now().off[place] >= SAID * self.now().total()
    }

    /// Says the likeliest place where it is likely enough and not said before.
    fn say(&mut self, onset_s: f64, said_s: f64, fresh: bool, events: &mut Vec<Event>) {
        let total = self.now().total();
        let (place, on) = self.likeliest();
        let started = self.now().unstarted < 0.5 * total;
        let probability = on / total;
        let index = place + self.expected.first;
        let places = self.on_page(|i| self.now().on[i] + self.now().off[i]);
        let known = places.into_iter().fold(0.0, f64::max) / total;
        if self.shakes() {
            (self.unsure, self.unsaid, self.likely_s) = (0, 0, said_s);
            return;
        }
        if fresh {
            self.unsure = if started && known < LOST {
                self.unsure + 1
            } else {
                0
            };
        }
        if fresh {
            self.unsaid = if probability < SAID {
                self.unsaid + 1
            } else {
                0
            };
        }
        if probability >= SAID {
            self.likely_s = said_s;
        }
        let elsewhere = if started { self.elsewhere(place) } else { 0.0 };
        let rival = self.has_rival(elsewhere / total, said_s);
        let blind = self.unnoticed >= UNNOTICED_NOTES;
        let unsaid_long = self.unsaid >= UNSAID_NOTES_MIN && said_s - self.likely_s > UNSAID_S;
        let withdrawn = fresh && probability < SAID && self.still_there() < WITHDRAWN * total;
        if !self.lost
            && (withdrawn
                || self.unsure >= LOST_NOTES
                || self.unsaid >= UNSAID_NOTES
                || unsaid_long
                || rival
                || blind)
        {
            self.lost = true;
            events.push(Event::Lost {
                said_s,
                index: self.said,
            });
        }
        if probability < SAID || (self.lost && (known < FOUND || rival || blind)) {
            return;
        }
        if self.lost {
            self.lost = false;
            events.push(Event::Found { said_s, index });
        }
        let again = fresh && self.places.last().is_none_or(|last| onset_s > last.1);
        if self.said == Some(index) && !again {
            return;
        }
        // What the note before was is plain now, and not too late to say.
        let before_s = self.now().before_s;
        let skipped = place > 0
            && self.now().came_on[place] >= FOUND
            && self.places.last() != Some(&(place - 1, before_s))
            && said_s - before_s < TOLD_LATE_S;
        if fresh && skipped {
            self.places.retain(|place| place.1 < before_s - 1e-6);
            self.places.push((place - 1, before_s));
            events.push(Event::Position {
                index: index - 1,
                onset_s: before_s,
                said_s,
            });
        }
        self.said = Some(index);
        if !fresh {
            self.places.retain(|place| place.1 < onset_s - 1e-6);
        }
        self.places.push((place, onset_s));
        let old = self.places.len().saturating_sub(4 * TEMPO_PAIRS);
        self.places.drain(..old);
        events.push(Event::Position {
            index,
            onset_s,
            said_s,
        });
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::hear::PitchCandidate;
    use crate::line::read::{Kind, LineOptions, line_of, read_line};
    use std::path::Path;

    fn line() -> Line {
        let etude = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/demo_etude.abc");
        read_line(Path::new(etude), &LineOptions::default()).expect("the demo étude")
    }

    /// Seconds that a note of the line lasts, a sixteenth 0.2.
    fn lasts_s(line: &Line, index: usize) -> f64 {
        let next = (line.notes.get(index + 1)).map_or(f64::INFINITY, |next| next.onset_quarters);
        0.8 * (next - line.notes[index].onset_quarters).min(1.0)
    }

    /// Plays notes of the line (or another pitch), in its rhythm; what was said after each.
    fn play(notes: &[(usize, i32)]) -> Vec<Vec<Event>> {
        let line = line();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut said = Vec::new();
        let mut onset_s = 1.0;
        for (index, off) in notes {
            let begun = Begun {
                midi: f64::from(line.notes[*index].sounding_midi + off),
                expected: *off == 0,
                ..begins(&line, *index, onset_s, None)
            };
            let mut events = Vec::new();
            follower.begun(&begun, onset_s + 0.02, &mut events);
            onset_s += lasts_s(&line, *index);
            said.push(events);
        }
        said
    }

    fn place(events: &[Event]) -> Option<usize> {
        events.iter().rev().find_map(|event| match event {
            Event::Position { index, .. } => Some(*index),
            _ => None,
        })
    }

    fn straight(range: std::ops::Range<usize>) -> Vec<(usize, i32)> {
        range.map(|index| (index, 0)).collect()
    }

    #[test]
    fn a_straight_playing_is_followed_note_by_note() {
        let said = play(&straight(0..24));
        for (k, events) in said.iter().enumerate() {
            assert_eq!(place(events), Some(k), "{events:?}");
        }
    }

    /// A4 at 415 and at 466 Hz and half-way to them: a semitone, a quarter tone. The line's own
    /// places are said at every tuning, from the third note on.
    #[test]
    fn no_tuning_leads_astray() {
        let line = line();
        for semitones in [-1.0, -0.5, 0.25, 0.5, 1.0] {
            let mut follower = Follower::new(&line, &TakeOptions::default());
            let mut onset_s = 1.0;
            for index in 0..24 {
                let played = f64::from(line.notes[index].sounding_midi) + semitones;
                let begun = Begun {
                    midi: played,
                    ..begins(&line, index, onset_s, None)
                };
                let mut events = Vec::new();
                follower.begun(&begun, onset_s + 0.02, &mut events);
                onset_s += lasts_s(&line, index);
                if index >= 2 {
                    assert_eq!(place(&events), Some(index), "{semitones}: {events:?}");
                }
            }
        }
    }

    #[test]
    fn a_wrong_note_is_a_place_too() {
        let mut notes = straight(0..16);
        notes[8].1 = 1;
        let said = play(&notes);
        assert_eq!(place(&said[8]), Some(8), "{:?}", said[8]);
        assert_eq!(place(&said[9]), Some(9), "{:?}", said[9]);
    }

    #[test]
    fn after_a_restart_at_a_bar_three_notes_tell() {
        let line = line();
        let bar = line.notes.iter().position(|n| n.bar == "3").expect("bar 3");
        let mut notes = straight(0..bar + 6);
        notes.extend(straight(bar..bar + 6));
        let said = play(&notes);
        for (k, events) in said.iter().enumerate().skip(bar + 6 + 2) {
            assert_eq!(place(events), Some(notes[k].0), "note {k}: {events:?}");
        }
    }

    #[test]
    fn another_piece_is_nowhere_and_coming_back_is_said() {
        let mut notes = straight(0..10);
        // Tritones away from everything that could be meant.
        notes.extend((0..14).map(|k| (10, 6 + 5 * (k % 3) - 3 * (k % 2))));
        notes.extend(straight(20..32));
        let said = play(&notes);
        let lost = said
            .iter()
            .flatten()
            .any(|e| matches!(e, Event::Lost { .. }));
        assert_eq!(place(&said[35]), Some(31), "{:?}", said[35]);
        let found = said
            .iter()
            .flatten()
            .any(|e| matches!(e, Event::Found { .. }));
        assert_eq!(lost, found, "lost and found come in pairs");
    }

    /// A metronome that strikes a fifth, like the line's first bars but a semitone and a quarter
    /// above, is forgotten when the playing says otherwise.
    #[test]
    fn a_tuning_taken_from_a_metronome_is_given_up() {
        let line = eighths("EBEBEBEB|EBEBEBEB|EBEBAGFE|CDEFGABc|defgabc'd'|");
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = Vec::new();
        let mut play = |note: HeardNote| {
            let begun = Begun {
                midi: note.midi,
                ..begins(&line, 0, note.onset_s, None)
            };
            follower.begun(&begun, note.onset_s + 0.02, &mut events);
            let said_s = note.onset_s + 0.28;
            follower.settled(&[note], said_s, &mut events);
        };
        for strike in 0..16 {
            let mut note = heard(&line, strike % 2, 1.0 + 0.5 * strike as f64);
            note.midi += 1.25;
            note.candidates[0].midi += 1.25;
            play(note);
        }
        for index in 0..line.notes.len() {
            play(heard(&line, index, 9.0 + 0.3 * index as f64));
        }
        let place = place(&events);
        assert_eq!(place, Some(line.notes.len() - 1), "{events:?}");
        let wrong = |event: &Event| {
            let Event::Position { index, onset_s, .. } = event else {
                return false;
            };
            *onset_s > 9.0 + 0.3 * 16.0 && (onset_s - 9.0) / 0.3 - *index as f64 > 0.5
        };
        assert!(!events.iter().any(wrong), "{events:?}");
    }

    /// The line is another instrument's: every note sounds a fourth below it.
    #[test]
    fn a_player_in_another_key_is_followed() {
        let line = eighths("CDEF GABc|dcBA GFED|EGce dBGD|CEGc BGDB,|");
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = Vec::new();
        for index in 0..line.notes.len() {
            let onset_s = 1.0 + 0.3 * index as f64;
            let midi = line.notes[index].sounding_midi - 5;
            let begun = Begun {
                midi: f64::from(midi),
                ..begins(&line, index, onset_s, None)
            };
            follower.begun(&begun, onset_s + 0.02, &mut events);
            follower.settled(&[sounding(onset_s, midi)], onset_s + 0.28, &mut events);
        }
        assert_eq!(place(&events), Some(line.notes.len() - 1), "{events:?}");
    }

    /// Plays the line in time but for stops: before each note so many eighths of 0.3 s more, and
    /// each note so many semitones from what is written. The place said last for each.
    fn read(
        line: &Line,
        stop_eighths: impl Fn(usize) -> f64,
        off: &[(usize, i32)],
    ) -> Vec<Option<usize>> {
        let mut follower = Follower::new(line, &TakeOptions::default());
        let mut onset_s = 1.0;
        let mut said = Vec::new();
        for index in 0..line.notes.len() {
            let mut events = Vec::new();
            onset_s += 0.3 * (1.0 + stop_eighths(index));
            let off = off.iter().find(|(at, _)| *at == index);
            let midi = line.notes[index].sounding_midi + off.map_or(0, |(_, off)| *off);
            let begun = Begun {
                midi: f64::from(midi),
                expected: off.is_none(),
                ..begins(line, index, onset_s, None)
            };
            follower.begun(&begun, onset_s + 0.02, &mut events);
            let lasted = Begun {
                weighed_again: true,
                ..begun
            };
            follower.begun(&lasted, onset_s + 0.06, &mut events);
            follower.settled(&[sounding(onset_s, midi)], onset_s + 0.28, &mut events);
            said.push(place(&events));
        }
        said
    }

    /// A first reading: before every other note of a scale the one before is held for up to five
    /// times its time, and still each place is said once its note has lasted.
    #[test]
    fn a_player_who_stops_is_followed() {
        let line = eighths("CDEF GABc|dcBA GFED|EGce dBGD|CEGc BGDB,|");
        let stop = |index: usize| {
            if index > 5 && index.is_multiple_of(2) {
                ((index - 1) % 5) as f64
            } else {
                0.0
            }
        };
        let places = (0..line.notes.len()).map(Some).collect::<Vec<_>>();
        assert_eq!(read(&line, stop, &[]), places);
    }

    /// … and after a note an octave off, with stops before and after it, where two notes turn
    /// about, nobody is put back to the notes before it: no place is said rather than that.
    #[test]
    fn a_wrong_note_among_stops_does_not_put_the_player_back() {
        let line = eighths("EDCE CDCD|CCCC CB,B,B,|DB,DB, DB,DB,|B,gA,f GFED|");
        let stop = |index: usize| match index {
            3 | 6 | 9 | 12 => 2.0,
            13 => 8.0,
            16 => 6.0,
            17 => 3.5,
            21 | 23 => 2.0,
            _ => 0.0,
        };
        let places = read(&line, stop, &[(16, 12)]);
        let elsewhere = |(index, place): (usize, &Option<usize>)| place.is_some_and(|p| p != index);
        assert!(!places.iter().enumerate().any(elsewhere), "{places:?}");
        assert_eq!(places[25..], (25..32).map(Some).collect::<Vec<_>>());
    }

    /// A line of eighths in C, as ABC writes them.
    pub fn eighths(music: &str) -> Line {
        let abc = format!("X:1\nM:4/4\nL:1/8\nK:C\n{music}\n");
        line_of(Kind::Abc, abc.as_bytes(), &LineOptions::default()).expect("the line is read")
    }

    /// A trill of twelve eighths between two notes, then a scale.
    fn trill() -> Line {
        eighths("CDCDCDCD|CDCDEFGA|Bcdefgab|")
    }

    /// A shake of fifteen strokes stays where it is, and the note after it is the next.
    #[test]
    fn a_shake_goes_on_until_its_time_is_over() {
        let line = eighths("CDEF GABc|!trill!d4 edcB|");
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = begin_in_time(&mut follower, &line, 9, None);
        assert_eq!(place(&events), Some(8), "{events:?}");
        events.clear();
        for stroke in 1..15 {
            let onset_s = 1.0 + 0.3 * 8.0 + 0.075 * f64::from(stroke);
            let begun = Begun {
                midi: f64::from(line.notes[8].sounding_midi + 2 * (stroke % 2)),
                expected: false,
                ..begins(&line, 8, onset_s, None)
            };
            follower.begun(&begun, onset_s + 0.02, &mut events);
        }
        let elsewhere = |event: &Event| match event {
            Event::Position { index, .. } => *index != 8,
            event => matches!(event, Event::Lost { .. }),
        };
        assert!(!events.iter().any(elsewhere), "{events:?}");
        let onset_s = 1.0 + 0.3 * 12.0;
        follower.begun(
            &begins(&line, 9, onset_s, None),
            onset_s + 0.02,
            &mut events,
        );
        assert_eq!(place(&events), Some(9), "{events:?}");
    }

    /// The hearing settles note `index` of the line, `onset_s` seconds in.
    pub fn heard(line: &Line, index: usize, onset_s: f64) -> HeardNote {
        sounding(onset_s, line.notes[index].sounding_midi)
    }

    pub fn sounding(onset_s: f64, midi: i32) -> HeardNote {
        let midi = f64::from(midi);
        HeardNote {
            onset_s,
            onset_se_s: 0.001,
            offset_s: onset_s + 0.18,
            midi,
            cents_sd: 5.0,
            cents_se: 2.0,
            level_dbfs: -20.0,
            tongued: true,
            confidence: 0.99,
            candidates: vec![PitchCandidate {
                midi,
                probability: 0.95,
            }],
        }
    }

    /// Plays the trill and what follows without its fifth and sixth note: nothing tells before
    /// the scale. Settled notes come 0.3 s late.
    fn trill_with_two_left_out(follower: &mut Follower, noticed: bool) -> Vec<Event> {
        let line = trill();
        let mut events = Vec::new();
        for (k, index) in (0..4).chain(6..11).enumerate() {
            let onset_s = 1.0 + 0.3 * k as f64;
            let note = heard(&line, index, onset_s);
            if noticed {
                let begun = begins(&line, index, onset_s, None);
                follower.begun(&begun, onset_s + 0.02, &mut events);
            }
            follower.settled(&[note], onset_s + 0.28, &mut events);
        }
        events
    }

    /// A note of the line that has begun, waited for; `again` where its pitch sounded already.
    fn begins(line: &Line, index: usize, onset_s: f64, again: Option<f64>) -> Begun {
        Begun {
            onset_s,
            midi: f64::from(line.notes[index].sounding_midi),
            silence_s: 0.0,
            revises: false,
            expected: true,
            again,
            weighed_again: false,
        }
    }

    /// The first notes of the line begin every 0.3 s; all but the first are `again` that likely.
    fn begin_in_time(
        follower: &mut Follower,
        line: &Line,
        n_notes: usize,
        again: Option<f64>,
    ) -> Vec<Event> {
        let mut events = Vec::new();
        for index in 0..n_notes {
            let onset_s = 1.0 + 0.3 * index as f64;
            let note = begins(line, index, onset_s, again.filter(|_| index > 0));
            follower.begun(&note, onset_s + 0.02, &mut events);
        }
        events
    }

    /// Three ripples after every note: the next one on time is the next one, not one before.
    #[test]
    fn a_place_keeps_its_time_through_ripples() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        for index in 0..12 {
            let onset_s = 1.0 + 0.3 * index as f64;
            let mut events = Vec::new();
            let begun = begins(&line, index, onset_s, None);
            follower.begun(&begun, onset_s + 0.02, &mut events);
            assert_eq!(place(&events), Some(index), "{events:?}");
            let mut notes = vec![heard(&line, index, onset_s)];
            notes.extend([0.06, 0.12, 0.18].map(|after_s| HeardNote {
                confidence: 0.05,
                ..heard(&line, index, onset_s + after_s)
            }));
            follower.settled(&notes, onset_s + 0.28, &mut Vec::new());
        }
    }

    /// A ripple of the note before, found where the new one begins, takes nothing away.
    #[test]
    fn a_ripple_leaves_the_note_that_began_with_it() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = begin_in_time(&mut follower, &line, 4, None);
        let notes: Vec<HeardNote> = (0..3)
            .map(|index| heard(&line, index, 1.0 + 0.3 * index as f64))
            .collect();
        let ripple = HeardNote {
            confidence: 0.03,
            ..heard(&line, 2, 1.9)
        };
        follower.settled(&notes, 2.1, &mut events);
        follower.settled(&[ripple], 2.2, &mut events);
        assert_eq!(follower.begun.len(), 1, "the note at 1.9 s stays");
        assert_eq!(place(&events), Some(3), "{events:?}");
    }

    /// The belief has left the place said for three others, none of them likely: it is withdrawn
    /// with the next note.
    #[test]
    fn a_place_that_is_believed_no_more_is_withdrawn() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = begin_in_time(&mut follower, &line, 12, None);
        assert_eq!(place(&events), Some(11), "{events:?}");
        follower.begun.clear();
        follower.replay();
        follower.tunings.likeliest_mut().settled.unstarted = 0.0;
        (
            follower.tunings.likeliest_mut().settled.onset_s,
            follower.tunings.likeliest_mut().settled.before_s,
        ) = (4.3, 4.0);
        follower.tunings.likeliest_mut().settled.on.fill(0.0);
        follower.tunings.likeliest_mut().settled.off.fill(0.0);
        for (place, belief) in [(8, 0.4), (4, 0.35), (2, 0.25)] {
            follower.tunings.likeliest_mut().settled.on[place] = belief;
        }
        follower.replay();
        events.clear();
        let begun = begins(&line, 9, 4.6, None);
        follower.begun(&begun, 4.62, &mut events);
        assert!(matches!(events[..], [Event::Lost { .. }]), "{events:?}");
    }

    /// One pitch sixteen times, and then another.
    fn tonguing() -> Line {
        eighths("CCCCCCCC|CCCCCCCC|DEFGABcd|")
    }

    /// Ripples halfway between notes of one pitch are as likely as not by their sound: the time
    /// tells.
    #[test]
    fn the_tempo_tells_ripples_from_notes_of_one_pitch() {
        let line = tonguing();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        for index in 0..16 {
            let onset_s = 1.0 + 0.3 * index as f64;
            let mut events = Vec::new();
            let again = (index > 0).then_some(0.9);
            let note = begins(&line, index, onset_s, again);
            follower.begun(&note, onset_s + 0.02, &mut events);
            assert_eq!(place(&events), Some(index), "{events:?}");
            if index > 3 && index % 3 == 0 {
                let ripple = begins(&line, index, onset_s + 0.15, Some(0.5));
                follower.begun(&ripple, onset_s + 0.17, &mut Vec::new());
            }
        }
    }

    #[test]
    fn an_attack_weighed_again_as_a_ripple_gives_the_place_back() {
        let line = tonguing();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = begin_in_time(&mut follower, &line, 6, Some(0.95));
        assert_eq!(place(&events), Some(5), "{events:?}");
        let weighed = Begun {
            again: Some(0.01),
            weighed_again: true,
            ..begins(&line, 5, 2.5, None)
        };
        follower.begun(&weighed, 2.54, &mut events);
        assert_eq!(place(&events), Some(4), "{events:?}");
    }

    #[test]
    fn the_alignment_puts_a_trill_right() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let said = trill_with_two_left_out(&mut follower, true);
        assert_eq!(place(&said), Some(8), "two notes behind");
        let mut events = Vec::new();
        // Notes 6 to 9 are sure; note 10 has come since.
        let sure = [(6, 2.2), (7, 2.5), (8, 2.8), (9, 3.1)];
        follower.put_right(&sure, 3.7, &mut events);
        assert_eq!(place(&events), Some(10), "{events:?}");
        events.clear();
        follower.put_right(&sure, 3.8, &mut events);
        assert!(events.is_empty(), "said twice: {events:?}");
    }

    /// Gone back to the sign of a repeat after a pause, a player is in either pass: the place of
    /// the page is said from the second note on.
    #[test]
    fn two_passes_through_a_repeat_are_one_place() {
        let line = eighths("|:CEDF EGFA|GcBd cABG:|c8|");
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut onset_s = 1.0;
        for (k, index) in (0..11).chain(0..8).enumerate() {
            onset_s += if k == 11 { 0.9 } else { 0.3 };
            let mut events = Vec::new();
            let begun = Begun {
                silence_s: if k == 11 { 0.6 } else { 0.0 },
                ..begins(&line, index, onset_s, None)
            };
            follower.begun(&begun, onset_s + 0.02, &mut events);
            follower.settled(&[heard(&line, index, onset_s)], onset_s + 0.28, &mut events);
            if k != 11 {
                assert_eq!(place(&events).map(|place| place % 16), Some(index), "{k}");
            }
        }
    }

    #[test]
    fn two_places_as_likely_for_long_are_no_place() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let mut events = Vec::new();
        // Two notes into the trill or four: half of the belief each.
        for (k, index) in [4, 5, 6, 7, 8, 9, 10].iter().enumerate() {
            let onset_s = 1.0 + 0.4 * k as f64;
            follower.settled(&[heard(&line, *index, onset_s)], onset_s + 0.3, &mut events);
            let begun = begins(&line, index + 1, onset_s + 0.4, None);
            follower.begun(&begun, onset_s + 0.42, &mut events);
            if k == 0 {
                for p in &mut follower.tunings.likeliest_mut().settled.on {
                    *p = 0.0;
                }
                follower.tunings.likeliest_mut().settled.on[2] = 0.52;
                follower.tunings.likeliest_mut().settled.on[4] = 0.48;
            }
        }
        let lost = events
            .iter()
            .filter(|e| matches!(e, Event::Lost { .. }))
            .count();
        assert_eq!(lost, 1, "{events:?}");
        // The scale after the trill tells.
        let mut events = Vec::new();
        for (index, onset_s) in [(12, 4.2), (13, 4.6)] {
            follower.settled(&[heard(&line, index, onset_s)], onset_s + 0.3, &mut events);
        }
        assert!(
            events.iter().any(|e| matches!(e, Event::Found { .. })),
            "{events:?}"
        );
        assert_eq!(place(&events), Some(13), "{events:?}");
    }

    #[test]
    fn notes_noticed_when_they_are_over_are_no_place() {
        let line = trill();
        let mut follower = Follower::new(&line, &TakeOptions::default());
        let events = trill_with_two_left_out(&mut follower, false);
        let last = events
            .iter()
            .rfind(|e| matches!(e, Event::Lost { .. } | Event::Position { .. }));
        assert!(matches!(last, Some(Event::Lost { .. })), "{events:?}");
    }
}
