//! Notes from the pitch path and the samples: where one begins and ends, and what the
//! sound about it looks like. How sure each is, is weighed in [`super::confidence`].

use super::envelope::{Envelope, STEP_S};
use super::frames::Frame;
use super::harmonic::explained;
use super::path::PathPoint;
use super::refine::change_point;
use crate::convert::midi_to_hz;

/// A pitch this far from the running pitch of the note is another note's. Half a semitone
/// is the border; the rest leaves room for vibrato and for a throat note that sags.
const NEW_NOTE_SEMITONES: f32 = 0.65;

/// Share of a frame that a change of pitch seems to take: its window hides the rest.
const GLIDE_OF_FRAME: f64 = 0.7;

/// Where a frame is shorter than this, seconds, a change may end later than the frame: the old
/// note's release bends the new pitch for so many steps of its length, if this share of the
/// change is made at once. A vibrato of 6 Hz makes a third of it.
const SHORT_FRAME_S: f64 = 0.030;
const BENT_STEPS: usize = 4;
const AT_ONCE_SHARE: f32 = 0.6;

/// Two pitches held for this long within this are two notes however the one gave way to the
/// other within this time, seconds and semitones. The turns of a vibrato as wide, at 4 Hz and
/// more, are not held so.
const HELD_S: f64 = 0.060;
const HELD_SEMITONES: f32 = 0.08;
const GIVES_WAY_S: f64 = 0.080;

/// A pitch that stays within this for this long is steady.
const STEADY_S: f64 = 0.016;
const STEADY_SEMITONES: f32 = 0.10;

/// Frames whose pitch is compared where two stretches meet.
const ENDS_FRAMES: usize = 8;

/// Sounds between two notes up to this long are finger-change blips (contract bound).
pub const BLIP_S: f64 = 0.025;

/// A short sound with silence of this length on both sides is no blip but a short note: its
/// frames see less of it than there is.
const ALONE_S: f64 = 0.010;

/// Pitched frames a note of its own needs at least.
const SHORTEST_S: f64 = 0.008;

/// Dips shallower than this are ripple of the level in every recording.
const DIP_DB_MIN: f64 = 1.2;

/// A shallower dip this soon after a pitch begins is of its beginning: no note is so short.
const BEGINS_S: f64 = 0.025;
const BEGINS_DIP_DB: f64 = 6.0;

/// Span either side of a dip whose level the dip is measured against.
const SHOULDER_NEAR_S: f64 = 0.010;
const SHOULDER_FAR_S: f64 = 0.045;

/// Level either side of a note's boundary that is looked at, seconds.
const MARGIN_S: f64 = 0.06;

/// Pitches further apart than this in time have silence between them.
const SILENCE_S: f64 = 0.06;

/// A slur through another register begins before the level falls: looked for so much before
/// it has fallen by this.
const FALLEN_DB: f64 = 3.0;
const BEFORE_FALLEN_S: f64 = 0.015;

/// A dip this deep leaves nothing of the old note to predict from.
const SILENT_DIP_DB: f64 = 20.0;

/// Share of the time at its pitch within which a note has begun.
const BEGUN_SHARE: f64 = 0.3;

/// A tone that swells is heard to begin where it comes within some decibels of its loudest:
/// 6 to 15 in quiet (Vos and Rasch 1981, *The perceptual onset of musical tones*), less over
/// other sound; 20 stands for the first that can be heard. The loudest is that of so many seconds.
const SPEAKS_DB: f64 = 20.0;
const SWELLS_S: f64 = 0.2;

/// An attack that takes up to the first to come there is plain, one that takes the second is
/// soft, seconds; the onset is moved by no more than the third.
const PLAIN_S: f64 = 0.012;
const SOFT_S: f64 = 0.020;
const SOFTEST_S: f64 = 0.06;

/// Share of that time that stands for its standard error.
const SOFT_SE_SHARE: f64 = 0.25;

/// Stands for the dip of a note out of silence.
const OUT_OF_SILENCE_DB: f64 = 30.0;

/// How a note began, as the sound shows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beginning {
    /// Out of silence.
    Silence,
    /// From another pitch.
    Change,
    /// From the same pitch, after a dip of the level.
    Dip,
}

/// A note in the making, with the evidence for it.
#[derive(Clone, Debug)]
pub struct Sketch {
    /// Frames of the path, `first..end`.
    pub first: usize,
    pub end: usize,
    pub beginning: Beginning,
    pub onset_s: f64,
    pub onset_se_s: f64,
    /// Standard error of the change of pitch or level that was fitted first, seconds.
    pub change_se_s: f64,
    pub offset_s: f64,
    pub tongued: bool,
    /// Median pitch of the frames, fractional MIDI at A4 = 440.
    pub midi: f64,
    pub cents_sd: f64,
    /// Mean strength of the path inside the note.
    pub strength: f64,
    /// Depth of the dip of level at the onset against both sides, dB.
    pub dip_db: f64,
    /// Level reached in the first 60 ms over the lowest about the onset, dB.
    pub rise_db: f64,
    /// Loudest 10 ms of the note, dB re full scale.
    pub peak_db: f64,
    /// Likelihood ratio a sample of the change at the onset.
    pub change: f64,
    /// Share of the first 60 ms that its own harmonics explain, and the best that those of
    /// the note before or after do.
    pub own_share: f64,
    pub neighbour_share: f64,
    /// Power on its own harmonics after the onset over that before, dB.
    pub new_power_db: f64,
    /// Level of the last third against the first, dB.
    pub slope_db: f64,
    pub offers: Vec<super::pitch::Offer>,
    /// A pitch touched on the way here; it begins with the onset.
    pub blip: Option<super::blips::Blip>,
    /// Pitch at which the old register sounded on after the fingers had moved here.
    pub through_midi: Option<f64>,
}

impl Sketch {
    /// Standard error of the median pitch in cents: frames closer than their own length
    /// share samples, so that about one in eight counts; 0.3 cents is the interpolation's own.
    pub fn cents_se(&self) -> f64 {
        let independent = ((self.end - self.first) as f64 / 8.0).max(1.0);
        1.25 * self.cents_sd / independent.sqrt() + 0.3
    }
}

#[derive(Clone, Debug)]
struct Segment {
    first: usize,
    end: usize,
    midi: f32,
}

/// Two steady pitches one after the other.
struct Plateaus {
    /// How long each lasts, frames, and how far its pitch may wander, semitones.
    frames: usize,
    spread: f32,
    /// Gaps after the change within which the new one begins.
    steps: usize,
    /// Share of the change that is made within one gap either side.
    at_once_share: f32,
}

impl Plateaus {
    /// The pitch half-way and the frames to where the new pitch is steady, if it changes at `i`.
    fn step(&self, pitches: &[f32], i: usize, gap: usize) -> Option<(f32, usize)> {
        let level = |from: usize| {
            let part = pitches.get(from..from + self.frames)?;
            let spread = part.iter().copied().fold(f32::MIN, f32::max)
                - part.iter().copied().fold(f32::MAX, f32::min);
            (spread < self.spread).then(|| median(&mut part.to_vec()))
        };
        let old = level(i.checked_sub(gap + self.frames)?)?;
        let at_once = pitches.get(i + gap)? - pitches.get(i - gap)?;
        (1..=self.steps).map(|k| k * gap).find_map(|width| {
            let new = level(i + width)?;
            let step = new - old;
            (step.abs() > NEW_NOTE_SEMITONES && at_once / step > self.at_once_share)
                .then_some(((old + new) / 2.0, width))
        })
    }
}

pub struct NoteMaker<'a> {
    pub samples: &'a [f32],
    pub sample_rate_hz: f64,
    pub hop_samples: usize,
    pub frame_samples: usize,
    pub frames: &'a [Frame],
    pub path: &'a [PathPoint],
    pub envelope: &'a Envelope,
    /// Lowest pitch looked for.
    pub low_hz: f64,
}

fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

fn median_db(values: &[f64]) -> f64 {
    let mut copy: Vec<f32> = values.iter().map(|x| *x as f32).collect();
    median(&mut copy) as f64
}

/// How much later than its first sound a tone can be heard, seconds, from its levels at the
/// envelope's step: nothing for a plain attack.
pub fn soft_attack_s(levels_db: &[f64]) -> f64 {
    let loudest = levels_db.iter().copied().fold(-120.0, f64::max);
    let spoken = levels_db.iter().position(|x| *x > loudest - SPEAKS_DB);
    let spoken_s = spoken.unwrap_or(0) as f64 * STEP_S;
    let soft = ((spoken_s - PLAIN_S) / (SOFT_S - PLAIN_S)).clamp(0.0, 1.0);
    soft * spoken_s.min(SOFTEST_S)
}

impl NoteMaker<'_> {
    fn frame_s(&self, frame: usize) -> f64 {
        (frame * self.hop_samples) as f64 / self.sample_rate_hz
    }

    /// All notes that might be, in order.
    pub fn sketch(&self) -> Vec<Sketch> {
        let mut sketches = self.outline();
        for i in 0..sketches.len() {
            self.listen_closely(&mut sketches, i);
        }
        self.find_blips(&mut sketches);
        let n = sketches.len();
        self.first_moments(&mut sketches, 0..n);
        sketches
    }

    /// Puts the onsets of slurs among `which` where the pitch leaves the old note, those of soft
    /// attacks and of notes that swell under the old one where the tone can be heard.
    pub fn first_moments(&self, sketches: &mut [Sketch], which: std::ops::Range<usize>) {
        let rate = self.sample_rate_hz;
        // Backwards, so that each is looked for beside a neighbour that has not moved.
        for i in which.clone().rev().filter(|i| *i > 0) {
            let (before, note) = (&sketches[i - 1], &sketches[i]);
            if !super::blips::slurred_to(before, note) {
                continue;
            }
            let old = super::handover::old_note(sketches, i);
            let old = old.filter(|old| (old.midi - before.midi).abs() < 0.5);
            let old_from_s = old.map_or(before.onset_s, |old| old.onset_s);
            let hz = |midi: f64| midi_to_hz(midi, 440.0);
            let touched = note.blip.map_or(note.midi, |blip| blip.midi);
            let first_midi = note.through_midi.unwrap_or(touched);
            let slur = super::slur::Slur {
                old_hz: hz(before.midi),
                new_hz: hz(first_midi),
                jump: note.onset_s * rate,
                old_from: (old_from_s * rate) as usize,
            };
            let Some(moment) = super::slur::first_moment(self.samples, rate, &slur) else {
                continue;
            };
            let onset_s = moment.at_samples / rate;
            let moved_s = onset_s - note.onset_s;
            sketches[i - 1].offset_s = onset_s.max(sketches[i - 1].onset_s);
            let note = &mut sketches[i];
            note.onset_s = onset_s;
            note.onset_se_s = moment.se_samples / rate;
            if let Some(blip) = &mut note.blip {
                blip.length_s -= moved_s;
            }
        }
        for sketch in &mut sketches[which.clone()] {
            self.as_spoken(sketch);
        }
        for i in which.filter(|i| *i > 0) {
            let (before, rest) = sketches.split_at_mut(i);
            self.as_swelling(&mut before[i - 1], &mut rest[0]);
        }
    }

    /// Moves the onset of a note that swells under the one before to where it can be heard.
    fn as_swelling(&self, before: &mut Sketch, note: &mut Sketch) {
        let plain = note.blip.is_none() && note.through_midi.is_none();
        if !plain
            || note.beginning != Beginning::Change
            || (note.midi - before.midi).abs() < f64::from(NEW_NOTE_SEMITONES)
        {
            return;
        }
        let joint = super::swell::Joint {
            old_hz: midi_to_hz(before.midi, 440.0),
            old_onset_s: before.onset_s,
            new_hz: midi_to_hz(note.midi, 440.0),
            onset_s: note.onset_s,
            new_offset_s: note.offset_s,
        };
        let rate = self.sample_rate_hz;
        if let Some((onset_s, se_s)) = super::swell::beginning(self.samples, rate, &joint) {
            note.onset_s = onset_s;
            note.onset_se_s = note.onset_se_s.max(se_s);
            before.offset_s = before.offset_s.min(onset_s).max(before.onset_s);
        }
    }

    /// Moves the onset of a soft attack to where the tone can be heard.
    fn as_spoken(&self, sketch: &mut Sketch) {
        if !sketch.tongued {
            return;
        }
        let width_s = (1.5 / midi_to_hz(sketch.midi, 440.0)).max(0.005);
        let until_s = sketch.offset_s.min(sketch.onset_s + SWELLS_S);
        let curve = self.envelope.curve_db(sketch.onset_s, until_s, width_s);
        let soft_s = soft_attack_s(&curve);
        sketch.onset_s += soft_s;
        sketch.onset_se_s = sketch.onset_se_s.hypot(SOFT_SE_SHARE * soft_s);
    }

    /// Tells what fingers touch between two notes from the notes.
    pub fn find_blips(&self, sketches: &mut Vec<Sketch>) {
        super::blips::find(
            sketches,
            self.samples,
            self.sample_rate_hz,
            self.sample_rate_hz / 4.0,
        );
    }

    /// The same before their own sound is listened to.
    pub fn outline(&self) -> Vec<Sketch> {
        let mut segments = self.part_glides(self.segments());
        self.drop_blips(&mut segments);
        let mut sketches = Vec::new();
        for (i, segment) in segments.iter().enumerate() {
            let before = (i > 0).then(|| &segments[i - 1]);
            self.split(segment, before, &mut sketches);
        }
        // A note ends where the next begins, if it has not ended before.
        for i in 1..sketches.len() {
            let next_onset_s = sketches[i].onset_s;
            let this: &mut Sketch = &mut sketches[i - 1];
            this.offset_s = this.offset_s.min(next_onset_s).max(this.onset_s);
        }
        super::linger::find(&mut sketches, self.path, self.frame_s(1));
        super::together::part(&mut sketches, self.samples, self.sample_rate_hz);
        sketches
    }

    /// What the samples of sketch `i` say beside its neighbours.
    pub fn listen_closely(&self, sketches: &mut [Sketch], i: usize) {
        let rate = self.sample_rate_hz;
        let s = &sketches[i];
        let hz = |midi: f64| midi_to_hz(midi, 440.0);
        let range = |from_s: f64, to_s: f64| {
            let to = ((to_s * rate).max(0.0) as usize).min(self.samples.len());
            &self.samples[((from_s * rate).max(0.0) as usize).min(to)..to]
        };
        let settle_s = 0.004f64.min(0.2 * (s.offset_s - s.onset_s));
        let early = range(s.onset_s + settle_s, (s.onset_s + 0.06).min(s.offset_s));
        let (own_share, own_power) = explained(early, rate, hz(s.midi));
        let mut neighbour_share = 0.0f64;
        if s.offset_s - s.onset_s < 0.12 {
            let previous = sketches[..i]
                .iter()
                .rev()
                .find(|p| (p.midi - s.midi).abs() > 0.5);
            let next = sketches[i + 1..]
                .iter()
                .find(|p| (p.midi - s.midi).abs() > 0.5);
            for n in [previous, next].into_iter().flatten() {
                let near = n.onset_s - s.offset_s < 0.06 && s.onset_s - n.offset_s < 0.06;
                if near {
                    neighbour_share = neighbour_share.max(explained(early, rate, hz(n.midi)).0);
                }
            }
        }
        let before = range(s.onset_s - 0.035, s.onset_s - 0.002);
        let power_before = explained(before, rate, hz(s.midi)).1;
        let new_power_db = 10.0 * ((own_power + 1e-12) / (power_before + 1e-12)).log10();
        let third_s = (s.offset_s - s.onset_s) / 3.0;
        let slope_db = self.envelope.between_db(s.offset_s - third_s, s.offset_s)
            - self.envelope.between_db(s.onset_s, s.onset_s + third_s);
        let position = |t: f64| (t * rate).max(0.0) as usize;
        let inner = (position(s.onset_s + 0.008), position(s.offset_s - 0.004));
        let last = (position(s.onset_s - 0.04), position(s.onset_s - 0.003));
        let frames = &self.frames[s.first..s.end.min(self.frames.len())];
        let inner_frames = &frames[frames.len() / 4..frames.len() - frames.len() / 4];
        let offers = super::pitch::offers(
            self.samples,
            rate,
            inner,
            s.midi,
            last,
            self.low_hz,
            inner_frames,
        );
        let s = &mut sketches[i];
        s.own_share = own_share;
        s.neighbour_share = neighbour_share;
        s.new_power_db = new_power_db.clamp(-40.0, 40.0);
        s.slope_db = slope_db;
        s.midi = offers[0].0;
        s.offers = offers;
    }

    /// Stretches of the path with one pitch.
    fn segments(&self) -> Vec<Segment> {
        let mut segments: Vec<Segment> = Vec::new();
        let mut open: Option<usize> = None;
        let mut pitches: Vec<f32> = Vec::new();
        for (i, point) in self.path.iter().enumerate() {
            let close = match (point.midi, open) {
                (None, Some(_)) => true,
                (Some(midi), Some(_)) => {
                    let mut recent = pitches[pitches.len().saturating_sub(12)..].to_vec();
                    (midi - median(&mut recent)).abs() > NEW_NOTE_SEMITONES
                }
                _ => false,
            };
            if close {
                let first = open.take().expect("closing an open segment");
                segments.push(Segment {
                    first,
                    end: i,
                    midi: median(&mut pitches),
                });
                pitches.clear();
            }
            if let Some(midi) = point.midi {
                open.get_or_insert(i);
                pitches.push(midi);
            }
        }
        if let Some(first) = open {
            segments.push(Segment {
                first,
                end: self.path.len(),
                midi: median(&mut pitches),
            });
        }
        segments
    }

    /// Cuts where the pitch moves from one steady pitch to another within a frame's length.
    ///
    /// Frames longer than the running pitch looks back show a slurred semitone as a glide
    /// that it follows. A vibrato takes longer and is steady nowhere.
    fn part_glides(&self, segments: Vec<Segment>) -> Vec<Segment> {
        let frames_of = |s: f64| (s * self.sample_rate_hz / self.hop_samples as f64) as usize;
        let frame_s = self.frame_samples as f64 / self.sample_rate_hz;
        let gap = frames_of(GLIDE_OF_FRAME / 2.0 * frame_s);
        let bent = if frame_s < SHORT_FRAME_S {
            BENT_STEPS
        } else {
            1
        };
        let quick = Plateaus {
            frames: frames_of(STEADY_S).max(3),
            spread: STEADY_SEMITONES,
            steps: bent,
            at_once_share: AT_ONCE_SHARE,
        };
        let held = Plateaus {
            frames: frames_of(HELD_S),
            spread: HELD_SEMITONES,
            steps: (frames_of(GIVES_WAY_S) / gap.max(1)).max(1),
            at_once_share: 0.0,
        };
        let mut parts = Vec::with_capacity(segments.len());
        for segment in segments {
            let pitches: Vec<f32> = self.path[segment.first..segment.end]
                .iter()
                .filter_map(|point| point.midi)
                .collect();
            let median_of = |from: usize, to: usize| median(&mut pitches[from..to].to_vec());
            let mut from = 0;
            let mut i = gap + quick.frames;
            while i + gap + quick.frames <= pitches.len() {
                let step = |plateaus: &Plateaus| plateaus.step(&pitches[from..], i - from, gap);
                let Some((middle, width)) = step(&quick).or_else(|| step(&held)) else {
                    i += 1;
                    continue;
                };
                let cut = (i - gap..i + width)
                    .min_by(|a, b| {
                        let off = |k: usize| (pitches[k] - middle).abs();
                        off(*a).total_cmp(&off(*b))
                    })
                    .unwrap_or(i);
                parts.push(Segment {
                    first: segment.first + from,
                    end: segment.first + cut,
                    midi: median_of(from, cut),
                });
                from = cut;
                i = cut + gap + quick.frames;
            }
            parts.push(Segment {
                first: segment.first + from,
                midi: median_of(from, pitches.len()),
                ..segment
            });
        }
        parts
    }

    /// Blips between two notes go; what they stood between is joined where it is one pitch.
    fn drop_blips(&self, segments: &mut Vec<Segment>) {
        let blip_frames = (BLIP_S * self.sample_rate_hz / self.hop_samples as f64).floor() as usize;
        let alone_frames =
            (ALONE_S * self.sample_rate_hz / self.hop_samples as f64).ceil() as usize;
        let shortest_frames =
            (SHORTEST_S * self.sample_rate_hz / self.hop_samples as f64).ceil() as usize;
        let mut kept: Vec<Segment> = Vec::with_capacity(segments.len());
        let mut all = std::mem::take(segments);
        // Short sounds on end with silence about them are one short note, and the frames at its
        // beginning and end: the most pitched of them is kept.
        let joined = |a: &Segment, b: &Segment| b.first - a.end < alone_frames;
        let alone: Vec<Segment> = (all.chunk_by(joined))
            .filter(|group| group.iter().all(|s| s.end - s.first <= blip_frames))
            .filter_map(|group| {
                let pitched = |s: &&Segment| self.pitched(s);
                let by_pitch = |a: &&Segment, b: &&Segment| pitched(a).total_cmp(&pitched(b));
                let kept = group.iter().max_by(by_pitch)?;
                // Where there are several, noise is likelier.
                let enough = shortest_frames * if group.len() == 1 { 1 } else { 2 };
                (kept.end - kept.first >= enough).then_some(kept)
            })
            .cloned()
            .collect();
        all.retain(|s| {
            s.end - s.first > blip_frames || alone.iter().any(|kept| kept.first == s.first)
        });
        for segment in all {
            if let Some(last) = kept.last_mut()
                && segment.first - last.end <= blip_frames
                && (last.midi - segment.midi).abs() < NEW_NOTE_SEMITONES
                && (self.end_midi(last) - self.begin_midi(&segment)).abs() < NEW_NOTE_SEMITONES
            {
                last.end = segment.end;
                continue;
            }
            kept.push(segment);
        }
        *segments = kept;
    }

    /// How much of a segment repeats itself, in frames.
    fn pitched(&self, segment: &Segment) -> f32 {
        let points = &self.path[segment.first..segment.end];
        points.iter().map(|p| p.strength).sum()
    }

    /// Pitch a segment ends with, and begins with: a scoop moves the middle of the whole.
    fn end_midi(&self, segment: &Segment) -> f32 {
        let pitched = self.path[segment.first..segment.end].iter().rev();
        let mut last: Vec<f32> = pitched.filter_map(|p| p.midi).take(ENDS_FRAMES).collect();
        median(&mut last)
    }

    fn begin_midi(&self, segment: &Segment) -> f32 {
        let pitched = self.path[segment.first..segment.end].iter();
        let mut first: Vec<f32> = pitched.filter_map(|p| p.midi).take(ENDS_FRAMES).collect();
        median(&mut first)
    }

    /// One sketch a segment, or several of the same pitch where the level dips between them.
    fn split(&self, segment: &Segment, before: Option<&Segment>, sketches: &mut Vec<Sketch>) {
        let rate = self.sample_rate_hz;
        let period_s = 1.0 / midi_to_hz(segment.midi as f64, 440.0);
        let (start_s, end_s) = (self.frame_s(segment.first), self.frame_s(segment.end));
        // The shortest span that does not follow the wave itself.
        let width_s = (1.5 * period_s).max(0.005);
        let base_s = start_s - MARGIN_S;
        let curve = self.envelope.curve_db(base_s, end_s + MARGIN_S, width_s);
        if curve.len() < 8 {
            return;
        }
        let at = |t: f64| (((t - base_s) / STEP_S).max(0.0) as usize).min(curve.len() - 1);
        let (e0, e1) = (at(start_s), at(end_s));
        let near = (SHOULDER_NEAR_S / STEP_S) as usize;
        let far = (SHOULDER_FAR_S / STEP_S) as usize;
        let margin = (MARGIN_S / STEP_S) as usize;
        let dip = |i: usize, low: usize, high: usize| -> f64 {
            let left = &curve
                [i.saturating_sub(far).max(low).min(i)..=i.saturating_sub(near).max(low).min(i)];
            let right = &curve[(i + near).min(high)..=(i + far).min(high)];
            median_db(left).min(median_db(right)) - curve[i]
        };
        let begins = (BEGINS_S / STEP_S) as usize;
        let mut cuts: Vec<(usize, f64)> = Vec::new();
        let mut i = e0 + near;
        while i + near < e1 {
            let lowest =
                (i - near.min(i)..=(i + near).min(curve.len() - 1)).all(|k| curve[k] >= curve[i]);
            if lowest {
                let depth = dip(i, e0, e1.max(i + near));
                let ripple = i < e0 + begins && depth < BEGINS_DIP_DB;
                if depth > DIP_DB_MIN && !ripple {
                    cuts.push((i, depth));
                    i += near;
                }
            }
            i += 1;
        }

        // The beginning of the segment itself.
        let gap_s = before.map_or(f64::INFINITY, |b| {
            self.frame_s(segment.first) - self.frame_s(b.end)
        });
        let old = before.filter(|_| gap_s < SILENCE_S);
        let old_period = old.map(|b| rate / midi_to_hz(b.midi as f64, 440.0));
        let search = at(old.map_or(start_s - 0.02, |b| self.frame_s(b.end)) - 0.015)
            ..=at(start_s + 0.012).max(at(start_s - 0.015));
        let lowest = search
            .min_by(|a, b| curve[*a].total_cmp(&curve[*b]))
            .unwrap_or(e0);
        let depth = if old.is_some() {
            // The loudest either side: a note of 50 ms before a gap of 50 has no steady shoulder.
            let loudest = |part: &[f64]| part.iter().copied().fold(-120.0, f64::max);
            let left = loudest(&curve[lowest.saturating_sub(margin)..=lowest]);
            let right = loudest(&curve[lowest..(lowest + margin).min(curve.len())]);
            left.min(right) - curve[lowest]
        } else {
            OUT_OF_SILENCE_DB
        };
        let half = curve[lowest] + 0.5 * depth;
        let below = |x: &&f64| **x < half;
        let n_below = curve[lowest..].iter().take_while(below).count()
            + curve[..lowest].iter().rev().take_while(below).count();
        let dip_s = n_below as f64 * STEP_S - 0.5 * width_s;
        let dip = super::dip::Dip {
            curve: &curve,
            base_s,
            lowest,
            depth_db: depth,
            length_s: dip_s,
            periods: (old_period.unwrap_or(f64::INFINITY), period_s * rate),
        };
        let mut tongued = old.is_none() || dip.is_tongue(self.samples, rate);
        let in_a_dip = !tongued && dip.is_deep();
        let lowest_s = base_s + lowest as f64 * STEP_S;
        let rises = tongued || in_a_dip && dip.old_dies_away(self.samples, rate);
        let slurred = || {
            let from_s = old.map_or(start_s, |b| self.frame_s(b.end))
                - 0.5 * self.frame_samples as f64 / rate;
            self.fitted(
                from_s,
                start_s + 0.3 * self.frame_samples as f64 / rate,
                old_period,
                start_s,
            )
        };
        let (mut onset, mut change) = if rises {
            self.tongued_onset(
                lowest_s,
                end_s,
                width_s,
                old_period.filter(|_| depth < SILENT_DIP_DB),
            )
        } else if in_a_dip {
            self.fitted(
                dip.falls_s(FALLEN_DB) - BEFORE_FALLEN_S,
                lowest_s,
                old_period,
                start_s,
            )
        } else {
            slurred()
        };
        // A room's own dips within the note are no beginning of it.
        if old.is_some() && onset.0 > start_s + BEGUN_SHARE * (end_s - start_s) {
            (onset, change) = slurred();
            tongued = false;
        }
        let beginning = if old.is_some() {
            Beginning::Change
        } else {
            Beginning::Silence
        };
        let mut open = (onset, change, beginning, depth, tongued, e0);
        for cut in cuts.iter().map(Some).chain(std::iter::once(None)) {
            let (end_env, offset_s) = match cut {
                Some((i, _)) => (*i, base_s + *i as f64 * STEP_S),
                None => (e1, end_s),
            };
            let ((onset_s, onset_se_s), change, beginning, dip_db, tongued, from_env) = open;
            let frame_at =
                |i: usize| ((base_s + i as f64 * STEP_S) * rate / self.hop_samples as f64) as usize;
            let first = frame_at(from_env).clamp(segment.first, segment.end - 1);
            let end = frame_at(end_env).clamp(first + 1, segment.end);
            self.describe(
                Sketch {
                    first,
                    end,
                    beginning,
                    onset_s,
                    onset_se_s,
                    change_se_s: onset_se_s,
                    offset_s,
                    tongued,
                    midi: segment.midi as f64,
                    cents_sd: 0.0,
                    strength: 0.0,
                    dip_db,
                    rise_db: 0.0,
                    peak_db: 0.0,
                    change,
                    own_share: 0.0,
                    neighbour_share: 0.0,
                    new_power_db: 0.0,
                    slope_db: 0.0,
                    offers: Vec::new(),
                    blip: None,
                    through_midi: None,
                },
                width_s,
                sketches,
            );
            if let Some((i, depth)) = cut {
                let lowest_s = base_s + *i as f64 * STEP_S;
                let (onset, change) = self.tongued_onset(
                    lowest_s,
                    end_s,
                    width_s,
                    (*depth < SILENT_DIP_DB).then_some(period_s * rate),
                );
                open = (onset, change, Beginning::Dip, *depth, true, *i);
            }
        }
    }

    /// Fills what is read off frames and envelope; a sketch without pitched frames is none.
    fn describe(&self, mut sketch: Sketch, width_s: f64, sketches: &mut Vec<Sketch>) {
        let guard = if sketch.end - sketch.first > 10 { 4 } else { 0 };
        let inner = &self.path[sketch.first + guard..sketch.end - guard];
        let mut pitches: Vec<f32> = inner.iter().filter_map(|p| p.midi).collect();
        if pitches.is_empty() {
            return;
        }
        let midi = median(&mut pitches);
        let mut deviations: Vec<f32> = pitches.iter().map(|p| (p - midi).abs()).collect();
        sketch.midi = midi as f64;
        // 1.4826 makes the median deviation a standard deviation for a normal spread.
        sketch.cents_sd = 148.26 * median(&mut deviations) as f64;
        sketch.strength = inner.iter().map(|p| p.strength as f64).sum::<f64>() / inner.len() as f64;
        let body = self.envelope.curve_db(
            sketch.onset_s,
            sketch.offset_s.max(sketch.onset_s + 0.01),
            0.010,
        );
        sketch.peak_db = body.iter().copied().fold(-120.0, f64::max);
        let about = self
            .envelope
            .curve_db(sketch.onset_s - 0.025, sketch.onset_s + 0.006, width_s);
        let low = about.iter().copied().fold(f64::INFINITY, f64::min);
        let early = body.iter().take(60).copied().fold(-120.0, f64::max);
        sketch.rise_db = early - low;
        sketches.push(sketch);
    }

    /// Where the level leaves the floor after its lowest moment `lowest_s`.
    fn tongued_onset(
        &self,
        lowest_s: f64,
        end_s: f64,
        width_s: f64,
        old_period: Option<f64>,
    ) -> ((f64, f64), f64) {
        // Up to where the level has risen most of the way.
        let curve = self
            .envelope
            .curve_db(lowest_s, (lowest_s + 0.08).min(end_s + 0.02), width_s);
        let top = curve.iter().copied().fold(-120.0, f64::max);
        let low = curve.first().copied().unwrap_or(top);
        let risen = curve
            .iter()
            .position(|x| *x > low + 0.75 * (top - low))
            .unwrap_or(curve.len());
        self.fitted(
            lowest_s - 0.5 * width_s,
            lowest_s + risen as f64 * STEP_S + 0.25 * width_s,
            old_period,
            lowest_s,
        )
    }

    /// The change point between two times, or `fallback_s` with a hop's error.
    fn fitted(
        &self,
        from_s: f64,
        to_s: f64,
        old_period: Option<f64>,
        fallback_s: f64,
    ) -> ((f64, f64), f64) {
        let rate = self.sample_rate_hz;
        let sample = |t: f64| (t * rate).max(0.0) as usize;
        match change_point(self.samples, rate, sample(from_s), sample(to_s), old_period) {
            Some(change) => (
                (change.at_samples / rate, change.se_samples / rate),
                change.evidence,
            ),
            None => ((fallback_s.max(0.0), self.hop_samples as f64 / rate), 0.0),
        }
    }
}
