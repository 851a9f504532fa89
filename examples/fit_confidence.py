"""Fits the trees of src/hear/weights.csv.

  cargo run --release --example sketches -- DIR... > rows.csv
  python3 examples/fit_confidence.py rows.csv > src/hear/weights.csv     (needs numpy, scikit-learn)

Prints, on standard error, misses and false notes of a five-fold cross-validation by folder.
"""

import csv
import re
import sys

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold

REAL_WEIGHT = 3.0
BEGINNINGS = ("silence", "change", "dip")

rows = list(csv.reader(open(sys.argv[1])))[1:]
folder = np.array([re.sub(r"_mezzo.*", "", r[0]) for r in rows])
real = np.array(["_phrase" in r[0] for r in rows])
kind = np.array([int(r[1]) for r in rows])
y = np.array([int(r[2]) for r in rows])
X = np.array([[float(v) for v in r[3:]] for r in rows])
weight = np.where(real, REAL_WEIGHT, 1.0)


def fit(at):
    model = HistGradientBoostingClassifier(
        max_iter=240, learning_rate=0.06, max_leaf_nodes=9, min_samples_leaf=40, l2_regularization=2.0,
        early_stopping=False, random_state=0)
    return model.fit(X[at], y[at], sample_weight=weight[at])


p = np.zeros(len(y))
for train, test in GroupKFold(5).split(X, y, folder):
    for k in range(3):
        a, b = train[kind[train] == k], test[kind[test] == k]
        if len(b):
            p[b] = fit(a).predict_proba(X[b])[:, 1]
for name, part in (("real", real), ("made", ~real)):
    for k, beginning in enumerate(BEGINNINGS):
        at = part & (kind == k)
        print(f"{name} {beginning}: {at.sum()} sketches, {y[at].sum()} notes, "
              f"missed at .5 {((p < .5) & (y == 1) & at).sum()}, false {((p >= .5) & (y == 0) & at).sum()}", file=sys.stderr)

# One line a node: a split (feature, threshold, node on the left, node on the right) or a leaf (its
# log-odds). A line `beginning,NAME,LOG-ODDS` opens the trees of a beginning, `tree` each tree.
for k, beginning in enumerate(BEGINNINGS):
    model = fit(np.where(kind == k)[0])
    print(f"beginning,{beginning},{model._baseline_prediction.item():.5f}")
    for (tree,) in model._predictors:
        print("tree")
        for node in tree.nodes:
            if node["is_leaf"]:
                print(f"{node['value']:.5f}")
            else:
                print(f"{node['feature_idx']},{node['num_threshold']:.5g},{node['left']},{node['right']}")
