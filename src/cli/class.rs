//! `passagework class`: a folder of takes against one line, on all cores.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use passagework::class::{Row, State, Watch, check_class, named, takes_in};
use passagework::judge::Check;
use passagework::line::Line;
use passagework::line::read::{edition_of_file, read_line};
use passagework::said::Said;
use passagework::show::class::{self, Class};
use passagework::show::marked::{self, Part};

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
    let choice = arguments.choice.options(false);
    let line = read_line(&arguments.line, &choice)?;
    let said = Said {
        bars: arguments.bars.clone(),
        click: arguments.click.clone(),
        ..Said::default()
    };
    let options = said.options(&line)?;
    let dir = arguments.dir.display();
    let takes = takes_in(&arguments.dir)
        .map_err(|error| format!("cannot read the folder {dir}: {error}"))?;
    let takes = named(takes);
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
    let pages = arguments.html.as_deref().map(Pages::at).transpose()?;
    let edition = edition_of_file(&arguments.line, &choice, &line);
    let desk = Desk {
        part: Part {
            edition: edition.as_ref(),
            ..Part::new(&line)
        },
        bar: &bar,
        pages: pages.as_ref(),
        failed: Mutex::new(None),
    };
    let rows = cores.install(|| check_class(&line, &takes, &options, state.as_ref(), &desk));
    bar.finish_and_clear();
    if let Some(error) = desk.failed.into_inner().unwrap_or_else(|e| e.into_inner()) {
        return Err(error.into());
    }
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
            let pages = Pages::at(folder)?;
            let part = |n: usize| table.rows[n].checked().map(|_| Pages::name(&table.rows[n]));
            output::write_whole(
                &pages.folder.join("index.html"),
                &class::html(&table, &part),
            )?;
        }
        let to_standard_output =
            |path: &Option<PathBuf>| path.as_ref().is_some_and(|p| p.as_os_str() == "-");
        if !to_standard_output(&self.csv) && !to_standard_output(&self.json) {
            output::print(&class::text(&table, self.look.layout()))?;
        }
        Ok(())
    }
}

/// The folder of pages: the table, and under `players` one page a player.
struct Pages {
    folder: PathBuf,
}

impl Pages {
    fn at(folder: &Path) -> Result<Pages, CommandError> {
        let players = folder.join("players");
        std::fs::create_dir_all(&players)
            .map_err(|error| format!("cannot make the folder {}: {error}", players.display()))?;
        Ok(Pages {
            folder: folder.into(),
        })
    }

    /// Called after the player as far as that may stand in a file's name everywhere, and after
    /// the take's bytes, so that it stays the same when others join the class.
    fn name(row: &Row) -> String {
        let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
        let player: String = row.player.chars().map(plain).take(40).collect();
        let hash = row.sha256.as_deref().unwrap_or_default();
        format!("players/{player}-{}.html", &hash[..hash.len().min(12)])
    }

    /// The page of one player, with the marked part where this program can draw it.
    fn write(&self, bare: &Part, row: &Row, check: &Check) -> Result<(), CommandError> {
        let taken = Part {
            check: Some(check),
            ..bare.clone()
        };
        let part = match marked::CAN_ENGRAVE {
            true => Some(marked::content(&taken, check, &marked::Options::default())?),
            false => None,
        };
        let page = class::player_html(bare.line, row, part.as_deref());
        Ok(output::write_whole(
            &self.folder.join(Pages::name(row)),
            &page,
        )?)
    }
}

/// Writes each player's page as soon as the take is checked; keeps the first failure.
struct Desk<'a> {
    /// The line without marks.
    part: Part<'a>,
    bar: &'a ProgressBar,
    pages: Option<&'a Pages>,
    failed: Mutex<Option<String>>,
}

impl Watch for Desk<'_> {
    fn needs_check(&self, row: &Row) -> bool {
        self.pages
            .is_some_and(|pages| !pages.folder.join(Pages::name(row)).is_file())
    }

    fn checked(&self, row: &Row, check: &Check) {
        let written = self.pages.map(|pages| pages.write(&self.part, row, check));
        if let Some(Err(error)) = written {
            let mut failed = self.failed.lock().unwrap_or_else(|e| e.into_inner());
            failed.get_or_insert(error.to_string());
        }
    }

    fn done(&self) {
        self.bar.inc(1);
    }
}
