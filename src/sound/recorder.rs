//! A take on its way to disk: a WAV file that can be played at every moment.
//!
//! Sound is written every quarter of a second and the header's sizes right after it, so that a
//! program killed outright, a full disk or a pulled microphone leave all but the last moment.
//! A header that fell behind its sound is mended by [`repair`] on the next start.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Sound that may be lost, seconds.
const WRITE_EVERY_S: f64 = 0.25;

/// Bytes before the sound: RIFF head, `fmt ` for IEEE float with its extension size, `fact`
/// and the head of `data` (Microsoft, "Multimedia Data Standards Update", 1994, revision 3).
const HEAD_BYTES: u64 = 58;
const IEEE_FLOAT: u16 = 3;
const SAMPLE_BYTES: u64 = 4;

/// Longest sound a WAV header can state, bytes; at 48 kHz and one channel six hours.
const SOUND_BYTES_MAX: u64 = u32::MAX as u64 - HEAD_BYTES;

/// Why a take could not be kept.
#[derive(Debug, thiserror::Error)]
pub enum RecorderError {
    #[error("{}: the take cannot be written here: {source}; make room or name another place with --save", path.display())]
    Write { path: PathBuf, source: io::Error },
    #[error("{}: the take has reached the longest a WAV file can be; begin a new one", path.display())]
    TooLong { path: PathBuf },
}

/// Writes interleaved samples as 32-bit float.
pub struct Recorder {
    path: PathBuf,
    file: File,
    n_channels: u16,
    waiting: Vec<u8>,
    write_bytes: usize,
    written: u64,
}

impl Recorder {
    /// Makes the file and its header; an existing file is never written over.
    pub fn create(
        path: &Path,
        sample_rate_hz: u32,
        n_channels: u16,
    ) -> Result<Recorder, RecorderError> {
        let failed = |source| RecorderError::Write {
            path: path.into(),
            source,
        };
        let mut file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(path)
            .map_err(failed)?;
        file.write_all(&head(sample_rate_hz, n_channels, 0))
            .map_err(failed)?;
        let frame_bytes = SAMPLE_BYTES as usize * usize::from(n_channels);
        let write_frames = (WRITE_EVERY_S * f64::from(sample_rate_hz)) as usize;
        Ok(Recorder {
            path: path.into(),
            file,
            n_channels,
            waiting: Vec::with_capacity(2 * write_frames * frame_bytes),
            write_bytes: write_frames * frame_bytes,
            written: 0,
        })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whole frames only.
    pub fn push(&mut self, interleaved: &[f32]) -> Result<(), RecorderError> {
        for sample in interleaved {
            self.waiting.extend_from_slice(&sample.to_le_bytes());
        }
        if self.waiting.len() >= self.write_bytes {
            self.write()?;
        }
        Ok(())
    }

    /// Writes what is left. Dropping a recorder does the same and says nothing of failure.
    pub fn finish(mut self) -> Result<(), RecorderError> {
        self.write()
    }

    fn write(&mut self) -> Result<(), RecorderError> {
        let waiting = std::mem::take(&mut self.waiting);
        if self.written + waiting.len() as u64 > SOUND_BYTES_MAX {
            return Err(RecorderError::TooLong {
                path: self.path.clone(),
            });
        }
        let result = self.append(&waiting);
        // What did reach the disk is made playable in any case: the header is there already.
        let stated = self.state_sizes();
        self.waiting = waiting;
        self.waiting.clear();
        result.and(stated).map_err(|source| RecorderError::Write {
            path: self.path.clone(),
            source,
        })
    }

    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.seek(SeekFrom::Start(HEAD_BYTES + self.written))?;
        let mut rest = bytes;
        while !rest.is_empty() {
            match self.file.write(rest) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(n) => {
                    self.written += n as u64;
                    rest = &rest[n..];
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
        Ok(())
    }

    fn state_sizes(&mut self) -> io::Result<()> {
        state_sizes(&mut self.file, self.n_channels, self.written)
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        if !self.waiting.is_empty() {
            let _ = self.write();
        }
    }
}

/// Mends the header of a take of ours that was cut off. Returns the bytes of sound that it did
/// not state; `None` where nothing was wrong or the file is none of ours.
pub fn repair(path: &Path) -> io::Result<Option<u64>> {
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let mut found = [0u8; HEAD_BYTES as usize];
    if file.read_exact(&mut found).is_err() {
        return Ok(None);
    }
    let at = |i: usize| u32::from_le_bytes([found[i], found[i + 1], found[i + 2], found[i + 3]]);
    let n_channels = u16::from_le_bytes([found[22], found[23]]);
    let ours = head(at(24), n_channels, at(54));
    if n_channels == 0 || found != ours {
        return Ok(None);
    }
    let frame_bytes = SAMPLE_BYTES * u64::from(n_channels);
    let sound_bytes = (file.metadata()?.len() - HEAD_BYTES).min(SOUND_BYTES_MAX);
    let whole = sound_bytes / frame_bytes * frame_bytes;
    if whole == u64::from(at(54)) {
        return Ok(None);
    }
    state_sizes(&mut file, n_channels, whole)?;
    Ok(Some(whole.saturating_sub(u64::from(at(54)))))
}

/// The header of `sound_bytes` of sound.
fn head(sample_rate_hz: u32, n_channels: u16, sound_bytes: u32) -> [u8; HEAD_BYTES as usize] {
    let frame_bytes = SAMPLE_BYTES as u32 * u32::from(n_channels);
    let mut head = [0; HEAD_BYTES as usize];
    let mut put = |at: usize, bytes: &[u8]| head[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, b"RIFF");
    put(
        4,
        &(HEAD_BYTES as u32 - 8)
            .saturating_add(sound_bytes)
            .to_le_bytes(),
    );
    put(8, b"WAVEfmt ");
    put(16, &18u32.to_le_bytes());
    put(20, &IEEE_FLOAT.to_le_bytes());
    put(22, &n_channels.to_le_bytes());
    put(24, &sample_rate_hz.to_le_bytes());
    put(
        28,
        &sample_rate_hz.saturating_mul(frame_bytes).to_le_bytes(),
    );
    put(32, &(frame_bytes as u16).to_le_bytes());
    put(34, &(8 * SAMPLE_BYTES as u16).to_le_bytes());
    put(38, b"fact");
    put(42, &4u32.to_le_bytes());
    put(46, &(sound_bytes / frame_bytes.max(1)).to_le_bytes());
    put(50, b"data");
    put(54, &sound_bytes.to_le_bytes());
    head
}

/// Writes the three sizes for `written` bytes of sound, whole frames of it.
fn state_sizes(file: &mut File, n_channels: u16, written: u64) -> io::Result<()> {
    let frame_bytes = SAMPLE_BYTES * u64::from(n_channels);
    let whole = (written / frame_bytes * frame_bytes) as u32;
    for (at, value) in [
        (4, HEAD_BYTES as u32 - 8 + whole),
        (46, whole / frame_bytes as u32),
        (54, whole),
    ] {
        file.seek(SeekFrom::Start(at))?;
        file.write_all(&value.to_le_bytes())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// hound reads it back: a WAV reader of other hands.
    #[test]
    fn a_take_is_playable_before_it_is_finished() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("take.wav");
        let mut recorder = Recorder::create(&path, 8000, 2).expect("a file");
        let sound: Vec<f32> = (0..8000).map(|i| i as f32 / 8000.0).collect();
        recorder.push(&sound).expect("room on the disk");
        std::mem::forget(recorder);
        let mut reader = hound::WavReader::open(&path).expect("a WAV file");
        assert_eq!(reader.spec().channels, 2);
        let read: Vec<f32> = reader.samples().map(|s| s.expect("a sample")).collect();
        assert_eq!(read, sound);
    }

    #[test]
    fn a_header_that_fell_behind_is_mended() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("take.wav");
        let mut recorder = Recorder::create(&path, 8000, 1).expect("a file");
        recorder.push(&[0.25; 4000]).expect("room on the disk");
        std::mem::forget(recorder);
        // Killed between sound and header, in the middle of a sample.
        let mut file = OpenOptions::new()
            .append(true)
            .open(&path)
            .expect("the file");
        file.write_all(&[0; 4 * 100 + 3]).expect("room on the disk");
        assert_eq!(repair(&path).expect("a file to mend"), Some(400));
        assert_eq!(repair(&path).expect("a file to look at"), None);
        let reader = hound::WavReader::open(&path).expect("a WAV file");
        assert_eq!(reader.duration(), 4100);
    }

    #[test]
    fn a_file_of_other_hands_is_left_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("other.wav");
        std::fs::write(&path, [7u8; 200]).expect("a file");
        assert_eq!(repair(&path).expect("a file to look at"), None);
        assert_eq!(std::fs::read(&path).expect("the file"), [7u8; 200]);
    }
}
