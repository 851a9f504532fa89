//! Sums over many samples, taken in lanes that the processor adds at once.

/// Sums side by side: one that waits for its own last addition is slow.
const LANES: usize = 8;

/// Sum of `f` over the samples.
pub(super) fn sum_of(samples: &[f32], f: impl Fn(f32) -> f32) -> f32 {
    let mut sums = [0.0f32; LANES];
    let lanes = samples.chunks_exact(LANES);
    let rest: f32 = lanes.remainder().iter().map(|x| f(*x)).sum();
    for lane in lanes {
        for (sum, x) in sums.iter_mut().zip(lane) {
            *sum += f(*x);
        }
    }
    rest + sums.iter().sum::<f32>()
}

/// Sum of the products of each two, as far as both go.
pub(super) fn product(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().min(b.len());
    let (a, b) = (a[..n].chunks_exact(LANES), b[..n].chunks_exact(LANES));
    let rest: f32 = (a.remainder().iter().zip(b.remainder()))
        .map(|(a, b)| a * b)
        .sum();
    let mut sums = [0.0f32; LANES];
    for (a, b) in a.zip(b) {
        for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
            *sum += a * b;
        }
    }
    rest + sums.iter().sum::<f32>()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whole numbers sum exactly, whatever the order.
    #[test]
    fn no_sample_is_left_out_and_none_counted_twice() {
        for n in [0u16, 1, 7, 8, 9, 16, 33] {
            let samples: Vec<f32> = (1..=n).map(f32::from).collect();
            let n = f32::from(n);
            assert_eq!(sum_of(&samples, |x| x), n * (n + 1.0) / 2.0);
            let squares = n * (n + 1.0) * (2.0 * n + 1.0) / 6.0;
            assert_eq!(sum_of(&samples, |x| x * x), squares);
            assert_eq!(product(&samples, &samples), squares);
            assert_eq!(product(&samples, &[]), 0.0);
        }
    }
}
