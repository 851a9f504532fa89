//! The hearing held against signals whose truth is a formula, and against another library.

use passagework::convert::{hz_to_midi, midi_to_hz};
use passagework::hear::frames::{Frame, Framer};
use passagework::hear::{HearOptions, HeardNote, Hearer, hear};
use pitch_detection::detector::PitchDetector;
use pitch_detection::detector::mcleod::McLeodDetector;
use proptest::prelude::*;

/// A tone of the given harmonics (number, amplitude), 20 ms of silence rising in 10 ms, with a
/// noise floor at −70 dB so that nothing is digitally silent.
fn tone(rate_hz: u32, f0_hz: f64, harmonics: &[(f64, f64)], duration_s: f64) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let mut state = 0x9E37_79B9_7F4A_7C15u64;
    (0..((duration_s + 0.4) * rate) as usize)
        .map(|n| {
            let t = n as f64 / rate - 0.2;
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            let noise = 0.0003 * ((state >> 33) as f64 / f64::from(1u32 << 31) - 0.5);
            let gate = (t / 0.01).clamp(0.0, 1.0) * ((duration_s - t) / 0.01).clamp(0.0, 1.0);
            let wave: f64 = harmonics
                .iter()
                .filter(|(k, _)| k * f0_hz < 0.45 * rate)
                .map(|(k, a)| a * (std::f64::consts::TAU * k * f0_hz * t).sin())
                .sum();
            (0.3 * gate * wave + noise) as f32
        })
        .collect()
}

/// The notes that are sure, heard in the clarinet's range.
fn heard(samples: &[f32], rate_hz: u32) -> Vec<HeardNote> {
    let options = HearOptions {
        low_hz: 130.0,
        high_hz: 2100.0,
        raised_hz: 0.0,
    };
    let mut notes = hear(samples, rate_hz, &options).notes;
    notes.retain(|n| n.confidence >= 0.5);
    notes
}

const FULL: [(f64, f64); 5] = [(1.0, 1.0), (2.0, 0.5), (3.0, 0.4), (4.0, 0.3), (5.0, 0.2)];
/// The closed pipe: 1st, 3rd, 5th … (UNSW clarinet pages: weak even harmonics low down).
const ODD: [(f64, f64); 4] = [(1.0, 1.0), (3.0, 0.6), (5.0, 0.4), (7.0, 0.2)];
const NO_FUNDAMENTAL: [(f64, f64); 4] = [(2.0, 0.6), (3.0, 0.8), (4.0, 0.6), (5.0, 0.4)];

/// Equal-tempered frequencies of the table of B. H. Suits ("Equations for the frequency
/// table"): the pitch of a steady tone is told to 3 cents at every usual rate.
#[test]
fn steady_tones_of_the_frequency_table_are_told() {
    let table = [
        (146.83, 50),
        (220.0, 57),
        (440.0, 69),
        (739.99, 78),
        (1046.5, 84),
        (1396.91, 89),
    ];
    for rate_hz in [16_000, 22_050, 44_100, 48_000, 96_000] {
        for (f0_hz, midi) in table {
            for (name, harmonics) in [
                ("full", &FULL[..]),
                ("odd", &ODD[..]),
                ("no fundamental", &NO_FUNDAMENTAL[..]),
            ] {
                // Half a rate of 16 kHz leaves the highest too few harmonics to lack the first.
                if name == "no fundamental" && f0_hz > 1000.0 {
                    continue;
                }
                let notes = heard(&tone(rate_hz, f0_hz, harmonics, 0.4), rate_hz);
                assert_eq!(notes.len(), 1, "{name} {f0_hz} Hz at {rate_hz}: {notes:?}");
                let cents = 100.0 * (notes[0].midi - hz_to_midi(f0_hz, 440.0));
                assert!(
                    cents.abs() < 3.0,
                    "{name} {f0_hz} Hz at {rate_hz}: {cents} cents"
                );
                assert_eq!(
                    notes[0].midi.round() as i32,
                    midi,
                    "{name} {f0_hz} Hz at {rate_hz}"
                );
                let early_s = notes[0].onset_s - 0.2;
                assert!(
                    early_s.abs() < 0.005,
                    "{name} {f0_hz} Hz at {rate_hz}: onset {early_s}"
                );
            }
        }
    }
}

/// A slur over the twelfth (19 semitones, where a clarinet overblows): the pitch jumps
/// without a break of phase, and its place is told to 2 ms.
#[test]
fn a_slurred_twelfth_is_two_notes_with_its_place() {
    for (low, high) in [(52.0, 71.0), (57.0, 76.0), (60.0, 79.0)] {
        let rate = 48_000.0;
        let mut phase = 0.0f64;
        let samples: Vec<f32> = (0..(0.8 * rate) as usize)
            .map(|n| {
                let t = n as f64 / rate;
                let hz = midi_to_hz(if t < 0.4 { low } else { high }, 440.0);
                phase += std::f64::consts::TAU * hz / rate;
                ODD.iter()
                    .map(|(k, a)| 0.2 * a * (k * phase).sin())
                    .sum::<f64>() as f32
            })
            .collect();
        let notes = heard(&samples, 48_000);
        assert_eq!(notes.len(), 2, "{low} to {high}: {notes:?}");
        assert_eq!((notes[0].midi.round(), notes[1].midi.round()), (low, high));
        assert!(!notes[1].tongued, "{low} to {high}");
        let off_s = notes[1].onset_s - 0.4;
        assert!(off_s.abs() < 0.002, "{low} to {high}: {off_s} s");
    }
}

/// The crate `pitch-detection` (McLeod and Wyvill's method) says the same of the same tones.
/// A bassoon's frames hold three periods of its lowest note, 65 ms: slurred semitones seem to
/// glide there, and are notes of their own all the same (frequencies of equal temperament). Steps of
/// a fifth of a second with a formant on the fifth partial, which sounds stronger than the first.
#[test]
fn slurred_semitones_of_a_low_voice_are_notes() {
    const RATE_HZ: u32 = 44_100;
    const STEP_S: f64 = 0.2;
    let midi = [36, 37, 38, 39, 40, 41, 40, 39, 38];
    let mut phase = 0.0f64;
    let samples: Vec<f32> = (0..(STEP_S * midi.len() as f64 * f64::from(RATE_HZ)) as usize)
        .map(|n| {
            let step = (n as f64 / f64::from(RATE_HZ) / STEP_S) as usize;
            phase += midi_to_hz(f64::from(midi[step]), 440.0) / f64::from(RATE_HZ);
            let partial = |k: f64| (std::f64::consts::TAU * k * phase).sin();
            let partials = [(1.0, 0.3), (2.0, 0.3), (3.0, 0.4), (4.0, 0.5), (5.0, 1.0)];
            partials
                .iter()
                .map(|(k, a)| 0.1 * a * partial(*k))
                .sum::<f64>() as f32
        })
        .collect();
    let options = HearOptions {
        low_hz: 46.2,
        high_hz: 700.0,
        raised_hz: 0.0,
    };
    let mut notes = hear(&samples, RATE_HZ, &options).notes;
    notes.retain(|n| n.confidence >= 0.5);
    let told: Vec<i32> = notes.iter().map(|n| n.midi.round() as i32).collect();
    assert_eq!(told, midi);
    for (i, note) in notes.iter().enumerate().skip(1) {
        let late_s = note.onset_s - STEP_S * i as f64;
        // To a period of the lowest, 15 ms.
        assert!(late_s.abs() < 0.015 && !note.tongued, "{i}: {note:?}");
    }
}

#[test]
fn another_library_tells_the_same_pitch() {
    for midi in (50..=86).step_by(3) {
        let f0_hz = midi_to_hz(f64::from(midi), 440.0);
        let samples = tone(48_000, f0_hz, &FULL, 0.4);
        let middle: Vec<f64> = samples[19_200..19_200 + 2048]
            .iter()
            .map(|x| f64::from(*x))
            .collect();
        let reference = McLeodDetector::new(2048, 1024)
            .get_pitch(&middle, 48_000, 0.1, 0.8)
            .expect("a steady tone has a pitch");
        let notes = heard(&samples, 48_000);
        assert_eq!(notes.len(), 1, "{midi}");
        let cents = 100.0 * (notes[0].midi - hz_to_midi(reference.frequency, 440.0));
        // McLeod and Wyvill state about one cent for their method; interpolation differs.
        assert!(cents.abs() < 5.0, "{midi}: {cents} cents apart");
    }
}

#[test]
fn silence_and_nothing_have_no_notes() {
    for samples in [vec![], vec![0.0; 10], vec![0.0; 48_000]] {
        let hearing = hear(&samples, 48_000, &HearOptions::default());
        assert!(hearing.notes.is_empty(), "{} samples", samples.len());
        assert_eq!(hearing.a4_hz, 440.0);
    }
}

/// A take is heard alike whatever pieces it comes in.
#[test]
fn many_small_pushes_hear_what_one_large_hears() {
    let samples = tone(44_100, 311.13, &ODD, 0.4);
    let whole = hear(&samples, 44_100, &HearOptions::default());
    for piece in [1, 37, 1000, 8191] {
        let mut hearer = Hearer::new(44_100);
        samples.chunks(piece).for_each(|part| hearer.push(part));
        assert_eq!(
            hearer.finish(&HearOptions::default()),
            whole,
            "pieces of {piece}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// The same frames however the stream is cut.
    #[test]
    fn many_small_pushes_give_the_frames_of_one_large(
        cuts in proptest::collection::vec(1usize..3000, 1..40),
        f0_hz in 100.0f64..1500.0,
    ) {
        let samples = tone(22_050, f0_hz, &FULL, 0.3);
        let make = || Framer::new(22_050.0, 60, 90.0, 2000.0);
        let mut whole: Vec<Frame> = Vec::new();
        let mut framer = make();
        framer.push(&samples, &mut whole);
        framer.finish(&mut whole);
        let mut parts: Vec<Frame> = Vec::new();
        let mut framer = make();
        let mut rest = &samples[..];
        for cut in cuts.iter().cycle() {
            let (now, later) = rest.split_at((*cut).min(rest.len()));
            framer.push(now, &mut parts);
            rest = later;
            if rest.is_empty() {
                break;
            }
        }
        framer.finish(&mut parts);
        prop_assert_eq!(whole, parts);
    }
}

/// A slur by 85 cents, as far apart as just and tempered tuning may put a semitone, that makes
/// most of its way at once and is bent for the rest as under the old note's release: two notes in
/// their own octave. A vibrato of 70 cents, 5 times a second, is one note.
#[test]
fn a_narrow_semitone_that_arrives_late_is_two_notes() {
    let rate = 22_050.0;
    let timbre = [(1.0, 1.0), (2.0, 0.63), (3.0, 0.13), (4.0, 0.2)];
    let sounding = |midi: &dyn Fn(f64) -> f64| -> Vec<f32> {
        let mut turns = 0.0;
        (0..(1.2 * rate) as usize)
            .map(|n| {
                let t = n as f64 / rate;
                turns += midi_to_hz(midi(t), 440.0) / rate;
                let gate = ((t - 0.2) / 0.01).clamp(0.0, 1.0) * ((0.8 - t) / 0.01).clamp(0.0, 1.0);
                let turn = std::f64::consts::TAU * turns;
                let wave: f64 = timbre.iter().map(|(k, a)| a * (k * turn).sin()).sum();
                (0.15 * gate * wave) as f32
            })
            .collect()
    };
    let changes_s = 0.45;
    for (old, new) in [(81.19, 82.04), (84.29, 85.13), (72.0, 71.14)] {
        for (at_once, jump_s, bent_s) in [(0.6, 0.010, 0.015), (0.6, 0.010, 0.025)] {
            let samples = sounding(&|t| {
                let since = (t - changes_s).max(0.0);
                let bent = 1.0 - (-(since - jump_s).max(0.0) / bent_s).exp();
                let share = at_once * (since / jump_s).min(1.0) + (1.0 - at_once) * bent;
                old + (new - old) * share
            });
            let notes = heard(&samples, rate as u32);
            let pitches: Vec<f64> = notes.iter().map(|n| n.midi).collect();
            assert_eq!(notes.len(), 2, "{old} to {new}: {pitches:?}");
            assert!((notes[0].midi - old).abs() < 0.1, "{pitches:?}");
            assert!((notes[1].midi - new).abs() < 0.1, "{pitches:?}");
            assert!((notes[1].onset_s - changes_s).abs() < 0.025);
        }
        let vibrato = |t: f64| old + 0.35 * (std::f64::consts::TAU * 5.0 * t).sin();
        assert_eq!(heard(&sounding(&vibrato), rate as u32).len(), 1);
    }
}
