//! What an MP4 file says about the sound an encoder put before and after the take.
//!
//! The edit list (`elst`, ISO/IEC 14496-12 §8.6.6) names the first moment to be presented;
//! files of Apple's encoders also carry it as the text `iTunSMPB`. The decoder library
//! reads neither.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

/// What to present of the decoded frames; `None` where the file does not say.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Edit {
    pub(super) skip_frames: Option<u64>,
    pub(super) n_frames: Option<u64>,
}

/// An index larger than this is not read for its edit list (an hour needs about 1 MB).
const MOOV_MAX_BYTES: u64 = 64 << 20;

/// Reads the edit of track `track_id`, decoded at `rate_hz`. Never fails: what cannot be read is not said.
pub(super) fn edit(path: &Path, track_id: u32, rate_hz: u32) -> Edit {
    let moov = File::open(path).ok().and_then(read_moov);
    moov.map(|moov| edit_of(&moov, track_id, rate_hz))
        .unwrap_or_default()
}

fn edit_of(moov: &[u8], track_id: u32, rate_hz: u32) -> Edit {
    edit_list(moov, track_id, rate_hz)
        .or_else(|| gapless_text(moov))
        .unwrap_or_default()
}

/// The body of the `moov` box.
fn read_moov(mut file: File) -> Option<Vec<u8>> {
    let mut at = 0;
    loop {
        let mut head = [0; 16];
        file.seek(SeekFrom::Start(at)).ok()?;
        file.read_exact(&mut head[..8]).ok()?;
        let mut header_bytes = 8;
        let mut size = be_u32(&head, 0)? as u64;
        if size == 1 {
            file.read_exact(&mut head[8..]).ok()?;
            size = be_u64(&head, 8)?;
            header_bytes = 16;
        }
        if &head[4..8] == b"moov" {
            let body_bytes = size.checked_sub(header_bytes)?;
            if body_bytes > MOOV_MAX_BYTES {
                return None;
            }
            let mut body = Vec::new();
            file.take(body_bytes).read_to_end(&mut body).ok()?;
            return Some(body);
        }
        if size < header_bytes {
            return None;
        }
        at = at.checked_add(size)?;
    }
}

fn edit_list(moov: &[u8], track_id: u32, rate_hz: u32) -> Option<Edit> {
    let movie_scale = time_scale(find(moov, b"mvhd")?)?;
    let trak = boxes(moov)
        .filter(|(name, _)| name == b"trak")
        .map(|(_, body)| body)
        .find(|trak| find(trak, b"tkhd").and_then(track_number) == Some(track_id))?;
    let media_scale = time_scale(find(find(trak, b"mdia")?, b"mdhd")?)?;
    let elst = find(find(trak, b"edts")?, b"elst")?;
    let wide = *elst.first()? == 1;
    let (entry_bytes, n_entries) = (if wide { 20 } else { 12 }, be_u32(elst, 4)?);
    for entry in elst
        .get(8..)?
        .chunks_exact(entry_bytes)
        .take(n_entries as usize)
    {
        let (length, start) = if wide {
            (be_u64(entry, 0)?, be_u64(entry, 8)? as i64)
        } else {
            (be_u32(entry, 0)? as u64, be_u32(entry, 4)? as i32 as i64)
        };
        // A start of −1 is an empty edit: silence before the take, which we do not need.
        if start < 0 {
            continue;
        }
        let frames = |ticks: u64, scale: u32| {
            (ticks as u128 * rate_hz as u128 / scale as u128).min(u64::MAX as u128) as u64
        };
        // A start of 0 says nothing about priming: encoders that do not know theirs write it too.
        return (start > 0).then(|| Edit {
            skip_frames: Some(frames(start as u64, media_scale)),
            n_frames: (length > 0).then(|| frames(length, movie_scale)),
        });
    }
    None
}

/// `iTunSMPB`: hexadecimal words, the second the priming, the fourth the length, in frames.
fn gapless_text(moov: &[u8]) -> Option<Edit> {
    let name = b"iTunSMPB";
    let at = moov.windows(name.len()).position(|window| window == name)?;
    let rest = &moov[at..];
    let data = rest.windows(4).position(|window| window == b"data")?;
    let text: String = rest
        .get(data + 12..)?
        .iter()
        .take_while(|byte| byte.is_ascii_hexdigit() || **byte == b' ')
        .map(|byte| *byte as char)
        .collect();
    let words: Vec<&str> = text.split_whitespace().collect();
    let number = |idx: usize| u64::from_str_radix(words.get(idx)?, 16).ok();
    Some(Edit {
        skip_frames: Some(number(1)?),
        n_frames: number(3).filter(|n_frames| *n_frames > 0),
    })
}

/// Track number in a `tkhd` box.
fn track_number(tkhd: &[u8]) -> Option<u32> {
    be_u32(tkhd, if *tkhd.first()? == 1 { 20 } else { 12 })
}

/// Ticks a second in an `mvhd` or `mdhd` box.
fn time_scale(header: &[u8]) -> Option<u32> {
    be_u32(header, if *header.first()? == 1 { 20 } else { 12 }).filter(|scale| *scale > 0)
}

fn find<'a>(body: &'a [u8], wanted: &[u8; 4]) -> Option<&'a [u8]> {
    boxes(body)
        .find(|(name, _)| name == wanted)
        .map(|(_, body)| body)
}

/// The boxes inside a box's body, as (name, body).
fn boxes(body: &[u8]) -> impl Iterator<Item = ([u8; 4], &[u8])> {
    let mut at = 0;
    std::iter::from_fn(move || {
        let name = body.get(at + 4..at + 8)?.try_into().ok()?;
        let (size, header_bytes) = match be_u32(body, at)? {
            1 => (usize::try_from(be_u64(body, at + 8)?).ok()?, 16),
            0 => (body.len() - at, 8),
            size => (size as usize, 8),
        };
        let inner = body.get(at + header_bytes..at.checked_add(size)?)?;
        at += size;
        Some((name, inner))
    })
}

fn be_u32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

fn be_u64(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_be_bytes(bytes.get(at..at + 8)?.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gapless_text_is_read_where_there_is_no_edit_list() {
        // As iTunes writes it: 2112 frames of priming, 458 of padding, 4142070 of sound.
        let mut moov = b"....----....iTunSMPB....data\0\0\0\x01\0\0\0\0".to_vec();
        moov.extend(b" 00000000 00000840 000001CA 00000000003F33F6 00000000");
        assert_eq!(
            edit_of(&moov, 1, 44_100),
            Edit {
                skip_frames: Some(2112),
                n_frames: Some(0x3f33f6),
            }
        );
    }
}
