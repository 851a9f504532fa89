//! `passagework check - --json-lines`: many takes as a stream. One JSON line in, one out, in
//! order; memory does not grow with their number. It is the unit of work that a cluster's
//! engine spreads, so a take that cannot be checked is an answer too and not an exit status.

use std::io::{BufRead, Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;

use passagework::judge::Check;
use passagework::line::Line;
use passagework::line::read::{LineOptions, read_line};
use passagework::pipeline::check_file;
use passagework::said::Said;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{CommandError, Done};

/// A line of the manifest is a few paths; what is much longer is no manifest.
const LINE_BYTES_MAX: u64 = 1 << 20;

/// One take to check. Paths are taken from where the program runs.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    /// Given back with the answer, whatever it is.
    #[serde(default)]
    id: Value,
    line: PathBuf,
    take: PathBuf,
    part: Option<String>,
    voice: Option<String>,
    tune: Option<u32>,
    instrument: Option<String>,
    bars: Option<String>,
    rhythm: Option<String>,
    click: Option<String>,
    click_at_s: Option<f64>,
}

#[derive(Serialize)]
struct Answer<'a> {
    id: &'a Value,
    line: Option<&'a PathBuf>,
    take: Option<&'a PathBuf>,
    #[serde(flatten)]
    outcome: Outcome,
}

#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Outcome {
    Check(Box<Check>),
    Error(String),
}

/// Answers every line of `manifest` on `out`; an error only where one of the two breaks off.
pub fn run(mut manifest: impl BufRead, mut out: impl Write) -> Result<Done, CommandError> {
    let mut last = LastLine::default();
    let mut text = Vec::new();
    loop {
        text.clear();
        let n = (&mut manifest)
            .take(LINE_BYTES_MAX)
            .read_until(b'\n', &mut text)
            .map_err(|error| format!("cannot read the manifest: {error}"))?;
        if n == 0 {
            return Ok(Done::Quiet);
        }
        if n as u64 == LINE_BYTES_MAX && !text.ends_with(b"\n") {
            return Err("the manifest has a line of more than a megabyte: write one JSON object a line, such as {\"line\": \"etude.musicxml\", \"take\": \"take.wav\"}".into());
        }
        if text.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let entry = serde_json::from_slice::<Entry>(&text);
        let answer = match &entry {
            Ok(entry) => Answer {
                id: &entry.id,
                line: Some(&entry.line),
                take: Some(&entry.take),
                outcome: match last.check(entry) {
                    Ok(check) => Outcome::Check(Box::new(check)),
                    Err(error) => Outcome::Error(error.to_string()),
                },
            },
            Err(error) => Answer {
                id: &Value::Null,
                line: None,
                take: None,
                outcome: Outcome::Error(format!("this line of the manifest: {error}")),
            },
        };
        let mut written = serde_json::to_vec(&answer)?;
        written.push(b'\n');
        // Told at once: whoever reads the other end may be waiting for this one.
        out.write_all(&written)
            .and_then(|()| out.flush())
            .map_err(|error| format!("cannot write the answers: {error}"))?;
    }
}

/// The line read last: manifests hold many takes of one étude in a row.
#[derive(Default)]
struct LastLine(Option<(PathBuf, LineOptions, Line)>);

impl LastLine {
    fn check(&mut self, entry: &Entry) -> Result<Check, CommandError> {
        let options = LineOptions {
            part: entry.part.clone(),
            voice: entry.voice.clone(),
            tune: entry.tune,
            instrument: entry.instrument.clone(),
            as_written: false,
        };
        let said = Said {
            bars: entry.bars.clone(),
            rhythm: entry.rhythm.clone(),
            click: entry.click.clone(),
            click_at_s: entry.click_at_s,
        };
        // A fault of ours in one take is not to take the other ten thousand along.
        let checked = catch_unwind(AssertUnwindSafe(|| {
            let line = self.read(entry, options)?;
            Ok(check_file(line, &entry.take, &said.options(line)?)?)
        }));
        checked.unwrap_or_else(|_| Err("the program failed on this take; please report it".into()))
    }

    fn read(&mut self, entry: &Entry, options: LineOptions) -> Result<&Line, CommandError> {
        let same = |(path, known, _): &(PathBuf, LineOptions, Line)| {
            *path == entry.line && *known == options
        };
        if !self.0.as_ref().is_some_and(same) {
            self.0 = None;
            let line = read_line(&entry.line, &options)?;
            self.0 = Some((entry.line.clone(), options, line));
        }
        Ok(&self.0.as_ref().expect("it was read just now").2)
    }
}
