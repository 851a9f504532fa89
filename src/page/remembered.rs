//! The last instrument and tempo, in a small file in the platform's own folder: the browser
//! cannot keep them, as the page has another port each time.

use std::path::PathBuf;

use crate::judge::ClickOptions;
use crate::line::instruments;
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    /// Name in the instrument table.
    pub instrument: Option<String>,
    /// As `--click` takes it: `q.=92`.
    pub click: Option<String>,
}

impl Remembered {
    /// Only what means something is kept.
    pub fn check(&self) -> Result<(), Box<dyn std::error::Error>> {
        if let Some(name) = &self.instrument
            && instruments::find(name).is_none()
        {
            return Err(format!("no instrument is called \"{name}\"").into());
        }
        if let Some(click) = &self.click {
            ClickOptions::parse(click)?;
        }
        Ok(())
    }
}

fn path() -> Option<PathBuf> {
    let folders = directories::ProjectDirs::from("", "", "passagework")?;
    Some(folders.config_dir().join("page.toml"))
}

/// What was remembered; nothing where there is no file or it cannot be read.
pub fn recall() -> Remembered {
    let read = || toml::from_str(&std::fs::read_to_string(path()?).ok()?).ok();
    read().unwrap_or_default()
}

/// Keeps it for the next time, by way of a file beside it, so that none is half written.
pub fn remember(what: &Remembered) -> std::io::Result<()> {
    let Some(path) = path() else {
        return Ok(());
    };
    if recall() == *what {
        return Ok(());
    }
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    let text = toml::to_string(what).map_err(std::io::Error::other)?;
    let beside = path.with_extension(format!("toml.{}.part", std::process::id()));
    std::fs::write(&beside, text).and_then(|()| std::fs::rename(&beside, &path))
}
