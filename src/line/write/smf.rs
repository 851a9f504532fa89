//! A line as a Standard MIDI File (format 0), in playing order, at sounding pitch.
//!
//! What the format has no place for is lost: spelling, slurs, articulations, bar numbers.

use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

use crate::line::{Line, LineBar};

const TICKS_PER_QUARTER: f64 = 480.0;
/// A grace note sounds for so long before its main note, ticks: a 64th.
const GRACE_TICKS: u32 = 30;
const VELOCITY: u8 = 80;
/// Programmes of General MIDI level 1: clarinet, and what the other winds have.
const CLARINET: u8 = 71;

pub fn write(line: &Line) -> Vec<u8> {
    let name = line.title.as_bytes();
    let part = match crate::line::instruments::find(&line.instrument) {
        Some(instrument) => instrument.label.as_bytes(),
        None => line.part.as_bytes(),
    };
    let mut events: Vec<(u32, TrackEventKind)> = vec![
        (0, TrackEventKind::Meta(MetaMessage::TrackName(name))),
        (0, TrackEventKind::Meta(MetaMessage::InstrumentName(part))),
    ];
    if let Some(tempo) = line.tempo {
        let quarter_us = 60e6 / (tempo.bpm * tempo.beat_quarters);
        let quarter_us = u24::new((quarter_us.round() as u32).min(0xFF_FFFF));
        events.push((0, TrackEventKind::Meta(MetaMessage::Tempo(quarter_us))));
    }
    let minor = line.key.mode == "minor";
    let mut before: Option<&LineBar> = None;
    for bar in &line.bars {
        let at = ticks(bar.onset_quarters);
        if before.is_none_or(|b| metre(b) != metre(bar))
            && let Some((beats, power)) = metre(bar)
        {
            let metre = MetaMessage::TimeSignature(beats, power, 24, 8);
            events.push((at, TrackEventKind::Meta(metre)));
        }
        if before.is_none_or(|b| b.fifths != bar.fifths) {
            let fifths = sounding_fifths(bar.fifths, line.transpose_semitones);
            let key = MetaMessage::KeySignature(fifths as i8, minor);
            events.push((at, TrackEventKind::Meta(key)));
        }
        before = Some(bar);
    }
    let programme = MidiMessage::ProgramChange {
        program: u7::new(CLARINET),
    };
    events.push((0, on_channel(programme)));
    notes(line, &mut events);
    // What ends is told before what begins at the same moment.
    events.sort_by_key(|(at, kind)| (*at, rank(kind)));
    let mut track = Vec::with_capacity(events.len() + 1);
    let mut now = 0;
    for (at, kind) in events {
        track.push(TrackEvent {
            delta: u28::new(at - now),
            kind,
        });
        now = at;
    }
    let end = line.bars.last().map_or(now, |b| {
        ticks(b.onset_quarters + b.length_quarters).max(now)
    });
    track.push(TrackEvent {
        delta: u28::new(end - now),
        kind: TrackEventKind::Meta(MetaMessage::EndOfTrack),
    });
    let timing = Timing::Metrical(u15::new(TICKS_PER_QUARTER as u16));
    let mut smf = Smf::new(Header::new(Format::SingleTrack, timing));
    smf.tracks.push(track);
    let mut bytes = Vec::new();
    smf.write_std(&mut bytes)
        .expect("a list of bytes takes whatever is written");
    bytes
}

fn notes(line: &Line, events: &mut Vec<(u32, TrackEventKind<'_>)>) {
    let mut graces_after = 0;
    for note in line.notes.iter().rev() {
        // Beyond the keyboard of the format there is nothing to write.
        let Some(key) = u8::try_from(note.sounding_midi).ok().filter(|k| *k < 128) else {
            continue;
        };
        let mut from = ticks(note.onset_quarters);
        let mut to = ticks(note.onset_quarters + note.duration_quarters);
        if note.grace {
            graces_after += 1;
            from = from.saturating_sub(GRACE_TICKS * graces_after);
            to = from + GRACE_TICKS;
        } else {
            graces_after = 0;
        }
        let key = u7::new(key);
        let vel = u7::new(VELOCITY);
        events.push((from, on_channel(MidiMessage::NoteOn { key, vel })));
        let vel = u7::new(0);
        events.push((
            to.max(from + 1),
            on_channel(MidiMessage::NoteOff { key, vel }),
        ));
    }
}

fn on_channel<'a>(message: MidiMessage) -> TrackEventKind<'a> {
    TrackEventKind::Midi {
        channel: u4::new(0),
        message,
    }
}

fn rank(kind: &TrackEventKind) -> u8 {
    match kind {
        TrackEventKind::Meta(_) => 0,
        TrackEventKind::Midi {
            message: MidiMessage::NoteOn { .. },
            ..
        } => 2,
        _ => 1,
    }
}

fn ticks(quarters: f64) -> u32 {
    (quarters * TICKS_PER_QUARTER).round().max(0.0) as u32
}

/// Beats and the power of two of their value, from the metre's full bar and beat.
fn metre(bar: &LineBar) -> Option<(u8, u8)> {
    let full = bar.full_quarters?;
    let beat = bar.beat_quarters;
    let plain = |value: f64| (value.log2().fract()).abs() < 1e-9;
    let unit = if plain(beat) { beat } else { beat / 3.0 };
    if !plain(unit) {
        return None;
    }
    let beats = full / unit;
    (beats.fract().abs() < 1e-6 && beats < 256.0)
        .then(|| (beats as u8, (4.0 / unit).log2().round() as u8))
}

/// The signature of what sounds, with at most six sharps or flats.
fn sounding_fifths(written_fifths: i32, transpose_semitones: i32) -> i32 {
    if transpose_semitones % 12 == 0 {
        return written_fifths;
    }
    // A semitone up is seven fifths up, brought to the nearer side of the circle.
    (written_fifths + 7 * transpose_semitones + 6).rem_euclid(12) - 6
}
