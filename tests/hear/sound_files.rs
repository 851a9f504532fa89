//! Takes from files: every format against a closed form, damaged files, channels, rates.
//!
//! WAVs are written by `hound`, the other formats by ffmpeg's encoders
//! (`testdata/sound/README.md`): neither shares code with the reader under test.

use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use crate::common::Folder;
use hound::{SampleFormat, WavSpec, WavWriter};
use passagework::sound::{SoundError, Take, TakeReader, read_take};
use proptest::prelude::*;

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/sound")
        .join(name)
}

/// The signal of `testdata/sound`: a linear sweep from 200 to 4000 Hz between 0.1 and 0.6 s.
fn sweep(rate_hz: u32) -> Vec<f64> {
    (0..rate_hz as usize * 7 / 10)
        .map(|idx| {
            let t = idx as f64 / rate_hz as f64;
            let ramp = ((t - 0.1).min(0.6 - t) / 0.01).clamp(0.0, 1.0);
            let phase = 2.0 * PI * (200.0 * (t - 0.1) + 3800.0 * (t - 0.1).powi(2));
            0.5 * ramp * phase.sin()
        })
        .collect()
}

fn tone(rate_hz: u32, f0_hz: f64, amplitude: f64, seconds: f64) -> Vec<f64> {
    (0..(rate_hz as f64 * seconds) as usize)
        .map(|idx| amplitude * (2.0 * PI * f0_hz * idx as f64 / rate_hz as f64).sin())
        .collect()
}

/// White noise of the given amplitude from a linear congruential generator (Knuth's constants).
fn noise(n_samples: usize, amplitude: f64, seed: u64) -> Vec<f64> {
    let mut state = seed;
    (0..n_samples)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            amplitude * ((state >> 33) as f64 / (1u64 << 30) as f64 - 1.0)
        })
        .collect()
}

fn mean(samples: &[f32]) -> f64 {
    samples.iter().map(|x| *x as f64).sum::<f64>() / samples.len() as f64
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|x| (*x as f64).powi(2)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Largest distance between what was read and what was meant.
fn largest_error(got: &[f32], want: &[f64]) -> f64 {
    assert_eq!(got.len(), want.len(), "number of samples");
    got.iter()
        .zip(want)
        .map(|(got, want)| (*got as f64 - want).abs())
        .fold(0.0, f64::max)
}

/// Samples by which `got` comes late against `want` (parabola through the highest
/// correlation), and that correlation, normalised.
fn lateness(got: &[f32], want: &[f64]) -> (f64, f64) {
    let correlation = |lag: i64| -> f64 {
        want.iter()
            .enumerate()
            .filter_map(|(idx, want)| {
                let got = got.get(usize::try_from(idx as i64 + lag).ok()?)?;
                Some(*got as f64 * want)
            })
            .sum()
    };
    let best = (-3000..=3000)
        .max_by(|a, b| correlation(*a).total_cmp(&correlation(*b)))
        .expect("some lag");
    let [before, at, after] = [best - 1, best, best + 1].map(correlation);
    let shift = 0.5 * (before - after) / (before - 2.0 * at + after);
    let energy: f64 = want.iter().map(|x| x * x).sum();
    let scale = (energy * rms(got).powi(2) * got.len() as f64).sqrt();
    (best as f64 + shift, at / scale)
}

/// Writes channels (full scale ±1) as a WAV of `bits`; 32 with `Float` is floating.
fn write_wav(path: &Path, rate_hz: u32, bits: u16, format: SampleFormat, channels: &[Vec<f64>]) {
    let spec = WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: bits,
        sample_format: format,
    };
    let mut writer = WavWriter::create(path, spec).expect("a WAV can be made");
    for idx in 0..channels[0].len() {
        for channel in channels {
            match format {
                SampleFormat::Float => writer.write_sample(channel[idx] as f32),
                SampleFormat::Int => {
                    let full = (2f64).powi(bits as i32 - 1);
                    let value = (channel[idx] * full).round().clamp(-full, full - 1.0);
                    writer.write_sample(value as i32)
                }
            }
            .expect("a sample can be written");
        }
    }
    writer.finalize().expect("a WAV can be closed");
}

/// A WAV of 16 bits in a fresh folder, read.
fn read_channels(rate_hz: u32, channels: &[Vec<f64>]) -> (Take, TakeReader) {
    let folder = Folder::new();
    let path = folder.path("take.wav");
    write_wav(&path, rate_hz, 16, SampleFormat::Int, channels);
    let take = read_take(&path).expect("a good file is read");
    (take, TakeReader::open(&path).expect("a good file is read"))
}

/// A PCM WAV of 16 bits by hand, with the lengths it claims.
fn raw_wav(riff_bytes: u32, data_bytes: u32, before_data: &[u8], samples: &[i16]) -> Vec<u8> {
    let mut file = b"RIFF".to_vec();
    file.extend(riff_bytes.to_le_bytes());
    file.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    file.extend(44_100u32.to_le_bytes());
    file.extend(88_200u32.to_le_bytes());
    file.extend(b"\x02\0\x10\0");
    file.extend(before_data);
    file.extend(b"data");
    file.extend(data_bytes.to_le_bytes());
    file.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
    file
}

/// A second of tone as 16-bit samples.
fn second() -> Vec<i16> {
    tone(44_100, 440.0, 0.5, 1.0)
        .iter()
        .map(|x| (x * 32_768.0).round() as i16)
        .collect()
}

#[test]
fn wav_of_every_depth_is_read_within_half_a_step() {
    let want = sweep(44_100);
    for (bits, format) in [
        (8, SampleFormat::Int),
        (16, SampleFormat::Int),
        (24, SampleFormat::Int),
        (32, SampleFormat::Int),
        (32, SampleFormat::Float),
    ] {
        for n_channels in [1, 2, 3, 6] {
            let folder = Folder::new();
            let path = folder.path("take.wav");
            write_wav(&path, 44_100, bits, format, &vec![want.clone(); n_channels]);
            let take = read_take(&path).expect("a good file is read");
            // Half a quantisation step; floats have 24 bits. The offset taken out adds its share.
            let step = (2f64).powi(1 - bits.min(24) as i32);
            let error = largest_error(&take.samples, &want);
            let tolerance = 0.5 * step + 1e-4;
            assert!(
                error <= tolerance,
                "{bits} bits {format:?}, {n_channels} channels: {error} > {tolerance}"
            );
            assert_eq!(
                take.warnings,
                Vec::<String>::new(),
                "{bits} bits {format:?}"
            );
            assert_eq!(take.clipped_share, 0.0, "{bits} bits {format:?}");
        }
    }
}

#[test]
fn wav_of_64_bit_floats_and_rf64_are_read() {
    let want = tone(48_000, 480.0, 0.25, 0.5);
    let data: Vec<u8> = want.iter().flat_map(|x| x.to_le_bytes()).collect();
    // RF64 of EBU Tech 3306: lengths of 32 bits are all ones, ds64 has the true ones.
    let mut file = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    file.extend((data.len() as u64 + 72).to_le_bytes());
    file.extend((data.len() as u64).to_le_bytes());
    file.extend((want.len() as u64).to_le_bytes());
    file.extend([0; 4]);
    file.extend(b"fmt \x10\0\0\0\x03\0\x01\0");
    file.extend(48_000u32.to_le_bytes());
    file.extend(384_000u32.to_le_bytes());
    file.extend(b"\x08\0\x40\0data\xff\xff\xff\xff");
    file.extend(&data);
    file.extend(b"LIST\x04\0\0\0INFO");
    let take = read_take(&Folder::new().write("take.wav", file)).expect("a good file is read");
    assert!(largest_error(&take.samples, &want) < 1e-6);
    assert_eq!(take.warnings, Vec::<String>::new());
}

#[test]
fn lossless_formats_are_exact_and_lossy_ones_in_time() {
    // Name, rate, largest lateness in samples, least correlation. The bounds of the lossy
    // ones are ours: 0.5 sample is 11 µs, far below what an onset can be read to.
    let cases = [
        ("sweep.flac", 44_100, 0.01, 0.999_999),
        ("sweep_lossless.m4a", 44_100, 0.01, 0.999_999),
        ("sweep.aiff", 16_000, 0.01, 0.999_999),
        ("sweep_alaw.wav", 16_000, 0.01, 0.999),
        ("sweep.ogg", 44_100, 0.5, 0.99),
        ("sweep.mp3", 44_100, 0.5, 0.99),
        ("sweep_cover.mp3", 44_100, 0.5, 0.99),
        ("sweep.m4a", 44_100, 0.5, 0.99),
        ("sweep_fragmented.m4a", 44_100, 0.5, 0.99),
        ("sweep.aac", 44_100, 0.5, 0.99),
        ("film.mp4", 44_100, 0.5, 0.99),
    ];
    for (name, rate_hz, late_max, correlation_min) in cases {
        let take = read_take(&fixture(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert_eq!(take.sample_rate_hz, rate_hz, "{name}");
        assert_eq!(take.warnings, Vec::<String>::new(), "{name}");
        let (late, correlation) = lateness(&take.samples, &sweep(rate_hz));
        assert!(late.abs() <= late_max, "{name}: {late} samples late");
        assert!(correlation >= correlation_min, "{name}: {correlation}");
    }
}

#[test]
fn an_mp3_without_a_tag_is_late_by_what_its_encoder_put_before() {
    // LAME's own delay of 576 samples and the decoder's 529 (LAME technical FAQ); nothing in
    // the file says so, and it is the same for every note.
    let take = read_take(&fixture("sweep_untagged.mp3")).expect("a good file is read");
    let (late, correlation) = lateness(&take.samples, &sweep(44_100));
    assert!((late - 1105.0).abs() <= 0.5, "{late} samples late");
    assert!(correlation > 0.99, "{correlation}");
}

#[test]
fn any_blocks_together_are_the_take() {
    for name in ["sweep.flac", "sweep.m4a", "sweep.aiff", "sweep.mp3"] {
        let whole = read_take(&fixture(name)).expect("a good file is read");
        let mut reader = TakeReader::open(&fixture(name)).expect("a good file is read");
        let (mut samples, mut block) = (Vec::new(), Vec::new());
        while reader.next_block(&mut block) {
            assert!(!block.is_empty(), "{name}");
            samples.extend_from_slice(&block);
        }
        assert!(!reader.next_block(&mut block) && block.is_empty(), "{name}");
        assert_eq!(samples, whole.samples, "{name}");
        let duration_s = samples.len() as f64 / reader.sample_rate_hz() as f64;
        assert!((reader.duration_s() - duration_s).abs() < 1e-9, "{name}");
    }
}

#[test]
fn rates_from_8_to_384_khz_keep_their_time() {
    for (rate_hz, given_hz) in [
        (8_000, 16_000),
        (11_025, 22_050),
        (16_000, 16_000),
        (22_050, 22_050),
        (44_100, 44_100),
        (96_000, 96_000),
        (176_400, 88_200),
        (192_000, 96_000),
        (384_000, 96_000),
    ] {
        // Stay below half the lowest rate: the sweep's end is taken away.
        let cut = |rate_hz: u32| -> Vec<f64> {
            let mut samples = sweep(rate_hz);
            let n_kept = rate_hz as usize * 45 / 100;
            for (idx, sample) in samples.iter_mut().enumerate() {
                let to_end_s = (n_kept as f64 - idx as f64) / rate_hz as f64;
                *sample *= (to_end_s / 0.02).clamp(0.0, 1.0);
            }
            samples
        };
        let (take, _) = read_channels(rate_hz, &[cut(rate_hz)]);
        assert_eq!(take.sample_rate_hz, given_hz, "{rate_hz} Hz");
        let mut want = cut(given_hz);
        want.truncate(take.samples.len());
        let error = largest_error(&take.samples[..want.len()], &want);
        // 16 bits, the offset, and the filter's ripple; a shift by one sample at 2.9 kHz
        // and 96 kHz would be 0.09.
        assert!(error < 2e-3, "{rate_hz} Hz: {error}");
    }
}

#[test]
fn halving_leaves_no_alias_of_ultrasound() {
    // 60 kHz would fold to 36 kHz at 96 kHz.
    let (take, _) = read_channels(192_000, &[tone(192_000, 60_000.0, 0.5, 0.5)]);
    let level = rms(&take.samples[1000..take.samples.len() - 1000]);
    // What 16 bits leave of a tone that is gone: steps of 2⁻¹⁵.
    assert!(level < 3e-5, "{level}");
}

#[test]
fn the_channel_with_the_player_is_taken() {
    let n_samples = 96_000;
    let player = tone(48_000, 440.0, 0.3, 2.0);
    let silent = vec![0.0; n_samples];
    let hiss = noise(n_samples, 0.5, 7);
    let hum = tone(48_000, 50.0, 0.4, 2.0);
    let quiet: Vec<f64> = player.iter().map(|x| 0.05 * x).collect();
    let mirror: Vec<f64> = player.iter().map(|x| -x).collect();
    type Case<'a> = (&'a str, Vec<Vec<f64>>, &'a [usize], bool);
    let cases: [Case; 8] = [
        (
            "left alone",
            vec![player.clone(), silent.clone()],
            &[1],
            false,
        ),
        (
            "right alone",
            vec![silent.clone(), player.clone()],
            &[2],
            false,
        ),
        ("hiss left", vec![hiss.clone(), player.clone()], &[2], false),
        ("hum left", vec![hum, player.clone()], &[2], false),
        ("quiet left", vec![quiet, player.clone()], &[2], false),
        ("both", vec![player.clone(), player.clone()], &[1, 2], false),
        ("mirrored", vec![player.clone(), mirror], &[1], true),
        (
            "six channels",
            vec![
                silent.clone(),
                hiss,
                silent.clone(),
                silent.clone(),
                player.clone(),
                silent,
            ],
            &[5],
            false,
        ),
    ];
    for (case, channels, used, out_of_phase) in cases {
        let (take, reader) = read_channels(48_000, &channels);
        assert_eq!(reader.info().used_channels, used, "{case}");
        assert_eq!(reader.info().n_channels, channels.len(), "{case}");
        let error = largest_error(&take.samples, &player);
        assert!(error < 1e-4, "{case}: {error}");
        let told = take.warnings.iter().any(|text| text.contains("mirror"));
        assert_eq!(told, out_of_phase, "{case}: {:?}", take.warnings);
    }
}

#[test]
fn the_mean_of_two_like_channels_halves_their_noise() {
    let player = tone(48_000, 440.0, 0.3, 2.0);
    let noisy = |seed| -> Vec<f64> {
        let hiss = noise(player.len(), 0.01, seed);
        player.iter().zip(hiss).map(|(x, n)| x + n).collect()
    };
    let (take, reader) = read_channels(48_000, &[noisy(1), noisy(2)]);
    assert_eq!(reader.info().used_channels, [1, 2]);
    let residue: Vec<f32> = take
        .samples
        .iter()
        .zip(&player)
        .map(|(got, want)| (*got as f64 - want) as f32)
        .collect();
    // Uniform noise of amplitude a has an RMS of a/√3; the mean of two has 1/√2 of that.
    let want = 0.01 / 6f64.sqrt();
    assert!(
        (rms(&residue) / want - 1.0).abs() < 0.05,
        "{}",
        rms(&residue)
    );
}

#[test]
fn offset_is_taken_out() {
    let want = tone(48_000, 480.0, 0.3, 1.0);
    let shifted = want.iter().map(|x| x + 0.2).collect();
    let (take, _) = read_channels(48_000, &[shifted]);
    assert!(mean(&take.samples).abs() < 1e-6, "{}", mean(&take.samples));
    assert!(largest_error(&take.samples, &want) < 1e-4);
}

#[test]
fn clipping_is_measured_at_and_below_full_scale() {
    for limit in [1.0, 0.6] {
        let loud = tone(48_000, 440.0, 2.0 * limit, 1.0);
        let cut = loud.iter().map(|x| x.clamp(-limit, limit)).collect();
        let (take, _) = read_channels(48_000, &[cut]);
        // A sine of twice the limit lies beyond it for two thirds of the time.
        let share = take.clipped_share;
        assert!((share - 2.0 / 3.0).abs() < 0.02, "limit {limit}: {share}");
        assert!(take.warnings.iter().any(|text| text.contains("clipped")));
    }
    let coded = read_take(&fixture("clipped.mp3")).expect("a good file is read");
    assert!(coded.clipped_share > 0.05, "{}", coded.clipped_share);
    assert!(coded.warnings.iter().any(|text| text.contains("clipped")));
}

#[test]
fn samples_that_are_no_numbers_are_silence_and_said() {
    let folder = Folder::new();
    let path = folder.path("take.wav");
    let mut want = tone(48_000, 480.0, 0.3, 1.0);
    let mut broken = want.clone();
    for (idx, bad) in [(24_000, f64::NAN), (24_001, f64::INFINITY), (30_000, -1e30)] {
        broken[idx] = bad;
        want[idx] = 0.0;
    }
    write_wav(&path, 48_000, 32, SampleFormat::Float, &[broken]);
    let take = read_take(&path).expect("a good file is read");
    assert!(largest_error(&take.samples, &want) < 1e-4);
    assert_eq!(take.warnings.len(), 1, "{:?}", take.warnings);
    assert!(take.warnings[0].starts_with("3 samples are not numbers, the first at 0.50 s"));
}

#[test]
fn floats_in_other_units_are_scaled_to_full_scale() {
    let folder = Folder::new();
    let path = folder.path("take.wav");
    let counts: Vec<f64> = tone(48_000, 480.0, 30_000.0, 1.0);
    write_wav(&path, 48_000, 32, SampleFormat::Float, &[counts]);
    let take = read_take(&path).expect("a good file is read");
    let peak = take
        .samples
        .iter()
        .fold(0.0f32, |peak, x| peak.max(x.abs()));
    assert!((peak - 1.0).abs() < 1e-3, "{peak}");
    assert!(
        take.warnings[0].contains("scaled down"),
        "{:?}",
        take.warnings
    );
}

#[test]
fn wav_lengths_that_are_missing_or_untrue_are_mended() {
    let samples = second();
    let n_bytes = 2 * samples.len() as u32;
    // Case, file, and what the only warning says ("" for none).
    let half = &samples[..22_050];
    let odd = b"junk\x03\0\0\0abc\0";
    let odd_unpadded = b"junk\x03\0\0\0abc";
    let mut with_list = raw_wav(n_bytes + 48, n_bytes, b"", &samples);
    with_list.extend(b"LIST\x04\0\0\0INFO");
    let cases: [(&str, Vec<u8>, usize, &str); 10] = [
        (
            "whole",
            raw_wav(n_bytes + 36, n_bytes, b"", &samples),
            44_100,
            "",
        ),
        ("a chunk after", with_list, 44_100, ""),
        (
            "an odd chunk",
            raw_wav(n_bytes + 48, n_bytes, odd, &samples),
            44_100,
            "",
        ),
        (
            "an odd chunk, no padding",
            raw_wav(n_bytes + 47, n_bytes, odd_unpadded, &samples),
            44_100,
            "",
        ),
        (
            "to a pipe",
            raw_wav(u32::MAX, u32::MAX, b"", &samples),
            44_100,
            "",
        ),
        (
            "to a pipe, signed",
            raw_wav(0x7fff_f024, 0x7fff_f000, b"", &samples),
            44_100,
            "",
        ),
        (
            "lengths never written",
            raw_wav(0, 0, b"", &samples),
            44_100,
            "not closed properly",
        ),
        (
            "length of half",
            raw_wav(44_136, 44_100, b"", &samples),
            44_100,
            "states 0.50 s and holds 1.00 s",
        ),
        (
            "cut off",
            raw_wav(n_bytes + 36, n_bytes, b"", half),
            22_050,
            "cut off at 0.50 s of 1.00 s",
        ),
        (
            "cut within a sample",
            {
                let mut file = raw_wav(n_bytes + 36, n_bytes, b"", half);
                file.pop();
                file
            },
            22_049,
            "cut off at 0.50 s of 1.00 s",
        ),
    ];
    for (case, file, n_samples, said) in cases {
        let take = read_take(&Folder::new().write("take.wav", file))
            .unwrap_or_else(|error| panic!("{case}: {error}"));
        assert_eq!(take.samples.len(), n_samples, "{case}");
        assert_eq!(
            take.warnings.len(),
            usize::from(!said.is_empty()),
            "{case}: {:?}",
            take.warnings
        );
        assert!(
            take.warnings.iter().all(|text| text.contains(said)),
            "{case}: {:?}",
            take.warnings
        );
        let want: Vec<f64> = samples[..n_samples]
            .iter()
            .map(|x| *x as f64 / 32_768.0)
            .collect();
        assert!(largest_error(&take.samples, &want) < 1e-4, "{case}");
    }
}

#[test]
fn coded_files_cut_off_are_read_up_to_there() {
    // An M4A with its index at the end has nothing left to decode by; these have.
    for name in [
        "sweep.flac",
        "sweep.mp3",
        "sweep.aiff",
        "sweep_fragmented.m4a",
        "tone.m4a",
        "tone.ogg",
    ] {
        let bytes = std::fs::read(fixture(name)).expect("the fixture is there");
        let whole = read_take(&fixture(name)).expect("a good file is read");
        let path = Folder::new();
        let path = path.write("take", &bytes[..bytes.len() * 6 / 10]);
        let take = read_take(&path).unwrap_or_else(|error| panic!("{name}: {error}"));
        let share = take.samples.len() as f64 / whole.samples.len() as f64;
        assert!((0.2..0.95).contains(&share), "{name}: {share} of the take");
        assert_eq!(take.warnings.len(), 1, "{name}: {:?}", take.warnings);
        assert!(
            take.warnings[0].contains("cut off at"),
            "{name}: {}",
            take.warnings[0]
        );
        // Before the cut the take is as it was; a packet's length is left for the overlap.
        let n_same = take.samples.len() - 4096;
        let difference = take.samples[..n_same]
            .iter()
            .zip(&whole.samples)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f32::max);
        assert!(difference < 1e-3, "{name}: {difference}");
    }
}

#[test]
fn a_damaged_stretch_is_silence_and_later_sound_keeps_its_time() {
    let mut bytes = std::fs::read(fixture("sweep.flac")).expect("the fixture is there");
    let middle = bytes.len() / 2;
    for byte in &mut bytes[middle..middle + 40] {
        *byte ^= 0x5a;
    }
    let folder = Folder::new();
    let take = read_take(&folder.write("take.flac", bytes)).expect("what is whole is read");
    let whole = read_take(&fixture("sweep.flac")).expect("a good file is read");
    assert_eq!(take.samples.len(), whole.samples.len());
    assert_eq!(take.warnings.len(), 1, "{:?}", take.warnings);
    assert!(
        take.warnings[0].contains("s of sound are missing"),
        "{:?}",
        take.warnings
    );
    // The last tenth of the sweep, after the damage.
    let after = 22_050..26_460;
    let difference = take.samples[after.clone()]
        .iter()
        .zip(&whole.samples[after])
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f32::max);
    assert!(difference < 1e-3, "{difference}");
}

#[test]
fn what_is_no_take_is_refused_with_what_would_work() {
    let folder = Folder::new();
    let missing = folder.path("missing.wav");
    let odd_rate = folder.path("slow.wav");
    write_wav(&odd_rate, 4_000, 16, SampleFormat::Int, &[vec![0.0; 4_000]]);
    let many = folder.path("many.wav");
    write_wav(
        &many,
        8_000,
        16,
        SampleFormat::Int,
        &vec![vec![0.0; 100]; 65],
    );
    let directory = folder.path("folder.wav");
    std::fs::create_dir(&directory).expect("a folder");
    let random: Vec<u8> = noise(20_000, 128.0, 3)
        .iter()
        .map(|x| *x as i8 as u8)
        .collect();
    // Case, path, and what the message must say.
    let cases = [
        ("missing", missing, "cannot be opened"),
        ("folder", directory, "not a file"),
        ("empty", folder.write("empty.wav", b""), "is empty"),
        (
            "text",
            folder.write("text.wav", b"Practise bars 9 to 12 slowly.\n"),
            "a text",
        ),
        (
            "abc",
            folder.write("tune.wav", b"X:1\nT:Study\nM:4/4\nK:D\nDEFG|\n"),
            "a line, not a take",
        ),
        (
            "xml",
            folder.write(
                "score.flac",
                b"<?xml version=\"1.0\"?>\n<score-partwise/>\n",
            ),
            "a line, not a take",
        ),
        (
            "midi",
            folder.write("line.mp3", b"MThd\0\0\0\x06\0\0\0\x01\0\x60"),
            "a line, not a take",
        ),
        (
            "picture",
            folder.write("cover.mp3", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"),
            "a picture",
        ),
        (
            "random",
            folder.write("random.mp3", random),
            "no sound format known here",
        ),
        (
            "zeros",
            folder.write("zeros.wav", [0; 5000]),
            "no sound format known here",
        ),
        (
            "header only",
            folder.write("header.wav", raw_wav(36, 0, b"", &[])),
            "no sound",
        ),
        (
            "no data",
            folder.write("riff.wav", b"RIFF\x04\0\0\0WAVE"),
            "format chunk is missing",
        ),
        ("opus", fixture("sweep.opus"), "Opus"),
        ("webm", fixture("film.webm"), "WebM"),
        ("film", fixture("film_silent.mp4"), "without a sound track"),
        (
            "adpcm",
            fixture("sweep_adpcm.wav"),
            "compressed sound in a WAV",
        ),
        ("too slow", odd_rate, "44100 or 48000"),
        ("too many channels", many, "at most 64"),
    ];
    for (case, path, said) in cases {
        let error = match read_take(&path) {
            Ok(take) => panic!("{case}: read {} samples", take.samples.len()),
            Err(error) => error.to_string(),
        };
        assert!(error.contains(said), "{case}: {error}");
        assert!(
            error.contains(&path.display().to_string()),
            "{case}: {error}"
        );
        if !["missing", "folder", "too slow", "too many channels"].contains(&case) {
            assert!(error.contains("WAV, FLAC, MP3"), "{case}: {error}");
        }
    }
}

#[test]
fn the_name_does_not_matter() {
    let folder = Folder::new();
    let bytes = std::fs::read(fixture("sweep.flac")).expect("the fixture is there");
    let path = folder.write("take.mp3", bytes);
    let take = read_take(&path).expect("told by its content");
    assert!(largest_error(&take.samples, &sweep(44_100)) < 1e-4);
    assert!(matches!(
        read_take(&folder.path("other.flac")),
        Err(SoundError::Open { .. })
    ));
}

const FIXTURES: [&str; 9] = [
    "sweep.flac",
    "sweep.mp3",
    "sweep.ogg",
    "sweep.m4a",
    "sweep_fragmented.m4a",
    "sweep_lossless.m4a",
    "sweep.aac",
    "sweep.aiff",
    "sweep_alaw.wav",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    /// Random bytes after a plausible start: read or refused, never a panic.
    #[test]
    fn random_bytes_do_no_harm(
        start in prop::sample::select(vec![
            &b""[..], b"RIFF\xff\xff\xff\xffWAVEfmt ", b"RF64\xff\xff\xff\xffWAVEds64", b"fLaC", b"OggS",
            b"ID3\x03", b"\xff\xfb\x90", b"\xff\xf1", b"FORM\0\0\xff\xffAIFFCOMM", b"\0\0\0\x18ftypM4A ",
        ]),
        bytes in prop::collection::vec(any::<u8>(), 0..3000),
    ) {
        let file = [start, &bytes].concat();
        let folder = Folder::new();
        let _ = read_take(&folder.write("take", file));
    }

    /// Good files with bytes changed and the end cut off: read or refused, never a panic,
    /// and every sample is a number.
    #[test]
    fn damaged_files_do_no_harm(
        name in prop::sample::select(&FIXTURES[..]),
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        in_head in any::<bool>(),
        keep in 0.05f64..1.0,
    ) {
        let mut bytes = std::fs::read(fixture(name)).expect("the fixture is there");
        let range = if in_head { bytes.len().min(300) } else { bytes.len() };
        for (at, value) in changes {
            bytes[at.index(range)] = value;
        }
        bytes.truncate((bytes.len() as f64 * keep) as usize);
        let folder = Folder::new();
        if let Ok(take) = read_take(&folder.write("take", bytes)) {
            prop_assert!(take.samples.iter().all(|sample| sample.is_finite()));
        }
    }
}
