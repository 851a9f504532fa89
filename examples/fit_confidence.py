"""Fits the weights of src/hear/weights.rs.

  cargo run --release --example sketches -- DIR... > rows.csv
  python3 examples/fit_confidence.py rows.csv > src/hear/weights.rs      (needs numpy, scikit-learn)

Prints, on standard error, misses and false notes of a five-fold cross-validation by folder.
"""

import csv
import re
import sys

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

HINGES = ((0, (-1, -0.5, 0, 0.5)), (1, (10, 20, 30)), (3, (3, 6, 12)), (4, (2, 4, 6, 10)), (5, (10, 20)),
          (10, (0, 3, 8)), (9, (-0.3, -0.1, -0.02)), (11, (-10, -5)), (8, (0.7, 0.9)), (2, (6, 15)))
REAL_WEIGHT = 3.0

rows = list(csv.reader(open(sys.argv[1])))[1:]
folder = np.array([re.sub(r"_mezzo.*", "", r[0]) for r in rows])
real = np.array(["_phrase" in r[0] for r in rows])
kind = np.array([int(r[1]) for r in rows])
y = np.array([int(r[2]) for r in rows])
X = np.array([[float(v) for v in r[3:]] for r in rows])
weight = np.where(real, REAL_WEIGHT, 1.0)
knees = [(j, float(k)) for j, ks in HINGES for k in ks]
F = np.hstack([X] + [np.maximum(0, X[:, j:j + 1] - k) for j, k in knees])


def fit(at):
    model = make_pipeline(StandardScaler(), LogisticRegression(C=0.3, max_iter=3000))
    return model.fit(F[at], y[at], logisticregression__sample_weight=weight[at])


p = np.zeros(len(y))
for train, test in GroupKFold(5).split(X, y, folder):
    for k in range(3):
        a, b = train[kind[train] == k], test[kind[test] == k]
        if len(b):
            p[b] = fit(a).predict_proba(F[b])[:, 1]
for name, part in (("real", real), ("made", ~real)):
    for k, beginning in enumerate(("silence", "change", "dip")):
        at = part & (kind == k)
        print(f"{name} {beginning}: {at.sum()} sketches, {y[at].sum()} notes, "
              f"missed at .5 {((p < .5) & (y == 1) & at).sum()}, false {((p >= .5) & (y == 0) & at).sum()}", file=sys.stderr)

print("""//! Weights of [`super::confidence`]: a logistic regression a kind of beginning, fitted by
//! `examples/fit_confidence.py` to made takes (clean, faults, sampled, rooms; the halves
//! marked `dev`) and to every second of 40 real takes, which weigh three times as much.

use super::confidence::N_FEATURES;

/// Hinges: feature and knee. Each adds max(0, feature - knee) to what is weighed.""")
print(f"pub const HINGES: [(usize, f64); {len(knees)}] = {knees};")
print("""
/// Intercept, a weight a feature, a weight a hinge.
pub struct Weights {
    pub intercept: f64,
    pub features: [f64; N_FEATURES],
    pub hinges: [f64; HINGES.len()],
}""")
for k, name in enumerate(("SILENCE", "CHANGE", "DIP")):
    model = fit(np.where(kind == k)[0])
    scaler, regression = model[0], model[1]
    w = regression.coef_[0] / scaler.scale_
    intercept = regression.intercept_[0] - (w * scaler.mean_).sum()
    n = X.shape[1]
    listed = lambda values: "[" + ", ".join(f"{v:.5f}" for v in values) + "]"
    print(f"\npub const {name}: Weights = Weights {{ intercept: {intercept:.5f}, features: {listed(w[:n])}, hinges: {listed(w[n:])} }};")
