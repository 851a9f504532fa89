//! The engraver: MusicXML to SVG by Verovio, with its resources in a folder of ours that goes
//! when the picture is made.

use super::EngraveError;

/// Where systems end.
#[derive(Clone, Copy, Debug)]
pub enum Breaks {
    /// Where the paper ends.
    Paper,
    /// Where the document says so, as long as the system is full enough.
    Document,
}

/// Engraves a document on pages `width` units wide and as high as they may be; a staff space
/// is 18 units, a millimetre 10. Bounding boxes of everything are in the picture.
#[cfg(feature = "engrave")]
pub fn engrave(xml: &str, width: u32, breaks: Breaks) -> Result<Vec<String>, EngraveError> {
    use verovio_sys::ffi;

    /// One engraving at a time: Verovio keeps its log level and fonts in globals.
    static ONE_AT_A_TIME: std::sync::Mutex<()> = std::sync::Mutex::new(());
    /// Highest page Verovio takes, in its units.
    const SIDE_MAX: u32 = 60_000;
    /// Says nothing on standard error (`LOG_OFF` in its `vrvdef.h`).
    const LOG_OFF: i32 = 0;

    // A panic elsewhere leaves nothing behind that the next engraving would trip over.
    let _turn = ONE_AT_A_TIME.lock().unwrap_or_else(|e| e.into_inner());
    let resources = resources().map_err(EngraveError::Resources)?;
    let path = resources.path().to_string_lossy().into_owned();
    ffi::enable_log(LOG_OFF);
    let mut toolkit = ffi::new_toolkit(false);
    if !ffi::set_resource_path(toolkit.pin_mut(), &path) {
        return Err(EngraveError::Refused("its fonts".into()));
    }
    let options = serde_json::json!({
        "pageWidth": width,
        "pageHeight": SIDE_MAX,
        "adjustPageHeight": true,
        "pageMarginTop": 0, "pageMarginBottom": 0, "pageMarginLeft": 0, "pageMarginRight": 0,
        "header": "none",
        "footer": "none",
        "breaks": match breaks { Breaks::Paper => "auto", Breaks::Document => "smart" },
        "scale": 100,
        "svgBoundingBoxes": true,
        "font": FONT,
    });
    if !ffi::set_options(toolkit.pin_mut(), &options.to_string()) {
        return Err(EngraveError::Refused("its options".into()));
    }
    // An empty document would stop the process when drawn.
    if !ffi::load_data(toolkit.pin_mut(), xml) || ffi::page_count(toolkit.pin_mut()) < 1 {
        return Err(EngraveError::Refused("the line".into()));
    }
    let n_pages = ffi::page_count(toolkit.pin_mut());
    Ok((1..=n_pages)
        .map(|page| ffi::render_to_svg(toolkit.pin_mut(), page, false))
        .collect())
}

#[cfg(not(feature = "engrave"))]
pub fn engrave(_xml: &str, _width: u32, _breaks: Breaks) -> Result<Vec<String>, EngraveError> {
    Err(EngraveError::NotBuilt)
}

/// The program to be started for [`engrave_apart`], with its hidden command.
static PROGRAM: std::sync::OnceLock<std::path::PathBuf> = std::sync::OnceLock::new();

/// The hidden command: MusicXML on standard input, its pages as JSON on standard output.
pub const COMMAND: &str = "engrave-apart";

/// From now on files of other hands are engraved by `program`, which must know [`COMMAND`], in a
/// process of its own: Verovio ends the process it is in at what it does not expect, such as
/// frets outside of a tablature. Without a program they are engraved in this one.
pub fn set_program(program: std::path::PathBuf) {
    // A second program would be the same one.
    let _ = PROGRAM.set(program);
}

/// [`engrave`] for a file of another hand; ends within half a minute.
pub fn engrave_apart(xml: &str, width: u32) -> Result<Vec<String>, EngraveError> {
    use std::io::{Read, Write};
    use std::process::{Command, Stdio};
    use std::time::Duration;

    /// A part of two hundred bars takes half a second.
    const LONGEST: Duration = Duration::from_secs(30);

    let Some(program) = PROGRAM.get() else {
        return engrave(xml, width, Breaks::Document);
    };
    // Whatever a process that was stopped leaves behind goes with the folder.
    let folder = tempfile::Builder::new()
        .prefix("passagework-")
        .tempdir()
        .map_err(EngraveError::Resources)?;
    let refused = |_| EngraveError::Refused("the file".into());
    let mut child = Command::new(program)
        .arg(COMMAND)
        .arg(width.to_string())
        .envs(["TMPDIR", "TMP", "TEMP"].map(|name| (name, folder.path())))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(refused)?;
    let (mut to, from) = (child.stdin.take(), child.stdout.take());
    let (told, answer) = std::sync::mpsc::channel();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            let mut pages = Vec::new();
            let read = from.map(|mut from| from.read_to_end(&mut pages));
            // Nobody waits any more after the longest time.
            let _ = told.send(read.map(|_| pages));
        });
        // One that ends early says so by its answer.
        let _ = to.take().map(|mut to| to.write_all(xml.as_bytes()));
        let pages = answer.recv_timeout(LONGEST).ok().flatten();
        // Already gone where it has answered.
        let _ = child.kill();
        let _ = child.wait();
        serde_json::from_slice(&pages.unwrap_or_default())
            .map_err(|_| EngraveError::Refused("the file".into()))
    })
}

/// A sign of the music font for use among words.
pub struct Glyph {
    /// Its outline, upright, 1000 units to the font's size.
    pub drawing: String,
    pub advance: f64,
}

#[cfg(feature = "engrave")]
pub fn glyph(sign: char) -> Option<Glyph> {
    let code = format!("{:04X}", u32::from(sign));
    let content = |path: &str| verovio_data::DATA.get_file(path)?.contents_utf8();
    let outline = content(&format!("{FONT}/{code}.xml"))?;
    let from = outline.find('>')? + 1;
    let table = content(&format!("{FONT}.xml"))?;
    let entry = &table[table.find(&format!("c=\"{code}\""))?..];
    let (_, advance) = entry[..entry.find("/>")?].split_once("h-a-x=\"")?;
    Some(Glyph {
        drawing: outline[from..outline.rfind("</g>")?].into(),
        advance: advance.split('"').next()?.parse().ok()?,
    })
}

#[cfg(not(feature = "engrave"))]
pub fn glyph(_sign: char) -> Option<Glyph> {
    None
}

/// The music font, in pictures too.
pub const FONT: &str = "Leipzig";

/// The part of Verovio's resources that this font needs, in a folder that removes itself.
#[cfg(feature = "engrave")]
fn resources() -> std::io::Result<tempfile::TempDir> {
    let folder = tempfile::Builder::new().prefix("passagework-").tempdir()?;
    let needed = |path: &std::path::Path| {
        let first = path.components().next();
        let top = first.map(|c| c.as_os_str().to_string_lossy().into_owned());
        // Verovio reads Bravura's table whatever the font.
        matches!(
            top.as_deref(),
            Some(FONT | "text" | "Bravura.xml" | "Leipzig.xml")
        )
    };
    let mut folders = vec![&verovio_data::DATA];
    while let Some(dir) = folders.pop() {
        folders.extend(dir.dirs().filter(|d| needed(d.path())));
        for file in dir.files().filter(|f| needed(f.path())) {
            let to = folder.path().join(file.path());
            if let Some(parent) = to.parent() {
                std::fs::create_dir_all(parent)?;
            }
            std::fs::write(to, file.contents())?;
        }
    }
    Ok(folder)
}
