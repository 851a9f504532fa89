//! Sound: takes in, the built-in reed voice out. Knows nothing of written notes.
//!
//! A take comes in as one channel of samples whose index over the sample rate is the
//! take's own time. `read` is the way in; the other files are its steps:
//! `sniff` says what a file is, `wav` and `coded` decode it, `mp4` finds what an
//! encoder put before the first sample, `condition` measures offset and clipping,
//! `channels` chooses the channel with the player, `resample` brings unusual rates
//! into the range of the hearing.

pub mod capture;
mod channels;
pub mod click;
mod coded;
mod condition;
pub mod device;
mod mp4;
mod padded;
mod read;
pub mod recorder;
mod resample;
mod sniff;
pub mod voice;
mod wav;

use std::path::PathBuf;

pub use read::{Take, TakeInfo, TakeReader, read_take};

/// What can be read, for every message that has to name it.
pub const FORMATS: &str = "WAV, FLAC, MP3, Ogg Vorbis, M4A (AAC or Apple Lossless) or AIFF";

/// Why a take could not be read at all. A file that is only damaged is read up to the
/// fault and says so in [`TakeInfo::warnings`].
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    #[error("{}: cannot be opened: {source}", path.display())]
    Open {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{}: is not a file; give the recording itself", path.display())]
    NotAFile { path: PathBuf },
    #[error("{}: is empty; give a recording as {FORMATS}", path.display())]
    Empty { path: PathBuf },
    #[error("{}: is {what}, not a recording; give one as {FORMATS}", path.display())]
    NotSound { path: PathBuf, what: String },
    #[error("{}: is in no sound format known here, or damaged at its start; give a recording as {FORMATS}", path.display())]
    Unknown { path: PathBuf },
    #[error("{}: holds {what}, which cannot be read; convert it first (for example `ffmpeg -i FILE take.wav`) to {FORMATS}", path.display())]
    Unsupported { path: PathBuf, what: String },
    #[error("{}: damaged before the first sound ({reason}); record or export it again as {FORMATS}", path.display())]
    Damaged { path: PathBuf, reason: String },
    #[error("{}: sample rate {rate_hz} Hz; it must lie between {} and {} Hz, 44100 or 48000 are usual", path.display(), resample::RATE_MIN_HZ, resample::RATE_MAX_HZ)]
    Rate { path: PathBuf, rate_hz: u32 },
    #[error("{}: {n_channels} channels; at most {} can be read", path.display(), channels::CHANNELS_MAX)]
    Channels { path: PathBuf, n_channels: usize },
}
