//! A recording on its way into the library: as FLAC where that loses nothing, else as it was.
//!
//! Whole-number WAV of 8 to 24 bits becomes FLAC of the same depth, and is decoded again and
//! held against the source sample by sample before it counts. Floating WAV within full scale
//! becomes 24-bit FLAC: rounding moves a sample by at most 2⁻²⁴, 144 dB below full scale, and
//! nothing that loud is audible in a room. Everything else (already compressed, 32-bit, beyond
//! full scale, headers that a strict reader refuses) is copied byte for byte.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use flacenc::bitsink::ByteSink;
use flacenc::component::{BitRepr, Stream, StreamInfo};
use flacenc::error::Verify;
use flacenc::source::{Context, Fill, FrameBuf};
use hound::{SampleFormat, WavReader, WavSpec};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use super::identity::hex;

/// Frames of one FLAC block: the encoder's own default.
const BLOCK_FRAMES: usize = 4096;
/// Bits of a floating recording that are kept.
const FLOAT_BITS: u16 = 24;
/// Readers that disagree about a file's length by more than this are not reading the same sound.
const SAME_LENGTH_S: f64 = 0.01;

/// How a recording lies in the library.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Coding {
    /// FLAC, every sample as in the source.
    Flac,
    /// FLAC of 24 bits made from floating samples.
    FlacOfFloat,
    /// The source's own bytes.
    AsItWas,
}

impl Coding {
    /// The name the database has for it.
    pub fn name(self) -> &'static str {
        match self {
            Coding::Flac => "flac",
            Coding::FlacOfFloat => "flac_of_float",
            Coding::AsItWas => "as_it_was",
        }
    }

    /// What the player is told, where there is something to tell.
    pub fn told(self) -> Option<&'static str> {
        match self {
            Coding::Flac => None,
            Coding::FlacOfFloat => Some(
                "the floating recording is kept as 24-bit FLAC; what rounding changes lies 144 dB below full scale",
            ),
            Coding::AsItWas => Some("the recording is kept as it was, byte for byte"),
        }
    }
}

/// SHA-256 of a file's bytes.
pub fn file_hash(path: &Path) -> io::Result<String> {
    let mut file = File::open(path)?;
    let mut hash = Sha256::new();
    let mut block = vec![0; 1 << 16];
    loop {
        match file.read(&mut block)? {
            0 => return Ok(hex(&hash.finalize())),
            n => hash.update(&block[..n]),
        }
    }
}

/// Writes the recording at `source` to `to`, a new file, down to the disk itself.
///
/// `duration_s`: how long the hearing found it; a strict reader that finds less is not used.
/// Gives the coding and the extension the file should have.
pub fn write_recording(
    source: &Path,
    to: &Path,
    duration_s: f64,
) -> io::Result<(Coding, &'static str)> {
    if let Some(coding) = write_flac(source, to, duration_s)? {
        return Ok((coding, "flac"));
    }
    let mut from = File::open(source)?;
    let mut file = File::create(to)?;
    io::copy(&mut from, &mut file)?;
    file.sync_all()?;
    Ok((Coding::AsItWas, extension_of(source)))
}

/// `None`, and nothing at `to`, where FLAC would lose something.
fn write_flac(source: &Path, to: &Path, duration_s: f64) -> io::Result<Option<Coding>> {
    let Some(mut samples) = Samples::open(source) else {
        return Ok(None);
    };
    let spec = samples.spec;
    let length_s = f64::from(samples.n_frames()) / f64::from(spec.sample_rate.max(1));
    if (length_s - duration_s).abs() > SAME_LENGTH_S {
        return Ok(None);
    }
    let coding = match spec.sample_format {
        SampleFormat::Int => Coding::Flac,
        SampleFormat::Float => Coding::FlacOfFloat,
    };
    let written = encode(&mut samples, to);
    match written {
        // Decoded again and the same, or not kept as FLAC.
        Ok(true) if same_samples(source, to)? => Ok(Some(coding)),
        Ok(_) => {
            std::fs::remove_file(to)?;
            Ok(None)
        }
        Err(error) => {
            let _ = std::fs::remove_file(to);
            Err(error)
        }
    }
}

/// Interleaved whole-number samples of a WAV.
struct Samples {
    reader: WavReader<io::BufReader<File>>,
    spec: WavSpec,
    bits: u16,
}

impl Samples {
    /// `None` for what is no WAV that FLAC can hold.
    fn open(path: &Path) -> Option<Samples> {
        let reader = WavReader::open(path).ok()?;
        let spec = reader.spec();
        let bits = match (spec.sample_format, spec.bits_per_sample) {
            (SampleFormat::Int, bits @ 8..=24) => bits,
            (SampleFormat::Float, 32) => FLOAT_BITS,
            _ => return None,
        };
        let fits = (1..=8).contains(&spec.channels) && spec.sample_rate > 0;
        let samples = Samples { reader, spec, bits };
        (fits && samples.within_full_scale(path)).then_some(samples)
    }

    fn n_frames(&self) -> u32 {
        self.reader.duration()
    }

    fn within_full_scale(&self, path: &Path) -> bool {
        self.spec.sample_format == SampleFormat::Int
            || WavReader::open(path).is_ok_and(|mut reader| {
                reader
                    .samples::<f32>()
                    .all(|sample| sample.is_ok_and(|s| s.abs() <= 1.0))
            })
    }

    /// Replaces `block` with the next frames; false when there are none or the file breaks off.
    fn next(&mut self, block: &mut Vec<i32>, n_frames: usize) -> bool {
        block.clear();
        let n = n_frames * usize::from(self.spec.channels);
        match self.spec.sample_format {
            SampleFormat::Int => {
                block.extend(self.reader.samples::<i32>().take(n).map_while(Result::ok));
            }
            SampleFormat::Float => {
                let full = f64::from(1 << (self.bits - 1));
                block.extend(
                    self.reader
                        .samples::<f32>()
                        .take(n)
                        .map_while(Result::ok)
                        .map(|s| (f64::from(s) * full).round().min(full - 1.0) as i32),
                );
            }
        }
        block.truncate(block.len() - block.len() % usize::from(self.spec.channels));
        !block.is_empty()
    }
}

/// False where the encoder cannot take the samples.
fn encode(samples: &mut Samples, to: &Path) -> io::Result<bool> {
    let (rate, channels, bits) = (
        samples.spec.sample_rate as usize,
        usize::from(samples.spec.channels),
        usize::from(samples.bits),
    );
    let mut config = flacenc::config::Encoder::default();
    config.multithread = false;
    let (Ok(config), Ok(mut info), Ok(mut frame_buffer)) = (
        config.into_verified(),
        StreamInfo::new(rate, channels, bits),
        FrameBuf::with_size(channels, BLOCK_FRAMES),
    ) else {
        return Ok(false);
    };
    let mut context = Context::new(bits, channels);
    let mut file = io::BufWriter::new(File::create(to)?);
    // The head is written again at the end, when sizes and digest are known.
    let Some(head) = stream_head(&info) else {
        return Ok(false);
    };
    file.write_all(&head)?;
    let mut block = Vec::new();
    let mut frame_number = 0;
    while samples.next(&mut block, BLOCK_FRAMES) {
        if frame_buffer.fill_interleaved(&block).is_err()
            || context.fill_interleaved(&block).is_err()
        {
            return Ok(false);
        }
        let Ok(frame) =
            flacenc::encode_fixed_size_frame(&config, &frame_buffer, frame_number, &info)
        else {
            return Ok(false);
        };
        info.update_frame_info(&frame);
        let mut sink = ByteSink::new();
        if frame.write(&mut sink).is_err() {
            return Ok(false);
        }
        file.write_all(sink.as_slice())?;
        frame_number += 1;
    }
    if frame_number == 0 || info.set_block_sizes(BLOCK_FRAMES, BLOCK_FRAMES).is_err() {
        return Ok(false);
    }
    info.set_md5_digest(&context.md5_digest());
    let Some(head) = stream_head(&info) else {
        return Ok(false);
    };
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&head)?;
    file.flush()?;
    file.get_ref().sync_all()?;
    Ok(true)
}

/// Everything of a FLAC file that stands before its frames (RFC 9639 §8).
fn stream_head(info: &StreamInfo) -> Option<Vec<u8>> {
    let mut sink = ByteSink::new();
    Stream::with_stream_info(info.clone())
        .write(&mut sink)
        .ok()?;
    Some(sink.as_slice().to_vec())
}

/// Whether the FLAC at `flac`, through a decoder of other hands, gives the samples of `source`.
fn same_samples(source: &Path, flac: &Path) -> io::Result<bool> {
    let Some(mut samples) = Samples::open(source) else {
        return Ok(false);
    };
    let stream = MediaSourceStream::new(Box::new(File::open(flac)?), Default::default());
    let Ok(mut format) = symphonia::default::get_probe().probe(
        &Hint::new(),
        stream,
        FormatOptions::default(),
        MetadataOptions::default(),
    ) else {
        return Ok(false);
    };
    let Some(params) = format
        .default_track(TrackType::Audio)
        .and_then(|track| track.codec_params.as_ref()?.audio().cloned())
    else {
        return Ok(false);
    };
    let Ok(mut decoder) = symphonia::default::get_codecs()
        .make_audio_decoder(&params, &AudioDecoderOptions::default())
    else {
        return Ok(false);
    };
    let shift = 32 - u32::from(samples.bits);
    let (mut wanted, mut got) = (Vec::new(), Vec::new());
    while let Ok(Some(packet)) = format.next_packet() {
        let Ok(decoded) = decoder.decode(&packet) else {
            return Ok(false);
        };
        got.resize(decoded.samples_interleaved(), 0i32);
        decoded.copy_to_slice_interleaved(&mut got);
        samples.next(&mut wanted, decoded.frames());
        let same =
            wanted.len() == got.len() && wanted.iter().zip(&got).all(|(w, g)| *w == *g >> shift);
        if !same {
            return Ok(false);
        }
    }
    Ok(!samples.next(&mut wanted, 1))
}

/// The source's own extension, when it is one of a few plain letters.
fn extension_of(path: &Path) -> &'static str {
    const KNOWN: [&str; 10] = [
        "wav", "flac", "mp3", "ogg", "oga", "m4a", "mp4", "aac", "aif", "aiff",
    ];
    let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
    KNOWN
        .into_iter()
        .find(|known| extension == *known)
        .unwrap_or("sound")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wav(spec: WavSpec, sample: impl Fn(usize) -> f64, n_frames: usize) -> tempfile::TempDir {
        let dir = tempfile::tempdir().unwrap();
        let mut writer = hound::WavWriter::create(dir.path().join("take.wav"), spec).unwrap();
        let full = (2f64).powi(i32::from(spec.bits_per_sample) - 1) - 1.0;
        for i in 0..n_frames * usize::from(spec.channels) {
            match spec.sample_format {
                SampleFormat::Int => writer.write_sample((sample(i) * full) as i32).unwrap(),
                SampleFormat::Float => writer.write_sample(sample(i) as f32).unwrap(),
            }
        }
        writer.finalize().unwrap();
        dir
    }

    fn spec(channels: u16, bits_per_sample: u16, sample_format: SampleFormat) -> WavSpec {
        WavSpec {
            channels,
            sample_rate: 44_100,
            bits_per_sample,
            sample_format,
        }
    }

    /// Steps, extremes and a tone: what prediction finds easy and what it finds hard.
    fn sound(i: usize) -> f64 {
        match i {
            0..100 => 1.0,
            100..200 => -1.0,
            _ => 0.7 * (i as f64 * 0.05).sin() + 0.2 * ((i * i) as f64 * 0.37).sin(),
        }
    }

    #[test]
    fn whole_number_recordings_come_back_sample_for_sample() {
        for bits in [8, 16, 24] {
            for (channels, n_frames) in [(1, 50_001), (2, 9_000), (1, 7)] {
                let dir = wav(spec(channels, bits, SampleFormat::Int), sound, n_frames);
                let (source, to) = (dir.path().join("take.wav"), dir.path().join("kept"));
                let length_s = n_frames as f64 / 44_100.0;
                let (coding, extension) = write_recording(&source, &to, length_s).unwrap();
                assert_eq!((coding, extension), (Coding::Flac, "flac"), "{bits} bits");
                // A second decoder than the one that has just checked it: the reader of takes.
                let (a, b) = (
                    crate::sound::read_take(&source).unwrap(),
                    crate::sound::read_take(&to).unwrap(),
                );
                assert_eq!(a.samples, b.samples, "{bits} bits, {channels} channels");
            }
        }
    }

    #[test]
    fn a_floating_recording_moves_by_less_than_can_be_heard() {
        let tone = |i: usize| 0.7 * (i as f64 * 0.05).sin() + 0.2 * (i as f64 * 0.31).sin();
        let dir = wav(spec(1, 32, SampleFormat::Float), tone, 30_000);
        let (source, to) = (dir.path().join("take.wav"), dir.path().join("kept"));
        let (coding, _) = write_recording(&source, &to, 30_000.0 / 44_100.0).unwrap();
        assert_eq!(coding, Coding::FlacOfFloat);
        let mut kept = Vec::new();
        let mut reader = crate::sound::TakeReader::open(&to).unwrap();
        let mut block = Vec::new();
        while reader.next_block(&mut block) {
            kept.extend_from_slice(&block);
        }
        let plain = crate::sound::read_take(&source).unwrap().samples;
        let furthest = plain
            .iter()
            .zip(&kept)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f32::max);
        assert_eq!(plain.len(), kept.len());
        assert!(furthest <= (2f32).powi(-23), "{furthest:e}");
    }

    #[test]
    fn what_flac_would_change_is_copied() {
        let loud = wav(spec(1, 32, SampleFormat::Float), |i| 1.5 * sound(i), 5_000);
        let deep = wav(spec(1, 32, SampleFormat::Int), sound, 5_000);
        for dir in [loud, deep] {
            let (source, to) = (dir.path().join("take.wav"), dir.path().join("kept"));
            let (coding, extension) = write_recording(&source, &to, 5_000.0 / 44_100.0).unwrap();
            assert_eq!((coding, extension), (Coding::AsItWas, "wav"));
            assert_eq!(std::fs::read(&source).unwrap(), std::fs::read(&to).unwrap());
        }
        // A strict reader that finds another length than the hearing did is not believed.
        let dir = wav(spec(1, 16, SampleFormat::Int), sound, 5_000);
        let (source, to) = (dir.path().join("take.wav"), dir.path().join("kept"));
        let (coding, _) = write_recording(&source, &to, 1.0).unwrap();
        assert_eq!(coding, Coding::AsItWas);
    }
}
