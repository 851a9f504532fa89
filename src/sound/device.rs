//! Microphone and loudspeaker, at their own rate and format.
//!
//! A device is opened as it is: forcing a rate fails on many machines. Its callback does what
//! [`super::capture`] does and nothing else; the first fault of a stream is kept and the rest
//! are dropped, because a dead sound server reports hundreds of thousands a second.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU32, Ordering};

use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{
    BufferSize, Data, ErrorKind, FromSample, I24, Sample, SampleFormat, SizedSample, StreamConfig,
    StreamInstant, SupportedBufferSize, SupportedStreamConfig, U24,
};
use ringbuf::traits::{Consumer, Producer, Split};
use ringbuf::{HeapCons, HeapRb};

use super::capture::{CaptureEnd, CaptureReader, Stamp, capture};

/// Frames a callback is asked for: about five milliseconds. Where the device cannot, its own.
const BLOCK_FRAMES: u32 = 256;

/// Sound the ring holds, seconds: longer than any pause of the reading thread.
const RING_S: f64 = 8.0;

/// Moments of the loudspeaker kept for the reader.
const STAMPS: usize = 1024;

/// Frames rendered at once inside the loudspeaker's callback.
const RENDER_FRAMES: usize = 512;

/// Why there is no sound, and what to do about it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DeviceError {
    #[error(
        "no microphone was found: plug one in, or allow this program to use it in the system's settings; `passagework devices` lists what there is"
    )]
    NoMicrophone,
    #[error(
        "no loudspeaker or headphones were found: plug some in, or use --silent-click; `passagework devices` lists what there is"
    )]
    NoLoudspeaker,
    #[error("no {what} is called \"{wanted}\"; there {}", there_are(have))]
    NoSuchDevice {
        what: &'static str,
        wanted: String,
        have: Vec<String>,
    },
    #[error(
        "{name} is busy: another program has it to itself; close that program (a call, a recorder, a browser's page) and begin again"
    )]
    Busy { name: String },
    #[error(
        "{name} may not be used: allow it in the system's privacy settings, on Linux add yourself to the group audio, then begin again"
    )]
    Denied { name: String },
    #[error(
        "{name} is gone: it was unplugged, or the sound server has stopped; plug it in and begin again"
    )]
    Gone { name: String },
    #[error(
        "{name} cannot be used: {reason}; choose another with --input or --output (`passagework devices` lists them)"
    )]
    Other { name: String, reason: String },
}

fn there_are(have: &[String]) -> String {
    match have {
        [] => "are none".into(),
        names => format!("are {}", names.join(", ")),
    }
}

/// A device as it is listed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// What `--input` and `--output` take.
    pub name: String,
    /// In the system's words.
    pub description: String,
    pub default: bool,
    pub sample_rate_hz: u32,
    pub n_channels: u16,
    pub format: String,
}

/// Microphones and loudspeakers that open; those that do not are left out.
pub fn list() -> (Vec<Listed>, Vec<Listed>) {
    hush();
    let host = cpal::default_host();
    let default_input = host.default_input_device().and_then(|d| name_of(&d));
    let default_output = host.default_output_device().and_then(|d| name_of(&d));
    let listed =
        |device: &cpal::Device, config: SupportedStreamConfig, default: &Option<String>| {
            let name = name_of(device)?;
            Some(Listed {
                description: description_of(device).unwrap_or_default(),
                default: default.as_ref() == Some(&name),
                sample_rate_hz: config.sample_rate(),
                n_channels: config.channels(),
                format: config.sample_format().to_string(),
                name,
            })
        };
    let inputs = host.input_devices().into_iter().flatten().filter_map(|d| {
        if is_none(&d) {
            return None;
        }
        let config = d.default_input_config().ok()?;
        listed(&d, config, &default_input)
    });
    let outputs = host.output_devices().into_iter().flatten().filter_map(|d| {
        if is_none(&d) {
            return None;
        }
        let config = d.default_output_config().ok()?;
        listed(&d, config, &default_output)
    });
    (inputs.collect(), outputs.collect())
}

/// Names in ALSA's list that are no device, or print much where their server is not running.
const NO_DEVICES: [&str; 3] = ["null", "jack", "oss"];

fn is_none(device: &cpal::Device) -> bool {
    name_of(device).is_some_and(|name| NO_DEVICES.contains(&name.as_str()))
}

/// Keeps what ALSA prints by itself off this thread's standard error: every failure comes as an
/// error besides.
fn hush() {
    #[cfg(target_os = "linux")]
    if let Ok(messages) = alsa::Output::local_error_handler() {
        // The thread keeps its own copy.
        drop(messages);
    }
}

fn name_of(device: &cpal::Device) -> Option<String> {
    let description = device.description().ok()?;
    Some(
        description
            .driver()
            .unwrap_or(description.name())
            .to_string(),
    )
}

fn description_of(device: &cpal::Device) -> Option<String> {
    Some(device.description().ok()?.name().to_string())
}

/// The first fault of a stream; none is [`NO_FAULT`].
#[derive(Clone)]
struct Fault {
    kind: Arc<AtomicU8>,
    /// Errors of the backend that may pass.
    errors: Arc<AtomicU32>,
    /// Blocks that the system says it dropped.
    overruns: Arc<AtomicU32>,
}

/// A backend that fails and gives no sound for this long is dead, seconds. One that is only
/// starting fails ten thousand times in a third of a second and then goes on.
const DEAD_S: f64 = 1.0;

const NO_FAULT: u8 = 0;
const GONE: u8 = 1;
const BUSY: u8 = 2;
const DENIED: u8 = 3;
const OTHER: u8 = 4;

impl Fault {
    fn new() -> Fault {
        Fault {
            kind: Arc::new(AtomicU8::new(NO_FAULT)),
            errors: Arc::new(AtomicU32::new(0)),
            overruns: Arc::new(AtomicU32::new(0)),
        }
    }

    fn note(&self, kind: ErrorKind) {
        let code = match kind {
            ErrorKind::Xrun => {
                self.overruns.fetch_add(1, Ordering::Relaxed);
                return;
            }
            // The stream goes on.
            ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => return,
            ErrorKind::DeviceBusy => BUSY,
            ErrorKind::PermissionDenied => DENIED,
            ErrorKind::DeviceNotAvailable
            | ErrorKind::HostUnavailable
            | ErrorKind::StreamInvalidated => GONE,
            ErrorKind::BackendError => {
                self.errors.fetch_add(1, Ordering::Relaxed);
                return;
            }
            _ => OTHER,
        };
        let _ = self
            .kind
            .compare_exchange(NO_FAULT, code, Ordering::Relaxed, Ordering::Relaxed);
    }

    fn of(&self, name: &str) -> Option<DeviceError> {
        let name = name.to_string();
        match self.kind.load(Ordering::Relaxed) {
            NO_FAULT => None,
            GONE => Some(DeviceError::Gone { name }),
            BUSY => Some(DeviceError::Busy { name }),
            DENIED => Some(DeviceError::Denied { name }),
            _ => Some(DeviceError::Other {
                name,
                reason: "its stream broke off".into(),
            }),
        }
    }
}

/// An open microphone. Closed when dropped.
pub struct Microphone {
    stream: cpal::Stream,
    reader: CaptureReader,
    fault: Fault,
    name: String,
    sample_rate_hz: u32,
}

impl Microphone {
    /// Opens the microphone called `name`, or the system's default, and begins to record.
    pub fn open(name: Option<&str>) -> Result<Microphone, DeviceError> {
        hush();
        let host = cpal::default_host();
        let device = match name {
            None => host
                .default_input_device()
                .ok_or(DeviceError::NoMicrophone)?,
            Some(wanted) => find(host.input_devices().ok(), "microphone", wanted)?,
        };
        let called = description_of(&device).unwrap_or_else(|| "the microphone".into());
        let config = device.default_input_config().map_err(|e| match name {
            // Without any sound system a default device exists that cannot be opened.
            None if e.kind() != ErrorKind::PermissionDenied
                && e.kind() != ErrorKind::DeviceBusy =>
            {
                DeviceError::NoMicrophone
            }
            _ => why(&called, &e),
        })?;
        let sample_rate_hz = config.sample_rate();
        let fault = Fault::new();
        let mut failure = None;
        for buffer_size in buffer_sizes(&config) {
            let (mut end, reader) = capture(sample_rate_hz, config.channels(), RING_S);
            let noted = fault.clone();
            let stream = device.build_input_stream_raw(
                stream_config(&config, buffer_size),
                config.sample_format(),
                move |data: &Data, info: &cpal::InputCallbackInfo| {
                    push_data(&mut end, data, nanoseconds(info.timestamp().capture));
                },
                move |error| noted.note(error.kind()),
                None,
            );
            match stream.and_then(|stream| stream.play().map(|()| stream)) {
                Ok(stream) => {
                    return Ok(Microphone {
                        stream,
                        reader,
                        fault,
                        name: called,
                        sample_rate_hz,
                    });
                }
                Err(error) => failure = Some(error),
            }
        }
        Err(failure.map_or(DeviceError::NoMicrophone, |error| why(&called, &error)))
    }

    pub fn name(&self) -> &str {
        &self.name
    }

    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    pub fn reader(&mut self) -> &mut CaptureReader {
        &mut self.reader
    }

    /// Why nothing more will come, when nothing has come for `idle_s`; `None` while all is well.
    pub fn fault(&self, idle_s: f64) -> Option<DeviceError> {
        let failing = self.fault.errors.load(Ordering::Relaxed) > 0;
        self.fault.of(&self.name).or_else(|| {
            (failing && idle_s > DEAD_S).then(|| DeviceError::Gone {
                name: self.name.clone(),
            })
        })
    }

    /// Blocks that the system dropped before they reached this program.
    pub fn overruns(&self) -> u32 {
        self.fault.overruns.load(Ordering::Relaxed)
    }

    /// The stream's own clock, nanoseconds.
    pub fn now_ns(&self) -> u64 {
        nanoseconds(self.stream.now())
    }
}

/// Fills mono sound: the frames from number `first` on.
pub type Render = dyn FnMut(u64, &mut [f32]) + Send;

/// An open loudspeaker. Closed when dropped.
pub struct Loudspeaker {
    stream: cpal::Stream,
    stamps: HeapCons<Stamp>,
    fault: Fault,
    name: String,
}

impl Loudspeaker {
    /// Opens the loudspeaker called `name`, or the system's default. `make` is told the sample
    /// rate and gives what fills the sound; that runs in the callback and must neither wait
    /// nor allocate.
    pub fn open(
        name: Option<&str>,
        make: impl Fn(u32) -> Box<Render>,
    ) -> Result<Loudspeaker, DeviceError> {
        hush();
        let host = cpal::default_host();
        let device = match name {
            None => host
                .default_output_device()
                .ok_or(DeviceError::NoLoudspeaker)?,
            Some(wanted) => find(host.output_devices().ok(), "loudspeaker", wanted)?,
        };
        let called = description_of(&device).unwrap_or_else(|| "the loudspeaker".into());
        let config = device.default_output_config().map_err(|e| match name {
            None if e.kind() != ErrorKind::PermissionDenied
                && e.kind() != ErrorKind::DeviceBusy =>
            {
                DeviceError::NoLoudspeaker
            }
            _ => why(&called, &e),
        })?;
        let n_channels = usize::from(config.channels());
        let fault = Fault::new();
        let mut failure = None;
        for buffer_size in buffer_sizes(&config) {
            let mut render = make(config.sample_rate());
            let (mut stamps, reader) = HeapRb::<Stamp>::new(STAMPS).split();
            let mut frames = 0u64;
            let mut pace = Pace::new(config.sample_rate());
            let mut mono = vec![0.0; RENDER_FRAMES];
            let noted = fault.clone();
            let stream = device.build_output_stream_raw(
                stream_config(&config, buffer_size),
                config.sample_format(),
                move |data: &mut Data, info: &cpal::OutputCallbackInfo| {
                    let at_ns = nanoseconds(info.timestamp().playback);
                    frames = pace.corrected(frames, at_ns);
                    let _ = stamps.try_push(Stamp { frames, at_ns });
                    fill_data(data, n_channels, &mut frames, &mut mono, &mut *render);
                },
                move |error| noted.note(error.kind()),
                None,
            );
            match stream.and_then(|stream| stream.play().map(|()| stream)) {
                Ok(stream) => {
                    return Ok(Loudspeaker {
                        stream,
                        stamps: reader,
                        fault,
                        name: called,
                    });
                }
                Err(error) => failure = Some(error),
            }
        }
        Err(failure.map_or(DeviceError::NoLoudspeaker, |error| why(&called, &error)))
    }

    pub fn name(&self) -> &str {
        &self.name
    }

    /// Why nothing more will sound; `None` while all is well.
    pub fn fault(&self) -> Option<DeviceError> {
        self.fault.of(&self.name)
    }

    pub fn now_ns(&self) -> u64 {
        nanoseconds(self.stream.now())
    }

    /// The next moment noted by the callback: frames before it, and when they sound.
    pub fn stamp(&mut self) -> Option<Stamp> {
        self.stamps.try_pop()
    }
}

/// Keeps the count of frames with the loudspeaker's clock: where the system drops a block
/// after it was filled, what follows would come early by as much.
struct Pace {
    sample_rate_hz: f64,
    /// Clock time of frame 0, seconds.
    start_s: Option<f64>,
    behind: f64,
    blocks: u32,
}

/// Stamps of the first blocks, while the device fills its own buffer, say nothing.
const UNSTEADY_BLOCKS: u32 = 100;
/// Share of a new difference that is believed: stamps jitter by a millisecond or two.
const BELIEVED: f64 = 0.05;
/// Difference that is put right, seconds.
const PUT_RIGHT_S: f64 = 0.003;

impl Pace {
    fn new(sample_rate_hz: u32) -> Pace {
        Pace {
            sample_rate_hz: f64::from(sample_rate_hz),
            start_s: None,
            behind: 0.0,
            blocks: 0,
        }
    }

    /// The number of the next frame, when it will sound at `at_ns`.
    fn corrected(&mut self, frames: u64, at_ns: u64) -> u64 {
        let at_s = at_ns as f64 * 1e-9;
        self.blocks = self.blocks.saturating_add(1);
        let start_s = match self.start_s {
            Some(start_s) if self.blocks > UNSTEADY_BLOCKS => start_s,
            _ => {
                self.start_s = Some(at_s - frames as f64 / self.sample_rate_hz);
                return frames;
            }
        };
        let behind = (at_s - start_s) * self.sample_rate_hz - frames as f64;
        self.behind += BELIEVED * (behind - self.behind);
        if self.behind.abs() < PUT_RIGHT_S * self.sample_rate_hz {
            return frames;
        }
        let right = (frames as f64 + self.behind).max(0.0).round() as u64;
        self.behind = 0.0;
        right
    }
}

fn find(
    devices: Option<impl Iterator<Item = cpal::Device>>,
    what: &'static str,
    wanted: &str,
) -> Result<cpal::Device, DeviceError> {
    let mut have = Vec::new();
    for device in devices.into_iter().flatten() {
        let name = name_of(&device);
        if name.as_deref() == Some(wanted) || description_of(&device).as_deref() == Some(wanted) {
            return Ok(device);
        }
        have.extend(name);
    }
    Err(DeviceError::NoSuchDevice {
        what,
        wanted: wanted.into(),
        have,
    })
}

fn why(name: &str, error: &cpal::Error) -> DeviceError {
    let name = name.to_string();
    match error.kind() {
        ErrorKind::DeviceBusy => DeviceError::Busy { name },
        ErrorKind::PermissionDenied => DeviceError::Denied { name },
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => DeviceError::Gone { name },
        _ => DeviceError::Other {
            name,
            reason: error.to_string(),
        },
    }
}

/// Block sizes to try, in order.
fn buffer_sizes(config: &SupportedStreamConfig) -> Vec<BufferSize> {
    match config.buffer_size() {
        SupportedBufferSize::Range { min, max } => vec![
            BufferSize::Fixed(BLOCK_FRAMES.clamp(*min, *max)),
            BufferSize::Default,
        ],
        SupportedBufferSize::Unknown => vec![BufferSize::Default],
    }
}

fn stream_config(config: &SupportedStreamConfig, buffer_size: BufferSize) -> StreamConfig {
    StreamConfig {
        channels: config.channels(),
        sample_rate: config.sample_rate(),
        buffer_size,
    }
}

fn nanoseconds(instant: StreamInstant) -> u64 {
    u64::try_from(instant.as_nanos()).unwrap_or(u64::MAX)
}

/// Calls `$body` with the sample type of a device's format; nothing for one that is none.
macro_rules! with_format {
    ($format:expr, $body:ident $arguments:tt) => {
        match $format {
            SampleFormat::I8 => $body::<i8> $arguments,
            SampleFormat::I16 => $body::<i16> $arguments,
            SampleFormat::I24 => $body::<I24> $arguments,
            SampleFormat::I32 => $body::<i32> $arguments,
            SampleFormat::I64 => $body::<i64> $arguments,
            SampleFormat::U8 => $body::<u8> $arguments,
            SampleFormat::U16 => $body::<u16> $arguments,
            SampleFormat::U24 => $body::<U24> $arguments,
            SampleFormat::U32 => $body::<u32> $arguments,
            SampleFormat::U64 => $body::<u64> $arguments,
            SampleFormat::F32 => $body::<f32> $arguments,
            SampleFormat::F64 => $body::<f64> $arguments,
            _ => {}
        }
    };
}

fn push_data(end: &mut CaptureEnd, data: &Data, at_ns: u64) {
    fn typed<T: SizedSample>(end: &mut CaptureEnd, data: &Data, at_ns: u64)
    where
        f32: FromSample<T>,
    {
        if let Some(block) = data.as_slice::<T>() {
            end.push(block, f32::from_sample, at_ns);
        }
    }
    with_format!(data.sample_format(), typed(end, data, at_ns));
}

fn fill_data(
    data: &mut Data,
    n_channels: usize,
    frames: &mut u64,
    mono: &mut [f32],
    render: &mut Render,
) {
    fn typed<T: SizedSample + FromSample<f32>>(
        data: &mut Data,
        n_channels: usize,
        frames: &mut u64,
        mono: &mut [f32],
        render: &mut Render,
    ) {
        if let Some(block) = data.as_slice_mut::<T>() {
            fill(block, n_channels, frames, mono, render);
        }
    }
    with_format!(
        data.sample_format(),
        typed(data, n_channels, frames, mono, render)
    );
}

/// The loudspeaker's callback: mono sound on every channel. Neither waits nor allocates, as
/// long as `render` does not.
pub fn fill<T: Sample + FromSample<f32>>(
    block: &mut [T],
    n_channels: usize,
    frames: &mut u64,
    mono: &mut [f32],
    render: &mut Render,
) {
    for part in block.chunks_mut(mono.len() * n_channels) {
        let n = part.len() / n_channels;
        render(*frames, &mut mono[..n]);
        for (frame, sample) in part.chunks_exact_mut(n_channels).zip(mono.iter()) {
            frame.fill(T::from_sample(*sample));
        }
        *frames += n as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_that_the_system_drops_are_made_up_for() {
        let mut pace = Pace::new(48_000);
        let (mut counted, mut sounded) = (0u64, 0u64);
        for block in 0..4000u64 {
            let at_ns = 2_000_000_000 + sounded * 1_000_000_000 / 48_000;
            counted = pace.corrected(counted, at_ns);
            let off = counted as f64 - sounded as f64;
            // What is not put right yet, and one block.
            let most = PUT_RIGHT_S * 48_000.0 + 171.0;
            assert!(block < 100 || off.abs() < most, "{off} frames off");
            counted += 170;
            // Every three hundredth block is filled and never sounds.
            if block % 300 != 299 {
                sounded += 170;
            }
        }
    }
}
