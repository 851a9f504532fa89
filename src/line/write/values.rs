//! Note values: how a stretch of time is written with values, dots, ties and tuplets.

use super::page::Event;

/// Time within a bar. A quarter divides into 1024ths and into every tuplet up to 16 of them.
pub type Ticks = i64;
/// 2⁸ · 3² · 5 · 7 · 11 · 13.
pub const TICKS_PER_QUARTER: Ticks = 256 * 9 * 5 * 7 * 11 * 13;
/// The shortest value, a 1024th; times on its multiples need no tuplet.
const SHORTEST: Ticks = TICKS_PER_QUARTER / 256;
/// The longest plain value, a breve.
const LONGEST: Ticks = 8 * TICKS_PER_QUARTER;

/// A plain value with its dots.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Value {
    /// Of the undotted value.
    pub ticks: Ticks,
    pub dots: usize,
}

impl Value {
    /// MusicXML 4.0, `note-type-value`.
    pub fn name(self) -> &'static str {
        const NAMES: [&str; 12] = [
            "breve", "whole", "half", "quarter", "eighth", "16th", "32nd", "64th", "128th",
            "256th", "512th", "1024th",
        ];
        let mut place = 0;
        while place + 1 < NAMES.len() && (LONGEST >> place) > self.ticks {
            place += 1;
        }
        NAMES[place]
    }

    /// How many flags or beams it has.
    pub fn flags(self) -> usize {
        let mut flags = 0;
        while (TICKS_PER_QUARTER >> flags) > self.ticks {
            flags += 1;
        }
        flags
    }
}

/// `actual` notes in the time of `normal` ones of a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tuplet {
    pub actual: i64,
    pub normal: i64,
    pub value: Value,
    pub starts: bool,
    pub stops: bool,
}

/// One notehead, or one rest.
#[derive(Clone, Debug)]
pub struct Piece {
    /// From the bar's start.
    pub at: Ticks,
    pub length: Ticks,
    /// Index of the note; `None` for a rest.
    pub index: Option<usize>,
    pub id: String,
    pub is_grace: bool,
    /// The first of its event, and of its note.
    pub event_first: bool,
    pub note_first: bool,
    pub tied_on: bool,
    pub value: Value,
    pub tuplet: Option<Tuplet>,
}

impl Piece {
    pub fn grace(event: &Event) -> Piece {
        Piece {
            at: event.at,
            length: 0,
            index: event.index,
            id: String::new(),
            is_grace: true,
            event_first: true,
            note_first: true,
            tied_on: false,
            value: Value {
                ticks: TICKS_PER_QUARTER / 2,
                dots: 0,
            },
            tuplet: None,
        }
    }
}

/// Writes a bar's events, which follow each other without gaps.
///
/// `origin` is where in the full bar the first begins (a pickup's is late), `beat` the metre's.
pub fn notate(events: &[&Event], origin: Ticks, beat: Ticks) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let mut rest = events.iter().map(|&e| e.clone()).collect::<Vec<_>>();
    let mut done = 0;
    while done < rest.len() {
        match span_at(&rest[done..], origin, beat) {
            Some(span) if span.start <= rest[done].at => {
                let within = take_until(&mut rest, done, span.end);
                write_tuplet(&within, span, &mut pieces);
                done += within.len();
            }
            // Plain values up to the tuplet, which may begin inside this event.
            Some(span) => {
                let within = take_until(&mut rest, done, span.start);
                for event in &within {
                    write_plain(event, origin, beat, &mut pieces);
                }
                done += within.len();
            }
            None => {
                for event in &rest[done..] {
                    write_plain(event, origin, beat, &mut pieces);
                }
                done = rest.len();
            }
        }
    }
    pieces
}

/// The events from `done` up to time `end`; one that reaches beyond is cut in two.
fn take_until(rest: &mut Vec<Event>, done: usize, end: Ticks) -> Vec<Event> {
    let mut last = done;
    while last < rest.len() && rest[last].at < end {
        last += 1;
    }
    let event = &mut rest[last - 1];
    if event.end > end {
        let second = Event {
            at: end,
            first: false,
            ..event.clone()
        };
        event.end = end;
        event.goes_on = event.index.is_some();
        rest.insert(last, second);
    }
    rest[done..last].to_vec()
}

/// A stretch written as one tuplet, from the bar's start.
#[derive(Clone, Copy, Debug)]
struct Span {
    start: Ticks,
    end: Ticks,
    actual: i64,
    normal: i64,
}

/// The first tuplet among the events: the smallest stretch on the beats' own subdivision that
/// holds the first time no plain value reaches, and that no note crosses if that can be.
fn span_at(events: &[Event], origin: Ticks, beat: Ticks) -> Option<Span> {
    let (from, to) = (events.first()?.at, events.last()?.end);
    let plain = |t: Ticks| (t + origin) % SHORTEST == 0;
    let odd = events
        .iter()
        .flat_map(|e| [e.at, e.end])
        .find(|&t| !plain(t))?;
    let dotted = is_dotted(beat);
    let mut lengths: Vec<Ticks> = vec![
        TICKS_PER_QUARTER / 4,
        TICKS_PER_QUARTER / 2,
        TICKS_PER_QUARTER,
        2 * TICKS_PER_QUARTER,
        4 * TICKS_PER_QUARTER,
    ];
    if dotted {
        lengths = vec![beat / 6, beat / 3, beat / 2, beat, 2 * beat, 4 * beat];
    }
    let candidate = |length: Ticks| {
        let start = (odd + origin).div_euclid(length) * length - origin;
        let span = (start, start + length);
        (span.0 >= from && span.1 <= to).then_some(span)
    };
    let crossed = |(start, end): (Ticks, Ticks)| {
        events
            .iter()
            .any(|e| [start, end].iter().any(|&t| e.at < t && t < e.end))
    };
    let spans: Vec<(Ticks, Ticks)> = lengths.iter().filter_map(|&l| candidate(l)).collect();
    let best = spans
        .iter()
        .copied()
        .filter(|&s| !crossed(s))
        .chain(spans.iter().copied())
        .find(|&s| ratio(events, s, dotted).is_some())?;
    // Six equal notes in a beat are one group, not two of three.
    let six = spans.iter().copied().find(|&(start, end)| {
        end - start == 2 * (best.1 - best.0)
            && !crossed((start, end))
            && inside(events, (start, end)).all(|e| 6 * (e.end - e.at) == end - start)
    });
    let chosen = six.unwrap_or(best);
    let (actual, normal) = ratio(events, chosen, dotted)?;
    Some(Span {
        start: chosen.0,
        end: chosen.1,
        actual,
        normal,
    })
}

fn inside(events: &[Event], (start, end): (Ticks, Ticks)) -> impl Iterator<Item = &Event> {
    events.iter().filter(move |e| e.at < end && e.end > start)
}

/// How many notes in the time of how many the stretch is written as.
fn ratio(events: &[Event], span: (Ticks, Ticks), dotted: bool) -> Option<(i64, i64)> {
    /// Tuplets in the time of a plain value, and of a dotted one.
    const PLAIN: [i64; 8] = [3, 5, 7, 9, 11, 13, 10, 14];
    const DOTTED: [i64; 6] = [2, 4, 5, 7, 11, 13];
    let length = span.1 - span.0;
    let three = dotted && length % (3 * SHORTEST) == 0 && is_plain(length / 3);
    let counts: &[i64] = if three { &DOTTED } else { &PLAIN };
    let times = || {
        inside(events, span)
            .flat_map(|e| [e.at, e.end])
            .map(|t| t.clamp(span.0, span.1) - span.0)
    };
    // A unit may be halved three times more, and no further.
    let mut actual = *counts
        .iter()
        .find(|&&n| times().all(|t| (t * n * 8) % length == 0))?;
    let longest = inside(events, span)
        .map(|e| e.end.min(span.1) - e.at.max(span.0))
        .max()?;
    while longest * actual * 2 <= length && actual < 8 {
        actual *= 2;
    }
    let mut normal = if three { 3 } else { 1 };
    while normal * 2 < actual || (three && actual > 4 && normal * 2 <= actual) {
        normal *= 2;
    }
    // A unit shorter than any value cannot be written.
    (length % normal == 0 && length / normal >= SHORTEST).then_some((actual, normal))
}

/// Whether `ticks` is a plain value.
fn is_plain(ticks: Ticks) -> bool {
    ticks >= SHORTEST && ticks % SHORTEST == 0 && (ticks / SHORTEST).count_ones() == 1
}

/// Whether a beat is three plain values long.
fn is_dotted(beat: Ticks) -> bool {
    beat % 3 == 0 && is_plain(beat / 3)
}

fn write_tuplet(events: &[Event], span: Span, pieces: &mut Vec<Piece>) {
    let first = pieces.len();
    let unit = Value {
        ticks: (span.end - span.start) / span.normal,
        dots: 0,
    };
    let tuplet = Tuplet {
        actual: span.actual,
        normal: span.normal,
        value: unit,
        starts: false,
        stops: false,
    };
    for event in events {
        // As it is written: from the tuplet's start, stretched.
        let stretch = |t: Ticks| (t - span.start) * span.actual / span.normal;
        let shrink = |t: Ticks| span.start + t * span.normal / span.actual;
        let parts = split(
            stretch(event.at),
            stretch(event.end),
            event.index.is_none(),
            0,
        );
        push_parts(event, &parts, shrink, Some(tuplet), pieces);
    }
    let last = pieces.len() - 1;
    if let Some(tuplet) = &mut pieces[first].tuplet {
        tuplet.starts = true;
    }
    if let Some(tuplet) = &mut pieces[last].tuplet {
        tuplet.stops = true;
    }
}

fn write_plain(event: &Event, origin: Ticks, beat: Ticks, pieces: &mut Vec<Piece>) {
    let (from, to) = (event.at + origin, event.end + origin);
    let parts = split(from, to, event.index.is_none(), beat);
    push_parts(event, &parts, |t| t - origin, None, pieces);
}

fn push_parts(
    event: &Event,
    parts: &[(Ticks, Ticks, Value)],
    real: impl Fn(Ticks) -> Ticks,
    tuplet: Option<Tuplet>,
    pieces: &mut Vec<Piece>,
) {
    for (i, &(from, to, value)) in parts.iter().enumerate() {
        let is_last = i + 1 == parts.len();
        pieces.push(Piece {
            at: real(from),
            length: real(to) - real(from),
            index: event.index,
            id: String::new(),
            is_grace: false,
            event_first: i == 0,
            note_first: i == 0 && event.first,
            tied_on: event.index.is_some() && (!is_last || event.goes_on),
            value,
            tuplet,
        });
    }
}

/// Cuts the stretch from `from` to `to` (from the full bar's start) into values: a note that is
/// one value stays one; else it is cut at the strongest place within. Rests keep to the beats.
fn split(from: Ticks, to: Ticks, is_rest: bool, beat: Ticks) -> Vec<(Ticks, Ticks, Value)> {
    let mut parts = Vec::new();
    let mut at = from;
    while at < to {
        let mut limit = to;
        let mut whole = value_of(to - at);
        if is_rest && is_dotted(beat) {
            // Beat by beat, a beat without notes by one rest.
            limit = to.min((at / beat + 1) * beat);
            whole = value_of(limit - at).filter(|v| limit - at == beat || v.dots == 0);
        } else if is_rest {
            whole = whole.filter(|v| v.dots == 0 && at % (to - at) == 0);
        }
        let end = match whole {
            Some(_) => limit,
            None => strongest_place(at, limit),
        };
        // Nothing fits free playing: the largest value below stands for it.
        let value = whole.or(value_of(end - at)).unwrap_or_else(|| {
            let mut ticks = LONGEST;
            while ticks > SHORTEST && ticks > end - at {
                ticks /= 2;
            }
            Value { ticks, dots: 0 }
        });
        parts.push((at, end, value));
        at = end;
    }
    parts
}

/// Where a stretch that is no single value is cut first: its inner time on the coarsest grid,
/// or as far as one value reaches.
fn strongest_place(from: Ticks, to: Ticks) -> Ticks {
    let mut grid = LONGEST;
    while grid >= SHORTEST {
        let place = (from / grid + 1) * grid;
        if place < to {
            if value_of(place - from).is_some() {
                return place;
            }
            return strongest_place(from, place);
        }
        grid /= 2;
    }
    to
}

/// The value that lasts exactly `ticks`, with up to two dots.
fn value_of(ticks: Ticks) -> Option<Value> {
    (0..=2).find_map(|dots| {
        // 1, 3/2, 7/4.
        let (over, under) = ((2 << dots) - 1, 1 << dots);
        let plain = ticks * under / over;
        (plain * over == ticks * under && is_plain(plain) && plain <= LONGEST)
            .then_some(Value { ticks: plain, dots })
    })
}
