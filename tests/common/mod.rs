//! Runs the program as a user does, in a fresh folder.

#![allow(dead_code, reason = "each test file uses what it needs")]

pub mod wav;

use std::path::PathBuf;
use std::process::{Command, Output};

use tempfile::TempDir;

/// A folder of its own, gone after the test.
pub struct Folder(TempDir);

impl Folder {
    pub fn new() -> Folder {
        Folder(TempDir::new().expect("a temporary folder"))
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("a file in the temporary folder");
        path
    }

    /// Runs `passagework` with `arguments` inside the folder.
    pub fn run(&self, arguments: &[&str]) -> Said {
        let output = Command::new(env!("CARGO_BIN_EXE_passagework"))
            .args(arguments)
            .current_dir(self.0.path())
            .env("NO_COLOR", "1")
            // What is kept is kept here, not among the player's own takes.
            .env("XDG_DATA_HOME", self.path("data"))
            .output()
            .expect("the program starts");
        Said::from(output)
    }
}

/// What the program said.
#[derive(Debug)]
pub struct Said {
    pub out: String,
    pub err: String,
    /// `None` when a signal ended it.
    pub status: Option<i32>,
}

impl From<Output> for Said {
    fn from(output: Output) -> Said {
        Said {
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            err: String::from_utf8_lossy(&output.stderr).into_owned(),
            status: output.status.code(),
        }
    }
}
