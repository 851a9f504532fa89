//! Measures the live path on takes with a known truth: how soon a note is said, how well the
//! player is followed, how soon found again, and whether live and whole-take hearing agree.
//!
//! `cargo run --release --example follow -- DIR…` reads every folder below DIR that `make_takes`
//! has written and feeds `take.wav` in blocks of 256 samples. `--verbose` names every miss;
//! `--no-report` leaves the agreement with the report out, which takes half of the time.

use std::path::{Path, PathBuf};

use passagework::line::read::{LineOptions, read_line};
use passagework::live::Listener;
use passagework::live::events::{Event, HeardOutcome};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::sound::read_take;
use serde::Deserialize;

const BLOCK_SAMPLES: usize = 256;
/// A note counts as followed within this time.
const FOLLOWED_S: f64 = 0.2;
/// A wrong place is not to be kept longer, and how often the last word is looked at.
const WRONG_MAX_S: f64 = 2.0;
const LOOK_S: f64 = 0.01;
/// A place may be said this much before the truth's onset: onsets of made takes are known to a few
/// milliseconds; those of recorded players are the annotators', who hear a note after its attack.
const EARLY_S: f64 = 0.02;
const EARLY_RECORDED_S: f64 = 0.15;
/// Lowest sounding pitch of the latency figure: written E3 of a B flat clarinet.
const LOW_E_MIDI: i32 = 50;

/// Voices of the made takes that are models of a reed.
const MODELLED: [&str; 2] = ["reed", "waveguide"];

#[derive(Deserialize)]
struct Truth {
    /// Of made takes.
    sounded: Option<Vec<Sounded>>,
    notes: Vec<Annotated>,
    voice: Option<String>,
}

/// A note of the line, with its onset where it was played.
#[derive(Deserialize)]
struct Annotated {
    onset: Option<f64>,
    midi: i32,
}

impl Truth {
    /// What sounded, in order, and how much too early a place may be said.
    fn sounded(&self) -> (Vec<Sounded>, f64) {
        if let Some(sounded) = &self.sounded {
            return (sounded.clone(), EARLY_S);
        }
        let notes = self.notes.iter().enumerate();
        let mut sounded: Vec<Sounded> = notes
            .filter_map(|(index, note)| {
                note.onset.map(|onset| Sounded {
                    onset,
                    offset: onset,
                    midi: note.midi,
                    index: Some(index),
                    passed: None,
                })
            })
            .collect();
        sounded.sort_by(|a, b| a.onset.total_cmp(&b.onset));
        (sounded, EARLY_RECORDED_S)
    }
}

#[derive(Clone, Deserialize)]
struct Sounded {
    onset: f64,
    offset: f64,
    midi: i32,
    index: Option<usize>,
    /// The pass of a repeat that it was.
    #[serde(skip)]
    passed: Option<usize>,
}

#[derive(Default)]
struct Figures {
    takes: usize,
    seconds: f64,
    cpu_seconds: f64,
    /// From the onset to the first word of it, ms; infinite where it never came.
    delays_ms: Vec<f64>,
    delays_modelled_ms: Vec<f64>,
    followed: usize,
    sounded: usize,
    positions: usize,
    positions_wrong: usize,
    refound_s: Vec<f64>,
    wrong_longest_s: f64,
    /// Wrong places kept for longer than two seconds, and the time of all.
    wrong_long: usize,
    /// Those of them where all that was heard since before the last jump sounds as it would had the
    /// player come to the place said without a jump.
    wrong_long_alike: usize,
    wrong_s: f64,
    alike: usize,
    compared: usize,
    lost: usize,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let verbose = std::env::args().any(|a| a == "--verbose");
    let report = !std::env::args().any(|a| a == "--no-report");
    let mut folders = Vec::new();
    for dir in std::env::args().skip(1).filter(|a| !a.starts_with('-')) {
        collect(Path::new(&dir), &mut folders);
    }
    folders.sort();
    let mut sets: Vec<(String, Figures)> = Vec::new();
    for folder in &folders {
        let name = folder.file_name().map_or("", |n| n.to_str().unwrap_or(""));
        let made = folder.join("take.wav").is_file();
        let set = if made {
            name.split('-').next().unwrap_or("")
        } else {
            "recorded"
        }
        .to_string();
        if sets.last().is_none_or(|(last, _)| *last != set) {
            sets.push((set, Figures::default()));
        }
        let figures = &mut sets.last_mut().expect("just pushed").1;
        measure(folder, figures, verbose, report)?;
    }
    for (set, figures) in &mut sets {
        print(set, figures);
    }
    Ok(())
}

fn collect(dir: &Path, folders: &mut Vec<PathBuf>) {
    if dir.join("truth.json").is_file() {
        folders.push(dir.into());
        return;
    }
    for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
        if entry.path().is_dir() {
            collect(&entry.path(), folders);
        }
    }
}

fn measure(
    folder: &Path,
    figures: &mut Figures,
    verbose: bool,
    report: bool,
) -> Result<(), Box<dyn std::error::Error>> {
    if verbose {
        println!("{}", folder.display());
    }
    let truth: Truth = serde_json::from_str(&std::fs::read_to_string(folder.join("truth.json"))?)?;
    let modelled = truth
        .voice
        .as_deref()
        .is_some_and(|v| MODELLED.contains(&v));
    let line = read_line(&folder.join("line.musicxml"), &LineOptions::default())?;
    let takes = ["take.wav", "take.flac"].map(|name| folder.join(name));
    let path = takes
        .into_iter()
        .find(|path| path.is_file())
        .ok_or("no take.wav or take.flac")?;
    let take = read_take(&path)?;
    let options = TakeOptions::default();
    let mut listener = Listener::new(line.clone(), take.sample_rate_hz, options.clone());
    let mut events = Vec::new();
    let cpu_before = thread_cpu_s();
    for block in take.samples.chunks(BLOCK_SAMPLES) {
        listener.push(block, &mut events);
    }
    listener.finish(None, &mut events);
    figures.cpu_seconds += thread_cpu_s() - cpu_before;
    figures.seconds += take.samples.len() as f64 / f64::from(take.sample_rate_hz);
    figures.takes += 1;

    // Passes through a repeat are one place on the page: the first note there stands for all.
    let page_place = |index: usize| {
        let note = &line.notes[index];
        (line.page_place(note), note.grace)
    };
    let first_pass = |index: usize| {
        let same = |other: &usize| page_place(*other) == page_place(index);
        (0..index).find(same).unwrap_or(index)
    };
    let on_page = |event: &Event| match event {
        Event::Position {
            index,
            onset_s,
            said_s,
        } => Event::Position {
            index: first_pass(*index),
            onset_s: *onset_s,
            said_s: *said_s,
        },
        event => event.clone(),
    };
    let on_page: Vec<Event> = events.iter().map(on_page).collect();
    let positions: Vec<(usize, f64)> = on_page
        .iter()
        .filter_map(|event| match event {
            Event::Position { index, said_s, .. } => Some((*index, *said_s)),
            _ => None,
        })
        .collect();
    figures.lost += events
        .iter()
        .filter(|event| matches!(event, Event::Lost { .. }))
        .count();
    let (mut sounded, early_s) = truth.sounded();
    for note in &mut sounded {
        note.passed = note.index;
        note.index = note.index.map(first_pass);
    }
    let sounded: Vec<&Sounded> = sounded.iter().filter(|s| s.index.is_some()).collect();
    for note in &sounded {
        let said = positions
            .iter()
            .find(|(index, said_s)| Some(*index) == note.index && *said_s >= note.onset - early_s);
        let delay_s = said
            .map(|(_, said_s)| said_s - note.onset)
            .filter(|s| *s < 2.0)
            .unwrap_or(f64::INFINITY);
        figures.sounded += 1;
        figures.followed += usize::from(delay_s <= FOLLOWED_S);
        if note.midi >= LOW_E_MIDI {
            figures.delays_ms.push(1e3 * delay_s);
            if modelled {
                figures.delays_modelled_ms.push(1e3 * delay_s);
            }
        }
        if verbose && delay_s > 0.06 {
            println!(
                "{}: note {:?} midi {} at {:.3} said {:.0} ms after",
                folder.display(),
                note.index,
                note.midi,
                note.onset,
                1e3 * delay_s
            );
        }
    }
    let pitches: Vec<i32> = line.notes.iter().map(|note| note.sounding_midi).collect();
    places(
        (&sounded, early_s),
        &pitches,
        &positions,
        &on_page,
        figures,
        verbose,
    );
    if report {
        agreement(&line, &path, &options, &events, figures, verbose)?;
    }
    Ok(())
}

/// True where the line's last pitches are those heard last, from before the last jump on: no ear
/// tells that the player is not at the line's end.
fn sounds_alike(heard: &[&Sounded], line: &[i32]) -> bool {
    // The last may not have been said yet.
    (0..2).any(|behind| {
        let heard = &heard[..heard.len().saturating_sub(behind)];
        let same = (heard.iter().rev().zip(line.iter().rev()))
            .take_while(|(note, pitch)| note.midi == **pitch)
            .count();
        let alike = &heard[heard.len() - same..];
        alike.windows(2).any(|pair| {
            let follows = |a: usize, b: usize| b == a + 1;
            !(pair[0].passed.zip(pair[1].passed)).is_some_and(|(a, b)| follows(a, b))
        })
    })
}

/// Wrong places, and how long it takes to be right again after a jump.
fn places(
    (sounded, early_s): (&[&Sounded], f64),
    pitches: &[i32],
    positions: &[(usize, f64)],
    events: &[Event],
    figures: &mut Figures,
    verbose: bool,
) {
    // A word is right while the note it names sounds, or has sounded within the tolerance.
    let right = |index: usize, said_s: f64| {
        sounded.iter().enumerate().any(|(k, s)| {
            let until = sounded.get(k + 1).map_or(s.offset, |next| next.onset);
            s.index == Some(index) && s.onset - early_s <= said_s && said_s <= until + FOLLOWED_S
        })
    };
    figures.positions += positions.len();
    for (index, said_s) in positions {
        if !right(*index, *said_s) {
            figures.positions_wrong += 1;
            if verbose {
                println!("  wrong place {index} said at {said_s:.3}");
            }
        }
    }
    for pair in sounded.windows(2) {
        let (Some(a), Some(b)) = (pair[0].passed, pair[1].passed) else {
            continue;
        };
        if b > a && b <= a + 4 {
            continue;
        }
        let from_s = pair[1].onset;
        let found = positions.iter().find(|(index, said_s)| {
            *said_s >= from_s && right(*index, *said_s) && {
                // The place before the jump may still sound like one that is right.
                sounded.iter().any(|s| {
                    s.index == Some(*index)
                        && s.onset >= from_s - 1e-6
                        && s.onset <= *said_s + EARLY_S
                })
            }
        });
        let took_s = found.map_or(5.0, |(_, said_s)| said_s - from_s);
        if verbose {
            println!("  jump {a} to {b} at {from_s:.3}: right after {took_s:.3} s");
        }
        figures.refound_s.push(took_s);
    }
    // Time during which the last word names no note that sounded in the last moments.
    let end_s = sounded.last().map_or(0.0, |s| s.offset);
    let mut wrong_since: Option<f64> = None;
    let mut said: Option<usize> = None;
    let mut next = events.iter().peekable();
    let mut t_s = 0.0;
    while t_s < end_s {
        while let Some(event) = next.peek() {
            match event {
                Event::Position { index, said_s, .. } if *said_s <= t_s => said = Some(*index),
                Event::Lost { said_s, .. } if *said_s <= t_s => said = None,
                Event::Position { .. } | Event::Lost { .. } => break,
                _ => {}
            }
            next.next();
        }
        let wrong = said.is_some_and(|index| {
            let k = sounded.partition_point(|s| s.onset <= t_s);
            let near = sounded[k.saturating_sub(2)..k].iter();
            let just_now = sounded[..k]
                .iter()
                .rev()
                .take_while(|s| s.onset > t_s - FOLLOWED_S);
            k > 0 && !near.chain(just_now).any(|s| s.index == Some(index))
        });
        wrong_since = match (wrong, wrong_since) {
            (true, None) => Some(t_s),
            (true, since) => since,
            (false, _) => None,
        };
        let kept_s = wrong_since.map_or(0.0, |since| t_s - since);
        if verbose && kept_s > 1.0 && kept_s <= 1.0 + LOOK_S {
            println!("  wrong place {said:?} kept since {wrong_since:.3?}");
        }
        if kept_s > WRONG_MAX_S && kept_s <= WRONG_MAX_S + LOOK_S {
            let k = sounded.partition_point(|s| s.onset <= t_s);
            let alike = said.is_some_and(|index| sounds_alike(&sounded[..k], &pitches[..=index]));
            figures.wrong_long += 1;
            figures.wrong_long_alike += usize::from(alike);
            if verbose {
                println!("  wrong place {said:?} kept for long since {wrong_since:.3?}");
            }
        }
        figures.wrong_s += if wrong { LOOK_S } else { 0.0 };
        figures.wrong_longest_s = figures.wrong_longest_s.max(kept_s);
        t_s += LOOK_S;
    }
}

/// Last live outcome of every note against the report's.
fn agreement(
    line: &passagework::line::Line,
    path: &Path,
    options: &TakeOptions,
    events: &[Event],
    figures: &mut Figures,
    verbose: bool,
) -> Result<(), Box<dyn std::error::Error>> {
    let check = check_file(line, path, options)?;
    let mut live = vec![None; line.notes.len()];
    for event in events {
        if let Event::Heard {
            index: Some(index),
            outcome,
            ..
        } = event
        {
            live[*index] = Some(*outcome);
        }
    }
    for note in &check.notes {
        let Some(outcome) = HeardOutcome::of(note.outcome) else {
            continue;
        };
        if !matches!(outcome, HeardOutcome::Right | HeardOutcome::Wrong) {
            continue;
        }
        figures.compared += 1;
        let same = live[note.index] == Some(outcome);
        figures.alike += usize::from(same);
        if verbose && !same {
            println!(
                "  note {} is {outcome:?} at {:?}, live {:?}",
                note.index, note.onset_s, live[note.index]
            );
        }
    }
    Ok(())
}

fn print(set: &str, figures: &mut Figures) {
    let share = |n: usize, of: usize| 100.0 * n as f64 / of.max(1) as f64;
    let quantile = |values: &mut Vec<f64>, q: f64| {
        values.sort_by(f64::total_cmp);
        values
            .get(((values.len() as f64 * q) as usize).min(values.len().saturating_sub(1)))
            .copied()
            .unwrap_or(f64::NAN)
    };
    println!("{set}: {} takes, {:.0} s", figures.takes, figures.seconds);
    let all = &mut figures.delays_ms;
    println!(
        "  note begun to position said: median {:.1} ms, 95 % {:.1} ms ({} notes)",
        quantile(all, 0.5),
        quantile(all, 0.95),
        all.len()
    );
    let all = &mut figures.delays_modelled_ms;
    println!(
        "  the same, modelled reed: median {:.1} ms, 95 % {:.1} ms ({} notes)",
        quantile(all, 0.5),
        quantile(all, 0.95),
        all.len()
    );
    println!(
        "  followed within 200 ms: {:.2} % of {}",
        share(figures.followed, figures.sounded),
        figures.sounded
    );
    println!(
        "  places said wrong: {:.2} % of {}; lost {} times; longest wrong place {:.2} s, {} above {WRONG_MAX_S} s, {} of them where no ear tells; wrong {:.2} % of the time",
        share(figures.positions_wrong, figures.positions),
        figures.positions,
        figures.lost,
        figures.wrong_longest_s,
        figures.wrong_long,
        figures.wrong_long_alike,
        100.0 * figures.wrong_s / figures.seconds.max(1e-9)
    );
    let n = figures.refound_s.len();
    if n > 0 {
        let mean = figures.refound_s.iter().sum::<f64>() / n as f64;
        println!(
            "  found again after a jump: mean {mean:.3} s, longest {:.3} s ({n} jumps)",
            figures.refound_s.iter().copied().fold(0.0, f64::max)
        );
    }
    println!(
        "  heard as in the report: {:.2} % of {} right and wrong notes",
        share(figures.alike, figures.compared),
        figures.compared
    );
    println!(
        "  hearing: {:.2} % of one core",
        100.0 * figures.cpu_seconds / figures.seconds.max(1e-9)
    );
}

/// Processor time of this thread, seconds (Linux; elsewhere 0).
fn thread_cpu_s() -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok())
        .map_or(0.0, |ns| ns * 1e-9)
}
