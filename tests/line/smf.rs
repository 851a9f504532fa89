//! The MIDI reader held to the Standard MIDI Files 1.0 specification and to published
//! variable-length quantities, on files made byte by byte; at the end to what mido reads.

use passagework::line::Line;
use passagework::line::read::{Kind, LineError, LineOptions, kind_of, line_of};
use proptest::prelude::*;

/// A header chunk, then one chunk a track.
fn file(format: u16, division: u16, tracks: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = b"MThd\0\0\0\x06".to_vec();
    for field in [format, tracks.len() as u16, division] {
        bytes.extend(field.to_be_bytes());
    }
    for track in tracks {
        bytes.extend(b"MTrk");
        bytes.extend((track.len() as u32).to_be_bytes());
        bytes.extend(track);
    }
    bytes
}

/// Events, each with its delta time as bytes, closed by an end of track.
fn track(events: &[&[u8]]) -> Vec<u8> {
    let mut bytes: Vec<u8> = events.concat();
    bytes.extend(b"\0\xFF\x2F\0");
    bytes
}

fn read_with(bytes: &[u8], options: &LineOptions) -> Result<Line, LineError> {
    assert_eq!(kind_of(bytes, ""), Some(Kind::Smf));
    line_of(Kind::Smf, bytes, options)
}

fn read(bytes: &[u8]) -> Line {
    read_with(bytes, &LineOptions::default()).unwrap()
}

fn for_instrument(name: &str) -> LineOptions {
    LineOptions {
        instrument: Some(name.into()),
        ..LineOptions::default()
    }
}

/// Onset and length in quarters, sounding pitch.
fn notes(line: &Line) -> Vec<(f64, f64, i32)> {
    line.notes
        .iter()
        .map(|n| (n.onset_quarters, n.duration_quarters, n.sounding_midi))
        .collect()
}

fn written(line: &Line) -> String {
    line.notes
        .iter()
        .map(|n| n.written.to_string())
        .collect::<Vec<_>>()
        .join(" ")
}

fn said(line: &Line) -> String {
    line.problems
        .iter()
        .map(|p| format!("{}: {}\n", p.place, p.text))
        .collect()
}

const ON: &[u8] = b"\0\x90\x3C\x40";

/// The pairs of the SMF 1.0 text: number, its bytes as a variable-length quantity.
#[test]
fn variable_length_quantities_of_the_specification() {
    let pairs: [(u32, &[u8]); 12] = [
        (0x00, b"\x00"),
        (0x40, b"\x40"),
        (0x7F, b"\x7F"),
        (0x80, b"\x81\x00"),
        (0x2000, b"\xC0\x00"),
        (0x3FFF, b"\xFF\x7F"),
        (0x4000, b"\x81\x80\x00"),
        (0x100000, b"\xC0\x80\x00"),
        (0x1FFFFF, b"\xFF\xFF\x7F"),
        (0x200000, b"\x81\x80\x80\x00"),
        (0x8000000, b"\xC0\x80\x80\x00"),
        (0xFFFFFFF, b"\xFF\xFF\xFF\x7F"),
    ];
    // A division of 0x7FFF keeps the longest within a few thousand bars.
    for (ticks, bytes) in pairs {
        let off = [bytes, b"\x80\x3C\0"].concat();
        let line = read(&file(0, 0x7FFF, &[track(&[ON, &off])]));
        // A key that goes up at once is held for a tick.
        let wanted = ticks.max(1) as f64 / 0x7FFF as f64;
        assert_eq!(notes(&line), [(0.0, wanted, 60)], "{ticks:#x}");
    }
}

/// Running status, and note-on with velocity 0 as note-off (MIDI 1.0).
#[test]
fn running_status_and_velocity_zero() {
    let line = read(&file(
        0,
        96,
        &[track(&[
            ON,
            b"\x60\x3C\0",
            b"\0\x3E\x40",
            b"\x30\x3E\0",
            b"\x30\x40\x40",
            b"\x60\x40\0",
        ])],
    ));
    assert_eq!(
        notes(&line),
        [(0.0, 1.0, 60), (1.0, 0.5, 62), (2.0, 1.0, 64)]
    );
    assert!(line.notes.iter().all(|n| !n.slurred && !n.grace));
    assert_eq!(line.tempo, None);
}

/// FF 58, FF 59, FF 51: metre, key and tempo; dotted quarters are the beat of 6/8.
#[test]
fn metre_key_and_tempo() {
    let conductor = track(&[
        b"\0\xFF\x58\x04\x06\x03\x24\x08",
        b"\0\xFF\x59\x02\xFE\x01",
        b"\0\xFF\x51\x03\x0A\x2C\x2B",
        b"\0\xFF\x03\x05Study",
    ]);
    let music = track(&[
        b"\0\xFF\x03\x04Solo",
        b"\0\x90\x42\x40",
        b"\x81\x10\x42\0",
        b"\0\x43\x40",
        b"\x81\x10\x43\0",
    ]);
    let line = read(&file(1, 96, &[conductor, music]));
    assert_eq!((line.title.as_str(), line.part.as_str()), ("Study", "Solo"));
    assert_eq!((line.key.fifths, line.key.mode.as_str()), (-2, "minor"));
    let tempo = line.tempo.unwrap();
    assert_eq!(tempo.beat_quarters, 1.5);
    assert!(
        (tempo.bpm - 60.0).abs() < 1e-3,
        "666667 microseconds a quarter: {}",
        tempo.bpm
    );
    assert_eq!(written(&line), "F#4 G4", "a leading note in G minor");
    assert_eq!(line.notes[1].beat, 2.0);
    let b_flat = read_with(
        &file(
            1,
            96,
            &[track(&[b"\0\xFF\x59\x02\xFF\0", ON, b"\x60\x3C\0"])],
        ),
        &for_instrument("clarinet-bb"),
    )
    .unwrap();
    assert_eq!(
        (
            written(&b_flat).as_str(),
            b_flat.key.fifths,
            b_flat.notes[0].sounding_midi
        ),
        ("D4", 1, 60)
    );
    assert_eq!(
        (b_flat.instrument.as_str(), b_flat.transpose_semitones),
        ("clarinet-bb", -2)
    );
}

#[test]
fn a_change_of_metre_changes_the_bars() {
    let conductor = track(&[
        b"\0\xFF\x58\x04\x03\x02\x18\x08",
        b"\x82\x20\xFF\x58\x04\x02\x02\x18\x08",
    ]);
    let held: Vec<&[u8]> = vec![b"\0\x90\x3C\x40", b"\x60\x3C\0"];
    let music = track(&held.repeat(6));
    let line = read(&file(1, 96, &[conductor, music]));
    let bars: Vec<(&str, f64)> = line
        .notes
        .iter()
        .map(|n| (n.bar.as_str(), n.beat))
        .collect();
    assert_eq!(
        bars,
        [
            ("1", 1.0),
            ("1", 2.0),
            ("1", 3.0),
            ("2", 1.0),
            ("2", 2.0),
            ("3", 1.0)
        ]
    );
}

#[test]
fn tracks_and_channels_are_parts_and_drums_are_none() {
    let both = track(&[
        ON,
        b"\0\x91\x48\x40",
        b"\0\x99\x24\x40",
        b"\x60\x80\x3C\0",
        b"\0\x81\x48\0",
        b"\0\x89\x24\0",
    ]);
    let bytes = file(0, 96, &[both]);
    let line = read(&bytes);
    assert_eq!(line.parts, ["Track 1, channel 1", "Track 1, channel 2"]);
    assert!(said(&line).contains("channel 10: percussion is left out"));
    let second = LineOptions {
        part: Some("2".into()),
        ..LineOptions::default()
    };
    assert_eq!(
        notes(&read_with(&bytes, &second).unwrap()),
        [(0.0, 1.0, 72)]
    );
    let named = file(
        1,
        96,
        &[
            track(&[]),
            track(&[
                b"\0\xFF\x03\x10Clarinet in B\xE2\x99\xAD",
                ON,
                b"\x60\x3C\0",
            ]),
        ],
    );
    let line = read(&named);
    assert_eq!(
        (line.instrument.as_str(), written(&line).as_str()),
        ("clarinet-bb", "D4")
    );
    let line = read_with(&named, &for_instrument("flute")).unwrap();
    assert_eq!(
        (line.instrument.as_str(), written(&line).as_str()),
        ("flute", "C4")
    );
}

#[test]
fn chords_and_overlaps_become_one_line() {
    let music = track(&[
        ON,
        b"\0\x40\x40",
        b"\0\x43\x40",
        b"\x60\x3C\0",
        b"\0\x40\0",
        b"\0\x43\0",
        // Legato: the next note sets in before the last has ended.
        b"\0\x45\x40",
        b"\x54\x47\x40",
        b"\x0C\x45\0",
        b"\x54\x47\0",
        // A long note with a lower one within it.
        b"\0\x48\x40",
        b"\x30\x3C\x40",
        b"\x30\x3C\0",
        b"\x60\x48\0",
    ]);
    let line = read(&file(0, 96, &[music]));
    assert_eq!(
        notes(&line),
        [
            (0.0, 1.0, 67),
            (1.0, 0.875, 69),
            (1.875, 1.0, 71),
            (2.875, 2.0, 72)
        ]
    );
    assert!(
        said(&line).contains("chords: the top note is taken, 2 notes below are left out"),
        "{}",
        said(&line)
    );
    assert!(
        said(&line).contains("1 notes within longer higher ones"),
        "{}",
        said(&line)
    );
}

#[test]
fn what_midi_cannot_tell_is_said_once() {
    let line = read(&file(0, 96, &[track(&[ON, b"\x60\x3C\0"])]));
    assert_eq!(
        said(&line)
            .matches("MIDI does not say how notes are spelled")
            .count(),
        1
    );
    assert!(said(&line).contains("no key signature"));
}

/// Division with bit 15 set: −25 frames a second, 40 ticks a frame is a millisecond a tick.
#[test]
fn film_time_follows_the_first_tempo() {
    let line = read(&file(0, 0xE728, &[track(&[ON, b"\x83\x74\x3C\0"])]));
    assert_eq!(
        notes(&line),
        [(0.0, 1.0, 60)],
        "500 ms are a quarter at 120"
    );
    assert!(said(&line).contains("film frames"));
}

#[test]
fn a_riff_wrapper_and_unknown_chunks_are_passed_over() {
    let inner = file(0, 96, &[track(&[ON, b"\x60\x3C\0"])]);
    let mut riff = b"RIFF".to_vec();
    riff.extend((inner.len() as u32 + 12).to_le_bytes());
    riff.extend(b"RMIDdata");
    riff.extend((inner.len() as u32).to_le_bytes());
    riff.extend(&inner);
    assert_eq!(notes(&read(&riff)), [(0.0, 1.0, 60)]);
    let mut odd = inner[..14].to_vec();
    odd.extend(b"XFIH\0\0\0\x02hi");
    odd.extend(&inner[14..]);
    assert_eq!(notes(&read(&odd)), [(0.0, 1.0, 60)]);
}

#[test]
fn damaged_files_are_read_as_far_as_they_go() {
    let whole = file(
        0,
        96,
        &[track(&[ON, b"\x60\x3C\0", b"\0\x3E\x40", b"\x60\x3E\0"])],
    );
    let line = read(&whole[..whole.len() - 7]);
    assert_eq!(notes(&line)[0], (0.0, 1.0, 60));
    assert!(
        said(&line).contains("track 1: the track breaks off before its end"),
        "{}",
        said(&line)
    );
    let line = read(&file(0, 96, &[track(&[ON, b"\x60\xFF\x01\0"])]));
    assert_eq!(notes(&line), [(0.0, 1.0, 60)]);
    assert!(said(&line).contains("1 notes are never let go"));
    assert!(matches!(
        read_with(&whole[..13], &LineOptions::default()),
        Err(LineError::Unreadable { .. })
    ));
    assert!(matches!(
        read_with(&whole[..16], &LineOptions::default()),
        Err(LineError::NoNotes { .. })
    ));
    let no_time = file(0, 0, &[track(&[ON, b"\x60\x3C\0"])]);
    assert!(matches!(
        read_with(&no_time, &LineOptions::default()),
        Err(LineError::Unreadable { .. })
    ));
    let silent = file(0, 96, &[track(&[])]);
    assert!(matches!(
        read_with(&silent, &LineOptions::default()),
        Err(LineError::NoNotes { .. })
    ));
}

#[test]
fn monstrous_times_are_bounded() {
    let far: &[u8] = b"\xFF\xFF\xFF\x7F\x3C\0";
    let line = read(&file(0, 1, &[track(&[ON, far])]));
    assert!(line.bars.len() <= 20_000);
    let again: &[u8] = b"\xFF\xFF\xFF\x7F\x3C\x40";
    let line = read(&file(0, 1, &[track(&[ON, again, again, again])]));
    assert!(line.bars.len() <= 20_000 && said(&line).contains("bars; the rest is left out"));
}

/// Part by part what mido 1 reads, as tests/reference/reference_lines.py wrote it down.
#[test]
fn parts_agree_with_mido() {
    let bytes = include_bytes!("../../testdata/smf/reference/parts.mid");
    let expected: Vec<serde_json::Value> =
        serde_json::from_str(include_str!("../../testdata/smf/reference/parts.json")).unwrap();
    assert_eq!(expected.len(), 3);
    for entry in &expected {
        let options = LineOptions {
            part: Some(entry["part"].to_string()),
            ..LineOptions::default()
        };
        let line = read_with(bytes, &options).unwrap();
        let wanted = entry["notes"].as_array().unwrap();
        assert_eq!(line.notes.len(), wanted.len(), "{}", line.part);
        for ((onset, length, midi), wanted) in notes(&line).into_iter().zip(wanted) {
            assert_eq!(wanted[0], midi, "{} at {onset}", line.part);
            // The file has six decimals.
            for (found, wanted) in [(onset, &wanted[1]), (length, &wanted[2])] {
                let wanted = wanted.as_f64().unwrap();
                assert!(
                    (found - wanted).abs() < 1e-5,
                    "{}: {found} for {wanted}",
                    line.part
                );
            }
        }
        assert_eq!(line.key.fifths, -3);
    }
}

proptest! {
    #[test]
    fn damaged_files_never_panic(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..10),
        cut in any::<prop::sample::Index>(),
    ) {
        let conductor = track(&[b"\0\xFF\x58\x04\x06\x03\x24\x08", b"\0\xFF\x59\x02\xFE\x01", b"\0\xFF\x51\x03\x0A\x2C\x2B"]);
        let held: Vec<&[u8]> = vec![ON, b"\x60\x3C\0", b"\0\x3E\x40", b"\x30\x3E\0"];
        let mut bytes = file(1, 96, &[conductor, track(&held.repeat(8))]);
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        for length in [bytes.len(), cut.index(bytes.len())] {
            if let Ok(line) = line_of(Kind::Smf, &bytes[..length], &for_instrument("clarinet-bb")) {
                prop_assert!(line.notes.iter().all(|n| n.duration_quarters > 0.0 && n.onset_quarters.is_finite()));
                prop_assert!(line.notes.windows(2).all(|w| w[0].onset_quarters <= w[1].onset_quarters));
            }
        }
    }

    #[test]
    fn random_events_never_panic(body in prop::collection::vec(any::<u8>(), 0..300), division in any::<u16>()) {
        let _ = line_of(Kind::Smf, &file(1, division, &[body]), &LineOptions::default());
    }
}
