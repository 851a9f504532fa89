//! A take from the microphone: heard, kept on disk and followed, all on one thread.
//!
//! The callback fills a ring; this thread empties it, writes the take, follows it and sends
//! events to whoever shows them. It ends on the player's word, after the last note, after a
//! long silence, or when the microphone or the disk fails; what was taken is kept in every case.

use std::cell::Cell;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crossbeam_channel::Sender;

use super::Listener;
use super::beats::BeatTrack;
use super::clock::StreamClock;
use super::events::Event;
use super::latency::Remembered;
use super::place::data_folder;
use crate::align::passage;
use crate::judge::stats::LineFit;
use crate::line::Line;
use crate::pipeline::TakeOptions;
use crate::sound::capture::Came;
use crate::sound::click::{Beats, ClickPlayer};
use crate::sound::device::{DeviceError, Loudspeaker, Microphone};
use crate::sound::recorder::{Recorder, RecorderError};

/// Frames taken from the ring at once.
const PIECE_FRAMES: usize = 256;

/// How long the thread sleeps when the ring is empty: half a block.
const NAP: Duration = Duration::from_millis(2);

/// Silence after the last note of the line that ends the take, seconds.
const SILENCE_AT_END_S: f64 = 3.0;

/// No sound from a device that is open for this long: it is gone, seconds.
const STALLED_S: f64 = 3.0;

/// The channel in use is left for another one that is so much stronger, power ratio (9 dB).
const STRONGER: f64 = 8.0;

/// Two devices' clocks differ by no more, parts in a million; beyond, sound was dropped.
const SKEW_MAX_PPM: f64 = 1000.0;

/// Time over which a channel's power is taken, seconds.
const POWER_S: f64 = 1.0;

/// What is to sound while the take is made.
pub struct Sounding {
    pub speaker: Option<Loudspeaker>,
    pub track: BeatTrack,
    pub speaker_rate_hz: u32,
    /// Frame of the loudspeaker at which the first click begins.
    pub first_frame: u64,
    /// Time from the loudspeaker's stamp to the microphone's, where it was measured.
    pub latency_s: Option<f64>,
}

/// Level of the click, dB re full scale: heard beside an instrument, and no louder; the player
/// turns up what is too quiet.
pub const DEFAULT_CLICK_DB: f64 = -26.0;

/// Silence that ends a take, once something was played, seconds.
pub const SILENCE_ENDS_S: f64 = 20.0;

/// The first click sounds this long after the loudspeaker was opened, seconds: its first moments
/// are not steady.
const FIRST_CLICK_S: f64 = 1.2;

impl Sounding {
    /// The beat is only shown.
    pub fn silent(track: BeatTrack, microphone: &Microphone) -> Sounding {
        let rate_hz = microphone.sample_rate_hz();
        Sounding {
            speaker: None,
            track,
            speaker_rate_hz: rate_hz,
            first_frame: (FIRST_CLICK_S * f64::from(rate_hz)) as u64,
            latency_s: Some(0.0),
        }
    }

    /// Opens the loudspeaker of that name, or the system's, and sets the click going; `gain` is
    /// its peak, share of full scale.
    pub fn open(
        output: Option<&str>,
        track: BeatTrack,
        gain: f32,
        microphone: &Microphone,
    ) -> Result<Sounding, DeviceError> {
        let opened = Cell::new((0, 0));
        let speaker = Loudspeaker::open(output, |rate_hz| {
            let first_frame = (FIRST_CLICK_S * f64::from(rate_hz)) as u64;
            opened.set((rate_hz, first_frame));
            let mut player = ClickPlayer::new(track.clone(), rate_hz, first_frame, gain);
            Box::new(move |first, mono: &mut [f32]| player.fill(first, mono))
        })?;
        let (speaker_rate_hz, first_frame) = opened.get();
        let latency_s = data_folder().ok().and_then(|folder| {
            Remembered::load(&folder)
                .of(microphone.name(), speaker.name())
                .map(|latency| 1e-3 * latency.median_ms)
        });
        Ok(Sounding {
            speaker: Some(speaker),
            track,
            speaker_rate_hz,
            first_frame,
            latency_s,
        })
    }
}

/// Index of the last note that is to be played: of the passage, or of the line.
pub fn last_to_play(line: &Line, options: &TakeOptions) -> usize {
    options
        .align
        .bars
        .as_ref()
        .and_then(|(from, to)| passage(line, from, to))
        .map_or(line.notes.len(), |range| range.end)
        .saturating_sub(1)
}

/// Everything one take needs.
pub struct Taking {
    pub microphone: Microphone,
    pub listener: Listener,
    pub recorder: Recorder,
    pub click: Option<Sounding>,
    pub events: Sender<Event>,
    pub stop: Arc<AtomicBool>,
    /// Index of the last note to be played.
    pub last_idx: usize,
    pub silence_ends_s: f64,
}

/// What became of it.
pub struct Taken {
    pub path: PathBuf,
    /// Why it ended, where neither the player nor the music ended it.
    pub reason: Option<String>,
    pub lost_frames: u64,
    pub lost_at_s: Vec<f64>,
    /// Where the sound system dropped sound, and does not say how much.
    pub dropped_at_s: Vec<f64>,
    /// When the first beat of the line (not of the count-in) was heard in the take, and seconds
    /// of the take for one of the click's, where the latency is known.
    pub click_at_s: Option<f64>,
    pub click_stretch: Option<f64>,
    /// Loudspeaker against microphone, parts in a million.
    pub skew_ppm: Option<f64>,
}

/// Clocks nearer to each other than this are as good as one, parts in a million: 6 ms in a
/// minute.
const TOLD_SKEW_PPM: f64 = 100.0;

impl Taken {
    /// Where the click lay in the take, for the judging.
    pub fn lay_click(&self, options: &mut TakeOptions) {
        if let (Some(click), Some(stretch)) = (&mut options.judge.click, self.click_stretch) {
            click.at_s = self.click_at_s;
            click.bpm /= stretch;
        }
    }

    /// What the player should know of the recording itself, a sentence each; `sounded`: there
    /// was a click to hear.
    pub fn remarks(&self, sounded: bool) -> Vec<String> {
        let mut remarks: Vec<String> = self.reason.iter().cloned().collect();
        if self.lost_frames > 0 {
            remarks.push(format!(
                "{} samples were lost, at {}: close other programs",
                self.lost_frames,
                places(&self.lost_at_s)
            ));
        }
        if !self.dropped_at_s.is_empty() {
            remarks.push(format!(
                "the sound system dropped sound at {}, it does not say how much, and times after it may be early: close other programs",
                places(&self.dropped_at_s)
            ));
        }
        if sounded && self.click_at_s.is_none() {
            remarks.push(
                "how long the click takes to your microphone is not known, so that only scatter and trend against it are told; `passagework latency` measures it"
                    .into(),
            );
        }
        if let Some(ppm) = self.skew_ppm.filter(|ppm| ppm.abs() > TOLD_SKEW_PPM) {
            remarks.push(format!(
                "loudspeaker and microphone run {:.0} parts in a million apart; that is taken off",
                ppm.abs()
            ));
        }
        remarks.push(format!("the take is in {}", self.path.display()));
        remarks
    }
}

fn places(at_s: &[f64]) -> String {
    let at: Vec<String> = at_s.iter().map(|s| format!("{s:.1} s")).collect();
    at.join(", ")
}

impl Taking {
    /// Takes until something ends it. Run on a thread of its own.
    pub fn run(mut self) -> Taken {
        let rate = f64::from(self.microphone.sample_rate_hz());
        let mut mixer = Mixer::new(self.microphone.reader().n_channels(), rate);
        let mut heard = Clocks::new(self.microphone.sample_rate_hz(), self.click.as_ref());
        let (mut interleaved, mut mono) = (Vec::new(), Vec::new());
        let mut events = Vec::new();
        let (mut lost_at_s, mut dropped_at_s) = (Vec::new(), Vec::new());
        let mut reason = None;
        let mut idle = Duration::ZERO;
        let mut played = Played::default();
        let mut n_overruns = 0;
        loop {
            if self.stop.load(Ordering::Relaxed) {
                break;
            }
            heard.update(&mut self.microphone, self.click.as_mut());
            let overruns = self.microphone.overruns();
            if overruns > n_overruns {
                n_overruns = overruns;
                let at_s = self.listener.heard_s();
                dropped_at_s.push(at_s);
                events.push(Event::Gap {
                    at_s,
                    lost_samples: 0,
                });
            }
            match self
                .microphone
                .reader()
                .next(PIECE_FRAMES, &mut interleaved)
            {
                Came::Nothing => {
                    if let Some(fault) = self.microphone.fault(idle.as_secs_f64()) {
                        reason = Some(fault.to_string());
                        break;
                    }
                    if idle.as_secs_f64() > STALLED_S {
                        reason = Some(format!(
                            "{} sends nothing any more: it was unplugged, or the sound server has stopped",
                            self.microphone.name()
                        ));
                        break;
                    }
                    std::thread::sleep(NAP);
                    idle += NAP;
                    continue;
                }
                Came::Sound => mixer.mix(&interleaved, &mut mono),
                Came::Gap(frames) => {
                    let at_s = self.listener.heard_s();
                    lost_at_s.push(at_s);
                    events.push(Event::Gap {
                        at_s,
                        lost_samples: frames,
                    });
                    // Silence of the same length keeps the take's time true.
                    mono.clear();
                    mono.resize(frames as usize, 0.0);
                    interleaved.clear();
                    interleaved.resize(frames as usize * mixer.n_channels, 0.0);
                }
            }
            idle = Duration::ZERO;
            let kept = self.recorder.push(&interleaved);
            self.listener.push(&mono, &mut events);
            if let Some(click) = &self.click {
                heard.say_beats(click, self.listener.heard_s(), &mut events);
            }
            played.note(&events, self.last_idx);
            self.send(&mut events);
            if let Err(error) = kept {
                reason = Some(self.disk(error));
                break;
            }
            if played.is_over(self.listener.silent_s(), self.silence_ends_s) {
                break;
            }
        }
        self.end(reason, lost_at_s, dropped_at_s, heard)
    }

    fn end(
        mut self,
        mut reason: Option<String>,
        lost_at_s: Vec<f64>,
        dropped_at_s: Vec<f64>,
        clocks: Clocks,
    ) -> Taken {
        let lost_frames = self.microphone.reader().lost_frames();
        drop(self.microphone);
        let path = self.recorder.path().to_path_buf();
        if let Err(error) = self.recorder.finish() {
            reason.get_or_insert_with(|| error.to_string());
        }
        let mut events = Vec::new();
        self.listener.finish(reason.clone(), &mut events);
        for event in events {
            // A display that has gone away is no matter of the take.
            let _ = self.events.send(event);
        }
        let known = self.click.as_ref().and_then(|click| click.latency_s);
        let (click_at_s, click_stretch) = match (known, self.click.as_ref()) {
            (Some(_), Some(click)) => clocks.beat_grid(click).unzip(),
            _ => (None, None),
        };
        Taken {
            path,
            reason,
            lost_frames,
            lost_at_s,
            dropped_at_s,
            click_at_s,
            click_stretch,
            skew_ppm: clocks.skew_ppm(),
        }
    }

    fn disk(&self, error: RecorderError) -> String {
        format!("{error}; the take ends with what was written")
    }

    fn send(&self, events: &mut Vec<Event>) {
        for event in events.drain(..) {
            let _ = self.events.send(event);
        }
    }
}

/// From interleaved channels to the one with the player.
struct Mixer {
    n_channels: usize,
    power: Vec<f64>,
    fade: f64,
    chosen: usize,
}

impl Mixer {
    fn new(n_channels: usize, rate: f64) -> Mixer {
        Mixer {
            n_channels,
            power: vec![0.0; n_channels],
            fade: 1.0 - 1.0 / (POWER_S * rate),
            chosen: 0,
        }
    }

    fn mix(&mut self, interleaved: &[f32], mono: &mut Vec<f32>) {
        for frame in interleaved.chunks_exact(self.n_channels) {
            for (power, x) in self.power.iter_mut().zip(frame) {
                *power = *power * self.fade + f64::from(*x) * f64::from(*x);
            }
        }
        let strongest = (0..self.n_channels)
            .max_by(|a, b| self.power[*a].total_cmp(&self.power[*b]))
            .unwrap_or(0);
        if self.power[strongest] > STRONGER * self.power[self.chosen] {
            self.chosen = strongest;
        }
        mono.clear();
        mono.extend(
            interleaved
                .chunks_exact(self.n_channels)
                .map(|frame| frame[self.chosen]),
        );
    }
}

/// What of the playing decides whether it is over.
#[derive(Default)]
struct Played {
    begun: bool,
    at_last: bool,
}

impl Played {
    fn note(&mut self, events: &[Event], last_idx: usize) {
        for event in events {
            if let Event::Position { index, .. } = event {
                self.begun = true;
                self.at_last = *index == last_idx;
            }
        }
    }

    fn is_over(&self, silent_s: f64, silence_s: f64) -> bool {
        self.begun && (silent_s > silence_s || (self.at_last && silent_s > SILENCE_AT_END_S))
    }
}

/// Microphone's and loudspeaker's clocks, and the beats as they fall in the take.
struct Clocks {
    microphone: StreamClock,
    loudspeaker: Option<StreamClock>,
    /// Loudspeaker's clock minus the microphone's, seconds.
    apart_s: Option<f64>,
    next_beat: usize,
    /// Seconds after the first click as planned, and in the take.
    beats: Vec<(f64, f64)>,
}

impl Clocks {
    fn new(microphone_rate_hz: u32, click: Option<&Sounding>) -> Clocks {
        Clocks {
            microphone: StreamClock::new(microphone_rate_hz),
            loudspeaker: click
                .filter(|click| click.speaker.is_some())
                .map(|click| StreamClock::new(click.speaker_rate_hz)),
            apart_s: None,
            next_beat: 0,
            beats: Vec::new(),
        }
    }

    fn update(&mut self, microphone: &mut Microphone, click: Option<&mut Sounding>) {
        while let Some(stamp) = microphone.reader().stamp() {
            self.microphone.push(stamp);
        }
        let speaker = click.and_then(|click| click.speaker.as_mut());
        if let (Some(speaker), Some(clock)) = (speaker, &mut self.loudspeaker) {
            while let Some(stamp) = speaker.stamp() {
                clock.push(stamp);
            }
            if self.apart_s.is_none() {
                // Read at the same moment, as nearly as can be: between two readings of the other.
                let before_ns = microphone.now_ns() as f64;
                let speaker_ns = speaker.now_ns() as f64;
                let after_ns = microphone.now_ns() as f64;
                self.apart_s = Some(1e-9 * (speaker_ns - 0.5 * (before_ns + after_ns)));
            }
        }
    }

    /// Second of the take at which something planned `at_s` after the first click is heard.
    fn in_take_s(&self, click: &Sounding, at_s: f64) -> Option<f64> {
        let Some(clock) = &self.loudspeaker else {
            // A silent click keeps the take's own time.
            return Some(click.first_frame as f64 / f64::from(click.speaker_rate_hz) + at_s);
        };
        let frame = click.first_frame as f64 + at_s * f64::from(click.speaker_rate_hz);
        let clock_s = clock.time_of_s(frame)? - self.apart_s?;
        let frames = self.microphone.frame_at(clock_s)?;
        Some(frames / self.microphone.rate_hz() + click.latency_s.unwrap_or(0.0))
    }

    /// Says every beat that the take has reached.
    fn say_beats(&mut self, click: &Sounding, heard_s: f64, events: &mut Vec<Event>) {
        while let Some((planned_s, _)) = click.track.click(self.next_beat as u64) {
            let Some(at_s) = self
                .in_take_s(click, planned_s)
                .filter(|at_s| *at_s <= heard_s)
            else {
                return;
            };
            if let Some(planned) = click.track.planned(self.next_beat) {
                let beat = planned.said_at(at_s);
                events.push(if planned.count_in {
                    Event::CountIn(beat)
                } else {
                    self.beats.push((planned_s, at_s));
                    Event::Click(beat)
                });
            }
            self.next_beat += 1;
        }
    }

    /// Second of the take of the first beat, and the stretch, by a line through the beats as they fell.
    fn beat_grid(&self, click: &Sounding) -> Option<(f64, f64)> {
        let (x, y): (Vec<f64>, Vec<f64>) = self.beats.iter().copied().unzip();
        let fit = LineFit::robust_sparse(&x, &y, 0.001)?;
        // Crystals do not differ by so much: the loudspeaker has dropped out.
        if (fit.slope - 1.0).abs() > 1e-6 * SKEW_MAX_PPM {
            return None;
        }
        let first = (0..)
            .map_while(|k| click.track.planned(k))
            .find(|p| !p.count_in)?;
        Some((fit.at(first.at_s), fit.slope))
    }

    fn skew_ppm(&self) -> Option<f64> {
        let ppm = self.loudspeaker.as_ref()?.skew_ppm()? - self.microphone.skew_ppm()?;
        (ppm.abs() <= SKEW_MAX_PPM).then_some(ppm)
    }
}
