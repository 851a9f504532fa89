//! `passagework class`: a folder of takes against one line, on all cores.

use std::path::{Path, PathBuf};

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use passagework::class::{Row, State, check_class, takes_in};
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::said::Said;
use passagework::show::class::{self, Class};

use super::check::Look;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct ClassArguments {
    /// Folder with one take a player; the file's name is the player's
    dir: PathBuf,
    /// The étude they all play
    #[arg(long, value_name = "FILE")]
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Only these bars were played, by their printed numbers
    #[arg(long, value_name = "A-B")]
    bars: Option<String>,
    /// The click that was played to, such as q.=92
    #[arg(long, value_name = "BEAT=BPM")]
    click: Option<String>,
    /// Write the table for a spreadsheet; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write everything as JSON; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Write pages into this folder: the table, and one page a player
    #[arg(long, value_name = "FOLDER")]
    html: Option<PathBuf>,
    /// Where it is written down what is done, so that a run broken off goes on
    /// [default: beside the first file written; none for text alone]
    #[arg(long, value_name = "FILE")]
    state: Option<PathBuf>,
    /// Cores to use [default: all]
    #[arg(long, value_name = "N")]
    jobs: Option<usize>,
    #[command(flatten)]
    look: Look,
}

pub fn run(arguments: &ClassArguments) -> Result<Done, CommandError> {
    let line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let said = Said {
        bars: arguments.bars.clone(),
        click: arguments.click.clone(),
        ..Said::default()
    };
    let options = said.options(&line)?;
    let dir = arguments.dir.display();
    let takes = takes_in(&arguments.dir)
        .map_err(|error| format!("cannot read the folder {dir}: {error}"))?;
    if takes.is_empty() {
        return Err(format!("there are no takes in {dir}: one sound file a player").into());
    }
    let state = match arguments.state_path() {
        Some(path) => Some(State::open(&path, &line, &said)?),
        None => None,
    };
    if let Some(n @ 1..) = state.as_ref().map(State::n_known) {
        eprintln!("{n} takes were checked before and are not heard again");
    }
    let bar = ProgressBar::new(takes.len() as u64).with_style(
        ProgressStyle::with_template("{pos} of {len} takes  {wide_bar}  {eta}")
            .expect("the template is sound"),
    );
    let cores = rayon::ThreadPoolBuilder::new()
        .num_threads(arguments.jobs.unwrap_or(0))
        .build()?;
    let rows =
        cores.install(|| check_class(&line, &takes, &options, state.as_ref(), &|| bar.inc(1)));
    bar.finish_and_clear();
    arguments.tell(&line, &rows)?;
    if rows.iter().all(|row| row.checked().is_none()) {
        return Err("none of the takes could be checked".into());
    }
    Ok(Done::Quiet)
}

impl ClassArguments {
    fn state_path(&self) -> Option<PathBuf> {
        let beside = |path: &PathBuf| {
            let mut name = path.as_os_str().to_owned();
            name.push(".state.jsonl");
            PathBuf::from(name)
        };
        let written = [&self.csv, &self.json, &self.html];
        self.state.clone().or_else(|| {
            let mut files = written.into_iter().flatten();
            files.find(|path| path.as_os_str() != "-").map(beside)
        })
    }

    fn tell(&self, line: &Line, rows: &[Row]) -> Result<(), CommandError> {
        let table = Class::new(line, rows);
        if let Some(path) = &self.csv {
            output::write_whole(path, &class::csv(&table))?;
        }
        if let Some(path) = &self.json {
            output::write_whole(path, &class::json(&table))?;
        }
        if let Some(folder) = &self.html {
            self.write_pages(folder, &table)?;
        }
        let to_standard_output =
            |path: &Option<PathBuf>| path.as_ref().is_some_and(|p| p.as_os_str() == "-");
        if !to_standard_output(&self.csv) && !to_standard_output(&self.json) {
            output::print(&class::text(&table, self.look.layout()))?;
        }
        Ok(())
    }

    fn write_pages(&self, folder: &Path, table: &Class) -> Result<(), CommandError> {
        let players = folder.join("players");
        std::fs::create_dir_all(&players)
            .map_err(|error| format!("cannot make the folder {}: {error}", players.display()))?;
        // Numbers, not names: a player's name may be no name for a file everywhere.
        let file = |n: usize| format!("players/{:04}.html", n + 1);
        for (n, row) in table.rows.iter().enumerate() {
            if row.checked().is_some() {
                let page = class::player_html(table, row, None);
                output::write_whole(&folder.join(file(n)), &page)?;
            }
        }
        let part = |n: usize| table.rows[n].checked().map(|_| file(n));
        output::write_whole(&folder.join("index.html"), &class::html(table, &part))?;
        Ok(())
    }
}
