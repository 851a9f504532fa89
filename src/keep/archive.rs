//! The whole library as one zip archive, and such an archive merged into a library.
//!
//! `takes/UID.json` holds a take's row and its line, `takes/UID.check.json` its check to the
//! last digit, `recordings/UID.EXT` its recording. The uid of a take is the same wherever it is
//! carried, so what is there already is not taken a second time.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use super::recording::file_hash;
use super::takes::{Row, json};
use super::{KeepError, Library, PART, TakeFilter, at};
use crate::judge::Check;
use crate::line::{Line, TempoMark};

const MANIFEST: &str = "passagework-library.json";
const FORMAT: &str = "passagework.library/1";
/// A check of an hour's take is a few megabytes; what is much larger is no check.
const JSON_BYTES_MAX: u64 = 256 << 20;
/// Sizes from here on need the long form of a zip entry (APPNOTE 4.3.9.2), with room to spare.
const LONG_ENTRY_BYTES: u64 = 1 << 31;

/// What an import did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Imported {
    pub new: usize,
    /// Takes that were there already.
    pub known: usize,
    /// Takes that could not be taken over, with the reason.
    pub refused: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct Manifest {
    format: String,
    program_version: String,
    takes: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct TakeEntry {
    row: Row,
    line: Line,
    goal: Option<TempoMark>,
}

impl Library {
    /// Writes every take to the archive at `path`, by way of a file beside it. Gives their number.
    pub fn export(&self, path: &Path) -> Result<usize, KeepError> {
        let mut beside = path.as_os_str().to_owned();
        beside.push(format!(".{}.part", std::process::id()));
        let beside = PathBuf::from(beside);
        let written = self
            .write_archive(&beside)
            .and_then(|n| at(path, std::fs::rename(&beside, path).map(|()| n)));
        if written.is_err() {
            let _ = std::fs::remove_file(&beside);
        }
        written
    }

    fn write_archive(&self, path: &Path) -> Result<usize, KeepError> {
        // One moment of the library, whatever other programs write meanwhile.
        let _moment = self.db.unchecked_transaction()?;
        let mut archive = ZipWriter::new(at(path, File::create(path))?);
        let zipped = |source: zip::result::ZipError| KeepError::Io {
            path: path.into(),
            source: source.into(),
        };
        let packed = SimpleFileOptions::default();
        let plain = packed.compression_method(CompressionMethod::Stored);
        let takes = self.takes(TakeFilter::default())?;
        let manifest = Manifest {
            format: FORMAT.into(),
            program_version: env!("CARGO_PKG_VERSION").into(),
            takes: takes.iter().map(|take| take.uid.clone()).collect(),
        };
        archive.start_file(MANIFEST, packed).map_err(zipped)?;
        at(path, archive.write_all(json(&manifest).as_bytes()))?;
        let etudes = self.etudes()?;
        for take in &takes {
            let goal = etudes.iter().find(|e| e.id == take.etude_id);
            let entry = TakeEntry {
                row: self.row(&take.uid)?,
                line: self.line(take.line_id)?,
                goal: goal.and_then(|etude| etude.goal),
            };
            let name = format!("takes/{}", take.uid);
            archive
                .start_file(format!("{name}.json"), packed)
                .map_err(zipped)?;
            at(path, archive.write_all(json(&entry).as_bytes()))?;
            archive
                .start_file(format!("{name}.check.json"), packed)
                .map_err(zipped)?;
            at(
                path,
                archive.write_all(self.check_json(take.id)?.as_bytes()),
            )?;
            let source = self.recordings().join(&take.recording);
            let mut recording = at(&source, File::open(&source))?;
            let bytes = at(&source, recording.metadata())?.len();
            // FLAC and its like do not get smaller.
            let options = plain.large_file(bytes > LONG_ENTRY_BYTES);
            archive
                .start_file(format!("recordings/{}", take.recording), options)
                .map_err(zipped)?;
            at(path, io::copy(&mut recording, &mut archive))?;
        }
        let file = archive.finish().map_err(zipped)?;
        at(path, file.sync_all())?;
        Ok(takes.len())
    }

    /// Takes over every take of the archive at `path` that is not there yet. Each is kept by
    /// itself: a damaged one is refused and the rest go on.
    pub fn import(&mut self, path: &Path) -> Result<Imported, KeepError> {
        let refused = |reason: String| KeepError::Archive {
            path: path.into(),
            reason,
        };
        let file = at(path, File::open(path))?;
        let mut archive = ZipArchive::new(io::BufReader::new(file))
            .map_err(|error| refused(format!("is no archive of a library ({error})")))?;
        let manifest: Manifest = read_entry(&mut archive, MANIFEST)
            .and_then(|text| serde_json::from_str(&text).map_err(|e| e.to_string()))
            .map_err(|error| refused(format!("is no archive of a library ({error})")))?;
        if manifest.format != FORMAT {
            return Err(refused(format!(
                "has the form {}, this program reads {FORMAT}: update the program",
                manifest.format
            )));
        }
        let mut imported = Imported::default();
        for uid in &manifest.takes {
            if self.knows(uid)? {
                imported.known += 1;
                continue;
            }
            match self.import_take(&mut archive, uid)? {
                Ok(()) => imported.new += 1,
                Err(reason) => imported.refused.push(format!("take {uid}: {reason}")),
            }
        }
        Ok(imported)
    }

    /// The outer error stops the import (a full disk), the inner one refuses this take.
    fn import_take(
        &mut self,
        archive: &mut ZipArchive<io::BufReader<File>>,
        uid: &str,
    ) -> Result<Result<(), String>, KeepError> {
        // Names become file names here: nothing but our own is taken.
        if uid.len() != 32 || !uid.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Ok(Err("its name is not one of ours".into()));
        }
        let read = read_entry(archive, &format!("takes/{uid}.json"))
            .and_then(|text| serde_json::from_str::<TakeEntry>(&text).map_err(|e| e.to_string()));
        let entry = match read {
            Ok(entry) => entry,
            Err(reason) => return Ok(Err(reason)),
        };
        let check = read_entry(archive, &format!("takes/{uid}.check.json"));
        let check = match check.map(|text| (serde_json::from_str::<Check>(&text), text)) {
            Ok((Ok(_), text)) => text,
            Ok((Err(error), _)) => return Ok(Err(error.to_string())),
            Err(reason) => return Ok(Err(reason)),
        };
        let own_name = entry.row.recording.strip_prefix(uid).is_some_and(|rest| {
            let extension = rest.strip_prefix('.').unwrap_or_default();
            !extension.is_empty() && extension.bytes().all(|b| b.is_ascii_alphanumeric())
        });
        if entry.row.uid != uid || !own_name {
            return Ok(Err("its recording's name is not one of ours".into()));
        }
        let part = self.recordings().join(format!("{PART}{uid}"));
        let copied = archive
            .by_name(&format!("recordings/{}", entry.row.recording))
            .map_err(|error| error.to_string());
        let mut recording = match copied {
            Ok(recording) => recording,
            Err(reason) => return Ok(Err(reason)),
        };
        let written = File::create(&part).and_then(|mut file| {
            // A damaged entry is an error of reading, not of this disk.
            let read = io::copy(&mut recording, &mut file);
            file.sync_all()?;
            match read {
                Err(error) if error.kind() == io::ErrorKind::StorageFull => Err(error),
                other => Ok(other.is_ok()),
            }
        });
        let whole = at(
            &part,
            written.and_then(|read| Ok(read && file_hash(&part)? == entry.row.recording_sha256)),
        );
        match whole {
            Ok(true) => {}
            other => {
                let _ = std::fs::remove_file(&part);
                return other.map(|_| Err("its recording is damaged".into()));
            }
        }
        self.commit(&part, &entry.row, &entry.line, &check, None)?;
        if let Some(goal) = entry.goal
            && let Some(etude) = self.etude_of(&entry.line)?
            && self
                .etudes()?
                .iter()
                .any(|e| e.id == etude && e.goal.is_none())
        {
            self.set_goal(etude, goal)?;
        }
        Ok(Ok(()))
    }
}

fn read_entry(archive: &mut ZipArchive<io::BufReader<File>>, name: &str) -> Result<String, String> {
    let entry = archive.by_name(name).map_err(|error| error.to_string())?;
    let mut text = String::new();
    let n = entry
        .take(JSON_BYTES_MAX)
        .read_to_string(&mut text)
        .map_err(|error| error.to_string())?;
    if n as u64 == JSON_BYTES_MAX {
        return Err(format!("{name} is too large"));
    }
    Ok(text)
}
