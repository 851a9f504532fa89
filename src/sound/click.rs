//! The click: short bursts high above the instrument, one after another.
//!
//! A burst is a sine of some kilohertz under a Hann window. Its energy lies within a few hundred
//! hertz of that sine, above the fundamentals and the strong harmonics of wind and string
//! instruments, so that what leaks into the microphone looks like no note.

use std::f64::consts::TAU;

/// Length of a burst, seconds.
pub const BURST_S: f64 = 0.008;

/// How strongly a beat is marked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stress {
    /// Between the beats.
    Subdivision,
    Beat,
    /// The beginning of a group of beats in an odd or compound metre.
    Group,
    /// The bar's first beat.
    Bar,
}

impl Stress {
    /// Frequency of the burst, Hz: told apart by ear, all of them above 6 kHz.
    fn hz(self) -> f64 {
        match self {
            Stress::Subdivision => 6500.0,
            Stress::Beat => 7000.0,
            Stress::Group => 7800.0,
            Stress::Bar => 9000.0,
        }
    }

    /// Level against the bar's first beat.
    fn gain(self) -> f32 {
        match self {
            Stress::Subdivision => 0.35,
            Stress::Beat => 0.6,
            Stress::Group => 0.8,
            Stress::Bar => 1.0,
        }
    }
}

/// Where clicks are, by number; `None` after the last.
pub trait Beats: Send {
    /// Seconds after the first click, and its stress.
    fn click(&self, number: u64) -> Option<(f64, Stress)>;
}

/// Fills a loudspeaker's sound with clicks. Allocates nothing.
pub struct ClickPlayer<B> {
    beats: B,
    sample_rate_hz: f64,
    /// Frame of the first click.
    first_frame: u64,
    gain: f32,
    /// Number of the next click that has not wholly sounded.
    next: u64,
}

impl<B: Beats> ClickPlayer<B> {
    /// `gain` is the peak of the bar's first beat, full scale 1.
    pub fn new(beats: B, sample_rate_hz: u32, first_frame: u64, gain: f32) -> ClickPlayer<B> {
        ClickPlayer {
            beats,
            sample_rate_hz: f64::from(sample_rate_hz),
            first_frame,
            gain: gain.clamp(0.0, 1.0),
            next: 0,
        }
    }

    /// The frames from number `first` on.
    pub fn fill(&mut self, first: u64, mono: &mut [f32]) {
        mono.fill(0.0);
        let end = first + mono.len() as u64;
        let length = (BURST_S * self.sample_rate_hz) as u64;
        let mut number = self.next;
        while let Some((at_s, stress)) = self.beats.click(number) {
            let begins = self.first_frame + (at_s * self.sample_rate_hz).round() as u64;
            if begins >= end {
                break;
            }
            if begins + length <= first {
                number += 1;
                self.next = number;
                continue;
            }
            let from = begins.max(first);
            for frame in from..(begins + length).min(end) {
                mono[(frame - first) as usize] +=
                    self.gain * burst(frame - begins, self.sample_rate_hz, stress);
            }
            number += 1;
        }
    }
}

/// Sample `frame` of a burst.
fn burst(frame: u64, sample_rate_hz: f64, stress: Stress) -> f32 {
    let t_s = frame as f64 / sample_rate_hz;
    let window = 0.5 - 0.5 * (TAU * t_s / BURST_S).cos();
    // Cheap rates cannot carry the burst where it belongs; a third of the rate they can.
    let hz = stress.hz().min(sample_rate_hz / 3.0);
    stress.gain() * (window * (TAU * hz * t_s).sin()) as f32
}

/// A whole burst, for finding it again in a recording.
pub fn burst_samples(sample_rate_hz: u32, stress: Stress) -> Vec<f32> {
    let rate = f64::from(sample_rate_hz);
    (0..(BURST_S * rate) as u64)
        .map(|frame| burst(frame, rate, stress))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Every(f64);

    impl Beats for Every {
        fn click(&self, number: u64) -> Option<(f64, Stress)> {
            (number < 3).then_some((number as f64 * self.0, Stress::Beat))
        }
    }

    #[test]
    fn clicks_are_where_they_belong_however_the_sound_is_cut() {
        let whole = |piece: usize| {
            let mut player = ClickPlayer::new(Every(0.1), 48_000, 480, 0.5);
            let mut sound = vec![0.0; 24_000];
            let mut first = 0;
            for part in sound.chunks_mut(piece) {
                player.fill(first, part);
                first += part.len() as u64;
            }
            sound
        };
        let sound = whole(24_000);
        assert_eq!(sound, whole(77));
        for k in 0..3 {
            let begins = 480 + 4800 * k;
            assert!(sound[begins - 400..begins].iter().all(|x| *x == 0.0));
            assert!(sound[begins..begins + 384].iter().any(|x| x.abs() > 0.2));
        }
        assert!(sound[480 + 3 * 4800..].iter().all(|x| *x == 0.0));
    }

    /// The share of a burst's energy below 5 kHz, by the discrete Fourier transform of its
    /// definition.
    #[test]
    fn nothing_sounds_where_instruments_do() {
        for stress in [
            Stress::Subdivision,
            Stress::Beat,
            Stress::Group,
            Stress::Bar,
        ] {
            let burst = burst_samples(48_000, stress);
            let power = |hz: f64| -> f64 {
                let (mut re, mut im) = (0.0, 0.0);
                for (i, x) in burst.iter().enumerate() {
                    let phase = TAU * hz * i as f64 / 48_000.0;
                    re += f64::from(*x) * phase.cos();
                    im += f64::from(*x) * phase.sin();
                }
                re * re + im * im
            };
            let low: f64 = (1..50).map(|k| power(100.0 * f64::from(k))).sum();
            let all: f64 = (1..240).map(|k| power(100.0 * f64::from(k))).sum();
            assert!(low / all < 1e-4, "{stress:?}: {}", low / all);
        }
    }
}
