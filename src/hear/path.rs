//! A path through the frames' candidates, so that octave and twelfth errors of single
//! frames die (Viterbi decoding with a fixed look-ahead; costs after Boersma 1993, eq. 24-27).

use super::frames::{CANDIDATES_MAX, Frame, FramePitch};

/// Preference for the shorter period, a unit of strength per octave. A period and its
/// double both repeat the wave; without it subharmonics win. Published trackers on
/// clarinet sound make fewest octave and twelfth errors between 0.05 and 0.1.
const OCTAVE_COST: f32 = 0.07;

/// Octaves over a pitch that the preference is counted for: fourth and higher partials that
/// outdo their fundamental are a formant's (a bassoon's fifth), not an undertone's octave.
const OCTAVES_PREFERRED_MAX: f32 = 1.0;

/// A lower pitch stronger by this repeats the wave better than chance makes it seem.
const PARTIAL_MARGIN: f32 = 0.04;

/// Strength below which silence explains the frame better than a pitch.
const VOICING_STRENGTH: f32 = 0.50;

/// Cost of a new pitch, in frame strengths of 10 ms each.
const JUMP_COST: f32 = 0.12;

/// Cost of beginning or ending a pitched stretch.
const VOICING_COST: f32 = 0.10;

/// Pitch changes below this are the same note's own movement.
const SAME_NOTE_SEMITONES: f32 = 0.6;

/// Frames the decoder looks ahead before it settles one.
const LOOK_AHEAD_S: f64 = 0.08;

/// What the path took for a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PathPoint {
    /// Fractional MIDI number at A4 = 440 Hz; `None` in silence and noise.
    pub midi: Option<f32>,
    pub strength: f32,
}

#[derive(Clone, Copy, Default)]
struct Step {
    /// Midi of each state; state 0 is silence.
    midi: [f32; CANDIDATES_MAX + 1],
    strength: [f32; CANDIDATES_MAX + 1],
    from: [u8; CANDIDATES_MAX + 1],
    n: u8,
}

/// Streaming decoder: one frame in, a settled point out once the look-ahead is full.
pub struct PathFinder {
    look_ahead: usize,
    frame_weight: f32,
    low_hz: f32,
    quiet_dbfs: f32,
    steps: std::collections::VecDeque<Step>,
    cost: [f32; CANDIDATES_MAX + 1],
}

impl PathFinder {
    /// `hop_s` seconds between frames; frames below `quiet_dbfs` count as silence.
    pub fn new(hop_s: f64, low_hz: f64, quiet_dbfs: f64) -> PathFinder {
        PathFinder {
            look_ahead: (LOOK_AHEAD_S / hop_s).ceil() as usize,
            frame_weight: (hop_s / 0.010) as f32,
            low_hz: low_hz as f32,
            quiet_dbfs: quiet_dbfs as f32,
            steps: std::collections::VecDeque::new(),
            cost: [0.0; CANDIDATES_MAX + 1],
        }
    }

    /// Level below which the next frames are silence, dB re full scale.
    pub fn set_quiet_dbfs(&mut self, quiet_dbfs: f64) {
        self.quiet_dbfs = quiet_dbfs as f32;
    }

    pub fn push(&mut self, frame: &Frame, settled: &mut Vec<PathPoint>) {
        let mut step = Step {
            n: 1,
            ..Step::default()
        };
        let mut own = [0.0f32; CANDIDATES_MAX + 1];
        own[0] = -VOICING_STRENGTH;
        if frame.level_dbfs > self.quiet_dbfs {
            for pitch in frame.pitches() {
                let state = step.n as usize;
                step.midi[state] = 69.0 + 12.0 * (pitch.f0_hz / 440.0).log2();
                step.strength[state] = pitch.strength;
                own[state] = -(pitch.strength + self.bonus(pitch, frame));
                step.n += 1;
            }
        }
        let mut cost = [f32::INFINITY; CANDIDATES_MAX + 1];
        match self.steps.back() {
            None => {
                for s in 0..step.n as usize {
                    cost[s] = own[s] * self.frame_weight;
                }
            }
            Some(last) => {
                for s in 0..step.n as usize {
                    for from in 0..last.n as usize {
                        let change = match (from, s) {
                            (0, 0) => 0.0,
                            (0, _) | (_, 0) => VOICING_COST,
                            _ => {
                                let semitones = (step.midi[s] - last.midi[from]).abs();
                                if semitones < SAME_NOTE_SEMITONES {
                                    0.05 * semitones
                                } else {
                                    JUMP_COST
                                }
                            }
                        };
                        let total = self.cost[from] + change;
                        if total < cost[s] {
                            cost[s] = total;
                            step.from[s] = from as u8;
                        }
                    }
                    cost[s] += own[s] * self.frame_weight;
                }
            }
        }
        // Kept small: only differences matter.
        let least = cost.iter().copied().fold(f32::INFINITY, f32::min);
        for c in &mut cost {
            *c -= least;
        }
        self.cost = cost;
        self.steps.push_back(step);
        if self.steps.len() > self.look_ahead {
            settled.push(self.settle_first());
            self.steps.pop_front();
        }
    }

    /// Bounded bonus for height, zero in the middle of the range, so that voicing is decided
    /// by strength alone.
    fn bonus(&self, pitch: &FramePitch, frame: &Frame) -> f32 {
        let of = |f0_hz: f32| OCTAVE_COST * ((f0_hz / self.low_hz).log2() - 2.0);
        let is_partial_of = |lower: &&FramePitch| {
            let multiple = pitch.f0_hz / lower.f0_hz;
            lower.strength > pitch.strength + PARTIAL_MARGIN
                && multiple > 3.5
                && (multiple / multiple.round()).log2().abs() < SAME_NOTE_SEMITONES / 12.0
        };
        let lower = frame.pitches().iter().filter(is_partial_of);
        lower
            .map(|lower| of(lower.f0_hz) + OCTAVE_COST * OCTAVES_PREFERRED_MAX)
            .fold(of(pitch.f0_hz), f32::min)
    }

    pub fn finish(&mut self, settled: &mut Vec<PathPoint>) {
        while !self.steps.is_empty() {
            settled.push(self.settle_first());
            self.steps.pop_front();
        }
    }

    fn settle_first(&self) -> PathPoint {
        let last = self.steps.back().expect("called with at least one step");
        let mut state = (0..last.n as usize)
            .min_by(|a, b| self.cost[*a].total_cmp(&self.cost[*b]))
            .expect("silence is always a state");
        for step in self.steps.iter().skip(1).rev() {
            state = step.from[state] as usize;
        }
        let first = &self.steps[0];
        PathPoint {
            midi: (state > 0).then(|| first.midi[state]),
            strength: first.strength[state],
        }
    }
}
