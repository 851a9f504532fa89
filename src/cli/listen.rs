//! `passagework listen`: a take while it is played, and its report.

use std::fs::File;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use passagework::line::read::read_line;
use passagework::live::Listener;
use passagework::live::events::{Event, write_line};
use passagework::pipeline::check_file;
use passagework::said::Said;
use passagework::show;
use passagework::sound::TakeReader;

use super::check::Look;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct ListenArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Only these bars are played, by their printed numbers
    #[arg(long, value_name = "A-B")]
    bars: Option<String>,
    /// The rhythm a run of equal notes is practised in, such as long-short
    #[arg(long, value_name = "NAME")]
    rhythm: Option<String>,
    /// The click to play to: a note value and beats a minute, such as q.=92
    #[arg(long, value_name = "BEAT=BPM")]
    click: Option<String>,
    /// Follow this recording instead of the microphone
    #[arg(long, value_name = "FILE")]
    take: Option<PathBuf>,
    /// Follow the recording as fast as it goes, not at the speed it was played
    #[arg(long, requires = "take")]
    fast: bool,
    /// Write every event as a line of JSON to FILE; "-" is standard output
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Write the report as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
}

/// Samples handed to the hearing at once: what a device gives at a low latency.
const BLOCK_SAMPLES: usize = 256;

pub fn run(arguments: &ListenArguments) -> Result<Done, CommandError> {
    let to_stdout = |path: &Option<PathBuf>| path.as_ref().is_some_and(|p| p.as_os_str() == "-");
    if to_stdout(&arguments.events) && to_stdout(&arguments.json) {
        return Err(
            "events and report cannot both go to standard output: give --json a file".into(),
        );
    }
    let line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let said = Said {
        bars: arguments.bars.clone(),
        rhythm: arguments.rhythm.clone(),
        click: arguments.click.clone(),
        click_at_s: None,
    };
    let options = said.options(&line)?;
    let mut events: Box<dyn Write> = match &arguments.events {
        Some(path) if path.as_os_str() == "-" => Box::new(io::stdout()),
        Some(path) => Box::new(
            File::create(path)
                .map_err(|e| format!("cannot write the events to {}: {e}", path.display()))?,
        ),
        None => Box::new(io::sink()),
    };
    let Some(take) = &arguments.take else {
        return Err("give --take FILE: the microphone comes later".into());
    };
    let reader = TakeReader::open(take)?;
    let listener = Listener::new(line.clone(), reader.sample_rate_hz(), options.clone());
    follow_file(reader, listener, arguments.fast, &mut *events)?;
    report(
        &line,
        take,
        &options,
        arguments,
        to_stdout(&arguments.events),
    )
}

/// Sends a recording through the live path, block by block.
fn follow_file(
    mut reader: TakeReader,
    mut listener: Listener,
    fast: bool,
    out: &mut dyn Write,
) -> Result<(), CommandError> {
    let begun = Instant::now();
    let mut block = Vec::new();
    let mut events = Vec::new();
    while reader.next_block(&mut block) {
        for piece in block.chunks(BLOCK_SAMPLES) {
            listener.push(piece, &mut events);
            write_all(&mut events, out)?;
            if !fast {
                let due = Duration::from_secs_f64(listener.heard_s());
                std::thread::sleep(due.saturating_sub(begun.elapsed()));
            }
        }
    }
    listener.finish(None, &mut events);
    write_all(&mut events, out)?;
    Ok(())
}

fn write_all(events: &mut Vec<Event>, out: &mut dyn Write) -> io::Result<()> {
    for event in events.drain(..) {
        match write_line(out, &event) {
            // A reader that has gone away is no failure of the take.
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => {}
            other => other?,
        }
    }
    Ok(())
}

/// The check of the whole take, as `check` gives it.
fn report(
    line: &passagework::line::Line,
    take: &Path,
    options: &passagework::pipeline::TakeOptions,
    arguments: &ListenArguments,
    stdout_taken: bool,
) -> Result<Done, CommandError> {
    let check = check_file(line, take, options)?;
    if let Some(path) = &arguments.json {
        output::write_whole(path, &show::json::check(&check))?;
    }
    let json_on_stdout = arguments
        .json
        .as_ref()
        .is_some_and(|p| p.as_os_str() == "-");
    if !stdout_taken && !json_on_stdout {
        output::print(&show::text::check(line, &check, arguments.look.layout()))?;
    }
    Ok(Done::Quiet)
}
