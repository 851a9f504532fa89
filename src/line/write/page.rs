//! Bars filled with notes and the rests between them, each bar as often as it is written.

use super::Order;
use super::values::{Piece, TICKS_PER_QUARTER, Ticks, notate};
use crate::line::{Line, LineBar};

/// Times are moved by no more than this to a place that has a notation: two ticks of a
/// sequencer's 480 a quarter, an eighth of a 128th.
pub const SNAP_QUARTERS: f64 = 1.0 / 240.0;
/// A note that ends so little before the next is written to its start: the gate of a sequencer.
/// Rests of a 32nd and longer stay.
const GATE_QUARTERS: f64 = 0.12;
/// Parts of a quarter that notes are written on, the plainest first.
const PARTS: [u32; 20] = [
    1, 2, 4, 3, 8, 6, 16, 12, 5, 32, 10, 7, 24, 20, 9, 14, 64, 48, 11, 13,
];
/// Nearer than this a time is meant as it stands; sums of rounded thirds miss by less.
const EXACT_QUARTERS: f64 = 1e-4;

/// One bar as it is written.
pub struct WrittenBar<'a> {
    pub bar: &'a LineBar,
    pub pieces: Vec<Piece>,
    pub length: Ticks,
    /// The full bar's, where there is a metre.
    pub full: Option<Ticks>,
}

/// The bars in the order asked for, and the id of every note of the line.
pub fn bars(line: &Line, order: Order) -> (Vec<WrittenBar<'_>>, Vec<String>) {
    let played = fill(line);
    let mut chosen: Vec<usize> = (0..line.bars.len()).collect();
    if order == Order::Page {
        // Of the times through a bar the fullest, since notes may be for one time only.
        let fullest =
            |b: usize| std::cmp::Reverse(played[b].iter().filter(|e| e.index.is_some()).count());
        chosen.sort_by_key(|&b| (line.bars[b].page_idx, fullest(b), b));
        chosen.dedup_by_key(|&mut b| line.bars[b].page_idx);
    }
    let mut ids = vec![String::new(); line.notes.len()];
    let mut pieces_of = vec![0; line.notes.len()];
    let mut bars = Vec::with_capacity(chosen.len());
    for &bar_idx in &chosen {
        let bar = &line.bars[bar_idx];
        let origin = ticks((bar.first_beat - 1.0) * bar.beat_quarters);
        let mut pieces = Vec::new();
        let (graces, plain): (Vec<&Event>, Vec<&Event>) =
            played[bar_idx].iter().partition(|event| event.grace);
        let mut notated = notate(&plain, origin, ticks(bar.beat_quarters))
            .into_iter()
            .peekable();
        // Grace notes go before the event that they stand before in the line.
        let mut graces = graces.into_iter().peekable();
        loop {
            let next_at = notated.peek().map(|p| (p.at, p.event_first));
            let due = graces.next_if(|g| {
                next_at.is_none_or(|(at, event_first)| g.at < at || (g.at == at && event_first))
            });
            if let Some(grace) = due {
                pieces.push(Piece::grace(grace));
            } else if let Some(piece) = notated.next() {
                pieces.push(piece);
            } else {
                break;
            }
        }
        for piece in &mut pieces {
            let Some(index) = piece.index else { continue };
            pieces_of[index] += 1;
            piece.id = match (piece.note_first, pieces_of[index]) {
                (true, _) => format!("n{index}"),
                (false, 1) => format!("n{index}-tied"),
                (false, count) => format!("n{index}-{count}"),
            };
            if ids[index].is_empty() {
                ids[index].clone_from(&piece.id);
            }
        }
        name_other_passes(&played, line, bar_idx, &pieces, &mut ids);
        bars.push(WrittenBar {
            bar,
            pieces,
            length: ticks(bar.length_quarters),
            full: bar.full_quarters.map(ticks),
        });
    }
    (bars, ids)
}

/// Gives notes of other times through a bar the ids of the notes that are written.
fn name_other_passes(
    played: &[Vec<Event>],
    line: &Line,
    written: usize,
    pieces: &[Piece],
    ids: &mut [String],
) {
    let page_idx = line.bars[written].page_idx;
    let others =
        (0..line.bars.len()).filter(|&b| b != written && line.bars[b].page_idx == page_idx);
    for other in others {
        let mut n_before = 0;
        let mut last_grace_at = None;
        for event in &played[other] {
            // Grace notes at one place are told apart by their order.
            n_before = match event.grace && last_grace_at == Some(event.at) {
                true => n_before + 1,
                false => 0,
            };
            last_grace_at = event.grace.then_some(event.at);
            let Some(index) = event.index.filter(|_| event.first) else {
                continue;
            };
            let twin = pieces
                .iter()
                .filter(|p| p.index.is_some() && p.at == event.at && p.is_grace == event.grace)
                .nth(n_before)
                // A note that is played this time only stands at the nearest of the others.
                .or_else(|| {
                    let notes = pieces.iter().filter(|p| p.index.is_some());
                    notes.min_by_key(|p| (p.at - event.at).abs())
                });
            if let Some(twin) = twin.filter(|_| ids[index].is_empty()) {
                ids[index].clone_from(&twin.id);
            }
        }
    }
}

/// A note, the part of one that lies in a bar, or a rest; times count from the bar's start.
#[derive(Clone, Debug)]
pub struct Event {
    pub at: Ticks,
    pub end: Ticks,
    /// Index of the note; `None` for a rest.
    pub index: Option<usize>,
    pub grace: bool,
    /// The note begins here; it is not tied on from the bar before.
    pub first: bool,
    /// The note goes on in the next bar.
    pub goes_on: bool,
}

/// Events of every bar in playing order, without gaps.
fn fill(line: &Line) -> Vec<Vec<Event>> {
    let ends = ends(line);
    let mut bars: Vec<Vec<Event>> = vec![Vec::new(); line.bars.len()];
    for (index, note) in line.notes.iter().enumerate() {
        let Some(bar) = line.bars.get(note.bar_idx) else {
            continue;
        };
        let at = snapped(note.onset_quarters - bar.onset_quarters).max(0);
        if note.grace {
            bars[note.bar_idx].push(Event {
                at,
                end: at,
                index: Some(index),
                grace: true,
                first: true,
                goes_on: false,
            });
            continue;
        }
        let mut bar_idx = note.bar_idx;
        let mut at = at;
        while let Some(bar) = line.bars.get(bar_idx) {
            let length = ticks(bar.length_quarters);
            let end = snapped(ends[index] - bar.onset_quarters);
            let goes_on = end > length && bar_idx + 1 < line.bars.len();
            if at < end.min(length) {
                bars[bar_idx].push(Event {
                    at,
                    end: end.min(length),
                    index: Some(index),
                    grace: false,
                    first: bar_idx == note.bar_idx,
                    goes_on,
                });
            }
            if !goes_on {
                break;
            }
            bar_idx += 1;
            at = 0;
        }
    }
    for (bar, events) in line.bars.iter().zip(&mut bars) {
        *events = with_rests(std::mem::take(events), ticks(bar.length_quarters));
    }
    bars
}

/// Where each note ends, in quarters from the line's start.
fn ends(line: &Line) -> Vec<f64> {
    let mut next_onset = f64::INFINITY;
    let mut ends = vec![0.0; line.notes.len()];
    for (index, note) in line.notes.iter().enumerate().rev() {
        let end = note.onset_quarters + note.duration_quarters;
        let gap = next_onset - end;
        let odd = |quarters: f64| {
            let ticks = snapped(quarters);
            let part = (1..=64).find(|p| (ticks * p) % TICKS_PER_QUARTER == 0);
            part.map(|p| p >> p.trailing_zeros())
        };
        // An end on a fifth or a seventh of a beat between notes that are on none is a gate too.
        let played_short = gap.is_finite()
            && !matches!(odd(end), Some(1 | 3))
            && odd(end) != odd(note.onset_quarters)
            && odd(end) != odd(next_onset)
            && gap < note.duration_quarters;
        ends[index] = if gap < GATE_QUARTERS.min(0.5 * note.duration_quarters) || played_short {
            next_onset
        } else {
            end
        };
        if !note.grace {
            next_onset = note.onset_quarters;
        }
    }
    // The last note's gate reaches to the end of its bar.
    if let (Some(last), Some(note), Some(bar)) =
        (ends.last_mut(), line.notes.last(), line.bars.last())
    {
        let gap = bar.onset_quarters + bar.length_quarters - *last;
        if gap > 0.0 && gap < GATE_QUARTERS.min(0.5 * note.duration_quarters) {
            *last += gap;
        }
    }
    ends
}

/// The grace notes, then everything else with rests in the gaps.
fn with_rests(events: Vec<Event>, length: Ticks) -> Vec<Event> {
    let rest = |at, end| Event {
        at,
        end,
        index: None,
        grace: false,
        first: false,
        goes_on: false,
    };
    let (mut filled, plain): (Vec<Event>, Vec<Event>) = events.into_iter().partition(|e| e.grace);
    let mut at = 0;
    for event in plain {
        if event.at > at {
            filled.push(rest(at, event.at));
        }
        at = event.end;
        filled.push(event);
    }
    if at < length {
        filled.push(rest(at, length));
    }
    filled
}

pub fn ticks(quarters: f64) -> Ticks {
    (quarters * TICKS_PER_QUARTER as f64).round() as Ticks
}

/// The plainest notatable place near `quarters`.
fn snapped(quarters: f64) -> Ticks {
    let place = |part: u32| {
        let part = f64::from(part);
        (quarters * part).round() / part
    };
    let near = [EXACT_QUARTERS, SNAP_QUARTERS]
        .into_iter()
        .find_map(|within| {
            let mut places = PARTS.iter().map(|&part| place(part));
            places.find(|p| (p - quarters).abs() < within)
        });
    // Free playing: 32nds or triplets of 16ths, whichever is nearer.
    let free = || {
        [place(8), place(6)]
            .into_iter()
            .min_by(|a, b| (a - quarters).abs().total_cmp(&(b - quarters).abs()))
            .unwrap_or(quarters)
    };
    ticks(near.unwrap_or_else(free))
}
