//! The planner against every possible way through short lines.

use crate::support::clarinet;
use passagework::finger::change::{Change, Hold};
use passagework::finger::plan::Plan;
use passagework::finger::states::{between, ways};
use passagework::finger::{Wishes, plan};
use passagework::line::{Line, LineNote, Spelling, TempoMark};
use proptest::prelude::*;

/// A line of notes `(midi, duration in sixteenths, slurred, breath after, rest after)`.
fn made(notes: &[(i32, u8, bool, bool, bool)]) -> Line {
    let mut line = crate::support::line("C");
    let sample: LineNote = line.notes[0].clone();
    line.tempo = Some(TempoMark {
        beat_quarters: 1.0,
        bpm: 96.0,
    });
    line.notes.clear();
    let mut onset_quarters = 0.0;
    for &(midi, sixteenths, slurred, breath_after, rest) in notes {
        let duration_quarters = f64::from(sixteenths) / 4.0;
        line.notes.push(LineNote {
            onset_quarters,
            duration_quarters,
            written: Spelling::of_midi(midi, 0),
            slurred,
            breath_after,
            ..sample.clone()
        });
        onset_quarters += duration_quarters + if rest { 1.0 } else { 0.0 };
    }
    line
}

/// Cost of the cheapest of all ways, each weighed one by one; `not`: without this fingering at
/// this note.
fn brute_force(line: &Line, wishes: &Wishes, not: Option<(usize, usize)>) -> f64 {
    let chart = clarinet();
    let mut ways = ways(line, &chart, wishes).expect("wishes that can be met");
    if let Some((note, fingering)) = not {
        let own = &mut ways[note];
        let kept: Vec<_> = own
            .holds
            .iter()
            .copied()
            .zip(own.costs.iter().copied())
            .filter(|(h, _)| h.fingering != fingering)
            .collect();
        (own.holds, own.costs) = kept.into_iter().unzip();
    }
    let gaps = between(line);
    fn deeper(
        i: usize,
        last: Option<Hold>,
        so_far: f64,
        best: &mut f64,
        at: &(
            passagework::finger::Chart,
            Vec<passagework::finger::states::Ways>,
            Vec<passagework::finger::states::Between>,
        ),
    ) {
        let (chart, ways, gaps) = at;
        if i == ways.len() {
            *best = best.min(so_far);
            return;
        }
        if ways[i].holds.is_empty() {
            return deeper(i + 1, None, so_far, best, at);
        }
        for (hold, cost) in ways[i].holds.iter().zip(&ways[i].costs) {
            let step = last.map_or(0.0, |last| {
                gaps[i - 1].cost(&Change::between(chart, last, *hold))
            });
            deeper(i + 1, Some(*hold), so_far + cost + step, best, at);
        }
    }
    let mut best = f64::INFINITY;
    deeper(0, None, 0.0, &mut best, &(chart, ways, gaps));
    best
}

/// What the plan's own way costs, added up anew.
fn added_up(line: &Line, made: &Plan, wishes: &Wishes) -> f64 {
    let chart = clarinet();
    let ways = ways(line, &chart, wishes).expect("wishes that can be met");
    let gaps = between(line);
    let mut sum = 0.0;
    for (i, note) in made.notes.iter().enumerate() {
        let Some(hold) = note.hold else { continue };
        let place = ways[i]
            .holds
            .iter()
            .position(|h| *h == hold)
            .expect("a way of the note");
        sum += ways[i].costs[place];
        if let Some(before) = i.checked_sub(1).and_then(|b| made.notes[b].hold) {
            sum += gaps[i - 1].cost(&Change::between(&chart, before, hold));
        }
    }
    sum
}

fn any_line() -> impl Strategy<Value = Vec<(i32, u8, bool, bool, bool)>> {
    let note = (
        // Little-finger notes and those about the break are where choices lie.
        prop_oneof![3 => 52i32..=61, 4 => 66i32..=80, 1 => 50i32..=97],
        1u8..=8,
        any::<bool>(),
        prop::bool::weighted(0.1),
        prop::bool::weighted(0.1),
    );
    prop::collection::vec(note, 1..=8)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// The cheapest way found is the cheapest there is.
    #[test]
    fn optimum_equals_brute_force(notes in any_line(), lever in any::<bool>()) {
        let line = made(&notes);
        let mut wishes = Wishes::default();
        if lever {
            wishes.with.push("left-ab".into());
        }
        let found = plan(&line, &clarinet(), &wishes).expect("a plan");
        let best = brute_force(&line, &wishes, None);
        prop_assert!((found.cost_ms - best).abs() < 1e-6, "{} against {best}", found.cost_ms);
        let own = added_up(&line, &found, &wishes);
        prop_assert!((own - best).abs() < 1e-6, "its own way costs {own}, the best {best}");
    }

    /// The second best of a note costs what the cheapest way without the first costs.
    #[test]
    fn second_best_is_the_best_without_the_first(notes in any_line(), which in any::<prop::sample::Index>()) {
        let line = made(&notes);
        let wishes = Wishes::default();
        let found = plan(&line, &clarinet(), &wishes).expect("a plan");
        let i = which.index(line.notes.len());
        if let Some(second) = found.notes[i].second {
            let first = found.notes[i].hold.expect("a fingering").fingering;
            let without = brute_force(&line, &wishes, Some((i, first)));
            prop_assert!((without - found.cost_ms - second.extra_cost_ms).abs() < 1e-6,
                "{without} less {} is not {}", found.cost_ms, second.extra_cost_ms);
        }
    }

    /// Whatever the line, nothing panics and every note has its entry.
    #[test]
    fn any_pitch_at_all(midis in prop::collection::vec(-20i32..150, 0..40)) {
        let notes: Vec<_> = midis.iter().map(|&m| (m, 1, true, false, false)).collect();
        let line = made(&notes);
        let found = plan(&line, &clarinet(), &Wishes::default()).expect("a plan");
        prop_assert_eq!(found.notes.len(), midis.len());
    }
}
