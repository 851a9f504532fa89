//! Bytes of a MusicXML file become the text of one well-formed XML document.
//!
//! Undoes the zip of `.mxl` ([`mxl`]) and the encoding ([`decode`]), takes out the document type
//! declaration, and mends broken markup ([`mend`]) so that a damaged file is read as far as it goes.

mod decode;
mod mend;
mod mxl;

use super::Problem;
use super::read::LineError;

/// Largest text taken, in bytes: a full orchestral score has some ten million, and a zip of
/// a few kilobytes can claim to hold terabytes.
const TEXT_BYTES_MAX: usize = 48 << 20;

/// Most nodes of a document. One note has about twenty; the densest text within
/// [`TEXT_BYTES_MAX`] would have more and need gigabytes.
const NODES_MAX: u32 = 6_000_000;

/// The text of a MusicXML document and what had to be mended in it.
#[derive(Debug)]
pub struct XmlSource {
    pub text: String,
    pub problems: Vec<Problem>,
}

/// Reads plain or compressed bytes.
///
/// The text has no byte order mark, no XML declaration and no document type (both blanked, so
/// that lines and columns stay true), hence no entity of its own that could expand.
pub fn load(bytes: &[u8]) -> Result<XmlSource, LineError> {
    let mut problems = Vec::new();
    let unpacked;
    let bytes = if mxl::is_zip(bytes) {
        unpacked = mxl::unpack(bytes, TEXT_BYTES_MAX, &mut problems)?;
        &unpacked
    } else {
        bytes
    };
    if bytes.len() > TEXT_BYTES_MAX {
        return Err(unreadable(format!(
            "the file holds {} bytes of text; at most {TEXT_BYTES_MAX} are read",
            bytes.len()
        )));
    }
    let mut text = decode::decode(bytes, &mut problems);
    blank_prolog(&mut text);
    if let Err(error) = parse(&text) {
        if matches!(error, roxmltree::Error::NodesLimitReached) {
            return Err(unreadable(format!(
                "the file has more than {NODES_MAX} elements"
            )));
        }
        let place = error.pos();
        problems.push(Problem {
            place: format!("line {}, column {}", place.row, place.col),
            text: format!("not well-formed XML ({error}); the rest is read as far as it can be"),
        });
        text = mend::mend(&text);
        if let Err(error) = parse(&text) {
            return Err(unreadable(format!("not XML that can be read: {error}")));
        }
    }
    Ok(XmlSource { text, problems })
}

/// The tree of a text that [`load`] returned.
pub fn parse(text: &str) -> Result<roxmltree::Document<'_>, roxmltree::Error> {
    roxmltree::Document::parse_with_options(
        text,
        roxmltree::ParsingOptions {
            nodes_limit: NODES_MAX,
            ..Default::default()
        },
    )
}

fn unreadable(text: String) -> LineError {
    LineError::Unreadable {
        place: "the file".into(),
        text,
    }
}

/// Blanks what stands before the root element: XML and document type declarations.
///
/// MusicXML defines no entities, so nothing is lost, and nothing can be expanded.
fn blank_prolog(text: &mut String) {
    let Some(root) = root_start(text.as_bytes()) else {
        return;
    };
    let blank: String = text[..root]
        .chars()
        .map(|c| if c == '\n' || c == '\r' { c } else { ' ' })
        .collect();
    text.replace_range(..root, &blank);
}

/// Where the root element's `<` stands.
fn root_start(text: &[u8]) -> Option<usize> {
    /// A prolog has a declaration, a document type and some comments.
    const PROLOG_ITEMS_MAX: usize = 1000;
    let mut at = 0;
    for _ in 0..PROLOG_ITEMS_MAX {
        at += text[at..].iter().position(|&b| b == b'<')?;
        let rest = &text[at..];
        at += if rest.starts_with(b"<!--") {
            find(rest, b"-->").map_or(1, |end| end + 3)
        } else if rest.starts_with(b"<?") {
            find(rest, b">").map_or(1, |end| end + 1)
        } else if rest.starts_with(b"<!") {
            doctype_len(rest)
        } else if rest.get(1).is_some_and(u8::is_ascii_alphabetic) {
            return Some(at);
        } else {
            1
        };
    }
    None
}

/// Bytes of a `<!DOCTYPE …>`: to the first bracket that ends a tag or, where an internal subset
/// comes first, to the one behind it (quotes hide brackets there).
fn doctype_len(text: &[u8]) -> usize {
    /// MusicXML has no use for a subset; a longer one is damage.
    const SUBSET_BYTES_MAX: usize = 1 << 16;
    let first_end = find(text, b">").map_or(text.len(), |end| end + 1);
    let Some(subset) = text[..first_end].iter().position(|&b| b == b'[') else {
        return first_end;
    };
    let mut quote = None;
    let mut depth = 0;
    for (i, &b) in text.iter().enumerate().take(SUBSET_BYTES_MAX).skip(subset) {
        match (quote, b) {
            (Some(q), _) if q == b => quote = None,
            (Some(_), _) => {}
            (None, b'"' | b'\'') => quote = Some(b),
            (None, b'[') => depth += 1,
            (None, b']') => depth -= 1,
            (None, b'>') if depth <= 0 => return i + 1,
            _ => {}
        }
    }
    first_end
}

fn find(text: &[u8], wanted: &[u8]) -> Option<usize> {
    text.windows(wanted.len()).position(|w| w == wanted)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entities_of_the_file_are_never_expanded() {
        let bomb = "<!DOCTYPE x [<!ENTITY a \"]>\"><!ENTITY b '&a;&a;&a;'>]><x>&b;<y/></x>";
        let source = load(bomb.as_bytes()).unwrap();
        let document = parse(&source.text).unwrap();
        assert_eq!(document.root_element().tag_name().name(), "x");
        assert_eq!(source.problems.len(), 1);
        assert!(source.text.len() < 2 * bomb.len());
    }

    #[test]
    fn a_cut_document_keeps_its_whole_elements() {
        let source = load(b"<a><b>1</b><c>2</c><d att='1").unwrap();
        let document = parse(&source.text).unwrap();
        let names: Vec<_> = document
            .descendants()
            .filter(|n| n.is_element())
            .map(|n| n.tag_name().name().to_string())
            .collect();
        assert_eq!(names, ["a", "b", "c"]);
        assert!(source.problems[0].place.starts_with("line 1"));
    }

    #[test]
    fn text_that_is_no_xml_is_refused() {
        for text in ["", "   ", "no markup", "<", "<<<<", "<!-- only -->", "&&&&"] {
            assert!(load(text.as_bytes()).is_err(), "{text:?}");
        }
    }
}
