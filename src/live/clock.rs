//! The clocks of two sound devices, from the moments their callbacks noted.
//!
//! Every stream counts its own frames and has a clock of its own; the system's time of both,
//! read at the same moment, tells how far the clocks are apart. Crystals differ by some tens of
//! parts in a million: over ten minutes that is tens of milliseconds, so the newest moments
//! count.

use std::collections::VecDeque;

use crate::sound::capture::Stamp;

/// Moments that the present relation of frames and clock is taken from.
const NEWEST: usize = 96;

/// Moments between two that are kept for the rate.
const KEPT_EVERY: usize = 50;

/// Time a rate needs at least, seconds: stamps jitter by a millisecond.
const RATE_AFTER_S: f64 = 20.0;

/// Frames of one stream against its own clock.
pub struct StreamClock {
    nominal_hz: f64,
    newest: VecDeque<Stamp>,
    kept: Vec<Stamp>,
    n: usize,
}

impl StreamClock {
    pub fn new(sample_rate_hz: u32) -> StreamClock {
        StreamClock {
            nominal_hz: f64::from(sample_rate_hz),
            newest: VecDeque::new(),
            kept: Vec::new(),
            n: 0,
        }
    }

    /// What the device says of its rate, Hz.
    pub fn rate_hz(&self) -> f64 {
        self.nominal_hz
    }

    pub fn push(&mut self, stamp: Stamp) {
        if self.n.is_multiple_of(KEPT_EVERY) {
            self.kept.push(stamp);
        }
        self.n += 1;
        self.newest.push_back(stamp);
        if self.newest.len() > NEWEST {
            self.newest.pop_front();
        }
    }

    /// Time of frame 0 on the stream's clock as the newest moments have it, seconds; `None`
    /// before any.
    fn start_s(&self) -> Option<f64> {
        let mut starts: Vec<f64> = self
            .newest
            .iter()
            .map(|s| s.at_ns as f64 * 1e-9 - s.frames as f64 / self.nominal_hz)
            .collect();
        if starts.is_empty() {
            return None;
        }
        let middle = starts.len() / 2;
        Some(*starts.select_nth_unstable_by(middle, f64::total_cmp).1)
    }

    /// Clock time of a frame near the newest, seconds.
    pub fn time_of_s(&self, frame: f64) -> Option<f64> {
        Some(self.start_s()? + frame / self.nominal_hz)
    }

    /// Frame at a clock time near the newest.
    pub fn frame_at(&self, time_s: f64) -> Option<f64> {
        Some((time_s - self.start_s()?) * self.nominal_hz)
    }

    /// How much faster than it says the device counts, parts in a million; `None` before long
    /// enough.
    pub fn skew_ppm(&self) -> Option<f64> {
        let (first, last) = (self.kept.first()?, self.kept.last()?);
        let seconds = (last.at_ns - first.at_ns.min(last.at_ns)) as f64 * 1e-9;
        if seconds < RATE_AFTER_S {
            return None;
        }
        let (x, y): (Vec<f64>, Vec<f64>) = self
            .kept
            .iter()
            .map(|s| {
                let clock_s = (s.at_ns - first.at_ns.min(s.at_ns)) as f64 * 1e-9;
                (
                    clock_s,
                    (s.frames - first.frames) as f64 / self.nominal_hz - clock_s,
                )
            })
            .unzip();
        let fit = crate::judge::stats::LineFit::robust_sparse(&x, &y, 0.001)?;
        Some(1e6 * fit.slope)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamps(rate_hz: f64, seconds: usize) -> impl Iterator<Item = Stamp> {
        (0..seconds * 100).map(move |k| Stamp {
            frames: (k as f64 * 0.01 * rate_hz).round() as u64,
            // Jitter of a millisecond, as callbacks have it.
            at_ns: 5_000_000_000 + k as u64 * 10_000_000 + (k as u64 * 7919 % 1000) * 1000,
        })
    }

    #[test]
    fn a_fast_crystal_is_seen() {
        let mut clock = StreamClock::new(48_000);
        for stamp in stamps(48_000.0 * (1.0 + 50e-6), 120) {
            clock.push(stamp);
        }
        let skew = clock.skew_ppm().expect("two minutes are enough");
        assert!((skew - 50.0).abs() < 5.0, "{skew}");
        // 120 s at 50 ppm are 6 ms; the newest moments know better than the first.
        let frame = 120.0 * 48_000.0 * (1.0 + 50e-6);
        let time_s = clock.time_of_s(frame).expect("moments");
        assert!((time_s - 125.0).abs() < 0.0015, "{time_s}");
    }

    #[test]
    fn a_moment_alone_gives_no_rate() {
        let mut clock = StreamClock::new(48_000);
        assert_eq!(clock.time_of_s(0.0), None);
        clock.push(Stamp {
            frames: 0,
            at_ns: 1_000_000_000,
        });
        assert_eq!(clock.skew_ppm(), None);
        assert_eq!(clock.frame_at(2.0), Some(48_000.0));
    }
}
