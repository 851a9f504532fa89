//! Files that end before the length they state: readers of containers give up on them
//! altogether, so the missing end is lent as zeros and taken away again after decoding.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// A file that goes on with zeros up to its stated length.
pub(super) struct Padded {
    file: File,
    at: u64,
    file_bytes: u64,
    stated_bytes: u64,
}

/// Boxes at the top of a file looked at: real ones have a handful, fragments two a second.
const BOXES_MAX: usize = 100_000;

impl Padded {
    pub(super) fn new(mut file: File) -> io::Result<Padded> {
        let file_bytes = file.metadata()?.len();
        let stated_bytes = stated_bytes(&mut file, file_bytes)?;
        file.seek(SeekFrom::Start(0))?;
        Ok(Padded {
            file,
            at: 0,
            file_bytes,
            stated_bytes: stated_bytes.max(file_bytes),
        })
    }

    pub(super) fn missing_bytes(&self) -> u64 {
        self.stated_bytes - self.file_bytes
    }
}

/// End of the last top-level box (ISO/IEC 14496-12 §4.2) or of the FORM chunk (AIFF); 0 for other files.
fn stated_bytes(file: &mut File, file_bytes: u64) -> io::Result<u64> {
    let mut at = 0u64;
    for _ in 0..BOXES_MAX {
        let mut head = Vec::new();
        file.seek(SeekFrom::Start(at))?;
        file.by_ref().take(16).read_to_end(&mut head)?;
        let (Some(size), Some(name)) = (head.first_chunk::<4>(), head.get(4..8)) else {
            break;
        };
        let size = u32::from_be_bytes(*size) as u64;
        if at == 0 && head.starts_with(b"FORM") {
            return Ok(8 + u32::from_be_bytes(name.try_into().expect("four bytes")) as u64);
        }
        if at == 0 && !matches!(name, b"ftyp" | b"moov" | b"mdat" | b"wide" | b"free") {
            return Ok(0);
        }
        let size = match (size, head.get(8..16)) {
            (1, Some(wide)) => u64::from_be_bytes(wide.try_into().expect("eight bytes")),
            // Up to the end of the file.
            (0, _) => break,
            _ => size,
        };
        at = at.saturating_add(size.max(8));
        if at >= file_bytes {
            break;
        }
    }
    // A length that a broken header makes up would be read as hours of zeros.
    Ok(if at <= 16 * file_bytes { at } else { 0 })
}

impl Read for Padded {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let n_bytes = if self.at < self.file_bytes {
            self.file.read(out)?
        } else {
            let left = self.stated_bytes.saturating_sub(self.at);
            let n_bytes = out.len().min(usize::try_from(left).unwrap_or(usize::MAX));
            out[..n_bytes].fill(0);
            n_bytes
        };
        self.at += n_bytes as u64;
        Ok(n_bytes)
    }
}

impl Seek for Padded {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(step) => self.at.checked_add_signed(step),
            SeekFrom::End(step) => self.stated_bytes.checked_add_signed(step),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        self.file.seek(SeekFrom::Start(self.at))?;
        Ok(self.at)
    }
}

impl MediaSource for Padded {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.stated_bytes)
    }
}
