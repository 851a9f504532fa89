//! Standard MIDI Files 1.0, formats 0 and 1 (and 2, each track by itself).
//!
//! Notes are sounding pitch; the instrument gives what the player reads. A channel is brought
//! to a single line: of notes that begin together the top one, a lower note within a longer one
//! left out, overlaps of legato playing cut at the next onset. Durations are as the ticks say.
//! The file knows no slurs: notes that touch prove nothing, so none is marked slurred.

use std::collections::BTreeMap;

use midly::{Format, MetaMessage, MidiMessage, Timing, TrackEventKind};

use super::instruments::{self, Instrument};
use super::read::LineError;
use super::score::{Measure, Part, Score, ScoreNote};
use super::spell::{ToSpell, spell_line, written_fifths};
use super::{Key, Problem, TempoMark};

/// Whether `content` is a MIDI file, bare or in a RIFF wrapper.
pub fn is_smf(content: &[u8]) -> bool {
    content.starts_with(b"MThd")
        || (content.starts_with(b"RIFF") && content.get(8..12) == Some(b"RMID".as_slice()))
}

/// Reads all parts, written for the `player`'s instrument, else for the one a track's name says.
pub fn read(content: &[u8], player: Option<&'static Instrument>) -> Result<Score, LineError> {
    let unreadable = |text: String| LineError::Unreadable {
        place: "MIDI header".into(),
        text,
    };
    if has_impossible_division(content) {
        return Err(unreadable(
            "a division of -128 frames a second: the file has no time".into(),
        ));
    }
    let (header, tracks) = midly::parse(content).map_err(|e| unreadable(e.to_string()))?;
    let mut problems = Vec::new();
    let mut read: Vec<Track> = Vec::new();
    for (i, events) in tracks.flatten().take(TRACKS_MAX).enumerate() {
        read.push(Track::read(i + 1, events, &mut problems));
    }
    if header.format == Format::Sequential {
        say(
            &mut problems,
            "file",
            "the tracks of a format 2 file are pieces of their own; --part chooses one",
        );
    }
    let shared = Conductor::gather(&read);
    let mut parts = Vec::new();
    for track in &read {
        let conductor = match header.format {
            Format::Sequential => Conductor::gather(std::slice::from_ref(track)),
            _ => shared.with_keys_of(track),
        };
        let clock = Clock::of(header.timing, &conductor).map_err(unreadable)?;
        for (&channel, notes) in &track.channels {
            if channel == DRUM_CHANNEL {
                say(&mut problems, "channel 10", "percussion is left out");
                continue;
            }
            let source = Source {
                track,
                channel,
                notes,
            };
            parts.push(part_of(&source, &conductor, clock, player));
        }
    }
    if matches!(header.timing, Timing::Timecode(..)) {
        say(
            &mut problems,
            "MIDI header",
            "time is counted in film frames; beats follow from the first tempo",
        );
    }
    if !parts.is_empty() {
        say(
            &mut problems,
            "file",
            "MIDI does not say how notes are spelled (F## or G), slurred or tongued: spelling follows the key",
        );
    }
    let title = read
        .iter()
        .find(|t| {
            !t.name.is_empty() && (t.channels.is_empty() || header.format == Format::SingleTrack)
        })
        .map(|t| t.name.clone())
        .unwrap_or_default();
    Ok(Score {
        title,
        parts,
        problems,
    })
}

/// A header, the first or a stray second one, whose division byte is −128: midly 0.5.3 negates
/// it and would overflow.
fn has_impossible_division(content: &[u8]) -> bool {
    content
        .windows(13)
        .any(|w| w.starts_with(b"MThd") && w[12] == 0x80)
}

/// MIDI channel 10, counted from 0: percussion in General MIDI.
const DRUM_CHANNEL: u8 = 9;
/// More tracks, notes of a track or bars than any étude has: the file is read no further.
const TRACKS_MAX: usize = 256;
const NOTES_MAX: usize = 100_000;
const BARS_MAX: usize = 20_000;
/// Notes that begin within this of each other and overlap are a chord: half a 1/96 note, far
/// below the shortest grace note.
const TOGETHER_QUARTERS: f64 = 1.0 / 48.0;

fn say(problems: &mut Vec<Problem>, place: &str, text: impl Into<String>) {
    let text = text.into();
    if problems.len() < 100 && !problems.iter().any(|p| p.place == place && p.text == text) {
        problems.push(Problem {
            place: place.into(),
            text,
        });
    }
}

/// A key on the keyboard held down: ticks, MIDI number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Held {
    on: u64,
    off: u64,
    midi: i32,
}

/// What one track holds.
#[derive(Default)]
struct Track {
    number: usize,
    name: String,
    instrument_name: String,
    channels: BTreeMap<u8, Vec<Held>>,
    /// First program of each channel, 0 to 127.
    programs: BTreeMap<u8, u8>,
    /// Ticks with numerator and denominator; with fifths and minor; with microseconds a quarter.
    metres: Vec<(u64, u32, u32)>,
    keys: Vec<(u64, i32, bool)>,
    tempos: Vec<(u64, u32)>,
}

impl Track {
    fn read(number: usize, events: midly::EventIter<'_>, problems: &mut Vec<Problem>) -> Track {
        let mut track = Track {
            number,
            ..Track::default()
        };
        let place = format!("track {number}");
        let mut sounding: BTreeMap<(u8, u8), u64> = BTreeMap::new();
        let mut tick: u64 = 0;
        let mut ended = false;
        let mut n_notes = 0;
        for event in events.flatten() {
            tick += event.delta.as_int() as u64;
            match event.kind {
                TrackEventKind::Midi { channel, message } => {
                    let channel = channel.as_int();
                    match message {
                        MidiMessage::NoteOn { key, vel } => {
                            track.release(&mut sounding, channel, key.as_int(), tick);
                            if vel.as_int() > 0 {
                                sounding.insert((channel, key.as_int()), tick);
                                n_notes += 1;
                            }
                        }
                        MidiMessage::NoteOff { key, .. } => {
                            track.release(&mut sounding, channel, key.as_int(), tick);
                        }
                        MidiMessage::ProgramChange { program } => {
                            track.programs.entry(channel).or_insert(program.as_int());
                        }
                        _ => {}
                    }
                }
                TrackEventKind::Meta(meta) => match meta {
                    MetaMessage::EndOfTrack => {
                        ended = true;
                        break;
                    }
                    meta => track.meta(meta, tick, &place, problems),
                },
                _ => {}
            }
            if n_notes > NOTES_MAX {
                say(
                    problems,
                    &place,
                    format!("more than {NOTES_MAX} notes; the rest is left out"),
                );
                ended = true;
                break;
            }
        }
        if !ended {
            say(
                problems,
                &place,
                "the track breaks off before its end; it is read as far as it goes",
            );
        }
        if !sounding.is_empty() {
            say(
                problems,
                &place,
                format!(
                    "{} notes are never let go; they end with the track",
                    sounding.len()
                ),
            );
        }
        for (channel, key) in sounding.keys().copied().collect::<Vec<_>>() {
            track.release(&mut sounding, channel, key, tick);
        }
        for notes in track.channels.values_mut() {
            notes.sort_by_key(|n| (n.on, n.midi));
        }
        track
    }

    fn release(&mut self, sounding: &mut BTreeMap<(u8, u8), u64>, channel: u8, key: u8, tick: u64) {
        if let Some(on) = sounding.remove(&(channel, key)) {
            self.channels.entry(channel).or_default().push(Held {
                on,
                off: tick,
                midi: key as i32,
            });
        }
    }

    fn meta(&mut self, meta: MetaMessage<'_>, tick: u64, place: &str, problems: &mut Vec<Problem>) {
        match meta {
            MetaMessage::TrackName(name) if self.name.is_empty() => self.name = text_of(name),
            MetaMessage::InstrumentName(name) if self.instrument_name.is_empty() => {
                self.instrument_name = text_of(name);
            }
            // The denominator is a power of two: nn, dd, clocks a beat, 32nds a quarter.
            MetaMessage::TimeSignature(over, power, _, _) => {
                if (1..=64).contains(&over) && power <= 6 {
                    self.metres.push((tick, over as u32, 1 << power));
                } else {
                    say(
                        problems,
                        place,
                        format!("a metre of {over}/2^{power} cannot be and is left out"),
                    );
                }
            }
            MetaMessage::KeySignature(fifths, minor) => {
                if (-7..=7).contains(&fifths) {
                    self.keys.push((tick, fifths as i32, minor));
                } else {
                    say(
                        problems,
                        place,
                        format!("a key of {fifths} sharps cannot be and is left out"),
                    );
                }
            }
            MetaMessage::Tempo(micros) if micros.as_int() > 0 => {
                self.tempos.push((tick, micros.as_int()))
            }
            _ => {}
        }
    }
}

fn text_of(bytes: &[u8]) -> String {
    let bytes = &bytes[..bytes.len().min(200)];
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_string(),
        Err(_) => bytes.iter().map(|&b| b as char).collect(),
    };
    let text: String = text.chars().filter(|c| !c.is_control()).collect();
    text.trim().to_string()
}

/// Metre, key and tempo changes, in order of time.
#[derive(Clone, Default)]
struct Conductor {
    metres: Vec<(u64, u32, u32)>,
    keys: Vec<(u64, i32, bool)>,
    tempos: Vec<(u64, u32)>,
}

impl Conductor {
    fn gather(tracks: &[Track]) -> Conductor {
        let mut all = Conductor::default();
        for track in tracks {
            all.metres.extend(&track.metres);
            all.keys.extend(&track.keys);
            all.tempos.extend(&track.tempos);
        }
        all.metres.sort();
        all.metres.dedup();
        all.keys.sort_by_key(|k| k.0);
        all.tempos.sort_by_key(|t| t.0);
        all
    }

    /// A track with key signatures of its own goes by those.
    fn with_keys_of(&self, track: &Track) -> Conductor {
        let mut own = self.clone();
        if !track.keys.is_empty() {
            own.keys = track.keys.clone();
        }
        own
    }
}

/// How ticks become quarters.
#[derive(Clone, Copy)]
struct Clock {
    ticks_per_quarter: f64,
}

impl Clock {
    fn of(timing: Timing, conductor: &Conductor) -> Result<Clock, String> {
        let ticks_per_quarter = match timing {
            Timing::Metrical(ticks) => ticks.as_int() as f64,
            Timing::Timecode(fps, subframes) => {
                let micros = conductor
                    .tempos
                    .first()
                    .map_or(DEFAULT_MICROS_PER_QUARTER, |t| t.1);
                fps.as_f32() as f64 * subframes as f64 * micros as f64 / 1e6
            }
        };
        if ticks_per_quarter > 0.0 {
            Ok(Clock { ticks_per_quarter })
        } else {
            Err("a quarter of 0 ticks: the file has no time".into())
        }
    }

    fn quarters(&self, ticks: u64) -> f64 {
        ticks as f64 / self.ticks_per_quarter
    }
}

/// Tempo where the file says none: 120 quarters a minute (SMF 1.0).
const DEFAULT_MICROS_PER_QUARTER: u32 = 500_000;

/// The notes of one channel of one track.
struct Source<'a> {
    track: &'a Track,
    channel: u8,
    notes: &'a [Held],
}

impl Source<'_> {
    fn name(&self) -> String {
        let base = [&self.track.name, &self.track.instrument_name]
            .into_iter()
            .find(|n| !n.is_empty())
            .cloned()
            .unwrap_or_else(|| format!("Track {}", self.track.number));
        match self.track.channels.len() {
            1 => base,
            _ => format!("{base}, channel {}", self.channel + 1),
        }
    }
}

fn part_of(
    source: &Source<'_>,
    conductor: &Conductor,
    clock: Clock,
    player: Option<&'static Instrument>,
) -> Part {
    let name = source.name();
    let mut problems = Vec::new();
    let hints = [
        source.track.name.as_str(),
        source.track.instrument_name.as_str(),
    ];
    let instrument = player.or_else(|| instruments::from_hints(hints, None));
    if instrument.is_none() && source.track.programs.get(&source.channel) == Some(&CLARINET_PROGRAM)
    {
        say(
            &mut problems,
            &name,
            "a clarinet plays but the file does not say which: pitches are as they sound; --instrument clarinet-bb writes them for the player",
        );
    }
    let transpose = instrument.map_or(0, |i| i.transpose_semitones);
    let notes = single_line(source.notes, clock, &name, &mut problems);
    let keys: Vec<(f64, i32, bool)> = conductor
        .keys
        .iter()
        .map(|&(tick, fifths, minor)| {
            (
                clock.quarters(tick),
                written_fifths(fifths, transpose),
                minor,
            )
        })
        .collect();
    if keys.is_empty() {
        say(&mut problems, &name, "no key signature; C major is taken");
    }
    let bars = bars_of(conductor, clock, &notes, &name, &mut problems);
    let measures = fill(&bars, &notes, &keys, transpose, &name, &mut problems);
    let first_beat = bars.first().map_or(1.0, |b| b.beat_quarters);
    let (_, fifths, minor) = key_at(&keys, notes.first().map_or(0.0, |n| n.at_quarters));
    Part {
        name,
        instrument: instrument.map(|i| i.name.to_string()),
        problems,
        transpose_semitones: Some(transpose),
        key: Key {
            fifths,
            mode: if minor { "minor" } else { "major" }.into(),
        },
        tempo: conductor.tempos.first().map(|&(_, micros)| TempoMark {
            beat_quarters: first_beat,
            // Whole microseconds cannot say 140 exactly; a thousandth is finer than any mark.
            bpm: (60e9 / micros as f64 / first_beat).round() / 1e3,
        }),
        measures,
        ..Part::default()
    }
}

/// General MIDI program 72, counted from 0.
const CLARINET_PROGRAM: u8 = 71;

/// The key in force at a place: the last one before it, the first of all before that, else C major.
fn key_at(keys: &[(f64, i32, bool)], at_quarters: f64) -> (f64, i32, bool) {
    let next = keys.partition_point(|k| k.0 <= at_quarters + 1e-6);
    keys.get(next.saturating_sub(1))
        .copied()
        .unwrap_or((0.0, 0, false))
}

/// A note of the single line, sounding pitch.
struct Single {
    at_quarters: f64,
    duration_quarters: f64,
    midi: i32,
}

fn single_line(
    held: &[Held],
    clock: Clock,
    name: &str,
    problems: &mut Vec<Problem>,
) -> Vec<Single> {
    let together = (TOGETHER_QUARTERS * clock.ticks_per_quarter) as u64;
    let mut line: Vec<Held> = Vec::new();
    let (mut n_chords, mut n_under) = (0, 0);
    for &note in held {
        // No key is down for no time at all.
        let mut note = Held {
            off: note.off.max(note.on + 1),
            ..note
        };
        if let Some(last) = line.last_mut() {
            if note.on <= last.on + together && note.on < last.off {
                n_chords += 1;
                if note.midi > last.midi {
                    note.on = last.on;
                    *last = note;
                }
                continue;
            }
            if note.off <= last.off && note.midi < last.midi {
                n_under += 1;
                continue;
            }
            last.off = last.off.min(note.on);
        }
        line.push(note);
    }
    if n_chords > 0 {
        say(
            problems,
            name,
            format!("chords: the top note is taken, {n_chords} notes below are left out"),
        );
    }
    if n_under > 0 {
        say(
            problems,
            name,
            format!("{n_under} notes within longer higher ones are left out"),
        );
    }
    line.iter()
        .map(|n| Single {
            at_quarters: clock.quarters(n.on),
            duration_quarters: clock.quarters(n.off - n.on),
            midi: n.midi,
        })
        .collect()
}

struct BarShape {
    at_quarters: f64,
    length_quarters: f64,
    full_quarters: f64,
    beat_quarters: f64,
}

/// Bars from the metres, up to the last note; a change of metre inside a bar cuts it there.
fn bars_of(
    conductor: &Conductor,
    clock: Clock,
    notes: &[Single],
    name: &str,
    problems: &mut Vec<Problem>,
) -> Vec<BarShape> {
    let end = notes
        .iter()
        .map(|n| n.at_quarters + n.duration_quarters)
        .fold(0.0, f64::max);
    let changes: Vec<(f64, u32, u32)> = conductor
        .metres
        .iter()
        .map(|&(tick, over, under)| (clock.quarters(tick), over, under))
        .collect();
    let mut bars: Vec<BarShape> = Vec::new();
    let mut at = 0.0;
    // Where the file says no metre: 4/4 (SMF 1.0).
    let mut metre = (4, 4);
    let mut next_change = 0;
    while at < end - 1e-6 {
        while let Some(&(_, over, under)) = changes.get(next_change).filter(|c| c.0 <= at + 1e-6) {
            metre = (over, under);
            next_change += 1;
        }
        let unit = 4.0 / metre.1 as f64;
        let full = metre.0 as f64 * unit;
        let cut = changes.get(next_change).map_or(f64::INFINITY, |c| c.0 - at);
        let compound = metre.1 == 8 && matches!(metre.0, 6 | 9 | 12);
        bars.push(BarShape {
            at_quarters: at,
            length_quarters: full.min(cut),
            full_quarters: full,
            beat_quarters: if compound { 3.0 * unit } else { unit },
        });
        at += full.min(cut);
        if bars.len() >= BARS_MAX {
            say(
                problems,
                name,
                format!("more than {BARS_MAX} bars; the rest is left out"),
            );
            break;
        }
    }
    bars
}

/// Bars with their notes, spelled for the player.
fn fill(
    bars: &[BarShape],
    notes: &[Single],
    keys: &[(f64, i32, bool)],
    transpose: i32,
    name: &str,
    problems: &mut Vec<Problem>,
) -> Vec<Measure> {
    let to_spell: Vec<ToSpell> = notes
        .iter()
        .map(|n| {
            let (_, fifths, minor) = key_at(keys, n.at_quarters);
            let midi = n.midi - transpose;
            ToSpell {
                midi,
                fifths,
                minor,
            }
        })
        .collect();
    let spellings = spell_line(&to_spell);
    let mut measures: Vec<Measure> = bars
        .iter()
        .enumerate()
        .map(|(i, bar)| Measure {
            number: (i + 1).to_string(),
            length_quarters: bar.length_quarters,
            beat_quarters: bar.beat_quarters,
            first_beat: 1.0,
            full_quarters: Some(bar.full_quarters),
            fifths: key_at(keys, bar.at_quarters).1,
            ..Measure::default()
        })
        .collect();
    for (note, pitch) in notes.iter().zip(spellings) {
        let bar = bars
            .partition_point(|b| b.at_quarters <= note.at_quarters + 1e-6)
            .saturating_sub(1);
        let inside = bars
            .get(bar)
            .is_some_and(|b| note.at_quarters < b.at_quarters + b.length_quarters + 1e-6);
        if !inside {
            continue;
        }
        if !(0..=127).contains(&pitch.midi()) {
            say(
                problems,
                name,
                "notes outside the MIDI range once written for the instrument are left out",
            );
            continue;
        }
        measures[bar].notes.push(ScoreNote {
            at_quarters: (note.at_quarters - bars[bar].at_quarters).max(0.0),
            duration_quarters: note.duration_quarters,
            pitch,
            transpose_semitones: None,
            grace: false,
            tie_start: false,
            tie_stop: false,
            slurred: false,
            articulations: Vec::new(),
            ornament: None,
            fermata: false,
            breath_after: false,
            dynamic: None,
            time_only: Vec::new(),
            source: None,
        });
    }
    measures
}
