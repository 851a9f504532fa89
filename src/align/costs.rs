//! What every reading of a heard note costs: natural log-likelihoods, the same for the search
//! and for the confidence that follows it.

use super::expected::{Expected, NONE};
use super::model;
use super::sound::Sound;
use super::tempo::Tempo;

/// A take laid against a line. Without `tempo`, pitch and order alone decide.
pub struct Costs<'a> {
    pub expected: &'a Expected,
    pub sounds: &'a [Sound],
    pub tempo: Option<&'a Tempo>,
}

impl Costs<'_> {
    /// Heard note `j` is line note `i`.
    pub fn matched(&self, j: usize, i: usize) -> f32 {
        let (sound, note) = (&self.sounds[j], &self.expected.notes[i]);
        sound.matched[note.pitch] + self.length(j, i)
    }

    /// How well the length of heard note `j` suits line note `i`.
    pub fn length(&self, j: usize, i: usize) -> f32 {
        let (sound, note) = (&self.sounds[j], &self.expected.notes[i]);
        let Some(tempo) = self.tempo.filter(|_| !note.grace) else {
            return 0.0;
        };
        let written = note.log_quarters + tempo.log_seconds_per_quarter[j];
        let short = sound.log_duration - written - model::SHORTEST_SHARE_LOG;
        if short < 0.0 {
            model::deviation_cost(short, model::LENGTH_SD)
        } else {
            0.0
        }
    }

    /// Heard note `j` is an extra sound after line note `i`: after a matched note, after another extra.
    pub fn extra(&self, j: usize, i: usize) -> (f32, f32) {
        let sound = &self.sounds[j];
        if self.expected.in_ornament(i, sound.midi) || self.expected.in_ornament(i + 1, sound.midi)
        {
            (
                sound.extra.max(sound.ornamental),
                sound.extra_again.max(sound.ornamental),
            )
        } else {
            (sound.extra, sound.extra_again)
        }
    }

    /// Time between heard note `last` as line note `from` and heard note `j` as line note `to`.
    pub fn time(&self, last: u32, from: usize, j: usize, to: usize) -> f32 {
        let Some(tempo) = self.tempo else { return 0.0 };
        if last == NONE {
            return 0.0;
        }
        let log_tempo = tempo.log_seconds_per_quarter[j];
        let elapsed_s = self.sounds[j].onset_s - self.sounds[last as usize].onset_s;
        let (first, next) = (&self.expected.notes[from], &self.expected.notes[to]);
        let quarters = next.onset_quarters - first.onset_quarters;
        if first.grace || next.grace {
            // Graces take their time from a neighbour, from which one nobody can say.
            let longest_s = 1.5 * quarters * (log_tempo as f64).exp() + model::GRACE_S;
            return if elapsed_s > longest_s {
                model::GRACE_LATE
            } else {
                0.0
            };
        }
        let quarters_log = log_of(elapsed_s) - log_tempo;
        let kept = model::deviation_cost(quarters_log - log_of(quarters), model::RHYTHM_SD);
        if to == from + 1 {
            return kept;
        }
        let step = self.expected.notes[from + 1].onset_quarters - first.onset_quarters;
        let collapsed = model::deviation_cost(quarters_log - log_of(step), model::RHYTHM_SD);
        kept.max(model::TIME_COLLAPSED + collapsed)
    }
}

/// Natural log of seconds or quarters; a millisecond (or its like) is the least.
pub fn log_of(length: f64) -> f32 {
    length.max(1e-3).ln() as f32
}
