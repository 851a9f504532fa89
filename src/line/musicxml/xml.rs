//! Small questions to the XML tree, and where in the file its nodes stand.

use roxmltree::{Document, Node};

use crate::line::Problem;

/// Beyond this many problems in a file nobody reads on.
const PROBLEMS_MAX: usize = 200;

/// Problems found on the way, each with its line and column.
pub struct Problems<'a> {
    text: &'a str,
    line_starts: Vec<usize>,
    found: Vec<Problem>,
    n_found: usize,
}

impl<'a> Problems<'a> {
    pub fn new(document: &'a Document<'a>) -> Self {
        let text = document.input_text();
        let breaks = text.bytes().enumerate().filter(|(_, b)| *b == b'\n');
        Problems {
            text,
            line_starts: std::iter::once(0)
                .chain(breaks.map(|(i, _)| i + 1))
                .collect(),
            found: Vec::new(),
            n_found: 0,
        }
    }

    pub fn at(&mut self, node: Node, text: impl Into<String>) {
        if self.n_found < PROBLEMS_MAX {
            let at = node.range().start;
            let line = self.line_starts.partition_point(|&start| start <= at);
            let column = self.text[self.line_starts[line - 1]..at].chars().count() + 1;
            self.place(format!("line {line}, column {column}"), text);
        }
    }

    pub fn place(&mut self, place: impl Into<String>, text: impl Into<String>) {
        self.n_found += 1;
        if self.n_found <= PROBLEMS_MAX {
            self.found.push(Problem {
                place: place.into(),
                text: text.into(),
            });
        }
    }

    /// What was found since the last call.
    pub fn take(&mut self) -> Vec<Problem> {
        std::mem::take(&mut self.found)
    }
}

pub fn child<'a>(node: Node<'a, 'a>, name: &str) -> Option<Node<'a, 'a>> {
    node.children().find(|n| n.has_tag_name(name))
}

pub fn children<'a>(node: Node<'a, 'a>, name: &'a str) -> impl Iterator<Item = Node<'a, 'a>> {
    node.children().filter(move |n| n.has_tag_name(name))
}

/// The first element of that name anywhere below.
pub fn below<'a>(node: Node<'a, 'a>, name: &str) -> Option<Node<'a, 'a>> {
    node.descendants().find(|n| n.has_tag_name(name))
}

/// The node's text, trimmed, runs of blanks as one; empty where it has none.
pub fn text(node: Node) -> String {
    let whole: String = node
        .children()
        .filter(|n| n.is_text())
        .filter_map(|n| n.text())
        .collect();
    whole.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The text of the child of that name, where it is there and not empty.
pub fn child_text(node: Node, name: &str) -> Option<String> {
    let child = node.children().find(|n| n.has_tag_name(name))?;
    Some(text(child)).filter(|t| !t.is_empty())
}

/// A finite decimal number.
pub fn number(text: &str) -> Option<f64> {
    text.trim().parse().ok().filter(|n: &f64| n.is_finite())
}

/// The whole numbers from 1 of a list such as `1,2`, `1, 2`, `1.` or `1-3`.
pub fn numbers_from_one(text: &str) -> Vec<u32> {
    /// Nothing is played more often under its own number.
    const NUMBER_MAX: u32 = 100;
    let mut numbers = Vec::new();
    for range in text.split(|c: char| !c.is_ascii_digit() && c != '-') {
        let mut ends = range.split('-').filter_map(|n| n.parse::<u32>().ok());
        let Some(first) = ends.next() else { continue };
        let last = ends.next_back().unwrap_or(first);
        numbers.extend((first..=last.min(NUMBER_MAX)).filter(|n| (1..=NUMBER_MAX).contains(n)));
    }
    numbers
}

/// A whole number in −9999…9999, also where it is written `2.0`.
pub fn whole(text: &str) -> Option<i32> {
    number(text)
        .filter(|n| n.abs() < 1e4 && n.fract() == 0.0)
        .map(|n| n as i32)
}
