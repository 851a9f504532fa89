//! The tempo ladder at the microphone: passes are played into it, and each decides the next.

use std::io::Write;
use std::process::Stdio;

use crate::support::{SoundServer, wait_for_end};

/// Invented: two bars of eighths over the break, and the same with a note wrong.
const LINE: &str =
    "X:1\nM:4/4\nL:1/8\nQ:1/4=96\nK:C transpose=-2\n(GABc) d2.c.B|(AGFE) .D.E F2|]\n";

#[test]
fn a_clean_pass_goes_up_and_a_failed_one_back() {
    let server = SoundServer::start();
    let path = |name: &str| {
        server
            .path(name)
            .to_str()
            .expect("plain letters")
            .to_owned()
    };
    std::fs::write(server.path("line.abc"), LINE).expect("the line");
    let wrong = LINE.replace(".c.B|", ".c.A|");
    std::fs::write(server.path("wrong.abc"), wrong).expect("the line");
    for (line, tempo, take) in [
        ("line.abc", "q=96", "clean.wav"),
        ("wrong.abc", "q=100", "wrong.wav"),
    ] {
        let arguments = ["--instrument", "clarinet-bb", "--tempo", tempo, "--out"];
        let status = server
            .passagework(&["play", &path(line)])
            .args(arguments)
            .arg(path(take))
            .status()
            .expect("the program runs");
        assert!(status.success());
    }
    let mut ladder = server
        .passagework(&["ladder", &path("line.abc"), "--instrument", "clarinet-bb"])
        .args(["--start", "q=96", "--goal", "q=100", "--passes-wanted", "1"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut enter = ladder.stdin.take().expect("its input");
    for take in ["clean.wav", "wrong.wav"] {
        enter.write_all(b"\n").expect("Enter");
        server.wait_for_listener();
        server.play(&server.path(take));
        server.wait_for_no_listener();
    }
    enter.write_all(b"q\n").expect("q and Enter");
    wait_for_end(&mut ladder, "the ladder ends");
    let said = std::io::read_to_string(ladder.stdout.take().expect("its output")).expect("text");
    let told = |what: &str| assert!(said.contains(what), "{what}: {said}");
    told("pass 1 at 96: clean; clean often enough: up to 100.");
    told("pass 2 at 100: not clean: 1 wrong note; one step back to 96.");
    told("Next: quarter = 96.");
}
