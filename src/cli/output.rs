//! Where the words go: standard output or a file, whole or not at all.

use std::io::{IsTerminal, Write};
use std::path::Path;

/// Columns of the terminal; `None` when the output is piped, where lines are left alone.
pub fn width() -> Option<usize> {
    terminal_size::terminal_size_of(std::io::stdout()).map(|(width, _)| width.0 as usize)
}

/// Whether bold and colour may be used: on a terminal, unless `NO_COLOR` is set (no-color.org)
/// or the terminal is a dumb one.
pub fn styled() -> bool {
    let set = |name| std::env::var_os(name).is_some_and(|v| !v.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|t| t == "dumb");
    std::io::stdout().is_terminal() && !set("NO_COLOR") && !dumb
}

/// Writes `content` to standard output. A reader that has gone away (`| head`) is no failure.
pub fn print(content: impl AsRef<[u8]>) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(content.as_ref()).and_then(|()| out.flush()) {
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Writes `content` to `path` (`-` is standard output), by way of a file beside it, so that
/// nothing half written is left behind.
pub fn write_whole(path: &Path, content: impl AsRef<[u8]>) -> Result<(), OutputError> {
    if path.as_os_str() == "-" {
        return print(content).map_err(|source| OutputError("standard output".into(), source));
    }
    let failed = |source| OutputError(path.display().to_string(), source);
    // A device or a pipe is written to as it is: a file put in its place would take it away.
    if std::fs::metadata(path).is_ok_and(|found| !found.is_file()) {
        return std::fs::write(path, content).map_err(failed);
    }
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    std::fs::write(&beside, content)
        .and_then(|()| std::fs::rename(&beside, path))
        .inspect_err(|_| {
            // The first error is the one to tell; the leftover may never have been made.
            let _ = std::fs::remove_file(&beside);
        })
        .map_err(failed)
}

#[derive(Debug, thiserror::Error)]
#[error("cannot write {0}: {1}")]
pub struct OutputError(String, std::io::Error);
