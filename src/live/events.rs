//! What is said while a take is heard: one event stream feeds every display.
//!
//! Times are seconds of the take's own clock; `said_s` is how much of the take had been heard
//! when the event was said. Milliseconds are late positive, cents sharp positive; `None` is
//! written `null` and means unknown.

use std::io::Write;

use serde::{Deserialize, Serialize};

use crate::align::Outcome;
use crate::judge::check::Finding;

/// One line of the stream, as JSON `{"event": "position", …}`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event {
    /// A beat of the count-in, before the playing.
    CountIn(Beat),
    /// A beat of the click.
    Click(Beat),
    /// Note `index` of the line is taken as begun.
    Position {
        index: usize,
        onset_s: f64,
        said_s: f64,
    },
    /// A note is settled; told again where the phrase as a whole shows it otherwise. `index` is `None` for a note too many; a note left out has no sound
    /// of its own, and its `onset_s` is where the next one began.
    Heard {
        index: Option<usize>,
        outcome: HeardOutcome,
        midi: Option<i32>,
        cents: Option<f64>,
        /// Distance from where the click, or else the tempo of the notes before, puts the
        /// onset; behind is positive.
        ahead_ms: Option<f64>,
        onset_s: f64,
        said_s: f64,
    },
    /// A breath, a rest or a long note: time to look at what the phrase showed.
    Phrase {
        said_s: f64,
        findings: Vec<Finding>,
        /// What the recorder was seen to do to the sound, each sentence once a take.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        warnings: Vec<String>,
    },
    /// Where the player is, is not known; `index` is the last place that was.
    Lost { said_s: f64, index: Option<usize> },
    /// Known again.
    Found { said_s: f64, index: usize },
    /// Loudest sample since the last of these, dB re full scale.
    Level {
        said_s: f64,
        dbfs: f64,
        clipped: bool,
    },
    /// Samples that never reached the hearing; the take is silent there. 0: the sound system
    /// dropped some and does not say how many; the take goes on without them.
    Gap { at_s: f64, lost_samples: u64 },
    /// The take is over.
    Done {
        said_s: f64,
        /// Why, where the player did not end it.
        #[serde(skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    },
}

/// One beat: when it sounds, the printed bar and the beat in it, from 1.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Beat {
    pub at_s: f64,
    pub bar: String,
    pub beat: f64,
}

/// As the report's outcomes, with `added` for a note too many.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HeardOutcome {
    Right,
    Wrong,
    Missed,
    Unsure,
    Added,
}

impl HeardOutcome {
    /// `None` for a note that was not reached: nothing was heard of it.
    pub fn of(outcome: Outcome) -> Option<HeardOutcome> {
        match outcome {
            Outcome::Right => Some(HeardOutcome::Right),
            Outcome::Wrong => Some(HeardOutcome::Wrong),
            Outcome::Missed => Some(HeardOutcome::Missed),
            Outcome::Unsure => Some(HeardOutcome::Unsure),
            Outcome::NotReached => None,
        }
    }
}

/// Writes one event as one line of JSON and flushes it, so that a reader sees it at once.
pub fn write_line(out: &mut dyn Write, event: &Event) -> std::io::Result<()> {
    serde_json::to_writer(&mut *out, event)?;
    out.write_all(b"\n")?;
    out.flush()
}
