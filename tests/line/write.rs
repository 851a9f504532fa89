//! Lines written as MusicXML: read back they are the same line, and what is engraved
//! (values, dots, tuplets) says the same as what is counted (durations).

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use passagework::line::read::{Kind, LineOptions, line_of, read_line};
use passagework::line::write::{Order, WriteOptions, musicxml};
use passagework::line::{
    Articulation, Key, Line, LineBar, LineNote, Spelling, TempoMark, musicxml as reader,
};
use proptest::prelude::*;

/// What is read back from a written line; repeats of a page are played out.
fn read_back(line: &Line, order: Order) -> Line {
    let options = WriteOptions {
        order,
        ..WriteOptions::default()
    };
    read(&musicxml(line, &options).xml)
}

fn read(xml: &str) -> Line {
    let line = line_of_xml(xml);
    assert_eq!(line.problems, [], "{xml}");
    line
}

fn line_of_xml(xml: &str) -> Line {
    line_of(Kind::MusicXml, xml.as_bytes(), &LineOptions::default())
        .unwrap_or_else(|e| panic!("{e}\n{xml}"))
}

/// What a note is to the player, but for the time through and the number of its bar's place.
fn said(note: &LineNote) -> LineNote {
    let thousandths = |x: f64| (x * 1e6).round() / 1e6;
    LineNote {
        bar_idx: 0,
        pass: 0,
        beat: thousandths(note.beat),
        onset_quarters: thousandths(note.onset_quarters),
        duration_quarters: thousandths(note.duration_quarters),
        ..note.clone()
    }
}

fn assert_same(case: &str, wanted: &Line, got: &Line) {
    assert_eq!(got.notes.len(), wanted.notes.len(), "{case}");
    for (i, (got, wanted)) in got.notes.iter().zip(&wanted.notes).enumerate() {
        assert_eq!(said(got), said(wanted), "{case}, note {i}");
    }
    assert_eq!(got.key, wanted.key, "{case}");
    assert_eq!(got.tempo, wanted.tempo, "{case}");
    assert_eq!(got.instrument, wanted.instrument, "{case}");
    assert_eq!(
        got.transpose_semitones, wanted.transpose_semitones,
        "{case}"
    );
}

/// A sequencer's notes are written up to the next one when that is near.
fn without_gates(got: &mut Line, wanted: &Line) {
    const GATE_QUARTERS: f64 = 0.12;
    for (got, wanted) in got.notes.iter_mut().zip(&wanted.notes) {
        let longer = got.duration_quarters - wanted.duration_quarters;
        if (0.0..GATE_QUARTERS).contains(&longer) {
            got.duration_quarters = wanted.duration_quarters;
        }
    }
}

fn files(folder: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata");
    let mut files: Vec<PathBuf> = std::fs::read_dir(root.join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|p| {
            p.extension()
                .is_some_and(|e| e == "musicxml" || e == "abc" || e == "mid")
        })
        .collect();
    files.sort();
    files
}

#[test]
fn files_of_every_kind_come_back_the_same_played_and_as_a_page() {
    let mut n_files = 0;
    for folder in ["musicxml", "abc", "abc/reference", "smf/reference"] {
        for path in files(folder) {
            let line = read_line(&path, &LineOptions::default()).unwrap();
            let mut played = read_back(&line, Order::Played);
            if folder.starts_with("smf") {
                without_gates(&mut played, &line);
            }
            assert_same(&format!("{} as played", path.display()), &line, &played);
            // MusicXML has no order of lettered sections.
            let text = std::fs::read(&path).unwrap();
            if text.windows(3).any(|w| w == b"\nP:") {
                continue;
            }
            // A slur into a later ending is cut on the page.
            let mut page = read_back(&line, Order::Page);
            if folder.starts_with("smf") {
                without_gates(&mut page, &line);
            }
            for (got, wanted) in page.notes.iter_mut().zip(&line.notes) {
                let signs = &line.bars[wanted.bar_idx].signs;
                if signs.ending_start.is_some() {
                    got.slurred = wanted.slurred;
                }
            }
            assert_same(&format!("{} as a page", path.display()), &line, &page);
            n_files += 1;
        }
    }
    assert!(n_files >= 8);
}

#[test]
fn every_note_has_an_id_and_a_repeated_one_has_that_of_the_page() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/musicxml/repeats.musicxml");
    let line = read_line(&path, &LineOptions::default()).unwrap();
    let written = musicxml(
        &line,
        &WriteOptions {
            order: Order::Page,
            ..WriteOptions::default()
        },
    );
    let mut places: Vec<(usize, String)> = Vec::new();
    for (note, id) in line.notes.iter().zip(&written.ids) {
        assert_eq!(
            written.xml.matches(&format!("id=\"{id}\"")).count(),
            1,
            "{id}"
        );
        let bar = &line.bars[note.bar_idx];
        // Notes at one place of the page share an id, others do not.
        let place = format!("{} {:.3} {}", bar.page_idx, note.beat, note.written);
        for (other, (_, other_place)) in places.iter().enumerate() {
            assert_eq!(
                written.ids[other] == *id,
                *other_place == place,
                "{id} and {}",
                written.ids[other]
            );
        }
        places.push((note.bar_idx, place));
    }
    assert!(line.notes.iter().any(|n| n.pass > 1));
}

#[test]
fn tuplets_beams_and_accidentals_are_those_of_common_practice() {
    // A bar of 4/4: a triplet, six in a beat, five in a beat, a dotted eighth and a 16th.
    let third = 1.0 / 3.0;
    let mut lengths = vec![third; 3];
    lengths.extend([third / 2.0; 6]);
    lengths.extend([0.2; 5]);
    lengths.extend([0.75, 0.25]);
    let notes: Vec<(f64, i32)> = lengths.iter().map(|&l| (l, 66)).collect();
    let xml = musicxml(&made(4.0, 1.0, &[notes]), &WriteOptions::default()).xml;
    let values: Vec<(i64, i64)> = xml
        .split("<note ")
        .skip(1)
        .filter_map(|note| {
            let of = |tag: &str| {
                let (_, after) = note.split_once(&format!("<{tag}>"))?;
                after.split_once('<')?.0.parse().ok()
            };
            Some((of("actual-notes")?, of("normal-notes")?))
        })
        .collect();
    assert_eq!(values[..3], [(3, 2); 3]);
    assert_eq!(values[3..9], [(6, 4); 6]);
    assert_eq!(values[9..], [(5, 4); 5]);
    assert_eq!(xml.matches("<tuplet type=\"start\"/>").count(), 3);
    // F# once in C major: it holds for the rest of the bar.
    assert_eq!(xml.matches("<accidental>sharp</accidental>").count(), 1);
    assert_eq!(xml.matches("<beam number=\"1\">begin</beam>").count(), 4);
    assert_eq!(
        xml.matches("<beam number=\"2\">backward hook</beam>")
            .count(),
        1
    );
}

#[test]
fn a_sequencers_gates_are_written_to_the_next_note() {
    let mut line = made(
        4.0,
        1.0,
        &[vec![(1.0, 60), (1.0, 62), (1.0, 64), (1.0, 65)]],
    );
    for note in &mut line.notes {
        note.duration_quarters = 0.9;
    }
    let got = read_back(&line, Order::Played);
    let lengths: Vec<f64> = got.notes.iter().map(|n| n.duration_quarters).collect();
    assert_eq!(lengths, [1.0; 4]);
}

/// Bars of equal length with notes given as length in quarters and MIDI number (0: a rest).
fn made(bar_quarters: f64, beat_quarters: f64, bars: &[Vec<(f64, i32)>]) -> Line {
    let mut line = Line {
        title: "Étude <1> & \"2\"".into(),
        part: "Clarinet in Bb".into(),
        parts: vec!["Clarinet in Bb".into()],
        instrument: "clarinet-bb".into(),
        transpose_semitones: -2,
        key: Key::default(),
        tempo: Some(TempoMark {
            beat_quarters,
            bpm: 92.0,
        }),
        bars: Vec::new(),
        notes: Vec::new(),
        problems: Vec::new(),
    };
    for (i, notes) in bars.iter().enumerate() {
        let onset_quarters = i as f64 * bar_quarters;
        line.bars.push(LineBar {
            number: (i + 1).to_string(),
            page_idx: i,
            pass: 1,
            onset_quarters,
            length_quarters: bar_quarters,
            beat_quarters,
            first_beat: 1.0,
            full_quarters: Some(bar_quarters),
            ..LineBar::default()
        });
        let mut at = 0.0;
        for &(length, midi) in notes {
            if midi > 0 {
                let written = Spelling::of_midi(midi, 0);
                line.notes.push(LineNote {
                    bar: (i + 1).to_string(),
                    bar_idx: i,
                    pass: 1,
                    beat: 1.0 + at / beat_quarters,
                    onset_quarters: onset_quarters + at,
                    duration_quarters: length,
                    written,
                    sounding_midi: midi - 2,
                    grace: false,
                    slurred: false,
                    articulations: Vec::new(),
                    ornament: None,
                    dynamic: None,
                    fermata: false,
                    breath_after: false,
                });
            }
            at += length;
        }
    }
    line
}

/// One beat of a quarter: plain, dotted, triplets, quintuplets and the like; or a dotted one.
fn beat(dotted: bool) -> impl Strategy<Value = Vec<f64>> {
    let third = 1.0 / 3.0;
    let plain: Vec<Vec<f64>> = vec![
        vec![1.0],
        vec![0.5, 0.5],
        vec![0.25; 4],
        vec![0.75, 0.25],
        vec![0.25, 0.5, 0.25],
        vec![0.125; 8],
        vec![third; 3],
        vec![2.0 * third, third],
        vec![third / 2.0; 6],
        vec![0.5, third / 2.0, third / 2.0, third / 2.0],
        vec![0.2; 5],
        vec![1.0 / 7.0; 7],
        vec![0.4, 0.4, 0.2],
    ];
    let compound: Vec<Vec<f64>> = vec![
        vec![1.5],
        vec![0.5, 0.5, 0.5],
        vec![1.0, 0.5],
        vec![0.25; 6],
        vec![0.75, 0.25, 0.5],
        vec![0.75, 0.75],
        vec![0.375; 4],
        vec![0.3; 5],
    ];
    prop::sample::select(if dotted { compound } else { plain })
}

fn any_line() -> impl Strategy<Value = Line> {
    let metre = prop::sample::select(vec![
        (4usize, false),
        (3, false),
        (2, true),
        (3, true),
        (5, false),
    ]);
    metre.prop_flat_map(|(n_beats, dotted)| {
        let beat_quarters = if dotted { 1.5 } else { 1.0 };
        let bar = prop::collection::vec(beat(dotted), n_beats);
        let bars = prop::collection::vec(bar, 1..5);
        (bars, any::<u64>()).prop_map(move |(bars, seed)| {
            // A small generator for what hangs on each note: 64-bit LCG of Knuth (MMIX).
            let mut state = seed;
            let mut any = |n: u64| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) % n
            };
            let filled: Vec<Vec<(f64, i32)>> = bars
                .iter()
                .map(|beats| {
                    let lengths = beats.iter().flatten();
                    lengths
                        .map(|&l| {
                            // A rest that ends a group of five looks like a sequencer's gate.
                            let plain = (24.0 * l - (24.0 * l).round()).abs() < 1e-9;
                            let rest = plain && any(8) == 0;
                            (l, if rest { 0 } else { 55 + any(24) as i32 })
                        })
                        .collect()
                })
                .collect();
            let bar_quarters = n_beats as f64 * beat_quarters;
            let mut line = made(bar_quarters, beat_quarters, &filled);
            decorate(&mut line, &mut any);
            line
        })
    })
}

/// Ties over what follows, slurs, grace notes, signs.
fn decorate(line: &mut Line, any: &mut impl FnMut(u64) -> u64) {
    let mut notes: Vec<LineNote> = Vec::new();
    for note in std::mem::take(&mut line.notes) {
        let adjoins = notes.last().is_some_and(|b: &LineNote| {
            let end = b.onset_quarters + b.duration_quarters;
            (end - note.onset_quarters).abs() < 1e-9 && !b.fermata && !b.breath_after
        });
        if adjoins && any(6) == 0 {
            // The note before is held through this one.
            notes.last_mut().unwrap().duration_quarters += note.duration_quarters;
            continue;
        }
        let with_grace = any(10) == 0;
        if with_grace {
            notes.push(LineNote {
                duration_quarters: 0.0,
                grace: true,
                written: Spelling::of_midi(note.written.midi() + 2, 0),
                sounding_midi: note.sounding_midi + 2,
                slurred: false,
                ..note.clone()
            });
        }
        let slurred = !notes.is_empty() && any(3) > 0;
        let articulations = match any(6) {
            0 => vec![Articulation::Staccato],
            1 => vec![Articulation::Accent, Articulation::Tenuto],
            _ => Vec::new(),
        };
        notes.push(LineNote {
            slurred,
            articulations,
            // A dynamic belongs to the first note at its place.
            dynamic: (any(12) == 0 && !with_grace).then(|| "mf".to_string()),
            fermata: any(20) == 0,
            breath_after: any(20) == 0,
            ..note
        });
    }
    line.notes = notes;
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(200) })]

    #[test]
    fn any_line_comes_back_the_same(line in any_line()) {
        prop_assume!(!line.notes.is_empty());
        assert_same("made line", &line, &read_back(&line, Order::Played));
        assert_same("made page", &line, &read_back(&line, Order::Page));
    }

    /// MusicXML 4.0: `type`, `dot` and `time-modification` say what is printed, `duration`
    /// what sounds; without `duration` the reader goes by the print.
    #[test]
    fn what_is_printed_lasts_as_long_as_what_is_counted(line in any_line()) {
        prop_assume!(!line.notes.is_empty());
        let xml = musicxml(&line, &WriteOptions::default()).xml;
        let printed: String = xml
            .lines()
            .filter(|l| !l.trim_start().starts_with("<duration>"))
            .map(|l| format!("{l}\n"))
            .collect();
        // A rest of a whole bar has no value of its own.
        prop_assume!(!xml.contains("measure=\"yes\""));
        assert_same("printed", &line, &line_of_xml(&printed));
    }

    #[test]
    fn ids_are_each_notes_own(line in any_line()) {
        let written = musicxml(&line, &WriteOptions::default());
        let all: Vec<&str> = written
            .xml
            .split(" id=\"n")
            .skip(1)
            .filter_map(|rest| rest.split('"').next())
            .collect();
        let unique: HashSet<&&str> = all.iter().collect();
        prop_assert_eq!(unique.len(), all.len());
        for (i, id) in written.ids.iter().enumerate() {
            prop_assert_eq!(id, &format!("n{i}"));
            let needle = i.to_string();
            prop_assert!(all.contains(&needle.as_str()));
        }
    }

    /// Whatever times a line has, something is written that can be read.
    #[test]
    fn free_playing_is_written_without_panic(
        steps in prop::collection::vec((0.001f64..2.0, 0.0f64..3.0), 1..40)
    ) {
        let mut line = made(4.0, 1.0, &vec![vec![(1.0, 60)]; 12]);
        let mut at = 0.0;
        let note = line.notes[0].clone();
        line.notes.clear();
        for (step, duration) in steps {
            let bar_idx = ((at / 4.0) as usize).min(line.bars.len() - 1);
            line.notes.push(LineNote {
                onset_quarters: at,
                duration_quarters: duration,
                bar_idx,
                ..note.clone()
            });
            at += step;
        }
        let written = musicxml(&line, &WriteOptions::default());
        prop_assert!(reader::read(written.xml.as_bytes(), None).is_ok());
        prop_assert_eq!(written.ids.len(), line.notes.len());
    }
}
