//! A line played as written: notes for the built-in voice, in strict time.

use crate::line::{Articulation, Line, TempoMark};
use crate::sound::voice::{Timbre, VoiceNote};

/// Tempo where neither file nor player says one, quarters a minute.
pub const UNSAID_QPM: f64 = 80.0;
/// The tongue rests on the reed before the next note, seconds (Hofmann, Goebl, Weilguni, Mayer and
/// Smetana, ICMPC 2012: 34.5 ms on average).
const TONGUE_S: f64 = 0.0345;
/// Sounding share of a staccato note, and the shortest sound: common practice, about half.
const STACCATO_SHARE: f64 = 0.55;
const SHORTEST_S: f64 = 0.05;
/// A grace note lasts as long as it does between quick fingers, seconds, and never more than this
/// share of the note it is taken from.
const GRACE_S: f64 = 0.08;
const GRACE_SHARE_MAX: f64 = 0.5;
/// A note with a fermata lasts this much longer.
const FERMATA_TIMES: f64 = 1.75;
/// Silence before the first note and after the last, seconds.
pub const LEAD_S: f64 = 0.6;
const TAIL_S: f64 = 0.8;
const PLAIN_DB: f64 = -4.0;
const ACCENT_DB: f64 = 3.0;

/// A line on a clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Performance {
    /// One a note of the line; a grace note takes its time from the note before.
    pub notes: Vec<VoiceNote>,
    pub duration_s: f64,
    /// Seconds of every beat of every bar from the first note's bar on: what a click sounds on;
    /// true for a bar's first.
    pub beats: Vec<(f64, bool)>,
}

/// The tempo of a line in quarters a minute.
pub fn qpm_of(line: &Line) -> f64 {
    line.tempo
        .map_or(UNSAID_QPM, |TempoMark { beat_quarters, bpm }| {
            beat_quarters * bpm
        })
}

/// Plays the notes of the line at `qpm` quarters a minute.
pub fn perform(line: &Line, qpm: f64) -> Performance {
    let quarter_s = 60.0 / qpm;
    let clock = Clock::new(line, quarter_s);
    let mut onsets: Vec<f64> = line
        .notes
        .iter()
        .map(|n| clock.at_s(n.onset_quarters))
        .collect();
    place_graces(line, &mut onsets, quarter_s);
    let mut notes: Vec<VoiceNote> = Vec::with_capacity(line.notes.len());
    for (i, note) in line.notes.iter().enumerate() {
        let next_s = onsets.get(i + 1).copied();
        let written_end_s = clock.at_s(note.onset_quarters + note.duration_quarters);
        let end_s = match note.grace {
            true => next_s.unwrap_or(onsets[i] + GRACE_S),
            false => next_s.map_or(written_end_s, |next| next.min(written_end_s)),
        };
        let slurs_on = line.notes.get(i + 1).is_some_and(|n| n.slurred)
            && next_s.is_some_and(|next| next - end_s < 1e-6);
        let length_s = end_s - onsets[i];
        let has = |a: Articulation| note.articulations.contains(&a);
        let sounding_s = if slurs_on {
            length_s
        } else if has(Articulation::Staccato) || has(Articulation::Staccatissimo) {
            STACCATO_SHARE * length_s
        } else {
            length_s - TONGUE_S.min(0.4 * length_s)
        };
        let shortest_s = SHORTEST_S.min(length_s);
        let accented = has(Articulation::Accent) || has(Articulation::StrongAccent);
        notes.push(VoiceNote {
            onset_s: onsets[i],
            offset_s: onsets[i] + sounding_s.max(shortest_s),
            midi: f64::from(note.sounding_midi),
            level_db: PLAIN_DB + if accented { ACCENT_DB } else { 0.0 },
            tongued: !(note.slurred && i > 0 && slurred_into(line, i)),
            blip: None,
        });
    }
    let end_s = notes.last().map_or(LEAD_S, |n| n.offset_s);
    Performance {
        notes,
        duration_s: end_s + TAIL_S,
        beats: clock.beats(line),
    }
}

/// Whether the sound goes on from the note before: slurred, and no rest between.
fn slurred_into(line: &Line, i: usize) -> bool {
    let before = &line.notes[i - 1];
    before.grace
        || line.notes[i].onset_quarters - before.onset_quarters - before.duration_quarters < 1e-3
}

/// Grace notes stand before the beat of their main note, in time taken from the note before.
fn place_graces(line: &Line, onsets: &mut [f64], quarter_s: f64) {
    let mut end = onsets.len();
    while end > 0 {
        let i = end - 1;
        if !line.notes[i].grace {
            end = i;
            continue;
        }
        let first = (0..=i)
            .rev()
            .take_while(|&k| line.notes[k].grace)
            .last()
            .unwrap_or(i);
        let n = (i + 1 - first) as f64;
        let main_s = onsets[i];
        let room_s = match first.checked_sub(1) {
            Some(before) => GRACE_SHARE_MAX * (main_s - onsets[before]),
            None => GRACE_SHARE_MAX * quarter_s.min(LEAD_S),
        };
        let each_s = GRACE_S.min(room_s / n);
        for (k, onset) in onsets[first..=i].iter_mut().enumerate() {
            *onset = main_s - each_s * (n - k as f64);
        }
        end = first;
    }
}

/// Score time to seconds, with fermatas held.
struct Clock {
    first_quarters: f64,
    quarter_s: f64,
    /// Ends of notes with a fermata, and what each adds, seconds.
    held: Vec<(f64, f64)>,
}

impl Clock {
    fn new(line: &Line, quarter_s: f64) -> Clock {
        let held = line
            .notes
            .iter()
            .filter(|n| n.fermata)
            .map(|n| {
                let end = n.onset_quarters + n.duration_quarters;
                (end, (FERMATA_TIMES - 1.0) * n.duration_quarters * quarter_s)
            })
            .collect();
        Clock {
            first_quarters: line.notes.first().map_or(0.0, |n| n.onset_quarters),
            quarter_s,
            held,
        }
    }

    fn at_s(&self, quarters: f64) -> f64 {
        let added: f64 = self
            .held
            .iter()
            .filter(|(end, _)| *end <= quarters + 1e-9)
            .map(|(_, s)| s)
            .sum();
        LEAD_S + (quarters - self.first_quarters) * self.quarter_s + added
    }

    fn beats(&self, line: &Line) -> Vec<(f64, bool)> {
        let mut beats = Vec::new();
        for bar in &line.bars {
            let first = bar.first_beat.ceil() as i64;
            let end = bar.first_beat + bar.length_quarters / bar.beat_quarters - 1e-6;
            for beat in first.. {
                if beat as f64 >= end {
                    break;
                }
                let quarters =
                    bar.onset_quarters + (beat as f64 - bar.first_beat) * bar.beat_quarters;
                if quarters >= self.first_quarters - 1e-9 {
                    beats.push((self.at_s(quarters), beat == 1));
                }
            }
        }
        beats
    }
}

/// The built-in voice's timbre for an instrument of the table.
pub fn timbre_of(instrument: &str) -> Timbre {
    match instrument {
        i if i.ends_with("sax") => Timbre::Saxophone,
        "oboe" | "english-horn" | "bassoon" | "contrabassoon" => Timbre::DoubleReed,
        i if i.ends_with("flute") || i.ends_with("recorder") || i == "piccolo" => Timbre::Flute,
        _ => Timbre::Clarinet,
    }
}
