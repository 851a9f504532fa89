//! Drills, the tempo ladder and today's sheet in words and on pages, and drills as JSON
//! (`passagework.drills/1`).

use std::collections::BTreeMap;
use std::fmt::Write;

use maud::{Markup, html};
use serde::Serialize;

use super::fingers;
use super::marked::{Letters, Part, Sheet, html as pages};
use crate::finger::{Chart, Plan, Wishes, plan};
use crate::line::Line;
use crate::practise::sheet::{Slot, What};
use crate::practise::{Drill, DrillKind, Pass, StartFrom, Step};

/// What is said wherever practice is set: strain and ears, deferring to those who know.
pub const CAUTION: &str = "Stop when it hurts: rest, and let the hands hang. If pain, numbness or tiredness stays, ask your\nteacher, and a clinician who knows musicians. Keep a click in headphones quiet: it adds to the\ninstrument at your ear.\n";

impl DrillKind {
    /// The drill's name, for files and for `--only`.
    pub fn name(self) -> &'static str {
        match self {
            DrillKind::Change => "change",
            DrillKind::ChangeInPlace => "change-in-place",
            DrillKind::LongShort => "long-short",
            DrillKind::ShortLong => "short-long",
            DrillKind::FromStart => "from-start",
            DrillKind::FromEnd => "from-end",
            DrillKind::Seam => "seam",
            DrillKind::Scale => "scale",
            DrillKind::Thirds => "thirds",
            DrillKind::Arpeggio => "arpeggio",
            DrillKind::RegisterSlur => "register-slur",
        }
    }
}

/// A drill with its fingerings and the files it was written to.
pub struct Shown<'a> {
    pub drill: &'a Drill,
    pub fingering: Vec<NoteFingering>,
    /// Kind of file and name.
    pub files: Vec<(&'static str, String)>,
}

/// The fingering of one note of a drill.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoteFingering {
    pub index: usize,
    pub written: String,
    pub fingering: String,
    pub mark: String,
}

/// Fingerings of a drill where there is something to say: those of the étude for notes taken from
/// it, so that the hand learns what it will need there; planned anew for the others. Each note once.
pub fn fingering_of(
    drill: &Drill,
    chart: &Chart,
    etude_plan: &Plan,
    wishes: &Wishes,
) -> Vec<NoteFingering> {
    // Pins are places of the étude and mean nothing in a scale.
    let own = Wishes {
        pins: Vec::new(),
        ..wishes.clone()
    };
    let own_plan = plan(&drill.line, chart, &own).ok();
    let mut told: BTreeMap<i32, usize> = BTreeMap::new();
    let mut all = Vec::new();
    for (index, from) in drill.from.iter().enumerate() {
        let note = match (from, &own_plan) {
            (Some(from), _) => &etude_plan.notes[*from],
            (None, Some(plan)) => &plan.notes[index],
            (None, None) => continue,
        };
        let midi = drill.line.notes[index].written.midi();
        let said = fingers::fingering(chart, note);
        let Some((hold, fingering)) = note.hold.zip(said) else {
            continue;
        };
        let speaks = fingers::worth_marking(chart, note) || (from.is_some() && note.choice);
        if !speaks || fingering.mark.is_empty() || told.get(&midi) == Some(&hold.fingering) {
            continue;
        }
        told.insert(midi, hold.fingering);
        all.push(NoteFingering {
            index,
            written: drill.line.notes[index].written.to_string(),
            fingering: fingering.name.clone(),
            mark: fingering.mark.clone(),
        });
    }
    all
}

/// The drills in words.
pub fn drills_text(etude: &Line, shown: &[Shown]) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "Drills for {}\n", etude.title);
    for (i, s) in shown.iter().enumerate() {
        let _ = writeln!(out, "{:>2}  {}", i + 1, s.drill.line.title);
        for words in instructions(etude, s) {
            let _ = writeln!(out, "    {words}");
        }
        for (_, file) in &s.files {
            let _ = writeln!(out, "    {file}");
        }
        out.push('\n');
    }
    out.push_str(CAUTION);
    out
}

/// What to do, where it is from, with which fingerings, how fast and how often.
fn instructions(etude: &Line, shown: &Shown) -> Vec<String> {
    let drill = shown.drill;
    let mut said = vec![what_to_do(drill.kind).to_string()];
    said.extend(bars(etude, drill).map(|bars| format!("From {bars}.")));
    if !shown.fingering.is_empty() {
        let words: Vec<String> = shown
            .fingering
            .iter()
            .map(|f| format!("{} {}", f.written, f.fingering))
            .collect();
        said.push(format!("Fingering: {}.", words.join(", ")));
    }
    said.push(tempo(drill));
    said
}

/// The drill on paper: its music with fingerings, and what to do under its title.
pub fn part<'a>(etude: &Line, shown: &Shown<'a>) -> Part<'a> {
    let letters = |f: &NoteFingering| Letters {
        mark: f.mark.clone(),
        words: format!("{}: {}", f.written, f.fingering),
    };
    Part {
        fingerings: shown
            .fingering
            .iter()
            .map(|f| (f.index, letters(f)))
            .collect(),
        under_title: instructions(etude, shown),
        ..Part::new(&shown.drill.line)
    }
}

/// Every drill on one page to print, `sheets` engraved from their [`part`]s; before them today's
/// order, where there is one.
pub fn page(etude: &Line, shown: &[Shown], sheets: &[Sheet], slots: &[Slot]) -> String {
    let title = format!("Drills for {}", etude.title);
    let today = |rows: Vec<(u32, u32, String)>| -> Markup {
        html! {
            section {
                h2 { (heading(etude, slots)) }
                table class="words" {
                    thead { tr { th scope="col" { "At" } th scope="col" { "For" } th scope="col" { "What" } } }
                    tbody {
                        @for (at, minutes, what) in rows {
                            tr { td { (at) " min" } td { (minutes) " min" } td { (what) } }
                        }
                    }
                }
                p { (INTERLEAVING) }
            }
        }
    };
    let body = html! {
        header { h1 { (title) } }
        @if !slots.is_empty() { (today(turns(shown, slots))) }
        p { (CAUTION) }
        (pages::glyphs(sheets))
        @for (i, (shown, sheet)) in shown.iter().zip(sheets).enumerate() {
            section {
                h2 { (i + 1) ". " (shown.drill.line.title) }
                @for words in instructions(etude, shown) { p { (words) } }
                (pages::pictures(sheet))
            }
        }
    };
    pages::document(&title, body)
}

/// Printed bars that a drill works on.
fn bars(etude: &Line, drill: &Drill) -> Option<String> {
    let (first, last) = drill.source?;
    let (first, last) = (&etude.notes[first].bar, &etude.notes[last].bar);
    Some(match first == last {
        true => format!("bar {first}"),
        false => format!("bars {first}-{last}"),
    })
}

fn tempo(drill: &Drill) -> String {
    let steps: Vec<String> = drill.steps_qpm.iter().map(|s| format!("{s:.0}")).collect();
    let from = match drill.start_from {
        StartFrom::EvenTake => "the fastest at which it was even in a take",
        StartFrom::UnevenTake => "below the tempo at which it was uneven",
        StartFrom::Plan => "an estimate from the fingers",
    };
    let passes = drill.clean_passes;
    match &steps[..] {
        [only] => format!("quarter = {only}; {passes} clean passes. Start: {from}."),
        _ => format!(
            "quarter = {}; {passes} clean passes before each next step. Start: {from}.",
            steps.join(", ")
        ),
    }
}

/// What the player does with it.
fn what_to_do(kind: DrillKind) -> &'static str {
    match kind {
        DrillKind::Change => {
            "The two notes alone, slow to quick, then from the other one. Fingers close to the keys."
        }
        DrillKind::ChangeInPlace => {
            "The change with the notes beside it: twice as slow, then as written."
        }
        DrillKind::LongShort => "Long-short: rest on the long note, the short one leads on.",
        DrillKind::ShortLong => "Short-long: the other changes become the quick ones.",
        DrillKind::FromStart => "From the start, one note more each time; stop on the last.",
        DrillKind::FromEnd => "From the end, one note more each time; every time the arrival.",
        DrillKind::Seam => "Over the phrase's end without stopping: breathe, and go on in time.",
        DrillKind::Scale => "The key over the range of the étude, spoken as the étude is.",
        DrillKind::Thirds => "The same in thirds.",
        DrillKind::Arpeggio => "The key's chord over the range of the étude.",
        DrillKind::RegisterSlur => {
            "From the low note to the high one and back in one breath; only the register key moves."
        }
    }
}

#[derive(Serialize)]
struct DrillsJson<'a> {
    schema: &'static str,
    title: &'a str,
    caution: String,
    drills: Vec<DrillJson<'a>>,
}

#[derive(Serialize)]
struct DrillJson<'a> {
    kind: DrillKind,
    title: &'a str,
    what: &'static str,
    bar_first: Option<&'a str>,
    bar_last: Option<&'a str>,
    first_index: Option<usize>,
    last_index: Option<usize>,
    beat_quarters: f64,
    start_bpm: Option<f64>,
    goal_bpm: Option<f64>,
    steps_bpm: &'a [f64],
    clean_passes: u32,
    start_from: StartFrom,
    fingering: &'a [NoteFingering],
    files: BTreeMap<&'static str, &'a str>,
}

/// The drills as one JSON object and a line feed.
pub fn drills_json(etude: &Line, shown: &[Shown]) -> String {
    let of = |s: &Shown<'_>| {
        let bar = |i: usize| etude.notes[i].bar.as_str();
        (
            s.drill.source.map(|p| bar(p.0)),
            s.drill.source.map(|p| bar(p.1)),
        )
    };
    let drills = shown
        .iter()
        .map(|s| DrillJson {
            kind: s.drill.kind,
            title: &s.drill.line.title,
            what: what_to_do(s.drill.kind),
            bar_first: of(s).0,
            bar_last: of(s).1,
            first_index: s.drill.source.map(|p| p.0),
            last_index: s.drill.source.map(|p| p.1),
            beat_quarters: 1.0,
            start_bpm: s.drill.steps_qpm.first().copied(),
            goal_bpm: s.drill.steps_qpm.last().copied(),
            steps_bpm: &s.drill.steps_qpm,
            clean_passes: s.drill.clean_passes,
            start_from: s.drill.start_from,
            fingering: &s.fingering,
            files: s.files.iter().map(|(k, f)| (*k, f.as_str())).collect(),
        })
        .collect();
    let json = DrillsJson {
        schema: "passagework.drills/1",
        title: &etude.title,
        caution: CAUTION.replace('\n', " ").trim().into(),
        drills,
    };
    let mut text =
        serde_json::to_string_pretty(&json).expect("drills have only text and finite numbers");
    text.push('\n');
    text
}

/// Why the drills alternate, and how far that is known.
const INTERLEAVING: &str = "The drills alternate every three minutes. In a study of ten clarinettists this came out ahead\nof twelve minutes at a stretch where judges saw a difference (Carter and Grahn 2016); a study of\nyounger players saw none. Try what works for you.\n";

/// Today's sheet in words.
pub fn sheet_text(etude: &Line, shown: &[Shown], slots: &[Slot]) -> String {
    let mut out = format!("{}\n\n", heading(etude, slots));
    for (at, minutes, what) in turns(shown, slots) {
        let _ = writeln!(out, "{at:>4} min  {minutes} min  {what}");
    }
    let _ = write!(out, "\n{INTERLEAVING}{CAUTION}");
    out
}

fn heading(etude: &Line, slots: &[Slot]) -> String {
    let minutes: u32 = slots.iter().map(|s| s.minutes).sum();
    format!("Today, {minutes} minutes: {}", etude.title)
}

/// The turns of a sheet: at which minute, for how many, and what.
fn turns(shown: &[Shown], slots: &[Slot]) -> Vec<(u32, u32, String)> {
    let mut seen = vec![false; shown.len()];
    let mut words = |what: What| match what {
        What::Rest => "Rest. The instrument is put down.".to_string(),
        What::Line => "The line itself, no faster than the drills came clean.".into(),
        What::Drill(i) => {
            let drill = shown[i].drill;
            let start = drill.steps_qpm.first().copied().unwrap_or_default();
            let title = format!("{}. {}", i + 1, drill.line.title);
            match std::mem::replace(&mut seen[i], true) {
                true => format!("{title}, again: go on where you were."),
                false => format!("{title}: quarter = {start:.0}."),
            }
        }
    };
    slots
        .iter()
        .map(|s| (s.start_min, s.minutes, words(s.what)))
        .collect()
}

/// What a pass did on the ladder, in a sentence.
pub fn step_text(number: usize, played_bpm: f64, pass: &Pass, step: &Step) -> String {
    let how = match pass {
        Pass::Clean => "clean".to_string(),
        Pass::Failed(why) => format!("not clean: {why}"),
        Pass::CannotTell(why) => format!("cannot tell: {why}; it counts neither way"),
    };
    let next = match step {
        Step::Again {
            bpm,
            still_wanted: 1,
        } => format!("once more at {bpm:.0}"),
        Step::Again { bpm, still_wanted } => format!("{still_wanted} more clean ones at {bpm:.0}"),
        Step::Up { bpm } => format!("clean often enough: up to {bpm:.0}"),
        Step::Back { bpm } => format!("one step back to {bpm:.0}"),
        Step::Done { bpm } => format!("the goal of {bpm:.0} is reached. Enough for today"),
    };
    format!("pass {number} at {played_bpm:.0}: {how}; {next}.\n")
}
