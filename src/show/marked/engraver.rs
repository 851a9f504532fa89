//! The engraver: MusicXML to SVG by Verovio, with its resources in a folder of ours that goes
//! when the picture is made.

use super::EngraveError;

/// Engraves a document on pages `width` units wide and as high as they may be; a staff space
/// is 18 units, a millimetre 10. Bounding boxes of everything are in the picture.
#[cfg(feature = "engrave")]
pub fn engrave(xml: &str, width: u32) -> Result<Vec<String>, EngraveError> {
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
        "breaks": "auto",
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
pub fn engrave(_xml: &str, _width: u32) -> Result<Vec<String>, EngraveError> {
    Err(EngraveError::NotBuilt)
}

#[cfg(feature = "engrave")]
const FONT: &str = "Leipzig";

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
