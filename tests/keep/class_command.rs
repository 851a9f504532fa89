//! `passagework class`, `review`, `library` and `check - --json-lines` as they are run.

use std::io::Write;
use std::process::{Command, Stdio};

use crate::common::Folder;
use crate::support::{Playing, STUDY, played, study, write_wav};
use serde_json::Value;

/// The study and takes of it by name; each plays the note of its number a semitone off.
fn folder(players: &[(&str, Option<usize>)]) -> Folder {
    let folder = Folder::new();
    folder.write("study.abc", STUDY);
    std::fs::create_dir(folder.path("class")).unwrap();
    for (n, (name, wrong)) in players.iter().enumerate() {
        let wrong = *wrong;
        let playing = Playing {
            // No two takes are played alike.
            quarter_s: 0.5 + 0.002 * n as f64,
            off: Box::new(move |idx| i32::from(Some(idx) == wrong)),
            ..Playing::default()
        };
        let path = folder.path(&format!("class/{name}"));
        write_wav(&path, &played(&study(), &playing));
    }
    folder
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[test]
fn a_class_gives_the_same_table_on_every_run_and_goes_on_where_it_stopped() {
    let folder = folder(&[
        ("anna.wav", None),
        ("=1+1.wav", Some(11)),
        ("cem.wav", None),
    ]);
    std::fs::write(folder.path("class/broken.wav"), b"RIFF\x10\0\0\0WAVEjunk").unwrap();
    std::fs::write(folder.path("class/notes.txt"), "no take").unwrap();
    let run = |jobs: &str, csv: &str| {
        folder.run(&[
            "class",
            "class",
            "--line",
            "study.abc",
            "--jobs",
            jobs,
            "--csv",
            csv,
            "--html",
            "pages",
        ])
    };
    let said = run("1", "one.csv");
    assert_eq!(said.status, Some(0), "{}", said.err);
    assert!(
        said.out.contains("3 takes checked, 1 could not be"),
        "{}",
        said.out
    );
    assert!(said.out.contains("broken.wav: "), "{}", said.out);
    assert!(!said.out.contains("notes.txt"));
    run("2", "two.csv");
    let table = std::fs::read_to_string(folder.path("one.csv")).unwrap();
    assert_eq!(
        table,
        std::fs::read_to_string(folder.path("two.csv")).unwrap()
    );
    // A name that a spreadsheet would compute.
    assert!(table.contains("\n'=1+1,'=1+1.wav,"), "{table}");
    let rows: Vec<&str> = table.lines().collect();
    assert_eq!(rows.len(), 5);
    assert!(rows[0].contains("bar 2 faults"));

    // A run that was broken off in the middle of writing a row.
    let state = folder.path("one.csv.state.jsonl");
    let text = std::fs::read_to_string(&state).unwrap();
    assert_eq!(text.lines().count(), 4);
    let kept: Vec<&str> = text.lines().take(3).collect();
    std::fs::write(&state, format!("{}\n{{\"take\": \"ab", kept.join("\n"))).unwrap();
    let said = run("2", "one.csv");
    assert!(
        said.err.contains("2 takes were checked before"),
        "{}",
        said.err
    );
    assert_eq!(
        table,
        std::fs::read_to_string(folder.path("one.csv")).unwrap()
    );

    let page = std::fs::read_to_string(folder.path("pages/index.html")).unwrap();
    let players: Vec<_> = std::fs::read_dir(folder.path("pages/players"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(players.len(), 3, "one page a player who was checked");
    for name in &players {
        assert!(page.contains(&format!("players/{name}")), "{name}");
    }
    let marked = |player: &str| {
        let name = players.iter().find(|name| name.starts_with(player));
        let path = format!("pages/players/{}", name.expect("the player's page"));
        std::fs::read_to_string(folder.path(&path)).unwrap()
    };
    assert!(page.contains("=1+1") && marked("-1-1").contains("=1+1"));
    if cfg!(feature = "engrave") {
        // The player who played note 11 a semitone off has it marked, the others have not.
        assert!(marked("-1-1").contains("data-kind=\"wrong\" data-index=\"11\""));
        assert!(!marked("anna").contains("class=\"mark"));
        assert!(marked("anna").contains("data-index=\"11\""));
    }
}

#[test]
fn a_row_of_another_line_says_why_nothing_is_told() {
    let folder = folder(&[("anna.wav", None)]);
    // Steps and leaps that the study does not have.
    let other = Playing {
        off: Box::new(|idx| [1, -6, 3, 8, -3, 6, -8, 4, -1, 10, -5][idx * idx % 11]),
        ..Playing::default()
    };
    write_wav(&folder.path("class/bela.wav"), &played(&study(), &other));
    let said = folder.run(&[
        "class",
        "class",
        "--line",
        "study.abc",
        "--csv",
        "table.csv",
    ]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let row = |name: &str| {
        let row = said.out.lines().find(|line| line.starts_with(name));
        row.unwrap_or_else(|| panic!("{name}: {}", said.out))
            .to_owned()
    };
    assert!(row("bela").contains("none told"), "{}", row("bela"));
    assert!(!row("anna").contains("none told"), "{}", row("anna"));
    assert!(
        said.out
            .contains("No note could be judged\n  bela.wav: most of what sounded is not this line"),
        "{}",
        said.out
    );
    let table = std::fs::read_to_string(folder.path("table.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let reasons: Vec<String> = rows
        .records()
        .map(|row| row.unwrap()[2].to_owned())
        .collect();
    assert_eq!(reasons[0], "");
    assert!(
        reasons[1].starts_with("most of what sounded"),
        "{reasons:?}"
    );
}

#[test]
fn a_class_of_nothing_says_what_to_do() {
    let folder = folder(&[]);
    let said = folder.run(&["class", "class", "--line", "study.abc"]);
    assert_eq!(said.status, Some(2));
    assert!(said.err.contains("no takes in class"), "{}", said.err);
    let said = folder.run(&["class", "nowhere", "--line", "study.abc"]);
    assert_eq!(said.status, Some(2));
    // A stranger's file is not taken for the state.
    folder.write("mine.txt", "shopping list\n");
    let wav = folder.path("class/anna.wav");
    write_wav(&wav, &played(&study(), &Playing::default()));
    let said = folder.run(&[
        "class",
        "class",
        "--line",
        "study.abc",
        "--state",
        "mine.txt",
    ]);
    assert_eq!(said.status, Some(2), "{}", said.err);
    assert_eq!(
        std::fs::read_to_string(folder.path("mine.txt")).unwrap(),
        "shopping list\n"
    );
}

/// Runs `check - --json-lines` on a manifest.
fn answers(folder: &Folder, manifest: &str) -> (Vec<Value>, Option<i32>) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_passagework"))
        .args(["check", "-", "--json-lines"])
        .current_dir(folder.path("."))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(manifest.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    (text.lines().map(json).collect(), output.status.code())
}

#[test]
fn a_manifest_is_answered_line_by_line() {
    let folder = folder(&[("anna.wav", None), ("ben.wav", Some(11))]);
    let manifest = r#"
{"id": 7, "line": "study.abc", "take": "class/ben.wav"}
{"id": "a", "line": "study.abc", "take": "class/anna.wav", "bars": "2-3"}
{"line": "study.abc", "take": "class/none.wav"}
{"line": "study.abc", "take": "class/anna.wav", "bar": "2"}
not JSON
{"id": [1], "line": "none.abc", "take": "class/anna.wav"}
{"id": 8, "line": "study.abc", "take": "class/anna.wav"}
"#;
    let (told, status) = answers(&folder, manifest);
    assert_eq!(status, Some(0));
    assert_eq!(told.len(), 7);
    assert_eq!(told[0]["id"], 7);
    assert_eq!(told[0]["check"]["notes"][11]["outcome"], "wrong");
    assert_eq!(told[1]["check"]["notes"][3]["outcome"], "not_reached");
    for (n, wanted) in [
        (2, "none.wav"),
        (3, "bar"),
        (4, "manifest"),
        (5, "none.abc"),
    ] {
        let error = told[n]["error"].as_str().unwrap();
        assert!(error.contains(wanted), "{error}");
        assert!(told[n].get("check").is_none());
    }
    assert_eq!(told[5]["id"], json("[1]"));
    // The same as one check by itself.
    let single = folder.run(&["check", "study.abc", "class/anna.wav", "--json", "-"]);
    assert_eq!(told[6]["check"], json(&single.out));
    let said = folder.run(&["check", "study.abc", "--json-lines"]);
    assert_eq!(said.status, Some(2), "{}", said.err);
}

#[test]
fn takes_are_kept_reviewed_and_deleted() {
    let folder = folder(&[("mon.wav", Some(11)), ("tue.wav", None), ("wed.wav", None)]);
    for (n, take) in ["mon", "tue", "wed"].iter().enumerate() {
        let said = folder.run(&[
            "check",
            "study.abc",
            &format!("class/{take}.wav"),
            "--keep",
            "--library",
            "lib",
            "--played",
            &format!("2026-11-{}", 23 + n),
            "--json",
            "out.json",
        ]);
        assert_eq!(said.status, Some(i32::from(n == 0)), "{}", said.err);
        assert!(
            said.err.contains(&format!("kept as take {}", n + 1)),
            "{}",
            said.err
        );
    }
    let said = folder.run(&[
        "check",
        "study.abc",
        "class/wed.wav",
        "--keep",
        "--library",
        "lib",
    ]);
    assert!(
        said.err.contains("take 3 is this recording already"),
        "{}",
        said.err
    );

    let said = folder.run(&["library", "--library", "lib"]);
    assert!(
        said.out.contains("29 of 30 notes right, mon.wav"),
        "{}",
        said.out
    );
    assert!(said.out.contains("3 takes in lib"), "{}", said.out);

    let said = folder.run(&["review", "--library", "lib", "--goal", "q=132"]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    assert!(
        said.out
            .contains("3 takes on 3 days, 2026-11-23 to 2026-11-25"),
        "{}",
        said.out
    );
    // One note once wrong is no progress that can be told from chance.
    assert!(
        said.out.contains("no change beyond the errors"),
        "{}",
        said.out
    );
    assert!(said.out.contains("quarter = 132"), "{}", said.out);
    let told = json(
        &folder
            .run(&["review", "study.abc", "--library", "lib", "--json", "-"])
            .out,
    );
    assert_eq!(told["schema"], "passagework.review/1");
    assert_eq!(told["reached"]["goal"]["bpm"], 132.0);
    assert_eq!(told["days"].as_array().unwrap().len(), 3);
    let bar = &told["recent"]["bars"][1]["accuracy"];
    assert!(bar["change_se"].as_f64().unwrap() > 0.0, "{bar}");
    let said = folder.run(&[
        "review",
        "corridor",
        "--library",
        "lib",
        "--compare",
        "1",
        "3",
    ]);
    assert!(
        said.out
            .contains("2026-11-25, take 3 against 2026-11-23, take 1"),
        "{}",
        said.out
    );
    folder.run(&[
        "review",
        "--library",
        "lib",
        "--html",
        "review.html",
        "--csv",
        "review.csv",
    ]);
    assert!(
        std::fs::read_to_string(folder.path("review.html"))
            .unwrap()
            .contains("<svg")
    );
    let table = std::fs::read_to_string(folder.path("review.csv")).unwrap();
    assert!(table.starts_with("compared,then_first"), "{table}");
    let said = folder.run(&["review", "fugue", "--library", "lib"]);
    assert!(said.err.contains("Corridor at noon"), "{}", said.err);

    let said = folder.run(&["library", "delete", "1", "2", "3", "--library", "lib"]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let said = folder.run(&["review", "--library", "lib"]);
    assert_eq!(said.status, Some(2));
    assert!(said.err.contains("the library is empty"), "{}", said.err);
}
