//! `passagework drill`: drills made from what is hard, as files that can be printed, heard and
//! checked.

use std::path::{Path, PathBuf};

use clap::Args;
use passagework::finger::{Chart, Plan, Wishes, plan};
use passagework::judge::{CHECK_SCHEMA, Check};
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::line::write::{self, WriteOptions};
use passagework::practise::sheet::Slot;
use passagework::practise::{Drill, Evidence, drills};
use passagework::show::marked;
use passagework::show::practise::{self, Shown, fingering_of};

use super::fingers::{Hand, set_tempo};
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct DrillArguments {
    #[command(flatten)]
    pub from: DrillsFrom,
    /// Write the drills as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
}

/// What drills are made from and where they go; the same for the sheet.
#[derive(Args)]
pub struct DrillsFrom {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// A report of a take of this line, as `passagework check … --json REPORT` writes it; can be
    /// repeated, oldest first
    #[arg(long, value_name = "REPORT")]
    take: Vec<PathBuf>,
    /// The tempo to reach, such as q.=92 [default: the file's mark]
    #[arg(long, value_name = "BEAT=BPM")]
    goal: Option<String>,
    /// Folder the drills are written to
    #[arg(long, value_name = "DIR", default_value = "drills")]
    dir: PathBuf,
    /// Only drills of this kind: change, change-in-place, long-short, short-long, from-start,
    /// from-end, seam, scale, thirds, arpeggio, register-slur; can be repeated
    #[arg(long, value_name = "KIND")]
    only: Vec<String>,
    #[command(flatten)]
    hand: Hand,
}

/// Drills on disk, and their music engraved where this program can.
pub struct Written<'a> {
    pub shown: Vec<Shown<'a>>,
    pub sheets: Vec<marked::Sheet>,
}

/// Everything made for one line.
pub struct Made {
    pub etude: Line,
    pub chart: Chart,
    pub plan: Plan,
    pub wishes: Wishes,
    pub drills: Vec<Drill>,
}

/// A report that drills cannot be made from.
#[derive(Debug, thiserror::Error)]
enum ReportError {
    #[error("cannot read the report {0}: {1}")]
    Io(String, std::io::Error),
    #[error(
        "{0} is no report: write one with `passagework check LINE TAKE --json {0}` and give that to --take"
    )]
    NoReport(String),
    #[error("{path} is a report of another line: it has {report} notes, this line {line}")]
    OtherLine {
        path: String,
        report: usize,
        line: usize,
    },
}

/// A check from its JSON, held against the line.
pub fn read_report(path: &Path, line: &Line) -> Result<Check, CommandError> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path).map_err(|e| match e.kind() {
        // A sound file given for its report.
        std::io::ErrorKind::InvalidData => ReportError::NoReport(name.clone()),
        _ => ReportError::Io(name.clone(), e),
    })?;
    let check: Check =
        serde_json::from_str(&text).map_err(|_| ReportError::NoReport(name.clone()))?;
    if check.schema != CHECK_SCHEMA {
        return Err(ReportError::NoReport(name).into());
    }
    if check.notes.len() != line.notes.len() {
        return Err(ReportError::OtherLine {
            path: name,
            report: check.notes.len(),
            line: line.notes.len(),
        }
        .into());
    }
    Ok(check)
}

impl DrillsFrom {
    pub fn made(&self) -> Result<Made, CommandError> {
        let mut etude = read_line(&self.line, &self.choice.options(false))?;
        set_tempo(&mut etude, self.goal.as_deref())?;
        let (chart, wishes) = self.hand.for_line(&etude)?;
        let plan = plan(&etude, &chart, &wishes)?;
        let checks = self
            .take
            .iter()
            .map(|path| read_report(path, &etude))
            .collect::<Result<Vec<Check>, _>>()?;
        let mut drills = drills(&Evidence {
            etude: &etude,
            chart: &chart,
            plan: &plan,
            checks: &checks,
        });
        let known: Vec<&str> = drills.iter().map(|d| d.kind.name()).collect();
        if let Some(wrong) = self.only.iter().find(|k| !known.contains(&k.as_str())) {
            let mut known = known;
            known.dedup();
            return Err(format!(
                "this line gives no drill called \"{wrong}\"; it gives {}",
                known.join(", ")
            )
            .into());
        }
        if !self.only.is_empty() {
            drills.retain(|d| self.only.iter().any(|k| k == d.kind.name()));
        }
        Ok(Made {
            etude,
            chart,
            plan,
            wishes,
            drills,
        })
    }

    /// Writes every drill as MusicXML, ABC and MIDI into the folder, and as PDF where this program
    /// can engrave.
    pub fn written<'a>(&self, made: &'a Made) -> Result<Written<'a>, CommandError> {
        std::fs::create_dir_all(&self.dir).map_err(|e| {
            format!(
                "cannot make the folder {}: {e}; name another with --dir",
                self.dir.display()
            )
        })?;
        let mut written = Written {
            shown: Vec::new(),
            sheets: Vec::new(),
        };
        for (i, drill) in made.drills.iter().enumerate() {
            let fingering = fingering_of(drill, &made.chart, &made.plan, &made.wishes);
            let stem = format!("{:02}-{}", i + 1, drill.kind.name());
            let options = WriteOptions {
                fingerings: fingering
                    .iter()
                    .map(|f| (f.index, f.mark.clone()))
                    .collect(),
                ..WriteOptions::default()
            };
            let mut shown = Shown {
                drill,
                fingering,
                files: Vec::new(),
            };
            let xml = write::musicxml(&drill.line, &options).xml;
            let mut files = vec![
                ("musicxml", xml.into_bytes()),
                ("abc", write::abc(&drill.line).into_bytes()),
                ("mid", write::smf(&drill.line)),
            ];
            if marked::CAN_ENGRAVE {
                let options = marked::Options::default();
                let sheet = practise::part(&made.etude, &shown).engrave(&options)?;
                files.push(("pdf", marked::pdf::pdf(&sheet.pages(&options))?));
                written.sheets.push(sheet);
            }
            for (kind, bytes) in files {
                let path = self.dir.join(format!("{stem}.{kind}"));
                output::write_bytes(&path, &bytes)?;
                shown.files.push((kind, path.display().to_string()));
            }
            written.shown.push(shown);
        }
        Ok(written)
    }

    /// Writes all drills as one page to print, `slots` first; says where it is, or why there is none.
    pub fn page(
        &self,
        made: &Made,
        written: &Written,
        name: &str,
        slots: &[Slot],
    ) -> Result<String, CommandError> {
        if !marked::CAN_ENGRAVE {
            return Ok("This passagework was built without engraving: print the MusicXML files with any notation program.".into());
        }
        let path = self.dir.join(name);
        let page = practise::page(&made.etude, &written.shown, &written.sheets, slots);
        output::write_bytes(&path, page.as_bytes())?;
        Ok(format!("All of them to print: {}", path.display()))
    }
}

pub fn run(arguments: &DrillArguments) -> Result<Done, CommandError> {
    let made = arguments.from.made()?;
    let written = arguments.from.written(&made)?;
    let page = arguments.from.page(&made, &written, "drills.html", &[])?;
    if let Some(path) = &arguments.json {
        output::write_whole(path, &practise::drills_json(&made.etude, &written.shown))?;
    }
    if arguments
        .json
        .as_ref()
        .is_none_or(|path| path.as_os_str() != "-")
    {
        output::print(&practise::drills_text(&made.etude, &written.shown))?;
        output::print(&format!("\n{page}\n"))?;
        if let Some((_, file)) = written.shown.first().and_then(|s| s.files.first()) {
            output::print(&format!(
                "Record a pass and check it:\n  passagework check {file} TAKE\n"
            ))?;
        }
    }
    Ok(Done::Quiet)
}
