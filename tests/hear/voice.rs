//! The built-in voice against what is published of the clarinet's sound.

use passagework::convert::midi_to_hz;
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};

const RATE_HZ: u32 = 44_100;

fn note(onset_s: f64, offset_s: f64, midi: f64, tongued: bool) -> VoiceNote {
    VoiceNote {
        onset_s,
        offset_s,
        midi,
        level_db: 0.0,
        tongued,
        blip: None,
    }
}

fn still() -> VoiceOptions {
    VoiceOptions {
        jitter_cents: 0.0,
        ..VoiceOptions::default()
    }
}

/// Amplitude of the sine of `hz` in `samples` under a Hann window.
fn amplitude(samples: &[f32], hz: f64, rate_hz: u32) -> f64 {
    let n = samples.len() as f64;
    let (mut re, mut im) = (0.0, 0.0);
    for (i, sample) in samples.iter().enumerate() {
        let window = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n).cos();
        let turn = std::f64::consts::TAU * hz * i as f64 / rate_hz as f64;
        re += *sample as f64 * window * turn.cos();
        im += *sample as f64 * window * turn.sin();
    }
    4.0 * re.hypot(im) / n
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|s| (*s as f64).powi(2)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Frequencies of Suits, "Equations for the frequency table" (A4 = 440 Hz).
#[test]
fn pitches_of_the_frequency_table() {
    for rate_hz in [22_050, 44_100, 48_000] {
        for (midi, hz) in [
            (50.0, 146.83),
            (57.0, 220.0),
            (69.0, 440.0),
            (70.0, 466.16),
            (88.0, 1318.51),
        ] {
            let samples = render(&[note(0.1, 1.1, midi, true)], rate_hz, 1.2, &still());
            let body = &samples[(0.3 * rate_hz as f64) as usize..(0.9 * rate_hz as f64) as usize];
            // The fundamental's strongest frequency, in tenths of a cent.
            let best = (-300..=300)
                .map(|tenth| {
                    (
                        tenth,
                        amplitude(body, hz * (tenth as f64 / 12_000.0).exp2(), rate_hz),
                    )
                })
                .max_by(|a, b| a.1.total_cmp(&b.1))
                .map_or(f64::MAX, |(tenth, _)| tenth as f64 / 10.0);
            // Noise moves the peak by less than a cent; the table is rounded to 0.05 cent at D3.
            assert!(
                best.abs() <= 1.0,
                "midi {midi} at {rate_hz} Hz: {best} cents from {hz} Hz"
            );
        }
    }
}

/// UNSW clarinet pages A#4 and B4: chalumeau with strong first and third and weak second
/// harmonic; clarion without that weakness. The 10 dB are our reading of "weak".
#[test]
fn even_harmonics_are_weak_in_the_chalumeau_only() {
    for (midi, hollow) in [(52.0, true), (58.0, true), (74.0, false), (79.0, false)] {
        let samples = render(&[note(0.1, 1.1, midi, true)], RATE_HZ, 1.2, &still());
        let body = &samples[(0.4 * RATE_HZ as f64) as usize..(1.0 * RATE_HZ as f64) as usize];
        let level = |n: f64| 20.0 * amplitude(body, n * midi_to_hz(midi, 440.0), RATE_HZ).log10();
        let (first, second, third) = (level(1.0), level(2.0), level(3.0));
        let below = first.min(third) - second;
        assert_eq!(
            below > 10.0,
            hollow,
            "midi {midi}: harmonics {first:.1} {second:.1} {third:.1} dB"
        );
    }
}

#[test]
fn a_tongued_note_leaves_the_floor_at_its_onset() {
    let samples = render(&[note(0.5, 0.9, 62.0, true)], RATE_HZ, 1.2, &still());
    let at = |s: f64| (s * RATE_HZ as f64) as usize;
    let body = rms(&samples[at(0.7)..at(0.8)]);
    let floor = rms(&samples[at(0.1)..at(0.495)]);
    assert!(
        20.0 * (body / floor).log10() > 40.0,
        "floor {floor}, body {body}"
    );
    // Within 5 ms of the onset the tone is above all that was before (attack up to 40 ms).
    assert!(rms(&samples[at(0.503)..at(0.505)]) > 4.0 * floor);
}

/// A slur must make no click: no step between samples larger than the steady tones have.
#[test]
fn a_slurred_change_keeps_the_phase() {
    let step = |samples: &[f32]| {
        samples
            .windows(2)
            .map(|w| (w[1] - w[0]).abs())
            .fold(0.0, f32::max)
    };
    let quiet = VoiceOptions {
        breath_db: -120.0,
        keys_db: -120.0,
        floor_dbfs: -120.0,
        ..still()
    };
    for (from, to) in [(57.0, 59.0), (57.0, 76.0), (70.0, 71.0), (84.0, 65.0)] {
        let notes = [note(0.1, 0.5, from, true), note(0.5, 0.9, to, false)];
        let samples = render(&notes, RATE_HZ, 1.0, &quiet);
        let at = |s: f64| (s * RATE_HZ as f64) as usize;
        let steady = step(&samples[at(0.3)..at(0.49)]).max(step(&samples[at(0.6)..at(0.85)]));
        let change = step(&samples[at(0.49)..at(0.53)]);
        // The old pitch ringing under the new one adds at most its share, some third.
        assert!(
            change < 1.5 * steady,
            "{from} to {to}: step {change}, steady {steady}"
        );
    }
}

#[test]
fn the_same_seed_gives_the_same_sound() {
    let notes = [note(0.1, 0.4, 60.0, true), note(0.4, 0.7, 67.0, false)];
    let one = render(&notes, RATE_HZ, 0.8, &VoiceOptions::default());
    assert_eq!(one, render(&notes, RATE_HZ, 0.8, &VoiceOptions::default()));
    let other = VoiceOptions {
        seed: 2,
        ..VoiceOptions::default()
    };
    assert_ne!(one, render(&notes, RATE_HZ, 0.8, &other));
}
