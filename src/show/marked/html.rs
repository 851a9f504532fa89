//! Engraved parts in HTML files that need nothing else; for a take with plots and findings in words.

use std::collections::BTreeMap;
use std::fmt::Write;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::sheet::{Sheet, counts, defs, title_of};
use super::{EngraveError, Options, Part};
use crate::judge::Check;
use crate::line::{Line, instruments};
use crate::show::plots;
use crate::show::words::{number, plus_minus};

/// A take's marked part with everything that was found.
pub fn of_take(part: &Part, check: &Check, options: &Options) -> Result<String, EngraveError> {
    let title = format!("{}, marked", title_of(part.line));
    Ok(document(&title, content(part, check, options)?))
}

/// What stands on it, for a page of one's own that has [`STYLE`].
pub fn content(part: &Part, check: &Check, options: &Options) -> Result<Markup, EngraveError> {
    let sheet = part.engrave(options)?;
    let line = part.line;
    Ok(html! {
        (head(line, check, &title_of(line)))
        (systems(&sheet))
        (findings(check))
        (figures(line, check))
        (tuning_table(check))
        (how_to_read())
    })
}

/// A part engraved as `sheet`, and what is said of it.
pub fn of_part(part: &Part, sheet: &Sheet, more: &Markup) -> String {
    let title = title_of(part.line);
    let label = instruments::find(&part.line.instrument).map_or("", |i| i.label);
    document(
        &format!("{title}, {}", sheet.with),
        html! {
            header {
                h1 { (title) }
                p class="under" { (label) }
                @for paragraph in &part.under_title { p { (paragraph) } }
            }
            (systems(sheet))
            (more)
        },
    )
}

/// A whole file that needs nothing else.
pub fn document(title: &str, body: Markup) -> String {
    let document = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(PAGE_STYLE)) (PreEscaped(STYLE)) }
            }
            body { main { (body) } }
        }
    };
    document.into_string()
}

fn head(line: &Line, check: &Check, title: &str) -> Markup {
    let label = instruments::find(&line.instrument).map_or("", |i| i.label);
    let s = &check.summary;
    html! {
        header {
            h1 { (title) }
            p class="under" { (label) }
            p {
                (counts(check))
                @if let (Some(accuracy), Some(low), Some(high)) =
                    (s.note_accuracy, s.note_accuracy_low, s.note_accuracy_high)
                {
                    ". Of the notes that could be told " (percent(accuracy)) " right ("
                    (percent(low)) " to " (percent(high)) " with 95 % certainty)"
                }
                ". Tuning: A4 = " (format!("{:.1}", check.tuning.a4_hz)) " Hz ("
                (plus_minus(Some(check.tuning.a4_hz_se), 1)) ")."
            }
            @if !check.take.warnings.is_empty() {
                ul class="warnings" {
                    @for warning in &check.take.warnings { li { (warning) } }
                }
            }
        }
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// One picture a system, so that paper of any height breaks between them; before them what they
/// share.
pub fn systems(sheet: &Sheet) -> Markup {
    html! {
        section aria-label="The marked part" {
            (glyphs([sheet]))
            (pictures(sheet))
        }
    }
}

/// What the pictures of these sheets share; stands once in a page.
pub fn glyphs<'a>(sheets: impl IntoIterator<Item = &'a Sheet>) -> Markup {
    let all: BTreeMap<String, String> = sheets
        .into_iter()
        .flat_map(|sheet| sheet.glyphs.clone())
        .collect();
    PreEscaped(format!(
        "<svg class=\"glyphs\" width=\"0\" height=\"0\" aria-hidden=\"true\">{}</svg>",
        defs(&all)
    ))
}

/// The systems of a sheet, one picture each.
pub fn pictures(sheet: &Sheet) -> Markup {
    let mut pictures = String::new();
    for block in &sheet.blocks {
        let (first, last) = &block.bars;
        let bars = match first == last {
            true => format!("Bar {first}"),
            false => format!("Bars {first} to {last}"),
        };
        let _ = write!(
            pictures,
            "<svg class=\"system\" viewBox=\"0 0 {:.0} {:.0}\" role=\"group\" aria-label=\"{}\">{}</svg>",
            sheet.width,
            block.height,
            crate::show::text_for_xml(&format!("{bars}, {}", sheet.with)),
            block.svg
        );
    }
    PreEscaped(pictures)
}

fn findings(check: &Check) -> Markup {
    html! {
        section {
            h2 { "What to work on" }
            @if check.findings.is_empty() {
                p { (crate::show::text::nothing(check)) }
            } @else {
                ol {
                    @for finding in &check.findings { li { (finding.text) } }
                }
            }
        }
    }
}

fn figures(line: &Line, check: &Check) -> Markup {
    let tempo = &check.tempo;
    html! {
        section {
            h2 { "Over the bars" }
            figure {
                figcaption {
                    "Tempo"
                    @if let (Some(start), Some(end)) = (tempo.start_bpm, tempo.end_bpm) {
                        ": " (number(start.round())) " (" (plus_minus(tempo.start_bpm_se, 1)) ") at the start, "
                        (number(end.round())) " (" (plus_minus(tempo.end_bpm_se, 1)) ") at the end, beats a minute. The band is two standard errors."
                    }
                }
                (PreEscaped(plots::tempo_curve(line, check)))
            }
            figure {
                figcaption { "Evenness of each run: filled is uneven, open even, a thin line cannot be told. The short rule is half of what listeners notice; the upright one two standard errors." }
                (PreEscaped(plots::evenness(line, check)))
            }
            figure {
                figcaption { "Tuning of each note against the take's own A4, sharp upwards, with two standard errors." }
                (PreEscaped(plots::tuning(line, check)))
            }
        }
    }
}

fn tuning_table(check: &Check) -> Markup {
    html! {
        @if !check.tuning.by_note.is_empty() {
            section {
                h2 { "Tuning by written note" }
                table {
                    thead { tr { th scope="col" { "Note" } th scope="col" { "Cents" } th scope="col" { "Give or take" } th scope="col" { "Times" } } }
                    tbody {
                        @for note in &check.tuning.by_note {
                            tr {
                                th scope="row" { (note.written) }
                                td { (signed(note.cents)) }
                                td { (plus_minus(Some(note.cents_se), 0)) }
                                td { (note.n_notes) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// `+3`, `−3`, `0`.
fn signed(cents: f64) -> String {
    match cents.round() as i64 {
        0 => "0".into(),
        n if n < 0 => format!("\u{2212}{}", -n),
        n => format!("+{n}"),
    }
}

fn how_to_read() -> Markup {
    html! {
        section class="key" {
            h2 { "The marks" }
            p {
                "A ring round a note: another note was heard, its name stands above. A dotted ring: the note did not sound. "
                "A caret below: a note too many, with its name. A query: the sound does not settle it. "
                "Small arrows: sharp or flat. A wavy line: uneven, by so many milliseconds; the arrow below points at the note. "
                "A long arrow: the tempo pushes on or drags back. A numbered hook: the playing went back. "
                "In the strip below each system a stroke up is late, down early; inside the shaded band nobody notices, and thick strokes are beyond it for certain."
            }
        }
    }
}

const PAGE_STYLE: &str = "
:root{color-scheme:light}
body{margin:0;background:#fff;color:#161616;font:16px/1.45 'Liberation Sans',Arial,Helvetica,sans-serif}
main{max-width:60rem;margin:0 auto;padding:1rem}
h1{font-size:1.6rem;margin:.2rem 0;text-align:center}
h2{font-size:1.15rem;margin:1.4rem 0 .4rem}
@media print{main{max-width:none;padding:0}}
";

/// What the content needs; on paper 15 mm margins and no system cut in two.
pub const STYLE: &str = "
.under{text-align:center;margin:.1rem 0 .6rem}
svg.glyphs{position:absolute}
svg.system{display:block;width:100%;height:auto;margin:0 0 1.1rem;break-inside:avoid}
svg.plot{display:block;width:100%;height:auto}
figure{margin:.6rem 0 1rem;break-inside:avoid}
figcaption{font-size:.92rem;margin-bottom:.2rem}
li{margin:.25rem 0;break-inside:avoid}
table{border-collapse:collapse;break-inside:avoid}
th,td{text-align:right;padding:.1rem .7rem;border-bottom:1px solid #999;font-weight:normal}
table.words th,table.words td{text-align:left;vertical-align:top}
.key{font-size:.92rem;break-inside:avoid}
@page{margin:15mm}
@media print{body{font-size:11pt}h2{break-after:avoid}}
";
