//! Takes in and out of the library.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};
use serde::{Deserialize, Serialize};

use super::identity::{self, PrintedBar, hex};
use super::recording::{Coding, file_hash, write_recording};
use super::{KeepError, Kept, Library, PART, TakeId, at, sync_folder};
use crate::judge::Check;
use crate::line::{Line, TempoMark};
use crate::progress::figures::{FIGURES_VERSION, TakeFigures, figures};
use crate::said::Said;

/// What is to be kept.
pub struct NewTake<'a> {
    pub line: &'a Line,
    /// The take's sound file; copied, never moved.
    pub recording: &'a Path,
    pub check: &'a Check,
    pub said: Said,
    /// Local date, or date and time, when it was played; now where `None`.
    pub played: Option<&'a str>,
    pub player: Option<&'a str>,
}

/// A take of the library, without its check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KeptTake {
    pub id: TakeId,
    pub uid: String,
    /// Version of the line it was played from, and the étude that is a version of.
    pub line_id: i64,
    pub etude_id: i64,
    pub title: String,
    /// Seconds since 1970, and local date and time (`2026-11-25T18:30:00`).
    pub played_unix_s: i64,
    pub played_local: String,
    pub player: Option<String>,
    pub instrument: String,
    pub said: Said,
    pub program_version: String,
    pub source_name: String,
    /// File name in the library's `recordings` folder.
    pub recording: String,
    pub coding: String,
    pub duration_s: f64,
    pub figures: TakeFigures,
}

/// One étude of the library: all versions of its line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KeptEtude {
    pub id: i64,
    pub title: String,
    pub takes: usize,
    pub last_played_local: String,
    /// Tempo the player is after, where one was set.
    pub goal: Option<TempoMark>,
}

/// One version of an étude's line.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptVersion {
    pub line_id: i64,
    pub bars: Vec<PrintedBar>,
}

/// Which takes are meant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TakeFilter<'a> {
    pub etude: Option<i64>,
    pub player: Option<&'a str>,
}

impl Library {
    /// Keeps a take: when this has returned, it is on the disk.
    pub fn keep(&mut self, take: &NewTake) -> Result<Kept, KeepError> {
        let hashed = file_hash(take.recording);
        let source_sha256 = at(take.recording, hashed)?;
        let said_json = json(&take.said);
        let line_print = identity::line_print(take.line);
        let same = Same {
            line_print: &line_print,
            source_sha256: &source_sha256,
            said_json: &said_json,
            instrument: &take.check.line.instrument,
        };
        if let Some(kept) = same.find(&self.db)? {
            return Ok(kept);
        }
        let (played_unix_s, played_local) = self.time(take.played)?;
        let uid = new_uid();
        let part = self.recordings().join(format!("{PART}{uid}"));
        let row = write_recording(take.recording, &part, take.check.take.duration_s)
            .and_then(|(coding, extension)| {
                Ok(Row {
                    played_unix_s,
                    played_local,
                    player: take.player.map(Into::into),
                    instrument: take.check.line.instrument.clone(),
                    said: take.said.clone(),
                    program_version: env!("CARGO_PKG_VERSION").into(),
                    source_name: file_name(take.recording),
                    source_sha256: source_sha256.clone(),
                    recording: format!("{uid}.{extension}"),
                    recording_sha256: file_hash(&part)?,
                    coding: coding.name().into(),
                    duration_s: take.check.take.duration_s,
                    uid,
                })
            })
            .inspect_err(|_| drop(std::fs::remove_file(&part)));
        let row = at(&part, row)?;
        self.commit(&part, &row, take.line, &json(take.check), Some(&same))
    }

    /// The same for a recording that was made for the library: once it is kept, the file it was
    /// made in goes, so that a take deleted from the library is nowhere else.
    pub fn take_over(&mut self, take: &NewTake) -> Result<Kept, KeepError> {
        let kept = self.keep(take)?;
        // It may have been moved meanwhile; the library has its own.
        let _ = std::fs::remove_file(take.recording);
        Ok(kept)
    }

    /// The recording at `part`, written out already, and its row: both or neither.
    pub(super) fn commit(
        &mut self,
        part: &Path,
        row: &Row,
        line: &Line,
        check_json: &str,
        same: Option<&Same>,
    ) -> Result<Kept, KeepError> {
        let kept = self.try_commit(part, row, line, check_json, same);
        if !matches!(&kept, Ok(kept) if !kept.again) {
            let _ = std::fs::remove_file(part);
            // The recording has its final name but no row, or, when only the answer to the
            // commit was lost, a row: sweeping tells which. Its own failure is not the news.
            let _ = self.sweep();
        }
        kept
    }

    fn try_commit(
        &mut self,
        part: &Path,
        row: &Row,
        line: &Line,
        check_json: &str,
        same: Option<&Same>,
    ) -> Result<Kept, KeepError> {
        let dir = self.recordings();
        let place = dir.join(&row.recording);
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        if let Some(same) = same
            && let Some(kept) = same.find(&transaction)?
        {
            return Ok(kept);
        }
        let line_id = line_row(&transaction, line)?;
        let id = row.insert(&transaction, line_id)?;
        transaction
            .prepare_cached("INSERT INTO report (take_id, check_json) VALUES (?1, ?2)")?
            .execute(params![id, check_json])?;
        refigure(&transaction)?;
        let renamed = std::fs::rename(part, &place).and_then(|()| sync_folder(&dir));
        at(&place, renamed)?;
        transaction.commit()?;
        Ok(Kept {
            id: TakeId(id),
            again: false,
            coding: coding_named(&row.coding),
        })
    }

    /// Takes in the order they were played.
    pub fn takes(&self, filter: TakeFilter) -> Result<Vec<KeptTake>, KeepError> {
        let mut statement = self.db.prepare_cached(
            "SELECT take.id, uid, line_id, etude_id, title, played_unix_s, played_local, player,
                    instrument, said_json, program_version, source_name, recording, coding,
                    duration_s, figures_json
             FROM take JOIN line ON line.id = line_id JOIN figures ON take_id = take.id
             WHERE (?1 IS NULL OR etude_id = ?1) AND (?2 IS NULL OR player = ?2)
             ORDER BY played_unix_s, take.id",
        )?;
        let mut rows = statement.query(params![filter.etude, filter.player])?;
        let mut takes = Vec::new();
        while let Some(row) = rows.next()? {
            let uid: String = row.get(1)?;
            takes.push(KeptTake {
                id: TakeId(row.get(0)?),
                line_id: row.get(2)?,
                etude_id: row.get(3)?,
                title: row.get(4)?,
                played_unix_s: row.get(5)?,
                played_local: row.get(6)?,
                player: row.get(7)?,
                instrument: row.get(8)?,
                said: read_json(&uid, row.get_ref(9)?.as_str().unwrap_or_default())?,
                program_version: row.get(10)?,
                source_name: row.get(11)?,
                recording: row.get(12)?,
                coding: row.get(13)?,
                duration_s: row.get(14)?,
                figures: read_json(&uid, row.get_ref(15)?.as_str().unwrap_or_default())?,
                uid,
            });
        }
        Ok(takes)
    }

    /// The check of a take, as it was kept.
    pub fn check(&self, id: TakeId) -> Result<Check, KeepError> {
        read_json(&id.to_string(), &self.check_json(id)?)
    }

    /// The same as text, to the last digit.
    pub fn check_json(&self, id: TakeId) -> Result<String, KeepError> {
        self.db
            .prepare_cached("SELECT check_json FROM report WHERE take_id = ?1")?
            .query_row([id.0], |row| row.get(0))
            .optional()?
            .ok_or(KeepError::NoSuchTake(id))
    }

    /// Where a take's recording lies.
    pub fn recording(&self, id: TakeId) -> Result<PathBuf, KeepError> {
        self.db
            .prepare_cached("SELECT recording FROM take WHERE id = ?1")?
            .query_row([id.0], |row| row.get::<_, String>(0))
            .optional()?
            .map(|name| self.recordings().join(name))
            .ok_or(KeepError::NoSuchTake(id))
    }

    /// All études, the last played first.
    pub fn etudes(&self) -> Result<Vec<KeptEtude>, KeepError> {
        let mut statement = self.db.prepare_cached(
            "SELECT etude.id, max(played_unix_s),
                    (SELECT title FROM line WHERE etude_id = etude.id ORDER BY id DESC LIMIT 1),
                    count(take.id), max(played_local), goal_beat_quarters, goal_bpm
             FROM etude JOIN line ON etude_id = etude.id JOIN take ON line_id = line.id
             GROUP BY etude.id ORDER BY 2 DESC",
        )?;
        let etudes = statement.query_map([], |row| {
            let goal: (Option<f64>, Option<f64>) = (row.get(5)?, row.get(6)?);
            Ok(KeptEtude {
                id: row.get(0)?,
                title: row.get(2)?,
                takes: row.get::<_, i64>(3)? as usize,
                last_played_local: row.get(4)?,
                goal: goal
                    .0
                    .zip(goal.1)
                    .map(|(beat_quarters, bpm)| TempoMark { beat_quarters, bpm }),
            })
        })?;
        Ok(etudes.collect::<Result<_, _>>()?)
    }

    /// The étude `line` belongs to: the same notes, or a version of it; `None` where it is new.
    pub fn etude_of(&self, line: &Line) -> Result<Option<i64>, KeepError> {
        etude_of(&self.db, line)
    }

    /// The printed bars of every version of an étude, oldest first.
    pub fn versions(&self, etude: i64) -> Result<Vec<KeptVersion>, KeepError> {
        let mut statement = self
            .db
            .prepare_cached("SELECT id, bars_json FROM line WHERE etude_id = ?1 ORDER BY id")?;
        let mut rows = statement.query([etude])?;
        let mut versions = Vec::new();
        while let Some(row) = rows.next()? {
            let line_id: i64 = row.get(0)?;
            versions.push(KeptVersion {
                line_id,
                bars: read_json("line", row.get_ref(1)?.as_str().unwrap_or_default())?,
            });
        }
        Ok(versions)
    }

    /// The line of one version, whole.
    pub fn line(&self, line_id: i64) -> Result<Line, KeepError> {
        let text: String = self.db.query_row(
            "SELECT line_json FROM line WHERE id = ?1",
            [line_id],
            |row| row.get(0),
        )?;
        read_json("line", &text)
    }

    /// Sets the tempo the player is after.
    pub fn set_goal(&mut self, etude: i64, goal: TempoMark) -> Result<(), KeepError> {
        self.db.execute(
            "UPDATE etude SET goal_beat_quarters = ?2, goal_bpm = ?3 WHERE id = ?1",
            params![etude, goal.beat_quarters, goal.bpm],
        )?;
        Ok(())
    }

    /// Deletes a take for good: the rows are overwritten, the log is emptied, the recording
    /// removed; the line too when no take of it is left.
    pub fn delete(&mut self, id: TakeId) -> Result<(), KeepError> {
        let place = self.recording(id)?;
        if let Err(error) = self.delete_rows(id) {
            let full = matches!(&error, KeepError::Database { source }
                if source.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull));
            if !full {
                return Err(error);
            }
            // Deleting is how room is made: the recording goes first then.
            at(&place, std::fs::remove_file(&place))?;
            self.delete_rows(id)?;
        }
        // Between here and the removal a crash leaves a recording without a row: swept later.
        match std::fs::remove_file(&place) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return at(&place, Err(error));
            }
            _ => {}
        }
        let dir = self.recordings();
        at(&dir, sync_folder(&dir))?;
        // The log still holds the pages as they were.
        self.db
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        Ok(())
    }

    fn delete_rows(&mut self, id: TakeId) -> Result<(), KeepError> {
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        transaction.execute("DELETE FROM take WHERE id = ?1", [id.0])?;
        transaction.execute_batch(
            "DELETE FROM line WHERE id NOT IN (SELECT line_id FROM take);
             DELETE FROM etude WHERE id NOT IN (SELECT etude_id FROM line);",
        )?;
        Ok(transaction.commit()?)
    }

    pub(super) fn knows(&self, uid: &str) -> Result<bool, KeepError> {
        Ok(self
            .db
            .prepare_cached("SELECT 1 FROM take WHERE uid = ?1")?
            .exists([uid])?)
    }

    /// The row of a take, as it is carried to another library.
    pub(super) fn row(&self, uid: &str) -> Result<Row, KeepError> {
        let mut statement = self.db.prepare_cached(
            "SELECT uid, played_unix_s, played_local, player, instrument, said_json,
                    program_version, source_name, source_sha256, recording, recording_sha256,
                    coding, duration_s
             FROM take WHERE uid = ?1",
        )?;
        let (mut row, said) = statement.query_row([uid], |row| {
            let said: String = row.get(5)?;
            let row = Row {
                uid: row.get(0)?,
                played_unix_s: row.get(1)?,
                played_local: row.get(2)?,
                player: row.get(3)?,
                instrument: row.get(4)?,
                said: Said::default(),
                program_version: row.get(6)?,
                source_name: row.get(7)?,
                source_sha256: row.get(8)?,
                recording: row.get(9)?,
                recording_sha256: row.get(10)?,
                coding: row.get(11)?,
                duration_s: row.get(12)?,
            };
            Ok((row, said))
        })?;
        row.said = read_json(uid, &said)?;
        Ok(row)
    }

    /// Unix time and local text of `played`, or of now.
    fn time(&self, played: Option<&str>) -> Result<(i64, String), KeepError> {
        let times = |text: &str, modifier: &str| {
            self.db.query_row(
                "SELECT unixepoch(?1, ?2), strftime('%Y-%m-%dT%H:%M:%S', ?1, ?3)",
                // A local time is turned into UTC for the first, now into local for the second.
                params![
                    text,
                    modifier,
                    if modifier == "utc" {
                        "+0 days"
                    } else {
                        "localtime"
                    }
                ],
                |row| {
                    Ok((
                        row.get::<_, Option<i64>>(0)?,
                        row.get::<_, Option<String>>(1)?,
                    ))
                },
            )
        };
        let Some(played) = played else {
            let (unix, local) = times("now", "+0 days")?;
            return unix.zip(local).ok_or_else(|| KeepError::Time("now".into()));
        };
        let bad = || KeepError::Time(played.into());
        // SQLite would take bare numbers for Julian days.
        let dated = played.len() >= 10 && played.as_bytes()[4] == b'-';
        if !dated {
            return Err(bad());
        }
        // A bare date is noon: no change of clocks moves it to another day.
        let noon = format!("{played} 12:00");
        let played = if played.len() == 10 { &noon } else { played };
        let (unix, local) = times(played, "utc")?;
        unix.zip(local).ok_or_else(bad)
    }

    /// Computes figures anew that an older program computed in another way.
    pub(super) fn renew_figures(&mut self) -> Result<(), KeepError> {
        if stale(&self.db)? == 0 {
            return Ok(());
        }
        let transaction = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        refigure(&transaction)?;
        transaction.commit()?;
        Ok(())
    }
}

/// A row of the table `take`, its line apart.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Row {
    pub uid: String,
    pub played_unix_s: i64,
    pub played_local: String,
    pub player: Option<String>,
    pub instrument: String,
    pub said: Said,
    pub program_version: String,
    pub source_name: String,
    pub source_sha256: String,
    pub recording: String,
    pub recording_sha256: String,
    pub coding: String,
    pub duration_s: f64,
}

impl Row {
    fn insert(&self, transaction: &Transaction, line_id: i64) -> Result<i64, KeepError> {
        transaction
            .prepare_cached(
                "INSERT INTO take (uid, line_id, played_unix_s, played_local, player, instrument,
                    click, said_json, program_version, source_name, source_sha256, recording,
                    recording_sha256, coding, duration_s)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
            )?
            .execute(params![
                self.uid,
                line_id,
                self.played_unix_s,
                self.played_local,
                self.player,
                self.instrument,
                self.said.click,
                json(&self.said),
                self.program_version,
                self.source_name,
                self.source_sha256,
                self.recording,
                self.recording_sha256,
                self.coding,
                self.duration_s,
            ])?;
        Ok(transaction.last_insert_rowid())
    }
}

/// By what a take is known to be the same one again.
pub(super) struct Same<'a> {
    pub line_print: &'a str,
    pub source_sha256: &'a str,
    pub said_json: &'a str,
    pub instrument: &'a str,
}

impl Same<'_> {
    fn find(&self, db: &Connection) -> Result<Option<Kept>, KeepError> {
        let found = db
            .prepare_cached(
                "SELECT take.id, coding FROM take JOIN line ON line.id = line_id
                 WHERE source_sha256 = ?1 AND print = ?2 AND said_json = ?3 AND instrument = ?4",
            )?
            .query_row(
                params![
                    self.source_sha256,
                    self.line_print,
                    self.said_json,
                    self.instrument
                ],
                |row| Ok((row.get(0)?, row.get::<_, String>(1)?)),
            )
            .optional()?;
        Ok(found.map(|(id, coding)| Kept {
            id: TakeId(id),
            again: true,
            coding: coding_named(&coding),
        }))
    }
}

/// The line's row, made where there is none, in the étude it is a version of.
fn line_row(transaction: &Transaction, line: &Line) -> Result<i64, KeepError> {
    let print = identity::line_print(line);
    let found = transaction
        .prepare_cached("SELECT id FROM line WHERE print = ?1")?
        .query_row([&print], |row| row.get(0))
        .optional()?;
    if let Some(id) = found {
        return Ok(id);
    }
    let etude = match etude_of(transaction, line)? {
        Some(etude) => etude,
        None => {
            transaction.execute("INSERT INTO etude DEFAULT VALUES", [])?;
            transaction.last_insert_rowid()
        }
    };
    let bars: Vec<PrintedBar> = identity::printed_bars(line)
        .into_iter()
        .map(|(bar, _)| bar)
        .collect();
    transaction
        .prepare_cached(
            "INSERT INTO line (etude_id, print, title, bars_json, line_json)
             VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![etude, print, line.title, json(&bars), json(line)])?;
    Ok(transaction.last_insert_rowid())
}

fn etude_of(db: &Connection, line: &Line) -> Result<Option<i64>, KeepError> {
    let same = db
        .prepare_cached("SELECT etude_id FROM line WHERE print = ?1")?
        .query_row([identity::line_print(line)], |row| row.get(0))
        .optional()?;
    if same.is_some() {
        return Ok(same);
    }
    let bars: Vec<PrintedBar> = identity::printed_bars(line)
        .into_iter()
        .map(|(bar, _)| bar)
        .collect();
    let mut statement = db.prepare_cached("SELECT etude_id, bars_json FROM line")?;
    let mut rows = statement.query([])?;
    let mut best: Option<(usize, i64)> = None;
    while let Some(row) = rows.next()? {
        let known: Vec<PrintedBar> =
            read_json("line", row.get_ref(1)?.as_str().unwrap_or_default())?;
        if let Some(notes) = identity::shared_notes(&known, &bars) {
            best = best.max(Some((notes, row.get(0)?)));
        }
    }
    Ok(best.map(|(_, etude)| etude))
}

fn stale(db: &Connection) -> Result<i64, KeepError> {
    Ok(db.query_row(
        "SELECT (SELECT count(*) FROM take) - (SELECT count(*) FROM figures WHERE version = ?1)",
        [FIGURES_VERSION],
        |row| row.get(0),
    )?)
}

/// Figures of every take that has none of today's kind, from its check and its line.
pub(super) fn refigure(transaction: &Transaction) -> Result<(), KeepError> {
    let mut missing = transaction.prepare(
        "SELECT take.id, uid, line_json, check_json, said_json
         FROM take JOIN line ON line.id = line_id JOIN report ON take_id = take.id
         WHERE NOT EXISTS (SELECT 1 FROM figures
                           WHERE figures.take_id = take.id AND version = ?1)",
    )?;
    let mut rows = missing.query([FIGURES_VERSION])?;
    while let Some(row) = rows.next()? {
        let (id, uid): (i64, String) = (row.get(0)?, row.get(1)?);
        let text = |column| -> Result<&str, KeepError> {
            Ok(row.get_ref(column)?.as_str().unwrap_or_default())
        };
        let line: Line = read_json(&uid, text(2)?)?;
        let check: Check = read_json(&uid, text(3)?)?;
        let said: Said = read_json(&uid, text(4)?)?;
        let figures = figures(&line, &check, said.rhythm.is_some());
        transaction
            .prepare_cached(
                "INSERT OR REPLACE INTO figures (take_id, version, figures_json)
                 VALUES (?1, ?2, ?3)",
            )?
            .execute(params![id, FIGURES_VERSION, json(&figures)])?;
    }
    Ok(())
}

pub(super) fn json(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("numbers, text and lists have a JSON form")
}

pub(super) fn read_json<T: for<'a> Deserialize<'a>>(
    take: &str,
    text: &str,
) -> Result<T, KeepError> {
    serde_json::from_str(text).map_err(|error| KeepError::Damaged {
        take: take.into(),
        reason: error.to_string(),
    })
}

pub(super) fn file_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned()
}

fn coding_named(name: &str) -> Coding {
    [Coding::Flac, Coding::FlacOfFloat]
        .into_iter()
        .find(|coding| coding.name() == name)
        .unwrap_or(Coding::AsItWas)
}

/// 128 random bits.
fn new_uid() -> String {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).expect("the operating system gives random numbers");
    hex(&bytes)
}
