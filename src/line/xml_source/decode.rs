//! Bytes to text: UTF-8, UTF-16 and ISO 8859-1, as XML 1.0 appendix F tells them apart.

use crate::line::Problem;

/// Decodes by byte order mark, else by the zero bytes of UTF-16, else by the declared name,
/// else as UTF-8. A byte that is no character becomes U+FFFD and is a problem, once.
pub fn decode(bytes: &[u8], problems: &mut Vec<Problem>) -> String {
    match bytes {
        [0xEF, 0xBB, 0xBF, rest @ ..] => utf_8(rest, problems),
        [0xFF, 0xFE, rest @ ..] => utf_16(rest, u16::from_le_bytes, problems),
        [0xFE, 0xFF, rest @ ..] => utf_16(rest, u16::from_be_bytes, problems),
        [b'<', 0, ..] => utf_16(bytes, u16::from_le_bytes, problems),
        [0, b'<', ..] => utf_16(bytes, u16::from_be_bytes, problems),
        _ => match declared(bytes).as_deref() {
            // Windows-1252 differs from ISO 8859-1 only in printers' quotes and dashes.
            Some("iso-8859-1" | "latin1" | "latin-1" | "windows-1252" | "cp1252") => {
                bytes.iter().map(|&b| b as char).collect()
            }
            None | Some("utf-8" | "utf8" | "us-ascii" | "ascii") => utf_8(bytes, problems),
            // Decoded text saved again often keeps the old name.
            Some("utf-16") if std::str::from_utf8(bytes).is_ok() => utf_8(bytes, problems),
            Some(other) => {
                problem(
                    problems,
                    format!("encoding \"{other}\" is not known; read as UTF-8"),
                );
                utf_8(bytes, problems)
            }
        },
    }
}

/// The name in `encoding="…"` of the XML declaration, in lower case.
fn declared(bytes: &[u8]) -> Option<String> {
    // The declaration is ASCII in every encoding that comes this far, and short.
    let head: String = bytes.iter().take(200).map(|&b| b as char).collect();
    let declaration = head
        .trim_start()
        .strip_prefix("<?xml")?
        .split("?>")
        .next()?;
    let value = declaration.split("encoding").nth(1)?;
    let value = value.trim_start().strip_prefix('=')?.trim_start();
    let quote = value.chars().next().filter(|c| "\"'".contains(*c))?;
    Some(value[1..].split(quote).next()?.to_ascii_lowercase())
}

fn utf_8(bytes: &[u8], problems: &mut Vec<Problem>) -> String {
    let text = String::from_utf8_lossy(bytes);
    if let std::borrow::Cow::Owned(_) = text {
        problem(problems, "some bytes are not UTF-8".into());
    }
    text.into_owned()
}

fn utf_16(bytes: &[u8], unit: fn([u8; 2]) -> u16, problems: &mut Vec<Problem>) -> String {
    let units = bytes.chunks_exact(2).map(|pair| unit([pair[0], pair[1]]));
    let mut damaged = bytes.len() % 2 == 1;
    let text = char::decode_utf16(units)
        .map(|c| {
            damaged |= c.is_err();
            c.unwrap_or(char::REPLACEMENT_CHARACTER)
        })
        .collect();
    if damaged {
        problem(problems, "some bytes are not UTF-16".into());
    }
    text
}

fn problem(problems: &mut Vec<Problem>, text: String) {
    problems.push(Problem {
        place: "the file".into(),
        text,
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_encoding_gives_the_same_text() {
        let text = "<?xml version=\"1.0\"?><a>Étude</a>";
        let le: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let be: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        let with = |mark: &[u8], body: &[u8]| [mark, body].concat();
        let mut problems = Vec::new();
        for bytes in [
            text.as_bytes().to_vec(),
            with(b"\xEF\xBB\xBF", text.as_bytes()),
            with(b"\xFF\xFE", &le),
            with(b"\xFE\xFF", &be),
            le,
            be,
        ] {
            assert_eq!(decode(&bytes, &mut problems), text);
        }
        let latin = b"<?xml version='1.0' encoding='ISO-8859-1'?><a>\xC9tude</a>";
        assert!(decode(latin, &mut problems).ends_with("<a>Étude</a>"));
        assert_eq!(problems, []);
    }

    #[test]
    fn a_wrong_byte_is_said_once() {
        let mut problems = Vec::new();
        assert_eq!(
            decode(b"<a>\xC9\xC9</a>", &mut problems),
            "<a>\u{FFFD}\u{FFFD}</a>"
        );
        assert_eq!(problems.len(), 1);
    }
}
