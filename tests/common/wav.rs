//! A take of one channel on disk.

use std::path::Path;

/// Writes samples (full scale ±1) as 16 bits.
pub fn write_wav(path: &Path, samples: &[f32], sample_rate_hz: u32) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: sample_rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a WAV can be made");
    for sample in samples {
        writer
            .write_sample((sample.clamp(-1.0, 1.0) * 32_767.0) as i16)
            .expect("a sample can be written");
    }
    writer.finalize().expect("a WAV can be closed");
}
