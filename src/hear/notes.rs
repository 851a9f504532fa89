//! Notes from the pitch path and the samples: where one begins, ends, and how sure that is.

use super::frames::Frame;
use super::path::PathPoint;
use super::refine::change_point;
use super::{HeardNote, PitchCandidate};

/// A pitch this far from the running pitch of the note is another note's. Half a semitone
/// is the border; the rest leaves room for vibrato and for a throat note that sags.
const NEW_NOTE_SEMITONES: f32 = 0.65;

/// Sounds between two notes up to this long are finger-change blips (contract bound).
const BLIP_S: f64 = 0.025;

/// A segment on the path: frames `first..end` of one pitch.
#[derive(Clone, Debug)]
struct Segment {
    first: usize,
    end: usize,
    midi: f32,
}

pub struct NoteMaker<'a> {
    pub samples: &'a [f32],
    pub sample_rate_hz: f64,
    pub hop_samples: usize,
    pub frame_samples: usize,
    pub frames: &'a [Frame],
    pub path: &'a [PathPoint],
    pub noise_dbfs: f64,
}

fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

impl NoteMaker<'_> {
    fn frame_s(&self, frame: usize) -> f64 {
        (frame * self.hop_samples) as f64 / self.sample_rate_hz
    }

    pub fn notes(&self) -> Vec<HeardNote> {
        let mut segments = self.segments();
        self.drop_blips(&mut segments);
        let mut notes = Vec::new();
        for (i, segment) in segments.iter().enumerate() {
            let before = (i > 0).then(|| &segments[i - 1]);
            let after = segments.get(i + 1);
            self.split(segment, before, after, &mut notes);
        }
        notes
    }

    /// Stretches of the path with one pitch.
    fn segments(&self) -> Vec<Segment> {
        let mut segments: Vec<Segment> = Vec::new();
        let mut open: Option<usize> = None;
        let mut recent: Vec<f32> = Vec::new();
        for (i, point) in self.path.iter().enumerate() {
            let close = match (point.midi, open) {
                (None, Some(_)) => true,
                (Some(midi), Some(_)) => {
                    let mut last = recent[recent.len().saturating_sub(12)..].to_vec();
                    (midi - median(&mut last)).abs() > NEW_NOTE_SEMITONES
                }
                _ => false,
            };
            if close {
                let first = open.take().expect("closing an open segment");
                segments.push(Segment {
                    first,
                    end: i,
                    midi: median(&mut recent),
                });
                recent.clear();
            }
            if let Some(midi) = point.midi {
                open.get_or_insert(i);
                recent.push(midi);
            }
        }
        if let Some(first) = open {
            segments.push(Segment {
                first,
                end: self.path.len(),
                midi: median(&mut recent),
            });
        }
        segments
    }

    /// Blips between two notes go; what they stood between is joined where it is one pitch.
    fn drop_blips(&self, segments: &mut Vec<Segment>) {
        let blip_frames = (BLIP_S * self.sample_rate_hz / self.hop_samples as f64).floor() as usize;
        let mut kept: Vec<Segment> = Vec::with_capacity(segments.len());
        for segment in segments.drain(..) {
            if segment.end - segment.first <= blip_frames {
                continue;
            }
            if let Some(last) = kept.last_mut()
                && (last.midi - segment.midi).abs() < NEW_NOTE_SEMITONES
                && segment.first - last.end <= blip_frames
            {
                last.end = segment.end;
                continue;
            }
            kept.push(segment);
        }
        *segments = kept;
    }

    /// One note a segment, or several of the same pitch where the level dips between them.
    fn split(
        &self,
        segment: &Segment,
        before: Option<&Segment>,
        after: Option<&Segment>,
        notes: &mut Vec<HeardNote>,
    ) {
        let rate = self.sample_rate_hz;
        let period = rate / crate::convert::midi_to_hz(segment.midi as f64, 440.0);
        let step = (0.001 * rate) as usize;
        let start = segment.first * self.hop_samples;
        let end = (segment.end * self.hop_samples).min(self.samples.len());
        let width = ((0.006 * rate).max(1.5 * period)) as usize;
        // Envelope in dB at 1 ms, a little beyond the segment on both sides.
        let margin = (0.06 * rate) as usize;
        let base = start.saturating_sub(margin);
        let envelope: Vec<f64> = (base..(end + margin).min(self.samples.len()))
            .step_by(step)
            .map(|c| self.level_db(c, width))
            .collect();
        let at = |sample: usize| {
            ((sample.saturating_sub(base)) / step).min(envelope.len().saturating_sub(1))
        };
        let (e0, e1) = (at(start), at(end));
        let mut cuts: Vec<(usize, f64)> = Vec::new(); // envelope index, depth dB
        let near = 12usize;
        let far = 50usize;
        let mut i = e0 + near;
        while i + near < e1 {
            let is_min = (i.saturating_sub(8)..=(i + 8).min(envelope.len() - 1))
                .all(|k| envelope[k] >= envelope[i]);
            if is_min {
                let mut left: Vec<f32> = envelope[i.saturating_sub(far).max(e0)..i - near + 1]
                    .iter()
                    .map(|x| *x as f32)
                    .collect();
                let mut right: Vec<f32> = envelope[(i + near).min(e1)..(i + far).min(e1)]
                    .iter()
                    .map(|x| *x as f32)
                    .collect();
                if !left.is_empty() && !right.is_empty() {
                    let depth = (median(&mut left).min(median(&mut right))) as f64 - envelope[i];
                    if depth > 3.0 {
                        cuts.push((i, depth));
                        i += near;
                    }
                }
            }
            i += 1;
        }
        let slurred_in = before.is_some_and(|b| segment.first - b.end <= 3) && {
            // A tongue between two pitches shows as a dip at the boundary.
            let i = at(start);
            let around = &envelope[i.saturating_sub(15)..(i + 15).min(envelope.len())];
            let low = around.iter().copied().fold(f64::INFINITY, f64::min);
            let mut l: Vec<f32> = envelope[i.saturating_sub(50)..i.saturating_sub(12).max(1)]
                .iter()
                .map(|x| *x as f32)
                .collect();
            let mut r: Vec<f32> = envelope
                [(i + 12).min(envelope.len() - 1)..(i + 50).min(envelope.len())]
                .iter()
                .map(|x| *x as f32)
                .collect();
            let depth = median(&mut l).min(median(&mut r)) as f64 - low;
            depth < 6.0
        };
        let old_period = before
            .filter(|b| segment.first - b.end <= 8)
            .map(|b| rate / crate::convert::midi_to_hz(b.midi as f64, 440.0));
        let mut onset = self.onset(start, old_period, !slurred_in);
        let mut tongued = !slurred_in;
        let mut confidence = 0.95;
        let mut from_env = e0;
        let push = |onset: (f64, f64),
                    offset: f64,
                    a: usize,
                    b: usize,
                    tongued,
                    confidence,
                    notes: &mut Vec<HeardNote>| {
            let first = ((base + a * step) / self.hop_samples).max(segment.first);
            let last = ((base + b * step) / self.hop_samples)
                .min(segment.end)
                .max(first + 1);
            notes.push(self.note(onset, offset, first, last, tongued, confidence));
        };
        for (i, depth) in &cuts {
            let dip = base + i * step;
            push(
                onset,
                dip as f64 / rate,
                from_env,
                *i,
                tongued,
                confidence,
                notes,
            );
            onset = self.onset(dip, Some(period), true);
            tongued = true;
            confidence = (depth / 8.0).clamp(0.1, 0.97);
            from_env = *i;
        }
        let _ = after;
        let offset = self.offset(segment, start, end);
        push(onset, offset, from_env, e1, tongued, confidence, notes);
    }

    /// Where the note's sound ends: its level has fallen into the floor, or the next begins.
    fn offset(&self, segment: &Segment, _start: usize, end: usize) -> f64 {
        let _ = segment;
        end as f64 / self.sample_rate_hz
    }

    fn level_db(&self, centre: usize, width: usize) -> f64 {
        let a = centre.saturating_sub(width / 2);
        let b = (centre + width / 2).min(self.samples.len());
        if a >= b {
            return -120.0;
        }
        let sum: f64 = self.samples[a..b]
            .iter()
            .map(|x| (*x as f64) * (*x as f64))
            .sum();
        10.0 * (sum / (b - a) as f64 + 1e-12).log10()
    }

    /// Onset and its error in seconds, refined around sample `near`.
    fn onset(&self, near: usize, old_period: Option<f64>, tongued: bool) -> (f64, f64) {
        let rate = self.sample_rate_hz;
        let reach = 0.5 * self.frame_samples as f64;
        let from = (near as f64 - if tongued { reach } else { reach }).max(0.0) as usize;
        let to = (near as f64 + if tongued { 0.015 * rate } else { reach }) as usize;
        match change_point(self.samples, rate, from, to, old_period) {
            Some(change) => (change.at_samples / rate, change.se_samples / rate),
            None => (near as f64 / rate, self.hop_samples as f64 / rate),
        }
    }

    fn note(
        &self,
        (onset_s, onset_se_s): (f64, f64),
        offset_s: f64,
        first: usize,
        end: usize,
        tongued: bool,
        confidence: f64,
    ) -> HeardNote {
        let guard = if end - first > 8 { 3 } else { 0 };
        let mut pitches: Vec<f32> = self.path[first + guard..end - guard]
            .iter()
            .filter_map(|p| p.midi)
            .collect();
        let midi = median(&mut pitches) as f64;
        let mut deviations: Vec<f32> = pitches
            .iter()
            .map(|p| (*p as f64 - midi).abs() as f32)
            .collect();
        let cents_sd = 148.26 * median(&mut deviations) as f64;
        let level: f64 = {
            let n = (end - first) as f64;
            let sum: f64 = self.frames[first..end]
                .iter()
                .map(|f| 10f64.powf(f.level_dbfs as f64 / 10.0))
                .sum();
            10.0 * (sum / n + 1e-12).log10()
        };
        HeardNote {
            onset_s,
            onset_se_s,
            offset_s: offset_s.max(onset_s + 0.001),
            midi,
            cents_sd,
            cents_se: cents_sd / (pitches.len() as f64 / 8.0).max(1.0).sqrt() + 0.3,
            level_dbfs: level,
            tongued,
            confidence,
            candidates: vec![PitchCandidate {
                midi,
                probability: 0.98,
            }],
        }
    }
}

#[allow(unused)]
fn seconds(maker: &NoteMaker, frame: usize) -> f64 {
    maker.frame_s(frame)
}
