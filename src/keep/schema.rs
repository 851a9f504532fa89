//! The tables, and the way from every older version of them to this one.
//!
//! `user_version` of the file counts the migrations done. Each is one transaction: a library is
//! at one version or at the next, never between. What a player had kept is never rewritten;
//! a migration adds beside it.

use rusqlite::{Connection, Transaction, TransactionBehavior};

use super::KeepError;
use super::takes::refigure;

/// "pwrk": tells our file from any other SQLite database.
const APPLICATION_ID: i32 = 0x7077_726b;

/// The tables as first written: études, versions of their line, takes and their checks.
const SCHEMA_1: &str = "
CREATE TABLE etude (
    id INTEGER PRIMARY KEY
) STRICT;
CREATE TABLE line (
    id INTEGER PRIMARY KEY,
    etude_id INTEGER NOT NULL REFERENCES etude (id),
    -- Fingerprint of all bars in playing order (see `identity`).
    print TEXT NOT NULL UNIQUE,
    title TEXT NOT NULL,
    -- Printed bars and their fingerprints; the line itself.
    bars_json TEXT NOT NULL,
    line_json TEXT NOT NULL
) STRICT;
CREATE TABLE take (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    -- The same in every library the take is carried to.
    uid TEXT NOT NULL UNIQUE,
    line_id INTEGER NOT NULL REFERENCES line (id),
    -- When it was played: seconds since 1970 and the local date and time.
    played_unix_s INTEGER NOT NULL,
    played_local TEXT NOT NULL,
    player TEXT,
    instrument TEXT NOT NULL,
    click TEXT,
    said_json TEXT NOT NULL,
    program_version TEXT NOT NULL,
    -- The recording: the name it came with, its bytes then, and where it lies now.
    source_name TEXT NOT NULL,
    source_sha256 TEXT NOT NULL,
    recording TEXT NOT NULL UNIQUE,
    recording_sha256 TEXT NOT NULL,
    coding TEXT NOT NULL,
    duration_s REAL NOT NULL
) STRICT;
CREATE INDEX take_by_line ON take (line_id, played_unix_s);
CREATE INDEX take_by_source ON take (source_sha256);
CREATE TABLE report (
    take_id INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    check_json TEXT NOT NULL
) STRICT;
";

/// Since 2: the goal of an étude, and the figures that are compared over days, so that a review
/// of a thousand takes need not read a thousand checks.
const SCHEMA_2: &str = "
ALTER TABLE etude ADD COLUMN goal_beat_quarters REAL;
ALTER TABLE etude ADD COLUMN goal_bpm REAL;
CREATE TABLE figures (
    take_id INTEGER PRIMARY KEY REFERENCES take (id) ON DELETE CASCADE,
    version INTEGER NOT NULL,
    figures_json TEXT NOT NULL
) STRICT;
";

/// What brings version n to n + 1, by n.
type Migration = fn(&Transaction) -> Result<(), KeepError>;
const MIGRATIONS: [Migration; 2] = [
    |transaction| Ok(transaction.execute_batch(SCHEMA_1)?),
    |transaction| {
        transaction.execute_batch(SCHEMA_2)?;
        refigure(transaction)
    },
];

/// The version this program writes.
pub const SCHEMA_VERSION: usize = MIGRATIONS.len();

/// Brings an open database to the newest version; refuses one that is newer still, or not ours.
pub fn migrate(db: &mut Connection) -> Result<(), KeepError> {
    migrate_to(db, SCHEMA_VERSION)
}

/// As [`migrate`], but no further than `version`: how a library of an older program is made.
pub fn migrate_to(db: &mut Connection, version: usize) -> Result<(), KeepError> {
    if version_of(db)? == SCHEMA_VERSION {
        return Ok(());
    }
    // Asked again under the lock: another program may be doing the same.
    let transaction = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let found = version_of(&transaction)?;
    if found == 0 {
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    for migration in &MIGRATIONS[found.min(version)..version] {
        migration(&transaction)?;
    }
    transaction.pragma_update(None, "user_version", version.max(found) as i64)?;
    transaction.commit()?;
    Ok(())
}

/// An error where the database is not ours or newer than this program.
pub fn refuse_strangers(db: &Connection) -> Result<(), KeepError> {
    version_of(db).map(drop)
}

fn version_of(db: &Connection) -> Result<usize, KeepError> {
    let application: i32 = db.pragma_query_value(None, "application_id", |row| row.get(0))?;
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
    if application != APPLICATION_ID && (application != 0 || tables > 0 || version != 0) {
        return Err(KeepError::NotALibrary);
    }
    match usize::try_from(version) {
        Ok(version) if version <= SCHEMA_VERSION => Ok(version),
        _ => Err(KeepError::Newer {
            found: version,
            known: SCHEMA_VERSION,
        }),
    }
}
