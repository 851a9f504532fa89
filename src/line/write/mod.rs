//! A [`Line`] written down again: MusicXML 4.0, ABC 2.1 and Standard MIDI Files.
//!
//! A line knows no note values: [`page`] lays its notes and the rests between them out in bars,
//! [`values`] finds values, ties and tuplets for them, [`beams`] joins the small ones, and
//! [`musicxml`](self) says all of it as XML, `abc` as text; `smf` takes the line's own times.

mod abc;
mod beams;
mod musicxml;
mod page;
mod smf;
mod values;

pub(super) use musicxml::{accidental, clef};

use std::collections::BTreeMap;

use super::Line;

/// Which bars are written, and in what order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Order {
    /// As played: a repeated bar is written as often as it is played, without repeat signs.
    #[default]
    Played,
    /// As printed: every bar once, with its repeat signs, endings and jumps.
    Page,
}

/// What is written besides the line itself.
#[derive(Clone, Debug, Default)]
pub struct WriteOptions {
    pub order: Order,
    /// Words above notes, by the note's index.
    pub words: BTreeMap<usize, String>,
    /// Fingerings above notes, by the note's index.
    pub fingerings: BTreeMap<usize, String>,
}

/// A line as a MusicXML document.
#[derive(Clone, Debug)]
pub struct Written {
    pub xml: String,
    /// For every note of the line the `id` of its notehead: `n` and the note's index, or that of
    /// the first time through where the page has the note once. Further noteheads that are tied
    /// to it are `n3-2`, `n3-3` and so on.
    pub ids: Vec<String>,
}

/// Writes `line` as a MusicXML 4.0 partwise document of one part.
///
/// Notes that overlap end where the next one begins. Times are set on the nearest notatable
/// place within [`page::SNAP_QUARTERS`]; notes that end a little before the next one, as a
/// sequencer plays them, are written to its start.
pub fn musicxml(line: &Line, options: &WriteOptions) -> Written {
    musicxml::write(line, options)
}

/// Writes `line` as a tune of ABC 2.1, in playing order, every accidental in place.
pub fn abc(line: &Line) -> String {
    abc::write(line)
}

/// Writes `line` as a Standard MIDI File of format 0, in playing order, at sounding pitch.
pub fn smf(line: &Line) -> Vec<u8> {
    smf::write(line)
}
