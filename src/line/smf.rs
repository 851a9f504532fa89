//! Standard MIDI Files.
use super::instruments::Instrument;
use super::read::LineError;
use super::score::Score;
pub fn is_smf(content: &[u8]) -> bool {
    content.starts_with(b"MThd")
}
pub fn read(_content: &[u8], _player: Option<&Instrument>) -> Result<Score, LineError> {
    Err(LineError::Unreadable {
        place: "byte 0".into(),
        text: "MIDI is not read yet".into(),
    })
}
