//! Drills as lines: whatever the étude, each drill read again from each of its files gives the
//! notes meant.

use crate::support::*;
use passagework::line::read::{Kind, LineOptions, line_of};
use passagework::line::write::{self, WriteOptions};
use passagework::line::{Line, LineNote};
use passagework::practise::{Drill, DrillKind};

/// Within the rounding of tuplets, and of a sequencer's ticks.
const EQUAL_QUARTERS: f64 = 2e-3;

fn read(kind: Kind, bytes: &[u8], instrument: &str) -> Line {
    let options = LineOptions {
        instrument: Some(instrument.into()),
        ..LineOptions::default()
    };
    line_of(kind, bytes, &options).unwrap_or_else(|e| panic!("{e}"))
}

fn assert_same_notes(drill: &Drill, again: &Line, spelled: bool, kind: &str) {
    let place = format!("{} ({kind})", drill.line.title);
    // A MIDI file says of itself that it knows no spelling.
    assert!(
        !spelled || again.problems.is_empty(),
        "{place}: {:?}",
        again.problems
    );
    assert_eq!(again.notes.len(), drill.line.notes.len(), "{place}");
    let near = |a: f64, b: f64| (a - b).abs() < EQUAL_QUARTERS;
    let first = |line: &Line| {
        line.notes
            .first()
            .map_or(0.0, |n: &LineNote| n.onset_quarters)
    };
    let (start, start_again) = (first(&drill.line), first(again));
    for (i, (meant, got)) in drill.line.notes.iter().zip(&again.notes).enumerate() {
        let place = format!("{place}, note {i}");
        assert_eq!(got.written.midi(), meant.written.midi(), "{place}");
        assert_eq!(got.sounding_midi, meant.sounding_midi, "{place}");
        // MIDI has no grace notes: they are played in the time of a neighbour.
        let near_grace = drill.line.notes[i.saturating_sub(1)..]
            .iter()
            .take(3)
            .any(|n| n.grace);
        if spelled || !near_grace {
            assert_eq!(got.grace, meant.grace, "{place}");
            assert!(
                near(
                    got.onset_quarters - start_again,
                    meant.onset_quarters - start
                ),
                "{place}: {} is not {}",
                got.onset_quarters - start_again,
                meant.onset_quarters - start
            );
            assert!(
                meant.grace || near(got.duration_quarters, meant.duration_quarters),
                "{place}"
            );
        }
        if spelled {
            assert_eq!(got.written, meant.written, "{place}");
            assert_eq!(got.slurred, meant.slurred, "{place}");
            assert_eq!(got.articulations, meant.articulations, "{place}");
            assert_eq!(got.fermata, meant.fermata, "{place}");
            assert_eq!(got.breath_after, meant.breath_after, "{place}");
        }
    }
    let (tempo, said) = (
        drill.line.tempo.expect("a tempo"),
        again.tempo.expect("a tempo"),
    );
    let qpm = |t: passagework::line::TempoMark| t.bpm * t.beat_quarters;
    assert!((qpm(tempo) - qpm(said)).abs() < 0.01, "{place}");
}

#[test]
fn every_drill_read_again_gives_the_notes_meant() {
    let mut kinds = std::collections::BTreeSet::new();
    for (name, etude) in etudes() {
        let drills = drills_of(&etude, &[]);
        assert!(drills.len() >= 5, "{name}: {}", drills.len());
        for drill in &drills {
            kinds.insert(drill.kind);
            let instrument = &etude.instrument;
            let xml = write::musicxml(&drill.line, &WriteOptions::default()).xml;
            assert_same_notes(
                drill,
                &read(Kind::MusicXml, xml.as_bytes(), instrument),
                true,
                "MusicXML",
            );
            let abc = write::abc(&drill.line);
            assert_same_notes(
                drill,
                &read(Kind::Abc, abc.as_bytes(), instrument),
                true,
                &abc,
            );
            let smf = write::smf(&drill.line);
            assert_same_notes(drill, &read(Kind::Smf, &smf, instrument), false, "MIDI");
        }
    }
    assert_eq!(kinds.len(), 11, "every kind of drill was made: {kinds:?}");
}

/// Two notes of one pitch under a slur sound as one: no drill asks for that.
#[test]
fn a_pitch_said_again_is_tongued() {
    for (name, etude) in etudes() {
        let own = drills_of(&etude, &[]);
        for drill in own.iter().filter(|d| d.kind != DrillKind::Seam) {
            for pair in drill.line.notes.windows(2) {
                let again = pair[0].written.midi() == pair[1].written.midi();
                assert!(!(again && pair[1].slurred), "{name}: {}", drill.line.title);
            }
        }
    }
}

#[test]
fn whole_etudes_read_again_give_the_notes_meant() {
    for (name, etude) in etudes() {
        let abc = write::abc(&etude);
        let drill = Drill {
            line: Line {
                title: name.into(),
                ..etude.clone()
            },
            ..drills_of(&etude, &[]).remove(0)
        };
        assert_same_notes(
            &drill,
            &read(Kind::Abc, abc.as_bytes(), &etude.instrument),
            true,
            &abc,
        );
        let smf = write::smf(&etude);
        assert_same_notes(
            &drill,
            &read(Kind::Smf, &smf, &etude.instrument),
            false,
            "MIDI",
        );
    }
}

#[test]
fn a_change_goes_slow_to_quick_in_both_directions() {
    let etude = demo();
    let drills = drills_of(&etude, &[]);
    let change = drills
        .iter()
        .find(|d| d.kind == DrillKind::Change)
        .expect("a change");
    let (from, to) = change.source.expect("a place");
    assert_eq!(to, from + 1);
    let pair = [from, to].map(|i| etude.notes[i].written);
    let notes = &change.line.notes;
    assert!(
        notes
            .windows(2)
            .all(|w| w[0].written != w[1].written || w[1].duration_quarters >= 1.0)
    );
    assert!(notes.iter().all(|n| pair.contains(&n.written)));
    // The shortest value is the étude's own, the longest four times as long.
    let shortest = notes
        .iter()
        .map(|n| n.duration_quarters)
        .fold(f64::INFINITY, f64::min);
    assert_eq!(shortest, 0.25);
    assert_eq!(notes[0].duration_quarters, 1.0);
    assert_eq!(notes[0].written, pair[0]);
    let half = notes.len() / 2;
    assert_eq!(
        notes[half].written, pair[1],
        "the second half begins from the other note"
    );
}

#[test]
fn groups_grow_by_a_note_and_end_on_the_last() {
    let etude = demo();
    let drills = drills_of(&etude, &[]);
    for (kind, from_start) in [(DrillKind::FromStart, true), (DrillKind::FromEnd, false)] {
        let drill = drills.iter().find(|d| d.kind == kind).expect("a drill");
        let (first, last) = drill.source.expect("a run");
        // Groups begin with a tongued note after the held one before.
        let mut lengths = Vec::new();
        for (i, from) in drill.from.iter().enumerate() {
            let from = from.expect("notes of the étude");
            let begins = i == 0 || drill.from[i - 1].expect("a note") + 1 != from;
            if begins {
                lengths.push(0);
                assert!(!from_start || from == first);
            }
            *lengths.last_mut().expect("a group") += 1;
        }
        let n = last - first + 1;
        assert_eq!(lengths, (2..=n).collect::<Vec<_>>(), "{kind:?}");
        if !from_start {
            let ends = drill.from.iter().filter(|f| **f == Some(last)).count();
            assert_eq!(ends, n - 1);
        }
    }
}

/// Common practice: G# minor is melodic up (E#, F##) and natural down (F#, E).
#[test]
fn the_key_is_the_etudes_own() {
    let etude = demo();
    let drills = drills_of(&etude, &[]);
    let scale = drills
        .iter()
        .find(|d| d.kind == DrillKind::Scale)
        .expect("a scale");
    let names: Vec<String> = scale
        .line
        .notes
        .iter()
        .map(|n| n.written.to_string())
        .collect();
    assert_eq!(
        names[..8],
        ["G#3", "A#3", "B3", "C#4", "D#4", "E#4", "F##4", "G#4"]
    );
    assert!(
        names.contains(&"F#4".to_string()) && names.contains(&"E4".to_string()),
        "{names:?}"
    );
    assert_eq!(names.last().map(String::as_str), Some("G#3"));
    let midis = |line: &Line| {
        let all: Vec<i32> = line.notes.iter().map(|n| n.written.midi()).collect();
        (all.iter().min().copied(), all.iter().max().copied())
    };
    let (low, high) = midis(&etude);
    for d in drills.iter().filter(|d| d.source.is_none()) {
        let own = midis(&d.line);
        assert!(own.0 >= low && own.1 <= high, "{}", d.line.title);
    }
    let arpeggio = drills
        .iter()
        .find(|d| d.kind == DrillKind::Arpeggio)
        .expect("an arpeggio");
    for note in &arpeggio.line.notes {
        assert!(["G#", "B", "D#"].contains(&note.written.name().as_str()));
    }
}

/// UNSW Music Acoustics: the clarinet overblows at the twelfth.
#[test]
fn register_slurs_are_twelfths_with_the_same_fingers() {
    let etude = demo();
    let drills = drills_of(&etude, &[]);
    let slur = drills
        .iter()
        .find(|d| d.kind == DrillKind::RegisterSlur)
        .expect("a register slur");
    for pair in slur.line.notes.chunks(2) {
        assert_eq!((pair[0].written.midi() - pair[1].written.midi()).abs(), 19);
        assert!(pair[1].slurred);
    }
}
