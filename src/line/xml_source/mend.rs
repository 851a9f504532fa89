//! Mends broken markup: what is left is well-formed, in the order of the file.

/// Rewrites `text` so that every start tag has its end tag.
///
/// A tag that is cut or malformed is dropped, an end tag closes the elements left open inside it, and is dropped where nothing is open
/// under its name. Characters and references that XML does not know become blanks. Line
/// breaks stay, so that lines in later problems are those of the file.
///
/// Of a file that is cut the note in work is dropped: half a note is another note.
pub fn mend(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 64);
    // Names of open elements, and where in `out` each began.
    let mut open: Vec<(&str, usize)> = Vec::new();
    let mut rest = text;
    let mut root_done = false;
    // Where the last comment or CDATA section ends.
    let last_hidden = text.rfind("-->").max(text.rfind("]]>")).unwrap_or(0);
    // The root's own tag may be the broken one, and everything hangs on it.
    let root = score_root(text);
    if let Some(root) = root {
        out.push_str(&format!("<{root}>"));
        open.push((root, 0));
    }
    while let Some(markup) = rest.find('<') {
        let (before, tag_on) = rest.split_at(markup);
        push_text(&mut out, before, open.is_empty());
        if last_hidden < text.len() - tag_on.len() && tag_on.starts_with("<!") {
            // A comment or section that never ends: only its opening is dropped.
            rest = &tag_on[2..];
            continue;
        }
        let Some((tag, after)) = split_tag(tag_on) else {
            // The file ends within a tag.
            rest = "";
            break;
        };
        rest = after;
        match tag {
            Tag::Skip => out.extend(tag_on[..tag_on.len() - after.len()].matches('\n')),
            Tag::Character(data) => push_text(&mut out, data, open.is_empty()),
            Tag::End(name) => {
                if let Some(depth) = open.iter().rposition(|(open, _)| *open == name) {
                    for (name, _) in open.drain(depth..).rev() {
                        push_end(&mut out, name);
                    }
                    root_done = open.is_empty();
                }
            }
            Tag::Start {
                name,
                attributes,
                empty,
            } => {
                if root_done || open.len() >= DEPTH_MAX || Some(name) == root {
                    continue;
                }
                let began = out.len();
                out.push('<');
                out.push_str(name);
                push_attributes(&mut out, attributes);
                if empty {
                    out.push_str("/>");
                    root_done = open.is_empty();
                } else {
                    out.push('>');
                    open.push((name, began));
                }
            }
        }
    }
    let unfinished =
        open.iter()
            .position(|(name, _)| *name == "note")
            .or((!rest.trim().is_empty() && open.len() > 1).then(|| open.len() - 1));
    if let Some(depth) = unfinished {
        out.truncate(open[depth].1);
        open.truncate(depth);
    }
    for (name, _) in open.drain(..).rev() {
        push_end(&mut out, name);
    }
    out
}

/// The root that a text with measures has or should have.
fn score_root(text: &str) -> Option<&'static str> {
    if !text.contains("<measure") {
        None
    } else if text.contains("score-timewise") {
        Some("score-timewise")
    } else {
        Some("score-partwise")
    }
}

/// MusicXML nests less than twenty deep; markup deeper than this is dropped.
const DEPTH_MAX: usize = 200;

enum Tag<'a> {
    Start {
        name: &'a str,
        attributes: &'a str,
        empty: bool,
    },
    End(&'a str),
    /// Content of a CDATA section.
    Character(&'a str),
    /// Comments, instructions, declarations and stray brackets.
    Skip,
}

/// Splits `text`, which begins with `<`, after its first tag; `None` where the tag never ends.
fn split_tag(text: &str) -> Option<(Tag<'_>, &str)> {
    let until = |open: &str, end: &str| {
        let body = &text[open.len()..];
        body.find(end)
            .map(|at| (&body[..at], &body[at + end.len()..]))
    };
    if text.starts_with("<!--") {
        return Some((Tag::Skip, until("<!--", "-->")?.1));
    }
    if text.starts_with("<![CDATA[") {
        let (data, after) = until("<![CDATA[", "]]>")?;
        return Some((Tag::Character(data), after));
    }
    if text.starts_with("<?") || text.starts_with("<!") {
        return Some((Tag::Skip, until("<?", ">")?.1));
    }
    // A tag ends at its bracket; another opening bracket before that means it was cut.
    let end = text[1..].find(['<', '>'])? + 1;
    if text[end..].starts_with('<') {
        return Some((Tag::Skip, &text[end..]));
    }
    let (body, after) = (&text[1..end], &text[end + 1..]);
    let tag = if let Some(name) = body.strip_prefix('/') {
        Tag::End(name.trim())
    } else {
        let (body, empty) = match body.strip_suffix('/') {
            Some(body) => (body, true),
            None => (body, false),
        };
        let name_len = body.find(char::is_whitespace).unwrap_or(body.len());
        let (name, attributes) = body.split_at(name_len);
        if is_name(name) {
            Tag::Start {
                name,
                attributes,
                empty,
            }
        } else {
            Tag::Skip
        }
    };
    Some((tag, after))
}

/// The names MusicXML uses; namespace prefixes would need a declaration to be well-formed.
fn is_name(name: &str) -> bool {
    let mut chars = name.chars();
    chars.next().is_some_and(|c| c.is_ascii_alphabetic())
        && chars.all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_' || c == '.')
}

/// Keeps `name="value"` pairs that are whole, each name once.
fn push_attributes(out: &mut String, mut text: &str) {
    let mut seen: Vec<&str> = Vec::new();
    while let Some(equals) = text.find('=') {
        let name = text[..equals].trim();
        let name = name.rsplit(char::is_whitespace).next().unwrap_or(name);
        let value = text[equals + 1..].trim_start();
        let Some(quote) = value.chars().next().filter(|c| *c == '"' || *c == '\'') else {
            text = &text[equals + 1..];
            continue;
        };
        let Some(len) = value[1..].find(quote) else {
            return;
        };
        if is_name(name) && name != "xmlns" && !seen.contains(&name) {
            seen.push(name);
            out.push(' ');
            out.push_str(name);
            out.push('=');
            out.push(quote);
            push_text(out, &value[1..1 + len], false);
            out.push(quote);
        }
        text = &value[len + 2..];
    }
}

fn push_end(out: &mut String, name: &str) {
    out.push_str("</");
    out.push_str(name);
    out.push('>');
}

/// Text with what XML does not know blanked; outside the root only line breaks are kept.
fn push_text(out: &mut String, text: &str, outside: bool) {
    for (at, c) in text.char_indices() {
        let known = match c {
            '\n' | '\r' | '\t' => true,
            _ if outside => continue,
            '&' => is_reference(&text[at..]),
            '<' | '>' => false,
            c => c >= ' ' && c != '\u{FFFE}' && c != '\u{FFFF}',
        };
        out.push(if known { c } else { ' ' });
    }
}

/// Whether `text` begins with one of the five references of XML itself. Numbered ones may name
/// characters that are not allowed and matter to no note.
fn is_reference(text: &str) -> bool {
    ["&amp;", "&lt;", "&gt;", "&quot;", "&apos;"]
        .iter()
        .any(|r| text.starts_with(r))
}
