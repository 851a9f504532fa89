//! MusicXML files against a reference reader, the standard's own sentences, and damage.

use std::io::Write;
use std::path::PathBuf;

use passagework::line::read::{Kind, LineOptions, line_of};
use passagework::line::score::Score;
use passagework::line::{Line, Ornament, musicxml, order};
use proptest::prelude::*;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/musicxml")
}

fn file(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).unwrap()
}

fn score(bytes: &[u8]) -> Score {
    musicxml::read(bytes, None).unwrap()
}

fn line(bytes: &[u8]) -> Line {
    order::play_out(&score(bytes), 0, false)
}

/// A partwise file with one part of these measures.
fn page(measures: &str) -> String {
    format!(
        "<score-partwise version='4.0'><part-list><score-part id='P1'><part-name>Clarinet</part-name></score-part></part-list><part id='P1'>{measures}</part></score-partwise>"
    )
}

/// A quarter note on `step` in octave 4, with more elements before its duration and after it.
fn quarter(step: &str, before: &str, after: &str) -> String {
    format!(
        "<note>{before}<pitch><step>{step}</step><octave>4</octave></pitch><duration>1</duration>{after}</note>"
    )
}

const FOUR_FOUR: &str = "<attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>";

fn names(line: &Line) -> String {
    let names: Vec<String> = line.notes.iter().map(|n| n.written.name()).collect();
    names.join(" ")
}

#[derive(serde::Deserialize)]
struct Reference {
    parts: Vec<ReferencePart>,
}

#[derive(serde::Deserialize)]
struct ReferencePart {
    name: String,
    written: Vec<Row>,
    played: Vec<Row>,
}

/// Onset and duration in quarters, written name and MIDI number, sounding MIDI number, grace.
type Row = (f64, f64, String, i32, i32, bool);

/// Reference: music21 10.5.1 (`testdata/musicxml/README.md`).
#[test]
fn every_file_agrees_with_the_reference_reader_note_for_note() {
    /// music21 keeps tuplets as fractions and prints them as doubles.
    const QUARTERS: f64 = 1e-6;
    let mut n_files = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "musicxml") {
            continue;
        }
        let expected = std::fs::read(path.with_extension("music21.json")).unwrap();
        let expected: Reference = serde_json::from_slice(&expected).unwrap();
        let score = score(&std::fs::read(&path).unwrap());
        assert_eq!(score.parts.len(), expected.parts.len(), "{path:?}");
        for (i, part) in expected.parts.iter().enumerate() {
            assert_eq!(score.parts[i].name, part.name);
            for (as_written, rows) in [(true, &part.written), (false, &part.played)] {
                let line = order::play_out(&score, i, as_written);
                assert_eq!(line.notes.len(), rows.len(), "{path:?} {as_written}");
                for (note, row) in line.notes.iter().zip(rows) {
                    let case = format!("{path:?} as written {as_written}: {note:?} and {row:?}");
                    assert!((note.onset_quarters - row.0).abs() < QUARTERS, "{case}");
                    assert!((note.duration_quarters - row.1).abs() < QUARTERS, "{case}");
                    assert_eq!(note.written.to_string(), row.2, "{case}");
                    assert_eq!(note.written.midi(), row.3, "{case}");
                    assert_eq!(note.sounding_midi, row.4, "{case}");
                    assert_eq!(note.grace, row.5, "{case}");
                }
            }
        }
        n_files += 1;
    }
    assert!(n_files >= 6);
}

/// Beats: the pickup counts from the end of the full bar, 6/8 has dotted quarters.
/// Slurs: a note that ends one slur and begins the next is slurred (MusicXML 4.0, `slur`).
#[test]
fn the_study_has_its_beats_slurs_and_signs() {
    let line = line(&file("study.musicxml"));
    let tempo = line.tempo.unwrap();
    assert_eq!((tempo.beat_quarters, tempo.bpm), (1.0, 92.0));
    assert_eq!(line.transpose_semitones, -2);
    assert_eq!(line.key.fifths, 5);
    let first: Vec<(&str, f64, bool)> = line.notes[..6]
        .iter()
        .map(|n| (n.bar.as_str(), (n.beat * 1e3).round() / 1e3, n.slurred))
        .collect();
    assert_eq!(
        first,
        [
            ("0", 3.0, false),
            ("1", 1.0, true),
            ("1", 1.333, true),
            ("1", 1.667, true),
            ("1", 2.0, true),
            ("1", 3.0, false),
        ]
    );
    let compound: Vec<f64> = line
        .notes
        .iter()
        .filter(|n| n.bar == "3")
        .map(|n| (n.beat * 1e3).round() / 1e3)
        .collect();
    assert_eq!(compound, [1.0, 1.333, 1.667, 2.0, 2.333, 2.667]);
    assert_eq!(line.notes.iter().filter(|n| n.fermata).count(), 1);
    assert_eq!(
        line.notes
            .iter()
            .filter(|n| !n.articulations.is_empty())
            .count(),
        1
    );
}

/// MusicXML 4.0, "Compressed .mxl files" and XML 1.0 appendix F: one score, however it is stored.
#[test]
fn encodings_archives_and_timewise_order_give_the_same_line() {
    let plain = file("study.musicxml");
    let expected = line(&plain);
    let text = String::from_utf8(plain.clone()).unwrap();
    let utf_16 = text.replace("UTF-8", "UTF-16");
    let utf_16: Vec<u8> = [0xFF, 0xFE]
        .into_iter()
        .chain(utf_16.encode_utf16().flat_map(u16::to_le_bytes))
        .collect();
    assert_eq!(line(&utf_16), expected);

    let mut archive = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = zip::write::SimpleFileOptions::default();
    archive
        .start_file("META-INF/container.xml", options)
        .unwrap();
    archive
        .write_all(
            b"<container><rootfiles><rootfile full-path='a/score.xml'/></rootfiles></container>",
        )
        .unwrap();
    archive.start_file("a/score.xml", options).unwrap();
    archive.write_all(&plain).unwrap();
    let archive = archive.finish().unwrap().into_inner();
    assert_eq!(line(&archive), expected);
    // Cut behind the score, the archive has lost its directory.
    let cut = line(&archive[..archive.len() - 30]);
    assert_eq!(cut.notes, expected.notes);
    assert_eq!(cut.problems.len(), 1);

    let timewise = text
        .replace("score-partwise", "score-timewise")
        .replace("<part id=\"P1\">", "")
        .replace("</part>", "")
        .replace("</measure>", "</part></measure>");
    let timewise = timewise
        .split_inclusive('\n')
        .map(|l| {
            if l.starts_with("<measure") {
                format!("{l}<part id=\"P1\">")
            } else {
                l.to_string()
            }
        })
        .collect::<String>();
    assert_eq!(line(timewise.as_bytes()).notes, expected.notes);
}

/// MusicXML 4.0, `concert-score` and `for-part`: stored pitches sound, the player reads others.
#[test]
fn a_concert_score_is_written_for_the_player() {
    let music = format!(
        "<measure number='1'><attributes><divisions>1</divisions><key><fifths>-2</fifths></key><for-part><part-transpose><diatonic>-1</diatonic><chromatic>-2</chromatic><octave-change>-1</octave-change></part-transpose></for-part></attributes>{}</measure>",
        "<note><pitch><step>B</step><alter>-1</alter><octave>2</octave></pitch><duration>1</duration></note>"
    );
    let text = page(&music).replace(
        "<part-list>",
        "<defaults><concert-score/></defaults><part-list>",
    );
    let line = line(text.as_bytes());
    assert_eq!(line.notes[0].written.to_string(), "C4");
    assert_eq!(line.notes[0].sounding_midi, 46);
    assert_eq!(line.key.fifths, 0);
    assert_eq!(line.transpose_semitones, -14);
}

/// MusicXML 4.0, `tie`, `cue`, `unpitched`, `repeat`: what sounds, what only shows.
#[test]
fn ties_cues_and_strokes_follow_the_standard() {
    let tie = "<tie type='start'/>";
    let music = format!(
        "<measure number='1'>{FOUR_FOUR}{}{}{}{}</measure>",
        quarter("C", "", tie),
        quarter("C", "", ""),
        quarter("D", "<cue/>", ""),
        "<note><unpitched/><duration>1</duration></note>",
    );
    let line = line(page(&music).as_bytes());
    assert_eq!(names(&line), "C");
    assert_eq!(line.notes[0].duration_quarters, 2.0);
    assert_eq!(line.bars[0].length_quarters, 4.0);
    assert_eq!(line.problems.len(), 1, "{:?}", line.problems);
}

#[test]
fn a_lone_tie_stop_is_joined_and_another_pitch_is_not() {
    let stop = "<tie type='stop'/>";
    let music = format!(
        "<measure number='1'>{FOUR_FOUR}{}{}{}{}</measure>",
        quarter("C", "", ""),
        quarter("C", "", stop),
        quarter("D", "", stop),
        quarter(
            "D",
            "",
            "<notations><ornaments><trill-mark/></ornaments></notations>"
        ),
    );
    let line = line(page(&music).as_bytes());
    assert_eq!(names(&line), "C D D");
    assert_eq!(line.notes[2].ornament, Some(Ornament::Trill));
}

/// A bar split by a repeat goes on counting its beats (MusicXML 4.0, `measure`, `implicit`).
#[test]
fn the_second_half_of_a_split_bar_counts_on() {
    let repeat = "<barline location='right'><repeat direction='backward'/></barline>";
    let three = ["C", "D", "E"].map(|s| quarter(s, "", "")).concat();
    let one = quarter("F", "", "");
    let four = ["G", "A", "B", "C"].map(|s| quarter(s, "", "")).concat();
    let music = format!(
        "<measure number='0' implicit='yes'>{FOUR_FOUR}{one}</measure><measure number='1'>{four}</measure><measure number='2'>{three}{repeat}</measure><measure number='X1' implicit='yes'>{one}</measure><measure number='3'>{four}</measure>"
    );
    let line = line(page(&music).as_bytes());
    let beats: Vec<f64> = line.bars.iter().map(|b| b.first_beat).collect();
    assert_eq!(beats, [4.0, 1.0, 1.0, 4.0, 1.0, 1.0, 4.0, 1.0]);
    assert_eq!(line.bars[3].pass, 2);
}

/// Common practice: the words stand under the last bars and count at the double bar.
#[test]
fn da_capo_in_words_counts_at_the_end_of_its_section() {
    let words =
        "<direction><direction-type><words>Menuetto D.C.</words></direction-type></direction>";
    let end = "<barline location='right'><bar-style>light-light</bar-style></barline>";
    let bar = |n: u32, before: &str, step: &str, after: &str| {
        format!(
            "<measure number='{n}'>{before}{}{after}</measure>",
            quarter(step, "", "")
        )
    };
    let music = [
        bar(1, FOUR_FOUR, "C", ""),
        bar(2, words, "D", ""),
        bar(3, "", "E", end),
        bar(4, "", "F", ""),
    ]
    .concat();
    assert_eq!(names(&line(page(&music).as_bytes())), "C D E C D E F");
}

/// MusicXML 4.0, `transpose`: without it the notes sound as written, whatever the part is called.
#[test]
fn a_clarinet_without_transposition_sounds_as_written_and_is_asked_about() {
    let bar = format!(
        "<measure number='1'>{FOUR_FOUR}{}</measure>",
        quarter("C", "", "")
    );
    let read =
        |xml: &str| line_of(Kind::MusicXml, xml.as_bytes(), &LineOptions::default()).unwrap();
    let bare = read(&page(&bar));
    assert_eq!(bare.notes[0].sounding_midi, 60);
    assert!(
        bare.problems
            .iter()
            .any(|p| p.text.contains("--instrument clarinet-bb")),
        "{:?}",
        bare.problems
    );
    let in_c = "<attributes><transpose><chromatic>0</chromatic></transpose></attributes>";
    let said = read(&page(&bar.replace("<note>", &format!("{in_c}<note>"))));
    assert_eq!(
        (said.instrument.as_str(), said.problems.len()),
        ("clarinet-c", 0)
    );
}

/// One measure of these quarters, each letter a note in octave 4, with signs in between.
fn bar(number: &str, music: &[&str]) -> String {
    let note = |m: &&str| match m.len() {
        1 => quarter(m, "", ""),
        _ => m.to_string(),
    };
    let music: Vec<String> = music.iter().map(note).collect();
    format!("<measure number='{number}'>{}</measure>", music.concat())
}

fn sound(attributes: &str) -> String {
    format!("<sound {attributes}/>")
}

/// MusicXML 4.0, `barline`: `location="middle"` stands within a bar, and may repeat there.
#[test]
fn repeats_within_a_bar_are_played_from_there() {
    let middle = |inner: &str| format!("<barline location='middle'>{inner}</barline>");
    let forward = middle("<repeat direction='forward'/>");
    let backward = middle("<repeat direction='backward'/>");
    let music = [
        bar("1", &[FOUR_FOUR, "C", "D", &forward, "E", "F"]),
        bar("2", &["G", "A", &backward, "B", "C"]),
    ]
    .concat();
    let bytes = page(&music).into_bytes();
    let line = line(&bytes);
    assert_eq!(names(&line), "C D E F G A E F G A B C");
    assert_eq!(line.notes[6].beat, 3.0);
    assert_eq!((line.notes[6].bar.as_str(), line.notes[6].pass), ("1", 2));
    assert_eq!(line.notes[11].onset_quarters, 11.0);
    let as_written = order::play_out(&score(&bytes), 0, true);
    assert_eq!(names(&as_written), "C D E F G A B C");
    let beats: Vec<f64> = as_written.notes.iter().map(|n| n.beat).collect();
    assert_eq!(beats, [1.0, 2.0, 3.0, 4.0, 1.0, 2.0, 3.0, 4.0]);
}

/// A note held over a repeat within a bar is one note wherever it is played through, in every
/// part (MusicXML 4.0, `barline`).
#[test]
fn a_note_held_over_a_cut_stays_one() {
    let cut = "<barline location='middle'><repeat direction='backward'/></barline>";
    let half = "<note><pitch><step>G</step><octave>4</octave></pitch><duration>2</duration></note>";
    let upper = bar("1", &[FOUR_FOUR, "C", "D", cut, "E", "F"]);
    let lower = bar("1", &[FOUR_FOUR, "C", half, "F"]);
    let xml = page(&upper).replace(
        "</score-partwise>",
        &format!("<part id='P2'>{lower}</part></score-partwise>"),
    );
    let lower = order::play_out(&score(xml.as_bytes()), 1, false);
    assert_eq!(names(&lower), "C G C G F");
    let lengths: Vec<f64> = lower.notes.iter().map(|n| n.duration_quarters).collect();
    assert_eq!(lengths, [1.0, 1.0, 1.0, 2.0, 1.0]);
}

/// MusicXML 4.0, `sound`: `fine` follows the final note, `segno` and `coda` are where jumps lead,
/// wherever in the bar they stand.
#[test]
fn jumps_within_a_bar_act_there() {
    let (segno, to_coda, coda) = (sound("segno='S'"), sound("tocoda='O'"), sound("coda='O'"));
    let (fine, da_capo) = (sound("fine='yes'"), sound("dacapo='yes'"));
    let dal_segno = sound("dalsegno='S'");
    let fine_inside = [
        bar("1", &[FOUR_FOUR, "C", "D", &fine, "E", "F"]),
        bar("2", &["G", "A", "B", "C", &da_capo]),
    ];
    let from_segno = [
        bar("1", &[FOUR_FOUR, "C", "D", &segno, "E", "F"]),
        bar("2", &["G", "A", &to_coda, "B", "C"]),
        bar("3", &["D", "E", "F", "G", &dal_segno]),
        bar("4", &[&coda, "A", "B", "C", "D"]),
    ];
    // A pickup of a quarter: Fine, and the jump back, are a quarter before the bar's end.
    let pickup = [
        bar("0", &[FOUR_FOUR, "G"]),
        bar("1", &["C", "D", "E", &fine, "F"]),
        bar("2", &["A", "B", "C", &da_capo, "D"]),
    ];
    // Written over the last note for want of space, and without another reason to leave there.
    let over_last = [
        bar("1", &[FOUR_FOUR, "C", "D", "E", &fine, "F"]),
        bar("2", &["G", "A", "B", &da_capo, "C"]),
    ];
    for (music, expected) in [
        (&fine_inside[..], "C D E F G A B C C D"),
        (&from_segno[..], "C D E F G A B C D E F G E F G A A B C D"),
        (&pickup[..], "G C D E F A B C G C D E"),
        (&over_last[..], "C D E F G A B C C D E F"),
    ] {
        assert_eq!(names(&line(page(&music.concat()).as_bytes())), expected);
    }
}

/// MusicXML 4.0, `time-only`: the times through on which a jump, or a note, counts.
#[test]
fn time_only_says_on_which_times() {
    let repeat = "<barline location='right'><repeat direction='backward' times='3'/></barline>";
    let to_coda = sound("tocoda='O' time-only='3'");
    let first_only = quarter("A", "", "").replace("<note>", "<note time-only='1'>");
    let later = quarter("B", "", "").replace("<note>", "<note time-only='2, 3'>");
    let backup = "<backup><duration>1</duration></backup>";
    let music = [
        bar(
            "1",
            &[FOUR_FOUR, "C", &first_only, backup, &later, &to_coda],
        ),
        bar("2", &["D", repeat]),
        bar("3", &["E"]),
        bar("4", &["<sound coda='O'/>", "F"]),
    ]
    .concat();
    assert_eq!(names(&line(page(&music).as_bytes())), "C A D C B D C B F");
}

/// MusicXML 4.0, `offset`: without `sound="yes"` it moves the sign on paper only.
#[test]
fn an_offset_for_the_eye_moves_no_jump() {
    let fine = |offset: &str| {
        format!(
            "<direction><direction-type><words>Fine</words></direction-type>{offset}<sound fine='yes'/></direction>"
        )
    };
    let da_capo = sound("dacapo='yes'");
    let played = |offset: &str| {
        let music = [
            bar("1", &[FOUR_FOUR, "C", "D", "E", "F", &fine(offset)]),
            bar("2", &["G", "A", "B", "C", &da_capo]),
        ];
        names(&line(page(&music.concat()).as_bytes()))
    };
    let eye = "<offset>-2</offset>";
    assert_eq!(played(eye), "C D E F G A B C C D E F");
    assert_eq!(
        played(&eye.replace(">-", " sound='yes'>-")),
        "C D E F G A B C C D"
    );
}

/// MusicXML 4.0, `dynamics`: in a direction before a note, or among the note's notations.
#[test]
fn dynamics_stand_at_their_notes() {
    let mark = |sign: &str| {
        format!(
            "<direction><direction-type><dynamics>{sign}</dynamics></direction-type></direction>"
        )
    };
    let accented = quarter(
        "E",
        "",
        "<notations><dynamics><sfz/></dynamics></notations>",
    );
    let rest = "<note><rest/><duration>1</duration></note>";
    let other = mark("<other-dynamics>più f</other-dynamics>");
    let music = [
        bar(
            "1",
            &[
                FOUR_FOUR,
                &mark("<mf/>"),
                "C",
                "D",
                &accented,
                &mark("<p/>"),
                rest,
            ],
        ),
        bar("2", &["F", &other, "G"]),
    ]
    .concat();
    let line = line(page(&music).as_bytes());
    let marks: Vec<&str> = line
        .notes
        .iter()
        .map(|n| n.dynamic.as_deref().unwrap_or("-"))
        .collect();
    assert_eq!(marks, ["mf", "-", "sfz", "p", "più f"]);
}

/// Faults leave the rest of the line, each with its place.
#[test]
fn faults_are_told_with_their_place() {
    for (fault, notes) in [
        ("<duration>1</duration>", "C D E F"),
        ("<duration>-1</duration>", "C D E F"),
        ("<duration>nan</duration>", "C D E F"),
        ("<duration>1e300</duration>", "C D E F"),
        ("", "C D E F"),
    ] {
        let faulty =
            quarter("D", "", "<type>quarter</type>").replace("<duration>1</duration>", fault);
        let music = format!(
            "<measure number='1'>{FOUR_FOUR}\n{}\n{faulty}\n{}{}</measure>",
            quarter("C", "", ""),
            quarter("E", "", ""),
            quarter("F", "", ""),
        );
        let line = line(page(&music).as_bytes());
        assert_eq!(names(&line), notes, "{fault}");
        assert_eq!(line.notes[2].onset_quarters, 2.0, "{fault}");
        let places: Vec<&str> = line.problems.iter().map(|p| p.place.as_str()).collect();
        let expected: &[&str] = if fault == "<duration>1</duration>" {
            &[]
        } else {
            &["line 3, column 1"]
        };
        assert_eq!(places, expected, "{fault}");
    }
}

/// One broken tag, even the root's or the part's, does not take the line away.
#[test]
fn broken_outer_tags_leave_the_line() {
    let text = String::from_utf8(file("study.musicxml")).unwrap();
    let expected = line(text.as_bytes());
    for (whole, broken) in [
        ("<score-partwise version", "<score-part>ise version"),
        ("<score-partwise version=\"4.0\">", "<score-"),
        ("<part id=\"P1\">", "<pa=rt id=\"P1\">"),
        ("<part id=\"P1\">", "<part id=\"P1\""),
        ("</part>", "</prat>"),
        ("</part-list>", ""),
    ] {
        assert!(text.contains(whole));
        let found = line(text.replace(whole, broken).as_bytes());
        assert_eq!(found.notes, expected.notes, "{broken}");
        assert!(!found.problems.is_empty(), "{broken}");
    }
}

#[test]
fn a_billion_repeats_end_in_a_problem() {
    let music = format!(
        "<measure number='1'>{FOUR_FOUR}{}<barline location='right'><repeat direction='backward' times='1000000000'/></barline></measure>",
        quarter("C", "", "")
    );
    let line = line(page(&music).as_bytes());
    assert!(line.notes.len() <= 100_000);
    assert_eq!(line.problems.len(), 1);
}

/// A few kilobytes that unpack to gigabytes are refused, not unpacked.
#[test]
fn a_zip_bomb_is_refused() {
    let mut archive = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let options = zip::write::SimpleFileOptions::default();
    archive.start_file("score.xml", options).unwrap();
    let blanks = vec![b' '; 1 << 20];
    for _ in 0..64 {
        archive.write_all(&blanks).unwrap();
    }
    let archive = archive.finish().unwrap().into_inner();
    assert!(archive.len() < 1 << 20);
    assert!(musicxml::read(&archive, None).is_err());
}

#[test]
fn deep_nesting_and_wrong_roots_are_refused_or_read() {
    let deep = "<a>".repeat(100_000);
    assert!(musicxml::read(deep.as_bytes(), None).is_err());
    assert!(musicxml::read(b"<opus/>", None).is_err());
    assert!(musicxml::read(b"<score-partwise/>", None).is_err());
}

fn any_file() -> impl Strategy<Value = Vec<u8>> {
    prop::sample::select(vec![
        "study",
        "repeats",
        "voices",
        "transposing",
        "dal_segno",
    ])
    .prop_map(|name| file(&format!("{name}.musicxml")))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn damaged_files_never_panic(
        mut bytes in any_file(),
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
    ) {
        for (at, byte) in damage {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        if let Ok(score) = musicxml::read(&bytes, None) {
            for i in 0..score.parts.len() {
                let line = order::play_out(&score, i, false);
                prop_assert!(line.notes.iter().all(|n| n.onset_quarters.is_finite()
                    && n.duration_quarters >= 0.0 && n.beat.is_finite()));
            }
        }
    }

    /// What is left of a cut file is a beginning of the whole, and the cut is told.
    #[test]
    fn a_cut_file_gives_the_beginning_of_the_line(at in any::<prop::sample::Index>()) {
        let whole = file("study.musicxml");
        let end = at.index(whole.len());
        let expected = order::play_out(&score(&whole), 0, true);
        if let Ok(score) = musicxml::read(&whole[..end], None)
            && !score.parts.is_empty()
        {
            let cut = order::play_out(&score, 0, true);
            prop_assert!(cut.notes.len() <= expected.notes.len());
            for (a, b) in cut.notes.iter().zip(&expected.notes) {
                prop_assert_eq!(a.written, b.written);
                prop_assert_eq!(a.onset_quarters, b.onset_quarters);
            }
            prop_assert!(end + 2 > whole.len() || !cut.problems.is_empty());
        }
    }
}
