//! The few statistics that judging needs.

/// Standard normal quantile for a two-sided 95 % interval.
pub const Z_TWO_SIDED_95: f64 = 1.959_963_985;
/// Standard normal quantile for a one-sided 95 % bound.
pub const Z_ONE_SIDED_95: f64 = 1.644_853_627;
/// Makes a median absolute deviation estimate a normal standard deviation: 1/Φ⁻¹(3/4).
const MAD_TO_SD: f64 = 1.482_602_219;
/// Huber's tuning constant: 95 % efficient on normal data (Huber, Robust Statistics, 1981).
const HUBER_K: f64 = 1.345;
/// Rounds of reweighting; the weights settle well before.
const HUBER_ROUNDS: usize = 12;

/// 95 % Wilson score interval of `hits` in `n` (Wilson, JASA 22 (1927) 209); `None` for n = 0.
pub fn wilson_95(hits: usize, n: usize) -> Option<(f64, f64)> {
    if n == 0 {
        return None;
    }
    let (n, z2) = (n as f64, Z_TWO_SIDED_95 * Z_TWO_SIDED_95);
    let p = hits as f64 / n;
    let centre = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = Z_TWO_SIDED_95 / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    // Its own share lies within, whatever rounding does.
    Some(((centre - half).clamp(0.0, p), (centre + half).clamp(p, 1.0)))
}

/// Median; `None` of nothing.
pub fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mid = sorted.len() / 2;
    Some(if sorted.len() % 2 == 1 {
        sorted[mid]
    } else {
        (sorted[mid - 1] + sorted[mid]) / 2.0
    })
}

/// Robust standard deviation about the median; 0 of fewer than two values.
pub fn robust_sd(values: &[f64]) -> f64 {
    let Some(centre) = median(values) else {
        return 0.0;
    };
    let distances: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    MAD_TO_SD * median(&distances).unwrap_or(0.0)
}

pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Standard deviation with n − 1; 0 of fewer than two values.
pub fn sd(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let m = mean(values);
    (values.iter().map(|v| (v - m) * (v - m)).sum::<f64>() / (values.len() - 1) as f64).sqrt()
}

/// Huber's weight of a residual at a given scale: 1 in the middle, falling off outside.
pub fn huber_weight(residual: f64, scale: f64) -> f64 {
    let limit = HUBER_K * scale;
    if residual.abs() <= limit {
        1.0
    } else {
        limit / residual.abs()
    }
}

/// Weight of a point with error `se` among points that scatter by `scatter` anyway.
pub fn sureness(se: f64, scatter: f64) -> f64 {
    1.0 / (1.0 + (se / scatter).powi(2))
}

/// Huber's estimate of location; `scale_floor` keeps tidy data from being weighted at all.
pub fn robust_mean(values: &[f64], scale_floor: f64) -> Option<f64> {
    let mut centre = median(values)?;
    let scale = robust_sd(values).max(scale_floor);
    for _ in 0..HUBER_ROUNDS {
        let (mut sum, mut weight) = (0.0, 0.0);
        for v in values {
            let w = huber_weight(v - centre, scale);
            sum += w * v;
            weight += w;
        }
        centre = sum / weight;
    }
    Some(centre)
}

/// A straight line y = `at_zero` + `slope`·x with the weights its points had.
#[derive(Clone, Debug)]
pub struct LineFit {
    pub slope: f64,
    pub at_zero: f64,
    weights: Vec<f64>,
    weight_sum: f64,
    x_mean: f64,
    x_spread: f64,
}

impl LineFit {
    /// Weighted least squares; `None` with fewer than two different x.
    pub fn weighted(x: &[f64], y: &[f64], weights: Vec<f64>) -> Option<LineFit> {
        let weight_sum: f64 = weights.iter().sum();
        let over = |values: &[f64]| -> f64 {
            values.iter().zip(&weights).map(|(v, w)| v * w).sum::<f64>() / weight_sum
        };
        let (x_mean, y_mean) = (over(x), over(y));
        let (mut x_spread, mut xy) = (0.0, 0.0);
        for i in 0..x.len() {
            x_spread += weights[i] * (x[i] - x_mean) * (x[i] - x_mean);
            xy += weights[i] * (x[i] - x_mean) * (y[i] - y_mean);
        }
        (x_spread > 1e-12).then(|| LineFit {
            slope: xy / x_spread,
            at_zero: y_mean - xy / x_spread * x_mean,
            weights,
            weight_sum,
            x_mean,
            x_spread,
        })
    }

    /// Ordinary least squares; `None` with fewer than two different x.
    pub fn least_squares(x: &[f64], y: &[f64]) -> Option<LineFit> {
        Self::weighted(x, y, vec![1.0; x.len()])
    }

    /// Least squares with Huber weights, from a start through the median slope so that one
    /// point far off cannot hide itself. `scale_floor` (unit of y): residuals of this size
    /// and less count in full, so that tidy data give ordinary least squares; points whose
    /// own error `y_se` is larger than it count for less from the start.
    pub fn robust(x: &[f64], y: &[f64], y_se: &[f64], scale_floor: f64) -> Option<LineFit> {
        let sureness: Vec<f64> = y_se.iter().map(|se| sureness(*se, scale_floor)).collect();
        if x.len() < 4 {
            return Self::weighted(x, y, sureness);
        }
        let mut slopes = Vec::new();
        for i in 0..x.len() {
            for j in i + 1..x.len() {
                if (x[j] - x[i]).abs() > 1e-9 {
                    slopes.push((y[j] - y[i]) / (x[j] - x[i]));
                }
            }
        }
        let mut slope = median(&slopes)?;
        let levels: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
        let mut at_zero = median(&levels)?;
        let residuals: Vec<f64> = levels.iter().map(|l| l - at_zero).collect();
        let scale = robust_sd(&residuals).max(scale_floor);
        let mut fit = None;
        for _ in 0..HUBER_ROUNDS {
            let weights = x
                .iter()
                .zip(y)
                .zip(&sureness)
                .map(|((x, y), sure)| sure * huber_weight(y - at_zero - slope * x, scale))
                .collect();
            let next = Self::weighted(x, y, weights)?;
            (slope, at_zero) = (next.slope, next.at_zero);
            fit = Some(next);
        }
        fit
    }

    /// [`LineFit::robust`] for long data: starts from least squares, so its cost is linear.
    pub fn robust_sparse(x: &[f64], y: &[f64], scale_floor: f64) -> Option<LineFit> {
        let mut fit = Self::least_squares(x, y)?;
        for _ in 0..HUBER_ROUNDS {
            let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - fit.at(*x)).collect();
            let scale = robust_sd(&residuals).max(scale_floor);
            let weights = residuals.iter().map(|r| huber_weight(*r, scale)).collect();
            fit = Self::weighted(x, y, weights)?;
        }
        Some(fit)
    }

    pub fn at(&self, x: f64) -> f64 {
        self.at_zero + self.slope * x
    }

    /// Error of `at(x)` when point i has the error `point_se[i]`.
    pub fn at_se(&self, x: f64, points: &[f64], point_se: &[f64]) -> f64 {
        let mut variance = 0.0;
        for (i, se) in point_se.iter().enumerate() {
            let share = self.weights[i]
                * (1.0 / self.weight_sum
                    + (x - self.x_mean) * (points[i] - self.x_mean) / self.x_spread);
            variance += share * share * se * se;
        }
        variance.sqrt()
    }

    /// Error of the slope when point i has the error `point_se[i]`.
    pub fn slope_se(&self, points: &[f64], point_se: &[f64]) -> f64 {
        let mut variance = 0.0;
        for (i, se) in point_se.iter().enumerate() {
            let share = self.weights[i] * (points[i] - self.x_mean) / self.x_spread;
            variance += share * share * se * se;
        }
        variance.sqrt()
    }

    /// Share of point `i` in its own fitted value, 0 to 1.
    pub fn leverage(&self, i: usize, x: f64) -> f64 {
        self.weights[i]
            * (1.0 / self.weight_sum + (x - self.x_mean) * (x - self.x_mean) / self.x_spread)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Brown, Cai & DasGupta, Statistical Science 16 (2001) 101 give the formula; the value
    /// for 9 of 10 (0.596, 0.982) is the one printed by common statistics packages.
    #[test]
    fn wilson_interval_of_nine_in_ten() {
        let (low, high) = wilson_95(9, 10).unwrap();
        assert!((low - 0.5958).abs() < 5e-4, "low {low}");
        assert!((high - 0.9821).abs() < 5e-4, "high {high}");
        assert_eq!(wilson_95(0, 0), None);
    }

    #[test]
    fn one_outlier_does_not_bend_the_robust_line() {
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 3.0 + 2.0 * x).collect();
        y[11] += 40.0;
        let fit = LineFit::robust(&x, &y, &[0.0; 12], 0.1).unwrap();
        assert!((fit.slope - 2.0).abs() < 0.01, "slope {}", fit.slope);
    }

    #[test]
    fn tidy_data_give_ordinary_least_squares() {
        let x: Vec<f64> = (0..9).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 0.3 * x + 0.01 * (x * 7.0).sin()).collect();
        let robust = LineFit::robust(&x, &y, &[0.01; 9], 0.05).unwrap();
        let plain = LineFit::least_squares(&x, &y).unwrap();
        assert!((robust.slope - plain.slope).abs() < 1e-12);
    }
}
