//! `--marked FILE`: the marked part as a picture, on paper, or as a page.

use std::path::Path;

use maud::Markup;
use passagework::judge::Check;
use passagework::show::marked::{self, EngraveError, Options, Part, html, pdf};

use super::{CommandError, output};

/// A file to be written, of a kind that its name tells.
pub struct Picture<'a> {
    path: &'a Path,
    kind: Kind,
}

enum Kind {
    Svg,
    Pdf,
    Html,
}

#[derive(Debug, thiserror::Error)]
enum PictureError {
    #[error(
        "cannot tell what {0} is to be: name it .svg for a picture, .pdf for paper or .html for a page with everything"
    )]
    Kind(String),
}

impl<'a> Picture<'a> {
    /// Fails where the name tells no kind, or this program cannot engrave.
    pub fn at(path: &'a Path) -> Result<Picture<'a>, CommandError> {
        let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
        let kind = match extension.to_str() {
            Some("svg") => Kind::Svg,
            Some("pdf") => Kind::Pdf,
            Some("html" | "htm") => Kind::Html,
            _ => return Err(PictureError::Kind(path.display().to_string()).into()),
        };
        if !marked::CAN_ENGRAVE {
            return Err(EngraveError::NotBuilt.into());
        }
        Ok(Picture { path, kind })
    }

    /// A take's marks, and fingerings where the part has them.
    pub fn write_take(&self, part: &Part, check: &Check) -> Result<(), CommandError> {
        match self.kind {
            Kind::Html => {
                let page = html::of_take(part, check, &Options::default())?;
                Ok(output::write_bytes(self.path, page.as_bytes())?)
            }
            _ => self.write(part, &Markup::default()),
        }
    }

    /// The part; a page has `more` below it.
    pub fn write(&self, part: &Part, more: &Markup) -> Result<(), CommandError> {
        let options = Options::default();
        let sheet = part.engrave(&options)?;
        let content = match self.kind {
            Kind::Svg => sheet.whole().svg.into_bytes(),
            Kind::Pdf => pdf::pdf(&sheet.pages(&options))?,
            Kind::Html => html::of_part(part, &sheet, more).into_bytes(),
        };
        Ok(output::write_bytes(self.path, &content)?)
    }
}
