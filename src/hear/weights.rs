//! Trees of [`super::confidence`], grown by `examples/fit_confidence.py` (gradient boosting,
//! Friedman, Annals of Statistics 29 (2001) 1189) on made takes of every set and on every second
//! of 40 real takes, which weigh three times as much.

use std::sync::OnceLock;

use super::confidence::N_FEATURES;
use super::notes::Beginning;

/// One node a line; see the end of `examples/fit_confidence.py`.
const TREES: &str = include_str!("weights.csv");

enum Node {
    /// Left where the feature is at most the threshold.
    Split {
        feature: usize,
        threshold: f64,
        left: usize,
        right: usize,
    },
    Leaf(f64),
}

/// The trees of one beginning: log-odds before any of them, then what each adds.
struct Trees {
    base: f64,
    trees: Vec<Vec<Node>>,
}

/// Log-odds that a sketch with these features is a note.
pub fn log_odds(features: &[f64; N_FEATURES], beginning: Beginning) -> f64 {
    static READ: OnceLock<Vec<Trees>> = OnceLock::new();
    // In the order of the file.
    let at = match beginning {
        Beginning::Silence => 0,
        Beginning::Change => 1,
        Beginning::Dip => 2,
    };
    let trees = &READ.get_or_init(read)[at];
    let leaves = trees.trees.iter().map(|tree| leaf(tree, features));
    trees.base + leaves.sum::<f64>()
}

fn leaf(tree: &[Node], features: &[f64; N_FEATURES]) -> f64 {
    let mut at = 0;
    loop {
        match tree[at] {
            Node::Leaf(value) => return value,
            Node::Split {
                feature,
                threshold,
                left,
                right,
            } => {
                at = if features[feature] <= threshold {
                    left
                } else {
                    right
                }
            }
        }
    }
}

fn read() -> Vec<Trees> {
    let number = |text: &str| -> f64 { text.parse().expect("the file is ours, all numbers") };
    let mut all: Vec<Trees> = Vec::new();
    for line in TREES.lines() {
        let words: Vec<&str> = line.split(',').collect();
        if let ["beginning", _, base] = words[..] {
            all.push(Trees {
                base: number(base),
                trees: Vec::new(),
            });
            continue;
        }
        let trees = &mut all.last_mut().expect("a beginning stands first").trees;
        let node = match words[..] {
            ["tree"] => {
                trees.push(Vec::new());
                continue;
            }
            [feature, threshold, left, right] => Node::Split {
                feature: number(feature) as usize,
                threshold: number(threshold),
                left: number(left) as usize,
                right: number(right) as usize,
            },
            _ => Node::Leaf(number(line)),
        };
        trees.last_mut().expect("a tree stands open").push(node);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_path_of_every_tree_ends_in_a_leaf() {
        let all = read();
        assert_eq!(all.len(), 3);
        for (at, tree) in all.iter().flat_map(|t| &t.trees).enumerate() {
            for (place, node) in tree.iter().enumerate() {
                if let Node::Split {
                    feature,
                    left,
                    right,
                    ..
                } = node
                {
                    // Children stand behind their parent, so no path goes round.
                    let good = *feature < N_FEATURES
                        && place < *left.min(right)
                        && *left.max(right) < tree.len();
                    assert!(good, "tree {at}, node {place}");
                }
            }
        }
    }
}
