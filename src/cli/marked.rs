//! `--marked FILE`: the marked part as a picture, on paper, or as a page.

use std::path::Path;

use passagework::judge::Check;
use passagework::line::Line;
use passagework::show::marked::{self, EngraveError, Options, pdf};

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

    pub fn write(&self, line: &Line, check: &Check) -> Result<(), CommandError> {
        let options = Options::default();
        let content = match self.kind {
            Kind::Svg => marked::whole(line, check, &options)?.svg.into_bytes(),
            Kind::Pdf => pdf::pdf(&marked::parts(line, check, &options)?)?,
            Kind::Html => marked::html(line, check, &options)?.into_bytes(),
        };
        Ok(output::write_bytes(self.path, &content)?)
    }
}
