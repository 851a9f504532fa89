//! What holds for every line and every take.

use crate::align_support::*;
use passagework::align::{AlignOptions, Alignment, Outcome, align};
use passagework::hear::{Hearing, PitchCandidate};
use proptest::prelude::*;

fn accounted(alignment: &Alignment, n_line: usize, n_heard: usize) {
    assert_eq!(alignment.notes.len(), n_line);
    let mut used = vec![0; n_heard];
    for note in &alignment.notes {
        for attempt in note.earlier.iter().chain([&note.last]) {
            assert!(
                (0.0..=1.0).contains(&attempt.confidence),
                "confidence {}",
                attempt.confidence
            );
            assert_eq!(
                attempt.heard_idx.is_some(),
                attempt.heard_midi.is_some(),
                "a pitch and a heard note come together"
            );
            if let Some(j) = attempt.heard_idx {
                used[j] += 1;
            }
        }
        let tries = &note.earlier;
        assert!(
            tries
                .windows(2)
                .all(|pair| pair[0].stretch <= pair[1].stretch)
        );
    }
    for extra in alignment.added.iter().chain(&alignment.transitions) {
        used[extra.heard_idx] += 1;
        assert!(extra.after_idx.is_none_or(|idx| idx < n_line));
    }
    for (j, idx) in alignment.ornamental.iter().chain(&alignment.continued) {
        used[*j] += 1;
        assert!(*idx < n_line);
    }
    assert!(
        used.iter().all(|count| *count <= 1),
        "a heard note is used once at most"
    );
    for restart in &alignment.restarts {
        assert!(restart.to_idx <= restart.from_idx && restart.from_idx < n_line);
    }
    for skip in &alignment.skips {
        assert!(skip.from_idx < skip.to_idx && skip.to_idx < n_line);
    }
}

/// Heard notes of any kind, in order of onset.
fn any_hearing() -> impl Strategy<Value = Hearing> {
    let note = (
        0.0..0.6f64,
        0.001..0.8f64,
        30.0..100.0f64,
        0.0..1.0f64,
        0.0..1.0f64,
    );
    prop::collection::vec(note, 0..80).prop_map(|notes| {
        let mut at = 0.0;
        let notes = notes
            .into_iter()
            .map(|(wait, length, midi, confidence, share)| {
                at += wait;
                let candidates = vec![
                    PitchCandidate {
                        midi,
                        probability: 1.0 - share / 2.0,
                    },
                    PitchCandidate {
                        midi: midi + 12.0,
                        probability: share / 2.0,
                    },
                ];
                heard_note(at, at + length, candidates, confidence)
            })
            .collect();
        Hearing {
            notes,
            a4_hz: 442.0,
            a4_hz_se: 0.5,
            ..Hearing::default()
        }
    })
}

fn any_line() -> impl Strategy<Value = passagework::line::Line> {
    (0..KINDS.len(), 1usize..8, any::<u64>())
        .prop_map(|(kind, bars, seed)| etude(KINDS[kind], bars, &mut Random(seed)))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn everything_is_accounted_for_once(line in any_line(), hearing in any_hearing()) {
        let alignment = align(&line, &hearing, &AlignOptions::default());
        accounted(&alignment, line.notes.len(), hearing.notes.len());
    }

    #[test]
    fn practising_is_accounted_for_once(line in any_line(), seed in any::<u64>()) {
        let (hearing, _) = perform(&line, Player { restart: 0.05, skip: 0.02, wrong: 0.05, ..PRACTISING }, WET, 0.4, 0.1, &mut Random(seed));
        let alignment = align(&line, &hearing, &AlignOptions::default());
        accounted(&alignment, line.notes.len(), hearing.notes.len());
    }

    #[test]
    fn a_clean_take_is_all_right_at_any_tempo_and_tuning(
        line in any_line(), seed in any::<u64>(), quarters_a_minute in 20.0..400.0f64, tuning in -0.49..0.49f64,
    ) {
        // A sixteenth at 400 quarters a minute is 37 ms: too short for a note, so only eighths there.
        let shortest = line.notes.iter().map(|n| n.duration_quarters).fold(f64::INFINITY, f64::min);
        prop_assume!(shortest * 60.0 / quarters_a_minute > 0.06);
        let quiet = Room { doubtful: 0.0, ..DRY };
        let (hearing, _) = perform(&line, Player { jitter: 0.02, ..CLEAN }, quiet, 60.0 / quarters_a_minute, tuning, &mut Random(seed));
        let alignment = align(&line, &hearing, &AlignOptions::default());
        for (idx, note) in alignment.notes.iter().enumerate() {
            prop_assert_eq!(note.last.outcome, Outcome::Right, "note {}", idx);
        }
        prop_assert!(alignment.added.is_empty() && alignment.restarts.is_empty() && alignment.skips.is_empty());
    }

    #[test]
    fn the_clock_of_the_take_does_not_matter(line in any_line(), seed in any::<u64>(), shift_s in 0.0..5000.0f64) {
        let (mut hearing, _) = perform(&line, FAULTY, DRY, 0.5, 0.0, &mut Random(seed));
        let here = align(&line, &hearing, &AlignOptions::default());
        for note in &mut hearing.notes {
            note.onset_s += shift_s;
            note.offset_s += shift_s;
        }
        let there = align(&line, &hearing, &AlignOptions::default());
        let outcomes = |a: &Alignment| a.notes.iter().map(|n| (n.last.outcome, n.last.heard_idx)).collect::<Vec<_>>();
        prop_assert_eq!(outcomes(&here), outcomes(&there));
        prop_assert_eq!(here.added.len(), there.added.len());
    }

    #[test]
    fn noise_after_the_end_is_harmless(line in any_line(), seed in any::<u64>(), n_noise in 1usize..20) {
        let mut random = Random(seed);
        let (mut hearing, _) = perform(&line, CLEAN, Room { doubtful: 0.0, ..DRY }, 0.5, 0.0, &mut random);
        let mut at = hearing.notes.last().map_or(0.0, |n| n.offset_s) + 1.0;
        for _ in 0..n_noise {
            let midi = random.between(30.0, 45.0);
            hearing.notes.push(heard_note(at, at + 0.1, vec![PitchCandidate { midi, probability: 1.0 }], random.between(0.05, 0.6)));
            at += random.between(0.15, 0.5);
        }
        let alignment = align(&line, &hearing, &AlignOptions::default());
        prop_assert!(alignment.notes.iter().all(|n| n.last.outcome == Outcome::Right));
        prop_assert!(alignment.added.is_empty());
    }
}
