//! The way in: a recording's file as one channel of samples.
//!
//! The file is decoded twice. The first pass measures (offset, clipping, which channel has
//! the player, where the file is damaged); the second gives the samples. So a take of any
//! length is read in the memory of one block, and everything about the recording is known
//! before the first sample is heard.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::SoundError;
use super::channels::{CHANNELS_MAX, Chooser};
use super::coded::Coded;
use super::condition::{Condition, clean};
use super::resample::{RATE_MAX_HZ, RATE_MIN_HZ, Resampler};
use super::sniff::{HEAD_BYTES, Kind, sniff};
use super::wav::{NotWav, Wav};

/// A whole take in memory: one channel, offset removed, full scale at ±1.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Take {
    pub samples: Vec<f32>,
    /// Between 16 and 96 kHz; other rates are halved or doubled on the way in.
    pub sample_rate_hz: u32,
    /// As in [`TakeInfo`].
    pub warnings: Vec<String>,
    pub clipped_share: f64,
}

/// What is known of a take's recording from the first pass.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TakeInfo {
    /// Between 16 and 96 kHz; other rates are halved or doubled on the way in.
    pub sample_rate_hz: u32,
    /// Length of what can be read.
    pub duration_s: f64,
    /// Share of samples of the chosen channels on flat tops at the converter's limit, 0 to 1.
    pub clipped_share: f64,
    /// Channels in the file, and those whose mean is given, counted from 1.
    pub n_channels: usize,
    pub used_channels: Vec<usize>,
    /// Sentences for the player: damage with its place, clipping, channels out of phase.
    pub warnings: Vec<String>,
}

/// Reads a whole take; see [`TakeReader`] for one block at a time.
pub fn read_take(path: &Path) -> Result<Take, SoundError> {
    let mut reader = TakeReader::open(path)?;
    let info = reader.info().clone();
    // One sample to spare: the length is rounded in seconds.
    let capacity = (info.duration_s * info.sample_rate_hz as f64) as usize + 1;
    let mut samples = Vec::with_capacity(capacity);
    let mut block = Vec::new();
    while reader.next_block(&mut block) {
        samples.extend_from_slice(&block);
    }
    Ok(Take {
        samples,
        sample_rate_hz: info.sample_rate_hz,
        warnings: info.warnings,
        clipped_share: info.clipped_share,
    })
}

/// Gives a take block by block, in constant memory.
///
/// ```no_run
/// # use passagework::sound::{SoundError, TakeReader};
/// # fn main() -> Result<(), SoundError> {
/// let mut reader = TakeReader::open("take.flac".as_ref())?;
/// let mut block = Vec::new();
/// while reader.next_block(&mut block) {
///     // `block` holds the next samples at `reader.sample_rate_hz()`.
/// }
/// # Ok(())
/// # }
/// ```
pub struct TakeReader {
    source: Source,
    info: TakeInfo,
    mix: Mix,
    resampler: Resampler,
    interleaved: Vec<f32>,
    ended: bool,
}

impl TakeReader {
    /// Opens the file and reads it once to its end or to the first fault that stops it.
    pub fn open(path: &Path) -> Result<TakeReader, SoundError> {
        let survey = Survey::of(path)?;
        let source = Source::open(path)?;
        let mix = Mix {
            n_channels: source.n_channels(),
            members: survey.members,
            gain: survey.gain,
        };
        Ok(TakeReader {
            resampler: Resampler::new(source.rate_hz()),
            source,
            info: survey.info,
            mix,
            interleaved: Vec::new(),
            ended: false,
        })
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.info.sample_rate_hz
    }

    pub fn duration_s(&self) -> f64 {
        self.info.duration_s
    }

    /// Everything the first pass found; complete from the start.
    pub fn info(&self) -> &TakeInfo {
        &self.info
    }

    /// Replaces `block` with the next samples, at least one; false, and an empty block, at the end.
    pub fn next_block(&mut self, block: &mut Vec<f32>) -> bool {
        loop {
            block.clear();
            if self.ended {
                return false;
            }
            self.ended = !self.source.next(&mut self.interleaved);
            if !self.ended {
                self.mix.apply(&self.interleaved, block);
            }
            self.resampler.process(block, self.ended);
            if !block.is_empty() {
                return true;
            }
        }
    }
}

/// A decoder, whichever the file needs.
enum Source {
    Wav(Wav),
    Coded(Box<Coded>),
}

impl Source {
    fn open(path: &Path) -> Result<Source, SoundError> {
        let path_buf = || PathBuf::from(path);
        let io_error = |source| SoundError::Open {
            path: path_buf(),
            source,
        };
        if std::fs::metadata(path).map_err(io_error)?.is_dir() {
            return Err(SoundError::NotAFile { path: path_buf() });
        }
        let mut head = Vec::new();
        let file = File::open(path).map_err(io_error)?;
        file.take(HEAD_BYTES as u64)
            .read_to_end(&mut head)
            .map_err(io_error)?;
        if head.is_empty() {
            return Err(SoundError::Empty { path: path_buf() });
        }
        let file = File::open(path).map_err(io_error)?;
        match sniff(&head) {
            Kind::NotSound(what) => Err(SoundError::NotSound {
                path: path_buf(),
                what: what.into(),
            }),
            Kind::Unsupported(what) => Err(SoundError::Unsupported {
                path: path_buf(),
                what: what.into(),
            }),
            Kind::Wave => match Wav::open(file) {
                Ok(wav) => Ok(Source::Wav(wav)),
                Err(NotWav::Coded(A_LAW | MU_LAW)) => {
                    let file = File::open(path).map_err(io_error)?;
                    Ok(Source::Coded(Box::new(Coded::open(path, file)?)))
                }
                Err(NotWav::Coded(tag)) => Err(SoundError::Unsupported {
                    path: path_buf(),
                    what: format!("compressed sound in a WAV (coding {tag:#06x})"),
                }),
                Err(NotWav::Damaged(reason)) => Err(SoundError::Damaged {
                    path: path_buf(),
                    reason: reason.into(),
                }),
                Err(NotWav::Io(error)) => Err(io_error(error)),
            },
            Kind::Coded => Ok(Source::Coded(Box::new(Coded::open(path, file)?))),
        }
    }

    fn rate_hz(&self) -> u32 {
        match self {
            Source::Wav(wav) => wav.rate_hz,
            Source::Coded(coded) => coded.rate_hz,
        }
    }

    fn n_channels(&self) -> usize {
        match self {
            Source::Wav(wav) => wav.n_channels,
            Source::Coded(coded) => coded.n_channels,
        }
    }

    fn condition(&self) -> Condition {
        match self {
            Source::Wav(wav) => Condition::new(wav.quantum(), false),
            Source::Coded(coded) => Condition::new(coded.quantum, coded.lossy),
        }
    }

    fn next(&mut self, out: &mut Vec<f32>) -> bool {
        match self {
            Source::Wav(wav) => wav.next(out),
            Source::Coded(coded) => coded.next(out),
        }
    }

    fn faults(self) -> Vec<String> {
        match self {
            Source::Wav(wav) => wav.faults,
            Source::Coded(coded) => coded.faults,
        }
    }
}

/// Telephone codings in a WAV (RFC 2361), which the decoder library knows.
const A_LAW: u16 = 6;
const MU_LAW: u16 = 7;

/// From this share of clipped samples on the player is told: one note played too loud in a
/// minute reaches it, a single overloaded attack does not.
const CLIPPED_SHARE_TOLD: f64 = 1e-4;
/// Float samples up to here are a loud recording; beyond, the file counts in other units
/// (whole numbers written as floats) and is scaled down to full scale.
const PEAK_MAX: f32 = 8.0;

/// What the first pass finds.
struct Survey {
    info: TakeInfo,
    /// Chosen channels, from 0, each with its offset.
    members: Vec<(usize, f32)>,
    gain: f32,
}

impl Survey {
    fn of(path: &Path) -> Result<Survey, SoundError> {
        let mut source = Source::open(path)?;
        let (rate_hz, n_channels) = (source.rate_hz(), source.n_channels());
        let path = || PathBuf::from(path);
        if !(RATE_MIN_HZ..=RATE_MAX_HZ).contains(&rate_hz) {
            return Err(SoundError::Rate {
                path: path(),
                rate_hz,
            });
        }
        if n_channels > CHANNELS_MAX {
            return Err(SoundError::Channels {
                path: path(),
                n_channels,
            });
        }
        let mut conditions: Vec<_> = (0..n_channels).map(|_| source.condition()).collect();
        let mut chooser = (n_channels > 1).then(|| Chooser::new(n_channels, rate_hz));
        let mut interleaved = Vec::new();
        let mut n_frames = 0u64;
        while source.next(&mut interleaved) {
            for frame in interleaved.chunks_exact_mut(n_channels) {
                for (condition, sample) in conditions.iter_mut().zip(&mut *frame) {
                    condition.push(*sample);
                    *sample = clean(*sample);
                }
                if let Some(chooser) = &mut chooser {
                    chooser.push(frame);
                }
            }
            n_frames += (interleaved.len() / n_channels) as u64;
        }
        let mut warnings = source.faults();
        if n_frames == 0 {
            return Err(SoundError::Damaged {
                path: path(),
                reason: "it holds no sound".into(),
            });
        }
        let choice = chooser.map(Chooser::choose);
        let out_of_phase = choice.as_ref().is_some_and(|choice| choice.out_of_phase);
        let members = choice.map_or(vec![0], |choice| choice.members);
        let chosen = || members.iter().map(|c| &conditions[*c]);
        let clipped_share = chosen().map(Condition::clipped_share).fold(0.0, f64::max);
        let peak = chosen().map(Condition::peak).fold(0.0, f32::max);
        if let Some(bad) = chosen().max_by_key(|condition| condition.n_bad)
            && bad.n_bad > 0
        {
            warnings.push(format!(
                "{} samples are not numbers, the first at {:.2} s; they are taken as silence",
                bad.n_bad,
                bad.first_bad as f64 / rate_hz as f64
            ));
        }
        if peak == 0.0 {
            warnings.push("the recording is silent".into());
        }
        if peak > PEAK_MAX {
            warnings.push(format!(
                "the recording reaches {peak:.0} times full scale and is scaled down"
            ));
        }
        if clipped_share >= CLIPPED_SHARE_TOLD {
            warnings.push(format!(
                "the recording is clipped ({:.1} % of its samples): turn the input level down",
                100.0 * clipped_share
            ));
        }
        if out_of_phase {
            warnings.push(format!(
                "two channels are mirror images of each other (one is wired the wrong way round): channel {} alone is used",
                members[0] + 1
            ));
        }
        if rate_hz < TELEPHONE_RATE_HZ {
            warnings.push(format!(
                "the sample rate is only {rate_hz} Hz: record at 44100 or 48000 Hz"
            ));
        }
        Ok(Survey {
            info: TakeInfo {
                sample_rate_hz: Resampler::new(rate_hz).rate_hz,
                duration_s: n_frames as f64 / rate_hz as f64,
                clipped_share,
                n_channels,
                used_channels: members.iter().map(|c| c + 1).collect(),
                warnings,
            },
            gain: if peak > PEAK_MAX { 1.0 / peak } else { 1.0 },
            members: members
                .iter()
                .map(|c| (*c, conditions[*c].offset()))
                .collect(),
        })
    }
}

/// Below this rate the upper harmonics that tell a register slip from a note are missing.
const TELEPHONE_RATE_HZ: u32 = 16_000;

/// From interleaved channels to one.
struct Mix {
    n_channels: usize,
    members: Vec<(usize, f32)>,
    gain: f32,
}

impl Mix {
    fn apply(&self, interleaved: &[f32], out: &mut Vec<f32>) {
        let scale = self.gain / self.members.len() as f32;
        out.extend(interleaved.chunks_exact(self.n_channels).map(|frame| {
            let chosen = self.members.iter();
            scale
                * chosen
                    .map(|(c, offset)| clean(frame[*c]) - offset)
                    .sum::<f32>()
        }));
    }
}
