//! `passagework check`: a take against its line, end to end.

use std::path::{Path, PathBuf};

use clap::Args;
use passagework::judge::Check;
use passagework::keep::{KeepError, Library, NewTake};
use passagework::line::Line;
use passagework::line::read::{edition_of_file, read_line};
use passagework::pipeline::check_file;
use passagework::said::Said;
use passagework::show::marked::Part;
use passagework::show::{self, text::Layout};

use super::fingers::Hand;
use super::library::LibraryChoice;
use super::line::LineChoice;
use super::marked::Picture;
use super::{CommandError, Done, manifest, output};

#[derive(Args)]
pub struct CheckArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc); "-" with --json-lines
    line: PathBuf,
    /// The recording: WAV, FLAC, MP3, Ogg Vorbis, M4A or AIFF
    #[arg(required_unless_present = "json_lines")]
    take: Option<PathBuf>,
    /// Check the takes of a manifest on standard input: one JSON object {"line", "take"} a line
    /// (and "id", "part", "voice", "tune", "instrument", "bars", "rhythm", "click",
    /// "click_at_s"), one answer a line in the same order, {"id", "line", "take", "check"} or
    /// with "error" for "check". Exit status 0 when every line has its answer, 2 when not
    #[arg(long, conflicts_with_all = ["bars", "rhythm", "click", "click_at", "json", "marked", "keep", "part", "voice", "tune", "instrument"])]
    json_lines: bool,
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
    /// Write the étude with the marks in it to FILE: a picture (.svg), paper (.pdf) or a page
    /// with everything (.html)
    #[arg(long, value_name = "FILE")]
    marked: Option<PathBuf>,
    /// With fingerings over the marked part's notes, as `passagework fingers` plans them
    #[arg(long, requires = "marked")]
    fingerings: bool,
    /// Write the check as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    keeping: Keeping,
    #[command(flatten)]
    look: Look,
}

/// Whether and how a take goes into the library.
#[derive(Args)]
struct Keeping {
    /// Keep the take, its report and its recording in the library
    #[arg(long)]
    keep: bool,
    /// When it was played, such as 2026-11-25 or "2026-11-25 18:30" [default: now]
    #[arg(long, value_name = "TIME", requires = "keep")]
    played: Option<String>,
    /// Who played, where a library is shared
    #[arg(long, value_name = "NAME", requires = "keep")]
    player: Option<String>,
    #[command(flatten)]
    place: LibraryChoice,
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

pub fn run(arguments: &CheckArguments) -> Result<Done, CommandError> {
    if arguments.json_lines {
        return match arguments.line.as_os_str() == "-" {
            true => manifest::run(std::io::stdin().lock(), std::io::stdout().lock()),
            false => Err("--json-lines reads its takes from standard input: passagework check - --json-lines <manifest.jsonl".into()),
        };
    }
    let choice = arguments.choice.options(false);
    let line = read_line(&arguments.line, &choice)?;
    let options = arguments.said().options(&line)?;
    let picture = arguments.marked.as_deref().map(Picture::at).transpose()?;
    let fingerings = match arguments.fingerings {
        true => {
            let (chart, plan) = Hand::default().plan(&line)?;
            show::fingers::letters(&line, &chart, &plan)
        }
        false => Default::default(),
    };
    let take = arguments.take.as_deref().expect("required above");
    // Opened first: a library that cannot be written to is known before the work.
    let library = match arguments.keeping.keep {
        true => Some(arguments.keeping.place.open()?),
        false => None,
    };
    let busy = Busy::new();
    busy.say("listening");
    let check = check_file(&line, take, &options)?;
    let kept = match library {
        Some(library) => {
            busy.say("keeping");
            Some(arguments.keep(library, &line, take, &check)?)
        }
        None => None,
    };
    if let Some(picture) = picture {
        busy.say("marking");
        let edition = edition_of_file(&arguments.line, &choice, &line);
        let part = Part {
            edition: edition.as_ref(),
            fingerings,
            ..Part::of_take(&line, &check)
        };
        picture.write_take(&part, &check)?;
    }
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
    if let Some(kept) = kept {
        // Not among the report, which may be for a program.
        eprintln!("{kept}");
    }
    Ok(if check.findings.is_empty() {
        Done::Quiet
    } else {
        Done::Findings
    })
}

impl CheckArguments {
    /// Keeps the take; what is to be told of that.
    fn keep(
        &self,
        mut library: Library,
        line: &Line,
        take: &Path,
        check: &Check,
    ) -> Result<String, KeepError> {
        let kept = library.keep(&NewTake {
            line,
            recording: take,
            check,
            said: self.said(),
            played: self.keeping.played.as_deref(),
            player: self.keeping.player.as_deref(),
        })?;
        Ok(kept.told())
    }

    fn said(&self) -> Said {
        Said {
            bars: self.bars.clone(),
            rhythm: self.rhythm.clone(),
            click: self.click.clone(),
            click_at_s: self.click_at,
        }
    }
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
