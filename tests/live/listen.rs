//! `passagework listen --take`: the live path on recordings with a known truth, as a user or
//! another program runs it.

use std::path::{Path, PathBuf};

use crate::common::{Folder, wav::write_wav};
use passagework::sound::{read_take, voice::Rng};
use serde_json::Value;

/// A note of the line counts as followed when its place is said within this time, seconds.
const FOLLOWED_S: f64 = 0.2;

fn made(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/takes")
        .join(name)
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path of plain letters")
}

/// Events and report of a made take.
fn listen(name: &str) -> (Vec<Value>, Value, Value) {
    let folder = Folder::new();
    let (line, take) = (
        made(name).join("line.musicxml"),
        made(name).join("take.flac"),
    );
    let said = folder.run(&[
        "listen",
        text(&line),
        "--take",
        text(&take),
        "--fast",
        "--events",
        "-",
        "--json",
        "report.json",
    ]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    let events = said
        .out
        .lines()
        .map(|line| serde_json::from_str(line).expect("every line is a JSON object"))
        .collect();
    let report = std::fs::read_to_string(folder.path("report.json")).expect("the report");
    let check = folder.run(&["check", text(&line), text(&take), "--json", "-"]);
    let json = |text: &str| serde_json::from_str(text).expect("a report is JSON");
    (events, json(&report), json(&check.out))
}

#[test]
fn every_event_has_the_fields_that_are_promised() {
    let (events, report, check) = listen("faults");
    assert_eq!(report, check, "the report is that of check");
    let promised: &[(&str, &[&str])] = &[
        ("position", &["index", "onset_s", "said_s"]),
        (
            "heard",
            &[
                "index", "outcome", "midi", "cents", "ahead_ms", "onset_s", "said_s",
            ],
        ),
        ("phrase", &["said_s", "findings"]),
        ("level", &["said_s", "dbfs", "clipped"]),
        ("done", &["said_s"]),
        ("lost", &["said_s", "index"]),
        ("found", &["said_s", "index"]),
    ];
    let mut said_s = 0.0;
    for event in &events {
        let kind = event["event"].as_str().expect("every event has its name");
        let (_, fields) = promised
            .iter()
            .find(|(name, _)| *name == kind)
            .unwrap_or_else(|| panic!("nobody promised {kind}"));
        for field in *fields {
            assert!(
                event.get(field).is_some(),
                "{kind} without {field}: {event}"
            );
        }
        let now_s = event["said_s"].as_f64().expect("when it was said");
        // A level is said at the end of its tenth of a second, inside a block.
        assert!(now_s > said_s - 0.01, "{event} after {said_s}");
        said_s = said_s.max(now_s);
        if let Some(onset_s) = event["onset_s"].as_f64() {
            assert!(onset_s <= now_s, "said before it was heard: {event}");
        }
    }
    assert_eq!(
        events.last().map(|e| &e["event"]),
        Some(&Value::from("done"))
    );
}

/// What is settled live is what the whole take says, for right and wrong notes.
#[test]
fn what_is_settled_live_is_what_the_report_says() {
    let (mut alike, mut all) = (0, 0);
    for name in ["faults", "restart", "joined-real-notes"] {
        let (events, report, _) = listen(name);
        for note in report["notes"].as_array().expect("notes") {
            if note["outcome"] != "right" && note["outcome"] != "wrong" {
                continue;
            }
            let live = events
                .iter()
                .rev()
                .find(|e| e["event"] == "heard" && e["index"] == note["index"]);
            all += 1;
            alike += usize::from(live.is_some_and(|e| e["outcome"] == note["outcome"]));
        }
    }
    assert!(
        100 * alike >= 99 * all,
        "{alike} of {all} outcomes alike, 99 in 100 are wanted"
    );
}

/// What a phrase calls wrong or missed was told so before, note by note.
#[test]
fn a_phrase_does_not_contradict_its_notes() {
    let mut n_places = 0;
    for name in ["faults", "restart", "joined-real-notes"] {
        let (events, _, _) = listen(name);
        let mut told: std::collections::HashMap<u64, String> = Default::default();
        for event in &events {
            if event["event"] == "heard"
                && let (Some(index), Some(outcome)) =
                    (event["index"].as_u64(), event["outcome"].as_str())
            {
                told.insert(index, outcome.to_owned());
            }
            for finding in event["findings"].as_array().into_iter().flatten() {
                if finding["kind"] != "wrong" && finding["kind"] != "missed" {
                    continue;
                }
                for place in finding["places"].as_array().expect("places") {
                    let place = place.as_u64().expect("an index");
                    let said = told.get(&place).map(String::as_str);
                    assert_eq!(said, finding["kind"].as_str(), "{name}: note {place}");
                    n_places += 1;
                }
            }
        }
    }
    assert!(n_places > 0, "the takes have faults");
}

/// Places are said while the note sounds, restarts and wrong notes included.
#[test]
fn the_player_is_followed_note_by_note() {
    for name in ["faults", "restart"] {
        let (events, report, _) = listen(name);
        let places: Vec<(u64, f64)> = events
            .iter()
            .filter(|e| e["event"] == "position")
            .filter_map(|e| Some((e["index"].as_u64()?, e["said_s"].as_f64()?)))
            .collect();
        let (mut followed, mut all) = (0, 0);
        for note in report["notes"].as_array().expect("notes") {
            let (Some(index), Some(onset_s)) = (note["index"].as_u64(), note["onset_s"].as_f64())
            else {
                continue;
            };
            all += 1;
            followed += usize::from(places.iter().any(|(place, said_s)| {
                *place == index && (-0.02..=FOLLOWED_S).contains(&(said_s - onset_s))
            }));
        }
        assert!(
            100 * followed >= 95 * all,
            "{name}: {followed} of {all} notes followed within {FOLLOWED_S} s"
        );
    }
}

/// A gate as recorders have: noise is let through for 0.15 s after the playing, then a
/// twentieth of it.
#[test]
fn a_suppressor_is_named_in_a_phrase_and_once() {
    let folder = Folder::new();
    let line = made("faults").join("line.musicxml");
    let take = read_take(&made("faults").join("take.flac")).expect("a take");
    let rate = take.sample_rate_hz;
    let within = |seconds: f64| (seconds * f64::from(rate)) as usize;
    let mut samples = take.samples;
    samples.extend(vec![0.0; within(1.5)]);
    let peak = |piece: &[f32]| piece.iter().fold(0.0f32, |most, x| most.max(x.abs()));
    let loud = peak(&samples);
    let mut noise = Rng::new(5);
    let (mut since, mut plain) = (0, samples.clone());
    let pieces = samples.chunks_mut(within(0.01));
    for (gated, plain) in pieces.zip(plain.chunks_mut(within(0.01))) {
        since = if peak(gated) > 0.05 * loud {
            0
        } else {
            since + 1
        };
        let gain = if since > 15 { 0.05 } else { 1.0 };
        for (gated, plain) in gated.iter_mut().zip(plain) {
            *plain += 0.01 * loud * noise.bipolar();
            *gated = gain * *plain;
        }
    }
    let warnings = |samples: &[f32]| {
        let take = folder.path("take.wav");
        write_wav(&take, samples, rate);
        let said = folder.run(&[
            "listen",
            text(&line),
            "--take",
            text(&take),
            "--fast",
            "--no-keep",
            "--events",
            "-",
        ]);
        assert_eq!(said.status, Some(0), "{}", said.err);
        said.out.matches("suppressed noise").count()
    };
    assert_eq!(warnings(&samples), 1);
    assert_eq!(warnings(&plain), 0, "noise alone");
}

#[test]
fn what_cannot_be_is_refused_with_a_reason() {
    let folder = Folder::new();
    let line = made("faults").join("line.musicxml");
    let take = made("faults").join("take.flac");
    let (line, take) = (text(&line), text(&take));
    let cases: &[(&[&str], &str)] = &[
        (
            &[
                "listen", line, "--take", take, "--events", "-", "--json", "-",
            ],
            "give --json a file",
        ),
        (&["listen", line, "--fast"], "--take"),
        (&["listen", line, "--take", "nothing.wav"], "nothing.wav"),
        (
            &["listen", line, "--take", take, "--click", "fast"],
            "q.=92",
        ),
        (&["listen", line, "--from", "q=60"], "--to"),
        (
            &["listen", line, "--take", take, "--fast", "--bars", "900"],
            "it has",
        ),
    ];
    for (arguments, reason) in cases {
        let said = folder.run(arguments);
        assert_eq!(said.status, Some(2), "{arguments:?}: {}", said.err);
        assert!(said.err.contains(reason), "{arguments:?}: {}", said.err);
    }
}

#[test]
fn every_take_listened_to_is_in_the_library() {
    let folder = Folder::new();
    let (line, take) = (
        made("faults").join("line.musicxml"),
        made("faults").join("take.flac"),
    );
    let listen = |more: &[&str]| {
        let mut arguments = vec!["listen", text(&line), "--take", text(&take), "--fast"];
        arguments.extend(["--library", "kept", "--events", "-"]);
        arguments.extend(more);
        let said = folder.run(&arguments);
        assert_eq!(said.status, Some(0), "{}", said.err);
        said.err
    };
    assert!(!listen(&["--no-keep"]).contains("take 1"));
    assert!(!folder.path("kept").exists());
    assert!(listen(&["--player", "Ada"]).contains("kept as take 1"));
    let list = folder.run(&["library", "--library", "kept"]);
    assert!(list.out.contains("Ada"), "{}", list.out);
    // The report that was kept is that of the whole take.
    let report = folder.run(&["library", "report", "1", "--library", "kept"]);
    let check = folder.run(&["check", text(&line), text(&take), "--json", "-"]);
    let json = |text: &str| serde_json::from_str::<Value>(text).expect("a report is JSON");
    assert_eq!(json(&report.out), json(&check.out));
    assert!(take.is_file(), "the player's own file stays");

    // Where it cannot be kept the report comes all the same, and says where the recording is.
    folder.write("no-folder", "");
    let said = folder.run(&[
        "listen",
        text(&line),
        "--take",
        text(&take),
        "--fast",
        "--library",
        "no-folder",
        "--json",
        "report.json",
    ]);
    assert_eq!(said.status, Some(0), "{}", said.err);
    assert!(
        said.err.contains("not kept") && said.err.contains("take.flac"),
        "{}",
        said.err
    );
    assert!(folder.path("report.json").is_file());
}
