//! Bytes to text, and the text strings of 8.2: accents, entities, code points.

/// UTF-8, UTF-16 with a byte order mark, or else Latin-1, in which every byte is a letter.
pub fn decode(content: &[u8]) -> String {
    let utf16 = |bytes: &[u8], unit: fn([u8; 2]) -> u16| {
        let units = bytes.chunks_exact(2).map(|pair| unit([pair[0], pair[1]]));
        char::decode_utf16(units)
            .map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER))
            .collect()
    };
    match content {
        [0xFF, 0xFE, rest @ ..] => utf16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf16(rest, u16::from_be_bytes),
        _ => {
            let content = content.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(content);
            match std::str::from_utf8(content) {
                Ok(text) => text.to_string(),
                Err(_) => content.iter().map(|&b| b as char).collect(),
            }
        }
    }
}

/// A text string as it is meant to be read: `\'e` and `&eacute;` are é, `\u00e9` too.
pub fn unescape(text: &str) -> String {
    let chars: Vec<char> = text.trim().chars().collect();
    let mut out = String::new();
    let mut i = 0;
    while i < chars.len() {
        let (read, n) = match chars[i] {
            '\\' => backslash(&chars[i + 1..]),
            '&' => entity(&chars[i + 1..]),
            c => (Some(c), 0),
        };
        out.extend(read);
        i += 1 + n;
    }
    out
}

/// What follows a backslash, and how many characters of it belong to the escape.
fn backslash(after: &[char]) -> (Option<char>, usize) {
    match after {
        ['u', h @ ..] if h.len() >= 4 && h[..4].iter().all(char::is_ascii_hexdigit) => {
            let code = h[..4]
                .iter()
                .filter_map(|c| c.to_digit(16))
                .fold(0, |code, d| code * 16 + d);
            (char::from_u32(code), 5)
        }
        [c @ ('\\' | '%' | '&'), ..] => (Some(*c), 1),
        ['s', 's', ..] => (Some('ß'), 2),
        [mark, letter, ..] => match accented(*mark, *letter) {
            Some(c) => (Some(c), 2),
            None => (Some('\\'), 0),
        },
        _ => (Some('\\'), 0),
    }
}

/// An entity such as `&eacute;` after its `&`.
fn entity(after: &[char]) -> (Option<char>, usize) {
    const NAMES: [(&str, char); 7] = [
        ("grave", '`'),
        ("acute", '\''),
        ("circ", '^'),
        ("uml", '"'),
        ("tilde", '~'),
        ("cedil", 'c'),
        ("ring", 'a'),
    ];
    let end = after.iter().take(10).position(|c| *c == ';');
    let Some(end) = end else {
        return (Some('&'), 0);
    };
    let name: String = after[..end].iter().collect();
    let plain = match name.as_str() {
        "amp" => Some('&'),
        "quot" => Some('"'),
        "copy" => Some('©'),
        "szlig" => Some('ß'),
        _ => NAMES.iter().find_map(|(accent, mark)| {
            let letter = name.strip_suffix(accent)?.chars().next()?;
            accented(*mark, letter)
        }),
    };
    match plain {
        Some(c) => (Some(c), end + 1),
        None => (Some('&'), 0),
    }
}

fn accented(mark: char, letter: char) -> Option<char> {
    let (plain, marked) = match mark {
        '`' => ("aeiouAEIOU", "àèìòùÀÈÌÒÙ"),
        '\'' => ("aeiouyAEIOUY", "áéíóúýÁÉÍÓÚÝ"),
        '^' => ("aeiouAEIOU", "âêîôûÂÊÎÔÛ"),
        '"' => ("aeiouyAEIOU", "äëïöüÿÄËÏÖÜ"),
        '~' => ("anoANO", "ãñõÃÑÕ"),
        'c' => ("cC", "çÇ"),
        'a' => ("aA", "åÅ"),
        '/' => ("oO", "øØ"),
        'v' => ("csz", "čšž"),
        _ => return None,
    };
    let at = plain.chars().position(|c| c == letter)?;
    marked.chars().nth(at)
}
