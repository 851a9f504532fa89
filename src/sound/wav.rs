//! WAV as recorders really leave it: every depth, RF64 and BW64, lengths that are
//! missing or untrue, chunks of odd length with and without their padding byte.
//!
//! From the Multimedia Programming Interface (IBM and Microsoft, 1991), Microsoft's
//! WAVEFORMATEXTENSIBLE, and EBU Tech 3306 / ITU-R BS.2088 (RF64, BW64). Read here and not
//! through `hound`, which believes the header: it refuses 64-bit floats and RF64 and
//! cannot read a file whose recorder died before it wrote the length.

use std::fs::File;
use std::io::{self, BufReader, Read, Seek, SeekFrom};

/// How one sample lies in the file.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Coding {
    /// Unsigned, 128 is zero.
    U8,
    /// Two's complement, little-endian, of so many bytes (2 to 4).
    Int(usize),
    F32,
    F64,
}

/// Reads the samples of a PCM or floating WAV.
pub(super) struct Wav {
    file: BufReader<File>,
    coding: Coding,
    /// Bytes from one sample to the next of the same frame.
    stride: usize,
    pub(super) rate_hz: u32,
    pub(super) n_channels: usize,
    bytes_left: u64,
    frames_read: u64,
    bytes: Vec<u8>,
    /// What is wrong with the file, as sentences.
    pub(super) faults: Vec<String>,
}

/// Why [`Wav::open`] did not.
pub(super) enum NotWav {
    /// A coding of sound that is not plain samples; the decoder library may know it.
    Coded(u16),
    Damaged(&'static str),
    Io(io::Error),
}

impl From<io::Error> for NotWav {
    fn from(error: io::Error) -> Self {
        NotWav::Io(error)
    }
}

/// Sample frames decoded at a time.
const BLOCK_FRAMES: usize = 4096;
/// From here on a stated length means "unknown": writers to a pipe put 2³¹ − 4096 or 2³² − 1.
const LENGTH_UNKNOWN_BYTES: u64 = 0x7fff_f000;

impl Wav {
    /// `file` begins with RIFF, RF64 or BW64 and WAVE.
    pub(super) fn open(file: File) -> Result<Wav, NotWav> {
        let file_bytes = file.metadata()?.len();
        let mut file = BufReader::new(file);
        let mut at = 12;
        let mut format = None;
        let mut data_bytes_64 = None;
        loop {
            let Some((id, mut length)) = chunk_at(&mut file, at)? else {
                return Err(NotWav::Damaged(if format.is_none() {
                    "its format chunk is missing"
                } else {
                    "its data chunk is missing"
                }));
            };
            at += 8;
            match &id {
                b"fmt " => format = Some(Format::read(&mut file, length)?),
                b"ds64" if length >= 16 => {
                    let mut sizes = [0; 16];
                    file.read_exact(&mut sizes)?;
                    let low = sizes[8..].try_into().expect("eight bytes");
                    data_bytes_64 = Some(u64::from_le_bytes(low));
                }
                b"data" => {
                    let format = format.ok_or(NotWav::Damaged("its format chunk is missing"))?;
                    if length == 0xffff_ffff
                        && let Some(length_64) = data_bytes_64
                    {
                        length = length_64;
                    }
                    return Wav::begin(file, format, at, length, file_bytes);
                }
                _ => {}
            }
            at = next_chunk(&mut file, at, length)?;
        }
    }

    fn begin(
        mut file: BufReader<File>,
        format: Format,
        at: u64,
        stated: u64,
        file_bytes: u64,
    ) -> Result<Wav, NotWav> {
        let present = file_bytes.saturating_sub(at);
        let frame_bytes = (format.stride * format.n_channels) as u64;
        let seconds = |bytes: u64| bytes as f64 / frame_bytes as f64 / format.rate_hz as f64;
        let mut faults = Vec::new();
        let mut bytes = stated;
        if stated >= LENGTH_UNKNOWN_BYTES && stated > present {
            bytes = present;
        } else if stated > present {
            bytes = present;
            faults.push(format!(
                "the file is cut off at {:.2} s of {:.2} s",
                seconds(present),
                seconds(stated)
            ));
        } else if stated < present && !known_end(&mut file, at + stated + (stated & 1), file_bytes)?
        {
            // The recorder died after writing sound that its header does not count.
            bytes = present;
            faults.push(format!(
                "the recording was not closed properly: the file states {:.2} s and holds {:.2} s",
                seconds(stated),
                seconds(present)
            ));
        }
        file.seek(SeekFrom::Start(at))?;
        Ok(Wav {
            file,
            coding: format.coding,
            stride: format.stride,
            rate_hz: format.rate_hz,
            n_channels: format.n_channels,
            bytes_left: bytes,
            frames_read: 0,
            bytes: Vec::new(),
            faults,
        })
    }

    /// The smallest step between two samples; 0 for floats.
    pub(super) fn quantum(&self) -> f32 {
        match self.coding {
            Coding::U8 => 1.0 / 128.0,
            Coding::Int(bytes) => (2f32).powi(1 - 8 * bytes as i32),
            Coding::F32 | Coding::F64 => 0.0,
        }
    }

    /// Replaces `out` with the next frames, interleaved, full scale at ±1; false at the end.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> bool {
        out.clear();
        let frame_bytes = self.stride * self.n_channels;
        let wanted = (BLOCK_FRAMES * frame_bytes) as u64;
        self.bytes.clear();
        let read = self
            .file
            .by_ref()
            .take(wanted.min(self.bytes_left))
            .read_to_end(&mut self.bytes);
        self.bytes_left -= self.bytes.len() as u64;
        if let Err(error) = read {
            let at_s = self.frames_read as f64 / self.rate_hz as f64;
            self.faults.push(format!(
                "the file cannot be read after {at_s:.2} s: {error}"
            ));
            self.bytes_left = 0;
        }
        let n_frames = self.bytes.len() / frame_bytes;
        self.frames_read += n_frames as u64;
        let samples = self.bytes[..n_frames * frame_bytes].chunks_exact(self.stride);
        match self.coding {
            Coding::U8 => out.extend(samples.map(|b| (b[0] as f32 - 128.0) / 128.0)),
            Coding::Int(2) => {
                out.extend(samples.map(|b| i16::from_le_bytes([b[0], b[1]]) as f32 / 32_768.0))
            }
            Coding::Int(3) => out
                .extend(samples.map(|b| {
                    (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) as f32 / 8_388_608.0
                })),
            Coding::Int(_) => out
                .extend(samples.map(|b| {
                    i32::from_le_bytes([b[0], b[1], b[2], b[3]]) as f32 / 2_147_483_648.0
                })),
            Coding::F32 => {
                out.extend(samples.map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])));
            }
            Coding::F64 => out.extend(
                samples.map(|b| f64::from_le_bytes(b.try_into().expect("eight bytes")) as f32),
            ),
        }
        n_frames > 0
    }
}

#[derive(Clone, Copy)]
struct Format {
    coding: Coding,
    stride: usize,
    n_channels: usize,
    rate_hz: u32,
}

/// Format tags (RFC 2361 and mmreg.h).
const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xfffe;

impl Format {
    fn read(file: &mut BufReader<File>, length: u64) -> Result<Format, NotWav> {
        const CUT: NotWav = NotWav::Damaged("its format chunk is cut off");
        let mut bytes = Vec::with_capacity(40);
        file.take(length.min(40)).read_to_end(&mut bytes)?;
        let u16_at = |at: usize| -> Option<u16> {
            Some(u16::from_le_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
        };
        let mut tag = u16_at(0).ok_or(CUT)?;
        let n_channels = u16_at(2).ok_or(CUT)? as usize;
        let rate = bytes.get(4..8).ok_or(CUT)?;
        let rate_hz = u32::from_le_bytes(rate.try_into().expect("four bytes"));
        let block_bytes = u16_at(12).ok_or(CUT)? as usize;
        let bits = u16_at(14).ok_or(CUT)? as usize;
        if tag == TAG_EXTENSIBLE {
            // The first two bytes of the sub-format's GUID are the tag proper.
            tag = u16_at(24).ok_or(CUT)?;
        }
        if n_channels == 0 {
            return Err(NotWav::Damaged("it states no channels"));
        }
        let bytes_used = bits.div_ceil(8);
        let coding = match (tag, bytes_used) {
            (TAG_PCM, 1) => Coding::U8,
            (TAG_PCM, 2..=4) => Coding::Int(bytes_used),
            (TAG_FLOAT, 4) => Coding::F32,
            (TAG_FLOAT, 8) => Coding::F64,
            (TAG_PCM | TAG_FLOAT, _) => {
                return Err(NotWav::Damaged("its sample size is impossible"));
            }
            _ => return Err(NotWav::Coded(tag)),
        };
        // A sample may lie in a wider container (24 bits in four bytes).
        let container = block_bytes / n_channels;
        let stride =
            if block_bytes.is_multiple_of(n_channels) && (bytes_used..=8).contains(&container) {
                container
            } else {
                bytes_used
            };
        Ok(Format {
            coding,
            stride,
            n_channels,
            rate_hz,
        })
    }
}

/// Name and stated length of the chunk at `at`; `None` past the end of the file.
fn chunk_at(file: &mut BufReader<File>, at: u64) -> io::Result<Option<([u8; 4], u64)>> {
    let mut head = [0; 8];
    file.seek(SeekFrom::Start(at))?;
    match file.read_exact(&mut head) {
        Ok(()) => {}
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        Err(error) => return Err(error),
    }
    let [a, b, c, d, length @ ..] = head;
    Ok(Some(([a, b, c, d], u32::from_le_bytes(length) as u64)))
}

/// Where the chunk after the one with its body at `at` begins. A body of odd length is
/// followed by a padding byte, which some writers forget.
fn next_chunk(file: &mut BufReader<File>, at: u64, length: u64) -> io::Result<u64> {
    let end = at.saturating_add(length);
    if length % 2 == 1
        && !matches!(chunk_at(file, end + 1)?, Some((id, _)) if is_name(id))
        && matches!(chunk_at(file, end)?, Some((id, _)) if is_name(id))
    {
        return Ok(end);
    }
    Ok(end + (length & 1))
}

/// True when the file properly ends at `at` or goes on there with another chunk.
fn known_end(file: &mut BufReader<File>, at: u64, file_bytes: u64) -> io::Result<bool> {
    // Up to a header's length of trailing bytes is padding, not lost sound.
    if at + 8 > file_bytes {
        return Ok(true);
    }
    for start in [at, at - 1] {
        if let Some((id, length)) = chunk_at(file, start)?
            && is_name(id)
            && start + 8 + length <= file_bytes + 1
        {
            return Ok(true);
        }
    }
    Ok(false)
}

/// A chunk's name is four printable ASCII characters.
fn is_name(id: [u8; 4]) -> bool {
    id.iter().all(|byte| (0x20..0x7f).contains(byte))
}
