//! One voice of a part, as the player plays it: chords give their top note, slurs are spans.

use std::collections::HashMap;

use super::note::{RawNote, Sound};
use super::part::RawPart;
use super::xml::Problems;
use crate::line::score::ScoreNote;

/// Notes of one chord start together; less than the shortest value, more than rounding.
const TOGETHER_QUARTERS: f64 = 1e-4;

/// The line's notes, bar by bar.
pub fn choose_line(
    part: &RawPart,
    name: &str,
    wanted: Option<&str>,
    problems: &mut Problems,
) -> Vec<Vec<ScoreNote>> {
    let lanes = lanes(part);
    let chosen = choose(part, &lanes, name, wanted, problems);
    let slurs = slurs(part, &lanes, name, problems);
    let mut stretches: HashMap<Lane, Vec<(InLane, InLane)>> = HashMap::new();
    let mut n_chords = 0;
    let mut lines = Vec::with_capacity(part.measures.len());
    // A dynamic mark stands at the first note that begins with it or later.
    let mut dynamics: Vec<(f64, &String)> = Vec::new();
    for (bar_idx, bar) in part.measures.iter().enumerate() {
        // Marks that no note of the bars before took count from the bar's start.
        dynamics = dynamics
            .last()
            .map(|(_, mark)| (0.0, *mark))
            .into_iter()
            .collect();
        dynamics.extend(bar.dynamics.iter().map(|(at, mark)| (*at, mark)));
        dynamics.sort_by(|a, b| a.0.total_cmp(&b.0));
        let lane = match chosen {
            Some(chosen) if wanted.is_none() => only_lane(&lanes[bar_idx]).unwrap_or(chosen),
            Some(chosen) => chosen,
            None => {
                lines.push(Vec::new());
                continue;
            }
        };
        let mut order: Vec<usize> = (0..bar.notes.len())
            .filter(|&i| lanes[bar_idx][i] == lane && bar.notes[i].plays())
            .collect();
        order.sort_by(|a, b| bar.notes[*a].at.total_cmp(&bar.notes[*b].at));
        let mut notes: Vec<ScoreNote> = Vec::with_capacity(order.len());
        let mut i = 0;
        while i < order.len() {
            let first = &bar.notes[order[i]];
            // Grace notes follow one another at one place; only `chord` joins them.
            let mut end = i + 1;
            while end < order.len() {
                let next = &bar.notes[order[end]];
                // Notes for different times through a repeat never sound together.
                let joins = next.grace == first.grace
                    && next.time_only == first.time_only
                    && (next.chord || !first.grace && next.at - first.at < TOGETHER_QUARTERS);
                if !joins {
                    break;
                }
                end += 1;
            }
            n_chords += usize::from(end - i > 1);
            let members: Vec<&RawNote> = order[i..end].iter().map(|&k| &bar.notes[k]).collect();
            let stretches = stretches
                .entry(lane)
                .or_insert_with(|| slurred_stretches(&slurs, lane));
            let slurred = is_slurred(stretches, &(bar_idx, first.at, order[i]));
            notes.extend(top_note(&members, slurred));
            let n_here = dynamics.partition_point(|(at, _)| *at < first.at + TOGETHER_QUARTERS);
            if let (Some(note), Some((_, mark))) = (notes.last_mut(), dynamics[..n_here].last()) {
                note.dynamic.get_or_insert_with(|| mark.to_string());
            }
            dynamics.drain(..n_here);
            i = end;
        }
        lines.push(notes);
    }
    if n_chords > 0 {
        problems.place(
            format!("part {name}"),
            match n_chords {
                1 => "a chord: its top note is taken".to_string(),
                n => format!("{n} chords: the top note of each is taken"),
            },
        );
    }
    if part.counts.unpitched > 0 {
        problems.place(
            format!("part {name}"),
            format!(
                "notes without pitch (percussion) are left out: {}",
                part.counts.unpitched
            ),
        );
    }
    lines
}

/// The chord's highest note with every sign that stands at any of its notes.
fn top_note(members: &[&RawNote], slurred: bool) -> Option<ScoreNote> {
    let top = members
        .iter()
        .copied()
        .max_by(|a, b| a.height().total_cmp(&b.height()))?;
    let Sound::Pitch(pitch, _) = top.sound else {
        return None;
    };
    let mut articulations = Vec::new();
    for a in members.iter().flat_map(|m| &m.articulations) {
        if !articulations.contains(a) {
            articulations.push(*a);
        }
    }
    Some(ScoreNote {
        at_quarters: top.at,
        duration_quarters: top.duration,
        pitch,
        transpose_semitones: Some(top.transpose_semitones),
        grace: top.grace,
        tie_start: top.tie_start,
        tie_stop: top.tie_stop,
        slurred,
        articulations,
        ornament: members.iter().find_map(|m| m.ornament),
        fermata: members.iter().any(|m| m.fermata),
        breath_after: members.iter().any(|m| m.breath_after),
        dynamic: members.iter().find_map(|m| m.dynamic.clone()),
        time_only: top.time_only.clone(),
        source: Some(top.source),
    })
}

/// A voice, or the part of it on one staff where a voice number is used on several at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
struct Lane {
    voice: usize,
    /// 0 where the voice is one line even across staves.
    staff: u32,
}

/// The lane of every note, bar by bar.
fn lanes(part: &RawPart) -> Vec<Vec<Lane>> {
    let mut split = vec![false; part.voices.len()];
    for bar in &part.measures {
        for (voice, split) in split.iter_mut().enumerate() {
            let mut spans: Vec<(f64, f64, u32)> = bar
                .notes
                .iter()
                .filter(|n| n.voice == voice && !n.grace && !n.chord)
                .map(|n| (n.at, n.at + n.duration, n.staff))
                .collect();
            spans.sort_by(|a, b| a.0.total_cmp(&b.0));
            *split |= spans
                .windows(2)
                .any(|w| w[0].2 != w[1].2 && w[1].0 < w[0].1 - TOGETHER_QUARTERS);
        }
    }
    let lane = |n: &RawNote| Lane {
        voice: n.voice,
        staff: if split[n.voice] { n.staff } else { 0 },
    };
    part.measures
        .iter()
        .map(|bar| bar.notes.iter().map(lane).collect())
        .collect()
}

/// The lane asked for, or the one with most notes; a chord counts as one.
fn choose(
    part: &RawPart,
    lanes: &[Vec<Lane>],
    name: &str,
    wanted: Option<&str>,
    problems: &mut Problems,
) -> Option<Lane> {
    let mut counts: Vec<(Lane, usize)> = Vec::new();
    for (bar, lanes) in part.measures.iter().zip(lanes) {
        for (note, lane) in bar.notes.iter().zip(lanes) {
            let played = usize::from(note.plays() && !note.chord);
            match counts.iter_mut().find(|(l, _)| l == lane) {
                Some((_, n)) => *n += played,
                None => counts.push((*lane, played)),
            }
        }
    }
    if let Some(wanted) = wanted {
        let asked = |lane: &Lane| part.voices[lane.voice] == wanted.trim();
        if counts.iter().any(|(lane, _)| asked(lane)) {
            counts.retain(|(lane, _)| asked(lane));
        } else {
            problems.place(
                format!("part {name}"),
                format!(
                    "there is no voice {wanted}, only {}; the one with most notes is read",
                    part.voices.join(", ")
                ),
            );
        }
    }
    // The first of equals: `max_by_key` alone would take the last.
    counts
        .into_iter()
        .rev()
        .max_by_key(|(_, n)| *n)
        .map(|(lane, _)| lane)
}

/// The lane of a bar that has only one. A program that numbers voices anew under way
/// still writes one line.
fn only_lane(lanes: &[Lane]) -> Option<Lane> {
    let first = *lanes.first()?;
    lanes.iter().all(|lane| *lane == first).then_some(first)
}

/// A note that a slur begins or ends at.
#[derive(Clone, Copy, Debug)]
struct Moment {
    bar_idx: usize,
    at: f64,
    file_idx: usize,
    lane: Lane,
}

/// Order in time within a lane; of equal times (grace notes) the file decides.
type InLane = (usize, f64, usize);

fn in_time(a: &InLane, b: &InLane) -> std::cmp::Ordering {
    (a.0.cmp(&b.0))
        .then(a.1.total_cmp(&b.1))
        .then(a.2.cmp(&b.2))
}

/// First and last note of each slur of a part.
type Slurs = Vec<(Moment, Moment)>;

/// The stretches of a lane that are slurred, sorted and apart: after the first note of each up
/// to and with its last.
fn slurred_stretches(slurs: &Slurs, lane: Lane) -> Vec<(InLane, InLane)> {
    // A note of another lane stands behind those of this one that sound with it.
    let place = |m: &Moment| {
        let file_idx = if m.lane == lane {
            m.file_idx
        } else {
            usize::MAX
        };
        (m.bar_idx, m.at, file_idx)
    };
    let mut stretches: Vec<(InLane, InLane)> = slurs
        .iter()
        .filter(|(first, last)| first.lane == lane || last.lane == lane)
        .map(|(first, last)| (place(first), place(last)))
        .collect();
    stretches.sort_by(|a, b| in_time(&a.0, &b.0));
    let mut apart: Vec<(InLane, InLane)> = Vec::new();
    for (first, last) in stretches {
        match apart.last_mut() {
            Some((_, end)) if in_time(&first, end).is_le() => {
                if in_time(end, &last).is_lt() {
                    *end = last;
                }
            }
            _ => apart.push((first, last)),
        }
    }
    apart
}

fn is_slurred(stretches: &[(InLane, InLane)], note: &InLane) -> bool {
    let after = stretches.partition_point(|(first, _)| in_time(first, note).is_lt());
    after > 0 && in_time(note, &stretches[after - 1].1).is_le()
}

/// Pairs the starts and stops of slurs in the order of time.
fn slurs(part: &RawPart, lanes: &[Vec<Lane>], name: &str, problems: &mut Problems) -> Slurs {
    let mut slurs = Slurs::new();
    let mut open: Vec<(u32, Moment)> = Vec::new();
    let mut n_unmatched = 0;
    for (bar_idx, bar) in part.measures.iter().enumerate() {
        let mut order: Vec<usize> = (0..bar.notes.len())
            .filter(|&i| {
                let note = &bar.notes[i];
                !note.slur_starts.is_empty() || !note.slur_stops.is_empty()
            })
            .collect();
        order.sort_by(|a, b| bar.notes[*a].at.total_cmp(&bar.notes[*b].at));
        for file_idx in order {
            let note = &bar.notes[file_idx];
            let here = Moment {
                bar_idx,
                at: note.at,
                file_idx,
                lane: lanes[bar_idx][file_idx],
            };
            for number in &note.slur_stops {
                // A number belongs to the voice that opened it, else to whoever did.
                let mut same = (0..open.len()).rev().filter(|&i| open[i].0 == *number);
                let found = same
                    .clone()
                    .find(|&i| open[i].1.lane == here.lane)
                    .or_else(|| same.next());
                match found {
                    Some(i) => slurs.push((open.remove(i).1, here)),
                    None => n_unmatched += 1,
                }
            }
            for number in &note.slur_starts {
                let again = open
                    .iter()
                    .position(|(n, first)| n == number && first.lane == here.lane);
                if let Some(i) = again {
                    open.remove(i);
                    n_unmatched += 1;
                }
                open.push((*number, here));
            }
        }
    }
    n_unmatched += open.len();
    if n_unmatched > 0 {
        problems.place(
            format!("part {name}"),
            format!("slurs without their start or end are not taken: {n_unmatched}"),
        );
    }
    slurs
}
