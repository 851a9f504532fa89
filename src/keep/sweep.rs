//! Sweeping away what a crash left: files in `recordings/` that no committed row names.

use std::collections::HashSet;
use std::time::Duration;

use rusqlite::TransactionBehavior;

use super::{KeepError, Library, PART, at};

/// A part file is written to all the time; one that lay still for so long has no writer left.
const PART_ABANDONED: Duration = Duration::from_secs(3600);

impl Library {
    /// Removes recordings without a row and abandoned part files.
    ///
    /// A recording gets its final name inside the transaction that commits its row, so under
    /// the write lock a file without a row has no one who still means to keep it.
    pub(super) fn sweep(&mut self) -> Result<(), KeepError> {
        // Looked for without the lock first: most of the time there is nothing.
        if self.orphans()?.is_empty() {
            return Ok(());
        }
        let dir = self.recordings();
        let transaction =
            rusqlite::Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        for name in self.orphans()? {
            let path = dir.join(name);
            let removed = std::fs::remove_file(&path);
            at(&path, removed)?;
        }
        transaction.commit()?;
        Ok(())
    }

    fn orphans(&self) -> Result<Vec<std::ffi::OsString>, KeepError> {
        let dir = self.recordings();
        let mut orphans = Vec::new();
        // The folder before the rows: a take that is committed in between is in the rows.
        for entry in at(&dir, std::fs::read_dir(&dir))? {
            let entry = at(&dir, entry)?;
            orphans.push(entry);
        }
        let known: HashSet<String> = self
            .db
            .prepare_cached("SELECT recording FROM take")?
            .query_map([], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        orphans.retain(|entry| {
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if name.starts_with(PART) {
                let still = entry.metadata().and_then(|m| m.modified()).ok();
                return still
                    .and_then(|at| at.elapsed().ok())
                    .is_some_and(|age| age > PART_ABANDONED);
            }
            !known.contains(name.as_ref())
        });
        Ok(orphans.into_iter().map(|entry| entry.file_name()).collect())
    }
}
