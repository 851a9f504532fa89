//! Listening through a real sound server: ALSA, cpal, ring, hearing, disk and report.

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use crate::common::wav::write_wav;
use crate::support::{SoundServer, set_up, wait_for_end, wait_until};
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};
use serde_json::Value;

const RATE_HZ: u32 = 48_000;

/// A scale in quarters, written as ABC for a clarinet in B flat: sounds a tone lower.
const SCALE: &str =
    "X:1\nT:scale\nM:4/4\nL:1/4\nK:C clef=treble\nC D E F|G A B c|c B A G|F E D C|]\n";
const SOUNDING: [i32; 16] = [
    58, 60, 62, 63, 65, 67, 69, 70, 70, 69, 67, 65, 63, 62, 60, 58,
];

/// Distance of the notes of a played scale, seconds.
const BEAT_S: f64 = 0.4;

/// The scale as the built-in reed plays it, note 5 a semitone too high.
fn write_take(path: &Path) {
    let notes: Vec<VoiceNote> = SOUNDING
        .iter()
        .enumerate()
        .map(|(k, midi)| VoiceNote {
            onset_s: 1.0 + BEAT_S * k as f64,
            offset_s: 1.0 + BEAT_S * (k + 1) as f64 - 0.04,
            midi: f64::from(midi + i32::from(k == 5)),
            level_db: -4.0,
            tongued: true,
            blip: None,
        })
        .collect();
    let seconds = 2.0 + BEAT_S * 16.0;
    let sound = render(&notes, RATE_HZ, seconds, &VoiceOptions::default());
    write_wav(path, &sound, RATE_HZ);
}

struct Scene {
    server: SoundServer,
    line: PathBuf,
    take: PathBuf,
}

impl Scene {
    fn new() -> Scene {
        let server = SoundServer::start();
        let (line, take) = (server.path("scale.abc"), server.path("take.wav"));
        std::fs::write(&line, SCALE).expect("the line");
        write_take(&take);
        Scene { server, line, take }
    }

    /// `passagework listen` into `save`, listening already.
    fn listen(&self, save: &Path, more: &[&str]) -> Child {
        let mut arguments = vec!["listen", path(&self.line), "--instrument", "clarinet-bb"];
        arguments.extend(["--save", path(save)]);
        arguments.extend(more);
        let child = self
            .server
            .passagework(&arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        self.server.wait_for_listener();
        child
    }
}

fn path(path: &Path) -> &str {
    path.to_str().expect("a path of plain letters")
}

fn said(child: &mut Child) -> String {
    let mut text = String::new();
    child
        .stderr
        .take()
        .expect("standard error is a pipe")
        .read_to_string(&mut text)
        .expect("what it said");
    text
}

fn interrupt(child: &Child) {
    let status = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .expect("kill runs");
    assert!(status.success());
}

fn seconds(wav: &Path) -> f64 {
    let reader = hound::WavReader::open(wav).expect("the recording opens");
    f64::from(reader.duration()) / f64::from(reader.spec().sample_rate)
}

#[test]
fn a_take_played_into_the_microphone_is_followed_and_reported() {
    let scene = Scene::new();
    let (save, events, report) = (
        scene.server.path("heard.wav"),
        scene.server.path("events"),
        scene.server.path("report.json"),
    );
    let mut child = scene.listen(&save, &["--events", path(&events), "--json", path(&report)]);
    scene.server.play(&scene.take);
    // The line is over; it ends by itself after a silence.
    let status = wait_for_end(&mut child, "listening ends after the last note");
    assert_eq!(status.code(), Some(0), "{}", said(&mut child));

    let report: Value =
        serde_json::from_str(&std::fs::read_to_string(&report).expect("the report"))
            .expect("the report is JSON");
    for (k, note) in report["notes"]
        .as_array()
        .expect("notes")
        .iter()
        .enumerate()
    {
        let wanted = if k == 5 { "wrong" } else { "right" };
        assert_eq!(note["outcome"], wanted, "note {k}: {note}");
    }
    assert_eq!(report["notes"][5]["heard_midi"], SOUNDING[5] + 1);

    let events = std::fs::read_to_string(&events).expect("the events");
    let events: Vec<Value> = events
        .lines()
        .map(|line| serde_json::from_str(line).expect("an event is JSON"))
        .collect();
    let of = |kind: &'static str| events.iter().filter(move |e| e["event"] == kind);
    let places: Vec<u64> = of("position").filter_map(|e| e["index"].as_u64()).collect();
    for index in 0..16 {
        assert!(
            places.contains(&index),
            "note {index} was not followed: {places:?}"
        );
    }
    let heard: Vec<(u64, &str)> = of("heard")
        .filter_map(|e| Some((e["index"].as_u64()?, e["outcome"].as_str()?)))
        .collect();
    assert!(heard.contains(&(5, "wrong")), "{heard:?}");
    assert_eq!(of("gap").count(), 0, "samples were lost");
    assert_eq!(of("done").count(), 1);

    // The same recording through `check`: one report, whichever way.
    let again = scene
        .server
        .passagework(&["check", path(&scene.line), path(&save)])
        .args(["--instrument", "clarinet-bb", "--json", "-"])
        .output()
        .expect("check runs");
    let again: Value = serde_json::from_slice(&again.stdout).expect("the check is JSON");
    assert_eq!(again, report);
}

#[test]
fn killed_in_mid_take_it_leaves_all_but_the_last_half_second() {
    let scene = Scene::new();
    let save = scene.server.path("killed.wav");
    let events = scene.server.path("events");
    let mut child = scene.listen(&save, &["--events", path(&events)]);
    let mut player = scene.server.player(&scene.take);
    let heard_s = || -> f64 {
        let text = std::fs::read_to_string(&events).unwrap_or_default();
        let last = text.lines().rev().find_map(|line| {
            let event: Value = serde_json::from_str(line).ok()?;
            (event["event"] == "level").then(|| event["said_s"].as_f64())?
        });
        last.unwrap_or(0.0)
    };
    wait_until("three seconds are heard", || heard_s() > 3.0);
    child.kill().expect("it is killed");
    child.wait().expect("it is gone");
    let heard_s = heard_s();
    player.kill().expect("the player is stopped");
    player.wait().expect("the player is gone");
    let kept_s = seconds(&save);
    assert!(
        kept_s >= heard_s - 0.5,
        "{heard_s:.2} s were heard, {kept_s:.2} s are kept"
    );
}

#[test]
fn when_the_sound_server_dies_the_take_ends_with_what_it_has() {
    let mut scene = Scene::new();
    let (save, report) = (
        scene.server.path("cut.wav"),
        scene.server.path("report.json"),
    );
    let mut child = scene.listen(&save, &["--json", path(&report)]);
    let mut player = scene.server.player(&scene.take);
    wait_until("three seconds are kept", || {
        hound::WavReader::open(&save).is_ok() && seconds(&save) > 3.0
    });
    scene.server.kill();
    let status = wait_for_end(&mut child, "listening ends when the microphone is gone");
    player.wait().expect("the player is gone");
    let said = said(&mut child);
    assert_eq!(status.code(), Some(0), "{said}");
    assert!(
        said.contains("is gone") || said.contains("sends nothing any more"),
        "it did not say why: {said}"
    );
    let report: Value =
        serde_json::from_str(&std::fs::read_to_string(&report).expect("the report"))
            .expect("the report is JSON");
    assert_eq!(
        report["notes"][1]["outcome"], "right",
        "what was played is judged"
    );
    assert_eq!(report["notes"][15]["outcome"], "not_reached");
}

#[test]
fn a_full_disk_ends_the_take_with_what_was_written() {
    let scene = Scene::new();
    let save = scene.server.path("full.wav");
    // Files may grow to 800 kB, some seconds: writing more fails as on a full disk.
    let mut child = scene
        .server
        .command("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 1600; exec \"$@\"", "sh"])
        .arg(env!("CARGO_BIN_EXE_passagework"))
        .args(["listen", path(&scene.line), "--save", path(&save)])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    scene.server.wait_for_listener();
    let mut player = scene.server.player(&scene.take);
    let status = wait_for_end(&mut child, "listening ends when the disk is full");
    player.kill().expect("the player is stopped");
    player.wait().expect("the player is gone");
    let said = said(&mut child);
    assert_eq!(status.code(), Some(0), "{said}");
    assert!(
        said.contains("make room"),
        "it did not say what to do: {said}"
    );
    assert!(seconds(&save) > 1.5, "{} s are kept", seconds(&save));
}

#[test]
fn interrupted_it_reports_what_was_played() {
    let scene = Scene::new();
    let (save, report) = (
        scene.server.path("part.wav"),
        scene.server.path("report.json"),
    );
    let mut child = scene.listen(&save, &["--json", path(&report)]);
    let mut player = scene.server.player(&scene.take);
    wait_until("four seconds are kept", || {
        hound::WavReader::open(&save).is_ok() && seconds(&save) > 4.0
    });
    interrupt(&child);
    let status = wait_for_end(&mut child, "listening ends when it is interrupted");
    player.kill().expect("the player is stopped");
    player.wait().expect("the player is gone");
    assert_eq!(status.code(), Some(0), "{}", said(&mut child));
    let report: Value =
        serde_json::from_str(&std::fs::read_to_string(&report).expect("the report"))
            .expect("the report is JSON");
    assert_eq!(report["notes"][2]["outcome"], "right");
}

#[test]
fn without_any_sound_it_says_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = folder.path().join("scale.abc");
    std::fs::write(&line, SCALE).expect("the line");
    let save = folder.path().join("none.wav");
    let mut command = Command::new(env!("CARGO_BIN_EXE_passagework"));
    command.args(["listen", path(&line), "--save", path(&save)]);
    // A server that is not there.
    set_up(&mut command, folder.path());
    let output = command.output().expect("the program runs");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("microphone") && said.contains("passagework devices"),
        "{said}"
    );
    assert!(!save.exists(), "an empty recording was left behind");
}

#[test]
fn the_click_looped_back_gives_the_latency_and_the_report_its_phase() {
    let scene = Scene::new();
    let looped = |arguments: &[&str]| {
        let mut command = scene.server.passagework(arguments);
        command.env("PULSE_SINK", "vmic");
        command.output().expect("the program runs")
    };
    let measured = looped(&["latency"]);
    let text = String::from_utf8_lossy(&measured.stdout);
    let why = String::from_utf8_lossy(&measured.stderr);
    assert_eq!(measured.status.code(), Some(0), "{why}");
    let ms: f64 = text
        .split_whitespace()
        .next()
        .and_then(|word| word.parse().ok())
        .unwrap_or_else(|| panic!("no figure in: {text}"));
    // The loop itself takes no time; what is left is blocks and stamps.
    assert!((-15.0..80.0).contains(&ms), "{text}");

    // A click alone, and nobody playing: its beats are said, and no note is heard in it.
    let (save, events) = (scene.server.path("click.wav"), scene.server.path("events"));
    let mut child = scene
        .server
        .passagework(&["listen", path(&scene.line), "--save", path(&save)])
        .args([
            "--click",
            "q=120",
            "--click-level",
            "-12",
            "--events",
            path(&events),
        ])
        .env("PULSE_SINK", "vmic")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    scene.server.wait_for_listener();
    wait_until("eight seconds are kept", || {
        hound::WavReader::open(&save).is_ok() && seconds(&save) > 8.0
    });
    interrupt(&child);
    let status = wait_for_end(&mut child, "listening ends when it is interrupted");
    assert_eq!(status.code(), Some(0), "{}", said(&mut child));
    let events: Vec<Value> = std::fs::read_to_string(&events)
        .expect("the events")
        .lines()
        .map(|line| serde_json::from_str(line).expect("an event is JSON"))
        .collect();
    let at = |kind: &str| -> Vec<f64> {
        let of_kind = events.iter().filter(|e| e["event"] == kind);
        of_kind.filter_map(|e| e["at_s"].as_f64()).collect()
    };
    assert_eq!(at("count_in").len(), 4, "one bar of four is counted in");
    let clicks = at("click");
    assert!(clicks.len() >= 6, "{clicks:?}");
    assert!(
        events.iter().all(|e| e["event"] != "position"),
        "a click was taken for a note"
    );
    // Said where they sound: the sound about each is louder than half-way to the next.
    let mut reader = hound::WavReader::open(&save).expect("the recording");
    let channels = usize::from(reader.spec().channels);
    let sound: Vec<f32> = reader
        .samples::<f32>()
        .map(|s| s.expect("a sample"))
        .step_by(channels)
        .collect();
    let power = |at_s: f64| -> f32 {
        let from = ((at_s - 0.006) * f64::from(RATE_HZ)) as usize;
        sound[from..from + 960].iter().map(|x| x * x).sum()
    };
    for at_s in &clicks {
        assert!(
            power(*at_s) > 100.0 * power(*at_s + 0.25),
            "no click at {at_s:.3} s"
        );
    }
}

#[test]
fn devices_are_listed_by_the_names_that_listen_takes() {
    let server = SoundServer::start();
    let output = server
        .passagework(&["devices"])
        .output()
        .expect("the program runs");
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("microphones (--input)"), "{text}");
    assert!(text.contains("(used unless you say otherwise)"), "{text}");
}
