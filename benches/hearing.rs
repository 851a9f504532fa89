//! Hearing and the whole check, on a take of the built-in voice: seconds of sound a second.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use passagework::align::{AlignOptions, align};
use passagework::hear::{HearOptions, hear};
use passagework::judge::{JudgeOptions, judge};
use passagework::line::read::{LineOptions, read_line};
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};
use std::hint::black_box;

const RATE_HZ: u32 = 48_000;

fn bench(c: &mut Criterion) {
    let etude = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/demo_etude.abc");
    let line = read_line(std::path::Path::new(etude), &LineOptions::default())
        .expect("the demo étude is read");
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
    let samples = render(&notes, RATE_HZ, seconds, &VoiceOptions::default());
    let options = HearOptions {
        low_hz: 131.0,
        high_hz: 2093.0,
        raised_hz: 0.0,
    };

    let mut group = c.benchmark_group("the demo étude");
    group.throughput(Throughput::Elements(samples.len() as u64));
    group.sample_size(10);
    group.bench_function("hear", |b| {
        b.iter(|| hear(black_box(&samples), RATE_HZ, &options));
    });
    group.bench_function("check", |b| {
        b.iter(|| {
            let hearing = hear(black_box(&samples), RATE_HZ, &options);
            let alignment = align(&line, &hearing, &AlignOptions::default());
            judge(&line, &hearing, &alignment, &JudgeOptions::default())
        });
    });
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
