//! `fingers`, `drill`, `practise`, `ladder` and `play` as a user runs them.

use crate::common::{Folder, Said};

const ETUDE: &str = include_str!("../../src/cli/demo_etude.abc");

fn folder() -> Folder {
    let folder = Folder::new();
    folder.write("etude.abc", ETUDE);
    folder
}

fn json(said: &Said) -> serde_json::Value {
    assert_eq!(said.status, Some(0), "{}", said.err);
    serde_json::from_str(&said.out).unwrap_or_else(|e| panic!("{e}: {}", said.out))
}

#[test]
fn the_plan_as_json_keeps_the_contract() {
    let folder = folder();
    let plan = json(&folder.run(&[
        "fingers",
        "etude.abc",
        "--instrument",
        "clarinet-bb",
        "--json",
        "-",
    ]));
    assert_eq!(plan["schema"], "passagework.fingers/1");
    assert_eq!(plan["instrument"], "clarinet-bb");
    assert!(
        plan["chart"]
            .as_str()
            .is_some_and(|c| c.contains("17 keys"))
    );
    let line = json(&folder.run(&["line", "etude.abc", "--json", "-"]));
    let (notes, written) = (
        plan["notes"].as_array().expect("notes"),
        line["notes"].as_array().expect("notes"),
    );
    assert_eq!(notes.len(), written.len());
    for (i, (note, written)) in notes.iter().zip(written).enumerate() {
        assert_eq!(note["index"], i);
        for field in ["bar", "beat", "written"] {
            assert_eq!(note[field], written[field]);
        }
        assert!(note["keys"].is_array() && note["held"].is_array());
        assert!(note["choice"].is_boolean() && note["reason"].is_string());
        if !note["second"].is_null() {
            assert!(note["second"]["fingering"].is_string());
            assert!(
                note["second"]["extra_cost"]
                    .as_f64()
                    .is_some_and(|c| c >= 0.0)
            );
        }
    }
    // Common practice: D#5 is right only on 17 keys, so C#5 beside it goes left.
    let by = |name: &str| {
        notes
            .iter()
            .filter(|n| n["written"] == name)
            .collect::<Vec<_>>()
    };
    assert!(by("D#5").iter().all(|n| n["choice"] == false));
    assert!(by("C#5").iter().all(|n| n["fingering"] == "left"));
    for change in plan["hard"].as_array().expect("hard changes") {
        assert_eq!(
            change["to_index"].as_u64(),
            change["from_index"].as_u64().map(|f| f + 1)
        );
        assert!(change["cost"].as_f64().is_some_and(|c| c > 0.0));
        assert!(change["tempo_limit_bpm"].as_f64().is_some_and(|t| t > 0.0));
    }
    assert_eq!(plan["forced"].as_array().map(Vec::len), Some(0));
}

#[test]
fn the_plan_in_words_names_bars_and_reasons() {
    let folder = folder();
    let said = folder.run(&["fingers", "etude.abc"]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    assert!(said.out.contains("D#5 next is right only"), "{}", said.out);
    assert!(said.out.contains("Hardest changes"), "{}", said.out);
    // With the left lever D#5 is free and the player hears of other reasons.
    let lever = folder.run(&["fingers", "etude.abc", "--with", "left-ab"]);
    assert!(!lever.out.contains("right only"), "{}", lever.out);
}

#[test]
fn fingerings_stand_in_the_music() {
    let folder = folder();
    let said = folder.run(&["fingers", "etude.abc", "--musicxml", "fingered.musicxml"]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let xml = std::fs::read_to_string(folder.path("fingered.musicxml")).expect("a file");
    assert!(
        xml.contains("<fingering")
            && xml.contains(">R</fingering>")
            && xml.contains(">L</fingering>")
    );
    let again = json(&folder.run(&["line", "fingered.musicxml", "--json", "-"]));
    let line = json(&folder.run(&["line", "etude.abc", "--json", "-"]));
    let names = |l: &serde_json::Value| -> Vec<String> {
        l["notes"]
            .as_array()
            .expect("notes")
            .iter()
            .map(|n| n["written"].to_string())
            .collect()
    };
    assert_eq!(names(&again), names(&line));
}

#[test]
fn what_cannot_be_done_is_told_with_status_2() {
    let folder = folder();
    folder.write("chart.toml", "schema = 1");
    folder.write("report.json", "{}");
    folder.write("take.wav", b"\xff\xfe\x00\x80");
    let cases: &[(&[&str], &str)] = &[
        (
            &["fingers", "etude.abc", "--instrument", "violin"],
            "no fingering chart for violin",
        ),
        (
            &["fingers", "etude.abc", "--chart", "none.toml"],
            "cannot open the chart",
        ),
        (
            &["fingers", "etude.abc", "--chart", "chart.toml"],
            "chart.toml",
        ),
        (&["fingers", "etude.abc", "--pin", "99=left"], "no bar 99"),
        (&["fingers", "etude.abc", "--pin", "left"], "BAR=CHOICE"),
        (&["fingers", "etude.abc", "--prefer", "left"], "NOTE=CHOICE"),
        (&["fingers", "etude.abc", "--with", "pedals"], "left-ab"),
        (&["fingers", "etude.abc", "--without", "pedals"], "RsliverB"),
        (&["fingers", "etude.abc", "--tempo", "quick"], "q=92"),
        (&["fingers", "missing.abc"], "cannot open"),
        (
            &["drill", "etude.abc", "--take", "report.json"],
            "is no report",
        ),
        (
            &["drill", "etude.abc", "--take", "take.wav"],
            "is no report",
        ),
        (
            &["drill", "etude.abc", "--only", "octaves"],
            "it gives change",
        ),
        (
            &["practise", "etude.abc", "--minutes", "2"],
            "5 to 240 minutes",
        ),
        (
            &["play", "etude.abc", "--bars", "90", "--out", "x.wav"],
            "no bars 90",
        ),
        (
            &["ladder", "etude.abc", "none.json", "--goal", "q=90"],
            "cannot read the report",
        ),
    ];
    for (arguments, wanted) in cases {
        let said = folder.run(arguments);
        assert_eq!(said.status, Some(2), "{arguments:?}: {}", said.out);
        assert!(said.err.contains(wanted), "{arguments:?}: {}", said.err);
        assert!(!said.err.contains("panicked"), "{}", said.err);
    }
    assert!(!folder.path("x.wav").exists(), "nothing half written");
}

/// The whole way: a faulty take of the étude gives drills, a pass of one is heard and judged.
#[test]
fn from_a_take_to_drills_to_the_next_tempo() {
    let folder = folder();
    // What the line sounds like with its third note wrong: the étude is read again with that
    // note changed, and played.
    folder.write("misread.abc", ETUDE.replace("(A^^FGABc)", "(A^FGABc)"));
    let played = folder.run(&[
        "play",
        "misread.abc",
        "--tempo",
        "q.=50",
        "--out",
        "take.wav",
    ]);
    assert_eq!(played.status, Some(0), "{}", played.err);
    let checked = folder.run(&["check", "etude.abc", "take.wav", "--json", "report.json"]);
    assert_eq!(checked.status, Some(1), "{}{}", checked.out, checked.err);
    let drills = json(&folder.run(&[
        "drill",
        "etude.abc",
        "--take",
        "report.json",
        "--dir",
        "sheets",
        "--json",
        "-",
    ]));
    let all = drills["drills"].as_array().expect("drills");
    let first = &all[0];
    assert_eq!(first["kind"], "change");
    assert_eq!(
        first["bar_first"], "2",
        "the misread bar comes first: {first}"
    );
    assert!(first["clean_passes"].as_u64().is_some_and(|n| n >= 2));
    assert!(first["steps_bpm"].as_array().is_some_and(|s| s.len() > 2));
    let file = first["files"]["musicxml"].as_str().expect("a file");
    assert!(folder.path(file).exists());
    let said = folder.run(&["play", file, "--tempo", "q=60", "--out", "pass.wav"]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let ladder = folder.run(&[
        "ladder", file, "pass.wav", "--start", "q=60", "--goal", "q=96",
    ]);
    assert_eq!(ladder.status, Some(0), "{}", ladder.err);
    assert!(
        ladder
            .out
            .contains("pass 1 at 60: clean; 2 more clean ones at 60"),
        "{}",
        ladder.out
    );
    let sheet = folder.run(&[
        "practise",
        "etude.abc",
        "--minutes",
        "40",
        "--take",
        "report.json",
    ]);
    assert_eq!(sheet.status, Some(0), "{}", sheet.err);
    for word in [
        "Rest.",
        "Stop when it hurts",
        "clinician",
        "headphones",
        "ten clarinettists",
    ] {
        assert!(sheet.out.contains(word), "{word}: {}", sheet.out);
    }
}
