//! Showing: what was found, as text and JSON, as the marked part and plots. Computes nothing.

pub mod class;
pub mod fingers;
pub mod json;
pub mod line;
pub mod marked;
pub mod plots;
pub mod practise;
pub mod review;
mod review_page;
pub mod text;
pub mod words;

/// Text for XML and HTML, in content and in attribute values; what XML 1.0 does not allow is
/// left out.
pub fn text_for_xml(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c < ' ' && !matches!(c, '\n' | '\t') => {}
            '\u{FFFE}' | '\u{FFFF}' => {}
            c => out.push(c),
        }
    }
    out
}
