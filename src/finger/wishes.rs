//! What the player has decided already: choices pinned, habits, keys the instrument has or lacks.

use super::chart::file::midi_of;
use super::chart::{Chart, Fingering, KeySet};
use crate::line::LineNote;

/// The player's own choices; empty by default.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wishes {
    pub pins: Vec<Pin>,
    pub habits: Vec<Habit>,
    /// Extras the instrument has, by the chart's names: `left-ab`.
    pub with: Vec<String>,
    /// Keys the instrument lacks or the player avoids, by the chart's key names.
    pub without: Vec<String>,
}

/// A fingering settled for a bar, a beat, or one note of a bar: `9=middle`, `9:2.5=left`, `9 B3=fork`.
#[derive(Clone, Debug, PartialEq)]
pub struct Pin {
    pub bar: String,
    pub beat: Option<f64>,
    pub note: Option<String>,
    pub choice: String,
}

/// A fingering the player likes for a note in every octave, or in one: `B=right`, `B4=right`.
#[derive(Clone, Debug, PartialEq)]
pub struct Habit {
    pub note: String,
    pub choice: String,
}

/// A wish that cannot be meant.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum WishError {
    #[error(
        "cannot read the pin \"{0}\": write BAR=CHOICE, BAR:BEAT=CHOICE or \"BAR NOTE=CHOICE\", such as 9=middle or 9:2.5=left"
    )]
    Pin(String),
    #[error("cannot read the habit \"{0}\": write NOTE=CHOICE, such as B=right or F#5=fork")]
    Habit(String),
    #[error("nothing at {place} is fingered \"{choice}\"; {offer}")]
    NoSuchChoice {
        place: String,
        choice: String,
        offer: String,
    },
    #[error("the line has no {0}")]
    NoSuchPlace(String),
    #[error("the chart knows no extra called \"{wanted}\"; {}", offered(known))]
    NoSuchExtra { wanted: String, known: Vec<String> },
    #[error("the chart has no key called \"{wanted}\"; its keys are {}", known.join(", "))]
    NoSuchKey { wanted: String, known: Vec<String> },
}

fn offered(known: &[String]) -> String {
    match known.is_empty() {
        true => "it has none".into(),
        false => format!("it has {}", known.join(", ")),
    }
}

impl std::str::FromStr for Pin {
    type Err = WishError;

    fn from_str(text: &str) -> Result<Pin, WishError> {
        let wrong = || WishError::Pin(text.into());
        let (place, choice) = halves(text).ok_or_else(wrong)?;
        let (place, note) = match place.split_once(char::is_whitespace) {
            Some((place, note)) => (place, Some(note.trim().to_string())),
            None => (place, None),
        };
        if note.as_deref().is_some_and(|n| midi_of(n).is_none()) {
            return Err(wrong());
        }
        let (bar, beat) = match place.split_once(':') {
            Some((bar, beat)) => (bar, Some(beat.trim().parse().map_err(|_| wrong())?)),
            None => (place, None),
        };
        if bar.is_empty() {
            return Err(wrong());
        }
        Ok(Pin {
            bar: bar.into(),
            beat,
            note,
            choice: choice.into(),
        })
    }
}

impl std::str::FromStr for Habit {
    type Err = WishError;

    fn from_str(text: &str) -> Result<Habit, WishError> {
        let wrong = || WishError::Habit(text.into());
        let (note, choice) = halves(text).ok_or_else(wrong)?;
        if midi_of(note).is_none() && midi_of(&format!("{note}4")).is_none() {
            return Err(wrong());
        }
        Ok(Habit {
            note: note.into(),
            choice: choice.into(),
        })
    }
}

fn halves(text: &str) -> Option<(&str, &str)> {
    let (place, choice) = text.split_once('=')?;
    let (place, choice) = (place.trim(), choice.trim());
    (!place.is_empty() && !choice.is_empty()).then_some((place, choice))
}

impl Pin {
    /// Whether the pin means this note.
    pub fn means(&self, note: &LineNote) -> bool {
        /// Beats are typed with few places; notes are further apart than this.
        const BEAT_TOLERANCE: f64 = 0.02;
        note.bar == self.bar
            && self
                .beat
                .is_none_or(|beat| (note.beat - beat).abs() < BEAT_TOLERANCE)
            && self
                .note
                .as_deref()
                .is_none_or(|name| midi_of(name) == Some(note.written.midi()))
    }

    /// The place in words.
    pub fn place(&self) -> String {
        let mut place = format!("bar {}", self.bar);
        if let Some(beat) = self.beat {
            place += &format!(", beat {beat}");
        }
        if let Some(note) = &self.note {
            place += &format!(", {note}");
        }
        place
    }
}

impl Habit {
    /// Whether the habit means this fingering's note; `None` where it means another.
    pub fn wants(&self, fingering: &Fingering) -> Option<bool> {
        let meant = match midi_of(&self.note) {
            Some(midi) => midi == fingering.midi,
            // A name without octave means the note in all of them.
            None => midi_of(&format!("{}4", self.note))
                .is_some_and(|midi| (midi - fingering.midi).rem_euclid(12) == 0),
        };
        meant.then(|| is_called(fingering, &self.choice))
    }
}

/// Whether a player who says `choice` means this fingering: its mark, its name, or the name's
/// first word.
pub fn is_called(fingering: &Fingering, choice: &str) -> bool {
    let wanted = choice.to_lowercase();
    let name = fingering.name.to_lowercase();
    fingering.mark.to_lowercase() == wanted
        || name == wanted
        || name.split([' ', '(', ':']).next() == Some(wanted.as_str())
}

impl Wishes {
    /// Keys that are not to be used, and extras that are there.
    pub fn keys_out(&self, chart: &Chart) -> Result<KeySet, WishError> {
        let mut out = chart.extra_keys();
        for name in &self.with {
            let Some(extra) = chart.extras.iter().find(|e| &e.name == name) else {
                return Err(WishError::NoSuchExtra {
                    wanted: name.clone(),
                    known: chart.extras.iter().map(|e| e.name.clone()).collect(),
                });
            };
            out &= !extra.key;
        }
        for name in &self.without {
            let key = chart.key(name).ok_or_else(|| WishError::NoSuchKey {
                wanted: name.clone(),
                known: chart.keys.clone(),
            })?;
            out |= key;
        }
        Ok(out)
    }
}
