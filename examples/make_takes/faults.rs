//! Faults and detours put into a straight playing of the line.

use crate::etude::Note;
use crate::performance::Step;
use passagework::sound::voice::Rng;

/// Puts a fault into about every `every`-th note, never two within three notes.
pub fn put_in(
    notes: &[Note],
    range: std::ops::RangeInclusive<i32>,
    every: f64,
    seconds_per_quarter: f64,
    rng: &mut Rng,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut since = 0;
    for (index, note) in notes.iter().enumerate() {
        let right = Step::Note {
            index,
            midi: note.sounding_midi,
        };
        since += 1;
        let before = index.checked_sub(1).map(|i| notes[i].sounding_midi);
        let after = notes.get(index + 1).map(|n| n.sounding_midi);
        if index == 0 || since < 4 || !rng.chance(1.0 / (every - 3.0).max(1.0)) {
            steps.push(right);
            continue;
        }
        let fault = match rng.below(10) {
            0..=2 => wrong(note, before, after, &[1, -1, 2, -2], &range, rng, right),
            3 => wrong(note, before, after, &[12, -12], &range, rng, right),
            4 => wrong(note, before, after, &[19, -19], &range, rng, right),
            5 | 6 => {
                // Left out between equal neighbours nobody could say which it was.
                let clear = before != Some(note.sounding_midi) && after != Some(note.sounding_midi);
                if clear && index + 1 < notes.len() {
                    vec![Step::Dropped {
                        index,
                        silent: rng.chance(0.4),
                    }]
                } else {
                    vec![right]
                }
            }
            _ => {
                let gap_s = before_length(notes, index) * seconds_per_quarter;
                let longest_s = (gap_s - 0.06).min(0.2);
                if longest_s <= 0.046 {
                    vec![right]
                } else {
                    let duration_s = rng.between(0.045, longest_s);
                    // A tongued note needs its gap besides.
                    let tongued = duration_s > 0.08 && rng.chance(0.5);
                    let repeated = duration_s > 0.08 && rng.chance(0.3);
                    let midi = if repeated {
                        before.unwrap_or(note.sounding_midi)
                    } else {
                        note.sounding_midi + *rng.pick(&[-5, -3, -2, -1, 1, 2, 3, 4, 7])
                    };
                    let taken = midi == note.sounding_midi || !repeated && before == Some(midi);
                    if taken {
                        vec![right]
                    } else {
                        vec![
                            Step::Extra {
                                midi,
                                duration_s,
                                tongued,
                            },
                            right,
                        ]
                    }
                }
            }
        };
        if fault != [right] {
            since = 0;
        }
        steps.extend(fault);
    }
    steps
}

fn before_length(notes: &[Note], index: usize) -> f64 {
    let gap = notes[index].at_quarters - notes[index - 1].at_quarters;
    // After a rest the added note would stand in it.
    if gap > notes[index - 1].duration_quarters + 1e-6 {
        0.0
    } else {
        gap
    }
}

fn wrong(
    note: &Note,
    before: Option<i32>,
    after: Option<i32>,
    by: &[i32],
    range: &std::ops::RangeInclusive<i32>,
    rng: &mut Rng,
    right: Step,
) -> Vec<Step> {
    let Step::Note { index, .. } = right else {
        return vec![right];
    };
    let midi = note.sounding_midi + *rng.pick(by);
    if Some(midi) == before || Some(midi) == after || !range.contains(&midi) {
        return vec![right];
    }
    vec![Step::Note { index, midi }]
}

fn note_step(notes: &[Note], index: usize) -> Step {
    Step::Note {
        index,
        midi: notes[index].sounding_midi,
    }
}

/// A playing with breaks: back and again, or ahead. `bar_firsts`: index of each bar's first note.
pub fn with_detours(notes: &[Note], rng: &mut Rng) -> Vec<Step> {
    let n = notes.len();
    let bar_first = |index: usize| {
        let bar = notes[index].bar_idx;
        notes
            .iter()
            .position(|note| note.bar_idx == bar)
            .unwrap_or(0)
    };
    let play = |steps: &mut Vec<Step>, from: usize, to: usize| {
        steps.extend((from..to).map(|index| note_step(notes, index)));
    };
    let mut steps = Vec::new();
    let mut at = 0;
    let mut first = 0;
    if rng.chance(0.15) {
        // A false start: some notes, then from the top.
        let until = 2 + rng.below(4);
        play(&mut steps, 0, until);
        steps.push(Step::Pause {
            duration_s: rng.between(0.4, 2.0),
        });
    } else if rng.chance(0.1) {
        first = bar_first(rng.below(n / 3));
        at = first;
    }
    let n_breaks = 1 + rng.below(3);
    for k in 0..n_breaks {
        let room = (n - at) / (n_breaks - k + 1);
        let stop = at + (room / 2).max(4) + rng.below(room.max(2) / 2 + 1);
        if stop + 6 >= n {
            break;
        }
        if rng.chance(0.2) {
            // Ahead by one to eight notes.
            play(&mut steps, at, stop);
            at = stop + 1 + rng.below(8.min(n - stop - 4));
            if rng.chance(0.5) {
                steps.push(Step::Pause {
                    duration_s: rng.between(0.1, 0.8),
                });
            }
            continue;
        }
        play(&mut steps, at, stop);
        let back = if rng.chance(0.6) {
            let mut target = bar_first(stop - 1);
            if stop - target < 3 && target > 0 || rng.chance(0.3) {
                target = bar_first(target.saturating_sub(1));
            }
            target
        } else {
            stop.saturating_sub(2 + rng.below(12))
        }
        .max(first);
        let pause = |steps: &mut Vec<Step>, rng: &mut Rng| {
            if rng.chance(0.6) {
                steps.push(Step::Pause {
                    duration_s: rng.between(0.2, 1.5),
                });
            }
        };
        pause(&mut steps, rng);
        if rng.chance(0.3) {
            // Twice in a row from the same place.
            let again = back + 3 + rng.below((stop - back).max(1));
            play(&mut steps, back, again.min(n - 2));
            pause(&mut steps, rng);
        }
        at = back;
    }
    let end = if rng.chance(0.15) {
        n - (2 + rng.below(n / 5))
    } else {
        n
    };
    play(&mut steps, at, end.max(at));
    steps
}

/// What [`with_jumps`] does at a break.
#[derive(Clone, Copy)]
enum Jump {
    /// Back to the start of the bar one is in, or of the one before.
    BackToBar,
    /// Back by some notes, to anywhere.
    BackFew,
    /// Back by two to four bars.
    BackPhrase,
    /// Two to seven notes left out.
    SkipFew,
    /// From anywhere to the start of a later bar.
    SkipToBar,
    /// From the end of a bar past the next one or two.
    SkipBars,
    /// Past a bar or two, and back for them.
    SkipAndBack,
}

/// A playing with one to four breaks of every kind, three to five notes or more apart; some
/// restarts are made because of a wrong note, some twice or three times in a row.
pub fn with_jumps(
    notes: &[Note],
    range: std::ops::RangeInclusive<i32>,
    rng: &mut Rng,
) -> Vec<Step> {
    let n = notes.len();
    let first_of_bar = |bar: usize| notes.partition_point(|note| note.bar_idx < bar);
    let play = |steps: &mut Vec<Step>, from: usize, to: usize| {
        steps.extend((from..to).map(|index| note_step(notes, index)));
    };
    let pause = |steps: &mut Vec<Step>, share: f64, rng: &mut Rng| {
        if rng.chance(share) {
            steps.push(Step::Pause {
                duration_s: rng.between(0.1, 1.5),
            });
        }
    };
    let mut steps = Vec::new();
    let mut at = 0;
    let n_breaks = 1 + rng.below(4);
    for k in 0..n_breaks {
        let room = (n - at) / (n_breaks - k + 1);
        let stop = at + (room / 2).max(5) + rng.below(room.max(2) / 2 + 1);
        if stop + 12 >= n {
            break;
        }
        let bar = notes[stop - 1].bar_idx;
        let jump = *rng.pick(&[
            Jump::BackToBar,
            Jump::BackToBar,
            Jump::BackToBar,
            Jump::BackFew,
            Jump::BackFew,
            Jump::BackPhrase,
            Jump::SkipFew,
            Jump::SkipToBar,
            Jump::SkipBars,
            Jump::SkipAndBack,
        ]);
        // Somebody who leaves bars out leaves whole ones out, mostly.
        let to = match jump {
            Jump::BackToBar => {
                let here = first_of_bar(bar);
                if stop - here < 2 || rng.chance(0.3) {
                    first_of_bar(bar.saturating_sub(1))
                } else {
                    here
                }
            }
            Jump::BackFew => stop.saturating_sub(2 + rng.below(10)),
            Jump::BackPhrase => first_of_bar(bar.saturating_sub(2 + rng.below(3))),
            Jump::SkipFew => stop + 2 + rng.below(6),
            Jump::SkipToBar => first_of_bar(bar + 1 + rng.below(2)).max(stop + 2),
            Jump::SkipBars | Jump::SkipAndBack => first_of_bar(bar + 2 + rng.below(2)),
        };
        // Where the same music stands elsewhere nobody could say where the jump went.
        let told = |at: usize| (at..at + 4).map(|i| notes[i].sounding_midi);
        if to + 6 >= n || (0..n - 4).any(|other| other != to && told(other).eq(told(to))) {
            continue;
        }
        match jump {
            Jump::BackToBar | Jump::BackFew | Jump::BackPhrase => {
                play(&mut steps, at, stop);
                for again in 0..*rng.pick(&[1, 1, 1, 2, 2, 3]) {
                    if again > 0 {
                        let until = to + 3 + rng.below((stop - to).max(1));
                        play(&mut steps, to, until);
                    }
                    if rng.chance(0.3)
                        && let Some(Step::Note { index, midi }) = steps.last().copied()
                    {
                        let other = midi + *rng.pick(&[-2, -1, 1, 2]);
                        let equal =
                            |i: usize| notes.get(i).is_some_and(|m| m.sounding_midi == other);
                        let taken = equal(index + 1) || index > 0 && equal(index - 1) || equal(to);
                        if !taken && range.contains(&other) {
                            steps.pop();
                            steps.push(Step::Note { index, midi: other });
                        }
                    }
                    pause(&mut steps, 0.5, rng);
                }
                at = to;
            }
            Jump::SkipFew | Jump::SkipToBar => {
                play(&mut steps, at, stop);
                pause(&mut steps, 0.4, rng);
                at = to;
            }
            Jump::SkipBars | Jump::SkipAndBack => {
                let bar_end = first_of_bar(bar + 1);
                play(&mut steps, at, bar_end);
                pause(&mut steps, 0.4, rng);
                at = to;
                if matches!(jump, Jump::SkipAndBack) {
                    let until = to + 3 + rng.below(4);
                    play(&mut steps, at, until);
                    pause(&mut steps, 0.6, rng);
                    at = bar_end;
                }
            }
        }
    }
    play(&mut steps, at, n);
    steps
}

/// A first reading: stops before this share of the notes, in silence or on the note before, of a
/// third of a second to two, with what follows played as if nothing had been.
pub fn with_stops(steps: &[Step], share: f64, rng: &mut Rng) -> Vec<Step> {
    let mut with_stops = Vec::new();
    for (place, step) in steps.iter().enumerate() {
        if place > 0 && matches!(step, Step::Note { .. }) && rng.chance(share) {
            let duration_s = 0.33 * 6f64.powf(rng.between(0.0, 1.0));
            with_stops.push(if rng.chance(0.5) {
                Step::Pause { duration_s }
            } else {
                Step::Hold { duration_s }
            });
        }
        with_stops.push(*step);
    }
    with_stops
}

/// The second time of a repeat left out. `second`: indices of the notes of the second time.
pub fn without_repeat(notes: &[Note], second: std::ops::Range<usize>) -> Vec<Step> {
    (0..notes.len())
        .filter(|index| !second.contains(index))
        .map(|index| note_step(notes, index))
        .collect()
}
