//! JSON by the contracts `passagework.check/1` and `passagework.hear/1`.

use serde::Serialize;

use crate::hear::{HeardNote, Hearing};
use crate::judge::{Check, TakeHead};

/// A heard note is told from this confidence on; what is more doubtful stays inside.
pub const TOLD_CONFIDENCE: f64 = 0.5;

/// A check as one JSON object and a line feed.
pub fn check(check: &Check) -> String {
    pretty(check)
}

/// What was heard as one JSON object and a line feed.
pub fn hearing(hearing: &Hearing) -> String {
    pretty(&HearJson {
        schema: "passagework.hear/1",
        take: TakeHead::from(&hearing.recording),
        tuning: TuningJson {
            a4_hz: hearing.a4_hz,
            a4_hz_se: hearing.a4_hz_se,
        },
        notes: told(hearing)
            .map(|(note, midi, cents)| NoteJson {
                onset_s: note.onset_s,
                offset_s: note.offset_s,
                midi,
                cents,
                cents_sd: note.cents_sd,
                level_dbfs: note.level_dbfs,
                tongued: note.tongued,
                confidence: note.confidence,
            })
            .collect(),
    })
}

/// The notes sure enough to tell, each with its nearest sounding pitch at the take's tuning
/// and its distance from that in cents. What goes on of a note after a ripple, too doubtful to
/// be one of its own, belongs to it.
pub fn told(hearing: &Hearing) -> impl Iterator<Item = (HeardNote, i32, f64)> {
    let shift = if hearing.a4_hz > 0.0 {
        12.0 * (hearing.a4_hz / 440.0).log2()
    } else {
        0.0
    };
    let notes = hearing.notes.iter().enumerate();
    let told = notes.filter(|(_, n)| n.confidence >= TOLD_CONFIDENCE);
    told.map(move |(i, note)| {
        let doubtful = |n: &&HeardNote| n.confidence < TOLD_CONFIDENCE;
        let going_on = hearing.notes[i + 1..].iter().take_while(doubtful);
        let note = HeardNote {
            offset_s: note.sounding_until_s(going_on),
            ..note.clone()
        };
        let midi = (note.midi - shift).round();
        let cents = 100.0 * (note.midi - shift - midi);
        (note, midi as i32, cents)
    })
}

fn pretty(value: &impl Serialize) -> String {
    let mut text =
        serde_json::to_string_pretty(value).expect("numbers, text and lists have a JSON form");
    text.push('\n');
    text
}

#[derive(Serialize)]
struct HearJson {
    schema: &'static str,
    take: TakeHead,
    tuning: TuningJson,
    notes: Vec<NoteJson>,
}

#[derive(Serialize)]
struct TuningJson {
    a4_hz: f64,
    a4_hz_se: f64,
}

#[derive(Serialize)]
struct NoteJson {
    onset_s: f64,
    offset_s: f64,
    midi: i32,
    cents: f64,
    cents_sd: f64,
    level_dbfs: f64,
    tongued: bool,
    confidence: f64,
}
