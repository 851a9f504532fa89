//! `passagework review`: the kept takes of an étude over days.

use std::path::PathBuf;

use clap::Args;
use passagework::judge::ClickOptions;
use passagework::keep::{History, Library};
use passagework::line::TempoMark;
use passagework::line::read::read_line;
use passagework::progress::compare;
use passagework::progress::review::ALPHA;
use passagework::show::review as show;

use super::check::Look;
use super::library::LibraryChoice;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct ReviewArguments {
    /// The étude: its file, or a piece of its title [default: the one last played]
    line: Option<String>,
    #[command(flatten)]
    choice: LineChoice,
    /// Only takes of this player
    #[arg(long, value_name = "NAME")]
    player: Option<String>,
    /// Two takes against each other, bar by bar, by their numbers in the library
    #[arg(long, num_args = 2, value_names = ["THEN", "NOW"])]
    compare: Option<Vec<i64>>,
    /// The tempo to get to, such as q.=112; remembered for this étude
    #[arg(long, value_name = "BEAT=BPM")]
    goal: Option<String>,
    /// Write everything as JSON; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Write every difference for a spreadsheet; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write a page with plots
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    #[command(flatten)]
    place: LibraryChoice,
    #[command(flatten)]
    look: Look,
}

pub fn run(arguments: &ReviewArguments) -> Result<Done, CommandError> {
    let mut library = arguments.place.open()?;
    let etude = arguments.etude(&library)?;
    if let Some(goal) = &arguments.goal {
        let click = ClickOptions::parse(goal)?;
        library.set_goal(
            etude,
            TempoMark {
                beat_quarters: click.beat_quarters,
                bpm: click.bpm,
            },
        )?;
    }
    let history = library.history(etude, arguments.player.as_deref())?;
    if history.takes.is_empty() {
        return Err("there are no takes of this player; leave --player out for all".into());
    }
    match &arguments.compare {
        Some(pair) => arguments.tell_pair(&history, pair[0], pair[1]),
        None => arguments.tell(&history),
    }
}

impl ReviewArguments {
    fn etude(&self, library: &Library) -> Result<i64, CommandError> {
        let etudes = library.etudes()?;
        let Some(wanted) = &self.line else {
            let last = etudes.first();
            return Ok(last
                .ok_or("the library is empty: passagework check LINE TAKE --keep")?
                .id);
        };
        if std::path::Path::new(wanted).is_file() {
            let line = read_line(wanted.as_ref(), &self.choice.options(false))?;
            return library.etude_of(&line)?.ok_or_else(|| {
                format!(
                    "no take of {wanted} is in the library: passagework check {wanted} TAKE --keep"
                )
                .into()
            });
        }
        let lower = wanted.to_lowercase();
        let fits = |title: &str| title.to_lowercase().contains(&lower);
        let found: Vec<_> = etudes.iter().filter(|e| fits(&e.title)).collect();
        match found.as_slice() {
            [one] => Ok(one.id),
            [] => {
                let titles: Vec<&str> = etudes.iter().map(|e| e.title.as_str()).collect();
                Err(format!(
                    "no étude of the library is called \"{wanted}\", and there is no such file; it has {}",
                    titles.join(", ")
                )
                .into())
            }
            several => Err(format!(
                "{} études are called so; say more of the title, or name the file",
                several.len()
            )
            .into()),
        }
    }

    fn tell(&self, history: &History) -> Result<Done, CommandError> {
        let told = history.review();
        if let Some(path) = &self.json {
            output::write_whole(path, &show::json(&told))?;
        }
        if let Some(path) = &self.csv {
            output::write_whole(path, &show::csv(&history.line, &told))?;
        }
        if let Some(path) = &self.html {
            output::write_whole(path, &show::html(&history.line, &told))?;
        }
        if !self.to_standard_output() {
            output::print(&show::text(&history.line, &told, self.look.layout()))?;
        }
        Ok(Done::Quiet)
    }

    fn tell_pair(&self, history: &History, then: i64, now: i64) -> Result<Done, CommandError> {
        let take = |id: i64| {
            history
                .takes
                .iter()
                .find(|take| take.id == id)
                .ok_or(format!(
                    "take {id} is none of this étude's; `passagework library` lists them"
                ))
        };
        let compared = compare(&history.bars, &[take(then)?], &[take(now)?], ALPHA);
        if let Some(path) = &self.json {
            let mut text = serde_json::to_string_pretty(&compared)?;
            text.push('\n');
            output::write_whole(path, &text)?;
        }
        if !self.to_standard_output() {
            let beat_quarters = take(now)?.figures.beat_quarters;
            let text = show::comparison_text(&history.line, &compared, beat_quarters);
            output::print(&text)?;
        }
        Ok(Done::Quiet)
    }

    fn to_standard_output(&self) -> bool {
        [&self.json, &self.csv]
            .into_iter()
            .flatten()
            .any(|path| path.as_os_str() == "-")
    }
}
