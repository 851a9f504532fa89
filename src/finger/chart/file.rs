//! A chart's TOML: read, and checked as a whole, so that every mistake is told at once.

use std::collections::BTreeMap;

use serde::Deserialize;

use super::{Break, CHART_SCHEMA, Chart, Confidence, Extra, Finger, Fingering, KeySet};

/// Why a chart cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    #[error("cannot open the chart {path}: {source}")]
    Io {
        path: String,
        source: std::io::Error,
    },
    #[error("the chart {name} is not the TOML of a fingering chart: {reason}")]
    Form { name: String, reason: String },
    #[error("the chart {name} does not hold together:\n  {}", problems.join("\n  "))]
    Content { name: String, problems: Vec<String> },
}

/// A [`KeySet`] has this many bits.
const KEYS_MAX: usize = KeySet::BITS as usize;
/// Ease that a fingering must save for each rank below the ordinary one, where the chart does not
/// say: less than a single finger's travel, so that it only settles what else is equal.
const RESERVE_MS_PER_RANK: f64 = 4.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChartToml {
    schema: String,
    name: String,
    #[serde(default)]
    instruments: Vec<String>,
    #[serde(default)]
    also_for: Vec<String>,
    also_for_highest: Option<String>,
    #[serde(default)]
    sources: BTreeMap<String, String>,
    #[serde(default, rename = "break")]
    the_break: BreakToml,
    finger: Vec<FingerToml>,
    #[serde(default)]
    extra: Vec<ExtraToml>,
    fingering: Vec<FingeringToml>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct BreakToml {
    below: Vec<String>,
    above: Vec<String>,
    prepared: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FingerToml {
    name: String,
    keys: Vec<String>,
    #[serde(default)]
    together: Vec<Vec<String>>,
    #[serde(default)]
    near: Vec<Vec<String>>,
    #[serde(default)]
    side: Vec<String>,
    #[serde(default)]
    little: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExtraToml {
    key: String,
    name: String,
    label: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FingeringToml {
    note: String,
    register: String,
    rank: u32,
    name: String,
    #[serde(default)]
    mark: String,
    keys: Vec<String>,
    #[serde(default)]
    held: Vec<Vec<String>>,
    #[serde(default)]
    needs: Vec<String>,
    reserve_ms: Option<f64>,
    #[serde(default)]
    trill_only: bool,
    conf: Confidence,
    source: Vec<String>,
    #[serde(default, rename = "use")]
    usage: String,
}

pub fn read(name: &str, text: &str) -> Result<Chart, ChartError> {
    let toml: ChartToml = toml::from_str(text).map_err(|e| ChartError::Form {
        name: name.into(),
        reason: e.to_string().trim_end().into(),
    })?;
    let mut reading = Reading::default();
    let chart = reading.chart(toml);
    match reading.problems.is_empty() {
        true => Ok(chart),
        false => Err(ChartError::Content {
            name: name.into(),
            problems: reading.problems,
        }),
    }
}

#[derive(Default)]
struct Reading {
    keys: Vec<String>,
    problems: Vec<String>,
}

impl Reading {
    fn chart(&mut self, toml: ChartToml) -> Chart {
        if toml.schema != CHART_SCHEMA {
            self.problem(format!(
                "schema is \"{}\"; this program reads \"{CHART_SCHEMA}\"",
                toml.schema
            ));
        }
        let listed = |toml: &ChartToml| -> Vec<String> {
            let of_fingers = toml.finger.iter().flat_map(|f| f.keys.clone());
            of_fingers
                .chain(toml.extra.iter().map(|e| e.key.clone()))
                .collect()
        };
        for key in listed(&toml) {
            if !self.keys.contains(&key) {
                self.keys.push(key);
            }
        }
        if self.keys.len() > KEYS_MAX {
            self.problem(format!(
                "{} keys; a chart has at most {KEYS_MAX}",
                self.keys.len()
            ));
            self.keys.truncate(KEYS_MAX);
        }
        let fingers: Vec<Finger> = toml.finger.iter().map(|f| self.finger(f)).collect();
        self.each_key_one_finger(&fingers);
        let extras = toml
            .extra
            .iter()
            .map(|e| Extra {
                key: self.set(std::slice::from_ref(&e.key), &format!("extra {}", e.name)),
                name: e.name.clone(),
                label: e.label.clone(),
            })
            .collect();
        let mut fingerings: Vec<Fingering> = toml
            .fingering
            .iter()
            .map(|f| self.fingering(f, &fingers, &toml.sources))
            .collect();
        fingerings.sort_by_key(|f| (f.midi, f.rank));
        self.ranks(&fingerings);
        Chart {
            the_break: Break {
                prepared: self.set(&toml.the_break.prepared, "break"),
                below: toml.the_break.below,
                above: toml.the_break.above,
            },
            also_for_highest_midi: toml
                .also_for_highest
                .as_deref()
                .map(|note| self.midi(note, "also_for_highest")),
            name: toml.name,
            instruments: toml.instruments,
            also_for: toml.also_for,
            sources: toml.sources.into_iter().collect(),
            keys: std::mem::take(&mut self.keys),
            fingers,
            extras,
            fingerings,
        }
    }

    fn problem(&mut self, text: String) {
        /// Enough to mend a chart by; more hide the first.
        const PROBLEMS_MAX: usize = 40;
        if self.problems.len() < PROBLEMS_MAX {
            self.problems.push(text);
        }
    }

    fn set(&mut self, names: &[String], place: &str) -> KeySet {
        let mut keys = 0;
        for name in names {
            match self.keys.iter().position(|k| k == name) {
                Some(bit) if keys & (1 << bit) == 0 => keys |= 1 << bit,
                Some(_) => self.problem(format!("{place}: the key {name} stands twice")),
                None => self.problem(format!("{place}: no finger works a key called {name}")),
            }
        }
        keys
    }

    fn finger(&mut self, toml: &FingerToml) -> Finger {
        let place = format!("finger {}", toml.name);
        let finger = Finger {
            name: toml.name.clone(),
            keys: self.set(&toml.keys, &place),
            together: toml.together.iter().map(|s| self.set(s, &place)).collect(),
            near: toml.near.iter().map(|s| self.set(s, &place)).collect(),
            side: self.set(&toml.side, &place),
            little: toml.little,
        };
        let groups = finger.together.iter().chain(&finger.near);
        let stray = groups.fold(finger.side, |all, s| all | s) & !finger.keys;
        if stray != 0 {
            self.problem(format!(
                "{place}: together, near and side name keys of another finger"
            ));
        }
        if finger.near.iter().any(|pair| pair.count_ones() != 2) {
            self.problem(format!("{place}: near holds pairs of keys"));
        }
        finger
    }

    fn each_key_one_finger(&mut self, fingers: &[Finger]) {
        for (i, a) in fingers.iter().enumerate() {
            for b in &fingers[i + 1..] {
                if a.keys & b.keys != 0 {
                    self.problem(format!("{} and {} work the same key", a.name, b.name));
                }
            }
        }
    }

    fn fingering(
        &mut self,
        toml: &FingeringToml,
        fingers: &[Finger],
        sources: &BTreeMap<String, String>,
    ) -> Fingering {
        let place = format!("{} {}", toml.note, toml.name);
        let keys = self.set(&toml.keys, &place);
        let held: Vec<KeySet> = toml.held.iter().map(|s| self.set(s, &place)).collect();
        for group in std::iter::once(&0).chain(&held) {
            if group & keys != 0 {
                self.problem(format!("{place}: held repeats a key of the fingering"));
            }
            for finger in fingers {
                let own = (keys | group) & finger.keys;
                if own.count_ones() > 1 && !finger.together.contains(&own) {
                    self.problem(format!(
                        "{place}: the {} cannot be on several keys at once",
                        finger.name
                    ));
                }
            }
        }
        for code in toml.source.iter().filter(|s| !sources.contains_key(*s)) {
            self.problem(format!("{place}: the source {code} is not explained"));
        }
        if toml.source.is_empty() {
            self.problem(format!(
                "{place}: say whose word it is, such as source = [\"CP\"]"
            ));
        }
        let rank = toml.rank.max(1);
        let usual_ms = RESERVE_MS_PER_RANK * f64::from(rank - 1);
        let reserve_ms = toml.reserve_ms.unwrap_or(usual_ms);
        if !(0.0..=10_000.0).contains(&reserve_ms) {
            self.problem(format!("{place}: reserve_ms is from 0 to 10000"));
        }
        Fingering {
            note: toml.note.clone(),
            midi: self.midi(&toml.note, &place),
            register: toml.register.clone(),
            rank: toml.rank,
            name: toml.name.clone(),
            mark: toml.mark.clone(),
            keys,
            held,
            needs: self.set(&toml.needs, &place),
            reserve_ms,
            trill_only: toml.trill_only,
            confidence: toml.conf,
            source: toml.source.clone(),
            usage: toml.usage.clone(),
        }
    }

    fn midi(&mut self, note: &str, place: &str) -> i32 {
        match midi_of(note) {
            Some(midi) => midi,
            None => {
                self.problem(format!(
                    "{place}: \"{note}\" is no note; write F#4 or Bb3, C4 is middle C"
                ));
                0
            }
        }
    }

    /// Every note has ranks 1, 2, 3 … once each, and no set of keys twice.
    fn ranks(&mut self, fingerings: &[Fingering]) {
        for group in fingerings.chunk_by(|a, b| a.midi == b.midi) {
            let note = &group[0].note;
            if group[0].rank != 1 || group.windows(2).any(|w| w[0].rank == w[1].rank) {
                self.problem(format!("{note}: ranks begin with 1 and none stands twice"));
            }
            for (i, a) in group.iter().enumerate() {
                if group[i + 1..]
                    .iter()
                    .any(|b| b.keys == a.keys && b.needs == a.needs)
                {
                    self.problem(format!("{note}: {} stands twice", a.name));
                }
            }
        }
    }
}

/// MIDI number of a note name such as `F#4`, `Bb3`, `F##4`; `None` for anything else.
pub(crate) fn midi_of(note: &str) -> Option<i32> {
    let mut letters = note.chars();
    let letter = letters.next()?;
    let natural = match letter.to_ascii_uppercase() {
        'C' => 0,
        'D' => 2,
        'E' => 4,
        'F' => 5,
        'G' => 7,
        'A' => 9,
        'B' => 11,
        _ => return None,
    };
    let rest = letters.as_str();
    let sign_end = rest.find(|c: char| c != '#' && c != 'b')?;
    let (signs, octave) = rest.split_at(sign_end);
    let alter: i32 = signs.chars().map(|c| if c == '#' { 1 } else { -1 }).sum();
    let octave: i32 = octave.parse().ok().filter(|o| (-1..=9).contains(o))?;
    Some(12 * (octave + 1) + natural + alter)
}
