//! A class as text, CSV, JSON and HTML.

use std::fmt::Write;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde::Serialize;

use super::marked;
use super::text::Layout;
use crate::class::{Checked, HardBar, HardChange, Row, RowResult, hard_bars, hard_changes};
use crate::keep::identity::printed_bars;
use crate::line::{Line, Spelling};
use crate::progress::BarFigures;

/// Hard bars and changes that are named.
const HARD_SHOWN: usize = 5;

/// Everything that is shown of a class.
#[derive(Serialize)]
pub struct Class<'a> {
    schema: &'static str,
    pub title: &'a str,
    /// Printed numbers of the bars with notes.
    pub bars: Vec<String>,
    pub rows: &'a [Row],
    pub hard_bars: Vec<HardBar>,
    pub hard_changes: Vec<NamedChange>,
}

/// A finger change in the étude's own spelling.
#[derive(Serialize)]
pub struct NamedChange {
    pub name: String,
    #[serde(flatten)]
    pub change: HardChange,
}

impl<'a> Class<'a> {
    pub fn new(line: &'a Line, rows: &'a [Row]) -> Class<'a> {
        let bars: Vec<String> = printed_bars(line)
            .into_iter()
            .map(|(bar, _)| bar.number)
            .collect();
        Class {
            schema: "passagework.class/1",
            title: &line.title,
            hard_bars: hard_bars(rows, &bars),
            hard_changes: hard_changes(rows)
                .into_iter()
                .map(|change| NamedChange {
                    name: change_name(line, change.from, change.to),
                    change,
                })
                .collect(),
            bars,
            rows,
        }
    }

    fn refused(&self) -> impl Iterator<Item = (&Row, &str)> {
        self.rows.iter().filter_map(|row| match &row.result {
            RowResult::Error(reason) => Some((row, reason.as_str())),
            RowResult::Checked(_) => None,
        })
    }

    /// Takes that were read, but no note of the line told; and why.
    fn untold(&self) -> impl Iterator<Item = (&Row, String)> {
        self.rows.iter().filter_map(|row| {
            let checked = row.checked()?;
            (!is_told(checked)).then(|| (row, why_untold(checked)))
        })
    }

    pub fn heading(&self) -> String {
        let title = if self.title.is_empty() {
            "no title"
        } else {
            self.title
        };
        let refused = self.refused().count();
        let mut text = format!("{title} - {} takes checked", self.rows.len() - refused);
        if refused > 0 {
            let _ = write!(text, ", {refused} could not be");
        }
        text
    }

    /// What the class finds hard, in sentences.
    pub fn hard_in_words(&self) -> Vec<String> {
        let mut said = Vec::new();
        let mut bars: Vec<&HardBar> = self.hard_bars.iter().filter(|b| b.stands_out).collect();
        bars.sort_by_key(|b| std::cmp::Reverse(b.stumbled * 1000 / b.played.max(1)));
        for bar in bars.iter().take(HARD_SHOWN) {
            said.push(format!(
                "bar {}: {} of {} players stumble ({:.0} to {:.0} %)",
                bar.bar,
                bar.stumbled,
                bar.played,
                100.0 * bar.low,
                100.0 * bar.high
            ));
        }
        for named in self.hard_changes.iter().take(HARD_SHOWN) {
            said.push(format!(
                "{}: {:.0} ms (±{:.0}) beyond the pace, over {} players",
                named.name, named.change.excess_ms, named.change.excess_se_ms, named.change.players
            ));
        }
        if said.is_empty() {
            said.push("no bar and no finger change stands out from the rest".into());
        }
        said
    }
}

/// A change between two written pitches, spelled as the étude does.
pub fn change_name(line: &Line, from: i32, to: i32) -> String {
    let spelled = |midi: i32| {
        line.notes
            .iter()
            .map(|n| n.written)
            .find(|written| written.midi() == midi)
            .unwrap_or_else(|| Spelling::of_midi(midi, line.key.fifths))
    };
    format!("{} to {}", spelled(from), spelled(to))
}

/// Notes of a bar that went wrong, with those added.
fn faults(bar: &BarFigures) -> Option<usize> {
    (bar.judged() > 0 || bar.added > 0).then_some(bar.faults + bar.added)
}

pub fn json(class: &Class) -> String {
    let mut text = serde_json::to_string_pretty(class).expect("a class has a JSON form");
    text.push('\n');
    text
}

/// One row a player; a bar's column counts its wrong, missed and added notes.
pub fn text(class: &Class, layout: Layout) -> String {
    let mut out = format!("{}\n\n", class.heading());
    let name_columns = class
        .rows
        .iter()
        .map(|row| row.player.chars().count())
        .max()
        .unwrap_or(0)
        .clamp(6, 24);
    let bar_columns = class
        .bars
        .iter()
        .map(|b| b.chars().count())
        .max()
        .unwrap_or(1)
        + 1;
    let fixed = name_columns + 2 + 14 + 2 + 6;
    let per_table = ((layout.width.max(60) - fixed) / bar_columns).max(4);
    let last = class.bars.len().max(1);
    for first in (0..last).step_by(per_table) {
        let shown = first..(first + per_table).min(class.bars.len());
        let _ = write!(
            out,
            "{:<name_columns$}  {:>14}  {:>4}  ",
            "player", "right", "unsure"
        );
        for bar in &class.bars[shown.clone()] {
            let _ = write!(out, "{bar:>bar_columns$}");
        }
        out.push('\n');
        for row in class.rows {
            let Some(checked) = row.checked() else {
                continue;
            };
            let _ = write!(
                out,
                "{:<name_columns$}  {:>14}  {:>6}",
                cut(&row.player, name_columns),
                right_of(checked),
                checked.summary.unsure
            );
            for bar in &checked.figures.bars[shown.clone()] {
                let cell = match faults(bar) {
                    None => "-".into(),
                    Some(0) => ".".into(),
                    Some(n) => n.to_string(),
                };
                let _ = write!(out, "{cell:>bar_columns$}");
            }
            out.push('\n');
        }
        out.push('\n');
    }
    out.push_str(
        "A bar's number counts wrong, missed and added notes; . is none, - not played.\n\n",
    );
    out.push_str("What the class finds hard\n");
    for said in class.hard_in_words() {
        let _ = writeln!(out, "  {said}");
    }
    if class.untold().next().is_some() {
        let _ = writeln!(out, "\n{UNTOLD}");
        for (row, reason) in class.untold() {
            let _ = writeln!(out, "  {}: {reason}", row.take);
        }
    }
    if class.refused().next().is_some() {
        out.push_str("\nNot checked\n");
        for (row, reason) in class.refused() {
            let _ = writeln!(out, "  {}: {reason}", row.take);
        }
    }
    out
}

/// Above the takes that were read, but no note of the line told.
const UNTOLD: &str = "No note could be judged";

fn is_told(checked: &Checked) -> bool {
    let s = &checked.summary;
    s.right + s.wrong + s.missed > 0
}

fn why_untold(checked: &Checked) -> String {
    match checked.warnings.as_slice() {
        [] => "every note that was reached is unsure".into(),
        warnings => warnings.join("; "),
    }
}

fn right_of(checked: &Checked) -> String {
    let s = &checked.summary;
    if !is_told(checked) {
        return "none told".into();
    }
    format!("{} of {}", s.right, s.right + s.wrong + s.missed)
}

fn cut(text: &str, columns: usize) -> String {
    if text.chars().count() <= columns {
        return text.into();
    }
    let kept: String = text.chars().take(columns - 1).collect();
    format!("{kept}…")
}

/// A table for a spreadsheet; times and counts as plain numbers, unknown as empty.
pub fn csv(class: &Class) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut head: Vec<String> = [
        "player",
        "take",
        "not_checked_because",
        "note_accuracy",
        "note_accuracy_low",
        "note_accuracy_high",
        "right",
        "wrong",
        "missed",
        "added",
        "unsure",
        "not_reached",
        "restarts",
        "tempo_bpm",
        "uneven_runs",
        "even_runs",
        "cannot_tell_runs",
        "worst",
    ]
    .map(String::from)
    .to_vec();
    for bar in &class.bars {
        head.push(format!("bar {bar} faults"));
        head.push(format!("bar {bar} deviation_sd_ms"));
    }
    let fault = "text is written into memory";
    writer.write_record(&head).expect(fault);
    for row in class.rows {
        let mut cells = vec![harmless(&row.player), harmless(&row.take)];
        match &row.result {
            RowResult::Error(reason) => cells.push(harmless(reason)),
            RowResult::Checked(checked) => {
                let s = &checked.summary;
                cells.push(if is_told(checked) {
                    String::new()
                } else {
                    harmless(&why_untold(checked))
                });
                for share in [s.note_accuracy, s.note_accuracy_low, s.note_accuracy_high] {
                    cells.push(share.map_or(String::new(), |v| format!("{v:.4}")));
                }
                for count in [
                    s.right,
                    s.wrong,
                    s.missed,
                    s.added,
                    s.unsure,
                    s.not_reached,
                    s.restarts,
                ] {
                    cells.push(count.to_string());
                }
                let tempo = checked.figures.tempo_bpm;
                cells.push(tempo.map_or(String::new(), |v| format!("{v:.1}")));
                for runs in [checked.uneven_runs, checked.even_runs, checked.unclear_runs] {
                    cells.push(runs.to_string());
                }
                cells.push(harmless(checked.worst.first().map_or("", String::as_str)));
                for bar in &checked.figures.bars {
                    cells.push(faults(bar).map_or(String::new(), |n| n.to_string()));
                    let sd = bar.evenness.map(|e| e.sd_ms());
                    cells.push(sd.map_or(String::new(), |v| format!("{v:.1}")));
                }
            }
        }
        cells.resize(head.len(), String::new());
        writer.write_record(&cells).expect(fault);
    }
    String::from_utf8(writer.into_inner().expect(fault)).expect("text goes in as UTF-8")
}

/// A spreadsheet takes a cell that begins like a formula for one; an apostrophe before it
/// makes it text again (OWASP, "CSV Injection").
pub fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']) {
        format!("'{text}")
    } else {
        text.into()
    }
}

/// The table as a page of its own; `part(n)` is the file that has row n's marked part.
pub fn html(class: &Class, part: &dyn Fn(usize) -> Option<String>) -> String {
    page(
        &class.heading(),
        html! {
            h1 { (class.heading()) }
            (content(class, part))
        },
    )
}

/// What stands under the heading, for a page of one's own.
pub fn content(class: &Class, part: &dyn Fn(usize) -> Option<String>) -> Markup {
    html! {
        h2 { "What the class finds hard" }
        ul { @for said in class.hard_in_words() { li { (said) } } }
        @if class.untold().next().is_some() {
            h2 { (UNTOLD) }
            ul { @for (row, reason) in class.untold() { li { (row.take) ": " (reason) } } }
        }
        @if class.refused().next().is_some() {
            h2 { "Not checked" }
            ul { @for (row, reason) in class.refused() { li { (row.take) ": " (reason) } } }
        }
        h2 { "Players and bars" }
        p { "A bar's number counts wrong, missed and added notes; · is none, – not played." }
        div.wide tabindex="0" role="region" aria-label="Players and bars" { table {
            thead { tr {
                th scope="col" { "player" } th scope="col" { "right" } th scope="col" { "unsure" }
                th scope="col" { "runs uneven" } th scope="col" { "tempo" }
                @for bar in &class.bars { th scope="col" { (bar) } }
            } }
            tbody { @for (n, row) in class.rows.iter().enumerate() { @if let Some(checked) = row.checked() {
                tr {
                    th scope="row" {
                        @match part(n) {
                            Some(file) => a href=(file) { (row.player) },
                            None => (row.player),
                        }
                    }
                    td { (right_of(checked)) }
                    td { (checked.summary.unsure) }
                    td { (checked.uneven_runs) " of " (checked.uneven_runs + checked.even_runs + checked.unclear_runs) }
                    td { @if let Some(bpm) = checked.figures.tempo_bpm { (format!("{bpm:.0}")) } }
                    @for bar in &checked.figures.bars {
                        @match faults(bar) {
                            None => td { "–" },
                            Some(0) => td { "·" },
                            Some(faults) => td.marked { (faults) },
                        }
                    }
                }
            } } }
        } }
    }
}

/// One player's page: the marked part with all that belongs to it (of `marked::content`), or
/// the worst findings in words where there is none.
pub fn player_html(line: &Line, row: &Row, marked: Option<&str>) -> String {
    page(
        &row.player,
        html! {
            p { a href="../index.html" { "all players" } }
            h1 { (row.player) }
            @match (marked, row.checked()) {
                (Some(marked), _) => {
                    style { (PreEscaped(marked::STYLE)) }
                    (PreEscaped(marked))
                }
                (None, Some(checked)) => {
                    p { (line.title) }
                    @if is_told(checked) {
                        p { (right_of(checked)) " notes right, " (checked.summary.unsure) " could not be told" }
                    } @else {
                        p { (UNTOLD) "." }
                    }
                    ul { @for text in &checked.worst { li { (text) } } }
                    @if checked.findings > checked.worst.len() {
                        p { "and " (checked.findings - checked.worst.len()) " more" }
                    }
                    @for warning in &checked.warnings { p { (warning) } }
                }
                (None, None) => {}
            }
        },
    )
}

fn page(title: &str, body: Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    }
    .into_string()
}

/// Ink on paper: rules between rows, a ring round what was marked.
const STYLE: &str = "body{font:16px/1.5 Georgia,serif;max-width:70rem;margin:2rem auto;padding:0 1rem;color:#222;background:#fffdf8}\
h1{font-size:1.4rem}h2{font-size:1.1rem;margin-top:2rem}.wide{overflow-x:auto}\
table{border-collapse:collapse;font-variant-numeric:tabular-nums}th,td{padding:.15rem .5rem;text-align:right;border-bottom:1px solid #d8d2c4;font-weight:normal}\
thead th{border-bottom:2px solid #888}th[scope=row]{text-align:left;white-space:nowrap}td.marked{font-weight:bold;text-decoration:underline}a{color:#1c4e80}";
