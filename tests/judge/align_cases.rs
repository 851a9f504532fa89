//! Situations of practice, one by one: what the alignment says of each.

use crate::align_support::*;
use passagework::align::{
    AlignOptions, Alignment, Looks, Outcome, Rhythm, align, look_again, passage,
};
use passagework::convert::midi_to_hz;
use passagework::hear::look::Sound;
use passagework::hear::{HeardNote, Hearing, PitchCandidate};
use passagework::line::{Line, Ornament};

/// A sounding note: onset and offset in seconds, MIDI.
fn sound(onset_s: f64, offset_s: f64, midi: f64) -> HeardNote {
    heard_note(
        onset_s,
        offset_s,
        vec![PitchCandidate {
            midi,
            probability: 1.0,
        }],
        0.99,
    )
}

fn hearing(notes: Vec<HeardNote>) -> Hearing {
    Hearing {
        notes,
        a4_hz: 440.0,
        a4_hz_se: 0.1,
        ..Hearing::default()
    }
}

/// Plays the line notes `order` at `seconds_per_quarter`, from `start_s` on.
fn play(
    line: &Line,
    order: impl IntoIterator<Item = usize>,
    start_s: f64,
    seconds_per_quarter: f64,
) -> Vec<HeardNote> {
    let mut at = start_s;
    let mut notes = Vec::new();
    for idx in order {
        let length = line.notes[idx].duration_quarters.max(0.1) * seconds_per_quarter;
        notes.push(sound(
            at,
            at + 0.95 * length,
            line.notes[idx].sounding_midi as f64,
        ));
        at += length;
    }
    notes
}

/// Puts silences before some of the notes: which, and seconds.
fn stop(notes: &mut [HeardNote], stops: &[(usize, f64)]) {
    for (k, note) in notes.iter_mut().enumerate() {
        let lost_s: f64 = stops.iter().filter(|(at, _)| *at <= k).map(|s| s.1).sum();
        note.onset_s += lost_s;
        note.offset_s += lost_s;
    }
}

fn end_s(notes: &[HeardNote]) -> f64 {
    notes.last().map_or(0.0, |n| n.offset_s)
}

/// A line without repetition: 64 sixteenths of a random walk.
fn walk() -> Line {
    let mut random = Random(11);
    let mut midi = 65;
    let page: Vec<Written> = (0..64)
        .map(|_| {
            let step = *random.pick(&[-5, -3, -2, -1, 1, 2, 4, 5]);
            midi = if (55..80).contains(&(midi + step)) {
                midi + step
            } else {
                midi - step
            };
            note(midi, 0.25)
        })
        .collect();
    line_of(&page, None)
}

fn told(line: &Line, notes: Vec<HeardNote>) -> Alignment {
    align(line, &hearing(notes), &AlignOptions::default())
}

fn count(alignment: &Alignment, outcome: Outcome) -> usize {
    alignment
        .notes
        .iter()
        .filter(|n| n.last.outcome == outcome)
        .count()
}

#[test]
fn a_wrong_instrument_or_pitch_standard_is_said_once() {
    // The cents of 415 and 466 Hz are the published distances from 440 (Suits; formula).
    for (tuning, shift) in [
        (-1.0127, -1),
        (0.9955, 1),
        (-2.0, -2),
        (3.1, 3),
        (-9.0, -9),
        (12.0, 12),
        (-12.2, -12),
        (0.3, 0),
    ] {
        let line = walk();
        let (heard, _) = perform(&line, CLEAN, DRY, 0.5, tuning, &mut Random(5));
        let alignment = align(&line, &heard, &AlignOptions::default());
        assert_eq!(alignment.transposed_semitones, shift, "tuning {tuning}");
        assert_eq!(count(&alignment, Outcome::Right), 64, "tuning {tuning}");
        let wanted_hz = 440.0 * ((tuning - tuning.round()) / 12.0).exp2();
        assert!(
            (alignment.a4_hz - wanted_hz).abs() < 1.0,
            "{} against {wanted_hz}",
            alignment.a4_hz
        );
    }
}

#[test]
fn one_line_twice_a_semitone_apart_is_not_a_transposition() {
    // The second half is the first a semitone higher: starting there must not look transposed.
    let mut page: Vec<Written> = (0..32)
        .map(|k| note(60 + [0, 4, 7, 5, 2, 9, 11, 3][k % 8], 0.25))
        .collect();
    page.extend(
        page.clone()
            .iter()
            .map(|w| note(w.midi.unwrap_or(60) + 1, 0.25)),
    );
    let line = line_of(&page, None);
    let alignment = told(&line, play(&line, 32..64, 0.5, 0.6));
    assert_eq!(alignment.transposed_semitones, 0);
    assert_eq!(count(&alignment, Outcome::NotReached), 32);
}

#[test]
fn a_false_start_is_an_attempt() {
    let line = walk();
    let mut notes = play(&line, 0..5, 0.4, 0.5);
    notes.extend(play(&line, 0..64, end_s(&notes) + 1.5, 0.5));
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 64);
    assert!(alignment.added.is_empty());
    let restart = alignment.restarts[0];
    assert_eq!(
        (alignment.restarts.len(), restart.from_idx, restart.to_idx),
        (1, 4, 0)
    );
    assert_eq!(alignment.notes[2].earlier.len(), 1);
    assert_eq!(
        (
            alignment.notes[2].earlier[0].stretch,
            alignment.notes[2].last.stretch
        ),
        (0, 1)
    );
}

#[test]
fn several_restarts_in_a_row_are_all_told() {
    let line = walk();
    let mut notes = play(&line, 0..22, 0.4, 0.5);
    notes.extend(play(&line, 16..24, end_s(&notes) + 0.02, 0.5));
    notes.extend(play(&line, 16..21, end_s(&notes) + 0.8, 0.5));
    notes.extend(play(&line, 16..64, end_s(&notes) + 0.02, 0.5));
    let alignment = told(&line, notes);
    let jumps: Vec<_> = alignment
        .restarts
        .iter()
        .map(|r| (r.from_idx, r.to_idx))
        .collect();
    assert_eq!(jumps, [(21, 16), (23, 16), (20, 16)]);
    assert_eq!(alignment.notes[18].earlier.len(), 3);
    assert_eq!(count(&alignment, Outcome::Right), 64);
}

#[test]
fn talk_and_noodling_around_the_playing_are_not_added() {
    let line = walk();
    let mut random = Random(3);
    let mut notes: Vec<HeardNote> = (0..12)
        .map(|k| {
            sound(
                0.3 * k as f64,
                0.3 * k as f64 + 0.2,
                random.between(40.0, 60.0),
            )
        })
        .collect();
    notes.extend(play(&line, 0..64, 5.0, 0.5));
    let end = end_s(&notes) + 1.0;
    notes.extend((0..12).map(|k| {
        sound(
            end + 0.3 * k as f64,
            end + 0.3 * k as f64 + 0.2,
            random.between(40.0, 60.0),
        )
    }));
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 64);
    assert!(
        alignment.added.is_empty() && alignment.restarts.is_empty() && alignment.skips.is_empty()
    );
}

#[test]
fn what_lies_before_a_late_start_and_after_an_early_end_is_not_reached() {
    let line = walk();
    let alignment = told(&line, play(&line, 16..40, 0.5, 0.4));
    assert_eq!(count(&alignment, Outcome::Right), 24);
    assert_eq!(count(&alignment, Outcome::NotReached), 40);
    assert!(alignment.skips.is_empty());
}

#[test]
fn notes_passed_over_are_missed_and_told_as_a_skip() {
    let line = walk();
    let alignment = told(&line, play(&line, (0..20).chain(32..64), 0.5, 0.4));
    assert_eq!(count(&alignment, Outcome::Missed), 12);
    let skip = alignment.skips[0];
    assert_eq!(
        (
            alignment.skips.len(),
            skip.from_idx,
            skip.to_idx,
            skip.repeat_left_out
        ),
        (1, 19, 32, false)
    );
}

#[test]
fn of_two_alike_passages_nobody_can_say_which_was_left_out() {
    let once: Vec<i32> = (0..32).map(|k| 50 + 7 * k % 33).collect();
    let before = (0..16).map(|k| 60 + 5 * k % 19);
    let after = (0..16).map(|k| 58 + 11 * k % 23);
    let midi = before.chain(once.clone()).chain(once).chain(after);
    let page: Vec<Written> = midi.map(|midi| note(midi, 0.25)).collect();
    let line = line_of(&page, None);
    let alignment = told(&line, play(&line, (0..48).chain(80..96), 0.5, 0.4));
    assert_eq!(alignment.skips.len(), 1);
    // The bar starts at which players begin leave a few notes to nearly every way.
    assert!(count(&alignment, Outcome::Missed) <= 8);
    assert!(count(&alignment, Outcome::Unsure) >= 24);
    assert_eq!(count(&alignment, Outcome::Right), 64);
}

#[test]
fn two_notes_left_out_are_a_skip_unless_their_time_is_kept() {
    let page: Vec<Written> = (0..64).map(|k| note(55 + 7 * k % 24, 0.25)).collect();
    let line = line_of(&page, None);
    let skipped = told(&line, play(&line, (0..30).chain(32..64), 0.5, 0.4));
    assert_eq!(count(&skipped, Outcome::Missed), 2);
    let skips: Vec<_> = skipped
        .skips
        .iter()
        .map(|s| (s.from_idx, s.to_idx))
        .collect();
    assert_eq!(skips, [(29, 32)]);
    // The note before is held through their time.
    let mut notes = play(&line, 0..64, 0.5, 0.4);
    notes[29].offset_s = notes[31].offset_s;
    notes.drain(30..32);
    let held = told(&line, notes);
    assert_eq!(count(&held, Outcome::Right), 62);
    assert!(held.skips.is_empty() && held.restarts.is_empty());
}

/// Four of six repeated notes passed over are one skip: had they run into the ones before, their
/// time would have passed.
#[test]
fn repeated_notes_passed_over_are_one_skip() {
    let page: Vec<Written> = (0..20)
        .map(|k| 55 + 7 * k % 24)
        .chain([67, 67, 68, 68, 68, 68, 70, 70, 70, 70, 73, 70, 73, 75])
        .map(|midi| note(midi, 0.25))
        .collect();
    let line = line_of(&page, None);
    let alignment = told(&line, play(&line, (0..24).chain(28..34), 0.5, 0.8));
    assert_eq!(count(&alignment, Outcome::Right), 30);
    assert_eq!(alignment.skips.len(), 1, "{:?}", alignment.skips);
    assert!(alignment.restarts.is_empty());
}

/// A first reading that stops in silence before three notes of a figure of two, one of them left
/// out: nobody jumped there and back.
#[test]
fn a_stop_in_a_figure_of_two_is_no_jump() {
    let page: Vec<Written> = (0..16)
        .map(|k| 55 + 7 * k % 24)
        .chain((0..14).map(|k| if k % 2 == 0 { 81 } else { 72 }))
        .chain([69, 66, 62, 64, 66, 67])
        .map(|midi| note(midi, 0.25))
        .collect();
    let line = line_of(&page, None);
    let mut notes = play(&line, (0..20).chain(21..36), 0.5, 1.0);
    stop(&mut notes, &[(19, 0.55), (20, 1.15), (21, 1.5)]);
    let alignment = told(&line, notes);
    assert!(alignment.restarts.is_empty(), "{:?}", alignment.restarts);
    assert!(alignment.skips.is_empty(), "{:?}", alignment.skips);
}

#[test]
fn sounds_that_nobody_could_place_are_no_skip() {
    let line = walk();
    let mut notes = play(&line, 0..64, 0.5, 0.4);
    for (k, note) in notes[20..27].iter_mut().enumerate() {
        let midi = 95.0 + 4.0 * (k % 3) as f64;
        *note = heard_note(
            note.onset_s,
            note.offset_s,
            vec![PitchCandidate {
                midi,
                probability: 1.0,
            }],
            0.3,
        );
    }
    let alignment = told(&line, notes);
    assert!(alignment.skips.is_empty() && alignment.restarts.is_empty());
    assert!(alignment.added.is_empty());
    assert_eq!(count(&alignment, Outcome::Right), 57);
}

#[test]
fn the_tongue_tells_where_in_a_trill_a_jump_was() {
    let page: Vec<Written> = [57, 59, 60, 62]
        .into_iter()
        .chain((0..28).map(|k| 64 + 2 * (k % 2)))
        .chain([67, 69, 71, 72])
        .map(|m| note(m, 0.25))
        .collect();
    let line = line_of(&page, None);
    for after in [8, 12, 16] {
        let mut notes = play(&line, (0..after).chain(after + 8..36), 0.5, 0.4);
        for (k, note) in notes.iter_mut().enumerate() {
            note.tongued = k < 4 || k == after;
        }
        let alignment = told(&line, notes);
        let skips: Vec<_> = alignment
            .skips
            .iter()
            .map(|s| (s.from_idx, s.to_idx))
            .collect();
        assert_eq!(skips, [(after - 1, after + 8)]);
    }
    // Without it, nobody knows of all of them that they were left out.
    let mut notes = play(&line, (0..12).chain(20..36), 0.5, 0.4);
    notes.iter_mut().for_each(|note| note.tongued = false);
    let alignment = told(&line, notes);
    assert_eq!(alignment.skips.len(), 1);
    assert!(count(&alignment, Outcome::Unsure) > 0);
}

#[test]
fn one_of_two_equal_sounds_is_added() {
    let line = walk();
    let mut notes = play(&line, 0..64, 0.5, 0.8);
    // The note comes twice in its own time, with a tongue to it: nothing else parts equal pitches.
    let mut again = notes[30].clone();
    again.tongued = true;
    notes[30].offset_s = again.onset_s + 0.08;
    again.onset_s += 0.09;
    again.confidence = 0.995;
    notes.insert(31, again);
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 64);
    assert_eq!(alignment.added.len(), 1);
}

#[test]
fn an_added_note_heard_in_pieces_is_one() {
    let line = walk();
    let mut notes = play(&line, 0..64, 0.5, 0.8);
    let at = notes[31].onset_s;
    notes[30].offset_s = at - 0.06;
    let midi = (line.notes[30]
        .sounding_midi
        .max(line.notes[31].sounding_midi)
        + 3) as f64;
    let mut second = sound(at - 0.035, at, midi);
    second.confidence = 0.2;
    notes.insert(31, sound(at - 0.06, at - 0.035, midi));
    notes.insert(32, second);
    let alignment = told(&line, notes);
    let added: Vec<usize> = alignment.added.iter().map(|a| a.heard_idx).collect();
    assert_eq!(added, [31]);
    assert!(alignment.transitions.is_empty());
}

#[test]
fn a_repeat_left_out_is_not_reached() {
    let mut page: Vec<Written> = walk()
        .notes
        .iter()
        .map(|n| note(n.sounding_midi, 0.25))
        .collect();
    page.truncate(48);
    let line = line_of(&page, Some((0, 2)));
    // Two bars, the same two again, one more bar: the player goes straight on.
    let alignment = told(&line, play(&line, (0..32).chain(64..80), 0.5, 0.4));
    assert_eq!(count(&alignment, Outcome::Right), 48);
    assert_eq!(count(&alignment, Outcome::NotReached), 32);
    assert_eq!(alignment.skips.len(), 1);
    assert!(alignment.skips[0].repeat_left_out);
    let whole = told(&line, play(&line, 0..80, 0.5, 0.4));
    assert_eq!(count(&whole, Outcome::Right), 80);
    assert!(whole.skips.is_empty() && whole.restarts.is_empty());
}

#[test]
fn only_the_passage_is_expected() {
    let line = walk();
    let mut notes = play(&line, 16..48, 0.5, 0.5);
    notes.extend(play(&line, 16..48, end_s(&notes) + 0.1, 0.5));
    let options = AlignOptions {
        bars: Some(("2".into(), "3".into())),
        ..AlignOptions::default()
    };
    let alignment = align(&line, &hearing(notes), &options);
    assert_eq!(passage(&line, "2", "3"), Some(16..48));
    assert_eq!(passage(&line, "2", "9"), None);
    assert_eq!(count(&alignment, Outcome::Right), 32);
    assert_eq!(count(&alignment, Outcome::NotReached), 32);
    assert_eq!(alignment.restarts.len(), 1);
    assert_eq!(alignment.notes[20].earlier.len(), 1);
}

#[test]
fn practice_rhythms_move_the_expected_times_only() {
    let line = walk();
    let long_short = Rhythm::parse("long-short").expect("a known name");
    let onsets = long_short.onsets_quarters(&line);
    assert_eq!(onsets[..4], [0.0, 0.375, 0.5, 0.875]);
    assert_eq!(
        Rhythm::parse("triplet")
            .expect("a known name")
            .onsets_quarters(&line)[1],
        1.0 / 3.0
    );
    assert!(Rhythm::parse("dotty").is_none() && Rhythm::parse("long").is_none());
    let notes = (0..64)
        .map(|k| {
            let end = onsets.get(k + 1).copied().unwrap_or(16.0);
            sound(
                onsets[k],
                onsets[k] + 0.9 * (end - onsets[k]),
                line.notes[k].sounding_midi as f64,
            )
        })
        .collect::<Vec<_>>();
    let options = AlignOptions {
        rhythm: Some(long_short),
        ..AlignOptions::default()
    };
    let alignment = align(&line, &hearing(notes.clone()), &options);
    assert_eq!(count(&alignment, Outcome::Right), 64);
    // Pitch suffices where the rhythm was not announced.
    assert_eq!(count(&told(&line, notes), Outcome::Right), 64);
}

#[test]
fn ornaments_take_their_extra_notes() {
    let mut page: Vec<Written> = [60, 62, 64, 65, 67, 69, 71, 72]
        .map(|m| note(m, 0.5))
        .to_vec();
    page[3].ornament = Some(Ornament::Trill);
    page[6].ornament = Some(Ornament::Turn);
    let line = line_of(&page, None);
    let plain = play(&line, 0..8, 0.5, 1.0);
    let mut notes: Vec<HeardNote> = plain[..3].to_vec();
    // A trill from its main note and a turn: upper, main, lower, main (common practice).
    for (k, midi) in [65.0, 67.0, 65.0, 67.0, 65.0, 64.0, 65.0]
        .into_iter()
        .enumerate()
    {
        let at = plain[3].onset_s + 0.07 * k as f64;
        notes.push(sound(at, at + 0.07, midi));
    }
    notes.extend_from_slice(&plain[4..6]);
    for (k, midi) in [72.0, 71.0, 69.0, 71.0].into_iter().enumerate() {
        let at = plain[6].onset_s + 0.12 * k as f64;
        notes.push(sound(at, at + 0.12, midi));
    }
    notes.push(plain[7].clone());
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 8);
    assert!(alignment.added.is_empty());
    assert_eq!(alignment.ornamental.len(), 9);
}

#[test]
fn a_grace_note_may_be_played_or_left_out_without_harm_to_others() {
    let mut page: Vec<Written> = [60, 64, 62, 67, 65, 69].map(|m| note(m, 0.5)).to_vec();
    page.insert(
        3,
        Written {
            midi: Some(66),
            quarters: 0.0,
            grace: true,
            ornament: None,
        },
    );
    let line = line_of(&page, None);
    let mut with = play(&line, 0..7, 0.5, 0.8);
    let played = told(&line, with.clone());
    assert_eq!(count(&played, Outcome::Right), 7);
    with.remove(3);
    let left_out = told(&line, with);
    assert_eq!(count(&left_out, Outcome::Right), 6);
    assert!(left_out.added.is_empty());
}

#[test]
fn two_equal_notes_heard_as_one_long_are_unsure() {
    let page: Vec<Written> = [60, 62, 62, 64, 65, 67, 65, 64]
        .map(|m| note(m, 0.5))
        .to_vec();
    let line = line_of(&page, None);
    let mut notes = play(&line, 0..8, 0.5, 0.8);
    notes[1].offset_s = notes[2].offset_s;
    notes.remove(2);
    let alignment = told(&line, notes);
    assert_eq!(alignment.notes[2].last.outcome, Outcome::Unsure);
    assert_eq!(count(&alignment, Outcome::Right), 7);
}

#[test]
fn a_doubtful_split_is_used_where_the_line_repeats_and_only_there() {
    let page: Vec<Written> = [60, 62, 62, 64, 65, 67, 65, 64]
        .map(|m| note(m, 0.5))
        .to_vec();
    let line = line_of(&page, None);
    let mut notes = play(&line, 0..8, 0.5, 0.8);
    notes[2].confidence = 0.15;
    let mut split = notes[4].clone();
    split.onset_s += 0.2;
    split.confidence = 0.3;
    notes.insert(5, split);
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 8);
    assert!(alignment.added.is_empty());
    assert_eq!(alignment.continued, [(5, 4)]);
}

#[test]
fn registers_are_told_as_slips() {
    let line = walk();
    for interval in [12, -12, 19, -19, 28] {
        let mut notes = play(&line, 0..64, 0.5, 0.5);
        let midi = line.notes[30].sounding_midi + interval;
        notes[30] = sound(notes[30].onset_s, notes[30].offset_s, midi as f64);
        let last = &told(&line, notes).notes[30].last;
        assert_eq!(
            (last.outcome, last.heard_midi, last.register_slip),
            (Outcome::Wrong, Some(midi), true)
        );
    }
}

#[test]
fn badly_out_of_tune_is_not_wrong() {
    let line = walk();
    for cents in [-60.0, -45.0, 45.0, 60.0] {
        let mut notes = play(&line, 0..64, 0.5, 0.5);
        let midi = line.notes[30].sounding_midi as f64 + cents / 100.0;
        notes[30] = sound(notes[30].onset_s, notes[30].offset_s, midi);
        assert_ne!(
            told(&line, notes).notes[30].last.outcome,
            Outcome::Wrong,
            "{cents} cents"
        );
    }
}

#[test]
fn sounds_up_to_25_ms_are_transitions() {
    let line = walk();
    let mut notes = play(&line, 0..64, 0.5, 0.5);
    let at = notes[29].offset_s;
    notes.insert(30, sound(at - 0.005, at + 0.015, 90.0));
    let alignment = told(&line, notes);
    assert_eq!(count(&alignment, Outcome::Right), 64);
    assert!(alignment.added.is_empty());
    assert_eq!(
        (
            alignment.transitions.len(),
            alignment.transitions[0].after_idx
        ),
        (1, Some(29))
    );
}

#[test]
fn an_empty_line_or_take_is_no_fault() {
    let line = walk();
    let silent = told(&line, Vec::new());
    assert_eq!(count(&silent, Outcome::NotReached), 64);
    let empty = line_of(&[], None);
    assert!(told(&empty, play(&line, 0..8, 0.0, 0.5)).notes.is_empty());
}

/// A note stuttered, as long as written each time: it is played once more, and none beside it
/// is accused.
#[test]
fn a_stuttered_note_is_the_same_note_each_time() {
    let line = walk();
    for at in 2..62 {
        let mut notes = play(&line, 0..64, 0.5, 0.8);
        let again = notes[at].clone();
        let later = |note: &HeardNote, times: f64| {
            let mut note = note.clone();
            note.onset_s += 0.2 * times;
            note.offset_s += 0.2 * times;
            note.tongued = true;
            note
        };
        let rest: Vec<HeardNote> = notes[at + 1..].iter().map(|n| later(n, 2.0)).collect();
        notes.truncate(at + 1);
        notes.extend([later(&again, 1.0), later(&again, 2.0)]);
        notes.extend(rest);
        let alignment = told(&line, notes);
        assert_eq!(count(&alignment, Outcome::Right), 64, "note {at}");
        assert!(alignment.skips.is_empty(), "note {at}");
        let tries = alignment.notes.iter().flat_map(|n| &n.earlier);
        let accused = tries.filter(|t| t.outcome != Outcome::Right).count();
        assert_eq!(accused, 0, "note {at}");
        let again = alignment.restarts.iter().filter(|r| r.from_idx == r.to_idx);
        assert_eq!(again.count() + alignment.added.len(), 2, "note {at}");
    }
}

/// A first reading that stops among five notes of one pitch: each is played once, none left out.
#[test]
fn stops_among_repeated_notes_are_no_stutter() {
    let third = 1.0 / 3.0;
    let page: Vec<Written> = [
        (65, 0.25),
        (68, 0.5),
        (66, 0.25),
        (70, 0.25),
        (68, 0.25),
        (71, 0.5),
        (70, 0.25),
        (73, 0.25),
    ]
    .into_iter()
    .chain([73, 73, 73, 73, 75, 75, 75, 73, 71, 70, 68, 66].map(|midi| (midi, third)))
    .map(|(midi, quarters)| note(midi, quarters))
    .collect();
    let line = line_of(&page, None);
    for stops_s in [[0.38, 1.97, 0.02], [0.5, 2.0, 0.1], [1.0, 1.0, 1.0]] {
        let mut notes = play(&line, 0..20, 0.5, 1.25);
        stop(&mut notes, &[9, 10, 11].map(|at| (at, stops_s[at - 9])));
        let alignment = told(&line, notes);
        assert_eq!(count(&alignment, Outcome::Right), 20, "{stops_s:?}");
        assert!(alignment.skips.is_empty(), "{stops_s:?}");
    }
}

#[test]
fn graces_left_out_are_no_skip() {
    for n_graces in 1..5 {
        for at in [1, 3, 5] {
            let mut page: Vec<Written> = [60, 64, 62, 67, 65, 69, 72, 71, 69, 67, 65, 64, 62, 60]
                .map(|m| note(m, 0.5))
                .to_vec();
            for k in 0..n_graces {
                let grace = Written {
                    midi: Some(66 + 2 * k as i32),
                    quarters: 0.0,
                    grace: true,
                    ornament: None,
                };
                page.insert(at + k, grace);
            }
            let line = line_of(&page, None);
            let without = (0..14 + n_graces).filter(|i| !(at..at + n_graces).contains(i));
            let alignment = told(&line, play(&line, without, 0.5, 0.8));
            assert_eq!(count(&alignment, Outcome::Right), 14);
            assert!(alignment.skips.is_empty() && alignment.restarts.is_empty());
        }
    }
}

/// A scale before the line shares notes with it and is none of it.
#[test]
fn a_scale_before_the_line_is_warming_up() {
    let line = walk();
    let scales: [&[i32]; 3] = [
        &[60, 62, 64, 65, 67, 69, 71, 72],
        &[67, 69, 71, 72, 74, 76, 78, 79, 78, 76, 74, 72, 71, 69, 67],
        &[60, 61, 62, 63, 64, 65, 66, 67, 68, 69, 70, 71, 72],
    ];
    for scale in scales {
        for pause_s in [0.3, 1.0, 3.0] {
            let mut notes: Vec<HeardNote> = (scale.iter().enumerate())
                .map(|(k, midi)| {
                    let at = 0.3 + 0.2 * k as f64;
                    sound(at, at + 0.19, f64::from(*midi))
                })
                .collect();
            let start_s = end_s(&notes) + pause_s;
            notes.extend(play(&line, 0..64, start_s, 0.8));
            let alignment = told(&line, notes);
            assert_eq!(count(&alignment, Outcome::Right), 64);
            assert!(alignment.added.is_empty() && alignment.restarts.is_empty());
            assert!(alignment.notes.iter().all(|n| n.earlier.is_empty()));
        }
    }
}

/// Four partials of each pitch sounding between two times, sizes 1/k (a closed form).
fn sounding(spans: &[(f64, f64, f64)]) -> Sound {
    const RATE_HZ: f64 = 22_050.0;
    let end_s = spans.iter().map(|span| span.1).fold(0.0, f64::max);
    let at = |i: usize| -> f64 {
        let t = i as f64 / RATE_HZ;
        let wave = |midi: f64| {
            let turns = std::f64::consts::TAU * midi_to_hz(midi, 440.0) * t;
            (1..=4)
                .map(|k| (f64::from(k) * turns).sin() / f64::from(k))
                .sum::<f64>()
        };
        let now = spans
            .iter()
            .filter(|(from_s, to_s, _)| (*from_s..*to_s).contains(&t));
        now.map(|(_, _, midi)| 0.1 * wave(*midi)).sum()
    };
    let n = (end_s * RATE_HZ) as usize;
    Sound::new((0..n).map(|i| at(i) as f32).collect(), RATE_HZ)
}

/// The note of the walk that is looked at.
const ODD: usize = 20;

/// The walk played at 0.2 s a note but for one note, heard as `heard` (nothing: `None`) where
/// `truly` sounds: what was heard, and the sound.
fn with_one_odd(line: &Line, heard: Option<f64>, truly: &[f64]) -> (Hearing, Sound) {
    let mut notes = play(line, 0..line.notes.len(), 0.0, 0.8);
    let mut spans: Vec<(f64, f64, f64)> = notes
        .iter()
        .map(|n| (n.onset_s, n.offset_s, n.midi))
        .collect();
    let (from_s, to_s, _) = spans.remove(ODD);
    spans.extend(truly.iter().map(|midi| (from_s, to_s, *midi)));
    match heard {
        Some(midi) => notes[ODD] = sound(from_s, to_s, midi),
        None => drop(notes.remove(ODD)),
    }
    (hearing(notes), sounding(&spans))
}

/// Outcome of the odd note before and after the second look.
fn looked_at_again(heard: Option<f64>, truly: &[f64]) -> (Outcome, Outcome) {
    let line = walk();
    let (heard, sound) = with_one_odd(&line, heard, truly);
    let mut alignment = align(&line, &heard, &AlignOptions::default());
    let before = alignment.notes[ODD].last.outcome;
    look_again(&mut alignment, &line, &heard, &sound);
    let others = alignment
        .notes
        .iter()
        .enumerate()
        .filter(|(idx, _)| *idx != ODD);
    assert!(
        others
            .into_iter()
            .all(|(_, n)| n.last.outcome == Outcome::Right)
    );
    (before, alignment.notes[ODD].last.outcome)
}

/// While a take is still heard: what is not looked at yet is not accused, and what was seen once
/// is known when the sound is gone.
#[test]
fn a_look_is_made_once() {
    let line = walk();
    let written = f64::from(line.notes[ODD].sounding_midi);
    for (truly, seen) in [(vec![], Outcome::Missed), (vec![written], Outcome::Unsure)] {
        let (heard, sound) = with_one_odd(&line, None, &truly);
        let mut looks = Looks::default();
        let mut look = |sound: &Sound, most: usize| {
            let mut alignment = align(&line, &heard, &AlignOptions::default());
            looks.look(&mut alignment, &line, &heard, sound, most);
            alignment.notes[ODD].last.outcome
        };
        assert_eq!(look(&sound, 0), Outcome::Unsure, "not looked at yet");
        assert_eq!(look(&sound, 1), seen);
        assert_eq!(look(&Sound::default(), 0), seen, "seen before");
    }
}

#[test]
fn an_accusation_falls_where_the_sound_holds_the_written_note() {
    let written = f64::from(walk().notes[20].sounding_midi);
    let undertone = written - 12.0 * 4f64.log2();
    // Heard two octaves low, where nothing but the written note sounds; and not heard at all.
    let low = looked_at_again(Some(undertone), &[written]);
    assert_eq!(low, (Outcome::Wrong, Outcome::Right));
    let unheard = looked_at_again(None, &[written]);
    assert_eq!(unheard, (Outcome::Missed, Outcome::Unsure));
}

#[test]
fn an_accusation_stands_where_the_sound_bears_it_out() {
    let written = f64::from(walk().notes[20].sounding_midi);
    for wrong in [
        written - 24.0,
        written - 12.0,
        written + 12.0,
        written + 1.0,
    ] {
        let told = looked_at_again(Some(wrong), &[wrong]);
        assert_eq!(
            told,
            (Outcome::Wrong, Outcome::Wrong),
            "{wrong} for {written}"
        );
    }
    let left_out = looked_at_again(None, &[]);
    assert_eq!(left_out, (Outcome::Missed, Outcome::Missed));
}

/// Outcomes of the walk's notes at `fallen`, which come an octave low.
fn an_octave_low(fallen: impl Fn(usize, i32) -> bool) -> Vec<Outcome> {
    let line = walk();
    let mut notes = play(&line, 0..64, 0.5, 1.0);
    let fallen: Vec<usize> = (0..64)
        .filter(|&idx| fallen(idx, line.notes[idx].sounding_midi))
        .collect();
    for &idx in &fallen {
        let note = &notes[idx];
        notes[idx] = sound(note.onset_s, note.offset_s, note.midi - 12.0);
    }
    let alignment = told(&line, notes);
    let of = |idx: usize| alignment.notes[idx].last.outcome;
    fallen.into_iter().map(of).collect()
}

#[test]
fn a_pitch_that_comes_an_octave_low_wherever_it_is_written_accuses_nobody() {
    let line = walk();
    let pitch = line.notes[0].sounding_midi;
    let outcomes = an_octave_low(|_, midi| midi == pitch);
    assert!(outcomes.len() > 2, "the walk comes by often enough");
    assert!(
        outcomes.iter().all(|o| *o == Outcome::Unsure),
        "{outcomes:?}"
    );
}

#[test]
fn a_slip_and_a_passage_into_another_octave_are_told() {
    assert_eq!(an_octave_low(|idx, _| idx == 20), [Outcome::Wrong]);
    let passage = an_octave_low(|idx, _| (20..40).contains(&idx));
    assert_eq!(passage, [Outcome::Wrong; 20]);
}
