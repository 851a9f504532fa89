//! A player's way through an étude: what is played, when, and the truth about it.

use crate::etude::{Instrument, Note};
use passagework::sound::voice::{Blip, Rng, VoiceNote};
use serde_json::{Value, json};

/// What the player does next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Step {
    /// Plays note `index` of the line as sounding `midi` (the written one when right).
    Note { index: usize, midi: i32 },
    /// Leaves note `index` out: the note before is held, or there is silence.
    Dropped { index: usize, silent: bool },
    /// Puts in a note of its own just before the next one, in the time of the note before.
    Extra {
        midi: i32,
        duration_s: f64,
        tongued: bool,
    },
    /// Stops for so long.
    Pause { duration_s: f64 },
    /// Stays on the note before for so long.
    Hold { duration_s: f64 },
}

/// How it is played.
#[derive(Clone, Debug)]
pub struct Manner {
    /// Quarters a minute at the first and last onset, linear in quarters played.
    pub start_qpm: f64,
    pub end_qpm: f64,
    /// Standard deviation of each onset about the beat.
    pub jitter_ms: f64,
    pub a4_hz: f64,
    /// Added to every sounding pitch, semitones.
    pub transposed: i32,
    /// Standard deviation of each note's own tuning.
    pub intonation_cents: f64,
    /// Share of slurred changes that touch a pitch in between.
    pub blip_share: f64,
    /// This change of sounding pitch comes late, in so many of its occurrences.
    pub late_change: Option<LateChange>,
    /// Every second note of four comes late by this.
    pub limp_ms: f64,
    /// Last beats of every fourth bar and fermatas are stretched by these factors.
    pub phrase_stretch: f64,
    pub fermata_stretch: f64,
    pub lead_s: f64,
    pub tail_s: f64,
}

#[derive(Clone, Copy, Debug)]
pub struct LateChange {
    pub from_midi: i32,
    pub to_midi: i32,
    pub late_ms: f64,
    pub share: f64,
}

impl Manner {
    /// One of the twelve tempos, human in every way.
    pub fn human(instrument: &Instrument, rng: &mut Rng) -> Manner {
        const TEMPOS_QPM: [f64; 12] = [
            50., 56., 63., 72., 80., 92., 104., 116., 126., 138., 152., 168.,
        ];
        // Low instruments do not run at the fastest tempos: a note needs some periods to be one.
        let n_tempos = if instrument.low + instrument.transpose < 45 {
            7
        } else {
            12
        };
        let qpm = *rng.pick(&TEMPOS_QPM[..n_tempos]);
        Manner {
            start_qpm: qpm,
            end_qpm: qpm,
            jitter_ms: rng.between(3.0, 12.0),
            a4_hz: rng.between(438.0, 444.0),
            transposed: 0,
            intonation_cents: rng.between(2.0, 8.0),
            blip_share: rng.between(0.0, 0.5),
            late_change: None,
            limp_ms: 0.0,
            phrase_stretch: 1.0,
            fermata_stretch: 1.0,
            lead_s: rng.between(0.15, 1.2),
            tail_s: rng.between(0.3, 1.0),
        }
    }
}

/// What is to be sounded, and all that the truth is told from.
pub struct Performance {
    pub voice_notes: Vec<VoiceNote>,
    pub duration_s: f64,
    /// Times of the beats, for a click.
    pub beats_s: Vec<f64>,
    /// True first moment and tuning of each sound; a voice that speaks late corrects them.
    pub onsets_s: Vec<f64>,
    pub cents: Vec<Option<f64>>,
    /// Notes of a repeat that was not taken.
    pub left_out: std::ops::Range<usize>,
    line: Vec<Note>,
    sounds: Vec<Sound>,
    dropped: Vec<usize>,
    reached: Vec<bool>,
    restarts: Vec<Jump>,
    skips: Vec<Jump>,
    stops: Vec<Stop>,
    manner: Manner,
    beat_quarters: f64,
}

pub fn straight(notes: &[Note]) -> Vec<Step> {
    notes
        .iter()
        .enumerate()
        .map(|(index, note)| Step::Note {
            index,
            midi: note.sounding_midi,
        })
        .collect()
}

/// One sound on its way to become a voice note.
struct Sound {
    index: Option<usize>,
    midi: i32,
    onset_s: f64,
    /// Longest it may sound; shorter where the next begins before.
    length_s: f64,
    tongued: bool,
    staccato: bool,
    cents: f64,
    blip: Option<Blip>,
}

/// What is shorter than this is a blip, not an added note, seconds.
const ADDED_SHORTEST_S: f64 = 0.045;
/// No note is played shorter than this, seconds.
const SHORTEST_S: f64 = 0.05;

pub fn perform(
    notes: &[Note],
    steps: &[Step],
    manner: &Manner,
    beat_quarters: f64,
    rng: &mut Rng,
) -> Performance {
    let total_quarters = quarters_played(notes, steps);
    let qpm_at = |q: f64| {
        manner.start_qpm
            + (manner.end_qpm - manner.start_qpm) * (q / total_quarters.max(1e-9)).clamp(0.0, 1.0)
    };
    let mut sounds: Vec<Sound> = Vec::new();
    let mut extras_after: Vec<(usize, i32, f64, bool)> = Vec::new();
    let mut dropped: Vec<usize> = Vec::new();
    let mut restarts: Vec<(usize, usize, usize)> = Vec::new();
    let mut skips: Vec<(usize, usize, usize)> = Vec::new();
    let mut reached: Vec<bool> = vec![false; notes.len()];
    let mut t_s = manner.lead_s;
    let mut played = 0.0;
    let mut last_index: Option<usize> = None;
    let mut paused = false;
    let mut stops: Vec<Stop> = Vec::new();
    let mut waited_s = 0.0;
    let mut beats_s = Vec::new();
    let mut next_beat = 0.0;
    for (place, step) in steps.iter().enumerate() {
        let next_index = steps[place + 1..].iter().find_map(|s| match s {
            Step::Note { index, .. } | Step::Dropped { index, .. } => Some(*index),
            _ => None,
        });
        match *step {
            Step::Pause { duration_s } => {
                t_s += duration_s;
                waited_s += duration_s;
                paused = true;
            }
            Step::Hold { duration_s } => {
                t_s += duration_s;
                waited_s += duration_s;
                if let Some(last) = sounds.last_mut() {
                    last.length_s += duration_s;
                }
            }
            Step::Extra {
                midi,
                duration_s,
                tongued,
            } => {
                extras_after.push((sounds.len(), midi, duration_s, tongued));
            }
            Step::Note { index, .. } | Step::Dropped { index, .. } => {
                if let Some(last) = last_index {
                    if index <= last {
                        restarts.push((sounds.len(), last, index));
                    } else if index > last + 2 {
                        // A single note passed over is missed, no skip.
                        skips.push((sounds.len(), last, index));
                    }
                }
                if waited_s > 0.0 && last_index.is_some_and(|last| index == last + 1) {
                    stops.push(Stop { index, waited_s });
                }
                waited_s = 0.0;
                reached[index] = true;
                let note = &notes[index];
                let goes_on = next_index == Some(index + 1);
                let quarters = if goes_on {
                    notes[index + 1].at_quarters - note.at_quarters
                } else {
                    note.duration_quarters
                };
                let mut stretch = if note.fermata {
                    manner.fermata_stretch
                } else {
                    1.0
                };
                let phrase_end = note.bar_idx % 4 == 3
                    && notes
                        .get(index + 1)
                        .is_none_or(|n| n.bar_idx != note.bar_idx);
                if phrase_end {
                    stretch *= manner.phrase_stretch;
                }
                let (b0, b1) = (qpm_at(played), qpm_at(played + quarters));
                let seconds = quarters * 60.0 * mean_inverse(b0, b1) * stretch;
                while next_beat < played + quarters - 1e-9 {
                    let share = (next_beat - played).max(0.0) / quarters;
                    beats_s.push(t_s + share * seconds);
                    next_beat += beat_quarters;
                }
                let mut onset_s = t_s
                    + manner.jitter_ms / 1000.0
                        * rng.normal().clamp(-2.5, 2.5)
                        * (seconds / 0.15).clamp(0.3, 1.0);
                let broken = paused || last_index.is_none_or(|last| index != last + 1);
                if let Step::Note { midi, .. } = *step {
                    if let Some(late) = manner.late_change
                        && sounds.last().is_some_and(|s| s.midi == late.from_midi)
                        && midi == late.to_midi
                        && rng.chance(late.share)
                    {
                        onset_s += late.late_ms / 1000.0;
                    }
                    if manner.limp_ms > 0.0 && index % 2 == 1 {
                        onset_s += manner.limp_ms / 1000.0;
                    }
                    if let Some(last) = sounds.last() {
                        onset_s = onset_s.max(last.onset_s + SHORTEST_S);
                    }
                    let after_gap = sounds
                        .last()
                        .is_some_and(|s| s.onset_s + s.length_s < onset_s - 0.15 * s.length_s);
                    let same_pitch = sounds.last().is_none_or(|s| s.midi == midi);
                    sounds.push(Sound {
                        index: Some(index),
                        midi,
                        onset_s,
                        length_s: seconds * note.duration_quarters
                            / quarters.max(note.duration_quarters),
                        tongued: !note.slur_in || broken || same_pitch || after_gap,
                        staccato: note.staccato,
                        cents: manner.intonation_cents * rng.normal().clamp(-2.0, 2.0),
                        blip: None,
                    });
                } else {
                    dropped.push(index);
                    if let (Step::Dropped { silent: false, .. }, Some(last)) =
                        (*step, sounds.last_mut())
                    {
                        last.length_s += seconds;
                    }
                }
                paused = false;
                t_s += seconds;
                played += quarters;
                last_index = Some(index);
            }
        }
    }

    let places = put_in_extras(&mut sounds, &extras_after);
    add_blips(&mut sounds, manner.blip_share, rng);
    let voice_notes = to_voice(&sounds, manner, rng);
    let end_s = voice_notes.last().map_or(t_s, |n| n.offset_s);
    let place_of = |(place, from, to): (usize, usize, usize)| {
        let place = places[place.min(places.len() - 1)];
        Jump { place, from, to }
    };
    Performance {
        onsets_s: sounds.iter().map(|s| s.onset_s).collect(),
        cents: sounds.iter().map(|s| Some(s.cents)).collect(),
        duration_s: end_s + manner.tail_s,
        voice_notes,
        beats_s,
        left_out: 0..0,
        line: notes.to_vec(),
        sounds,
        dropped,
        reached,
        restarts: restarts.into_iter().map(place_of).collect(),
        skips: skips.into_iter().map(place_of).collect(),
        stops,
        manner: manner.clone(),
        beat_quarters,
    }
}

/// A break in the order of the line; `place` is the first sound after it.
struct Jump {
    place: usize,
    from: usize,
    to: usize,
}

/// A wait before a note that goes on from the one before.
struct Stop {
    index: usize,
    waited_s: f64,
}

impl Performance {
    /// What was truly played: the last time each note of the line was played, and all else.
    pub fn truth(&self) -> Value {
        let shift = self.manner.transposed;
        let first = self.reached.iter().position(|r| *r).unwrap_or(0);
        let last = self.reached.iter().rposition(|r| *r).unwrap_or(0);
        let entries: Vec<Value> = self
            .line
            .iter()
            .enumerate()
            .map(|(index, note)| {
                let place = self.sounds.iter().rposition(|s| s.index == Some(index));
                let unplayed = |outcome: &str| {
                    json!({"outcome": outcome, "onset": null, "midi": note.sounding_midi + shift, "cents": null, "slur_in": note.slur_in})
                };
                match place {
                    // Passed over by a skip forward: missed; before the first or after the last, or in a repeat not taken: not reached.
                    _ if index < first || index > last || self.left_out.contains(&index) => unplayed("not_reached"),
                    Some(place) if !self.dropped.contains(&index) => json!({
                        "outcome": if self.sounds[place].midi == note.sounding_midi { "right" } else { "wrong" },
                        "onset": self.onsets_s[place],
                        "midi": self.sounds[place].midi + shift,
                        "cents": self.cents[place],
                        "offset": self.voice_notes[place].offset_s,
                        "slur_in": !self.sounds[place].tongued,
                    }),
                    _ => unplayed("missed"),
                }
            })
            .collect();
        let sounded: Vec<Value> = self
            .sounds
            .iter()
            .enumerate()
            .map(|(place, s)| {
                json!({
                    "index": s.index,
                    "onset": self.onsets_s[place],
                    "offset": self.voice_notes[place].offset_s,
                    "midi": s.midi + shift,
                    "cents": self.cents[place],
                    "tongued": s.tongued,
                })
            })
            .collect();
        let added: Vec<Value> = sounded
            .iter()
            .filter(|s| s["index"].is_null())
            .map(|s| {
                let (onset, offset) = (s["onset"].as_f64(), s["offset"].as_f64());
                let duration = offset.zip(onset).map(|(end, start)| end - start);
                json!({"onset": onset, "midi": s["midi"], "duration": duration})
            })
            .collect();
        let blips: Vec<Value> = self
            .sounds
            .iter()
            .filter_map(|s| {
                s.blip
                    .map(|b| json!({"onset": s.onset_s, "midi": b.midi, "duration": b.duration_s}))
            })
            .collect();
        let jump = |jump: &Jump| {
            let at_s = match jump.place {
                0 => 0.0,
                place => self.voice_notes[place - 1].offset_s,
            };
            json!({"at_s": at_s, "from_index": jump.from, "to_index": jump.to, "repeat_left_out": self.left_out.contains(&(jump.from + 1))})
        };
        let stop = |stop: &Stop| json!({"to_index": stop.index, "waited_s": stop.waited_s});
        let manner = &self.manner;
        let mut truth = json!({
            "notes": entries,
            "added": added,
            "restarts": self.restarts.iter().map(jump).collect::<Vec<_>>(),
            "skips": self.skips.iter().map(jump).collect::<Vec<_>>(),
            "stops": self.stops.iter().map(stop).collect::<Vec<_>>(),
            "a4": manner.a4_hz,
            "transposed_semitones": shift,
            "beat_quarters": self.beat_quarters,
            "start_bpm": manner.start_qpm / self.beat_quarters,
            "end_bpm": manner.end_qpm / self.beat_quarters,
            "jitter_ms": manner.jitter_ms,
            "sounded": sounded,
            "blips": blips,
        });
        if let Some(late) = manner.late_change {
            truth["late_change"] = json!({"from_midi": late.from_midi, "to_midi": late.to_midi, "late_ms": late.late_ms, "share": late.share});
        }
        if manner.limp_ms > 0.0 {
            truth["limp_ms"] = json!(manner.limp_ms);
        }
        truth
    }
}

/// Mean of 1/b where b goes straight from `b0` to `b1`.
fn mean_inverse(b0: f64, b1: f64) -> f64 {
    if (b1 - b0).abs() < 1e-9 * b0 {
        1.0 / b0
    } else {
        (b1 / b0).ln() / (b1 - b0)
    }
}

fn quarters_played(notes: &[Note], steps: &[Step]) -> f64 {
    let indices: Vec<usize> = steps
        .iter()
        .filter_map(|s| match s {
            Step::Note { index, .. } | Step::Dropped { index, .. } => Some(*index),
            _ => None,
        })
        .collect();
    let mut total = 0.0;
    for pair in indices.windows(2) {
        total += if pair[1] == pair[0] + 1 {
            notes[pair[1]].at_quarters - notes[pair[0]].at_quarters
        } else {
            notes[pair[0]].duration_quarters
        };
    }
    total
}

/// Puts the added notes in, each ending where the next sound begins; gives the new place of each old one.
fn put_in_extras(sounds: &mut Vec<Sound>, extras: &[(usize, i32, f64, bool)]) -> Vec<usize> {
    let mut places: Vec<usize> = (0..=sounds.len()).collect();
    for (place, midi, duration_s, tongued) in extras {
        let at = places[*place];
        if at == 0 || at >= sounds.len() {
            continue;
        }
        let next_s = sounds[at].onset_s;
        let before = &mut sounds[at - 1];
        // The note before keeps its shortest length, and the added one its name.
        let duration_s = duration_s.min(next_s - before.onset_s - SHORTEST_S);
        if duration_s < ADDED_SHORTEST_S {
            continue;
        }
        let onset_s = next_s - duration_s;
        before.length_s = onset_s - before.onset_s;
        let extra = Sound {
            index: None,
            midi: *midi,
            onset_s,
            length_s: duration_s,
            tongued: *tongued || before.midi == *midi,
            staccato: false,
            cents: 0.0,
            blip: None,
        };
        sounds.insert(at, extra);
        if sounds[at + 1].midi == *midi {
            sounds[at + 1].tongued = true;
        }
        for p in &mut places[*place..] {
            *p += 1;
        }
    }
    places
}

fn add_blips(sounds: &mut [Sound], share: f64, rng: &mut Rng) {
    for place in 1..sounds.len() {
        let next_s = sounds.get(place + 1).map_or(f64::MAX, |s| s.onset_s);
        let (old, new) = (sounds[place - 1].midi, sounds[place].midi);
        let room_s = next_s - sounds[place].onset_s;
        // A single finger's change has no pitch in between; semitones mostly are one.
        if sounds[place].tongued || (new - old).abs() < 2 && rng.chance(0.7) || !rng.chance(share) {
            continue;
        }
        let duration_s = rng.between(0.010, 0.025).min(0.25 * room_s);
        if duration_s < 0.008 {
            continue;
        }
        let span = (new - old) as f64;
        // Mostly between the two, sometimes beyond either by up to three semitones.
        let mut midi = old as f64 + span * rng.between(0.2, 0.8);
        if rng.chance(0.3) || span.abs() < 2.0 {
            midi = if rng.chance(0.5) { old } else { new } as f64 + rng.between(-3.0, 3.0);
        }
        if (midi - old as f64).abs() < 0.6 || (midi - new as f64).abs() < 0.6 {
            continue;
        }
        sounds[place].blip = Some(Blip { midi, duration_s });
    }
}

fn to_voice(sounds: &[Sound], manner: &Manner, rng: &mut Rng) -> Vec<VoiceNote> {
    let shift = 12.0 * (manner.a4_hz / 440.0).log2() + manner.transposed as f64;
    let mut level_db: f64 = -3.0;
    sounds
        .iter()
        .enumerate()
        .map(|(place, sound)| {
            level_db = (0.8 * level_db + 0.2 * -4.0 + 1.2 * rng.normal()).clamp(-12.0, 0.0);
            let end_s = sound.onset_s + sound.length_s;
            let offset_s = match sounds.get(place + 1) {
                Some(next) if !next.tongued => next.onset_s,
                next => {
                    let next_s = next.map_or(f64::MAX, |n| n.onset_s);
                    let length_s = sound.length_s.min(next_s - sound.onset_s);
                    let gap_s = (0.0345 + 0.0058 * rng.normal())
                        .clamp(0.020, 0.050)
                        .min(0.45 * length_s);
                    if sound.staccato {
                        sound.onset_s + (length_s * rng.between(0.35, 0.55)).max(0.035)
                    } else if next_s - end_s < 0.04 {
                        next_s - gap_s
                    } else {
                        end_s * 1.0 - 0.02 * length_s
                    }
                }
            };
            VoiceNote {
                onset_s: sound.onset_s,
                offset_s,
                midi: sound.midi as f64 + sound.cents / 100.0 + shift,
                level_db: level_db + 0.5 * rng.normal(),
                tongued: sound.tongued || place == 0,
                blip: sound.blip.map(|b| Blip {
                    midi: b.midi + shift,
                    ..b
                }),
            }
        })
        .collect()
}
