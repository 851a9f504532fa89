//! Holds the whole way from take to check against takes whose truth is known.
//!
//! `cargo run --release --example evaluate -- DIR [--filter TEXT] [--by set|voice|room|instrument] [--verbose] [--hear-only]`
//!
//! Every folder of DIR with a line (`line.musicxml` or `line.abc`), a take (`take.wav`,
//! `take.flac` …) and a `truth.json` is a case; `line-changed.musicxml` with
//! `truth-changed.json` beside them is a second one. Prints the field's own metrics with
//! their intervals; `--verbose` names every failing note.

mod matching;
mod score;
mod table;
mod truth;

use passagework::align::{AlignOptions, align, look_again};
use passagework::hear::{HearOptions, Hearer};
use passagework::judge::{ClickOptions, JudgeOptions, judge};
use passagework::line::read::{LineOptions, read_line};
use passagework::pipeline::range_of;
use passagework::sound::read_take;
use score::{Score, score_check, score_clicks, score_hearing, score_recorder};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use truth::Truth;

/// What stands in the log of a case that came to nothing.
const FAILED: &str = "could not be done";

type Failure = Box<dyn std::error::Error + Send + Sync>;

#[derive(Default)]
struct Options {
    folder: PathBuf,
    filter: String,
    by: String,
    verbose: bool,
    hear_only: bool,
}

struct Case {
    name: String,
    line: PathBuf,
    take: PathBuf,
    truth: PathBuf,
    changed: bool,
}

fn main() -> Result<(), Failure> {
    let options = read_options()?;
    let cases = find_cases(&options)?;
    if cases.is_empty() {
        return Err(format!(
            "no folder of {} has a line, a take and a truth",
            options.folder.display()
        )
        .into());
    }
    let next = AtomicUsize::new(0);
    type Done = (usize, String, Score, Vec<String>);
    let results: Mutex<Vec<Done>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(case) = cases.get(index) else { break };
                    let mut log = Vec::new();
                    let (group, score) = match evaluate(case, &options, &mut log) {
                        Ok(result) => result,
                        Err(error) => {
                            log.push(format!("{FAILED}: {error}"));
                            (FAILED.to_owned(), Score::default())
                        }
                    };
                    eprint!("\r{} of {}", index + 1, cases.len());
                    if let Ok(mut results) = results.lock() {
                        results.push((index, group, score, log));
                    }
                }
            });
        }
    });
    eprintln!();
    let mut results = results.into_inner().map_err(|_| "a thread panicked")?;
    results.sort_by_key(|result| result.0);
    let mut groups: BTreeMap<String, Score> = BTreeMap::new();
    for (index, group, score, log) in &results {
        groups.entry(group.clone()).or_default().add(score);
        for line in log {
            if options.verbose || line.starts_with(FAILED) {
                println!("{}: {line}", cases[*index].name);
            }
        }
    }
    table::print(&groups);
    Ok(())
}

fn read_options() -> Result<Options, Failure> {
    let mut options = Options {
        by: "set".into(),
        ..Options::default()
    };
    let mut args = std::env::args().skip(1);
    while let Some(arg) = args.next() {
        let mut value = || args.next().ok_or(format!("{arg} needs a value"));
        match arg.as_str() {
            "--filter" => options.filter = value()?,
            "--by" => options.by = value()?,
            "--verbose" => options.verbose = true,
            "--hear-only" => options.hear_only = true,
            _ if arg.starts_with('-') => return Err(format!("unknown option {arg}").into()),
            _ => options.folder = arg.into(),
        }
    }
    if options.folder.as_os_str().is_empty() {
        return Err("say where the takes are: evaluate DIR [--filter TEXT] [--by set|voice|room|instrument] [--verbose] [--hear-only]".into());
    }
    Ok(options)
}

fn find_cases(options: &Options) -> Result<Vec<Case>, Failure> {
    let mut folders: Vec<PathBuf> = std::fs::read_dir(&options.folder)
        .map_err(|error| format!("{}: {error}", options.folder.display()))?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.is_dir())
        .collect();
    folders.sort();
    let mut cases = Vec::new();
    for folder in folders {
        let name = folder
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        if !name.contains(&options.filter) {
            continue;
        }
        let first = |names: &[&str]| names.iter().map(|n| folder.join(n)).find(|p| p.exists());
        let take = first(&["take.wav", "take.flac", "take.mp3", "take.ogg", "take.m4a"]);
        for (changed, lines, truth) in [
            (
                false,
                ["line.musicxml", "line.mxl", "line.abc", "line.mid"].as_slice(),
                "truth.json",
            ),
            (
                true,
                ["line-changed.musicxml", "line-changed.abc"].as_slice(),
                "truth-changed.json",
            ),
        ] {
            if let (Some(line), Some(take), Some(truth)) =
                (first(lines), take.clone(), first(&[truth]))
            {
                let name = if changed {
                    format!("{name} (changed line)")
                } else {
                    name.clone()
                };
                cases.push(Case {
                    name,
                    line,
                    take,
                    truth,
                    changed,
                });
            }
        }
    }
    Ok(cases)
}

fn evaluate(
    case: &Case,
    options: &Options,
    log: &mut Vec<String>,
) -> Result<(String, Score), Failure> {
    let truth: Truth = serde_json::from_str(&std::fs::read_to_string(&case.truth)?)?;
    let take = read_take(&case.take)?;
    let (samples, rate) = (take.samples, take.sample_rate_hz);
    let mut score = Score {
        n_takes: 1,
        audio_s: samples.len() as f64 / rate as f64,
        ..Score::default()
    };
    let begun = cpu_s();
    let line = (!options.hear_only).then(|| read_line(&case.line, &LineOptions::default()));
    // As the commands do: `check` hears in the range of the line, `hear` in any.
    let range = match &line {
        Some(Ok(line)) => range_of(line),
        _ => HearOptions::default(),
    };
    let mut hearer = Hearer::new(rate);
    hearer.push(&samples);
    let (hearing, sound) = hearer.finish_keeping_sound(&range);
    score.hear_cpu_s = cpu_s() - begun;
    score.hear = score_hearing(&truth, &hearing, log);
    score.recorders = score_recorder(&truth, &hearing);
    score.click = score_clicks(&truth, &hearing, log);
    if let Some(line) = line {
        match line {
            Ok(line) => {
                let begun = cpu_s();
                let mut alignment = align(&line, &hearing, &AlignOptions::default());
                look_again(&mut alignment, &line, &hearing, &sound);
                let check = judge(&line, &hearing, &alignment, &judge_options(&truth));
                score.rest_cpu_s = cpu_s() - begun;
                let offset_ms = check.tempo.click.and_then(|click| click.offset_mean_ms);
                let meant_ms = truth.click.as_ref().and_then(|click| click.offset_ms);
                if let Some((said, meant)) = offset_ms.zip(meant_ms) {
                    score.click.offset_ms.push(said - meant);
                }
                score.check = score_check(&truth, &check, log);
            }
            Err(error) => log.push(format!("{FAILED}: {error}")),
        }
    }
    Ok((group(case, &truth, options), score))
}

/// The click as the player would tell it.
fn judge_options(truth: &Truth) -> JudgeOptions {
    let told = truth.click.as_ref().and_then(|click| {
        Some(ClickOptions {
            beat_quarters: click.beat_quarters?,
            bpm: click.bpm?,
            at_s: None,
        })
    });
    JudgeOptions {
        click: told,
        ..JudgeOptions::default()
    }
}

/// The row of the table a case belongs to.
fn group(case: &Case, truth: &Truth, options: &Options) -> String {
    let unknown = || "unknown".to_owned();
    match options.by.as_str() {
        "voice" => truth.voice.clone().unwrap_or_else(unknown),
        "room" => room_kind(truth.room.as_deref().unwrap_or("none")),
        "instrument" => truth.instrument.clone().unwrap_or_else(unknown),
        _ => {
            let set = if truth.voice.is_some() {
                case.name.split('-').next().unwrap_or_default()
            } else {
                "real"
            };
            if case.changed {
                format!("{set} changed")
            } else {
                set.to_owned()
            }
        }
    }
}

/// The kinds of trouble in the way, without most of their figures; how wet a room is stays.
fn room_kind(room: &str) -> String {
    let mut kinds: Vec<String> = Vec::new();
    for part in room.split(", ") {
        let mut words = part.split(' ');
        match words.next() {
            Some("wet") => {
                let wet_db: f64 = words.next().and_then(|db| db.parse().ok()).unwrap_or(0.0);
                kinds.push(if wet_db > -6.0 { "wet" } else { "dry" }.to_owned());
            }
            Some("room") if !part.contains("rt60") => kinds.push("measured room".to_owned()),
            Some("click") => kinds.push("click".to_owned()),
            // The length of a beep, cut off at the comma.
            Some(word) if !word.starts_with("length_s") => kinds.push(word.to_owned()),
            _ => {}
        }
    }
    kinds.join(" ")
}

/// CPU seconds of this thread so far; wall clock where the system does not say.
fn cpu_s() -> f64 {
    let on_cpu_ns = std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split(' ').next()?.parse::<f64>().ok());
    match on_cpu_ns {
        Some(ns) => ns * 1e-9,
        None => std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or(0.0, |since| since.as_secs_f64()),
    }
}
