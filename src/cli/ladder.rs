//! `passagework ladder`: passes of a drill, heard one after the other, and the tempo of the next.

use std::io::BufRead;
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
    /// Passes in the order they were played: recordings, or reports of `passagework check --json`;
    /// without any, each is taken from the microphone with a click, as `passagework listen` does
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
    /// The microphone, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// The loudspeaker of the click [default: the system's]
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
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
    for number in 1.. {
        let played_bpm = ladder.bpm();
        let check = match arguments.passes.get(number - 1) {
            Some(path) => pass_of(path, &line)?,
            None if arguments.passes.is_empty() => {
                match arguments.live_pass(&line, played_bpm, number)? {
                    Some(check) => check,
                    None => break,
                }
            }
            None => break,
        };
        let pass = at_tempo(Pass::of(&check), &check, played_bpm);
        let step = ladder.pass(&pass);
        output::print(&practise::step_text(number, played_bpm, &pass, &step))?;
        if matches!(step, Step::Done { .. }) {
            return Ok(Done::Quiet);
        }
    }
    output::print(&format!("Next: quarter = {:.0}.\n", ladder.bpm()))?;
    Ok(Done::Quiet)
}

impl LadderArguments {
    /// One pass from the microphone, once the player is ready; `None` when there is to be none.
    fn live_pass(
        &self,
        line: &Line,
        bpm: f64,
        number: usize,
    ) -> Result<Option<Check>, CommandError> {
        output::print(&format!(
            "Pass {number} at {bpm:.0}: Enter when ready; q and Enter ends. "
        ))?;
        let mut answer = String::new();
        let n_bytes = std::io::stdin().lock().read_line(&mut answer)?;
        if n_bytes == 0 || answer.trim().eq_ignore_ascii_case("q") {
            output::print("\n")?;
            return Ok(None);
        }
        let folder = tempfile::tempdir()?;
        let report = folder.path().join("report.json");
        // A process of its own: the take is one as any other, and ends as one does.
        let mut listen = std::process::Command::new(std::env::current_exe()?);
        listen.arg("listen").arg(&self.line);
        listen.args(self.choice.as_arguments());
        listen.args(["--click", &format!("q={bpm:.0}")]);
        for (name, device) in [("--input", &self.input), ("--output", &self.output)] {
            if let Some(device) = device {
                listen.args([name, device]);
            }
        }
        let status = listen.arg("--json").arg(&report).status()?;
        if !status.success() {
            return Err("the pass could not be taken; see above".into());
        }
        Ok(Some(read_report(&report, line)?))
    }
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
