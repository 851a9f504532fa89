//! `passagework fingers`: fingerings for the whole line, settled before the first note.

use std::path::PathBuf;

use clap::Args;
use passagework::finger::{Chart, Plan, Wishes, plan};
use passagework::judge::ClickOptions;
use passagework::line::read::{edition_of_file, read_line};
use passagework::line::write::{self, Order, WriteOptions};
use passagework::line::{Line, TempoMark};
use passagework::show::{self, marked::Part};

use super::check::Look;
use super::line::LineChoice;
use super::marked::Picture;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct FingersArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    #[command(flatten)]
    hand: Hand,
    /// The tempo to plan for, such as q.=92 [default: the file's mark]
    #[arg(long, value_name = "BEAT=BPM")]
    tempo: Option<String>,
    /// Write the plan as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Write the line as MusicXML with the fingerings above its notes
    #[arg(long, value_name = "FILE")]
    musicxml: Option<PathBuf>,
    /// Write the étude with the fingerings over its notes to FILE: a picture (.svg), paper (.pdf)
    /// or a page with everything (.html)
    #[arg(long, value_name = "FILE")]
    marked: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
}

/// Whose hand, on which instrument; the same in every command that plans fingerings.
#[derive(Args, Clone, Default)]
pub struct Hand {
    /// A fingering chart of your own (TOML)
    #[arg(long, value_name = "FILE")]
    chart: Option<PathBuf>,
    /// A key your instrument has beyond the usual ones, such as left-ab; can be repeated
    #[arg(long, value_name = "EXTRA")]
    with: Vec<String>,
    /// A key your instrument lacks, by its name in the chart, such as LsliverEb; can be repeated
    #[arg(long, value_name = "KEY")]
    without: Vec<String>,
    /// A fingering you like to take, such as B=right or F#5=fork; can be repeated
    #[arg(long, value_name = "NOTE=CHOICE")]
    prefer: Vec<String>,
    /// A fingering settled by you, such as 9=middle (bar 9), 9:2.5=left (a beat), "9 B3=fork" (a
    /// note); can be repeated
    #[arg(long, value_name = "PLACE=CHOICE")]
    pin: Vec<String>,
}

/// No chart for the instrument.
#[derive(Debug, thiserror::Error)]
#[error(
    "there is no fingering chart for {instrument}; there are charts for {known}: name one of these with --instrument, or give a chart of your own with --chart"
)]
struct NoChart {
    instrument: String,
    known: String,
}

impl Hand {
    /// The chart for the line, and the player's wishes.
    pub fn for_line(&self, line: &Line) -> Result<(Chart, Wishes), CommandError> {
        /// What a line is planned for that names no instrument.
        const UNNAMED: &str = "clarinet-bb";
        let chart = match &self.chart {
            Some(path) => Chart::open(path)?,
            None => {
                let instrument = match line.instrument.as_str() {
                    "unknown" => UNNAMED,
                    named => named,
                };
                Chart::built_in(instrument).ok_or_else(|| NoChart {
                    instrument: instrument.into(),
                    known: Chart::all_built_in()
                        .into_iter()
                        .flat_map(|c| c.instruments.into_iter().chain(c.also_for))
                        .collect::<Vec<_>>()
                        .join(", "),
                })?
            }
        };
        let wishes = Wishes {
            pins: parsed(&self.pin)?,
            habits: parsed(&self.prefer)?,
            with: self.with.clone(),
            without: self.without.clone(),
        };
        Ok((chart, wishes))
    }

    /// Chart and plan of the line.
    pub fn plan(&self, line: &Line) -> Result<(Chart, Plan), CommandError> {
        let (chart, wishes) = self.for_line(line)?;
        let plan = plan(line, &chart, &wishes)?;
        Ok((chart, plan))
    }
}

fn parsed<T: std::str::FromStr>(texts: &[String]) -> Result<Vec<T>, T::Err> {
    texts.iter().map(|text| text.parse()).collect()
}

/// Sets the line's tempo to what was said, such as `q.=92`.
pub fn set_tempo(line: &mut Line, tempo: Option<&str>) -> Result<(), CommandError> {
    if let Some(text) = tempo {
        let said = ClickOptions::parse(text)
            .map_err(|_| format!("cannot read the tempo \"{text}\": write a note value and beats a minute, such as q=92 or q.=66"))?;
        line.tempo = Some(TempoMark {
            beat_quarters: said.beat_quarters,
            bpm: said.bpm,
        });
    }
    Ok(())
}

pub fn run(arguments: &FingersArguments) -> Result<Done, CommandError> {
    let choice = arguments.choice.options(false);
    let mut line = read_line(&arguments.line, &choice)?;
    set_tempo(&mut line, arguments.tempo.as_deref())?;
    let picture = arguments.marked.as_deref().map(Picture::at).transpose()?;
    let (chart, plan) = arguments.hand.plan(&line)?;
    let to_stdout = |path: &Option<PathBuf>| path.as_ref().is_some_and(|p| p.as_os_str() == "-");
    if let Some(path) = &arguments.json {
        output::write_whole(path, &show::fingers::json(&line, &chart, &plan))?;
    }
    if let Some(path) = &arguments.musicxml {
        let options = WriteOptions {
            order: Order::Page,
            fingerings: show::fingers::marks(&chart, &plan),
            ..WriteOptions::default()
        };
        output::write_whole(path, &write::musicxml(&line, &options).xml)?;
    }
    if let Some(picture) = picture {
        let edition = edition_of_file(&arguments.line, &choice, &line);
        let part = Part {
            edition: edition.as_ref(),
            fingerings: show::fingers::letters(&line, &chart, &plan),
            under_title: vec![format!("Fingered for: {}.", chart.name)],
            ..Part::new(&line)
        };
        picture.write(&part, &show::fingers::html(&line, &chart, &plan))?;
    }
    let piped = [&arguments.json, &arguments.musicxml];
    if !piped.into_iter().any(to_stdout) {
        let layout = arguments.look.layout();
        output::print(&show::fingers::text(&line, &chart, &plan, layout))?;
    }
    Ok(Done::Quiet)
}
