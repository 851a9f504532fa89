//! Macros (9): text that stands for other text, replaced before the music is read.

use super::token::pitch_text;

/// A static or transposing macro, each as the static ones it comes to.
#[derive(Debug, Default)]
pub struct Macros {
    /// Target and replacement, longest target first.
    pairs: Vec<(String, String)>,
}

/// A line may grow by macros to this many characters; nobody writes longer ones.
const LINE_CHARS_MAX: usize = 100_000;
/// Macros kept; a transposing one counts fourteen times.
const PAIRS_MAX: usize = 2000;

impl Macros {
    /// Adds the macro after `m:`, such as `~G3 = G{A}G{F}G` (9.1) or `~n2 = (3o/n/m/ n` (9.2).
    /// False when it is none.
    pub fn add(&mut self, text: &str) -> bool {
        let Some((target, replacement)) = text.split_once('=') else {
            return false;
        };
        // An equals sign may be a natural of the target; the one before a blank is meant.
        let (target, replacement) = text.split_once(" =").unwrap_or((target, replacement));
        let (target, replacement) = (target.trim(), replacement.trim());
        if target.is_empty() || target.len() > 31 || self.pairs.len() > PAIRS_MAX {
            return false;
        }
        if target.contains('n') {
            for step in 0..14 {
                self.pairs.push((
                    target.replace('n', &pitch_text(step)),
                    replacement.chars().map(|c| relative(c, step)).collect(),
                ));
            }
        } else {
            self.pairs.push((target.into(), replacement.into()));
        }
        self.pairs
            .sort_by_key(|(target, _)| std::cmp::Reverse(target.len()));
        true
    }

    /// The line with all macros replaced, or `None` where there are none in it.
    pub fn apply(&self, line: &str) -> Option<String> {
        if self.pairs.is_empty() || !self.pairs.iter().any(|(target, _)| line.contains(target)) {
            return None;
        }
        let mut out = String::new();
        let mut rest = line;
        while let Some(c) = rest.chars().next() {
            let fitting = self
                .pairs
                .iter()
                .find(|(target, _)| rest.starts_with(target.as_str()));
            match fitting {
                Some((target, replacement)) if out.len() < LINE_CHARS_MAX => {
                    out.push_str(replacement);
                    rest = &rest[target.len()..];
                }
                _ => {
                    out.push(c);
                    rest = &rest[c.len_utf8()..];
                }
            }
        }
        Some(out)
    }
}

/// In a transposing macro the letters h to z stand for notes relative to n.
fn relative(c: char, step: i32) -> String {
    match c {
        'h'..='z' => pitch_text(step + c as i32 - 'n' as i32),
        c => c.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ABC 2.1, 9.1 and 9.2, the standard's own examples.
    #[test]
    fn static_and_transposing_macros() {
        let mut macros = Macros::default();
        assert!(macros.add("~G3 = G{A}G{F}G"));
        assert_eq!(macros.apply("A|~G3 z").as_deref(), Some("A|G{A}G{F}G z"));
        let mut macros = Macros::default();
        assert!(macros.add("~n3 = n{o}n{m}n"));
        assert_eq!(macros.apply("~B3").as_deref(), Some("B{c}B{A}B"));
        assert_eq!(macros.apply("~G3").as_deref(), Some("G{A}G{F}G"));
        assert_eq!(macros.apply("G3"), None);
        assert!(!macros.add("nothing"));
    }
}
