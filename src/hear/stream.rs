//! Notes while they are played: the same frames, path and notes as for a whole take, from a
//! window that ends now.
//!
//! Frames and path are made once, as the sound comes. The note stage runs over the frames
//! from the last settled notes on, and hands out every note that ended long enough ago.
//! What the whole take would say of its levels is here what the take so far says.

use super::confidence;
use super::decimate::Decimator;
use super::envelope::{Envelope, STEP_S};
use super::floor::Floor;
use super::frames::{Frame, Framer};
use super::handover;
use super::look::Sound;
use super::notes::{NoteMaker, Sketch};
use super::path::{PathFinder, PathPoint};
use super::room::{self, Dryer, RoomReader};
use super::{HearOptions, HeardNote};

/// A note is settled when it ended this long before the newest path point, seconds: its
/// shoulders, the ringing after it and its neighbour are known by then.
const SETTLE_S: f64 = 0.30;

/// The note stage runs this often, seconds: each run looks at some notes again.
const RUN_EVERY_S: f64 = 0.2;

/// Settled sketches kept: what the weighing of a new one looks back at.
const SKETCHES_KEPT: usize = 10;

/// Settled notes that a window begins before: a note is cut from the sound of the one before.
const NOTES_BEFORE: usize = 2;

/// Two sketches of one beginning lie no further apart, seconds.
const SAME_S: f64 = 0.001;

/// A sketch shorter than this is a piece that a note may begin with, seconds.
const FRAGMENT_S: f64 = 0.03;

/// … and of one end.
const SAME_END_S: f64 = 0.02;

/// Silence kept before the newest sound, seconds: how long it lasts is asked.
const MARGIN_S: f64 = 1.0;

/// Sound kept before the first note of a window, seconds: its beginning is looked at again.
const BEFORE_S: f64 = 0.15;

/// Longest window, seconds: a note held longer is settled in parts no one looks at.
const WINDOW_MAX_S: f64 = 12.0;

/// Sound kept for a second look, seconds.
const LOOK_S: f64 = 30.0;

/// The room is read off what was heard so far after this long, seconds, then after twice as long.
const ROOM_READ_S: f64 = 4.0;

/// Takes sound in, any number of samples at a time; gives notes in order of onset.
pub struct NoteStream {
    sample_rate_hz: u32,
    rate: f64,
    low_hz: f64,
    hop_samples: usize,
    /// A window begins at a multiple of this many frames, where hops and the envelope's
    /// blocks fall together, so that it is cut as the whole take is.
    frames_a_step: usize,
    decimator: Decimator,
    framer: Framer,
    finder: PathFinder,
    levels: Floor,
    n_samples: usize,
    /// First frame of the window, counted from the take's start.
    first_frame: usize,
    sound: Vec<f32>,
    /// The same for longer, for a second look.
    look: Sound,
    /// The same as it was recorded, with the room in it, and a little more of it.
    recorded: Vec<f32>,
    reader: RoomReader,
    dryer: Dryer,
    in_room: bool,
    dried: Vec<f32>,
    /// Samples at the hearing's rate so far, and how many there are when the room is read next.
    n_recorded: usize,
    read_at: usize,
    frames: Vec<Frame>,
    path: Vec<PathPoint>,
    found: Vec<Frame>,
    newest: Vec<f32>,
    /// The last settled sketches, times of the take.
    settled: Vec<Sketch>,
    run_at_frame: usize,
}

impl NoteStream {
    /// `sample_rate_hz` of the samples to come; `options` as for a whole take, `low_hz` as it stands.
    pub fn new(sample_rate_hz: u32, options: &HearOptions) -> NoteStream {
        let decimator = Decimator::new(sample_rate_hz);
        let rate = f64::from(sample_rate_hz) / decimator.factor() as f64;
        let (low_hz, high_hz) = super::range_at(rate, options);
        let hop_samples = super::hop_samples(rate);
        let framer = Framer::new(rate, hop_samples, low_hz, high_hz);
        let block = ((STEP_S * rate / 4.0).round() as usize).max(1);
        NoteStream {
            sample_rate_hz,
            rate,
            low_hz,
            hop_samples,
            frames_a_step: block / greatest_common_divisor(block, hop_samples),
            finder: PathFinder::new(hop_samples as f64 / rate, low_hz, -120.0),
            decimator,
            framer,
            levels: Floor::default(),
            n_samples: 0,
            first_frame: 0,
            sound: Vec::new(),
            look: Sound::new(Vec::new(), rate),
            recorded: Vec::new(),
            reader: RoomReader::new(rate),
            dryer: Dryer::new(rate),
            in_room: false,
            dried: Vec::new(),
            n_recorded: 0,
            read_at: (ROOM_READ_S * rate) as usize,
            frames: Vec::new(),
            path: Vec::new(),
            found: Vec::new(),
            newest: Vec::new(),
            settled: Vec::new(),
            run_at_frame: 0,
        }
    }

    /// Seconds heard so far.
    pub fn heard_s(&self) -> f64 {
        self.n_samples as f64 / f64::from(self.sample_rate_hz)
    }

    /// Seconds since the last pitched sound.
    pub fn silent_s(&self) -> f64 {
        let silent = self.path.iter().rev().take_while(|p| p.midi.is_none());
        (silent.count() * self.hop_samples) as f64 / self.rate
    }

    /// The newest of the sound, half a minute at least, for a second look.
    pub fn sound(&self) -> &Sound {
        &self.look
    }

    /// Level of the noise between the notes so far, dB re full scale.
    pub fn noise_dbfs(&self) -> f64 {
        self.levels.noise_dbfs()
    }

    /// The next mono samples; notes settled by them are appended to `notes`.
    pub fn push(&mut self, samples: &[f32], notes: &mut Vec<HeardNote>) {
        self.n_samples += samples.len();
        self.newest.clear();
        self.decimator.push(samples, &mut self.newest);
        self.take_newest();
        let run_frames = (RUN_EVERY_S * self.rate / self.hop_samples as f64) as usize;
        if self.first_frame + self.path.len() >= self.run_at_frame + run_frames {
            self.run_at_frame = self.first_frame + self.path.len();
            self.settle(SETTLE_S, notes);
        }
    }

    /// The last notes.
    pub fn finish(&mut self, notes: &mut Vec<HeardNote>) {
        self.newest.clear();
        self.decimator.finish(&mut self.newest);
        self.take_newest();
        self.dried.clear();
        self.dryer.finish(&mut self.dried);
        self.hear_dried();
        self.found.clear();
        self.framer.finish(&mut self.found);
        self.follow_path();
        self.finder.finish(&mut self.path);
        self.settle(f64::NEG_INFINITY, notes);
    }

    fn take_newest(&mut self) {
        self.dried.clear();
        let mut rest = &self.newest[..];
        while !rest.is_empty() {
            let until_read = self.read_at - self.n_recorded;
            let (now, later) = rest.split_at(until_read.min(rest.len()));
            rest = later;
            self.n_recorded += now.len();
            self.recorded.extend_from_slice(now);
            self.reader.push(now);
            self.dryer.push(now, &mut self.dried);
            if self.n_recorded == self.read_at {
                self.read_at *= 2;
                let room = self.reader.room();
                self.in_room = room.is_some();
                self.dryer.set_room(room);
            }
        }
        self.hear_dried();
    }

    fn hear_dried(&mut self) {
        self.sound.extend_from_slice(&self.dried);
        self.look.push(&self.dried, LOOK_S);
        self.found.clear();
        self.framer.push(&self.dried, &mut self.found);
        self.follow_path();
    }

    fn follow_path(&mut self) {
        for frame in &self.found {
            self.levels.push(frame);
            self.frames.push(*frame);
            self.finder
                .set_quiet_dbfs(super::quiet_dbfs(self.noise_dbfs(), self.loud_dbfs()));
            self.finder.push(frame, &mut self.path);
        }
    }

    fn loud_dbfs(&self) -> f64 {
        self.levels.loud_dbfs()
    }

    /// Runs the note stage and hands out what ended more than `settle_s` ago.
    fn settle(&mut self, settle_s: f64, notes: &mut Vec<HeardNote>) {
        let base_s = (self.first_frame * self.hop_samples) as f64 / self.rate;
        let newest_s = base_s + (self.path.len() * self.hop_samples) as f64 / self.rate;
        if self.path.iter().any(|point| point.midi.is_some()) {
            let envelope = Envelope::new(&self.sound, self.rate);
            let maker = NoteMaker {
                samples: &self.sound,
                sample_rate_hz: self.rate,
                hop_samples: self.hop_samples,
                frame_samples: self.framer.frame_samples(),
                frames: &self.frames,
                path: &self.path,
                envelope: &envelope,
                low_hz: self.low_hz,
            };
            let mut sketches = maker.outline();
            let first_frame = self.first_frame;
            // What is settled already stays as it is.
            for sketch in &mut sketches {
                let same = |s: &&Sketch| s.first == sketch.first + first_frame;
                if let Some(known) = self.settled.iter().find(same) {
                    sketch.midi = known.midi;
                }
            }
            maker.find_blips(&mut sketches);
            let last_first = self.settled.last().map(|s| s.first);
            // A blip whose beginning was put after its end says nothing of when the next begins.
            let mut sounds = self.settled.iter().rev();
            let last_s = sounds.find(|s| s.offset_s > s.onset_s).map(|s| s.onset_s);
            let begins = sketches
                .iter()
                .position(|s| {
                    let here = (s.onset_s + base_s, s.offset_s + base_s, s.midi);
                    let later = last_first.is_none_or(|first| s.first + first_frame > first)
                        && last_s.is_none_or(|onset_s| here.0 > onset_s - SAME_S);
                    let known = |s: &Sketch| same_sound(here, (s.onset_s, s.offset_s, s.midi));
                    later && !self.settled.iter().any(known)
                })
                .unwrap_or(sketches.len());
            let n_settled = sketches[begins..]
                .iter()
                .take_while(|s| s.offset_s + base_s < newest_s - settle_s)
                .count();
            for i in begins..begins + n_settled {
                maker.listen_closely(&mut sketches, i);
            }
            maker.first_moments(&mut sketches, begins..begins + n_settled);
            let fresh = begins..begins + n_settled;
            let recorded = if self.in_room {
                &self.recorded
            } else {
                &self.sound
            };
            let piece = |range| super::piece_of(recorded, range).to_vec();
            handover::put_sooner(&mut sketches, fresh.clone(), piece, self.rate);
            if self.in_room {
                let settled = &mut sketches[begins.saturating_sub(1)..fresh.end];
                room::onsets_as_recorded(settled, piece, self.rate);
            }
            let n_before = self.settled.len();
            let fresh = sketches.drain(begins..);
            self.settled
                .extend(fresh.map(|s| shifted(s, base_s, first_frame)));
            let weighed = confidence::weigh(&self.settled, self.noise_dbfs());
            notes.extend_from_slice(&weighed[n_before..n_before + n_settled]);
            self.settled.truncate(n_before + n_settled);
            let old = self.settled.len().saturating_sub(SKETCHES_KEPT);
            self.settled.drain(..old);
        }
        self.forget(newest_s);
    }

    /// Drops what lies before the notes that the next window has to begin with.
    fn forget(&mut self, newest_s: f64) {
        let sounding = self.path.iter().rposition(|point| point.midi.is_some());
        let from = match (self.settled.len().checked_sub(NOTES_BEFORE), sounding) {
            (Some(k), Some(_)) => self.settled[k].first,
            _ => self.first_frame,
        };
        let frame_at = |t_s: f64| (t_s * self.rate / self.hop_samples as f64).max(0.0) as usize;
        let silent = match sounding {
            // Silence behind and no note begun: nothing of it is needed.
            None => frame_at(newest_s - MARGIN_S),
            Some(_) => 0,
        };
        let first = from
            .saturating_sub(frame_at(BEFORE_S))
            .max(silent)
            .max(frame_at(newest_s - WINDOW_MAX_S));
        let drop = first.saturating_sub(self.first_frame) / self.frames_a_step * self.frames_a_step;
        let drop = drop.min(self.path.len());
        if drop > 0 {
            self.frames.drain(..drop);
            self.path.drain(..drop);
            let n = (drop * self.hop_samples).min(self.sound.len());
            self.sound.drain(..n);
            self.recorded.drain(..n);
            self.first_frame += drop;
        }
    }
}

/// True where a sketch is a settled note: of one pitch and one beginning; or of one end, the
/// beginning found elsewhere in the first half. Onset and offset in seconds and pitch of both.
fn same_sound(sketch: (f64, f64, f64), settled: (f64, f64, f64)) -> bool {
    let middle_s = 0.5 * (settled.0 + settled.1);
    let one_beginning = (sketch.0 - settled.0).abs() < SAME_S && settled.1 - settled.0 > FRAGMENT_S;
    let one_end = sketch.0 < middle_s && (sketch.1 - settled.1).abs() < SAME_END_S;
    (one_beginning || one_end) && (sketch.2 - settled.2).abs() < 0.5
}

/// A sketch of a window as one of the take.
fn shifted(mut sketch: Sketch, base_s: f64, first_frame: usize) -> Sketch {
    sketch.onset_s += base_s;
    sketch.offset_s += base_s;
    sketch.first += first_frame;
    sketch.end += first_frame;
    sketch
}

fn greatest_common_divisor(a: usize, b: usize) -> usize {
    if b == 0 {
        a
    } else {
        greatest_common_divisor(b, a % b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hear::hear;
    use crate::sound::voice::{Rng, VoiceNote, VoiceOptions, render};

    const RATE_HZ: u32 = 44_100;

    /// A minute of playing with the seed's own notes: tongued and slurred, fast and slow.
    fn playing(seed: u64, seconds: f64) -> Vec<f32> {
        let mut rng = Rng::new(seed);
        let mut notes: Vec<VoiceNote> = Vec::new();
        let mut t_s = 0.4;
        let mut midi = 64.0;
        while t_s < seconds - 1.0 {
            let length_s = rng.between(0.09, 0.5);
            let tongued = rng.chance(0.5);
            if !tongued {
                midi += *rng.pick(&[-4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0]);
            } else {
                midi += *rng.pick(&[-7.0, -2.0, 0.0, 2.0, 7.0]);
            }
            midi = f64::clamp(midi, 54.0, 84.0);
            if !tongued && let Some(before) = notes.last_mut() {
                before.offset_s = t_s;
            }
            notes.push(VoiceNote {
                onset_s: t_s,
                offset_s: t_s + length_s - 0.04,
                midi,
                level_db: -4.0,
                tongued,
                blip: None,
            });
            t_s += length_s;
            if rng.chance(0.1) {
                t_s += rng.between(0.2, 1.5);
            }
        }
        render(&notes, RATE_HZ, seconds, &VoiceOptions::default())
    }

    fn options() -> HearOptions {
        HearOptions {
            low_hz: 140.0,
            high_hz: 2000.0,
            raised_hz: 0.0,
        }
    }

    fn streamed(sound: &[f32], piece: usize) -> Vec<HeardNote> {
        let mut stream = NoteStream::new(RATE_HZ, &options());
        let mut notes = Vec::new();
        for part in sound.chunks(piece) {
            stream.push(part, &mut notes);
        }
        stream.finish(&mut notes);
        notes
    }

    /// The whole take is the yardstick: certain notes, their onsets and pitches.
    #[test]
    fn settled_notes_are_those_of_the_whole_take() {
        let (mut alike, mut all) = (0, 0);
        for seed in 1..4 {
            let sound = playing(seed, 30.0);
            let whole = hear(&sound, RATE_HZ, &options());
            let live = streamed(&sound, 256);
            for note in whole.notes.iter().filter(|n| n.confidence > 0.5) {
                all += 1;
                alike += usize::from(live.iter().any(|l| {
                    l.confidence > 0.5
                        && (l.onset_s - note.onset_s).abs() < 0.002
                        && (l.midi - note.midi).abs() < 0.1
                }));
            }
        }
        assert!(all > 150, "{all} notes");
        assert!(100 * alike >= 99 * all, "{alike} of {all} notes alike");
    }

    /// Six walls, and between two notes a blip that begins after it ends: the next is not lost.
    #[test]
    fn no_note_is_lost_behind_a_blip_among_echoes() {
        const WALLS: [(usize, f32); 6] = [
            (1500, 0.5),
            (3100, 0.4),
            (5003, 0.35),
            (7001, 0.3),
            (9007, 0.25),
            (12_007, 0.2),
        ];
        let (mut found, mut all) = (0, 0);
        for seed in [1, 16, 17, 22, 53, 74] {
            let dry = playing(seed, 30.0);
            let mut sound = dry.clone();
            for (later, gain) in WALLS {
                for (x, echo) in sound[later..].iter_mut().zip(&dry) {
                    *x += gain * echo;
                }
            }
            let whole = hear(&sound, RATE_HZ, &options());
            let live = streamed(&sound, 256);
            // Before the room is known, ringing covers some.
            let sure = |n: &&HeardNote| n.confidence > 0.98 && n.onset_s > ROOM_READ_S;
            for note in whole.notes.iter().filter(sure) {
                all += 1;
                let same = |l: &HeardNote| {
                    l.confidence > 0.5
                        && (l.onset_s - note.onset_s).abs() < 0.05
                        && (l.midi - note.midi).abs() < 0.5
                };
                found += usize::from(live.iter().any(same));
            }
        }
        assert!(all > 250, "{all} notes");
        assert_eq!(found, all, "notes of the whole take");
    }

    #[test]
    fn notes_come_in_order_and_once() {
        let live = streamed(&playing(7, 20.0), 256);
        for pair in live.windows(2) {
            assert!(pair[0].onset_s <= pair[1].onset_s + 0.001, "{pair:?}");
        }
    }

    #[test]
    fn silence_and_a_long_note_take_no_more_memory() {
        let mut stream = NoteStream::new(RATE_HZ, &options());
        let mut notes = Vec::new();
        let silence = vec![0.0; RATE_HZ as usize];
        for _ in 0..120 {
            stream.push(&silence, &mut notes);
        }
        assert!(
            stream.path.len() < 1500,
            "{} frames kept",
            stream.path.len()
        );
        let mut phase = 0.0f64;
        for _ in 0..60 {
            let tone: Vec<f32> = (0..RATE_HZ)
                .map(|_| {
                    phase += std::f64::consts::TAU * 220.0 / f64::from(RATE_HZ);
                    (0.2 * phase.sin() + 0.1 * (3.0 * phase).sin()) as f32
                })
                .collect();
            stream.push(&tone, &mut notes);
        }
        let kept_s = stream.sound.len() as f64 / stream.rate;
        assert!(kept_s < WINDOW_MAX_S + 2.0, "{kept_s} s kept");
    }

    #[test]
    fn a_settled_note_is_settled_once() {
        let settled = (1.000, 1.400, 70.0);
        assert!(same_sound((1.004, 1.399, 70.1), settled));
        assert!(same_sound((1.0005, 1.150, 70.1), settled));
        // What begins with a piece of itself.
        assert!(!same_sound((1.000, 1.400, 70.0), (1.000, 1.005, 70.0)));
        // The next note; tongued again within it; another pitch.
        assert!(!same_sound((1.402, 1.800, 70.0), settled));
        assert!(!same_sound((1.250, 1.400, 70.0), settled));
        assert!(!same_sound((1.100, 1.400, 72.0), settled));
    }
}
