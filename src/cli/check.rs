//! `passagework check`: a take against its line, end to end.

use std::path::PathBuf;

use clap::Args;
use passagework::align::{AlignOptions, Rhythm, align, passage};
use passagework::hear::{HearOptions, Hearing, hear};
use passagework::judge::{Check, ClickOptions, JudgeOptions, judge};
use passagework::line::read::read_line;
use passagework::line::{Line, instruments};
use passagework::show::{self, text::Layout};
use passagework::sound::{Take, read_take};

use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct CheckArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    /// The recording: WAV, FLAC, MP3, Ogg Vorbis, M4A or AIFF
    take: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Only these bars were played, by their printed numbers
    #[arg(long, value_name = "A-B")]
    bars: Option<String>,
    /// The rhythm a run of equal notes was practised in, such as long-short
    #[arg(long, value_name = "NAME")]
    rhythm: Option<String>,
    /// The click that was played to: a note value and beats a minute, such as q.=92
    #[arg(long, value_name = "BEAT=BPM")]
    click: Option<String>,
    /// Second of the take at which one of the clicks sounds
    #[arg(
        long,
        value_name = "S",
        requires = "click",
        allow_negative_numbers = true
    )]
    click_at: Option<f64>,
    /// Write the check as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
}

/// How a report is laid out.
#[derive(Args, Clone, Copy)]
pub struct Look {
    /// Columns of the text [default: those of the terminal]
    #[arg(long, value_name = "N")]
    width: Option<u16>,
    /// Show every finding, not only the worst
    #[arg(long)]
    all: bool,
}

impl Look {
    pub fn layout(self) -> Layout {
        /// Columns where no terminal says how many: what mail and paper take.
        const PIPED_COLUMNS: usize = 80;
        let columns = || std::env::var("COLUMNS").ok()?.parse().ok();
        Layout {
            width: self
                .width
                .map(usize::from)
                .or_else(columns)
                .or_else(output::width)
                .unwrap_or(PIPED_COLUMNS),
            styled: output::styled(),
            all: self.all,
        }
    }
}

/// What the player said about the take.
#[derive(Default)]
pub struct TakeOptions {
    pub align: AlignOptions,
    pub judge: JudgeOptions,
}

/// A bar range, rhythm or click that cannot be meant.
#[derive(Debug, thiserror::Error)]
enum SayError {
    #[error(
        "cannot read the bars \"{0}\": write the printed numbers of the first and the last, such as 9-16, or one, such as 9"
    )]
    Bars(String),
    #[error("the line has no bars {wanted}; it has {first} to {last}")]
    NoSuchBars {
        wanted: String,
        first: String,
        last: String,
    },
    #[error(
        "no rhythm is called \"{0}\"; write a chain such as long-short, short-long or long-short-short, or triplet"
    )]
    Rhythm(String),
    #[error("--click-at takes a second of the take, such as 1.25")]
    ClickAt,
}

pub fn run(arguments: &CheckArguments) -> Result<Done, CommandError> {
    let line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let options = arguments.options(&line)?;
    let busy = Busy::new();
    busy.say("reading the take");
    let take = read_take(&arguments.take)?;
    busy.say("listening");
    let check = check_take(&line, &take, &options);
    busy.done();
    if let Some(path) = &arguments.json {
        output::write_whole(path, &show::json::check(&check))?;
    }
    if arguments
        .json
        .as_ref()
        .is_none_or(|path| path.as_os_str() != "-")
    {
        output::print(&show::text::check(&line, &check, arguments.look.layout()))?;
    }
    Ok(if check.findings.is_empty() {
        Done::Quiet
    } else {
        Done::Findings
    })
}

/// The whole way from samples to findings in words.
pub fn check_take(line: &Line, take: &Take, options: &TakeOptions) -> Check {
    let hearing = hear_take(take, &range_of(line));
    let alignment = align(line, &hearing, &options.align);
    let mut check = judge(line, &hearing, &alignment, &options.judge);
    show::words::put_into_words(line, &mut check);
    check
}

/// Hears a take; what reading it showed of the recording is said first.
pub fn hear_take(take: &Take, options: &HearOptions) -> Hearing {
    let mut hearing = hear(&take.samples, take.sample_rate_hz, options);
    let recording = &mut hearing.recording;
    recording.clipped_share = recording.clipped_share.max(take.clipped_share);
    let heard = std::mem::take(&mut recording.warnings);
    recording.warnings = take.warnings.clone();
    for warning in heard {
        if !recording.warnings.contains(&warning) {
            recording.warnings.push(warning);
        }
    }
    hearing
}

/// Where to look for pitches: the instrument's range, or the line's own with room for slips.
fn range_of(line: &Line) -> HearOptions {
    /// A twelfth: how far another register of the same fingering lies.
    const SLIP_SEMITONES: i32 = 19;
    let sounding = || line.notes.iter().map(|n| n.sounding_midi);
    let (Some(low), Some(high)) = (sounding().min(), sounding().max()) else {
        return HearOptions::default();
    };
    match instruments::find(&line.instrument) {
        Some(instrument) => {
            let (lowest, highest) = instrument.professional;
            range(low.min(lowest), high.max(highest))
        }
        None => range(low - SLIP_SEMITONES, high + SLIP_SEMITONES),
    }
}

/// From a whole tone under `low` to one over `high` (MIDI numbers): room for another pitch standard.
pub fn range(low: i32, high: i32) -> HearOptions {
    let hz = |midi: i32| passagework::convert::midi_to_hz(f64::from(midi), 440.0);
    let widest = HearOptions {
        low_hz: 30.0,
        high_hz: 4200.0,
    };
    HearOptions {
        low_hz: hz(low - 2).max(widest.low_hz),
        high_hz: hz(high + 2).min(widest.high_hz),
    }
}

impl CheckArguments {
    fn options(&self, line: &Line) -> Result<TakeOptions, CommandError> {
        let bars = match &self.bars {
            Some(text) => Some(read_bars(text, line)?),
            None => None,
        };
        let rhythm = match &self.rhythm {
            Some(name) => Some(Rhythm::parse(name).ok_or_else(|| SayError::Rhythm(name.clone()))?),
            None => None,
        };
        let mut click = match &self.click {
            Some(text) => Some(ClickOptions::parse(text)?),
            None => None,
        };
        if let Some(click) = &mut click {
            if self.click_at.is_some_and(|s| !s.is_finite()) {
                return Err(SayError::ClickAt.into());
            }
            click.at_s = self.click_at;
        }
        Ok(TakeOptions {
            align: AlignOptions {
                bars,
                rhythm: rhythm.clone(),
            },
            judge: JudgeOptions { click, rhythm },
        })
    }
}

/// First and last bar of `9-16` or `9`, as printed, where the line has them.
fn read_bars(text: &str, line: &Line) -> Result<(String, String), SayError> {
    let (from, to) = text.split_once('-').unwrap_or((text, text));
    let (from, to) = (from.trim(), to.trim());
    if from.is_empty() || to.is_empty() {
        return Err(SayError::Bars(text.into()));
    }
    if passage(line, from, to).is_none() {
        let number = |bar: Option<&passagework::line::LineBar>| {
            bar.map_or_else(|| "?".into(), |b| b.number.clone())
        };
        return Err(SayError::NoSuchBars {
            wanted: text.into(),
            first: number(line.bars.first()),
            last: number(line.bars.last()),
        });
    }
    Ok((from.into(), to.into()))
}

/// A sign of life on standard error, only when that is a terminal.
pub struct Busy(indicatif::ProgressBar);

impl Busy {
    pub fn new() -> Busy {
        // Hides itself where standard error is no terminal.
        let bar = indicatif::ProgressBar::new_spinner();
        bar.enable_steady_tick(std::time::Duration::from_millis(120));
        Busy(bar)
    }

    pub fn say(&self, what: &'static str) {
        self.0.set_message(what);
    }

    pub fn done(self) {
        self.0.finish_and_clear();
    }
}
