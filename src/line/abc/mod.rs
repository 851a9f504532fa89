//! ABC text, by the ABC music standard 2.1 (December 2011); section numbers below are its.
//!
//! [`file`] cuts a file into tunes, [`tune`] reads one: its fields through [`fields`] and
//! [`key`], its music through [`token`] into one [`voice`] each. Lyrics, symbols for print and
//! other fields that no player plays are skipped. What cannot be understood is said with line
//! and column and the rest is read on.

mod fields;
mod file;
mod key;
mod macros;
mod problems;
pub mod sections;
mod text;
mod token;
mod tune;
mod voice;

use super::read::LineError;
use super::score::Score;

/// One tune, with the order in which its sections are played.
pub struct AbcTune {
    /// In the order of the page.
    pub score: Score,
    /// Ranges of bars in playing order where a `P:` field of the header gives one (3.1.9);
    /// empty when the page's order is the playing order.
    pub section_order: Vec<std::ops::Range<usize>>,
}

/// Whether `content` looks like ABC: it says so (`%abc`), or has an `X:` field at a line's start.
pub fn is_abc(content: &[u8]) -> bool {
    let head = &content[..content.len().min(IS_ABC_BYTES)];
    content.starts_with(b"%abc")
        || head.split(|b| matches!(b, b'\n' | b'\r')).any(|line| {
            line.strip_prefix(b"X:")
                .is_some_and(|rest| rest.trim_ascii().first().is_some_and(u8::is_ascii_digit))
        })
}

/// Free text may stand before the first tune; more of it than this and it is no tune book.
const IS_ABC_BYTES: usize = 1 << 16;

/// Reads the tune whose `X:` number is `tune`, or the first of the file.
pub fn read(content: &[u8], tune: Option<u32>) -> Result<AbcTune, LineError> {
    let text = text::decode(content);
    let file = file::AbcFile::split(&text);
    let chosen = match tune {
        None => file.tunes.first(),
        Some(number) => file.tunes.iter().find(|t| t.number == Some(number)),
    };
    match chosen {
        Some(chosen) if !chosen.is_tune() => Err(LineError::Unreadable {
            place: "line 1".into(),
            text: "there is no tune: ABC needs the fields X: and K: before its music".into(),
        }),
        Some(chosen) => Ok(tune::read(&file.header, chosen)),
        None => Err(LineError::NoSuchTune {
            wanted: tune.unwrap_or(1),
            numbers: file.tunes.iter().filter_map(|t| t.number).collect(),
        }),
    }
}
