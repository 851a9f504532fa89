//! `passagework line` as a user runs it: text, JSON by the contract, exit status.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

const STUDY: &str = "testdata/abc/study.abc";

fn passagework(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_passagework"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .expect("the program starts")
}

fn run(arguments: &[&str]) -> Output {
    passagework(Path::new(env!("CARGO_MANIFEST_DIR")), arguments)
}

fn json(arguments: &[&str]) -> Value {
    let output = run(&[&["line"], arguments, &["--json", "-"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("standard output is JSON and nothing else")
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).expect("output is UTF-8")
}

#[test]
fn json_holds_what_the_contract_names() {
    let line = json(&[STUDY]);
    assert_eq!(line["schema"], "passagework.line/1");
    assert_eq!(line["title"], "Study for the reader");
    assert_eq!(
        line["key"],
        serde_json::json!({"fifths": 3, "mode": "minor"})
    );
    assert_eq!(
        line["tempo"],
        serde_json::json!({"beat_quarters": 1.5, "bpm": 60.0})
    );
    assert_eq!(line["instrument"], "unknown");
    assert!(line["bars"].as_u64().is_some_and(|n| n > 0));
    let first = line["notes"][0].as_object().unwrap();
    for name in [
        "index",
        "bar",
        "pass",
        "beat",
        "onset_quarters",
        "duration_quarters",
        "written",
        "written_midi",
        "sounding_midi",
        "grace",
        "slurred",
        "articulations",
        "fermata",
        "breath_after",
    ] {
        assert!(first.contains_key(name), "{name}");
    }
    assert_eq!(first["written"], "C#5");
    assert_eq!(first["written_midi"], 73);
    assert_eq!(first["sounding_midi"], 71);
    assert_eq!(
        (first["bar"].as_str(), first["index"].as_u64()),
        (Some("0"), Some(0))
    );
    let beat = first["beat"].as_f64().unwrap();
    assert!(
        (beat - (2.0 + 2.0 / 3.0)).abs() < 1e-9,
        "an upbeat eighth in 6/8: {beat}"
    );
    for problem in line["problems"].as_array().unwrap() {
        assert!(problem["place"].is_string() && problem["text"].is_string());
    }
}

#[test]
fn options_choose_tune_instrument_and_order() {
    assert_eq!(json(&[STUDY, "--tune", "2"])["title"], "Another");
    let for_a = json(&[STUDY, "--instrument", "clarinet-a"]);
    assert_eq!(
        (
            for_a["instrument"].as_str(),
            for_a["notes"][0]["sounding_midi"].as_i64()
        ),
        (Some("clarinet-a"), Some(70))
    );
    let played = json(&[STUDY])["notes"].as_array().unwrap().len();
    let page = json(&[STUDY, "--as-written"])["notes"]
        .as_array()
        .unwrap()
        .len();
    assert!(page < played, "{page} on the page, {played} played");
    assert_eq!(
        json(&[STUDY, "--part", "1"])["part"],
        json(&[STUDY])["part"]
    );
}

#[test]
fn text_is_plain_when_piped() {
    let output = run(&["line", STUDY]);
    assert_eq!(output.status.code(), Some(0));
    let said = text(&output.stdout);
    assert!(!said.contains('\x1b'), "no escape sequences in a pipe");
    for wanted in [
        "title      Study for the reader\n",
        "key        F# minor\n",
        "metre      6/8\n",
        "tempo      dotted quarter = 60\n",
    ] {
        assert!(said.contains(wanted), "{wanted:?} in:\n{said}");
    }
    assert!(said.contains("_"), "slurs are shown:\n{said}");
}

#[test]
fn json_to_a_file_leaves_nothing_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("tune.abc"), "X:1\nK:C\nCDE|\n").unwrap();
    let output = passagework(folder.path(), &["line", "tune.abc", "--json", "out.json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("C4 D4 E4"));
    let mut names: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["out.json", "tune.abc"]);
    let failed = passagework(
        folder.path(),
        &["line", "tune.abc", "--json", "nowhere/out.json"],
    );
    assert_eq!(failed.status.code(), Some(2));
    assert!(text(&failed.stderr).contains("cannot write nowhere/out.json"));
}

#[test]
fn what_cannot_be_done_ends_with_2_and_says_what_to_change() {
    for (arguments, wanted) in [
        (vec!["line", "nowhere.abc"], "cannot open nowhere.abc"),
        (vec!["line", "Cargo.toml"], "Cargo.toml is neither MusicXML"),
        (
            vec!["line", STUDY, "--instrument", "clarinet-b"],
            "no instrument is called \"clarinet-b\"; the nearest are clarinet-bb",
        ),
        (
            vec!["line", STUDY, "--part", "oboe"],
            "no part is called \"oboe\"; the file has 1 \"1\"",
        ),
        (
            vec!["line", STUDY, "--tune", "9"],
            "there is no tune 9; the file has 1, 2",
        ),
        (vec!["line", STUDY, "--quickly"], "--quickly"),
    ] {
        let output = run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        assert!(
            text(&output.stderr).contains(wanted),
            "{arguments:?}: {}",
            text(&output.stderr)
        );
    }
}
