//! `passagework hear`: what is heard in a take, without any line.

use std::path::PathBuf;

use clap::Args;
use passagework::hear::HearOptions;
use passagework::line::instruments;
use passagework::line::read::LineError;
use passagework::show;

use super::check::{Busy, Look};
use super::{CommandError, Done, output};
use passagework::pipeline::{hear_file, range};

#[derive(Args)]
pub struct HearArguments {
    /// The recording: WAV, FLAC, MP3, Ogg Vorbis, M4A or AIFF
    take: PathBuf,
    /// The player's instrument, such as clarinet-bb: its range is heard, its pitch written
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Write what was heard as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
}

pub fn run(arguments: &HearArguments) -> Result<Done, CommandError> {
    let instrument = match &arguments.instrument {
        Some(name) => Some(
            instruments::find(name).ok_or_else(|| LineError::NoSuchInstrument {
                wanted: name.clone(),
                nearest: instruments::nearest(name),
            })?,
        ),
        None => None,
    };
    let options = match instrument {
        Some(i) => HearOptions {
            raised_hz: HearOptions::HIGHEST_HZ,
            ..range(i.professional.0, i.professional.1)
        },
        None => HearOptions::default(),
    };
    let busy = Busy::new();
    busy.say("listening");
    let hearing = hear_file(&arguments.take, &options)?;
    busy.done();
    if let Some(path) = &arguments.json {
        output::write_whole(path, &show::json::hearing(&hearing))?;
    }
    if arguments
        .json
        .as_ref()
        .is_none_or(|path| path.as_os_str() != "-")
    {
        let transpose = instrument.map(|i| i.transpose_semitones);
        output::print(&show::text::hearing(
            &hearing,
            transpose,
            arguments.look.layout(),
        ))?;
    }
    Ok(Done::Quiet)
}
