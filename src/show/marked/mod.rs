//! The marked part: the étude as engraved on a stand, with a teacher's pencil marks on it, and
//! under each system how early or late every note came.
//!
//! [`engraver`] makes the picture, [`score`] finds its systems and noteheads, [`marks`] turns
//! findings into marks and lays them out where nothing else is, [`letters`] does so with fingerings,
//! [`strip`] draws the timing, [`sheet`] puts systems on pages; [`html()`] and [`pdf`] write files.

mod draw;
pub mod engraver;
pub mod html;
mod letters;
mod marks;
pub mod pdf;
mod score;
mod sheet;
mod skyline;
mod strip;

use std::collections::BTreeMap;

pub use html::STYLE;
pub use letters::Letters;
pub use sheet::Sheet;

use crate::judge::Check;
use crate::line::Line;
use crate::line::musicxml::edition::Edition;

/// Whether this program was built with the engraver.
pub const CAN_ENGRAVE: bool = cfg!(feature = "engrave");

/// How the picture is laid out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Room for music on a page, in millimetres of paper, at a staff height of 7 mm.
    pub width_mm: f64,
    pub height_mm: f64,
}

impl Default for Options {
    /// What A4 (210 by 297 mm) and Letter (216 by 279 mm) both have within 15 mm margins.
    fn default() -> Options {
        Options {
            width_mm: 180.0,
            height_mm: 248.0,
        }
    }
}

/// One page of the marked part.
#[derive(Clone, Debug)]
pub struct SvgPage {
    /// A whole SVG document of the given size.
    pub svg: String,
    pub width_mm: f64,
    pub height_mm: f64,
}

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum EngraveError {
    #[error(
        "this passagework was built without engraving: build it with `cargo install --path .`, with its default features, which needs a C++ compiler (g++ 11 or newer)"
    )]
    NotBuilt,
    #[error(
        "the engraver's fonts cannot be unpacked: {0}; it needs 5 MB in the temporary folder (TMPDIR sets another)"
    )]
    Resources(std::io::Error),
    #[error("the engraver does not take {0}")]
    Refused(String),
    #[error("the engraver's picture cannot be read: {0}")]
    Picture(String),
    #[error("the picture cannot be turned into a PDF: {0}")]
    Pdf(String),
}

/// What is engraved: the étude, and what is laid over it.
#[derive(Clone, Debug)]
pub struct Part<'a> {
    pub line: &'a Line,
    /// The file that the line was read from, where it is engraved as it stands.
    pub edition: Option<&'a Edition>,
    /// The take whose marks and timing are drawn, if there is one.
    pub check: Option<&'a Check>,
    /// Fingerings over the notes, by the note's index.
    pub fingerings: BTreeMap<usize, Letters>,
    /// Paragraphs under the title.
    pub under_title: Vec<String>,
}

impl<'a> Part<'a> {
    /// The bare étude.
    pub fn new(line: &'a Line) -> Part<'a> {
        Part {
            line,
            edition: None,
            check: None,
            fingerings: BTreeMap::new(),
            under_title: Vec::new(),
        }
    }

    /// The étude with a take's marks.
    pub fn of_take(line: &'a Line, check: &'a Check) -> Part<'a> {
        Part {
            check: Some(check),
            ..Part::new(line)
        }
    }

    /// Bars stand as on the page of the étude, repeats not written out: a mark of a later time
    /// through says so.
    pub fn engrave(&self, options: &Options) -> Result<Sheet, EngraveError> {
        sheet::sheet(self, options)
    }
}

/// The marked part, page by page.
pub fn parts(line: &Line, check: &Check, options: &Options) -> Result<Vec<SvgPage>, EngraveError> {
    Ok(Part::of_take(line, check).engrave(options)?.pages(options))
}

/// The marked part as one picture, whatever its height.
pub fn whole(line: &Line, check: &Check, options: &Options) -> Result<SvgPage, EngraveError> {
    Ok(Part::of_take(line, check).engrave(options)?.whole())
}

/// The marked part as a piece of HTML without any style, for a page of one's own: a section with
/// one `svg` a system, and before them one of class `glyphs` with what they share.
pub fn systems(part: &Part, options: &Options) -> Result<String, EngraveError> {
    let sheet = part.engrave(options)?;
    Ok(html::systems(&sheet).into_string())
}

/// All that [`html()`] has within its page, for a page of one's own that has [`STYLE`].
pub fn content(part: &Part, check: &Check, options: &Options) -> Result<String, EngraveError> {
    Ok(html::content(part, check, options)?.into_string())
}

/// One self-contained HTML file: the marked part, plots, and the findings in words.
pub fn html(line: &Line, check: &Check, options: &Options) -> Result<String, EngraveError> {
    html::of_take(&Part::of_take(line, check), check, options)
}
