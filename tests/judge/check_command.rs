//! `passagework check` and `passagework hear` as a player runs them: a take of the built-in
//! reed voice with known faults, the report, the JSON, the exit status.

use crate::common::Folder;
use crate::common::wav::write_wav;
use passagework::line::read::{LineOptions, read_line};
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};
use serde_json::Value;

/// Eighths at 120 a quarter, all tongued, for a clarinet in B flat.
const STUDY: &str = "X:1\nT:Small study\nM:4/4\nL:1/8\nQ:1/4=120\nK:G transpose=-2\n\
                     GABc defg|agfe dcBA|GBdg fdBA|G2A2 B2c2|d4 G4|]\n";
const RATE_HZ: u32 = 44_100;

/// A folder with the study and a take of it; note `idx` sounds `by(idx)` semitones off.
fn folder(by: impl Fn(usize) -> i32) -> Folder {
    let folder = Folder::new();
    let path = folder.write("study.abc", STUDY);
    let line = read_line(&path, &LineOptions::default()).expect("the study is read");
    let at = |quarters: f64| 0.6 + 0.5 * quarters;
    let notes: Vec<VoiceNote> = line
        .notes
        .iter()
        .enumerate()
        .map(|(idx, n)| VoiceNote {
            onset_s: at(n.onset_quarters),
            offset_s: at(n.onset_quarters + n.duration_quarters) - 0.035,
            midi: f64::from(n.sounding_midi + by(idx)),
            level_db: 0.0,
            tongued: true,
            blip: None,
        })
        .collect();
    let end_s = notes[notes.len() - 1].offset_s + 0.8;
    let samples = render(&notes, RATE_HZ, end_s, &VoiceOptions::default());
    write_wav(&folder.path("take.wav"), &samples, RATE_HZ);
    folder
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON and nothing else")
}

#[test]
fn a_clean_take_gives_no_finding_and_exit_status_0() {
    let folder = folder(|_| 0);
    let said = folder.run(&["check", "study.abc", "take.wav"]);
    assert_eq!(said.status, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("Nothing to mark."), "{}", said.out);
    assert!(!said.out.contains('\u{1b}') && said.err.is_empty());
    let said = folder.run(&["check", "study.abc", "take.wav", "--json", "-"]);
    let check = json(&said.out);
    assert_eq!(said.status, Some(0));
    assert_eq!(check["findings"].as_array().map(Vec::len), Some(0));
    assert_eq!(check["summary"]["right"], check["summary"]["expected"]);
    let start = check["tempo"]["start_bpm"].as_f64().unwrap();
    assert!((start - 120.0).abs() < 0.6, "start {start}");
}

#[test]
fn a_wrong_note_is_found_said_and_gives_exit_status_1() {
    let folder = folder(|idx| if idx == 11 { -1 } else { 0 });
    let said = folder.run(&["check", "study.abc", "take.wav", "--json", "check.json"]);
    assert_eq!(said.status, Some(1), "{}{}", said.out, said.err);
    assert!(
        said.out.contains("bar 2, beat 2.5: E came as Eb"),
        "{}",
        said.out
    );
    let check = json(&std::fs::read_to_string(folder.path("check.json")).unwrap());
    assert_eq!(check["notes"][11]["outcome"], "wrong");
    assert_eq!(check["findings"][0]["kind"], "wrong");
    assert_eq!(check["findings"][0]["index"], 11);
    assert!(
        said.out
            .contains(check["findings"][0]["text"].as_str().unwrap())
    );
}

#[test]
fn a_passage_is_judged_alone() {
    let folder = folder(|idx| if idx == 3 { 2 } else { 0 });
    let said = folder.run(&[
        "check",
        "study.abc",
        "take.wav",
        "--bars",
        "2-3",
        "--json",
        "-",
    ]);
    let check = json(&said.out);
    assert_eq!(check["notes"][3]["outcome"], "not_reached");
    assert_eq!(check["notes"][9]["outcome"], "right");
}

#[test]
fn hear_prints_sure_notes_by_the_contract() {
    let folder = folder(|_| 0);
    let said = folder.run(&[
        "hear",
        "take.wav",
        "--instrument",
        "clarinet-bb",
        "--json",
        "-",
    ]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let heard = json(&said.out);
    assert_eq!(heard["schema"], "passagework.hear/1");
    assert!(heard["tuning"]["a4_hz"].is_number() && heard["tuning"]["a4_hz_se"].is_number());
    let notes = heard["notes"].as_array().unwrap();
    // 24 eighths, 4 quarters, 2 halves; written G4 sounds F4, MIDI 65.
    assert_eq!(notes.len(), 30);
    assert_eq!(notes[0]["midi"], 65);
    for name in [
        "onset_s",
        "offset_s",
        "midi",
        "cents",
        "cents_sd",
        "level_dbfs",
        "tongued",
        "confidence",
    ] {
        assert!(notes[0].get(name).is_some(), "note lacks {name}");
    }
    let text = folder
        .run(&["hear", "take.wav", "--instrument", "clarinet-bb"])
        .out;
    assert!(
        text.contains("30 notes heard") && text.contains("G4"),
        "{text}"
    );
}

#[test]
fn what_cannot_be_done_says_what_to_change_and_leaves_nothing() {
    let folder = folder(|_| 0);
    for (arguments, wanted) in [
        (&["--click", "112"][..], "q.=92"),
        (&["--click", "q=112", "--click-at", "nan"], "1.25"),
        (&["--bars", "40-50"], "1 to 5"),
        (&["--bars", "-"], "9-16"),
        (&["--rhythm", "wobbly"], "long-short"),
        (&["--instrument", "clarinet-b"], "clarinet-bb"),
    ] {
        let all = [
            &["check", "study.abc", "take.wav", "--json", "out.json"],
            arguments,
        ]
        .concat();
        let said = folder.run(&all);
        assert_eq!(said.status, Some(2), "{arguments:?}: {}", said.err);
        assert!(said.err.contains(wanted), "{arguments:?}: {}", said.err);
        assert!(said.out.is_empty());
        assert!(!folder.path("out.json").exists(), "{arguments:?}");
    }
    for arguments in [
        &["check", "study.abc", "none.wav"][..],
        &["check", "none.abc", "take.wav"],
        &["check", "take.wav", "study.abc"],
        &["hear", "study.abc"],
    ] {
        let said = folder.run(arguments);
        assert_eq!(said.status, Some(2), "{arguments:?}");
        assert!(!said.err.is_empty() && said.out.is_empty(), "{arguments:?}");
    }
}

/// A clarinet's commonest slip: the register key fails and a note sounds a twelfth (19 semitones)
/// lower, below everything the line has.
#[test]
fn a_twelfth_below_a_named_clarinets_line_is_heard() {
    let slipped = 7;
    let folder = folder(|idx| if idx == slipped { -19 } else { 0 });
    let arguments = [
        "check",
        "study.abc",
        "take.wav",
        "--instrument",
        "clarinet-bb",
    ];
    let said = folder.run(&[&arguments[..], &["--json", "-"]].concat());
    let check = json(&said.out);
    let note = &check["notes"][slipped];
    assert_eq!(note["outcome"], "wrong", "{note}");
    assert_eq!(note["register_slip"], true, "{note}");
    assert_eq!(check["summary"]["wrong"], 1);
    assert_eq!(check["summary"]["missed"], 0);
}

/// Shakes of eleven strokes a second: more of what sounds than all the notes of the line. They are
/// played as written, no other music and no notes added (common practice: a shake is free).
#[test]
fn shakes_are_played_as_the_trade_plays_them() {
    let folder = Folder::new();
    let abc = "X:1\nT:Shakes\nM:4/4\nL:1/8\nQ:1/4=80\nK:G transpose=-2\n\
               GABc defg|!trill!a6 gf|edcB A2 B2|!trill!c6 de|!trill!d8|G8|]\n";
    let path = folder.write("study.abc", abc);
    let line = read_line(&path, &LineOptions::default()).expect("the study is read");
    let at = |quarters: f64| 0.6 + 0.75 * quarters;
    let mut notes = Vec::new();
    for n in &line.notes {
        let (from_s, to_s) = (
            at(n.onset_quarters),
            at(n.onset_quarters + n.duration_quarters),
        );
        let shaken = n.ornament.is_some();
        let strokes = if shaken {
            ((to_s - from_s) / 0.09) as usize
        } else {
            1
        };
        let stroke_s = (to_s - from_s) / strokes as f64;
        notes.extend((0..strokes).map(|k| VoiceNote {
            onset_s: from_s + k as f64 * stroke_s,
            offset_s: from_s + (k + 1) as f64 * stroke_s - if shaken { 0.0 } else { 0.035 },
            midi: f64::from(n.sounding_midi) + if k % 2 == 1 { 2.0 } else { 0.0 },
            level_db: 0.0,
            tongued: k == 0,
            blip: None,
        }));
    }
    assert!(notes.len() > 3 * line.notes.len());
    let end_s = notes[notes.len() - 1].offset_s + 0.8;
    let samples = render(&notes, RATE_HZ, end_s, &VoiceOptions::default());
    write_wav(&folder.path("take.wav"), &samples, RATE_HZ);
    let said = folder.run(&["check", "study.abc", "take.wav", "--json", "-"]);
    let check = json(&said.out);
    assert_eq!(
        check["take"]["warnings"].as_array().map(Vec::len),
        Some(0),
        "{}",
        check["take"]
    );
    assert_eq!(check["summary"]["right"], check["summary"]["expected"]);
    assert_eq!(check["summary"]["added"], 0);
}

#[test]
fn another_etude_and_no_etude_are_said_and_not_marked() {
    let warned = |folder: &Folder, words: &str| {
        let said = folder.run(&["check", "study.abc", "take.wav"]);
        assert!(
            said.out.contains("Nothing could be marked."),
            "{}",
            said.out
        );
        assert!(!said.out.contains("notch faster"), "{}", said.out);
        assert_eq!(said.status, Some(0));
        let said = folder.run(&["check", "study.abc", "take.wav", "--json", "-"]);
        let check = json(&said.out);
        assert_eq!(check["findings"].as_array().map(Vec::len), Some(0));
        let warnings = check["take"]["warnings"].to_string();
        assert!(warnings.contains(words), "{warnings}");
    };
    // Steps and leaps that the study does not have.
    let other = folder(|idx| [1, -6, 3, 8, -3, 6, -8, 4, -1, 10, -5][idx * idx % 11]);
    warned(&other, "most of what sounded is not this line");
    let nothing = folder(|_| 0);
    let silence = vec![0.0; 3 * RATE_HZ as usize];
    write_wav(&nothing.path("take.wav"), &silence, RATE_HZ);
    warned(&nothing, "no note of the line was recognised");
}
