//! A take while it is played: samples in, events out.
//!
//! Sound goes two ways at once. The whole-take hearing runs as a stream and settles notes a
//! good third of a second after their end; [`settle`] holds them against the line. Beside it
//! [`quick`] listens to the newest two periods only and says that a note has begun, and
//! [`follow`] where in the line that is; what is settled later corrects it.

pub mod ahead;
pub mod beats;
mod belief;
pub mod clock;
pub mod events;
pub mod fed;
pub mod follow;
pub mod latency;
pub mod place;
pub mod quick;
pub mod recorder;
pub mod screen;
pub mod settle;
pub mod taking;
mod tunings;

use events::Event;
use follow::Follower;
use quick::{Begun, Quick};

use crate::hear::HeardNote;
use crate::hear::stream::NoteStream;
use crate::line::Line;
use crate::pipeline::{TakeOptions, range_of};
use recorder::RecorderWatch;
use settle::Settler;

/// Levels are said this often, seconds.
const LEVEL_EVERY_S: f64 = 0.1;

/// Samples heard at once: what a device gives at a low latency.
const PIECE_SAMPLES: usize = 256;

/// A sample this near full scale is taken as clipped: one step of 16 bits below it.
const CLIPPED: f32 = 32767.0 / 32768.0;

/// Follows one take against its line.
pub struct Listener {
    line: Line,
    stream: NoteStream,
    settler: Settler,
    quick: Quick,
    follower: Follower,
    notes: Vec<HeardNote>,
    begun: Vec<Begun>,
    expected: Vec<f64>,
    level: LevelMeter,
    recorder: RecorderWatch,
}

impl Listener {
    pub fn new(line: Line, sample_rate_hz: u32, options: TakeOptions) -> Listener {
        Listener {
            stream: NoteStream::new(sample_rate_hz, &range_of(&line)),
            quick: Quick::new(sample_rate_hz, &range_of(&line)),
            follower: Follower::new(&line, &options),
            settler: Settler::new(options),
            notes: Vec::new(),
            begun: Vec::new(),
            expected: Vec::new(),
            level: LevelMeter::new(sample_rate_hz),
            recorder: RecorderWatch::new(sample_rate_hz),
            line,
        }
    }

    /// Seconds heard so far.
    pub fn heard_s(&self) -> f64 {
        self.stream.heard_s()
    }

    /// Seconds since anything sounded.
    pub fn silent_s(&self) -> f64 {
        self.stream.silent_s()
    }

    /// The next mono samples; what is to be said of them is appended to `events`.
    pub fn push(&mut self, samples: &[f32], events: &mut Vec<Event>) {
        // Short pieces, so that nothing depends on how the sound was cut.
        for piece in samples.chunks(PIECE_SAMPLES) {
            self.push_piece(piece, events);
        }
    }

    fn push_piece(&mut self, samples: &[f32], events: &mut Vec<Event>) {
        self.level.push(samples, events);
        self.recorder.push(samples);
        self.notes.clear();
        self.stream.push(samples, &mut self.notes);
        let said_s = self.stream.heard_s();
        self.follower.expected(&mut self.expected);
        self.begun.clear();
        let noise_dbfs = self.stream.noise_dbfs();
        self.quick
            .push(samples, &self.expected, noise_dbfs, &mut self.begun);
        for begun in &self.begun {
            self.follower.begun(begun, said_s, events);
        }
        if !self.notes.is_empty() {
            self.settler.push(&self.notes);
            self.follower.set_a4_hz(self.settler.a4_hz().0);
            self.follower.settled(&self.notes, said_s, events);
        }
        let silent_s = self.stream.silent_s();
        self.tell(said_s, silent_s, events);
        let sure = self.settler.take_sure();
        self.follower.put_right(&sure, said_s, events);
    }

    /// The take is over; `reason` where the player did not end it.
    pub fn finish(&mut self, reason: Option<String>, events: &mut Vec<Event>) {
        self.notes.clear();
        self.stream.finish(&mut self.notes);
        let said_s = self.stream.heard_s();
        self.settler.push(&self.notes);
        self.follower.settled(&self.notes, said_s, events);
        self.tell(said_s, f64::INFINITY, events);
        events.push(Event::Done { said_s, reason });
    }

    /// What is settled, and at the end of a phrase what the recorder does to the sound.
    fn tell(&mut self, said_s: f64, silent_s: f64, events: &mut Vec<Event>) {
        let from = events.len();
        let sound = self.stream.sound();
        (self.settler).tell(&self.line, sound, said_s, silent_s, events);
        let ends = events[from..].iter_mut().rev();
        let mut phrases = ends.filter_map(|event| match event {
            Event::Phrase { warnings, .. } => Some(warnings),
            _ => None,
        });
        if let Some(warnings) = phrases.next() {
            *warnings = self.recorder.at_phrase();
        }
    }
}

/// Loudest sample of every tenth of a second.
struct LevelMeter {
    sample_rate_hz: u32,
    every: usize,
    n: usize,
    n_total: usize,
    peak: f32,
}

impl LevelMeter {
    fn new(sample_rate_hz: u32) -> LevelMeter {
        LevelMeter {
            sample_rate_hz,
            every: ((LEVEL_EVERY_S * f64::from(sample_rate_hz)) as usize).max(1),
            n: 0,
            n_total: 0,
            peak: 0.0,
        }
    }

    fn push(&mut self, samples: &[f32], events: &mut Vec<Event>) {
        for sample in samples {
            self.peak = self.peak.max(sample.abs());
            self.n += 1;
            if self.n < self.every {
                continue;
            }
            self.n_total += self.n;
            events.push(Event::Level {
                said_s: self.n_total as f64 / f64::from(self.sample_rate_hz),
                dbfs: crate::convert::rms_to_dbfs(f64::from(self.peak)),
                clipped: self.peak >= CLIPPED,
            });
            (self.n, self.peak) = (0, 0.0);
        }
    }
}
