//! A fingering plan as text for the player and as JSON (`passagework.fingers/1`).

use std::collections::BTreeMap;
use std::fmt::Write;

use maud::{Markup, html};
use serde::Serialize;

use super::marked::Letters;
use super::text::Layout;
use crate::finger::change::{AWKWARD_MS, Change};
use crate::finger::chart::Confidence;
use crate::finger::plan::{ForcedChange, HardChange, NotePlan, Plan, Reason};
use crate::finger::states::trilled_to;
use crate::finger::{Chart, Fingering};
use crate::line::{Line, Spelling};

/// Extra cost of the second best from which a choice is worth a pencil mark: less, and either
/// will do.
const WORTH_MARKING_MS: f64 = 20.0;

/// Whether the choice is one to settle before playing: it matters, or it is not what one would
/// do without thinking.
pub fn worth_marking(chart: &Chart, note: &NotePlan) -> bool {
    let Some(fingering) = fingering(chart, note) else {
        return false;
    };
    let asked_for = matches!(note.reason, Reason::Pinned | Reason::Habit);
    let matters = note
        .second
        .is_some_and(|s| s.extra_cost_ms >= WORTH_MARKING_MS);
    // A note that is always fingered the ordinary way needs no letter, except where both hands
    // have the key: there the hand is what the letter tells.
    let either_hand = matches!(fingering.mark.as_str(), "L" | "R");
    note.choice && (asked_for || fingering.rank > 1 || (matters && either_hand))
}

pub fn fingering<'a>(chart: &'a Chart, note: &NotePlan) -> Option<&'a Fingering> {
    Some(&chart.fingerings[note.hold?.fingering])
}

/// Letters over the notes that are worth a pencil mark, by the note's index.
pub fn marks(chart: &Chart, plan: &Plan) -> BTreeMap<usize, String> {
    plan.notes
        .iter()
        .enumerate()
        .filter(|(_, note)| worth_marking(chart, note))
        .filter_map(|(i, note)| Some((i, fingering(chart, note)?.mark.clone())))
        .filter(|(_, mark)| !mark.is_empty())
        .collect()
}

/// The same for the engraved part, each with its reason.
pub fn letters(line: &Line, chart: &Chart, plan: &Plan) -> BTreeMap<usize, Letters> {
    let words = Words { line, chart, plan };
    marks(chart, plan)
        .into_iter()
        .map(|(i, mark)| {
            let name = fingering(chart, &plan.notes[i]).map_or("", |f| &f.name);
            let words = format!("{}: {name}; {}", line.notes[i].written, words.reason(i));
            (i, Letters { mark, words })
        })
        .collect()
}

/// The plan by the contract `passagework.fingers/1`, one JSON object and a line feed.
pub fn json(line: &Line, chart: &Chart, plan: &Plan) -> String {
    let words = Words { line, chart, plan };
    let written = PlanJson {
        schema: "passagework.fingers/1",
        title: &line.title,
        instrument: &line.instrument,
        chart: &chart.name,
        cost_unit: "ms",
        notes: (0..plan.notes.len()).map(|i| words.note_json(i)).collect(),
        hard: plan
            .hard
            .iter()
            .map(|h| HardJson {
                from_index: h.from,
                to_index: h.from + 1,
                cost: h.weighed.cost,
                why: words.change(&h.weighed.change),
                tempo_limit_bpm: h.tempo_limit_bpm,
            })
            .collect(),
        forced: plan
            .forced
            .iter()
            .map(|f| ForcedJson {
                from_index: f.from,
                to_index: f.from + 1,
                why: words.forced(f.from, &f.change),
            })
            .collect(),
    };
    let mut text =
        serde_json::to_string_pretty(&written).expect("a plan has only text and finite numbers");
    text.push('\n');
    text
}

#[derive(Serialize)]
struct PlanJson<'a> {
    schema: &'static str,
    title: &'a str,
    instrument: &'a str,
    chart: &'a str,
    cost_unit: &'static str,
    notes: Vec<NoteJson<'a>>,
    hard: Vec<HardJson>,
    forced: Vec<ForcedJson>,
}

#[derive(Serialize)]
struct NoteJson<'a> {
    index: usize,
    bar: &'a str,
    pass: u32,
    beat: f64,
    written: String,
    fingering: Option<&'a str>,
    mark: Option<&'a str>,
    keys: Vec<String>,
    held: Vec<String>,
    choice: bool,
    confidence: Option<Confidence>,
    source: &'a [String],
    reason: String,
    second: Option<SecondJson<'a>>,
    /// The note that a trill goes to, and its fingering.
    trill: Option<TrillJson<'a>>,
}

#[derive(Serialize)]
struct TrillJson<'a> {
    written: String,
    fingering: &'a str,
    keys: Vec<String>,
}

#[derive(Serialize)]
struct SecondJson<'a> {
    fingering: &'a str,
    extra_cost: f64,
}

#[derive(Serialize)]
struct HardJson {
    from_index: usize,
    to_index: usize,
    cost: f64,
    why: String,
    tempo_limit_bpm: Option<f64>,
}

#[derive(Serialize)]
struct ForcedJson {
    from_index: usize,
    to_index: usize,
    why: String,
}

/// The plan for the player's eye: choices to settle, what is forced, what is hard.
pub fn text(line: &Line, chart: &Chart, plan: &Plan, layout: Layout) -> String {
    let words = Words { line, chart, plan };
    let mut out = String::new();
    let _ = writeln!(out, "{}\nfingered for: {}\n", line.title, chart.name);
    let choices = words.choices(layout.all);
    match choices.is_empty() {
        true => {
            let _ = writeln!(out, "{NOTHING_TO_SETTLE}");
        }
        false => out.push_str("Settle before playing\n"),
    }
    push_columns(&mut out, &choices);
    if !layout.all && plan.notes.iter().filter(|n| n.choice).count() > choices.len() {
        out.push_str(
            "  Where nothing is said the ordinary fingering is best; --all shows every choice.\n",
        );
    }
    let trills = words.trills();
    if !trills.is_empty() {
        let _ = writeln!(out, "\n{TRILLS}\n  {}", trills.join("\n  "));
    }
    let forced = words.forced_changes();
    if !forced.is_empty() {
        let _ = writeln!(out, "\nCannot be avoided\n  {}", forced.join("\n  "));
    }
    let hard = words.hard_changes();
    if !hard.is_empty() {
        let _ = writeln!(out, "\n{HARDEST}");
        push_columns(&mut out, &hard);
    }
    for doubt in words.doubts() {
        let _ = writeln!(out, "\n{doubt}");
    }
    out
}

const NOTHING_TO_SETTLE: &str =
    "No fingering needs to be settled ahead: the ordinary ones will do.";
const TRILLS: &str = "Trills, with the note above in the key";
const HARDEST: &str = "Hardest changes, and up to where each should go cleanly (an estimate)";

/// The same as a piece of a page.
pub fn html(line: &Line, chart: &Chart, plan: &Plan) -> Markup {
    let words = Words { line, chart, plan };
    let rows = |head: [&str; 4], rows: &[[String; 4]]| {
        html! {
            table class="words" {
                thead { tr { @for cell in head { th scope="col" { (cell) } } } }
                tbody { @for row in rows { tr { @for cell in row { td { (cell) } } } } }
            }
        }
    };
    let (choices, trills, forced, hard) = (
        words.choices(false),
        words.trills(),
        words.forced_changes(),
        words.hard_changes(),
    );
    html! {
        section {
            h2 { "Settle before playing" }
            @if choices.is_empty() {
                p { (NOTHING_TO_SETTLE) }
            } @else {
                (rows(["Place", "Note", "Fingering", "Why"], &choices))
            }
        }
        @if !trills.is_empty() {
            section {
                h2 { (TRILLS) }
                ul { @for trill in &trills { li { (trill) } } }
            }
        }
        @if !forced.is_empty() {
            section {
                h2 { "Cannot be avoided" }
                ul { @for change in &forced { li { (change) } } }
            }
        }
        @if !hard.is_empty() {
            section {
                h2 { (HARDEST) }
                (rows(["Place", "Change", "Up to", "What is hard"], &hard))
            }
        }
        @for doubt in words.doubts() { p { (doubt) } }
    }
}

/// What is said of one line's plan.
pub struct Words<'a> {
    pub line: &'a Line,
    pub chart: &'a Chart,
    pub plan: &'a Plan,
}

impl Words<'_> {
    fn note_json(&self, i: usize) -> NoteJson<'_> {
        let (written, note) = (&self.line.notes[i], &self.plan.notes[i]);
        let fingering = fingering(self.chart, note);
        let names = |keys| self.chart.names_of(keys);
        NoteJson {
            index: i,
            bar: &written.bar,
            pass: written.pass,
            beat: written.beat,
            written: written.written.to_string(),
            fingering: fingering.map(|f| f.name.as_str()),
            mark: fingering.map(|f| f.mark.as_str()).filter(|m| !m.is_empty()),
            keys: fingering.map_or_else(Vec::new, |f| names(f.keys)),
            held: note.hold.map_or_else(Vec::new, |h| names(h.held)),
            choice: note.choice,
            confidence: fingering.map(|f| f.confidence),
            source: fingering.map_or(&[], |f| &f.source),
            reason: self.reason(i),
            second: note.second.map(|s| SecondJson {
                fingering: &self.chart.fingerings[s.fingering].name,
                extra_cost: s.extra_cost_ms,
            }),
            trill: self.trill(i).map(|(above, fingering)| TrillJson {
                written: above.to_string(),
                fingering: &fingering.name,
                keys: names(fingering.keys),
            }),
        }
    }

    /// The note that the trill on note `i` goes to, and how it is fingered.
    fn trill(&self, i: usize) -> Option<(Spelling, &Fingering)> {
        let above = trilled_to(self.line, &self.line.notes[i])?;
        Some((above, &self.chart.fingerings[self.plan.notes[i].trill?]))
    }

    /// Trills: place, note, fingering of the note above.
    fn trills(&self) -> Vec<String> {
        let told = |i: usize| {
            let (above, with) = self.trill(i)?;
            let (note, hold) = (&self.line.notes[i], &self.plan.notes[i]);
            let from = fingering(self.chart, hold).map_or("", |f| &f.name);
            let place = self.place(i);
            Some(format!(
                "{place}: {} ({from}) with {above} ({})",
                note.written, with.name
            ))
        };
        (0..self.plan.notes.len()).filter_map(told).collect()
    }

    /// Why note `i` is fingered as it is, in a phrase.
    pub fn reason(&self, i: usize) -> String {
        let side = |beside: usize| if beside > i { "next" } else { "before" };
        let name = |beside: usize| self.line.notes[beside].written.to_string();
        match &self.plan.notes[i].reason {
            Reason::OutOfChart => "the chart has no fingering for it".into(),
            Reason::Only => "the only way".into(),
            Reason::Pinned => "settled by you".into(),
            Reason::Habit => "your habit".into(),
            Reason::Avoids { beside, flip } => {
                let there = &self.plan.notes[*beside];
                let hand = fingering(self.chart, there)
                    .map_or("", |f| f.name.split(' ').next().unwrap_or_default());
                let (name, side) = (name(*beside), side(*beside));
                match (hand, there.choice) {
                    ("left" | "right", false) => format!("{name} {side} is {hand} only"),
                    ("left" | "right", true) => {
                        let root = self.root(i, *beside).map_or_else(String::new, |root| {
                            format!(", for {}", self.line.notes[root].written)
                        });
                        format!("{name} {side} goes {hand}{root}")
                    }
                    _ if *flip => format!("or a finger would jump between keys at {name} {side}"),
                    _ => format!("or a little finger would slide at {name} {side}"),
                }
            }
            Reason::NoEscape { beside } => format!(
                "a finger has to change keys at {} {} whichever is taken",
                name(*beside),
                side(*beside)
            ),
            Reason::SideBeforeBreak { beside } => format!(
                "{} {} wants the right index finger on its hole",
                name(*beside),
                side(*beside)
            ),
            Reason::FewerMove { beside, fingers } => {
                let way = if *beside > i { "to" } else { "from" };
                match &fingers[..] {
                    [] => format!("nothing moves {way} {}", name(*beside)),
                    [only] => format!(
                        "only the {} moves {way} {}",
                        self.chart.fingers[*only].name,
                        name(*beside)
                    ),
                    _ => format!("easier {way} {}", name(*beside)),
                }
            }
            Reason::FurtherOn => "what comes further on hangs on it".into(),
            Reason::Ordinary => "ordinary choice".into(),
        }
    }

    /// The note with one fingering only that a chain of little fingers, from note `i` over the one
    /// beside, hangs on.
    fn root(&self, i: usize, beside: usize) -> Option<usize> {
        let (mut last, mut at) = (i, beside);
        loop {
            match self.plan.notes[at].reason {
                Reason::Only => return Some(at),
                // Onward only: a chain that turns back has no root there.
                Reason::Avoids { beside: on, .. } if (on > at) == (at > last) => {
                    (last, at) = (at, on);
                }
                _ => return None,
            }
        }
    }

    fn fingers(&self, bits: u32) -> String {
        let names: Vec<&str> = (0..self.chart.fingers.len())
            .filter(|f| bits & (1 << f) != 0)
            .map(|f| self.chart.fingers[f].name.as_str())
            .collect();
        format!("the {}", names.join(" and the "))
    }

    /// What is hard in a change, worst first.
    pub fn change(&self, change: &Change) -> String {
        let mut parts = Vec::new();
        if change.flips != 0 {
            parts.push(format!("{} jumps between keys", self.fingers(change.flips)));
        }
        if change.slides != 0 {
            parts.push(format!("{} slides", self.fingers(change.slides)));
        }
        if change.side_before_break {
            parts.push("off a side key over the break".into());
        } else if change.unprepared {
            parts.push("over the break with the right hand not down yet".into());
        }
        let count =
            |n: u32, way: &str| format!("{n} finger{} {way}", if n == 1 { "" } else { "s" });
        match (change.rising, change.falling) {
            (0, 0) => {}
            (0, n) => parts.push(count(n, "down together")),
            (n, 0) => parts.push(count(n, "up together")),
            (up, down) => parts.push(format!(
                "{} against {}",
                count(up, "up"),
                count(down, "down")
            )),
        }
        if change.rolls > 0 {
            parts.push("a finger rolls to the key beside".into());
        }
        parts.join("; ")
    }

    fn forced(&self, from: usize, change: &Change) -> String {
        let mut parts = Vec::new();
        if change.flips != 0 {
            parts.push(format!("{} has to jump", self.fingers(change.flips)));
        }
        if change.slides != 0 {
            parts.push(format!("{} has to slide", self.fingers(change.slides)));
        }
        format!(
            "{} between {} and {}: no fingering of this chart avoids it",
            parts.join(", "),
            self.line.notes[from].written,
            self.line.notes[from + 1].written
        )
    }

    fn place(&self, i: usize) -> String {
        let note = &self.line.notes[i];
        let pass = match note.pass {
            0 | 1 => String::new(),
            n => format!(" (time {n})"),
        };
        format!("bar {}{pass}, beat {}", note.bar, beat(note.beat))
    }

    /// Notes whose fingering is settled ahead: place, note, fingering, why.
    fn choices(&self, all: bool) -> Vec<[String; 4]> {
        let told = |note: &NotePlan| note.choice && (all || worth_marking(self.chart, note));
        let row = |(i, note): (usize, &NotePlan)| {
            let name = fingering(self.chart, note).map_or("", |f| &f.name);
            let second = note.second.map_or_else(String::new, |s| {
                let other = &self.chart.fingerings[s.fingering].name;
                match s.extra_cost_ms >= AWKWARD_MS {
                    true => format!("; else {other}, with a slide"),
                    false => format!("; else {other}, +{:.0} ms", s.extra_cost_ms),
                }
            });
            [
                self.place(i),
                self.line.notes[i].written.to_string(),
                name.into(),
                format!("{}{second}", self.reason(i)),
            ]
        };
        let notes = self.plan.notes.iter().enumerate();
        notes.filter(|(_, note)| told(note)).map(row).collect()
    }

    /// Changes with a slide or jump that nothing avoids.
    fn forced_changes(&self) -> Vec<String> {
        let told = |f: &ForcedChange| {
            format!("{}: {}", self.place(f.from), self.forced(f.from, &f.change))
        };
        self.plan.forced.iter().map(told).collect()
    }

    /// The hardest changes: place, notes, tempo limit, why.
    fn hard_changes(&self) -> Vec<[String; 4]> {
        let unit = self.line.tempo.map_or(
            self.line.bars.first().map_or(1.0, |b| b.beat_quarters),
            |t| t.beat_quarters,
        );
        let row = |h: &HardChange| {
            let (from, to) = (&self.line.notes[h.from], &self.line.notes[h.from + 1]);
            [
                self.place(h.from),
                format!("{} {}", from.written, to.written),
                h.tempo_limit_bpm.map_or_else(
                    || "grace note".into(),
                    |bpm| format!("{} = {bpm:.0}", super::text::beat_name(unit)),
                ),
                self.change(&h.weighed.change),
            ]
        };
        self.plan.hard.iter().map(row).collect()
    }

    /// Fingerings that are not sure, and notes without one.
    fn doubts(&self) -> Vec<String> {
        let mut low: Vec<String> = Vec::new();
        let mut none: Vec<String> = Vec::new();
        for (written, note) in self.line.notes.iter().zip(&self.plan.notes) {
            let name = written.written.to_string();
            let list = match fingering(self.chart, note) {
                None => &mut none,
                Some(f) if f.confidence == Confidence::Low => &mut low,
                Some(_) => continue,
            };
            if !list.contains(&name) {
                list.push(name);
            }
        }
        let mut doubts = Vec::new();
        if !low.is_empty() {
            doubts.push(format!(
                "Not sure, since instruments differ: {}. Ask a player of yours.",
                low.join(", ")
            ));
        }
        if !none.is_empty() {
            doubts.push(format!("Not in the chart: {}.", none.join(", ")));
        }
        doubts
    }
}

/// A beat without needless places: 1, 2.5, 1.333.
fn beat(beat: f64) -> String {
    let text = format!("{beat:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Rows of four, the first three in columns.
fn push_columns(out: &mut String, rows: &[[String; 4]]) {
    let width = |c: usize| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0);
    let widths = [width(0), width(1), width(2)];
    for [a, b, c, d] in rows {
        let _ = writeln!(
            out,
            "  {a:w0$}  {b:w1$}  {c:w2$}  {d}",
            w0 = widths[0],
            w1 = widths[1],
            w2 = widths[2]
        );
    }
}
