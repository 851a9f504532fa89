//! Listening live: share of a core that the hearing thread takes, and memory, over ten minutes
//! of playing fed as fast as it goes in blocks of 256 samples at 48 kHz; and sound lost when the
//! program is killed while it listens at a virtual microphone.
//!
//! `cargo bench --bench live` prints them; with `-- --test` over half a minute and three kills.

#[path = "../../tests/live/support.rs"]
mod support;
#[path = "../../tests/common/wav.rs"]
mod wav;

mod killed;

use std::path::Path;

use passagework::line::read::{LineOptions, read_line};
use passagework::live::Listener;
use passagework::pipeline::TakeOptions;
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};

const RATE_HZ: u32 = 48_000;
const BLOCK_SAMPLES: usize = 256;

fn main() {
    let short = std::env::args().any(|a| a == "--test");
    let minutes = if short { 0.5 } else { 10.0 };
    let etude = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/demo_etude.abc");
    let line =
        read_line(Path::new(etude), &LineOptions::default()).expect("the demo étude is read");
    // The étude once, at a quarter of 99, played over and over as one practises it.
    let quarter_s = 60.0 / 99.0;
    let notes: Vec<VoiceNote> = line
        .notes
        .iter()
        .map(|n| VoiceNote {
            onset_s: 0.5 + n.onset_quarters * quarter_s,
            offset_s: 0.5 + (n.onset_quarters + n.duration_quarters) * quarter_s
                - if n.slurred { 0.0 } else { 0.035 },
            midi: f64::from(n.sounding_midi),
            level_db: -4.0,
            tongued: !n.slurred,
            blip: None,
        })
        .collect();
    let seconds = notes.last().map_or(1.0, |n| n.offset_s) + 0.5;
    let once = render(&notes, RATE_HZ, seconds, &VoiceOptions::default());

    let mut listener = Listener::new(line, RATE_HZ, TakeOptions::default());
    let mut events = Vec::new();
    let cpu_before = thread_cpu_s();
    let mut first_minute_mb = None;
    let mut n_events = 0;
    while listener.heard_s() < 60.0 * minutes {
        for block in once.chunks(BLOCK_SAMPLES) {
            listener.push(block, &mut events);
            n_events += events.len();
            events.clear();
        }
        if listener.heard_s() > 6.0 * minutes && first_minute_mb.is_none() {
            first_minute_mb = Some(resident_mb());
        }
    }
    let cpu_s = thread_cpu_s() - cpu_before;
    println!(
        "hearing thread: {:.2} % of one core over {:.1} minutes, {n_events} events",
        100.0 * cpu_s / listener.heard_s(),
        listener.heard_s() / 60.0
    );
    println!(
        "memory: {:.1} MB after a tenth of the time, {:.1} MB at the end",
        first_minute_mb.unwrap_or(f64::NAN),
        resident_mb()
    );
    killed::print(Path::new(etude), &once, if short { 3 } else { 15 });
}

/// Processor time of this thread, seconds (Linux; elsewhere 0).
fn thread_cpu_s() -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split_whitespace().next()?.parse::<f64>().ok())
        .map_or(0.0, |ns| ns * 1e-9)
}

/// Memory of the process that lies in RAM, megabytes (Linux; elsewhere not a number).
fn resident_mb() -> f64 {
    std::fs::read_to_string("/proc/self/status")
        .ok()
        .and_then(|text| {
            let row = text.lines().find(|l| l.starts_with("VmRSS:"))?;
            row.split_whitespace().nth(1)?.parse::<f64>().ok()
        })
        .map_or(f64::NAN, |kb| kb / 1024.0)
}
