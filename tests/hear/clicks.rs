//! A metronome in the recording: heard to a millisecond, taken out, and never made up.

use passagework::hear::{HearOptions, HeardNote, Hearer, Hearing, hear};
use passagework::sound::voice::{VoiceNote, VoiceOptions, render};

const RATE_HZ: u32 = 44_100;

/// Eighth notes about the clarinet's throat and clarion, tongued in pairs; `uneven_s` scatters
/// the onsets as a player does. Returns the samples and the notes.
fn playing(eighth_s: f64, n: usize, uneven_s: f64, staccato: bool) -> (Vec<f32>, Vec<VoiceNote>) {
    let scale = [
        58.0, 60.0, 62.0, 65.0, 63.0, 67.0, 70.0, 68.0, 65.0, 61.0, 60.0,
    ];
    let at = |i: usize| 1.0 + i as f64 * eighth_s + uneven_s * (2.4 * i as f64).sin();
    let notes: Vec<VoiceNote> = (0..n)
        .map(|i| VoiceNote {
            onset_s: at(i),
            offset_s: match (staccato, i % 2) {
                (true, _) => at(i) + 0.05,
                (_, 0) => at(i + 1),
                _ => at(i + 1) - 0.035,
            },
            midi: if staccato {
                65.0
            } else {
                scale[i % scale.len()]
            },
            level_db: -4.0,
            tongued: staccato || i % 2 == 0,
            blip: None,
        })
        .collect();
    let end_s = at(n) + 1.0;
    (
        render(&notes, RATE_HZ, end_s, &VoiceOptions::default()),
        notes,
    )
}

/// Adds `wave(seconds since the click)` every `period_s` from `first_s` to the end; returns the times.
fn add_clicks(
    samples: &mut [f32],
    first_s: f64,
    period_s: f64,
    wave: impl Fn(f64) -> f64,
) -> Vec<f64> {
    let rate = f64::from(RATE_HZ);
    let end_s = samples.len() as f64 / rate - 0.1;
    let times: Vec<f64> = (0..)
        .map(|k| first_s + f64::from(k) * period_s)
        .take_while(|t| *t < end_s)
        .collect();
    for at_s in &times {
        let first = (at_s * rate).ceil() as usize;
        let length = (0.08 * rate) as usize;
        for (i, sample) in samples.iter_mut().enumerate().skip(first).take(length) {
            *sample += wave(i as f64 / rate - at_s) as f32;
        }
    }
    times
}

fn clarinet() -> HearOptions {
    HearOptions {
        low_hz: 130.0,
        high_hz: 2100.0,
        raised_hz: 0.0,
    }
}

/// A beep of a millisecond's rise and fall.
fn beep(hz: f64, length_s: f64, level: f64) -> impl Fn(f64) -> f64 {
    move |t| {
        if t > length_s {
            return 0.0;
        }
        let edge = (t / 0.001).min((length_s - t) / 0.001).min(1.0);
        level * edge * (std::f64::consts::TAU * hz * t).sin()
    }
}

/// A knock whose resonance dies within 6 ms.
fn knock(hz: f64, level: f64) -> impl Fn(f64) -> f64 {
    move |t| level * (-t / 0.006).exp() * (std::f64::consts::TAU * hz * t).sin()
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|x| f64::from(x * x)).sum::<f64>() / samples.len() as f64).sqrt()
}

fn assert_clicks(name: &str, hearing: &Hearing, times: &[f64]) {
    let near = |t: &f64| hearing.clicks.iter().any(|c| (c.at_s - t).abs() < 0.002);
    let found = times.iter().filter(|t| near(t)).count();
    assert!(
        10 * found >= 7 * times.len() && hearing.clicks.len() <= times.len(),
        "{name}: {found} of {} clicks within 2 ms, {} said",
        times.len(),
        hearing.clicks.len()
    );
}

/// Beeps of 49 ms cut off hard, the accent a fifth above the beat, as loud as the player: they
/// tick where they end too, and all their bands stand out.
#[test]
fn every_second_beep_a_fifth_above_is_a_click_of_its_own() {
    let (dry, notes) = playing(0.268, 60, 0.012, false);
    let level = 1.4 * rms(&dry);
    let hard = |hz: f64| {
        move |t: f64| {
            if t < 0.049 {
                level * (std::f64::consts::TAU * hz * t).sin()
            } else {
                0.0
            }
        }
    };
    let mut samples = dry;
    let mut times = add_clicks(&mut samples, 0.3, 2.0 * 0.536, hard(1420.0));
    times.extend(add_clicks(&mut samples, 0.836, 2.0 * 0.536, hard(947.0)));
    let hearing = hear(&samples, RATE_HZ, &clarinet());
    assert_clicks("an accent and a beat", &hearing, &times);
    let heard = hearing.notes.iter().filter(|n| n.confidence >= 0.5);
    let beyond: Vec<_> = heard
        .filter(|n| !notes.iter().any(|m| (m.onset_s - n.onset_s).abs() < 0.05))
        .collect();
    assert_eq!(beyond, [] as [&HeardNote; 0], "none of them is a note");
}

#[test]
fn clicks_of_every_kind_are_heard_to_two_milliseconds() {
    let (dry, notes) = playing(0.27, 48, 0.012, false);
    let level = 1.4 * rms(&dry);
    type Wave = Box<dyn Fn(f64) -> f64>;
    let kinds: [(&str, Wave); 4] = [
        (
            "beep as loud as the player",
            Box::new(beep(1000.0, 0.03, level)),
        ),
        ("high beep", Box::new(beep(3150.0, 0.02, 0.3 * level))),
        ("knock", Box::new(knock(2300.0, 0.5 * level))),
        (
            "knock within the instrument's range",
            Box::new(knock(1240.0, level)),
        ),
    ];
    for (name, wave) in &kinds {
        let mut samples = dry.clone();
        let times = add_clicks(&mut samples, 0.31, 0.54, wave);
        let hearing = hear(&samples, RATE_HZ, &clarinet());
        assert_clicks(name, &hearing, &times);
        // None of them is a note, and none of the notes is lost.
        let heard: Vec<_> = hearing
            .notes
            .iter()
            .filter(|n| n.confidence >= 0.5)
            .collect();
        assert_eq!(heard.len(), notes.len(), "{name}: {heard:#?}");
        for (note, heard) in notes.iter().zip(&heard) {
            assert!(
                (heard.onset_s - note.onset_s).abs() < 0.02 && (heard.midi - note.midi).abs() < 0.5,
                "{name}: {note:?} came as {heard:?}"
            );
        }
    }
}

#[test]
fn a_player_is_no_metronome() {
    for (name, uneven_s, staccato) in [
        ("as exact as a sequencer", 0.0, false),
        ("short notes of one pitch, exact", 0.0, true),
        ("a player's eighths", 0.006, false),
        ("a player's short notes of one pitch", 0.004, true),
    ] {
        let (samples, _) = playing(0.25, 40, uneven_s, staccato);
        let hearing = hear(&samples, RATE_HZ, &clarinet());
        assert!(
            hearing.clicks.is_empty(),
            "{name}: {} clicks",
            hearing.clicks.len()
        );
    }
}

/// Tones of a machine, each begun at once on its beat and let go 10 ms before the next: what the
/// same pitches' beginnings have in common is no click, and none of it is taken out of them.
#[test]
fn a_machine_that_plays_tones_is_no_metronome() {
    const EIGHTH_S: f64 = 1.0 / 3.0;
    // Twice the same with a first and a second ending, and what comes after.
    let midis = [
        62, 66, 69, 74, 78, 76, 74, 73, 71, 69, 67, 66, 67, 69, 71, 73, 76, 74, 62, 66, 69, 74, 78,
        76, 74, 73, 71, 69, 67, 66, 67, 69, 71, 76, 79, 78, 74, 69, 71, 73, 74, 76, 78, 79, 78, 76,
        74, 73, 71, 69, 74,
    ];
    let eighths = [
        2, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 4, 2, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1,
        1, 1, 1, 2, 2, 2, 2, 2, 1, 1, 2, 1, 1, 2, 1, 1, 1, 1, 1, 1, 8,
    ];
    let mut samples = vec![0.0f32; (0.5 * f64::from(RATE_HZ)) as usize];
    let mut onsets_s = Vec::new();
    for (midi, eighths) in midis.iter().zip(&eighths) {
        let hz = 440.0 * ((f64::from(*midi) - 69.0) / 12.0).exp2();
        let (lasts_s, sounds_s) = (
            EIGHTH_S * f64::from(*eighths),
            0.97 * EIGHTH_S * f64::from(*eighths),
        );
        onsets_s.push(samples.len() as f64 / f64::from(RATE_HZ));
        samples.extend(
            (0..(lasts_s * f64::from(RATE_HZ)).round() as usize).map(|i| {
                let t = i as f64 / f64::from(RATE_HZ);
                let partial = |(k, a): (f64, f64)| a * (std::f64::consts::TAU * k * hz * t).sin();
                let wave: f64 = [(1.0, 1.0), (2.0, 0.1), (3.0, 0.5), (5.0, 0.25)]
                    .map(partial)
                    .iter()
                    .sum();
                (0.2 * wave * (t / 0.006).min((sounds_s - t) / 0.006).clamp(0.0, 1.0)) as f32
            }),
        );
    }
    samples.extend(vec![0.0f32; RATE_HZ as usize]);
    // A converter's noise, by a generator of Park and Miller (Communications of the ACM 31, 1988).
    let mut state = 1u64;
    for sample in &mut samples {
        state = state * 16_807 % 2_147_483_647;
        *sample += 4e-4 * (state as f32 / 2_147_483_647.0 - 0.5);
    }
    let hearing = hear(&samples, RATE_HZ, &clarinet());
    assert!(hearing.clicks.is_empty(), "{:?}", hearing.clicks);
    for onset_s in onsets_s {
        let near = hearing
            .notes
            .iter()
            .any(|n| n.confidence > 0.5 && (n.onset_s - onset_s).abs() < 0.005);
        assert!(near, "none at {onset_s:.3} s");
    }
}

#[test]
fn clicks_do_not_depend_on_how_the_take_was_cut() {
    let (mut samples, _) = playing(0.27, 24, 0.01, false);
    let level = rms(&samples);
    add_clicks(&mut samples, 0.2, 0.54, beep(1800.0, 0.02, level));
    let whole = hear(&samples, RATE_HZ, &clarinet());
    let mut hearer = Hearer::new(RATE_HZ);
    let mut rest = &samples[..];
    for length in [1, 997, 64, 4096, 13, 480].iter().cycle() {
        let (piece, after) = rest.split_at((*length).min(rest.len()));
        hearer.push(piece);
        rest = after;
        if rest.is_empty() {
            break;
        }
    }
    let cut = hearer.finish(&clarinet());
    assert!(!whole.clicks.is_empty());
    assert_eq!(whole.clicks, cut.clicks);
}
