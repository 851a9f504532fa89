//! Reading takes: samples a second through both passes, file to mono blocks.

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use passagework::sound::TakeReader;

fn read(path: &Path) -> usize {
    let mut reader = TakeReader::open(path).expect("a good file is read");
    let (mut n_samples, mut block) = (0, Vec::new());
    while reader.next_block(&mut block) {
        n_samples += black_box(&block).len();
    }
    n_samples
}

fn reading(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("read");
    let folder = tempfile::tempdir().expect("a temporary folder");
    for n_channels in [1, 2] {
        let path = folder.path().join(format!("{n_channels}.wav"));
        write_tone(&path, n_channels);
        group.throughput(Throughput::Elements(read(&path) as u64));
        group.bench_function(format!("wav, {n_channels} channels, 60 s"), |bench| {
            bench.iter(|| read(&path));
        });
    }
    for name in ["sweep.flac", "sweep.mp3", "sweep.ogg", "sweep.m4a"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("testdata/sound")
            .join(name);
        group.throughput(Throughput::Elements(read(&path) as u64));
        group.bench_function(name, |bench| bench.iter(|| read(&path)));
    }
    group.finish();
}

/// A minute of 440 Hz at 48 kHz and 16 bits.
fn write_tone(path: &Path, n_channels: u16) {
    let spec = hound::WavSpec {
        channels: n_channels,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a WAV can be made");
    for idx in 0..60 * 48_000 {
        let x = (idx as f64 * 440.0 / 48_000.0 * std::f64::consts::TAU).sin();
        for _ in 0..n_channels {
            writer
                .write_sample((x * 16_000.0) as i16)
                .expect("a sample can be written");
        }
    }
    writer.finalize().expect("a WAV can be closed");
}

criterion_group!(benches, reading);
criterion_main!(benches);
