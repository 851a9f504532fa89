//! `passagework line`: the written line as it is understood.

use std::path::PathBuf;

use clap::Args;
use passagework::line::read::{LineOptions, read_line};
use passagework::show;

use super::{CommandError, Done, output};

#[derive(Args)]
pub struct LineArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    file: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Bar order of the page: repeats are not played out
    #[arg(long)]
    as_written: bool,
    /// Write the line as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

/// Which line of the file, and for which instrument; the same in every command that reads one.
#[derive(Args, Clone, Default)]
pub struct LineChoice {
    /// Part of the score, by number from 1 or by name
    #[arg(long, value_name = "N|NAME")]
    part: Option<String>,
    /// Voice within the part, as the file numbers it [default: the one with most notes]
    #[arg(long, value_name = "V")]
    voice: Option<String>,
    /// Tune of an ABC file, by its X: number [default: the first]
    #[arg(long, value_name = "X")]
    tune: Option<u32>,
    /// The player's instrument, such as clarinet-bb; wins over what the file says
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
}

impl LineChoice {
    pub fn options(&self, as_written: bool) -> LineOptions {
        LineOptions {
            part: self.part.clone(),
            voice: self.voice.clone(),
            tune: self.tune,
            instrument: self.instrument.clone(),
            as_written,
        }
    }

    /// The same choice for a process of our own.
    pub fn as_arguments(&self) -> Vec<String> {
        let tune = self.tune.map(|t| t.to_string());
        [
            ("--part", &self.part),
            ("--voice", &self.voice),
            ("--tune", &tune),
            ("--instrument", &self.instrument),
        ]
        .into_iter()
        .filter_map(|(name, value)| Some([name.to_string(), value.clone()?]))
        .flatten()
        .collect()
    }
}

pub fn run(arguments: &LineArguments) -> Result<Done, CommandError> {
    let options = arguments.choice.options(arguments.as_written);
    let line = read_line(&arguments.file, &options)?;
    if let Some(path) = &arguments.json {
        output::write_whole(path, &show::line::json(&line))?;
    }
    if arguments
        .json
        .as_ref()
        .is_none_or(|path| path.as_os_str() != "-")
    {
        output::print(&show::line::text(&line, output::width(), output::styled()))?;
    }
    Ok(Done::Quiet)
}
