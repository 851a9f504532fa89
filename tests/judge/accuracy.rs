//! Accuracy, grouping by cause, tuning, tongue and the contract's field names.

use std::collections::BTreeSet;

use crate::support::{Noise, Take, line_of, scale_line};
use passagework::align::{Outcome, Restart};
use passagework::judge::coverage::stands_elsewhere;
use passagework::judge::{Cause, Check, FindingKind, JudgeOptions, Place};
use proptest::prelude::*;
use serde_json::Value;

/// A take of `notes` at 400 ms a quarter, note `i` played `by(i)` semitones off.
fn take_of(notes: &[(&str, f64)], fifths: i32, by: impl Fn(usize) -> i32) -> Take {
    let line = line_of(notes, fifths);
    let mut take = Take::empty(&line);
    for (idx, note) in line.notes.iter().enumerate() {
        take.play(idx, 0.4 * note.onset_quarters, 0.15, by(idx), 0.0005);
    }
    take
}

fn causes(check: &Check) -> Vec<(FindingKind, Cause, Vec<usize>)> {
    check
        .findings
        .iter()
        .map(|f| (f.kind, f.cause, f.places.clone()))
        .collect()
}

const IN_D: [(&str, f64); 16] = [
    ("D4", 1.0),
    ("E4", 1.0),
    ("F#4", 1.0),
    ("G4", 1.0),
    ("A4", 1.0),
    ("F#4", 1.0),
    ("C#5", 1.0),
    ("D5", 1.0),
    ("E5", 1.0),
    ("F#5", 1.0),
    ("G5", 1.0),
    ("A5", 1.0),
    ("F#4", 1.0),
    ("E4", 1.0),
    ("C#4", 1.0),
    ("D4", 1.0),
];

#[test]
fn a_misread_key_signature_is_one_finding_with_its_places() {
    // C sharps read as C in a line of two sharps.
    let check = take_of(&IN_D, 2, |i| if matches!(i, 6 | 14) { -1 } else { 0 }).check();
    assert_eq!(
        causes(&check),
        [(FindingKind::Wrong, Cause::KeySignature, vec![6, 14])]
    );
    assert_eq!(check.findings[0].written.as_deref(), Some("C#5"));
    assert_eq!(check.findings[0].heard.as_deref(), Some("C5"));
    assert_eq!(check.summary.wrong, 2);
}

#[test]
fn a_seldom_slip_on_a_signature_note_is_not_a_misread_signature() {
    let check = take_of(&IN_D, 2, |i| if i == 5 { -1 } else { 0 }).check();
    assert_eq!(causes(&check), [(FindingKind::Wrong, Cause::Slip, vec![5])]);
}

/// Common practice: an accidental holds to the end of its bar, and no further.
#[test]
fn accidentals_forgotten_and_kept_too_long_are_told_apart() {
    let notes = [
        ("C4", 1.0),
        ("F#4", 1.0),
        ("E4", 1.0),
        ("F#4", 1.0),
        ("F4", 1.0),
        ("E4", 1.0),
        ("D4", 1.0),
        ("C4", 1.0),
        ("G#4", 1.0),
        ("A4", 1.0),
        ("B4", 1.0),
        ("C5", 1.0),
    ];
    let cause = |wrong: usize, by| {
        let check = take_of(&notes, 0, |i| if i == wrong { by } else { 0 }).check();
        assert_eq!(check.findings.len(), 1);
        check.findings[0].cause
    };
    assert_eq!(cause(3, -1), Cause::AccidentalNotCarried);
    assert_eq!(cause(4, 1), Cause::AccidentalCarriedTooFar);
    assert_eq!(cause(8, -1), Cause::AccidentalOverlooked);
    assert_eq!(cause(8, -2), Cause::Slip);
    assert_eq!(cause(9, 12), Cause::Octave);
    assert_eq!(cause(5, 19), Cause::Register);
}

#[test]
fn a_double_sharp_played_as_a_sharp_is_spelled_so() {
    let notes = [("E4", 1.0), ("F##4", 1.0), ("G#4", 1.0), ("A4", 1.0)];
    let check = take_of(&notes, 4, |i| if i == 1 { -1 } else { 0 }).check();
    let finding = &check.findings[0];
    assert_eq!(finding.written.as_deref(), Some("F##4"));
    assert_eq!(finding.heard.as_deref(), Some("F#4"));
    assert_eq!(check.notes[1].written, "F##4");
}

#[test]
fn the_same_written_note_wrong_in_most_places_is_one_finding() {
    // Every B played as D.
    let line = scale_line(28, 0.5);
    let names: Vec<_> = line.notes.iter().map(|n| n.written.to_string()).collect();
    let mut take = Take::empty(&line);
    for (idx, name) in names.iter().enumerate() {
        let by = if name == "B4" { 3 } else { 0 };
        take.play(idx, 0.25 * idx as f64, 0.2, by, 0.0005);
    }
    assert_eq!(
        causes(&take.check()),
        [(FindingKind::Wrong, Cause::SameNoteAgain, vec![6, 8, 20, 22])]
    );
}

#[test]
fn missed_neighbours_are_one_finding_and_added_notes_name_their_place() {
    let line = scale_line(28, 0.5);
    let mut take = Take::empty(&line);
    for idx in 0..28 {
        if (10..13).contains(&idx) {
            take.miss(idx);
        } else {
            take.play(idx, 0.25 * idx as f64, 0.2, 0, 0.0005);
        }
    }
    take.add(20, 70, 5.12);
    let check = take.check();
    assert_eq!(check.findings.len(), 2);
    assert_eq!(check.findings[0].kind, FindingKind::Missed);
    assert_eq!(
        check.findings[0].place,
        Place::Span {
            first_index: 10,
            last_index: 12
        }
    );
    assert_eq!(check.findings[1].kind, FindingKind::Added);
    assert_eq!(check.findings[1].place, Place::Note { index: 20 });
    assert_eq!(check.added[0].after_index, Some(20));
    assert_eq!(check.added[0].midi, 70);
}

#[test]
fn tries_at_a_bar_are_counted_over_restarts() {
    let line = scale_line(24, 0.5);
    let mut take = Take::empty(&line);
    let mut at = 0.0;
    // Bar 2 (notes 8 to 15): wrong, wrong, clean, clean; then on to bar 3.
    for round in 0..4 {
        let from = if round == 0 { 0 } else { 8 };
        let to = if round == 3 { 24 } else { 16 };
        for idx in from..to {
            let by = if idx == 12 && round < 2 { 1 } else { 0 };
            take.play(idx, at, 0.2, by, 0.0005);
            at += 0.25;
        }
        if round < 3 {
            take.next_stretch();
            take.alignment.restarts.push(Restart {
                at_s: at,
                from_idx: 15,
                to_idx: 8,
            });
            at += 1.0;
        }
    }
    let check = take.check();
    let bars: Vec<_> = check
        .bars
        .iter()
        .map(|b| (b.bar.as_str(), b.attempts, b.first_try, b.clean_in_a_row))
        .collect();
    assert_eq!(
        bars,
        [
            ("1", 1, Some(true), 1),
            ("2", 4, Some(false), 2),
            ("3", 1, Some(true), 1)
        ]
    );
    assert_eq!(check.notes[12].attempts.len(), 3);
    assert_eq!(check.notes[12].outcome, Outcome::Right);
    // Judged by its last attempt: no wrong note, three goings back told as one finding.
    assert_eq!(check.summary.wrong, 0);
    assert_eq!(check.findings.len(), 1);
    assert_eq!(check.findings[0].value, Some(3.0));
}

#[test]
fn a_constant_semitone_is_said_once() {
    let mut take = take_of(&IN_D, 2, |_| 0);
    take.alignment.transposed_semitones = -1;
    for note in &mut take.hearing.notes {
        note.midi -= 1.0;
        note.candidates.clear();
    }
    for matched in &mut take.alignment.notes {
        matched.last.heard_midi = matched.last.heard_midi.map(|m| m - 1);
    }
    let check = take.check();
    assert_eq!(causes(&check).len(), 1);
    assert_eq!(check.findings[0].kind, FindingKind::Transposed);
    assert_eq!(check.tuning.transposed_semitones, -1);
}

/// 442 Hz is 7.851 cents above 440 (formula of the cent; facts of the trade: 1200 log2).
#[test]
fn a4_is_found_from_the_notes_with_its_error() {
    let mut noise = Noise(3);
    let mut take = take_of(&IN_D, 2, |_| 0);
    for note in &mut take.hearing.notes {
        note.midi += 0.01 * (7.851 + 5.0 * noise.normal());
        note.candidates.clear();
    }
    let tuning = take.check().tuning;
    let error = tuning.a4_hz - 442.0;
    assert!(
        error.abs() < 3.0 * tuning.a4_hz_se && tuning.a4_hz_se < 0.6,
        "a4 {} ± {}",
        tuning.a4_hz,
        tuning.a4_hz_se
    );
}

#[test]
fn a_note_that_is_often_sharp_is_told_and_a_seldom_one_is_not() {
    let line = scale_line(56, 0.5);
    let with = |cents: f64, every: usize| {
        let mut take = Take::right(&line, 0.0005, |idx| 0.25 * idx as f64);
        let mut noise = Noise(9);
        let mut seen = 0;
        for (note, written) in take.hearing.notes.iter_mut().zip(&line.notes) {
            let mut off = 4.0 * noise.normal();
            if written.written.to_string() == "C5" {
                seen += 1;
                if seen % every == 0 {
                    off += cents;
                }
            }
            note.midi += off / 100.0;
            note.candidates.clear();
        }
        causes(&take.check())
            .into_iter()
            .map(|(kind, _, _)| kind)
            .collect::<Vec<_>>()
    };
    assert_eq!(with(35.0, 1), [FindingKind::Sharp]);
    assert_eq!(with(-35.0, 1), [FindingKind::Flat]);
    assert!(with(35.0, 4).is_empty());
    // Within what good players stray (Kopiez, Music Perception 20 (2003) 383).
    assert!(with(12.0, 1).is_empty());
}

#[test]
fn tongue_faults_are_told_only_where_the_take_shows_tongues() {
    let mut line = scale_line(32, 0.5);
    for (idx, note) in line.notes.iter_mut().enumerate() {
        note.slurred = idx % 4 == 1;
    }
    let take_with = |tongues_heard: bool, fault: bool| {
        let mut take = Take::right(&line, 0.0005, |idx| 0.25 * idx as f64);
        for idx in 0..32 {
            let note = &mut take.hearing.notes[idx];
            note.tongued = if idx == 9 && fault {
                true
            } else if idx == 15 && fault {
                false
            } else {
                idx % 4 != 1 && tongues_heard
            };
            let gap_s = if note.tongued { 0.03 } else { 0.0 };
            if idx > 0 {
                take.hearing.notes[idx - 1].offset_s = 0.25 * idx as f64 - gap_s;
            }
        }
        take.check().articulation
    };
    let found = take_with(true, true);
    assert_eq!(found.slurred_tongued, [9]);
    assert_eq!(found.tongued_slurred, [15]);
    assert!(take_with(true, false).slurred_tongued.is_empty());
    // No tongue heard anywhere: the room may have swallowed them.
    assert!(take_with(false, false).tongued_slurred.is_empty());
}

/// Every field that the contract `passagework.check/1` names, under its name.
#[test]
fn every_field_of_the_contract_is_written() {
    let line = scale_line(80, 0.25);
    let mut take = Take::right(&line, 0.0005, |idx| {
        0.15 * idx as f64 + if idx == 13 { 0.03 } else { 0.0 }
    });
    take.add(3, 70, 0.52);
    let extra = take.alignment.added[0];
    take.alignment.transitions.push(extra);
    take.alignment.restarts.push(Restart {
        at_s: 1.0,
        from_idx: 5,
        to_idx: 4,
    });
    take.alignment.skips.push(passagework::align::Skip {
        at_s: 1.0,
        from_idx: 5,
        to_idx: 8,
        repeat_left_out: false,
    });
    let earlier = take.alignment.notes[4].last.clone();
    take.alignment.notes[4].earlier.push(earlier);
    // A pushed whole, so that a span is there.
    for (idx, note) in take.hearing.notes.iter_mut().enumerate().take(80) {
        note.onset_s *= 1.0 - 0.004 * idx as f64;
    }
    let check = take.check_with(&JudgeOptions {
        click: Some(passagework::judge::ClickOptions {
            beat_quarters: 1.0,
            bpm: 100.0,
            at_s: Some(0.0),
        }),
        ..JudgeOptions::default()
    });
    let json = serde_json::to_value(&check).unwrap();
    assert_eq!(json["schema"], "passagework.check/1");
    for (path, names) in [
        (
            "",
            "schema line take tuning summary notes added transitions restarts skips runs tempo bars findings",
        ),
        ("/line", "title part instrument notes bars"),
        (
            "/take",
            "duration_s sample_rate_hz level_dbfs noise_dbfs clipped_share warnings",
        ),
        ("/tuning", "a4_hz a4_hz_se cents_sd transposed_semitones"),
        (
            "/summary",
            "expected right wrong missed added unsure not_reached restarts note_accuracy note_accuracy_low note_accuracy_high",
        ),
        (
            "/notes/4",
            "index bar pass beat written outcome register_slip sounding_midi heard_midi onset_s offset_s cents cents_se deviation_ms deviation_from deviation_se_ms confidence attempts",
        ),
        ("/notes/4/attempts/0", "onset_s outcome heard_midi"),
        ("/added/0", "onset_s offset_s midi after_index"),
        ("/transitions/0", "onset_s ms midi after_index"),
        ("/restarts/0", "at_s from_index to_index"),
        ("/skips/0", "at_s from_index to_index repeat_left_out"),
        (
            "/runs/0",
            "first_index last_index bar_first bar_last note_quarters ioi_mean_ms deviation_sd_ms deviation_sd_se_ms measurement_sd_ms threshold_ms verdict slowest pattern",
        ),
        ("/runs/0/slowest", "from_index to_index excess_ms se_ms"),
        (
            "/tempo",
            "beat_quarters start_bpm start_bpm_se end_bpm end_bpm_se mean_bpm drift_bpm_per_min drift_se curve spans click",
        ),
        ("/tempo/curve/0", "index time_s bpm se"),
        (
            "/tempo/spans/0",
            "first_index last_index kind bpm_change se",
        ),
        (
            "/tempo/click",
            "bpm first_s offset_mean_ms offset_sd_ms trend_ms_per_min",
        ),
        ("/bars/0", "bar attempts first_try clean_in_a_row"),
    ] {
        let object = json.pointer(path).and_then(Value::as_object);
        let object = object.unwrap_or_else(|| panic!("no object at {path:?}"));
        let missing: Vec<_> = names
            .split(' ')
            .filter(|n| !object.contains_key(*n))
            .collect();
        assert!(missing.is_empty(), "{path:?} lacks {missing:?}");
    }
    let kinds: BTreeSet<&str> = "wrong missed added unsure sharp flat uneven pushing dragging \
        restart slurred_tongued tongued_slurred transposed skip"
        .split_whitespace()
        .collect();
    for finding in json["findings"].as_array().unwrap() {
        for name in [
            "kind", "bar", "beat", "value", "unit", "se", "cause", "text",
        ] {
            assert!(finding.get(name).is_some(), "finding lacks {name}");
        }
        assert!(kinds.contains(finding["kind"].as_str().unwrap()));
        assert!(
            finding.get("index").is_some()
                != (finding.get("first_index").is_some() && finding.get("last_index").is_some())
        );
    }
    let back: Check = serde_json::from_value(json).unwrap();
    assert_eq!(back.findings.len(), check.findings.len());
}

#[test]
fn nothing_heard_gives_nulls_and_no_finding() {
    let check = Take::empty(&scale_line(16, 0.25)).check();
    assert_eq!(check.summary.not_reached, 16);
    assert_eq!(check.summary.note_accuracy, None);
    assert_eq!(check.tempo.start_bpm, None);
    assert_eq!(check.bars[0].first_try, None);
    assert!(check.findings.is_empty());
    let empty = line_of(&[], 0);
    assert!(Take::empty(&empty).check().findings.is_empty());
}

proptest! {
    /// Counts add up, whatever happened; every index lies in the line.
    #[test]
    fn counts_add_up(fates in prop::collection::vec(0..6u8, 1..80), seed: u64) {
        let line = scale_line(fates.len(), 0.25);
        let mut take = Take::empty(&line);
        let mut noise = Noise(seed);
        for (idx, fate) in fates.iter().enumerate() {
            let at = 0.15 * idx as f64 + 0.01 * noise.normal();
            match fate {
                0 | 1 => take.play(idx, at, 0.1, 0, 0.0005),
                2 => take.play(idx, at, 0.1, 2, 0.0005),
                3 => take.miss(idx),
                4 => {
                    take.play(idx, at, 0.1, 0, 0.0005);
                    take.alignment.notes[idx].last.outcome = Outcome::Unsure;
                    take.add(idx, 90, at + 0.05);
                }
                _ => {}
            }
        }
        let check = take.check();
        let s = &check.summary;
        prop_assert_eq!(s.right + s.wrong + s.missed + s.unsure + s.not_reached, s.expected);
        prop_assert_eq!(s.added, check.added.len());
        if let Some(p) = s.note_accuracy {
            prop_assert!(s.note_accuracy_low.unwrap() <= p + 1e-12);
            prop_assert!(s.note_accuracy_high.unwrap() >= p - 1e-12);
        }
        for finding in &check.findings {
            prop_assert!(!finding.places.is_empty());
            prop_assert!(finding.place.last() < fates.len());
            prop_assert!(finding.place.first() <= finding.place.last());
        }
        for run in &check.runs {
            prop_assert!(run.last_index - run.first_index >= 3);
            prop_assert!(run.deviation_sd_ms.is_finite() && run.deviation_sd_se_ms.is_finite());
        }
        let told: Vec<usize> = check.findings.iter()
            .filter(|f| f.kind == FindingKind::Wrong)
            .flat_map(|f| f.places.clone())
            .collect();
        prop_assert_eq!(told.len(), s.wrong, "every wrong note is told once");
    }

    /// A take that begins later is judged the same.
    #[test]
    fn judging_does_not_depend_on_when_the_take_begins(seed: u64, shift_s in 0.0..100.0f64) {
        let line = scale_line(48, 0.25);
        let of = |start: f64| {
            let mut noise = Noise(seed);
            let jitter: Vec<f64> = (0..48).map(|_| 0.006 * noise.normal()).collect();
            Take::right(&line, 0.0005, |i| start + 0.15 * i as f64 + jitter[i]).check()
        };
        let (a, b) = (of(0.0), of(shift_s));
        for (x, y) in a.notes.iter().zip(&b.notes) {
            prop_assert!((x.deviation_ms.unwrap() - y.deviation_ms.unwrap()).abs() < 1e-6);
        }
        for (x, y) in a.runs.iter().zip(&b.runs) {
            prop_assert_eq!(x.verdict, y.verdict);
            prop_assert!((x.deviation_sd_ms - y.deviation_sd_ms).abs() < 1e-6);
        }
        prop_assert!((a.tempo.start_bpm.unwrap() - b.tempo.start_bpm.unwrap()).abs() < 1e-6);
    }
}

#[test]
fn grace_notes_left_out_here_and_there_are_one_finding() {
    let graces = [5, 6, 12, 20];
    let found = |missed: &[usize]| {
        let mut line = scale_line(28, 0.5);
        for idx in graces {
            line.notes[idx].grace = true;
        }
        let mut take = Take::empty(&line);
        for idx in 0..28 {
            if missed.contains(&idx) {
                take.miss(idx);
            } else {
                take.play(idx, 0.25 * idx as f64, 0.2, 0, 0.0005);
            }
        }
        causes(&take.check())
    };
    assert_eq!(
        found(&graces),
        [(FindingKind::Missed, Cause::GraceNotes, graces.to_vec())]
    );
    // Alone, and beside a note left out, they are told where they stand.
    assert_eq!(found(&graces[2..3])[0].2, [12]);
    let with_a_note = found(&[12, 13, 20]);
    assert_eq!(with_a_note.len(), 2, "{with_a_note:?}");
}

/// Four bars, the third as the first; the notes of some of them are played.
fn some_bars(played: std::ops::Range<usize>) -> Option<String> {
    let bars = [["D4", "E4", "F#4", "G4"], ["A4", "F#4", "C#5", "D5"]];
    let notes: Vec<(&str, f64)> = [1, 0, 1, 0]
        .iter()
        .flat_map(|bar| bars[*bar].map(|name| (name, 1.0)))
        .collect();
    some_notes(&notes, played)
}

fn some_notes(notes: &[(&str, f64)], played: std::ops::Range<usize>) -> Option<String> {
    let line = line_of(notes, 2);
    let mut take = Take::empty(&line);
    for idx in played {
        take.play(idx, 0.4 * line.notes[idx].onset_quarters, 0.15, 0, 0.0005);
    }
    stands_elsewhere(&take.check(), &line)
}

#[test]
fn a_passage_that_stands_elsewhere_too_is_said_to() {
    let said = some_bars(8..12).expect("bar 3 is bar 1 again");
    assert!(said.contains("from bar 1 just as from bar 3"), "{said}");
    assert!(some_bars(4..8).is_some_and(|said| said.contains("bar 4")));
    // From the beginning; longer than what comes again.
    assert_eq!(some_bars(0..4), None);
    assert_eq!(some_bars(4..14), None);
    // Within one bar: there is no other bar to name.
    let turns = [
        [("D4", 4.0); 1].as_slice(),
        &[("E4", 0.25), ("F#4", 0.25)].repeat(8),
    ]
    .concat();
    assert_eq!(some_notes(&turns, 1..7), None);
}
