//! The cheapest way through layers of states, and how much every other state would cost.

/// A chain of layers: what each state costs, and what each step between neighbouring layers does.
pub struct Layers<'a> {
    /// Cost of each state, layer by layer; no layer is empty.
    pub states: &'a [Vec<f64>],
    /// Cost of the step from state `a` of layer `i` to state `b` of layer `i + 1`.
    pub step: &'a dyn Fn(usize, usize, usize) -> f64,
}

/// The cheapest path, and what it would cost to go through any other state.
pub struct Solution {
    /// One state a layer; of equally cheap ones the first.
    pub path: Vec<usize>,
    pub cost: f64,
    /// Cost of the cheapest path through each state.
    pub through: Vec<Vec<f64>>,
}

impl Layers<'_> {
    /// Dynamic programming forwards and backwards (R. Bellman, 1957): every path is weighed, in
    /// time linear in the layers.
    pub fn solve(&self) -> Solution {
        let n = self.states.len();
        let mut ahead: Vec<Vec<f64>> = self.states.iter().map(|s| vec![0.0; s.len()]).collect();
        let mut next: Vec<Vec<usize>> = self.states.iter().map(|s| vec![0; s.len()]).collect();
        for i in (0..n.saturating_sub(1)).rev() {
            for a in 0..self.states[i].len() {
                let of = |b: usize| (self.step)(i, a, b) + self.states[i + 1][b] + ahead[i + 1][b];
                let best = least((0..self.states[i + 1].len()).map(of));
                (next[i][a], ahead[i][a]) = best;
            }
        }
        let mut before: Vec<Vec<f64>> = self.states.to_vec();
        for i in 1..n {
            for b in 0..self.states[i].len() {
                let of = |a: usize| before[i - 1][a] + (self.step)(i - 1, a, b);
                let best = least((0..self.states[i - 1].len()).map(of)).1;
                before[i][b] = best + self.states[i][b];
            }
        }
        let through: Vec<Vec<f64>> = before
            .iter()
            .zip(&ahead)
            .map(|(b, a)| b.iter().zip(a).map(|(b, a)| b + a).collect())
            .collect();
        let mut path = Vec::with_capacity(n);
        let mut cost = 0.0;
        if let Some(first) = self.states.first() {
            let of = |a: usize| first[a] + ahead[0][a];
            let (mut at, least_cost) = least((0..first.len()).map(of));
            cost = least_cost;
            path.push(at);
            for row in &next[..n - 1] {
                at = row[at];
                path.push(at);
            }
        }
        Solution {
            path,
            cost,
            through,
        }
    }
}

/// Place and value of the least; the first of equals.
fn least(values: impl Iterator<Item = f64>) -> (usize, f64) {
    /// Sums of the same costs in another order differ by rounding only, far below this.
    const SAME_MS: f64 = 1e-9;
    let mut best = (0, f64::INFINITY);
    for (i, value) in values.enumerate() {
        if value < best.1 - SAME_MS {
            best = (i, value);
        }
    }
    best
}
