//! The library and the class at the size they are meant for: a review of 1,000 takes, a class
//! of 200 one-minute takes on one core and on two, kill -9 at 200 moments of keeping.
//! `--test` does a little of each. Prints what it measured.

#[path = "../tests/common/mod.rs"]
mod common;
#[path = "../tests/keep/support.rs"]
mod keep_support;

use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use keep_support::{Playing, STUDY, line_from, played, write_wav};
use passagework::align::Outcome;
use passagework::judge::Check;
use passagework::keep::{Library, NewTake, TakeFilter, TakeId};
use passagework::line::Line;
use passagework::pipeline::{TakeOptions, check_file};
use passagework::said::Said;
use passagework::sound::voice::Rng;

/// Where a child of the kill test keeps its takes.
const DIR: &str = "PASSAGEWORK_BENCH_KEEP_DIR";
const PROGRAM: &str = env!("CARGO_BIN_EXE_passagework");

fn main() {
    if let Some(dir) = std::env::var_os(DIR) {
        return keep_until_killed(Path::new(&dir));
    }
    let little = std::env::args().any(|a| a == "--test");
    let wanted = std::env::args().skip(1).find(|a| !a.starts_with('-'));
    let asked = |name: &str| wanted.as_ref().is_none_or(|w| name.contains(w.as_str()));
    if asked("review") {
        review(if little { 20 } else { 1000 });
    }
    if asked("class") {
        class(if little { 4 } else { 200 });
    }
    if asked("kill") {
        kill(if little { 4 } else { 200 });
    }
}

/// Six times the study: 30 bars, 180 notes, a minute.
fn minute() -> (Line, String) {
    let (head, body) = STUDY.split_once("-2\n").expect("the study has a key");
    let body = body.trim().trim_end_matches("|]");
    let abc = format!("{head}-2\n{}|]\n", [body; 6].join("|"));
    (line_from(&abc), abc)
}

/// `n` takes in a library, then the program's own review of them.
fn review(n: usize) {
    let dir = tempfile::tempdir().expect("a folder");
    let (line, _) = minute();
    let take = dir.path().join("take.wav");
    write_wav(&take, &played(&line, &Playing::default()));
    let check = check_file(&line, &take, &TakeOptions::default()).expect("the take is read");
    let mut library = Library::open(&dir.path().join("library")).expect("a library");
    let mut rng = Rng::new(1);
    let start = Instant::now();
    for i in 0..n {
        // A short sound for each: its length plays no part in a review.
        let recording = dir.path().join("short.wav");
        let samples: Vec<f32> = (0..2000).map(|_| 0.1 * rng.normal() as f32).collect();
        write_wav(&recording, &samples);
        let day = 1 + i * 28 / n;
        library
            .keep(&NewTake {
                line: &line,
                recording: &recording,
                check: &varied(&check, &mut rng),
                said: Said::default(),
                played: Some(&format!("2026-02-{day:02} 18:{:02}", i % 60)),
                player: None,
            })
            .expect("the take is kept");
    }
    println!(
        "keeping {n} takes: {:.1} ms each",
        1e3 * start.elapsed().as_secs_f64() / n as f64
    );
    drop(library);
    let mut runs: Vec<(f64, f64)> = (0..11)
        .map(|_| {
            let (start, cpu) = (Instant::now(), children_cpu_s());
            let output = Command::new(PROGRAM)
                .args(["review", "--library"])
                .arg(dir.path().join("library"))
                .output()
                .expect("the program runs");
            assert!(output.status.success(), "{output:?}");
            (
                1e3 * start.elapsed().as_secs_f64(),
                1e3 * (children_cpu_s() - cpu),
            )
        })
        .collect();
    runs.sort_by(|a, b| a.0.total_cmp(&b.0));
    println!(
        "review of {n} takes, {} notes each, start of the program included: {:.0} ms at best, {:.0} ms median; CPU {:.0} ms (wanted: under 200 ms)",
        line.notes.len(),
        runs[0].0,
        runs[5].0,
        runs.iter().map(|r| r.1).sum::<f64>() / 11.0,
    );
}

/// Another take of the same player: other slips, other unevenness.
fn varied(check: &Check, rng: &mut Rng) -> Check {
    let mut check = check.clone();
    for note in &mut check.notes {
        if rng.unit() < 0.03 {
            note.outcome = Outcome::Wrong;
        }
        if let Some(onset_s) = &mut note.onset_s {
            *onset_s += 0.008 * rng.normal();
        }
    }
    check
}

/// A class on one core and on two.
fn class(n: usize) {
    let dir = tempfile::tempdir().expect("a folder");
    let (line, abc) = minute();
    std::fs::write(dir.path().join("study.abc"), abc).expect("the étude is written");
    std::fs::create_dir(dir.path().join("class")).expect("a folder");
    let samples = played(&line, &Playing::default());
    let mut rng = Rng::new(2);
    for i in 0..n {
        let noisy: Vec<f32> = samples
            .iter()
            .map(|s| 0.8 * s + 0.0005 * rng.normal() as f32)
            .collect();
        write_wav(&dir.path().join(format!("class/player-{i:03}.wav")), &noisy);
    }
    let run = |jobs: &str| {
        let (start, cpu) = (Instant::now(), children_cpu_s());
        let output = Command::new(PROGRAM)
            .args([
                "class",
                "class",
                "--line",
                "study.abc",
                "--csv",
                "-",
                "--jobs",
                jobs,
            ])
            .current_dir(dir.path())
            .stderr(Stdio::null())
            .output()
            .expect("the program runs");
        assert!(output.status.success());
        (
            start.elapsed().as_secs_f64(),
            children_cpu_s() - cpu,
            output.stdout,
        )
    };
    let (one_s, one_cpu_s, one) = run("1");
    let (two_s, two_cpu_s, two) = run("2");
    assert_eq!(one, two, "the same table on one core and on two");
    let seconds = samples.len() as f64 / f64::from(keep_support::RATE_HZ);
    println!(
        "class of {n} takes of {seconds:.0} s: one core {one_s:.1} s ({one_cpu_s:.1} s CPU), two {two_s:.1} s ({two_cpu_s:.1} s CPU): {:.2} times the speed (wanted: 1.8); by CPU time alone, had both cores been free: {:.2}",
        one_s / two_s,
        2.0 * one_cpu_s / two_cpu_s,
    );
}

/// User and system time of all children waited for, s (proc(5): cutime and cstime, in ticks of
/// a hundredth); 0 where there is no /proc.
fn children_cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or("")
        .split_whitespace()
        .collect();
    let ticks = |i: usize| {
        fields
            .get(i)
            .and_then(|f| f.parse::<f64>().ok())
            .unwrap_or(0.0)
    };
    (ticks(13) + ticks(14)) / 100.0
}

/// What a child does: keeps takes and says each once it is kept.
fn keep_until_killed(dir: &Path) {
    let material = keep_support::Material::new();
    let seed: u64 = std::process::id().into();
    println!("ready");
    let mut library = Library::open(dir).expect("the library opens");
    for n in 0.. {
        let recording = material.recording(seed * 100_000 + n);
        let kept = material
            .keep(&mut library, &recording)
            .expect("the take is kept");
        println!("kept {}", kept.id);
    }
}

/// Kills at `n` random moments; every take that was said to be kept must be there and open.
fn kill(n: usize) {
    let material = keep_support::Material::new();
    let dir = material.dir.path().join("library");
    let mut rng = Rng::new(u64::from(std::process::id()));
    let (mut ids, mut lost): (Vec<TakeId>, usize) = (Vec::new(), 0);
    // Long enough for a few takes at the speed of this machine now.
    let mut first = Library::open(&dir).expect("the library opens");
    let start = Instant::now();
    material
        .keep(&mut first, &material.recording(0))
        .expect("the take is kept");
    let window_s = 4.0 * start.elapsed().as_secs_f64();
    drop(first);
    for _ in 0..n {
        let mut child = Command::new(std::env::current_exe().expect("this program has a path"))
            .env(DIR, &dir)
            .stdout(Stdio::piped())
            .spawn()
            .expect("the child starts");
        let mut out = child.stdout.take().expect("its output is ours");
        let mut said = Vec::new();
        let mut byte = [0];
        while !said.ends_with(b"ready\n") {
            out.read_exact(&mut byte)
                .expect("the child says it is ready");
            said.push(byte[0]);
        }
        std::thread::sleep(Duration::from_secs_f64(rng.unit() * window_s));
        child.kill().expect("it can be killed");
        child.wait().expect("it has ended");
        let mut rest = String::new();
        out.read_to_string(&mut rest).expect("its output is text");
        ids.extend(
            rest.lines()
                .filter_map(|l| l.strip_prefix("kept ")?.parse().ok().map(TakeId)),
        );
        // Opened as the next program would.
        Library::open(&dir).expect("the library opens");
    }
    let library = Library::open(&dir).expect("the library opens");
    let listed = library
        .takes(TakeFilter::default())
        .expect("the takes are listed");
    for id in &ids {
        let whole = listed.iter().any(|t| t.id == *id)
            && library
                .check(*id)
                .is_ok_and(|c| c.summary == material.check.summary)
            && library.recording(*id).is_ok_and(|path| {
                passagework::sound::read_take(&path)
                    .is_ok_and(|t| t.samples.len() == material.samples.len())
            });
        lost += usize::from(!whole);
    }
    println!(
        "kill -9 at {n} moments: {} takes reported kept, {lost} of them not there or not whole (wanted: 0)",
        ids.len()
    );
    assert_eq!(lost, 0);
}
