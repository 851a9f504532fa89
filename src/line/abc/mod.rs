//! ABC 2.1 text.
use super::read::LineError;
use super::score::Score;
pub fn is_abc(_text: &[u8]) -> bool {
    false
}
pub fn read(_content: &[u8], _tune: Option<u32>) -> Result<Score, LineError> {
    Err(LineError::Unreadable {
        place: "line 1".into(),
        text: "ABC is not read yet".into(),
    })
}
