//! One-to-one matching of two lists of notes.

/// The largest one-to-one matching between `0..n_reference` and the estimates that `allowed`
/// lists for each (augmenting paths; Kuhn 1955). Returns pairs (reference, estimate).
///
/// The matching mir_eval's note metrics ask for: as many pairs as can be had.
pub fn maximum(n_estimates: usize, allowed: &[Vec<usize>]) -> Vec<(usize, usize)> {
    let mut owner: Vec<Option<usize>> = vec![None; n_estimates];
    for reference in 0..allowed.len() {
        let mut seen = vec![false; n_estimates];
        augment(reference, allowed, &mut owner, &mut seen);
    }
    let mut pairs: Vec<(usize, usize)> = owner
        .iter()
        .enumerate()
        .filter_map(|(estimate, reference)| reference.map(|r| (r, estimate)))
        .collect();
    pairs.sort_unstable();
    pairs
}

fn augment(
    reference: usize,
    allowed: &[Vec<usize>],
    owner: &mut [Option<usize>],
    seen: &mut [bool],
) -> bool {
    for &estimate in &allowed[reference] {
        if seen[estimate] {
            continue;
        }
        seen[estimate] = true;
        let free = match owner[estimate] {
            None => true,
            Some(other) => augment(other, allowed, owner, seen),
        };
        if free {
            owner[estimate] = Some(reference);
            return true;
        }
    }
    false
}
