//! How far the hearing of a take can be trusted, and what it then takes to accuse.
//!
//! In a ringing room or under noise notes go unheard that were played, and tails and harmonics
//! are heard as notes. How often shows in the take itself: where much is drowned, the notes that
//! are found are doubtful too. A fault is then weighed against that failure of the hearing, as
//! two causes of the same appearance. Rates were read off made takes in rooms, noise and click
//! bleed, about 100 failures each; they grow with the square of the doubt.

use super::path::Step;
use super::sound::Sound;

/// Notes of no doubt that a take is taken to have beside its own: few notes say little.
const BEFOREHAND_NOTES: f64 = 10.0;

/// Of notes played, how many go unheard, come in another register, are covered by a sound of
/// another pitch, or have a sound beside them that is none: at a mean doubt of 0.1.
const AT_DOUBT: f64 = 0.1;
const UNHEARD: f64 = 0.12;
const OTHER_REGISTER: f64 = 0.03;
const COVERED: f64 = 0.07;
const NOT_PLAYED: f64 = 0.05;

/// Above this mean doubt registers fail no more often.
const REGISTER_DOUBT_MAX: f64 = 0.1;

/// How often players do the like: rates of the performance model.
const MISSED: f64 = 1.0 / 100.0;
const WRONG: f64 = 1.0 / 60.0;
const ADDED: f64 = 1.0 / 150.0;

/// Mean doubt of the hearing about the notes of a take, 0 to 1.
#[derive(Clone, Copy, Debug)]
pub struct Doubt(f64);

impl Doubt {
    pub fn of(steps: &[Step], sounds: &[Sound]) -> Doubt {
        let total: f64 = steps
            .iter()
            .map(|step| 1.0 - sounds[step.heard_idx].confidence)
            .sum();
        Doubt(total / (steps.len() as f64 + BEFOREHAND_NOTES))
    }

    /// Probability that a note was left out, of which the alignment alone has `p`.
    pub fn missed(self, p: f64) -> f64 {
        against(p, MISSED, UNHEARD * growth(self.0))
    }

    /// The same for a note in another register.
    pub fn other_register(self, p: f64) -> f64 {
        let doubt = self.0.min(REGISTER_DOUBT_MAX);
        against(p, WRONG, OTHER_REGISTER * growth(doubt))
    }

    /// The same for another wrong note.
    pub fn wrong(self, p: f64) -> f64 {
        against(p, WRONG, COVERED * growth(self.0))
    }

    /// The same for a note too many.
    pub fn added(self, p: f64) -> f64 {
        against(p, ADDED, NOT_PLAYED * growth(self.0))
    }
}

fn growth(doubt: f64) -> f64 {
    (doubt / AT_DOUBT).powi(2)
}

/// `p` of a fault, a share of which is the hearing's own.
fn against(p: f64, fault_rate: f64, failure_rate: f64) -> f64 {
    let left = p * fault_rate / (fault_rate + failure_rate);
    // Summed so that it never rounds above 1.
    left / (left + (1.0 - p))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clear_take_keeps_its_probabilities() {
        for p in [0.0, 0.3, 0.99, 1.0] {
            assert!((Doubt(0.0).missed(p) - p).abs() < 1e-12);
            assert!((Doubt(0.0).added(p) - p).abs() < 1e-12);
        }
    }

    #[test]
    fn what_is_certain_never_rounds_above_1() {
        for n in 1..2000 {
            let doubt = Doubt(f64::from(n) / 2000.0);
            for p in [1.0, 1.0 - f64::EPSILON] {
                for left in [doubt.missed(p), doubt.other_register(p), doubt.added(p)] {
                    assert!(left <= 1.0, "{left} at {doubt:?}");
                }
            }
        }
    }

    #[test]
    fn doubt_only_ever_takes_away() {
        for doubt in [0.01, 0.1, 0.5, 1.0] {
            for p in [0.1, 0.9, 0.999] {
                let doubt = Doubt(doubt);
                for left in [doubt.missed(p), doubt.other_register(p), doubt.added(p)] {
                    assert!((0.0..p).contains(&left));
                }
            }
        }
    }
}
