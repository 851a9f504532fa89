//! `passagework play`: the line as it is written, from the built-in voice.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Args;
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::practise::perform::{LEAD_S, perform, qpm_of, timbre_of};
use passagework::said::Said;
use passagework::sound::click::{Beats, ClickPlayer, Stress};
use passagework::sound::device::Loudspeaker;
use passagework::sound::voice::{VoiceOptions, render};

use super::fingers::set_tempo;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct PlayArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Only these bars, by their printed numbers
    #[arg(long, value_name = "A-B")]
    bars: Option<String>,
    /// The tempo, such as q.=66 [default: the file's mark, else q=80]
    #[arg(long, value_name = "BEAT=BPM")]
    tempo: Option<String>,
    /// With a click on every beat
    #[arg(long)]
    click: bool,
    /// The loudspeaker, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME", conflicts_with = "out")]
    output: Option<String>,
    /// Write the sound to FILE (WAV) instead of playing it
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

const SAMPLE_RATE_HZ: u32 = 44_100;
/// Peak of the click against full scale: heard, and below the voice.
const CLICK_GAIN: f32 = 0.15;

pub fn run(arguments: &PlayArguments) -> Result<Done, CommandError> {
    let mut line = read_line(&arguments.line, &arguments.choice.options(false))?;
    set_tempo(&mut line, arguments.tempo.as_deref())?;
    if let Some(bars) = &arguments.bars {
        line = only_bars(line, bars)?;
    }
    match &arguments.out {
        Some(path) => write_wav(path, &sound(&line, SAMPLE_RATE_HZ, arguments.click))?,
        None => through_loudspeaker(&line, arguments)?,
    }
    Ok(Done::Quiet)
}

/// Plays until the end, or until the loudspeaker is gone.
fn through_loudspeaker(line: &Line, arguments: &PlayArguments) -> Result<(), CommandError> {
    /// How often is looked whether the loudspeaker is still there.
    const LOOK: Duration = Duration::from_millis(50);
    let played = Arc::new(AtomicBool::new(false));
    let loudspeaker = Loudspeaker::open(arguments.output.as_deref(), |sample_rate_hz| {
        let samples = sound(line, sample_rate_hz, arguments.click);
        let played = played.clone();
        Box::new(move |first, mono| {
            let rest = samples.get(first as usize..).unwrap_or(&[]);
            let n = rest.len().min(mono.len());
            mono[..n].copy_from_slice(&rest[..n]);
            mono[n..].fill(0.0);
            if rest.is_empty() {
                played.store(true, Ordering::Relaxed);
            }
        })
    })?;
    while !played.load(Ordering::Relaxed) {
        if let Some(fault) = loudspeaker.fault() {
            return Err(fault.into());
        }
        std::thread::sleep(LOOK);
    }
    Ok(())
}

/// The line from the first to the last of these bars.
fn only_bars(line: Line, bars: &str) -> Result<Line, CommandError> {
    let said = Said {
        bars: Some(bars.into()),
        ..Said::default()
    };
    let passage = said.options(&line)?.align.bars;
    let range = passage
        .and_then(|(from, to)| passagework::align::passage(&line, &from, &to))
        .unwrap_or(0..line.notes.len());
    let first_bar = line.notes[range.start].bar_idx;
    let last_bar = line.notes[range.end - 1].bar_idx;
    let mut notes = line.notes[range].to_vec();
    notes[0].slurred = false;
    for note in &mut notes {
        note.bar_idx -= first_bar;
    }
    Ok(Line {
        notes,
        bars: line.bars[first_bar..=last_bar].to_vec(),
        ..line
    })
}

/// Clicks at listed seconds; true marks a bar's first.
struct ListedBeats(Vec<(f64, bool)>);

impl Beats for ListedBeats {
    fn click(&self, number: u64) -> Option<(f64, Stress)> {
        let &(at_s, first) = self.0.get(number as usize)?;
        Some((at_s, if first { Stress::Bar } else { Stress::Beat }))
    }
}

/// The line's sound, mono.
fn sound(line: &Line, sample_rate_hz: u32, click: bool) -> Vec<f32> {
    let performance = perform(line, qpm_of(line));
    let options = VoiceOptions {
        timbre: timbre_of(&line.instrument),
        ..VoiceOptions::default()
    };
    let mut samples = render(
        &performance.notes,
        sample_rate_hz,
        performance.duration_s,
        &options,
    );
    if click {
        let beats = performance.beats.into_iter();
        let beats = ListedBeats(beats.filter(|(at_s, _)| *at_s >= LEAD_S).collect());
        let mut clicks = vec![0.0; samples.len()];
        ClickPlayer::new(beats, sample_rate_hz, 0, CLICK_GAIN).fill(0, &mut clicks);
        for (sample, click) in samples.iter_mut().zip(clicks) {
            *sample += click;
        }
    }
    for sample in &mut samples {
        *sample = sample.clamp(-1.0, 1.0);
    }
    samples
}

fn write_wav(path: &Path, samples: &[f32]) -> Result<(), CommandError> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: SAMPLE_RATE_HZ,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec)?;
    for sample in samples {
        writer.write_sample((sample * 32767.0) as i16)?;
    }
    writer.finalize()?;
    output::write_bytes(path, &bytes.into_inner())?;
    Ok(())
}
