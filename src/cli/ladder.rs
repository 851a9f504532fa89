//! `passagework ladder`: passes of a drill, heard one after the other, and the tempo of the next.

use std::path::{Path, PathBuf};

use clap::Args;
use passagework::judge::Check;
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::pipeline::{TakeOptions, check_file};
use passagework::practise::perform::qpm_of;
use passagework::practise::{Ladder, Pass, Step, ladder};
use passagework::show::practise;

use super::drill::read_report;
use super::fingers::set_tempo;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct LadderArguments {
    /// The drill or étude: MusicXML, MIDI or ABC
    line: PathBuf,
    /// Passes in the order they were played: recordings, or reports of `passagework check --json`
    passes: Vec<PathBuf>,
    #[command(flatten)]
    choice: LineChoice,
    /// The tempo to begin at, such as q=60 [default: the file's mark]
    #[arg(long, value_name = "BEAT=BPM")]
    start: Option<String>,
    /// The tempo to reach, such as q=92
    #[arg(long, value_name = "BEAT=BPM")]
    goal: String,
    /// Clean passes in a row before the next step
    #[arg(long, value_name = "N", default_value_t = ladder::CLEAN_PASSES)]
    passes_wanted: u32,
}

pub fn run(arguments: &LadderArguments) -> Result<Done, CommandError> {
    let mut line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let mut goal = line.clone();
    set_tempo(&mut line, arguments.start.as_deref())?;
    set_tempo(&mut goal, Some(&arguments.goal))?;
    let steps = ladder::steps(qpm_of(&line), qpm_of(&goal));
    let mut ladder = Ladder::new(steps, arguments.passes_wanted);
    let words: Vec<String> = ladder.steps().iter().map(|s| format!("{s:.0}")).collect();
    output::print(&format!("quarter = {}\n", words.join(", ")))?;
    for (i, path) in arguments.passes.iter().enumerate() {
        let check = pass_of(path, &line)?;
        let pass = at_tempo(Pass::of(&check), &check, ladder.bpm());
        let played_bpm = ladder.bpm();
        let step = ladder.pass(&pass);
        output::print(&practise::step_text(i + 1, played_bpm, &pass, &step))?;
        if matches!(step, Step::Done { .. }) {
            return Ok(Done::Quiet);
        }
    }
    output::print(&format!("Next: quarter = {:.0}.\n", ladder.bpm()))?;
    Ok(Done::Quiet)
}

/// A report as it is, a recording checked.
fn pass_of(path: &Path, line: &Line) -> Result<Check, CommandError> {
    match path.extension().is_some_and(|x| x == "json") {
        true => read_report(path, line),
        false => Ok(check_file(line, path, &TakeOptions::default())?),
    }
}

/// A clean pass counts for a tempo only if it was played at it.
fn at_tempo(pass: Pass, check: &Check, bpm: f64) -> Pass {
    // How far below the step's tempo a pass still counts: what is just noticed.
    let slowest = bpm * (1.0 - ladder::NOTICEABLE_SHARE);
    match (pass, Pass::qpm(check)) {
        (Pass::Clean, Some(qpm)) if qpm < slowest => {
            Pass::CannotTell(format!("it was clean, but played at {qpm:.0}"))
        }
        (pass, _) => pass,
    }
}
