//! Time signatures: how long a bar is and what its beat is.

use roxmltree::Node;

use super::xml::{text, whole};

/// The metre in force.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metre {
    /// Length of a full bar; `None` without a metre.
    pub bar_quarters: Option<f64>,
    pub beat_quarters: f64,
}

impl Default for Metre {
    fn default() -> Self {
        Metre {
            bar_quarters: None,
            beat_quarters: 1.0,
        }
    }
}

impl Metre {
    /// Reads a `time` element: one or more pairs of `beats` (also `3+2`) and `beat-type`.
    ///
    /// `None` where a pair cannot be read.
    pub fn read(time: Node) -> Option<Metre> {
        if children_named(time, "senza-misura") {
            return Some(Metre::default());
        }
        let beats: Vec<String> = time
            .children()
            .filter(|n| n.has_tag_name("beats"))
            .map(text)
            .collect();
        let units: Vec<String> = time
            .children()
            .filter(|n| n.has_tag_name("beat-type"))
            .map(text)
            .collect();
        if beats.is_empty() || beats.len() != units.len() {
            return None;
        }
        // Groups of the bar, each a count of units of `unit` quarters.
        let mut groups: Vec<(i32, f64)> = Vec::new();
        for (beats, unit) in beats.iter().zip(&units) {
            let unit = whole(unit).filter(|u| (1..=1024).contains(u))?;
            for count in beats.split('+') {
                let count = whole(count).filter(|c| (1..=1000).contains(c))?;
                groups.push((count, 4.0 / f64::from(unit)));
            }
        }
        let bar_quarters = groups.iter().map(|(n, unit)| f64::from(*n) * unit).sum();
        let beat_quarters = match groups[..] {
            [(6 | 9 | 12, 0.5)] => 1.5,
            // The file groups the bar evenly: the group is the beat.
            [(n, unit), _, ..] if groups.iter().all(|g| *g == (n, unit)) && n > 1 => {
                f64::from(n) * unit
            }
            _ => groups.iter().map(|g| g.1).fold(f64::INFINITY, f64::min),
        };
        Some(Metre {
            bar_quarters: Some(bar_quarters),
            beat_quarters,
        })
    }
}

fn children_named(node: Node, name: &str) -> bool {
    node.children().any(|n| n.has_tag_name(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn metre(inner: &str) -> Option<(Option<f64>, f64)> {
        let xml = format!("<time>{inner}</time>");
        let document = roxmltree::Document::parse(&xml).unwrap();
        Metre::read(document.root_element()).map(|m| (m.bar_quarters, m.beat_quarters))
    }

    fn simple(beats: &str, unit: &str) -> Option<(Option<f64>, f64)> {
        metre(&format!(
            "<beats>{beats}</beats><beat-type>{unit}</beat-type>"
        ))
    }

    #[test]
    fn the_beat_is_dotted_only_in_compound_metres_of_eighths() {
        assert_eq!(simple("4", "4"), Some((Some(4.0), 1.0)));
        assert_eq!(simple("2", "2"), Some((Some(4.0), 2.0)));
        assert_eq!(simple("3", "8"), Some((Some(1.5), 0.5)));
        assert_eq!(simple("6", "8"), Some((Some(3.0), 1.5)));
        assert_eq!(simple("12", "8"), Some((Some(6.0), 1.5)));
        assert_eq!(simple("6", "4"), Some((Some(6.0), 1.0)));
        assert_eq!(simple("3+2", "8"), Some((Some(2.5), 0.5)));
        assert_eq!(simple("2+2+2", "8"), Some((Some(3.0), 1.0)));
    }

    /// MusicXML 4.0, `time`: several pairs are one composite metre.
    #[test]
    fn pairs_add_up() {
        let pairs =
            "<beats>3+2</beats><beat-type>8</beat-type><beats>3</beats><beat-type>4</beat-type>";
        assert_eq!(metre(pairs), Some((Some(5.5), 0.5)));
        assert_eq!(metre("<senza-misura/>"), Some((None, 1.0)));
    }

    #[test]
    fn metres_that_cannot_be_are_refused() {
        for (beats, unit) in [
            ("0", "4"),
            ("4", "0"),
            ("-3", "4"),
            ("4", "x"),
            ("1e9", "4"),
            ("", "4"),
        ] {
            assert_eq!(simple(beats, unit), None, "{beats}/{unit}");
        }
    }
}
