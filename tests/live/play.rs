//! The line played through a real sound server, recorded behind it, and held against the file
//! that `play --out` writes.

use std::path::Path;
use std::process::{Child, Command, Stdio};

use crate::support::{SoundServer, wait_for_end, wait_until};
use serde_json::Value;

/// Invented: two bars of eighths over the break, slurred and tongued.
const LINE: &str = "X:1\nT:over the break\nM:4/4\nL:1/8\nQ:1/4=96\nK:C transpose=-2\n(GABc) d2.c.B|(AGFE) .D.E F2|]\n";

fn path(path: &Path) -> &str {
    path.to_str().expect("a path of plain letters")
}

fn recorder(server: &SoundServer, to: &Path) -> Child {
    let child = server
        .command("parecord")
        .args(["--device=vspeaker.monitor", "--file-format=wav"])
        .args(["--channels=1", "--rate=48000", "--format=s16le"])
        .arg(to)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("parecord starts");
    server.wait_for_listener();
    child
}

fn end(mut recorder: Child) {
    let status = Command::new("kill")
        .args(["-INT", &recorder.id().to_string()])
        .status()
        .expect("kill runs");
    assert!(status.success());
    wait_for_end(&mut recorder, "the recorder closes its file");
}

/// The check of a take of the line.
fn check(server: &SoundServer, line: &Path, take: &Path) -> Value {
    let output = server
        .passagework(&["check", path(line), path(take), "--json", "-"])
        .args(["--instrument", "clarinet-bb"])
        .output()
        .expect("the program runs");
    let why = String::from_utf8_lossy(&output.stderr).into_owned();
    serde_json::from_slice(&output.stdout).unwrap_or_else(|e| panic!("{e}: {why}"))
}

fn onsets(check: &Value) -> Vec<f64> {
    let notes = check["notes"].as_array().expect("notes");
    notes.iter().filter_map(|n| n["onset_s"].as_f64()).collect()
}

/// Plays the line through the loudspeaker and records what comes out.
fn play_and_record(server: &SoundServer, arguments: &[&str], captured: &Path) {
    let recorder = recorder(server, captured);
    let mut played = server
        .passagework(arguments)
        .spawn()
        .expect("the program starts");
    let status = wait_for_end(&mut played, "the line comes to its end");
    assert_eq!(status.code(), Some(0));
    // What the server still holds is recorded too.
    let length = |wav: &Path| std::fs::metadata(wav).map_or(0, |m| m.len());
    let so_far = length(captured);
    wait_until("another tenth of a second is recorded", || {
        length(captured) > so_far + 9_600
    });
    end(recorder);
}

/// Whether the take is the line and nothing else.
fn whole(check: &Value) -> bool {
    check["summary"]["right"] == check["summary"]["expected"] && check["summary"]["added"] == 0
}

#[test]
fn what_the_loudspeaker_gives_is_the_line() {
    let server = SoundServer::start();
    let at = |name: &str| server.path(name);
    let (line, file, captured) = (at("line.abc"), at("file.wav"), at("captured.wav"));
    std::fs::write(&line, LINE).expect("the line");
    let arguments = ["play", path(&line), "--instrument", "clarinet-bb"];
    let written = server
        .passagework(&arguments)
        .args(["--out", path(&file)])
        .status()
        .expect("the program runs");
    assert!(written.success());

    let meant = check(&server, &line, &file);
    // A busy machine drops sound between program and recorder, and a hole may be heard as a
    // note: of three recordings one is whole.
    let got = (0..3)
        .map(|_| {
            play_and_record(&server, &arguments, &captured);
            check(&server, &line, &captured)
        })
        .find(whole)
        .expect("one of three recordings is the line");
    let n_notes = meant["summary"]["expected"].as_u64().expect("a count");
    assert_eq!(n_notes, 14);
    for check in [&meant, &got] {
        assert_eq!(check["summary"]["right"], n_notes, "{}", check["summary"]);
        assert_eq!(check["summary"]["added"], 0, "{}", check["summary"]);
    }
    // The same notes at the same distances: file and loudspeaker differ by a delay only. One
    // onset may be told otherwise: blocks fall otherwise in the recording, and a slurred change
    // takes 10 to 30 ms of its own (Almeida, Chow, Smith and Wolfe, JASA 126, 2009).
    const SAME_S: f64 = 0.005;
    const SLURRED_S: f64 = 0.030;
    let mut delays: Vec<f64> = onsets(&meant)
        .iter()
        .zip(onsets(&got))
        .map(|(meant, got)| got - meant)
        .collect();
    assert_eq!(delays.len(), 14);
    delays.sort_by(f64::total_cmp);
    let median = delays[delays.len() / 2];
    assert!(median > -0.1, "it is heard after it is asked for: {median}");
    let apart = |by_s: f64| delays.iter().filter(|d| (*d - median).abs() > by_s).count();
    assert!(apart(SAME_S) <= 1 && apart(SLURRED_S) == 0, "{delays:?}");
    let a4 = |check: &Value| check["tuning"]["a4_hz"].as_f64().expect("a tuning");
    // A tenth of a hertz is 0.4 cents.
    assert!((a4(&meant) - a4(&got)).abs() < 0.1);
}
