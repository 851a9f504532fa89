//! FLAC, MP3, Ogg Vorbis, AAC, Apple Lossless and AIFF through `symphonia`, with what a
//! measurement needs beyond playback: damaged packets become silence of their own length,
//! so that every later onset keeps its time, and what the encoder put before the first
//! sample is taken away.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use symphonia::core::codecs::audio::well_known::{
    CODEC_ID_AAC, CODEC_ID_PCM_ALAW, CODEC_ID_PCM_MULAW,
};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::well_known::{
    FORMAT_ID_ADTS, FORMAT_ID_AIFF, FORMAT_ID_ISOMP4, FORMAT_ID_OGG,
};
use symphonia::core::formats::{FormatOptions, FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;
use symphonia::core::units::TimeBase;

use super::padded::Padded;
use super::{SoundError, mp4};

/// Priming of every AAC encoder at least: the overlap of its first block (ISO/IEC 14496-3,
/// 1024 samples a block). Taken away where the file does not say how much there is.
const AAC_PRIMING_FRAMES: u64 = 1024;
/// A hole in the packets' own times longer than this is no hole but a broken time stamp.
const HOLE_MAX_S: f64 = 10.0;
/// Time stamps of good files may be rounded by less than this.
const HOLE_MIN_S: f64 = 0.002;
/// A file is cut off when more than this is missing of the length it states: encoders
/// round the stated length up to whole packets.
const CUT_MIN_FRAMES: u64 = 4608;
/// The widest step of A-law and µ-law: sixteen from half to full scale (ITU-T G.711).
const TELEPHONE_QUANTUM: f32 = 1.0 / 32.0;

/// The readers' own arithmetic gives up on some damaged files (AIFF with more channels than a
/// frame holds): such a file is damaged, and nothing more.
fn whatever_happens<T>(work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    catch_unwind(AssertUnwindSafe(work))
        .unwrap_or(Err(Error::DecodeError("its figures contradict each other")))
}

/// Decodes one sound track of a coded file.
pub(super) struct Coded {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    time_base: Option<TimeBase>,
    stated_frames: Option<u64>,
    pub(super) rate_hz: u32,
    pub(super) n_channels: usize,
    /// The smallest step between two samples; 0 where unknown or lossy.
    pub(super) quantum: f32,
    /// True for codings that do not give back the samples they were given.
    pub(super) lossy: bool,
    /// The first packet, decoded to learn rate and channels.
    first: Option<Vec<f32>>,
    /// Frames still to drop at the start, and frames still to give.
    skip_frames: u64,
    frames_left: u64,
    /// Frames decoded, dropped ones included.
    decoded_frames: u64,
    /// Where the next packet should begin by the stamps of the last, in frames.
    next_pts: Option<i64>,
    lost: Lost,
    /// The file is known to end too early, wherever that is.
    cut_off: bool,
    /// Packets of nothing but zeros lie beyond the file's end.
    padded: bool,
    ended: bool,
    pub(super) faults: Vec<String>,
}

/// Damaged stretches that were filled with silence.
#[derive(Default)]
struct Lost {
    stretches: usize,
    frames: u64,
    first_frame: u64,
}

impl Coded {
    pub(super) fn open(path: &Path, file: File) -> Result<Coded, SoundError> {
        let unsupported = |what: String| SoundError::Unsupported {
            path: path.into(),
            what,
        };
        let damaged = |reason: String| SoundError::Damaged {
            path: path.into(),
            reason,
        };
        let io_error = |source| SoundError::Open {
            path: path.into(),
            source,
        };
        let ended = ogg_ended(&file).map_err(io_error)?;
        let source = Padded::new(file).map_err(io_error)?;
        let missing_bytes = source.missing_bytes();
        let source = MediaSourceStream::new(Box::new(source), Default::default());
        let probe = || {
            symphonia::default::get_probe().probe(
                &Hint::new(),
                source,
                FormatOptions::default(),
                MetadataOptions::default(),
            )
        };
        let format = whatever_happens(probe).map_err(|error| match error {
            Error::IoError(error) if error.kind() != io::ErrorKind::UnexpectedEof => {
                damaged(error.to_string())
            }
            Error::DecodeError(reason) => damaged(reason.into()),
            _ => SoundError::Unknown { path: path.into() },
        })?;
        let track = format
            .default_track(TrackType::Audio)
            .or_else(|| format.first_track(TrackType::Audio))
            .ok_or_else(|| SoundError::NotSound {
                path: path.into(),
                what: "a film without a sound track that can be read".into(),
            })?;
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio())
            .ok_or_else(|| unsupported("sound in an unknown coding".into()))?
            .clone();
        let decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&params, &AudioDecoderOptions::default())
            .map_err(|error| unsupported(format!("sound in a coding ({error})")))?;
        let container = format.format_info().format;
        let aac = params.codec == CODEC_ID_AAC;
        let lossy = decoder.codec_info().short_name.starts_with("mp")
            || aac
            || decoder.codec_info().short_name == "vorbis";
        let telephone = [CODEC_ID_PCM_ALAW, CODEC_ID_PCM_MULAW].contains(&params.codec);
        let mut coded = Coded {
            track_id: track.id,
            time_base: track.time_base,
            stated_frames: track.num_frames,
            rate_hz: params.sample_rate.unwrap_or(0),
            n_channels: 0,
            quantum: match params.bits_per_sample {
                _ if telephone => TELEPHONE_QUANTUM,
                Some(bits @ 1..=32) if !lossy => (2f32).powi(1 - bits as i32),
                _ => 0.0,
            },
            lossy,
            first: None,
            skip_frames: 0,
            frames_left: u64::MAX,
            decoded_frames: 0,
            next_pts: None,
            lost: Lost::default(),
            cut_off: match container {
                FORMAT_ID_OGG => !ended,
                FORMAT_ID_ISOMP4 => missing_bytes > 0,
                _ => false,
            },
            padded: missing_bytes > 0 && container == FORMAT_ID_ISOMP4,
            ended: false,
            faults: Vec::new(),
            format,
            decoder,
        };
        let mut first = Vec::new();
        if !coded.decode(&mut first) || coded.n_channels == 0 {
            let reason = coded.faults.pop();
            return Err(damaged(reason.unwrap_or("it holds no sound".into())));
        }
        coded.first = Some(first);
        if container == FORMAT_ID_ISOMP4 {
            let edit = mp4::edit(path, coded.track_id, coded.rate_hz);
            let priming = if aac { AAC_PRIMING_FRAMES } else { 0 };
            coded.skip_frames = edit.skip_frames.unwrap_or(priming);
            coded.frames_left = edit.n_frames.unwrap_or(u64::MAX);
        } else if container == FORMAT_ID_ADTS {
            coded.skip_frames = AAC_PRIMING_FRAMES;
        } else if container == FORMAT_ID_AIFF
            && missing_bytes > 0
            && let Some(bits) = params.bits_per_sample
        {
            // The samples are the last part of the file.
            let frame_bytes = bits.div_ceil(8) as u64 * coded.n_channels as u64;
            let stated = coded.stated_frames.unwrap_or(0);
            coded.frames_left = stated.saturating_sub(missing_bytes.div_ceil(frame_bytes));
            coded.faults.push(format!(
                "the file is cut off at {:.2} s of {:.2} s",
                coded.seconds(coded.frames_left),
                coded.seconds(stated)
            ));
        }
        Ok(coded)
    }

    /// Replaces `out` with the next frames, interleaved, full scale at ±1; false at the end.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> bool {
        loop {
            match self.first.take() {
                Some(first) => *out = first,
                None if !self.decode(out) => return false,
                None => {}
            }
            let n_frames = (out.len() / self.n_channels) as u64;
            let skip = self.skip_frames.min(n_frames);
            self.skip_frames -= skip;
            let keep = (n_frames - skip).min(self.frames_left);
            self.frames_left -= keep;
            out.truncate((skip + keep) as usize * self.n_channels);
            out.drain(..skip as usize * self.n_channels);
            if !out.is_empty() {
                return true;
            }
        }
    }

    /// Decodes packets until one gives samples; false at the end.
    fn decode(&mut self, out: &mut Vec<f32>) -> bool {
        out.clear();
        while !self.ended {
            let packet = match whatever_happens(|| self.format.next_packet()) {
                Ok(Some(packet)) => packet,
                Ok(None) => break,
                Err(Error::IoError(error)) if error.kind() == io::ErrorKind::UnexpectedEof => break,
                Err(error) => {
                    self.stop(&error.to_string());
                    break;
                }
            };
            if packet.track_id != self.track_id {
                continue;
            }
            if self.padded && packet.data.iter().all(|byte| *byte == 0) {
                break;
            }
            let pts = self.frames_of(packet.pts.get());
            let length = self.frames_of(packet.dur.get() as i64).max(0);
            let hole = self.next_pts.map_or(0, |next| pts.saturating_sub(next));
            self.next_pts = Some(pts.saturating_add(length));
            if hole as f64 > HOLE_MAX_S * self.rate_hz as f64 {
                self.stop("the time stamps jump");
                break;
            }
            if hole as f64 > HOLE_MIN_S * self.rate_hz as f64 {
                self.silence(hole as u64, out);
            }
            match whatever_happens(|| self.decoder.decode(&packet)) {
                Ok(decoded) => {
                    let (rate_hz, n_channels) = (decoded.spec().rate(), decoded.num_planes());
                    if decoded.frames() > 0 {
                        if self.n_channels == 0 {
                            (self.rate_hz, self.n_channels) = (rate_hz, n_channels);
                        } else if (rate_hz, n_channels) != (self.rate_hz, self.n_channels) {
                            self.stop("the sample rate or the number of channels changes");
                            break;
                        }
                        let before = out.len();
                        out.resize(before + decoded.samples_interleaved(), 0.0);
                        decoded.copy_to_slice_interleaved(&mut out[before..]);
                        self.decoded_frames += decoded.frames() as u64;
                    }
                }
                // The packet that the file's end goes through.
                Err(_) if self.padded && packet.data.ends_with(&[0; 8]) => break,
                Err(Error::DecodeError(_) | Error::IoError(_)) => {
                    self.silence(length as u64, out);
                }
                Err(error) => {
                    self.stop(&error.to_string());
                    break;
                }
            }
            if !out.is_empty() {
                return true;
            }
        }
        self.end();
        !out.is_empty()
    }

    /// Ticks of the track's clock as frames.
    fn frames_of(&self, ticks: i64) -> i64 {
        let Some(base) = self.time_base else {
            return ticks;
        };
        let frames = ticks as i128 * base.numer.get() as i128 * self.rate_hz as i128
            / base.denom.get() as i128;
        frames.clamp(i64::MIN as i128, i64::MAX as i128) as i64
    }

    fn silence(&mut self, n_frames: u64, out: &mut Vec<f32>) {
        let longest = (HOLE_MAX_S * self.rate_hz as f64) as u64;
        let n_frames = n_frames.min(longest);
        if self.n_channels == 0 || n_frames == 0 {
            return;
        }
        if self.lost.stretches == 0 {
            self.lost.first_frame = self.decoded_frames;
        }
        self.lost.stretches += 1;
        self.lost.frames += n_frames;
        self.decoded_frames += n_frames;
        out.resize(out.len() + n_frames as usize * self.n_channels, 0.0);
    }

    fn seconds(&self, frames: u64) -> f64 {
        frames as f64 / self.rate_hz.max(1) as f64
    }

    fn stop(&mut self, reason: &str) {
        let at_s = self.seconds(self.decoded_frames);
        self.faults.push(format!(
            "the file cannot be read after {at_s:.2} s: {reason}"
        ));
        self.stated_frames = None;
        self.end();
    }

    /// Says once what was amiss.
    fn end(&mut self) {
        if std::mem::replace(&mut self.ended, true) {
            return;
        }
        if self.lost.stretches > 0 {
            self.faults.push(format!(
                "the file is damaged: {:.2} s of sound are missing in {} place{}, the first at {:.2} s",
                self.seconds(self.lost.frames),
                self.lost.stretches,
                if self.lost.stretches == 1 { "" } else { "s" },
                self.seconds(self.lost.first_frame),
            ));
        }
        let at_s = self.seconds(self.decoded_frames);
        if let Some(stated) = self.stated_frames
            && self.decoded_frames + CUT_MIN_FRAMES < stated
        {
            let stated_s = self.seconds(stated);
            self.faults.push(format!(
                "the file is cut off at {at_s:.2} s of {stated_s:.2} s"
            ));
        } else if self.cut_off {
            self.faults
                .push(format!("the file is cut off at {at_s:.2} s"));
        }
    }
}

/// True when the last page of an Ogg file in its last 64 kB, the longest a page can be,
/// carries the end-of-stream flag (RFC 3533 §6). Other files have no such page.
fn ogg_ended(mut file: &File) -> io::Result<bool> {
    let file_bytes = file.metadata()?.len();
    let mut tail = Vec::new();
    file.seek(SeekFrom::Start(file_bytes.saturating_sub(1 << 16)))?;
    file.read_to_end(&mut tail)?;
    file.seek(SeekFrom::Start(0))?;
    let last = tail.windows(6).rev().find(|page| page.starts_with(b"OggS"));
    Ok(last.is_some_and(|page| page[5] & 4 != 0))
}
