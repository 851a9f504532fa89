//! The library: every kept take with its line, its check and its recording, on this machine.
//!
//! A folder holds `library.sqlite` (SQLite, write-ahead log) and `recordings/`. A take counts
//! as kept when [`Library::keep`] has returned: by then the recording is on the disk under its
//! final name and the row that names it is committed with `synchronous = FULL`. Whatever a
//! crash leaves half done (a part file, a recording without a row) was never said to be kept
//! and is swept away when the library is next opened. Knows nothing of sound analysis.

mod archive;
mod history;
pub mod identity;
pub mod recording;
pub mod schema;
mod sweep;
mod takes;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::Connection;

pub use archive::Imported;
pub use history::History;
pub use recording::Coding;
pub use takes::{KeptEtude, KeptTake, KeptVersion, NewTake, TakeFilter};

/// How long one program waits for another's write before it gives up. Writes take
/// milliseconds; a migration of a large library takes seconds.
const BUSY_TIMEOUT: Duration = Duration::from_secs(20);

/// Number of a take in its library, as the player names it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct TakeId(pub i64);

impl std::fmt::Display for TakeId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// A take that has been kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    pub id: TakeId,
    /// The same recording with the same line and the same question was there already; it was
    /// not kept a second time and its figures stay.
    pub again: bool,
    pub coding: Coding,
}

impl Kept {
    /// In words.
    pub fn told(&self) -> String {
        if self.again {
            return format!(
                "take {} is this recording already; its figures stay as they were kept",
                self.id
            );
        }
        let coding = self.coding.told();
        let coding = coding.map_or(String::new(), |t| format!("; {t}"));
        format!("kept as take {}{coding}", self.id)
    }
}

/// Why the library could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    #[error("{}: {source}{}", path.display(), advice(source))]
    Io {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("the library's database: {source}{}", database_advice(source))]
    Database {
        #[from]
        source: rusqlite::Error,
    },
    #[error(
        "this library was written by a newer passagework (version {found} of the tables; this program knows up to {known}): update the program"
    )]
    Newer { found: i64, known: usize },
    #[error(
        "library.sqlite there is no library of passagework; name another folder with --library"
    )]
    NotALibrary,
    #[error("no data folder is known for this user; name one with --library DIR")]
    NoDataFolder,
    #[error("there is no take {0}; `passagework library` lists them")]
    NoSuchTake(TakeId),
    #[error("this étude has no takes in the library")]
    NoSuchEtude,
    #[error("cannot read the time \"{0}\": write it as 2026-11-25 or \"2026-11-25 18:30\"")]
    Time(String),
    #[error("{}: {reason}", path.display())]
    Archive { path: PathBuf, reason: String },
    #[error("take {take} of the library cannot be read: {reason}")]
    Damaged { take: String, reason: String },
}

fn advice(error: &std::io::Error) -> &'static str {
    match error.kind() {
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
            "; nothing was kept: free some space, or name another folder with --library DIR"
        }
        std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
            "; name a folder that can be written to with --library DIR"
        }
        _ => "",
    }
}

fn database_advice(error: &rusqlite::Error) -> &'static str {
    match error.sqlite_error_code() {
        Some(rusqlite::ErrorCode::DiskFull) => {
            "; nothing was kept: free some space, or name another folder with --library DIR"
        }
        Some(rusqlite::ErrorCode::DatabaseBusy) => {
            "; another program holds it: try again when that has finished"
        }
        Some(rusqlite::ErrorCode::ReadOnly | rusqlite::ErrorCode::CannotOpen) => {
            "; name a folder that can be written to with --library DIR"
        }
        _ => "",
    }
}

/// An open library. Several programs may have the same one open.
pub struct Library {
    dir: PathBuf,
    db: Connection,
}

impl Library {
    /// The platform's data folder: `~/.local/share/passagework` and its like.
    pub fn default_dir() -> Result<PathBuf, KeepError> {
        let folders =
            directories::ProjectDirs::from("", "", "passagework").ok_or(KeepError::NoDataFolder)?;
        Ok(folders.data_dir().into())
    }

    /// Opens the library in `dir`, makes it where there is none, brings an older one up to date
    /// and sweeps away what a crash left.
    pub fn open(dir: &Path) -> Result<Library, KeepError> {
        at(dir, std::fs::create_dir_all(dir.join(RECORDINGS)))?;
        let mut db = Connection::open(dir.join(DATABASE))?;
        db.busy_timeout(BUSY_TIMEOUT)?;
        // Before anything else is set: a stranger's database stays as it is.
        schema::refuse_strangers(&db)?;
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "FULL")?;
        db.pragma_update(None, "foreign_keys", true)?;
        // What is deleted is overwritten with zeros.
        db.pragma_update(None, "secure_delete", true)?;
        schema::migrate(&mut db)?;
        let mut library = Library {
            dir: dir.into(),
            db,
        };
        library.renew_figures()?;
        library.sweep()?;
        Ok(library)
    }

    /// The folder it lies in.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    fn recordings(&self) -> PathBuf {
        self.dir.join(RECORDINGS)
    }
}

/// Names the file that an error is about.
fn at<T>(path: &Path, done: std::io::Result<T>) -> Result<T, KeepError> {
    done.map_err(|source| KeepError::Io {
        path: path.into(),
        source,
    })
}

const DATABASE: &str = "library.sqlite";
const RECORDINGS: &str = "recordings";
/// Names of recordings that are still being written begin so.
const PART: &str = "part-";

/// Makes a rename in `dir` last: on POSIX the folder is a file of its own to be written out.
fn sync_folder(dir: &Path) -> std::io::Result<()> {
    if cfg!(unix) {
        std::fs::File::open(dir)?.sync_all()?;
    }
    Ok(())
}
