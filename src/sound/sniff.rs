//! What a file is, by its first bytes: names lie, and a refusal should say what was given.

/// What the first bytes say.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// RIFF, RF64 or BW64 with WAVE inside.
    Wave,
    /// Perhaps one of the coded formats: let the decoder try.
    Coded,
    /// Sound in a format that is not read.
    Unsupported(&'static str),
    /// No sound at all.
    NotSound(&'static str),
}

/// Bytes looked at.
pub(super) const HEAD_BYTES: usize = 4096;

/// `head` is the start of the file, at most [`HEAD_BYTES`], and not empty.
pub(super) fn sniff(head: &[u8]) -> Kind {
    if let Some(form) = head.get(8..12)
        && (head.starts_with(b"RIFF") || head.starts_with(b"RF64") || head.starts_with(b"BW64"))
    {
        return match form {
            b"WAVE" => Kind::Wave,
            b"AVI " => Kind::NotSound("an AVI video"),
            b"RMID" => Kind::NotSound("a MIDI file (a line, not a take)"),
            _ => Kind::NotSound("a RIFF file without sound"),
        };
    }
    for (start, kind) in STARTS {
        if head.starts_with(start) {
            return match kind {
                Kind::Unsupported(what) => Kind::Unsupported(what),
                Kind::NotSound(what) => Kind::NotSound(what),
                _ => Kind::Coded,
            };
        }
    }
    if head.starts_with(b"OggS") && contains(head, b"OpusHead") {
        return Kind::Unsupported("Opus sound");
    }
    if is_text(head) {
        return if contains(head, b"<score-") || head.starts_with(b"<?xml") {
            Kind::NotSound("an XML text, perhaps the étude (a line, not a take)")
        } else if contains(head, b"\nK:") {
            Kind::NotSound("a tune in ABC (a line, not a take)")
        } else {
            Kind::NotSound("a text")
        };
    }
    Kind::Coded
}

/// Signatures of files that are often given by mistake (from the formats' own standards).
const STARTS: [(&[u8], Kind); 16] = [
    (b"%PDF", Kind::NotSound("a PDF")),
    (
        b"PK\x03\x04",
        Kind::NotSound("a zip archive or a compressed score"),
    ),
    (b"MThd", Kind::NotSound("a MIDI file (a line, not a take)")),
    (b"\x89PNG", Kind::NotSound("a picture")),
    (b"\xff\xd8\xff", Kind::NotSound("a picture")),
    (b"GIF8", Kind::NotSound("a picture")),
    (b"FLV\x01", Kind::NotSound("a Flash video")),
    (b"\x00\x00\x01\xba", Kind::NotSound("an MPEG video")),
    (b"\x1f\x8b", Kind::NotSound("a gzip archive")),
    (b"SQLite format 3", Kind::NotSound("a database")),
    (
        b"\x1a\x45\xdf\xa3",
        Kind::Unsupported("a WebM or Matroska film"),
    ),
    (
        b"\x30\x26\xb2\x75",
        Kind::Unsupported("Windows Media sound"),
    ),
    (b"#!AMR", Kind::Unsupported("AMR speech")),
    (b"caff", Kind::Unsupported("a Core Audio file")),
    (b"wvpk", Kind::Unsupported("WavPack sound")),
    (b"MAC ", Kind::Unsupported("Monkey's Audio")),
];

fn contains(head: &[u8], needle: &[u8]) -> bool {
    head.windows(needle.len()).any(|window| window == needle)
}

/// UTF-8 (a letter cut at the end allowed) or UTF-16 with a byte order mark, without control characters.
fn is_text(head: &[u8]) -> bool {
    if head.starts_with(b"\xff\xfe<\0") || head.starts_with(b"\xfe\xff\0<") {
        return true;
    }
    let valid = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(error) if error.valid_up_to() + 4 > head.len() => {
            std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !valid.is_empty()
        && valid
            .chars()
            .all(|letter| !letter.is_control() || matches!(letter, '\t' | '\n' | '\r' | '\u{c}'))
}
