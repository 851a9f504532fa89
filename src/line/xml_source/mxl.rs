//! Compressed MusicXML: a zip archive whose `META-INF/container.xml` names the score
//! (MusicXML 4.0, "Compressed .mxl files").

use std::io::{Cursor, Read};

use super::unreadable;
use crate::line::Problem;
use crate::line::read::LineError;

pub fn is_zip(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04")
}

/// The bytes of the score in an archive, at most `bytes_max` of them.
///
/// An archive cut at its end has no directory any more; its files are then taken as they come.
pub fn unpack(
    bytes: &[u8],
    bytes_max: usize,
    problems: &mut Vec<Problem>,
) -> Result<Vec<u8>, LineError> {
    let Ok(mut archive) = zip::ZipArchive::new(Cursor::new(bytes)) else {
        return unpack_in_order(bytes, bytes_max, problems);
    };
    let named = archive
        .by_name("META-INF/container.xml")
        .ok()
        .and_then(|mut file| {
            /// A container names a handful of files.
            const CONTAINER_BYTES_MAX: usize = 1 << 16;
            let (container, _) = read_at_most(&mut file, CONTAINER_BYTES_MAX);
            root_file(&String::from_utf8_lossy(&container))
        })
        .filter(|name| archive.index_for_name(name).is_some());
    let name = match named {
        Some(name) => name,
        None => {
            let mut names = archive.file_names().filter_map(Result::ok);
            let Some(first) = names.find(|name| is_score(name)).map(|n| n.into_owned()) else {
                return Err(unreadable("the archive holds no MusicXML file".into()));
            };
            say(
                problems,
                format!("the archive does not say which file is the score; {first} is read"),
            );
            first
        }
    };
    let mut file = archive
        .by_name(&name)
        .map_err(|error| unreadable(format!("{name} in the archive cannot be read: {error}")))?;
    bounded(&mut file, &name, bytes_max, problems)
}

fn unpack_in_order(
    bytes: &[u8],
    bytes_max: usize,
    problems: &mut Vec<Problem>,
) -> Result<Vec<u8>, LineError> {
    say(problems, "the archive is damaged at its end".into());
    /// A score's archive has a container, the score and perhaps pictures and parts.
    const FILES_MAX: usize = 64;
    let mut rest = Cursor::new(bytes);
    for _ in 0..FILES_MAX {
        match zip::read::read_zipfile_from_stream(&mut rest) {
            Ok(Some(mut file)) => {
                let name = file.name().unwrap_or_default().into_owned();
                if is_score(&name) {
                    return bounded(&mut file, &name, bytes_max, problems);
                }
                // Reading on to the next file needs this one read to its end.
                let (_, whole) = read_at_most(&mut file, bytes_max);
                if !whole {
                    break;
                }
            }
            _ => break,
        }
    }
    Err(unreadable(
        "the archive is damaged and no score can be got out of it".into(),
    ))
}

fn is_score(name: &str) -> bool {
    let lower = name.to_ascii_lowercase();
    !lower.starts_with("meta-inf/")
        && !lower.starts_with("__macosx/")
        && (lower.ends_with(".xml") || lower.ends_with(".musicxml"))
}

/// `full-path` of the first root file that is MusicXML; the type may be left out.
fn root_file(container: &str) -> Option<String> {
    let document = roxmltree::Document::parse(container.trim_start_matches('\u{FEFF}')).ok()?;
    document
        .descendants()
        .filter(|n| n.tag_name().name() == "rootfile")
        .filter(|n| {
            n.attribute("media-type")
                .is_none_or(|t| t.contains("musicxml") || t.contains("xml"))
        })
        .find_map(|n| n.attribute("full-path"))
        .map(str::to_string)
}

/// What a file gives before it ends, breaks, or passes the bound, and whether that was all.
fn read_at_most(file: &mut impl Read, bytes_max: usize) -> (Vec<u8>, bool) {
    let mut content = Vec::new();
    let whole = file
        .take(bytes_max as u64 + 1)
        .read_to_end(&mut content)
        .is_ok();
    (content, whole)
}

fn bounded(
    file: &mut impl Read,
    name: &str,
    bytes_max: usize,
    problems: &mut Vec<Problem>,
) -> Result<Vec<u8>, LineError> {
    let (content, whole) = read_at_most(file, bytes_max);
    if content.len() > bytes_max {
        return Err(unreadable(format!(
            "{name} in the archive holds more than {bytes_max} bytes"
        )));
    }
    if !whole {
        say(
            problems,
            format!("{name} in the archive is damaged; it is read as far as it goes"),
        );
    }
    Ok(content)
}

fn say(problems: &mut Vec<Problem>, text: String) {
    problems.push(Problem {
        place: "the archive".into(),
        text,
    });
}
