//! Kinds of click told apart by what sounds at their places: an accent that comes again every
//! few beats.
//!
//! Loud beeps begin and end with a splash in which every band stands out, so that an accent and
//! a beat seem alike as ticks; and what is the mean of both frees the sound of neither.

/// An accent comes again after so many places.
const EVERY: std::ops::RangeInclusive<i64> = 2..=8;

/// Two kinds lie apart by so many times what the places of a kind differ among themselves (the
/// ratio of an analysis of variance, over all cells).
const APART: f64 = 4.0;

/// How often each place is given to the kind that it is nearest to.
const ROUNDS: usize = 3;

/// What sounds at one place.
pub struct Heard {
    pub place: i64,
    /// One over the power of the music about it.
    pub weight: f64,
    /// Amplitudes over time and frequency.
    pub cells: Vec<f32>,
}

/// Which of the places have another click than most; `None` where all are alike. Of each kind
/// there are `least` or more.
pub fn others(heard: &[Heard], least: usize) -> Option<Vec<bool>> {
    let enough = |other: &[bool]| {
        let n = other.iter().filter(|o| **o).count();
        n >= least && heard.len() - n >= least
    };
    let splits = EVERY.flat_map(|every| (0..every).map(move |at| (every, at)));
    let by_place = |(every, at)| -> Vec<bool> {
        let is_at = |h: &Heard| h.place.rem_euclid(every) == at;
        heard.iter().map(is_at).collect()
    };
    let (mut apart, mut other) = splits
        .map(by_place)
        .filter(|other| enough(other))
        .map(|other| (apart(heard, &other), other))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    // A grid may have a place more or less before an accent.
    for _ in 0..ROUNDS {
        let means = [false, true].map(|kind| mean(heard, &other, kind));
        let nearer = |h: &Heard| distance(&h.cells, &means[1]) < distance(&h.cells, &means[0]);
        let moved: Vec<bool> = heard.iter().map(nearer).collect();
        let moved_apart = self::apart(heard, &moved);
        if !enough(&moved) || moved_apart <= apart {
            break;
        }
        (apart, other) = (moved_apart, moved);
    }
    (apart >= APART).then_some(other)
}

/// By how much two kinds lie apart.
fn apart(heard: &[Heard], other: &[bool]) -> f64 {
    let means = [false, true].map(|kind| mean(heard, other, kind));
    let mut weights = [0.0, 0.0];
    let mut within = 0.0;
    for (h, other) in heard.iter().zip(other) {
        let kind = usize::from(*other);
        weights[kind] += h.weight;
        within += h.weight * distance(&h.cells, &means[kind]);
    }
    let between = weights[0] * weights[1] / (weights[0] + weights[1]);
    let free = heard.len().saturating_sub(2).max(1) as f64;
    between * distance(&means[0], &means[1]) / (within / free).max(1e-12)
}

/// Mean cells of the places that are others, or of those that are not.
fn mean(heard: &[Heard], other: &[bool], kind: bool) -> Vec<f32> {
    let n_cells = heard.first().map_or(0, |h| h.cells.len());
    let mut sums = vec![0.0f64; n_cells];
    let mut weights = 0.0;
    for (h, _) in heard.iter().zip(other).filter(|(_, o)| **o == kind) {
        weights += h.weight;
        let with_cells = sums.iter_mut().zip(&h.cells);
        with_cells.for_each(|(sum, cell)| *sum += h.weight * f64::from(*cell));
    }
    sums.iter().map(|sum| (sum / weights) as f32).collect()
}

/// Sum of squared differences.
fn distance(a: &[f32], b: &[f32]) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| f64::from((a - b).powi(2)));
    squares.sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sound::voice::Rng;

    /// Sixteen places with noise in two hundred cells; every fourth has an accent in another cell.
    fn places(accent: f32) -> Vec<Heard> {
        let mut rng = Rng::new(3);
        (0..16)
            .map(|place| {
                let mut cells: Vec<f32> = (0..200).map(|_| rng.between(0.0, 0.3) as f32).collect();
                cells[if place % 4 == 1 { 4 } else { 2 }] += 3.0 * accent;
                cells[if place % 4 == 1 { 2 } else { 4 }] += 3.0 * (1.0 - accent);
                Heard {
                    place,
                    weight: 1.0,
                    cells,
                }
            })
            .collect()
    }

    #[test]
    fn every_fourth_is_another() {
        let other = others(&places(1.0), 3).expect("two kinds");
        let which: Vec<usize> = (0..16).filter(|i| other[*i]).collect();
        assert_eq!(which, [1, 5, 9, 13]);
    }

    #[test]
    fn where_all_are_alike_there_is_one_kind() {
        assert_eq!(others(&places(0.5), 3), None);
        assert_eq!(others(&[], 3), None);
    }
}
