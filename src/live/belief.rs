//! What is believed of the player's place: a forward filter over the positions of the line.

use crate::align::expected::Expected;
use crate::align::model;

/// Pairs of notes that vote on the tempo, and how many it takes at least.
pub(super) const TEMPO_PAIRS: usize = 8;
const TEMPO_PAIRS_MIN: usize = 3;

/// Pairs this near to each other share a tempo, natural log of seconds a quarter.
const TEMPO_NEAR: f64 = 0.3;

/// Steps that a pace rests on at the most; how many one slip takes away; and how many it needs to
/// be half as sure as one that is known.
const PACE_STEPS: f64 = 8.0;
const PACE_SLIP_STEPS: f64 = 1.0;
const PACE_PRIOR_STEPS: f64 = 0.5;

/// Spread of the time of a note with a shake: what comes sooner is one of its own strokes.
const SHAKEN_SD: f64 = 0.07;

/// Steps that are a stop or a stumble, of any length, and steps that are hurried. With more stops
/// a note of a row that was not heard is taken for a stop of just its time. Fewer than in
/// [`model`]: what comes after, which would settle it, is not heard yet.
const STUMBLES: f64 = 0.03;
const HURRIES: f64 = 0.05;

/// Share of the jumps that keep the beat, and how much less likely with its time (natural log,
/// more or less than the note's own) another is: who has stopped may play on as well.
const JUMPS_IN_TIME: f64 = 0.5;
const JUMP_OFF: f64 = 0.3;

/// A player's own share of stops: that one is worth as many steps; what a step still counts after
/// the next; and no more than this, after a silence.
const STOPS_PRIOR_STEPS: f64 = 10.0;
const STOPS_KEPT: f64 = 0.97;
const STOPS_MAX: f64 = 0.5;

/// How much likelier the alignment's place becomes, and what it has at the least before: it has
/// heard what came after, and yet a note or two may be found to be a jump later.
const PUT_RIGHT: f64 = 50.0;
const PUT_RIGHT_FROM: f64 = 0.05;

/// A note as the filter takes it.
#[derive(Clone, Debug)]
pub(super) struct Note {
    pub(super) onset_s: f64,
    pub(super) midi: f64,
    pub(super) silence_s: f64,
    /// It is of the pitch that sounded before it.
    pub(super) goes_on: bool,
    pub(super) confidence: f64,
    /// Where it has only begun and its pitch sounded already: see [`super::quick::Begun`].
    pub(super) again: Option<f64>,
    /// Pitches it offers, fractional MIDI at A4 = 440 Hz, each with its probability; and the
    /// standard error of the first, semitones.
    pub(super) offers: Vec<(f64, f64)>,
    pub(super) pitch_se_semitones: f64,
}

/// How fast the playing is that led to a place.
#[derive(Clone, Copy, Default)]
struct Pace {
    /// Natural log of the seconds of a quarter.
    log_quarter_s: f64,
    /// Steps that speak for it, up to `PACE_STEPS`; none: not known.
    n_steps: f64,
    /// The newest steps of known pace, each counting less with every one since, and the stops among
    /// them.
    n_paced: f64,
    n_stops: f64,
}

impl Pace {
    /// Share of the steps that are stops, as this player has them.
    fn stumbles(self) -> f64 {
        (STUMBLES * STOPS_PRIOR_STEPS + self.n_stops) / (STOPS_PRIOR_STEPS + self.n_paced)
    }

    /// Likelihood of a step of that many quarters and seconds (natural logs), against any time.
    /// Its spread when in time is `sd`, natural log; `stops` is the share of stops among the steps.
    fn likelihood(self, log_quarters: f64, log_s: f64, sd: f64, stops: f64) -> f64 {
        if self.n_steps < 1.0 {
            return 1.0;
        }
        let off = log_s - log_quarters - self.log_quarter_s;
        let out_of_time = if off < 0.0 { HURRIES } else { stops };
        (1.0 - out_of_time) * self.in_time(off, sd) + out_of_time * (-off.abs()).exp()
    }

    /// … of a jump after a note of that many quarters.
    fn jump_likelihood(self, log_quarters: f64, log_s: f64) -> f64 {
        if self.n_steps < 1.0 {
            return 1.0;
        }
        let off = log_s - log_quarters - self.log_quarter_s;
        let in_time = self.in_time(off, f64::from(model::RHYTHM_SD));
        JUMPS_IN_TIME * in_time + (1.0 - JUMPS_IN_TIME) * (-JUMP_OFF * off.abs()).exp()
    }

    /// … of one that is meant to be in time and is off by that much, natural log.
    fn in_time(self, off: f64, sd: f64) -> f64 {
        let known = self.n_steps / (self.n_steps + PACE_PRIOR_STEPS);
        let sds = off * known.sqrt() / sd;
        (known * f64::from(model::ON_TIME) - 0.5 * sds * sds).exp()
    }

    /// The pace after such a step.
    fn after(self, log_quarters: f64, log_s: f64) -> Pace {
        let step = log_s - log_quarters;
        let off = step - self.log_quarter_s;
        if self.n_steps < 1.0 {
            return Pace {
                log_quarter_s: step,
                n_steps: 1.0,
                ..self
            };
        }
        let stops = if off > TEMPO_NEAR { 1.0 } else { 0.0 };
        let counted = Pace {
            n_paced: STOPS_KEPT * self.n_paced + 1.0,
            n_stops: STOPS_KEPT * self.n_stops + stops,
            ..self
        };
        if off.abs() > TEMPO_NEAR {
            // A slip; when they go on, the tempo is another.
            return Pace {
                n_steps: self.n_steps - PACE_SLIP_STEPS,
                ..counted
            };
        }
        let n_steps = (self.n_steps + 1.0).min(PACE_STEPS);
        Pace {
            log_quarter_s: self.log_quarter_s + off / n_steps,
            n_steps,
            ..counted
        }
    }
}

/// Probabilities after a note.
#[derive(Clone)]
pub(super) struct Belief {
    /// The last note was line note i; the last notes came after line note i and are none of it.
    pub(super) on: Vec<f64>,
    pub(super) off: Vec<f64>,
    /// The note before the last one was line note i − 1, given that the last was i.
    pub(super) came_on: Vec<f64>,
    pub(super) unstarted: f64,
    /// Onset of the last note, and of the one before it.
    pub(super) onset_s: f64,
    pub(super) before_s: f64,
    /// When line note i began, given that what came after it is none of the line.
    pub(super) off_began_s: Vec<f64>,
    /// Pace of the likeliest way to each of them.
    on_pace: Vec<Pace>,
    off_pace: Vec<Pace>,
    /// Natural log of how likely all notes so far are.
    pub(super) log_evidence: f64,
}

impl Belief {
    pub(super) fn total(&self) -> f64 {
        self.on.iter().sum::<f64>() + self.off.iter().sum::<f64>() + self.unstarted
    }

    /// Of a player of whom nothing was heard yet.
    pub(super) fn new(expected: &Expected) -> Belief {
        let n = expected.len();
        Belief {
            on: vec![0.0; n],
            off: vec![0.0; n],
            came_on: vec![0.0; n],
            unstarted: 1.0,
            onset_s: 0.0,
            before_s: 0.0,
            off_began_s: vec![0.0; n],
            on_pace: vec![Pace::default(); n],
            off_pace: vec![Pace::default(); n],
            log_evidence: 0.0,
        }
    }

    /// The belief after one more note; `midi` is its pitch at the take's tuning, `fits` its
    /// likelihood of being each of the line's pitches.
    pub(super) fn after(
        &self,
        note: &Note,
        (midi, fits): (i32, &[f64]),
        expected: &Expected,
    ) -> Belief {
        let e = |log: f32| f64::from(log).exp();
        let n = expected.len();
        let c = note.confidence;
        let ripple = (1.0 - c)
            * e(if note.goes_on {
                model::RIPPLE_SAME_PITCH
            } else {
                model::RIPPLE_OTHER_PITCH
            });
        let extra = ripple.max(c * e(model::ADDED));
        let extra_again = ripple.max(c * e(model::ADDED_AGAIN));
        let outside = ripple.max(c * e(model::OUTSIDE));
        let pause =
            e(model::PAUSE_GAIN * (note.silence_s / (note.silence_s + model::PAUSE_S)) as f32);
        let both: Vec<f64> = self.on.iter().zip(&self.off).map(|(a, b)| a + b).collect();
        let log_since = |began_s: f64| (note.onset_s - began_s).max(1e-3).ln();
        let since_on = log_since(self.onset_s);
        let left: Vec<f64> = (expected.notes.iter().zip(&self.on_pace))
            .map(|(note, pace)| {
                if note.grace {
                    1.0
                } else {
                    pace.jump_likelihood(f64::from(note.log_quarters), since_on)
                }
            })
            .zip(self.on.iter().zip(&self.off))
            .map(|(time, (on, off))| time * on + off)
            .collect();
        let jumps = jumps(&left, expected);
        let (likeliest, _) = self.likeliest();
        let mut on = vec![0.0; n];
        let mut came_on = vec![0.0; n];
        let mut on_pace = vec![self.on_pace.get(likeliest).copied().unwrap_or_default(); n];
        for (i, on) in on.iter_mut().enumerate() {
            let fit = c * fits[expected.notes[i].pitch];
            let mut comes = self.unstarted * e(start_cost(expected, i));
            comes += pause * jumps[i];
            let mut most = comes;
            for from in i.saturating_sub(1 + model::MISSED_IN_A_ROW)..i {
                let missed = e(expected.missed_between(from, i));
                let graces = expected.notes[from].grace || expected.notes[i].grace;
                let sd = if expected.notes[from].ornament.is_some() {
                    SHAKEN_SD
                } else {
                    f64::from(model::RHYTHM_SD)
                };
                let log_quarters = f64::from(expected.notes[from].log_to_later[i - from - 1]);
                let ways = [
                    (self.on[from], self.on_pace[from], since_on),
                    (
                        self.off[from],
                        self.off_pace[from],
                        log_since(self.off_began_s[from]),
                    ),
                ];
                for (k, (probability, pace, log_s)) in ways.into_iter().enumerate() {
                    // Who stops is silent, more often than not.
                    let stops = (pause * pace.stumbles()).min(STOPS_MAX);
                    let time = if graces {
                        1.0
                    } else {
                        pace.likelihood(log_quarters, log_s, sd, stops)
                    };
                    let way = missed * probability * time;
                    comes += way;
                    if way > most {
                        most = way;
                        on_pace[i] = if graces {
                            pace
                        } else {
                            pace.after(log_quarters, log_s)
                        };
                    }
                    if from + 1 == i && k == 0 {
                        came_on[i] = way;
                    }
                }
            }
            if comes > 0.0 {
                came_on[i] /= comes;
            }
            *on = comes * fit;
        }
        for &(from, to) in &expected.repeat_exits {
            let fit = c * fits[expected.notes[to].pitch];
            on[to] += both[from] * e(model::REPEAT_LEFT_OUT) * fit;
        }
        // One note more of a shake, of this note or the next, comes of itself.
        let ornamental = ripple.max(c * e(model::ORNAMENTAL));
        let shaken =
            |i: usize| expected.has_ornaments && (i..=i + 1).any(|i| expected.in_ornament(i, midi));
        let extras: Vec<(f64, f64)> = (0..n)
            .map(|i| {
                let (extra, again) = if shaken(i) {
                    (ornamental, ornamental)
                } else {
                    (extra, extra_again)
                };
                (self.on[i] * extra, self.off[i] * again)
            })
            .collect();
        let off: Vec<f64> = extras.iter().map(|(on, off)| on + off).collect();
        let (off_began_s, off_pace) = (0..n)
            .map(|i| {
                if extras[i].0 >= extras[i].1 {
                    (self.onset_s, self.on_pace[i])
                } else {
                    (self.off_began_s[i], self.off_pace[i])
                }
            })
            .unzip();
        let mut belief = Belief {
            on,
            off,
            came_on,
            unstarted: self.unstarted * outside,
            onset_s: note.onset_s,
            before_s: self.onset_s,
            off_began_s,
            on_pace,
            off_pace,
            log_evidence: self.log_evidence,
        };
        belief.log_evidence += belief.normalise().ln();
        belief
    }

    /// Makes it sum to one; what it summed to.
    fn normalise(&mut self) -> f64 {
        let total = self.total().max(1e-300);
        for p in self.on.iter_mut().chain(&mut self.off) {
            *p /= total;
        }
        self.unstarted /= total;
        total
    }

    /// Takes the probabilities of the player's place from several beliefs, each with its weight.
    pub(super) fn mix<'a>(&mut self, weighed: impl Iterator<Item = (&'a Belief, f64)>) {
        self.on.fill(0.0);
        self.off.fill(0.0);
        self.unstarted = 0.0;
        for (belief, weight) in weighed {
            let sums = [(&mut self.on, &belief.on), (&mut self.off, &belief.off)];
            for (sums, values) in sums {
                for (sum, value) in sums.iter_mut().zip(values) {
                    *sum += weight * value;
                }
            }
            self.unstarted += weight * belief.unstarted;
        }
        self.normalise();
    }

    /// The alignment is sure of these places, in order (note and onset): the last of them is that
    /// of the last note.
    pub(super) fn put_right(&mut self, places: &[(usize, f64)], expected: &Expected) {
        let Some((place, _)) = places.last() else {
            return;
        };
        self.on[*place] = self.on[*place].max(PUT_RIGHT_FROM) * PUT_RIGHT;
        self.normalise();
        // The tempo is that of the right places too.
        if let Some(pace) = pace_of(places, expected) {
            let stops = self.on_pace[*place];
            self.on_pace[*place] = Pace {
                n_paced: stops.n_paced,
                n_stops: stops.n_stops,
                ..pace
            };
        }
    }

    /// The note of the line that the last note likeliest was, and its probability.
    pub(super) fn likeliest(&self) -> (usize, f64) {
        self.on
            .iter()
            .copied()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0))
    }
}

/// Log-probability of beginning at position `i`.
fn start_cost(expected: &Expected, i: usize) -> f32 {
    let later = model::START_LATER + expected.notes[i].landing;
    if i <= model::EDGE_NOTES_MISSED {
        later.max(expected.missed_sum[i])
    } else {
        later
    }
}

/// Probability of coming to each position by a jump, from the probability of each.
fn jumps(from: &[f64], expected: &Expected) -> Vec<f64> {
    let e = |log: f32| f64::from(log).exp();
    let n = from.len();
    let mut jumps = vec![0.0; n];
    let restart = e(model::RESTART);
    let (mut few, mut near, mut far, mut bars, mut bar) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for i in (0..n).rev() {
        let note = &expected.notes[i];
        let anywhere = near + far * e(model::FAR);
        let mut back = e(model::BACK_SAME_NOTE) * from[i]
            + few * e(model::BACK_FEW + model::BACK_NOTE_FIRST)
            + anywhere * e(model::BACK_ANYWHERE + note.landing);
        if note.starts_bar {
            let within = bar + from[i] + bars * e(model::BACK_BAR_MORE);
            back += within * e(model::BACK_TO_BAR + model::BACK_BAR_FIRST);
            bars = within;
            bar = 0.0;
        } else {
            bar += from[i];
        }
        jumps[i] += restart * back;
        few = few * e(model::BACK_NOTE_MORE) + from[i];
        near = near * e(model::FARTHER_NOTE) + from[i];
        far += from[i];
    }
    let skip = e(model::SKIP);
    let (mut near, mut far, mut bars, mut bar) = (0.0, 0.0, 0.0, 0.0);
    for i in 1..n {
        let note = &expected.notes[i];
        let anywhere = near + far * e(model::FAR);
        let mut forward = anywhere * e(model::SKIP_ANYWHERE + note.landing);
        if note.starts_bar {
            let within = bars * e(model::SKIP_BAR_MORE) + bar;
            forward += within * e(model::SKIP_TO_BAR + model::SKIP_BAR_FIRST);
            bars = within + from[i - 1];
            bar = 0.0;
        } else {
            bar += from[i - 1];
        }
        jumps[i] += skip * forward;
        near = near * e(model::FARTHER_NOTE) + from[i - 1];
        far += from[i - 1];
    }
    jumps
}

/// Pace of some notes of the line: place and onset of each, in order.
fn pace_of(places: &[(usize, f64)], expected: &Expected) -> Option<Pace> {
    let mut votes: Vec<f64> = places
        .windows(2)
        .filter(|pair| pair[1].0 > pair[0].0 && pair[1].0 - pair[0].0 <= 2)
        .filter_map(|pair| {
            let at = |idx: usize| expected.notes[idx].onset_quarters;
            let quarters = at(pair[1].0) - at(pair[0].0);
            let seconds = pair[1].1 - pair[0].1;
            (quarters > 1e-3 && seconds > 0.01).then(|| (seconds / quarters).ln())
        })
        .collect();
    if votes.len() < TEMPO_PAIRS_MIN {
        return None;
    }
    votes.sort_by(f64::total_cmp);
    let middle = votes[votes.len() / 2];
    // A tempo that half of the pairs do not share is none.
    let near = votes.iter().filter(|v| (*v - middle).abs() < TEMPO_NEAR);
    let n_steps = near.count();
    (2 * n_steps > votes.len()).then_some(Pace {
        log_quarter_s: middle,
        n_steps: n_steps as f64,
        ..Pace::default()
    })
}
