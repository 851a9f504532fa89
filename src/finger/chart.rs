//! A fingering chart: which keys are down for every written note of an instrument.
//!
//! Charts are TOML files; `charts/README.md` explains the format. Four are built in.

pub(crate) mod file;

pub use file::ChartError;

use std::path::Path;

/// Names of the schema that a chart file must carry.
pub const CHART_SCHEMA: &str = "passagework.chart/1";

/// A set of keys of one chart; bit `i` is the chart's key `i`.
pub type KeySet = u64;

/// How far an entry of a chart can be trusted.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Confidence {
    /// Differs between instruments, or follows from a rule only: ask a player.
    Low,
    Medium,
    High,
}

/// One finger and the keys that it alone works.
#[derive(Clone, Debug, PartialEq)]
pub struct Finger {
    pub name: String,
    pub keys: KeySet,
    /// Sets of more than one key that it can hold at once.
    pub together: Vec<KeySet>,
    /// Pairs of keys side by side: it slides or rolls from one to the other.
    pub near: Vec<KeySet>,
    /// Keys that take it off its hole.
    pub side: KeySet,
    pub little: bool,
}

/// A key that not every instrument has.
#[derive(Clone, Debug, PartialEq)]
pub struct Extra {
    pub key: KeySet,
    pub name: String,
    pub label: String,
}

/// One way to finger one written note.
#[derive(Clone, Debug, PartialEq)]
pub struct Fingering {
    /// As the chart spells it.
    pub note: String,
    /// Written MIDI number.
    pub midi: i32,
    pub register: String,
    /// 1 is the ordinary choice.
    pub rank: u32,
    /// Trade name: `left`, `fork`, `side key`.
    pub name: String,
    /// Letters a teacher writes over the note; empty where there is nothing to say.
    pub mark: String,
    pub keys: KeySet,
    /// Groups that may be down besides without changing the note.
    pub held: Vec<KeySet>,
    /// Extras it needs without pressing them.
    pub needs: KeySet,
    /// Ease in milliseconds that it must save before it is taken.
    pub reserve_ms: f64,
    pub trill_only: bool,
    pub confidence: Confidence,
    /// Codes of [`Chart::sources`].
    pub source: Vec<String>,
    /// Where it is used, in a phrase; may be empty.
    pub usage: String,
}

impl Fingering {
    /// Every key that may be down without changing the note, beyond those of the fingering.
    pub fn holdable(&self) -> KeySet {
        self.held.iter().fold(0, |all, group| all | group)
    }
}

/// Where the hands change over between registers.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Break {
    pub below: Vec<String>,
    pub above: Vec<String>,
    /// Keys better down before it is crossed upwards.
    pub prepared: KeySet,
}

/// A whole chart, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    pub name: String,
    /// Instruments it is for, as in the instrument table.
    pub instruments: Vec<String>,
    /// Instruments fingered the same up to `also_for_highest_midi`.
    pub also_for: Vec<String>,
    pub also_for_highest_midi: Option<i32>,
    /// Code and sentence, in order of code.
    pub sources: Vec<(String, String)>,
    /// Names of the keys; a bit of a [`KeySet`] is an index here.
    pub keys: Vec<String>,
    pub fingers: Vec<Finger>,
    pub extras: Vec<Extra>,
    pub the_break: Break,
    /// By written pitch, then rank.
    pub fingerings: Vec<Fingering>,
}

/// The charts that are built in: file name and text.
const BUILT_IN: [(&str, &str); 4] = [
    ("clarinet.toml", include_str!("charts/clarinet.toml")),
    ("saxophone.toml", include_str!("charts/saxophone.toml")),
    ("flute.toml", include_str!("charts/flute.toml")),
    ("oboe.toml", include_str!("charts/oboe.toml")),
];

impl Chart {
    /// A chart from a file of the player's own.
    pub fn open(path: &Path) -> Result<Chart, ChartError> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|source| ChartError::Io {
            path: name.clone(),
            source,
        })?;
        file::read(&name, &text)
    }

    /// A chart from TOML text; `name` stands in errors.
    pub fn parse(name: &str, text: &str) -> Result<Chart, ChartError> {
        file::read(name, text)
    }

    /// The built-in chart for an instrument of the table; `None` where there is none.
    ///
    /// For an instrument fingered the same only up to a note, the notes above it are left out.
    pub fn built_in(instrument: &str) -> Option<Chart> {
        Chart::all_built_in().into_iter().find_map(|mut chart| {
            if chart.instruments.iter().any(|i| i == instrument) {
                return Some(chart);
            }
            if !chart.also_for.iter().any(|i| i == instrument) {
                return None;
            }
            if let Some(highest) = chart.also_for_highest_midi {
                chart.fingerings.retain(|f| f.midi <= highest);
            }
            Some(chart)
        })
    }

    /// Every built-in chart.
    pub fn all_built_in() -> Vec<Chart> {
        let read = |(name, text)| {
            Chart::parse(name, text).unwrap_or_else(|e| panic!("a built-in chart is broken: {e}"))
        };
        BUILT_IN.into_iter().map(read).collect()
    }

    /// Indices of the fingerings of a written pitch, the ordinary one first; empty outside the chart.
    pub fn of_midi(&self, midi: i32) -> std::ops::Range<usize> {
        let first = self.fingerings.partition_point(|f| f.midi < midi);
        let end = self.fingerings.partition_point(|f| f.midi <= midi);
        first..end
    }

    /// The key with this name.
    pub fn key(&self, name: &str) -> Option<KeySet> {
        let bit = self.keys.iter().position(|k| k == name)?;
        Some(1 << bit)
    }

    /// Names of the keys of a set, in the chart's order.
    pub fn names_of(&self, keys: KeySet) -> Vec<String> {
        let down = |bit: &usize| keys & (1 << bit) != 0;
        (0..self.keys.len())
            .filter(down)
            .map(|bit| self.keys[bit].clone())
            .collect()
    }

    /// All extras as one set.
    pub fn extra_keys(&self) -> KeySet {
        self.extras.iter().fold(0, |all, e| all | e.key)
    }
}
