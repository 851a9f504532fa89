//! `passagework library`: the kept takes: list, delete, carry elsewhere.

use std::fmt::Write;
use std::path::PathBuf;

use clap::{Args, Subcommand};
use passagework::keep::{KeepError, Library, TakeFilter, TakeId};

use super::{CommandError, Done, output};

/// Where the library is; the same in every command that opens it.
#[derive(Args, Clone, Default)]
pub struct LibraryChoice {
    /// Folder of the library [default: the data folder of this user]
    #[arg(long, value_name = "DIR", global = true)]
    library: Option<PathBuf>,
}

impl LibraryChoice {
    /// The folder that was named.
    pub fn folder(&self) -> Option<PathBuf> {
        self.library.clone()
    }

    pub fn open(&self) -> Result<Library, KeepError> {
        match &self.library {
            Some(dir) => Library::open(dir),
            None => Library::open(&Library::default_dir()?),
        }
    }
}

#[derive(Args)]
pub struct LibraryArguments {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    place: LibraryChoice,
}

#[derive(Subcommand)]
enum What {
    /// List études and takes (what `library` alone does)
    List,
    /// Delete a take for good: its figures, its report and its recording
    Delete {
        /// Number of the take, as listed
        #[arg(required = true, value_name = "TAKE")]
        takes: Vec<i64>,
    },
    /// Write the report of a take as JSON, as it was kept
    Report {
        take: i64,
        /// Write to FILE; "-" is standard output
        #[arg(long, value_name = "FILE", default_value = "-")]
        json: PathBuf,
    },
    /// Write every take, recordings too, to one archive (zip)
    Export { archive: PathBuf },
    /// Take over the takes of an archive; what is here already is left alone
    Import { archive: PathBuf },
}

pub fn run(arguments: &LibraryArguments) -> Result<Done, CommandError> {
    let mut library = arguments.place.open()?;
    match arguments.what.as_ref().unwrap_or(&What::List) {
        What::List => output::print(&list(&library)?)?,
        What::Delete { takes } => {
            for take in takes {
                library.delete(TakeId(*take))?;
                output::print(&format!("take {take} is deleted\n"))?;
            }
        }
        What::Report { take, json } => {
            let report = library.check(TakeId(*take))?;
            output::write_whole(json, &passagework::show::json::check(&report))?;
        }
        What::Export { archive } => {
            let n = library.export(archive)?;
            output::print(&format!("{n} takes are in {}\n", archive.display()))?;
        }
        What::Import { archive } => {
            let imported = library.import(archive)?;
            output::print(&format!(
                "{} takes are new, {} were here already\n",
                imported.new, imported.known
            ))?;
            if !imported.refused.is_empty() {
                return Err(format!(
                    "{} takes could not be taken over:\n{}",
                    imported.refused.len(),
                    imported.refused.join("\n")
                )
                .into());
            }
        }
    }
    Ok(Done::Quiet)
}

fn list(library: &Library) -> Result<String, KeepError> {
    let mut text = String::new();
    let takes = library.takes(TakeFilter::default())?;
    for etude in library.etudes()? {
        let title = if etude.title.is_empty() {
            "(no title)"
        } else {
            &etude.title
        };
        let _ = writeln!(text, "{title}");
        for take in takes.iter().filter(|t| t.etude_id == etude.id) {
            let (right, judged) = take
                .figures
                .bars
                .iter()
                .fold((0, 0), |(r, j), bar| (r + bar.right, j + bar.judged()));
            let played = take.played_local.replace('T', " ");
            let mut words = vec![
                format!("{:.0} s", take.duration_s),
                format!("{right} of {judged} notes right"),
            ];
            words.extend(take.said.bars.as_ref().map(|bars| format!("bars {bars}")));
            words.extend(take.player.clone());
            words.push(take.source_name.clone());
            let _ = writeln!(
                text,
                "{:>6}  {}  {}",
                take.id.0,
                &played[..played.len().min(16)],
                words.join(", ")
            );
        }
        text.push('\n');
    }
    let _ = writeln!(text, "{} takes in {}", takes.len(), library.dir().display());
    Ok(text)
}
