//! Where takes from the microphone are kept.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use crate::line::Line;
use crate::sound::recorder::repair;

/// Why a take has no place.
#[derive(Debug, thiserror::Error)]
pub enum PlaceError {
    #[error("no home folder is known: set HOME, or name a file with --save")]
    NoHome,
    #[error("cannot make the folder {}: {source}; name a file with --save", folder.display())]
    Folder {
        folder: PathBuf,
        source: std::io::Error,
    },
}

/// A file that is not there yet, and takes of before that were cut off and are mended now.
pub struct TakePlace {
    pub path: PathBuf,
    pub mended: Vec<PathBuf>,
}

/// The platform's folder for what is kept.
pub fn data_folder() -> Result<PathBuf, PlaceError> {
    let folders =
        directories::ProjectDirs::from("", "", "passagework").ok_or(PlaceError::NoHome)?;
    Ok(folders.data_dir().into())
}

/// A new file in the data folder, called after the line and the moment. Takes that were cut off
/// are mended on the way.
pub fn new_take_path(line: &Line) -> Result<TakePlace, PlaceError> {
    let folder = data_folder()?.join("takes");
    std::fs::create_dir_all(&folder).map_err(|source| PlaceError::Folder {
        folder: folder.clone(),
        source,
    })?;
    let entries = std::fs::read_dir(&folder).into_iter().flatten().flatten();
    let mended = entries
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|x| x == "wav"))
        .filter(|path| matches!(repair(path), Ok(Some(_))))
        .collect();
    let title: String = line
        .title
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .take(40)
        .collect();
    let title = match title.trim_matches('-') {
        "" => "take",
        title => title,
    };
    let now_s = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_secs());
    // One second holds one take, unless two programs listen at once.
    let path = (0..)
        .map(|k| {
            let more = if k == 0 {
                String::new()
            } else {
                format!("-{k}")
            };
            folder.join(format!("{title}-{now_s}{more}.wav"))
        })
        .find(|path| !path.exists())
        .expect("numbers go on");
    Ok(TakePlace { path, mended })
}
