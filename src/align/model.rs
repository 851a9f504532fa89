//! The performance model: how often what happens when a line is practised.
//!
//! Rates are priors of ours for a learner's take, as natural logarithms, unless a source is
//! named; the alignment depends on them only where the sound leaves a choice, because one clear
//! note speaks with a factor of a hundred or more.

/// One note in 60 comes as another pitch.
pub const WRONG: f32 = -4.1;
/// One note in 100 is left out: fingers err more often than they rest.
pub const MISSED: f32 = -4.6;
/// The second of two equal notes runs into the first more often than a note is left out.
pub const REPEATED_MERGED: f32 = -3.6;
/// A grace note is left out, or too short to be heard, one time in three.
pub const GRACE_LEFT_OUT: f32 = -1.1;
/// One note in 150 is followed by one too many, whose pitch is one in ten.
pub const ADDED: f32 = -7.3;
/// After one note too many the next comes more easily: noodling, talk.
pub const ADDED_AGAIN: f32 = -4.5;
/// A sound before the first or after the last note of the playing (talk, tuning, warming up)
/// has any of some thirty pitches, and most takes have none.
pub const OUTSIDE: f32 = -4.0;
/// A ripple, tail or blip comes at any of a handful of pitches; one that goes on with the pitch
/// before it is the commonest.
pub const RIPPLE_OTHER_PITCH: f32 = -1.5;
pub const RIPPLE_SAME_PITCH: f32 = -0.5;
/// One extra note of a written ornament.
pub const ORNAMENTAL: f32 = -0.3;
/// Furthest note of a trill, mordent or turn from the main note, semitones (an augmented second).
pub const ORNAMENT_REACH_SEMITONES: i32 = 3;
/// Furthest second note of a tremolo, semitones.
pub const TREMOLO_REACH_SEMITONES: i32 = 12;

/// A player breaks off and goes back once in 110 notes.
pub const RESTART: f32 = -4.7;
/// Shares of the places gone back to: a few notes, the start of a bar, anywhere.
pub const BACK_FEW: f32 = -0.9;
pub const BACK_TO_BAR: f32 = -0.8;
pub const BACK_ANYWHERE: f32 = -1.6;
/// A jump to anywhere is a little less likely with every note it passes, down to a floor: of two
/// places with the same music the nearer one was meant.
pub const FARTHER_NOTE: f32 = -0.02;
pub const FAR: f32 = -1.5;
/// Going back by few notes: each further note, and each further bar, is less likely.
pub const BACK_NOTE_FIRST: f32 = -1.2;
pub const BACK_NOTE_MORE: f32 = -0.3;
pub const BACK_BAR_FIRST: f32 = -0.9;
pub const BACK_BAR_MORE: f32 = -0.5;
/// Playing the same note again is mostly a note added, seldom a restart.
pub const BACK_SAME_NOTE: f32 = -3.0;
/// After a jump more than one note is played before the next, most often.
pub const ONE_NOTE_TRY: f32 = -1.5;
/// A jump forward once in 400 notes.
pub const SKIP: f32 = -6.0;
pub const SKIP_TO_BAR: f32 = -0.6;
pub const SKIP_ANYWHERE: f32 = -0.8;
pub const SKIP_BAR_FIRST: f32 = -0.9;
pub const SKIP_BAR_MORE: f32 = -0.5;
/// One repeat in eight is not taken.
pub const REPEAT_LEFT_OUT: f32 = -2.1;
/// Later passes through one bar that are looked at for a way past a repeat.
pub const REPEAT_EXITS_MAX: usize = 4;
/// The take begins somewhere else than at the first note of the line.
pub const START_LATER: f32 = -3.0;
/// The take ends before the line does: one take in twenty, at one of some hundred notes.
pub const END_EARLIER: f32 = -8.0;
/// Notes at the very start or end of the line up to which they count as missed, not as not reached.
pub const EDGE_NOTES_MISSED: usize = 2;

/// Weights of the places a player starts at, relative to a note in mid-beat.
pub const LAND_ON_START: f64 = 30.0;
pub const LAND_ON_BAR: f64 = 8.0;
pub const LAND_AFTER_BREAK: f64 = 5.0;
pub const LAND_ON_BEAT: f64 = 2.0;

/// A silence before a note makes a jump more likely, up to this log-factor, growing over this time.
pub const PAUSE_GAIN: f32 = 3.0;
pub const PAUSE_S: f64 = 0.6;

/// Half of the jumps are made without losing the beat: the note before lasts its time.
pub const JUMP_IN_TEMPO: f32 = -0.7;
/// One note in thirty that is played after a jump begins without a new tongue, or so it is heard.
pub const START_UNTONGUED: f32 = -3.5;

/// Notes in a row that can be left out without it being a jump.
pub const MISSED_IN_A_ROW: usize = 4;

/// Confidence of hearing is never taken for more certain than this.
pub const CONFIDENCE_MIN: f64 = 0.002;
pub const CONFIDENCE_MAX: f64 = 0.998;

/// Pitch within this distance of the nearest semitone says nothing against it, semitones.
pub const IN_TUNE_SEMITONES: f64 = 0.2;
/// Beyond it, standard deviation of a player's intonation, semitones: throat notes and altissimo
/// of a student sit 30 to 50 cents off without being another note.
pub const OUT_OF_TUNE_SEMITONES: f64 = 0.15;
/// Exponent that turns shares of the evidence for a pitch into probabilities: a candidate at one
/// quarter of the best is not chosen on expectation alone.
pub const CANDIDATE_SHARPNESS: f64 = 5.0;

/// Log-probability of a wrong note's distance from the written one.
pub fn wrong_interval(semitones: i32) -> f32 {
    match semitones.abs() {
        1 => -1.6,
        2 => -2.1,
        3 | 4 | 5 | 7 => -3.2,
        12 | 19 => -2.8,
        _ => -4.5,
    }
}

/// After so many notes on end in another octave or at the twelfth the next mostly comes there too.
pub const SAME_REGISTER_AFTER: usize = 2;
pub const SAME_REGISTER: f32 = -1.0;

/// Standard deviation of the natural logarithm of an interval between onsets about what the
/// tempo says: uneven fingers, a fault of a third of the note included in the tails.
pub const RHYTHM_SD: f32 = 0.2;
/// Most that a wildly mistimed note costs: pitch alone must suffice where timing is free.
pub const RHYTHM_CAP: f32 = 4.0;
/// A note is seldom shorter than this share of what is usual in the take (0.37, natural log):
/// staccato among legato; less speaks for a blip.
pub const SHORTEST_SHARE_LOG: f32 = -1.0;
pub const LENGTH_SD: f32 = 0.4;
/// A sound up to the first length between notes is no note (contract), from the second on it is; seconds.
pub const TRANSITION_S: f64 = 0.025;
pub const NOTE_S: f64 = 0.040;
/// What a sound of no more than [`TRANSITION_S`] pays for being taken as a note.
pub const TOO_SHORT: f32 = -4.0;
/// Within so many of these deviations (15 %) notes left out kept their time; a pause is seldom
/// as exact.
pub const KEPT_SDS: f32 = 0.75;
/// What coming on time is worth: log-density of a normal with a standard deviation of 0.12 at its
/// peak, against any time within a factor e. Most notes are that steady; the wider [`RHYTHM_SD`]
/// forgives the others.
pub const ON_TIME: f32 = 1.2;
/// Steps that are a stop or a stumble, and steps that are hurried: a learner's. With more stops a
/// note left out, or not heard, is taken for a stop of just its time.
pub const STUMBLES: f32 = 0.1;
pub const HURRIES: f32 = 0.3;
/// No more than half of the steps after a silence are stops.
pub const STOPS_MAX: f32 = -0.7;
/// Leaving a note out without leaving its time, against waiting for it.
pub const TIME_COLLAPSED: f32 = -0.7;
/// Longest time a grace note takes, seconds (common practice; slow appoggiaturas set aside).
pub const GRACE_S: f64 = 0.3;
pub const GRACE_LATE: f32 = -1.5;

/// Log-likelihood of a log-ratio with standard deviation `sd`: Gaussian near its peak of 0,
/// levelling off at [`RHYTHM_CAP`].
pub fn deviation_cost(log_ratio: f32, sd: f32) -> f32 {
    let x = log_ratio * log_ratio / (2.0 * sd * sd);
    -RHYTHM_CAP * x / (x + RHYTHM_CAP)
}

/// Log-likelihood that a step comes that much later than the tempo says, natural log, against any
/// time within a factor e: in time, or a stop or a stumble of any length, or hurried. Who stops is
/// silent, as who breaks off: `pause_gain` speaks for both alike.
pub fn step_cost(off: f32, pause_gain: f32) -> f32 {
    let in_time = ON_TIME - off * off / (2.0 * RHYTHM_SD * RHYTHM_SD);
    let out_of_time = if off < 0.0 {
        (0.5 * HURRIES).ln()
    } else {
        ((0.5 * STUMBLES).ln() + pause_gain).min(STOPS_MAX)
    };
    in_time.max(out_of_time - off.abs())
}

/// Log-cost of taking a sound of `seconds` for a note on purpose.
pub fn shortness_cost(seconds: f64) -> f32 {
    TOO_SHORT * ((NOTE_S - seconds) / (NOTE_S - TRANSITION_S)).clamp(0.0, 1.0) as f32
}

/// How much likelier a note added by a player is to lie this far from its nearest neighbour than
/// a noise is: fingers slip to near notes, blips, ringing and knocks have any pitch.
pub fn added_against_noise(semitones: i32) -> f64 {
    match semitones.abs() {
        0..=4 => 1.0,
        5..=9 => 0.5,
        10..=16 => 0.15,
        _ => 0.05,
    }
}
