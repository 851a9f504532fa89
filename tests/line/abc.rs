//! The ABC reader held to the text of the ABC music standard 2.1 (section numbers are its) and,
//! at the end, to what music21 10 reads in the same files.

use passagework::line::read::{Kind, LineError, LineOptions, kind_of, line_of};
use passagework::line::{Articulation, Line, LineNote, Ornament};
use proptest::prelude::*;

fn read_with(text: &str, options: &LineOptions) -> Result<Line, LineError> {
    line_of(Kind::Abc, text.as_bytes(), options)
}

/// A tune in C, 4/4, default length 1/8, with `music` as its body.
fn tune(music: &str) -> Line {
    headed("M:4/4\nL:1/8\nK:C", music)
}

fn headed(header: &str, music: &str) -> Line {
    let text = format!("X:1\nT:Test\n{header}\n{music}\n");
    read_with(&text, &LineOptions::default()).unwrap_or_else(|e| panic!("{text}: {e}"))
}

fn each<T: std::fmt::Display>(line: &Line, what: impl Fn(&LineNote) -> T) -> String {
    line.notes
        .iter()
        .map(|n| what(n).to_string())
        .collect::<Vec<_>>()
        .join(" ")
}

fn written(line: &Line) -> String {
    each(line, |n| n.written)
}

/// Lengths in default lengths of an eighth.
fn eighths(line: &Line) -> Vec<f64> {
    line.notes
        .iter()
        .map(|n| n.duration_quarters * 2.0)
        .collect()
}

fn bars(line: &Line) -> String {
    each(line, |n| n.bar.clone())
}

/// Problems as one text, to search in.
fn said(line: &Line) -> String {
    line.problems
        .iter()
        .map(|p| format!("{}: {}\n", p.place, p.text))
        .collect()
}

fn assert_close(found: &[f64], wanted: &[f64], case: &str) {
    let close =
        found.len() == wanted.len() && found.iter().zip(wanted).all(|(f, w)| (f - w).abs() < 1e-6);
    assert!(
        close,
        "{case}: found {found:?}, wanted {wanted:?}, tolerance 1e-6"
    );
}

#[test]
fn section_4_1_pitches_and_octave_marks() {
    assert_eq!(
        written(&tune("C,D,E,F, CDEF GABc defg abc'd'|")),
        "C3 D3 E3 F3 C4 D4 E4 F4 G4 A4 B4 C5 D5 E5 F5 G5 A5 B5 C6 D6"
    );
    assert_eq!(written(&tune("C,, C,' c, c,, c''|")), "C2 C4 C4 C3 C7");
}

#[test]
fn section_4_2_accidentals_hold_to_the_bar_line_in_all_octaves() {
    assert_eq!(written(&tune("^c =c _c ^^c __c|")), "C#5 C5 Cb5 C##5 Cbb5");
    assert_eq!(
        written(&tune("^F F f|F =F ^F F|")),
        "F#4 F#4 F#5 F4 F4 F#4 F#4"
    );
    let octave = "I:propagate-accidentals octave\nM:4/4\nL:1/8\nK:C";
    assert_eq!(written(&headed(octave, "^F F f|F|")), "F#4 F#4 F5 F4");
    let not = "%%propagate-accidentals not\nM:4/4\nL:1/8\nK:C";
    assert_eq!(written(&headed(not, "^F F f|")), "F#4 F4 F5");
    // Common practice: a tie takes its accidental over the bar line, and no further.
    assert_eq!(written(&tune("^f4-|f2 f2|")), "F#5 F5");
    // Microtones are rounded to semitones.
    assert_eq!(written(&tune("^3/2c|^/d _1/4e|")), "C##5 D#5 E5");
}

#[test]
fn section_4_3_lengths() {
    let line = tune("A A2 A3 A/ A/2 A// A/4 A3/2 A7/ A16|");
    assert_close(
        &eighths(&line),
        &[1.0, 2.0, 3.0, 0.5, 0.5, 0.25, 0.25, 1.5, 3.5, 16.0],
        "lengths",
    );
}

/// 3.1.7: the default length follows the metre of the header and not that of the body.
#[test]
fn section_3_1_7_default_lengths() {
    for (metre, quarters) in [
        ("2/4", 0.25),
        ("3/4", 0.5),
        ("4/4", 0.5),
        ("6/8", 0.5),
        ("C", 0.5),
        ("C|", 0.5),
        ("none", 0.5),
    ] {
        let line = headed(&format!("M:{metre}\nK:C"), "A|");
        assert_eq!(line.notes[0].duration_quarters, quarters, "M:{metre}");
    }
    let line = headed("M:4/4\nK:C", "A|[M:2/4]A|[L:1/4]A|");
    assert_close(
        &eighths(&line),
        &[1.0, 1.0, 2.0],
        "M: in the body leaves L: alone",
    );
}

/// 4.4: `a>b` is 3/2 and 1/2, `>>` 7/4 and 1/4, `>>>` 15/8 and 1/8; 4.12: grace notes between
/// do not count.
#[test]
fn section_4_4_broken_rhythm() {
    for (music, wanted) in [
        ("a>b", [1.5, 0.5]),
        ("a<b", [0.5, 1.5]),
        ("a>>b", [1.75, 0.25]),
        ("a<<b", [0.25, 1.75]),
        ("a>>>b", [1.875, 0.125]),
        ("a > b", [1.5, 0.5]),
        ("A>!trill!B", [1.5, 0.5]),
        ("[ac]>[bd]", [1.5, 0.5]),
    ] {
        assert_close(&eighths(&tune(&format!("{music}|"))), &wanted, music);
    }
    for music in ["A>{g}A|", "A{g}>A|"] {
        let line = tune(music);
        assert_close(&eighths(&line), &[1.5, 0.0, 0.5], music);
        assert_close(&[line.notes[1].onset_quarters], &[0.75], music);
    }
    assert_close(
        &eighths(&tune("a2<d2 a>z b|")),
        &[1.0, 3.0, 1.5, 1.0],
        "rests take part",
    );
}

#[test]
fn section_4_5_rests() {
    let line = tune("A z A x2 A|Z2|A4 z4|X|A8|");
    let onsets: Vec<f64> = line.notes.iter().map(|n| n.onset_quarters).collect();
    assert_close(&onsets, &[0.0, 1.0, 2.5, 11.0, 19.0], "rests");
    assert_eq!(bars(&line), "0 0 0 3 5");
    let line = tune("A6 Z2|B8|");
    assert_close(
        &[line.notes[1].onset_quarters],
        &[4.0],
        "Z within a bar is z",
    );
}

/// 4.6, the standard's own example: `K:C transpose=-2` is a clarinet in B flat.
#[test]
fn section_4_6_transpose_and_octave() {
    let line = headed("L:1/8\nK:C transpose=-2", "c|");
    assert_eq!(
        (written(&line).as_str(), line.notes[0].sounding_midi),
        ("C5", 70)
    );
    assert_eq!(line.instrument, "unknown");
    let line = headed("L:1/8\nK:C octave=-1", "c|");
    assert_eq!(
        (written(&line).as_str(), line.notes[0].sounding_midi),
        ("C4", 60)
    );
    let line = headed("L:1/8\nK:C clef=treble-8", "c|");
    assert_eq!(
        (written(&line).as_str(), line.notes[0].sounding_midi),
        ("C5", 60)
    );
    let line = headed("L:1/8\nK:C", "c|[K:C transpose=3]c|");
    assert_eq!(each(&line, |n| n.sounding_midi), "72 75");
    let clarinet = LineOptions {
        instrument: Some("clarinet-a".into()),
        ..LineOptions::default()
    };
    let line = read_with("X:1\nK:C transpose=-2\nc|[K:C transpose=3]c|\n", &clarinet).unwrap();
    assert_eq!(
        (
            line.instrument.as_str(),
            each(&line, |n| n.sounding_midi).as_str()
        ),
        ("clarinet-a", "69 69")
    );
}

/// 4.8 and 4.9: where repeats go back to, endings, and how often.
#[test]
fn section_4_8_to_4_10_repeats_and_endings() {
    for (music, wanted) in [
        ("|:A8|B8:|c8|", "A4 B4 A4 B4 C5"),
        ("A8|B8:|c8|", "A4 B4 A4 B4 C5"),
        ("A8||B8:|c8|", "A4 B4 B4 C5"),
        ("A8:|B8:|", "A4 A4 B4 B4"),
        ("|:A8::B8:|", "A4 A4 B4 B4"),
        ("|:A8:||:B8:|", "A4 A4 B4 B4"),
        ("|::A8::|B8|", "A4 A4 A4 B4"),
        ("|:A8|1B8:|2c8|]", "A4 B4 A4 C5"),
        ("|:A8|[1B8:|[2c8||d8|", "A4 B4 A4 C5 D5"),
        ("A8|1B8:|2c8||d8:|", "A4 B4 A4 C5 D5 D5"),
        ("|:A8|[1,3B8:|[2c8:|[4d8|]", "A4 B4 A4 C5 A4 B4 A4 D5"),
        ("|:A8|[1-3B8:|[4c8|]", "A4 B4 A4 B4 A4 B4 A4 C5"),
        ("|:A8||B8:|", "A4 B4 A4 B4"),
        ("A8|\n|B8|\n", "A4 B4"),
        ("|:A8|1B8:|2c8:|:d8:|", "A4 B4 A4 C5 D5 D5"),
    ] {
        assert_eq!(written(&tune(music)), wanted, "{music}");
    }
    let text = "X:1\nL:1/8\nK:C\n|:A8|1B8:|2c8|]\n";
    let as_written = LineOptions {
        as_written: true,
        ..LineOptions::default()
    };
    assert_eq!(written(&read_with(text, &as_written).unwrap()), "A4 B4 C5");
}

#[test]
fn section_4_11_ties_and_slurs() {
    let line = tune("abc4-|c4 c-c|");
    assert_eq!(written(&line), "A5 B5 C5 C5");
    assert_close(&eighths(&line), &[1.0, 1.0, 8.0, 2.0], "ties");
    assert_close(
        &eighths(&tune("c4.-c4|[CEG]4-[CEG]4|")),
        &[8.0, 8.0],
        "dotted tie, tied chords",
    );
    let slurred = |music: &str| each(&tune(music), |n| u8::from(n.slurred));
    assert_eq!(slurred("(CDE)F|"), "0 1 1 0");
    assert_eq!(slurred("(c d (e) f g a)b|"), "0 1 1 1 1 1 0");
    assert_eq!(slurred("(c (d e f) g a)b|"), "0 1 1 1 1 1 0");
    assert_eq!(slurred("(CD)(EF).(GA)|"), "0 1 0 1 0 1");
    assert_eq!(slurred("({a}CD)(E{f}F)|"), "0 1 1 0 1 1");
    // A slur without its end proves nothing about the rest of the tune.
    let line = tune("(CDEF|GABc)d)|");
    assert_eq!(each(&line, |n| u8::from(n.slurred)), "0 1 1 1 1 1 1 1 0");
    assert!(
        said(&line).contains("line 6, column 13: this slur ends but never began"),
        "{}",
        said(&line)
    );
    assert_eq!(slurred("(CD EF|GA|"), "0 0 0 0 0 0");
}

#[test]
fn section_4_12_grace_notes() {
    let line = tune("{g}A{/gef}B|{a}|c|");
    assert_eq!(each(&line, |n| u8::from(n.grace)), "1 0 1 1 1 0 1 0");
    assert_close(
        &eighths(&line),
        &[0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 1.0],
        "grace notes",
    );
    assert_eq!(each(&line, |n| n.bar.clone()), "0 0 0 0 0 0 1 1");
}

/// 4.13: the table of tuplets, and n: three in 6/8, 9/8 and 12/8, two elsewhere.
#[test]
fn section_4_13_tuplets() {
    for (p, q) in [
        (2, 3.0),
        (3, 2.0),
        (4, 3.0),
        (5, 2.0),
        (6, 2.0),
        (7, 2.0),
        (8, 3.0),
        (9, 2.0),
    ] {
        let line = tune(&format!("({p}{}a|", "a".repeat(p)));
        let wanted: Vec<f64> = [q / p as f64].repeat(p).into_iter().chain([1.0]).collect();
        assert_close(&eighths(&line), &wanted, &format!("({p} in 4/4"));
    }
    for metre in ["6/8", "9/8", "12/8"] {
        for p in [5, 7, 9] {
            let line = headed(
                &format!("M:{metre}\nL:1/8\nK:C"),
                &format!("({p}{}|", "a".repeat(p)),
            );
            assert_close(
                &eighths(&line),
                &[3.0 / p as f64].repeat(p),
                &format!("({p} in {metre}"),
            );
        }
    }
    for (music, wanted) in [
        ("(3:2:2 G4 c2", vec![8.0 / 3.0, 4.0 / 3.0]),
        (
            "(3:2:4 G2 A2 B c",
            vec![4.0 / 3.0, 4.0 / 3.0, 2.0 / 3.0, 2.0 / 3.0],
        ),
        ("(3::2 G4c2", vec![8.0 / 3.0, 4.0 / 3.0]),
        ("(3::: abc", vec![2.0 / 3.0; 3]),
        ("(3:2 abc d", vec![2.0 / 3.0, 2.0 / 3.0, 2.0 / 3.0, 1.0]),
        ("(3a{g}bc", vec![2.0 / 3.0, 0.0, 2.0 / 3.0, 2.0 / 3.0]),
        ("((3abc)", vec![2.0 / 3.0; 3]),
        ("(3a>bc", vec![1.0, 1.0 / 3.0, 2.0 / 3.0]),
    ] {
        assert_close(&eighths(&tune(&format!("{music}|"))), &wanted, music);
    }
    assert_eq!(tune("(3abc (3abc|d").notes[6].onset_quarters, 2.0);
}

#[test]
fn section_4_14_decorations() {
    let line = tune("!trill!A MB PB TB !turn!c !invertedturn!c ~c|");
    let ornaments: Vec<Option<Ornament>> = line.notes.iter().map(|n| n.ornament).collect();
    use Ornament::*;
    assert_eq!(
        ornaments,
        [
            Trill,
            Mordent,
            InvertedMordent,
            Trill,
            Turn,
            InvertedTurn,
            Turn
        ]
        .map(Some)
    );
    let line = tune(".A !>!B LB !tenuto!c !wedge!c !.!!>!d +accent+d|");
    let articulations: Vec<&[Articulation]> = line
        .notes
        .iter()
        .map(|n| n.articulations.as_slice())
        .collect();
    use Articulation::*;
    assert_eq!(
        articulations,
        [
            &[Staccato][..],
            &[Accent],
            &[Accent],
            &[Tenuto],
            &[Staccatissimo],
            &[Staccato, Accent],
            &[Accent]
        ]
    );
    let line = tune("HA !fermata!B A!breath!|c !breath!d e|");
    assert_eq!(each(&line, |n| u8::from(n.fermata)), "1 1 0 0 0 0");
    assert_eq!(each(&line, |n| u8::from(n.breath_after)), "0 0 1 0 1 0");
    // 4.16: U: gives a sign another meaning.
    let line = headed("U: T = !fermata!\nU: k = !trill!\nK:C", "TA kB|");
    assert!(line.notes[0].fermata && line.notes[0].ornament.is_none());
    assert_eq!(line.notes[1].ornament, Some(Trill));
}

#[test]
fn section_4_14_jumps() {
    for (music, wanted) in [
        ("A8|!fine!B8|c8!D.C.!|", "A4 B4 C5 A4 B4"),
        ("A8|!segno!B8|!fine!c8|d8!D.S.!|", "A4 B4 C5 D5 B4 C5"),
        ("A8|B8!dacoda!|c8!dacapo!|!coda!d8|", "A4 B4 C5 A4 B4 D5"),
        ("A8|SB8|c8O|d8!D.S.!|Oe8|", "A4 B4 C5 D5 B4 C5 E5"),
    ] {
        assert_eq!(written(&tune(music)), wanted, "{music}");
    }
}

#[test]
fn section_4_17_chords_give_their_top_note() {
    let line = tune("[CEGc]4 [A2F2]2 [^c3e]|");
    assert_eq!(written(&line), "C5 A4 E5");
    assert_close(
        &eighths(&line),
        &[4.0, 4.0, 3.0],
        "the first note gives the length",
    );
    assert!(
        said(&line).contains("line 6, column 1: from here on there are chords, 3 in all"),
        "{}",
        said(&line)
    );
}

#[test]
fn section_4_18_to_4_19_symbols_and_annotations_are_for_the_eye() {
    assert_eq!(
        written(&tune("\"Am7\"A\"^slowly [c]|\"B\"<(\"c|")),
        "A4 B4 C5"
    );
    assert_eq!(written(&tune("A`B y3 c \\\nd|% c|\ne|")), "A4 B4 C5 D5 E5");
}

/// 3.1.9: the order of sections; each with its own repeats.
#[test]
fn section_3_1_9_order_of_sections() {
    let text = "X:1\nP:A2.(BA)2\nL:1/8\nK:C\nP:A\nA8|\nP:B\n|:B8:|\n";
    let line = read_with(text, &LineOptions::default()).unwrap();
    assert_eq!(written(&line), "A4 A4 B4 B4 A4 B4 B4 A4");
    assert_eq!(bars(&line), "1 1 2 2 1 2 2 1");
    assert_eq!(each(&line, |n| n.pass), "1 2 1 2 3 3 4 4");
    let as_written = LineOptions {
        as_written: true,
        ..LineOptions::default()
    };
    assert_eq!(written(&read_with(text, &as_written).unwrap()), "A4 B4");
}

#[test]
fn section_7_voices_are_parts() {
    let text = "X:1\nM:4/4\nL:1/8\nV:T1 name=\"Clarinet in A\" transpose=-3\nV:T2 name=Bass clef=bass\nK:G\n\
                V:T1\nFAB2|\nV:T2\nG,8|\n[V:T1]c8|\n[V:T2]B,8|\n";
    let choose = |part: &str| {
        let options = LineOptions {
            part: Some(part.into()),
            ..LineOptions::default()
        };
        read_with(text, &options)
    };
    let first = read_with(text, &LineOptions::default()).unwrap();
    assert_eq!(
        (written(&first).as_str(), first.instrument.as_str()),
        ("F#4 A4 B4 C5", "clarinet-a")
    );
    assert_eq!(first.parts, ["Clarinet in A", "Bass"]);
    assert_eq!(first.notes[0].sounding_midi, 63);
    assert_eq!(written(&choose("2").unwrap()), "G3 B3");
    assert_eq!(written(&choose("bass").unwrap()), "G3 B3");
    assert!(matches!(choose("oboe"), Err(LineError::NoSuchPart { .. })));
}

/// 7.4: overlays; the first voice is the line.
#[test]
fn section_7_4_overlay_gives_its_first_voice() {
    let line = tune("A2 B2 c4 & C8|^d8 & F4 D4|d8|");
    assert_eq!(written(&line), "A4 B4 C5 D#5 D5");
    assert!(said(&line).contains("the first is taken"));
    assert_eq!(written(&tune("(&A8|B8&C8|D8&)|c8|")), "A4 B4 C5");
}

#[test]
fn section_9_macros() {
    let line = headed("L:1/8\nm: ~G3 = G{A}G{F}G\nK:C", "~G3 c|");
    assert_eq!(written(&line), "G4 A4 G4 F4 G4 C5");
}

#[test]
fn section_2_2_tunes_are_chosen_by_number() {
    let text =
        "%abc-2.1\nL:1/4\n\nX:7\nT:One\nK:C\nA|\n\nThis is text. A B C\n\nX: 12\nT:Two\nK:C\nB|\n";
    let choose = |tune| {
        let options = LineOptions {
            tune,
            ..LineOptions::default()
        };
        read_with(text, &options)
    };
    let first = choose(None).unwrap();
    assert_eq!(
        (first.title.as_str(), written(&first).as_str()),
        ("One", "A4")
    );
    assert_eq!(
        first.notes[0].duration_quarters, 1.0,
        "L: of the file header"
    );
    assert_eq!(choose(Some(12)).unwrap().title, "Two");
    let error = choose(Some(3)).unwrap_err();
    assert_eq!(error.to_string(), "there is no tune 3; the file has 7, 12");
}

/// Bars as players count them: the pickup is bar 0 and ends the bar before the first; a bar that
/// a repeat cuts goes on. Common practice of numbering.
#[test]
fn bars_and_beats() {
    let line = tune("A2|:B8|c6:|d2|e8|");
    assert_eq!(bars(&line), "0 1 2 1 2 2 3");
    assert_close(
        &line.notes.iter().map(|n| n.beat).collect::<Vec<_>>(),
        &[4.0, 1.0, 1.0, 1.0, 1.0, 4.0, 1.0],
        "beats",
    );
    let line = headed("M:6/8\nL:1/8\nK:C", "c|A2BcdA|");
    assert_close(
        &line.notes.iter().map(|n| n.beat).collect::<Vec<_>>(),
        &[
            2.0 + 2.0 / 3.0,
            1.0,
            1.0 + 2.0 / 3.0,
            2.0,
            2.0 + 1.0 / 3.0,
            2.0 + 2.0 / 3.0,
        ],
        "dotted quarters are the beat of 6/8",
    );
    let line = headed("M:C|\nL:1/4\nK:C", "ABcd|");
    assert_close(
        &line.notes.iter().map(|n| n.beat).collect::<Vec<_>>(),
        &[1.0, 1.5, 2.0, 2.5],
        "halves in C|",
    );
    let line = headed("M:4/4\nL:1/8\nK:C", "A8|");
    assert_eq!((line.notes[0].bar.as_str(), line.notes[0].beat), ("1", 1.0));
}

#[test]
fn heading_of_a_tune() {
    let line = headed("C:Nobody\nM:3/4\nL:1/8\nQ:\"Slow\" 1/4=63\nK:F#m", "FGA|");
    assert_eq!(
        (line.title.as_str(), line.key.fifths, line.key.mode.as_str()),
        ("Test", 3, "minor")
    );
    assert_eq!(
        line.tempo.map(|t| (t.beat_quarters, t.bpm)),
        Some((1.0, 63.0))
    );
    let line = headed("T:Second title\nK:C", "[Q:3/8=50]A|[Q:1/4=200]B|");
    assert_eq!(
        line.tempo.map(|t| (t.beat_quarters, t.bpm)),
        Some((1.5, 50.0))
    );
    assert_eq!(
        read_with(
            "X:1\nT:\\'Etude n\\u00b0 1\nK:C\nA|",
            &LineOptions::default()
        )
        .unwrap()
        .title,
        "Étude n° 1"
    );
}

#[test]
fn faults_are_said_with_their_place_and_read_over() {
    for (header, music, wanted, problem) in [
        ("K:Q", "AB|", "A4 B4", "line 3: \"Q\" is no key"),
        ("M:4/0\nK:C", "AB|", "A4 B4", "line 3: \"4/0\" is no metre"),
        (
            "L:1/0\nK:C",
            "AB|",
            "A4 B4",
            "line 3: \"1/0\" is no note length",
        ),
        (
            "Q:1/4=0\nK:C",
            "AB|",
            "A4 B4",
            "line 3: \"1/4=0\" is no tempo",
        ),
        (
            "K:C",
            "A%\nA/0 B|",
            "A4 B4",
            "line 5, column 1: this length cannot be",
        ),
        (
            "K:C",
            "(0AB|",
            "A4 B4",
            "line 4, column 1: a tuplet of 0:2:0 cannot be",
        ),
        ("K:C", "(999999999:1:999999999AB|", "A4 B4", "cannot be"),
        ("K:C", "A}B{c", "A4 B4 C5", ""),
        (
            "K:C",
            ">AB|",
            "A4 B4",
            "line 4, column 1: a broken rhythm needs a note before it",
        ),
        (
            "K:C",
            "-AB|",
            "A4 B4",
            "line 4, column 1: a tie needs a note before it",
        ),
        (
            "K:C",
            "A [CE B|",
            "A4 C4 E4 B4",
            "line 4, column 3: \"[\" has no meaning here",
        ),
        (
            "K:C",
            "A ^ 3 B|",
            "A4 B4",
            "line 4, column 3: \"^\" has no meaning here",
        ),
        (
            "K:C",
            "A,,,,,,,,,,,, B|",
            "B4",
            "no instrument reaches this octave",
        ),
        (
            "I:abc-include other.abc\nK:C",
            "AB|",
            "A4 B4",
            "line 3: the file other.abc is not read in",
        ),
        ("P:AZ\nK:C", "P:A\nAB|", "A4 B4", "there is no section Z"),
        ("K:C", "A-B|", "A4 B4", "a tie leads to B4, another pitch"),
        (
            "K:C",
            "A|\n\nB|\n",
            "A4 B4",
            "line 6: a blank line ends a tune",
        ),
    ] {
        let line = headed(header, music);
        assert_eq!(written(&line), wanted, "{header} {music}");
        assert!(
            said(&line).contains(problem),
            "{header} {music}: {}",
            said(&line)
        );
    }
}

#[test]
fn monstrous_numbers_are_bounded() {
    for music in [
        "Z999999999|A|",
        "A999999999|B|",
        "|:::::::::::::::A|B::::::::::::|",
        "|:A|[1-999999999B:|[999999999c|",
        "(128:128:128 A|",
        &"(".repeat(100_000),
        &"[".repeat(100_000),
        &"{".repeat(100_000),
        &"{c".repeat(100_000),
        &"\"".repeat(100_000),
        &"+".repeat(100_000),
        &format!("{}\n", "[".repeat(5_000)).repeat(400),
        &format!("{}\n", "(c".repeat(2_500)).repeat(40),
        &"A>".repeat(100_000),
        &"|:A".repeat(30_000),
        &"A|Z9999|".repeat(100),
    ] {
        let text = format!("X:1\nL:1/8\nK:C\n{music} A|\n");
        if let Ok(line) = read_with(&text, &LineOptions::default()) {
            assert!(
                line.bars.len() <= 50_001 && line.notes.len() <= 100_001,
                "{:.40}",
                music
            );
        }
    }
    let nested = format!(
        "X:1\nP:{}A{}\nK:C\nP:A\nAB|\n",
        "(".repeat(30),
        "9)".repeat(30)
    );
    let line = read_with(&nested, &LineOptions::default()).unwrap();
    assert!(line.notes.len() <= 100_000);
}

#[test]
fn refusals_where_no_line_is_left() {
    for text in ["X:1\nK:C\n", "X:1\nK:C\nz8|\n", "X:1\n"] {
        assert!(
            matches!(
                read_with(text, &LineOptions::default()),
                Err(LineError::NoNotes { .. })
            ),
            "{text:?}"
        );
    }
    for text in ["", "words only"] {
        let refused = read_with(text, &LineOptions::default());
        assert!(
            matches!(refused, Err(LineError::Unreadable { .. })),
            "{text:?}"
        );
    }
    assert_eq!(kind_of(b"X:1\nK:C\n", "txt"), Some(Kind::Abc));
    assert_eq!(kind_of(b"words", "txt"), None);
    assert_eq!(kind_of(b"words", "ABC"), Some(Kind::Abc));
}

/// Tune by tune what music21 10 reads, as tests/reference/reference_lines.py wrote it down.
#[test]
fn etudes_agree_with_music21() {
    agrees_with_music21(
        include_str!("../../testdata/abc/reference/etudes.abc"),
        include_str!("../../testdata/abc/reference/etudes.json"),
        9,
    );
    agrees_with_music21(
        include_str!("../../testdata/abc/reference/two_four.abc"),
        include_str!("../../testdata/abc/reference/two_four.json"),
        1,
    );
}

fn agrees_with_music21(abc: &str, expected: &str, n_parts: usize) {
    let expected: Vec<serde_json::Value> = serde_json::from_str(expected).unwrap();
    assert_eq!(expected.len(), n_parts);
    for entry in &expected {
        let options = LineOptions {
            tune: entry["tune"].as_u64().map(|n| n as u32),
            part: Some(entry["part"].to_string()),
            as_written: true,
            ..LineOptions::default()
        };
        let line = read_with(abc, &options).unwrap();
        let found: Vec<&LineNote> = line.notes.iter().filter(|n| !n.grace).collect();
        let wanted = entry["notes"].as_array().unwrap();
        assert_eq!(found.len(), wanted.len(), "{}", line.title);
        for (i, (note, wanted)) in found.iter().zip(wanted).enumerate() {
            let case = format!("{}, note {i}", line.title);
            assert_eq!(wanted[0], note.written.midi(), "{case}");
            let times = [note.onset_quarters, note.duration_quarters];
            for (found, wanted) in times.iter().zip([&wanted[1], &wanted[2]]) {
                let wanted = wanted.as_f64().unwrap();
                // The file has six decimals.
                assert!(
                    (found - wanted).abs() < 1e-5,
                    "{case}: {found} for {wanted}"
                );
            }
        }
    }
}

proptest! {
    /// Whatever the text, the reader answers, and its times are finite and in order.
    #[test]
    fn random_music_is_read_or_refused(
        music in "[A-Ga-gz0-9/,'^_=(){}\\[\\]|:<>\\-&.~HTSOM !\"\n%VKLMPQ+]{0,200}",
        header in "(M:[0-9C|/+]{0,6}\n)?(L:[0-9/]{0,5}\n)?(P:[AB()0-9]{0,12}\n)?(Q:[0-9/= C]{0,9}\n)?",
    ) {
        check_invariants(&format!("X:1\n{header}K:Dmix\n{music}\n"))?;
    }

    #[test]
    fn random_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = line_of(Kind::Abc, &bytes, &LineOptions::default());
    }

    /// A good tune with bytes changed, put in and left out.
    #[test]
    fn damaged_tunes_are_read_or_refused(
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..3u8), 1..12),
    ) {
        let mut bytes = include_bytes!("../../testdata/abc/study.abc").to_vec();
        for (at, byte, how) in changes {
            let at = at.index(bytes.len());
            match how {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                _ => { bytes.remove(at); }
            }
        }
        check_invariants(&String::from_utf8_lossy(&bytes))?;
    }
}

fn check_invariants(text: &str) -> Result<(), TestCaseError> {
    let Ok(line) = read_with(text, &LineOptions::default()) else {
        return Ok(());
    };
    prop_assert!(!line.notes.is_empty());
    let mut before = 0.0;
    for note in &line.notes {
        prop_assert!(note.onset_quarters.is_finite() && note.onset_quarters >= before - 1e-9);
        prop_assert!(note.duration_quarters.is_finite() && note.duration_quarters >= 0.0);
        prop_assert!(note.grace || note.duration_quarters > 0.0);
        prop_assert!(note.beat.is_finite() && note.beat >= 1.0 - 1e-9);
        prop_assert!((0..=127).contains(&note.written.midi()));
        prop_assert!(note.bar_idx < line.bars.len());
        before = note.onset_quarters;
    }
    Ok(())
}
