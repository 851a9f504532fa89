//! `passagework check`: a take against its line, end to end.

use std::path::PathBuf;

use clap::Args;
use passagework::align::{AlignOptions, Rhythm, passage};
use passagework::judge::{ClickOptions, JudgeOptions};
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::pipeline::{TakeOptions, check_file};
use passagework::show::{self, text::Layout};

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
    busy.say("listening");
    let check = check_file(&line, &arguments.take, &options)?;
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

impl CheckArguments {
    fn options(&self, line: &Line) -> Result<TakeOptions, CommandError> {
        let mut options = said(
            line,
            self.bars.as_deref(),
            self.rhythm.as_deref(),
            self.click.as_deref(),
        )?;
        if let Some(click) = &mut options.judge.click {
            if self.click_at.is_some_and(|s| !s.is_finite()) {
                return Err(SayError::ClickAt.into());
            }
            click.at_s = self.click_at;
        }
        Ok(options)
    }
}

/// What the player said of the take, read.
pub fn said(
    line: &Line,
    bars: Option<&str>,
    rhythm: Option<&str>,
    click: Option<&str>,
) -> Result<TakeOptions, CommandError> {
    let bars = bars.map(|text| read_bars(text, line)).transpose()?;
    let rhythm = rhythm
        .map(|name| Rhythm::parse(name).ok_or_else(|| SayError::Rhythm(name.into())))
        .transpose()?;
    let click = click.map(ClickOptions::parse).transpose()?;
    Ok(TakeOptions {
        align: AlignOptions {
            bars,
            rhythm: rhythm.clone(),
            ..AlignOptions::default()
        },
        judge: JudgeOptions { click, rhythm },
    })
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
