//! What the audio callbacks do: copy, count, return.
//!
//! Nothing here locks, allocates, prints or touches a file; a test runs both bodies under an
//! allocator that objects.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};

/// A moment of a stream: frames before it, and the stream's own clock, nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stamp {
    pub frames: u64,
    pub at_ns: u64,
}

/// Stamps kept for the reader; more are dropped.
const STAMPS: usize = 1024;

/// The callback's end of a microphone: interleaved samples in, never waiting.
pub struct CaptureEnd {
    ring: HeapProd<f32>,
    stamps: HeapProd<Stamp>,
    n_channels: usize,
    frames: u64,
    /// Frames that did not fit since the last that did.
    lost: u64,
    lost_in_all: Arc<AtomicU64>,
}

/// The reader's end.
pub struct CaptureReader {
    ring: HeapCons<f32>,
    stamps: HeapCons<Stamp>,
    n_channels: usize,
    lost_in_all: Arc<AtomicU64>,
}

/// A stretch of what came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Came {
    /// Nothing yet.
    Nothing,
    /// Frames of sound, in the buffer given.
    Sound,
    /// This many frames are missing here.
    Gap(u64),
}

/// A ring of `seconds` of sound, and its two ends.
pub fn capture(sample_rate_hz: u32, n_channels: u16, seconds: f64) -> (CaptureEnd, CaptureReader) {
    let frames = (seconds * f64::from(sample_rate_hz)) as usize;
    let n_channels = usize::from(n_channels.max(1));
    let (ring, ring_reader) = HeapRb::<f32>::new(frames.max(16) * n_channels).split();
    let (stamps, stamps_reader) = HeapRb::<Stamp>::new(STAMPS).split();
    let lost_in_all = Arc::new(AtomicU64::new(0));
    let end = CaptureEnd {
        ring,
        stamps,
        n_channels,
        frames: 0,
        lost: 0,
        lost_in_all: lost_in_all.clone(),
    };
    let reader = CaptureReader {
        ring: ring_reader,
        stamps: stamps_reader,
        n_channels,
        lost_in_all,
    };
    (end, reader)
}

impl CaptureEnd {
    /// One block from the device, whole frames; `at_ns` is when its first frame was captured.
    ///
    /// A block for which there is no room is counted as lost as a whole. The count goes into
    /// the ring before the next block that fits: two samples, a NaN and the number's bits; a
    /// NaN of the device itself is made silence.
    pub fn push<T: Copy>(&mut self, block: &[T], to_f32: impl Fn(T) -> f32, at_ns: u64) {
        let frames = (block.len() / self.n_channels) as u64;
        let _ = self.stamps.try_push(Stamp {
            frames: self.frames,
            at_ns,
        });
        self.frames += frames;
        let mark = if self.lost > 0 { 2 } else { 0 };
        if self.ring.vacant_len() < block.len() + mark {
            self.lost += frames;
            self.lost_in_all.fetch_add(frames, Ordering::Relaxed);
            return;
        }
        if self.lost > 0 {
            let count = self.lost.min(u64::from(u32::MAX)) as u32;
            let _ = self.ring.try_push(f32::NAN);
            let _ = self.ring.try_push(f32::from_bits(count));
            self.lost = 0;
        }
        self.ring.push_iter(block.iter().map(|x| {
            let sample = to_f32(*x);
            if sample.is_finite() { sample } else { 0.0 }
        }));
    }
}

impl CaptureReader {
    pub fn n_channels(&self) -> usize {
        self.n_channels
    }

    /// Frames lost in all.
    pub fn lost_frames(&self) -> u64 {
        self.lost_in_all.load(Ordering::Relaxed)
    }

    /// The next stretch, at most `frames_max` frames, whole ones; `sound` is cleared first.
    pub fn next(&mut self, frames_max: usize, sound: &mut Vec<f32>) -> Came {
        sound.clear();
        while sound.len() < frames_max * self.n_channels {
            match self.ring.try_peek() {
                None => break,
                Some(sample) if sample.is_nan() => {
                    if !sound.is_empty() {
                        break;
                    }
                    if self.ring.occupied_len() < 2 {
                        // The number is not there yet.
                        return Came::Nothing;
                    }
                    self.ring.skip(1);
                    let count = self.ring.try_pop().map_or(0, f32::to_bits);
                    return Came::Gap(u64::from(count));
                }
                Some(sample) => {
                    sound.push(*sample);
                    self.ring.skip(1);
                }
            }
        }
        if sound.is_empty() {
            Came::Nothing
        } else {
            Came::Sound
        }
    }

    /// The next moment noted by the callback.
    pub fn stamp(&mut self) -> Option<Stamp> {
        self.stamps.try_pop()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_did_not_fit_is_counted_where_it_is_missing() {
        let (mut end, mut reader) = capture(100, 2, 1.0);
        let block: Vec<f32> = (0..80).map(|i| i as f32).collect();
        for k in 0..4 {
            end.push(&block, |x| x, k * 400_000_000);
        }
        // Two blocks of forty frames fit in a hundred, two do not.
        assert_eq!(reader.lost_frames(), 80);
        let mut sound = Vec::new();
        assert_eq!(reader.next(1000, &mut sound), Came::Sound);
        assert_eq!(sound.len(), 160);
        end.push(&block, |x| x, 1_600_000_000);
        assert_eq!(reader.next(1000, &mut sound), Came::Gap(80));
        assert_eq!(reader.next(1000, &mut sound), Came::Sound);
        assert_eq!(sound, block);
        assert_eq!(reader.next(1000, &mut sound), Came::Nothing);
        let stamps: Vec<Stamp> = std::iter::from_fn(|| reader.stamp()).collect();
        assert_eq!(stamps.len(), 5);
        assert_eq!(stamps[4].frames, 160);
    }

    #[test]
    fn a_device_that_sends_no_numbers_gives_silence() {
        let (mut end, mut reader) = capture(100, 1, 1.0);
        end.push(&[0.5, f32::NAN, f32::INFINITY], |x| x, 0);
        let mut sound = Vec::new();
        assert_eq!(reader.next(10, &mut sound), Came::Sound);
        assert_eq!(sound, [0.5, 0.0, 0.0]);
    }
}
