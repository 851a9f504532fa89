//! Takes over days as text with small plots, CSV and JSON; the page is in `review_page`.

use std::fmt::Write;

use super::class::{change_name, harmless};
pub use super::review_page::{content, html, plots};
use super::text::{Layout, beat_name};
use crate::line::Line;
use crate::progress::compare::{BarComparison, Difference};
use crate::progress::review::Day;
use crate::progress::{Comparison, Measure, Review, Verdict};

/// Steps of a small plot, lowest first.
const STEPS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Days a small plot shows, the last ones.
const PLOT_DAYS: usize = 30;

pub fn json(review: &Review) -> String {
    let mut text = serde_json::to_string_pretty(review).expect("a review has a JSON form");
    text.push('\n');
    text
}

/// The review as a player reads it.
pub fn text(line: &Line, review: &Review, layout: Layout) -> String {
    let mut out = format!("{}\n", heading(review));
    if let Some(last) = review.days.last() {
        out.push('\n');
        small_plots(&mut out, review, last);
    }
    let beat = beat_name(review.reached.beat_quarters);
    for (comparison, said) in [
        (&review.recent, "against"),
        (&review.since_the_start, "since"),
    ] {
        if let Some(comparison) = comparison {
            let _ = writeln!(
                out,
                "\n{} {said} {}",
                group_name(&comparison.now),
                group_name(&comparison.then)
            );
            let rows = changes_in_words(line, comparison, &beat);
            if rows.is_empty() {
                out.push_str("  no change beyond the errors\n");
            }
            for (verdict, words) in rows {
                let _ = writeln!(out, "  {verdict:<7} {words}");
            }
        }
    }
    if layout.all
        && let Some(comparison) = review.recent.as_ref()
    {
        out.push('\n');
        out.push_str(&bars_text(comparison));
    }
    out.push('\n');
    for (label, words) in summary(review) {
        let _ = writeln!(out, "{label:<10}{words}");
    }
    out
}

/// Two takes, or any two groups, bar by bar.
pub fn comparison_text(line: &Line, comparison: &Comparison, beat_quarters: f64) -> String {
    let mut out = format!(
        "{} against {}\n\n",
        group_name(&comparison.now),
        group_name(&comparison.then)
    );
    out.push_str(&bars_text(comparison));
    out.push('\n');
    let rows = changes_in_words(line, comparison, &beat_name(beat_quarters));
    if rows.is_empty() {
        out.push_str("no change beyond the errors\n");
    }
    for (verdict, words) in rows {
        let _ = writeln!(out, "{verdict:<7} {words}");
    }
    out
}

fn bars_text(comparison: &Comparison) -> String {
    let mut out = format!(
        "{:>5}  {:<19}{:<23}{:<21}\n",
        "bar", "right, %", "spread, ms", "tempo when clean"
    );
    let cell = |difference: &Difference, scale: f64| {
        let one = |e: &Option<crate::progress::compare::Estimate>| {
            e.map_or("-".into(), |e| {
                format!("{:.0}±{:.0}", scale * e.value, scale * e.se)
            })
        };
        let sign = match difference.verdict {
            Verdict::Better => " better",
            Verdict::Worse => " worse",
            Verdict::CannotTell => "",
        };
        format!("{} → {}{sign}", one(&difference.then), one(&difference.now))
    };
    for bar in &comparison.bars {
        let _ = writeln!(
            out,
            "{:>5}  {:<19}{:<23}{:<21}",
            bar.bar,
            cell(&bar.accuracy, 100.0),
            cell(&bar.evenness, 1.0),
            cell(&bar.clean_tempo, 1.0)
        );
    }
    out
}

pub fn heading(review: &Review) -> String {
    let title = if review.title.is_empty() {
        "no title"
    } else {
        &review.title
    };
    let mut text = format!("{title} - {}", counted(review.takes, "take"));
    if let (Some(first), Some(last)) = (review.days.first(), review.days.last()) {
        let _ = match review.days.len() {
            1 => write!(text, " on {}", first.day),
            n => write!(text, " on {n} days, {} to {}", first.day, last.day),
        };
    }
    text
}

fn small_plots(out: &mut String, review: &Review, last: &Day) {
    let beat = beat_name(review.reached.beat_quarters);
    let shown = &review.days[review.days.len().saturating_sub(PLOT_DAYS)..];
    let mut row = |label: &str, of: fn(&Day) -> Option<f64>, words: Option<String>| {
        if let Some(words) = words {
            let plot = small_plot(shown.iter().map(of));
            let _ = writeln!(out, "{label:<10}{plot}  {words}");
        }
    };
    row(
        "right",
        |day| day.accuracy,
        last.accuracy
            .zip(last.accuracy_low.zip(last.accuracy_high))
            .map(|(share, (low, high))| {
                format!(
                    "{:.0} % ({:.0} to {:.0})",
                    100.0 * share,
                    100.0 * low,
                    100.0 * high
                )
            }),
    );
    row(
        "spread",
        |day| day.evenness_ms,
        last.evenness_ms
            .zip(last.evenness_se_ms)
            .map(|(ms, se)| format!("{ms:.1} ms (±{se:.1})")),
    );
    row(
        "tempo",
        |day| day.tempo_bpm,
        last.tempo_bpm.map(|bpm| format!("{beat} = {bpm:.0}")),
    );
}

/// A row of blocks from the lowest value to the highest; a gap where there is none.
fn small_plot(values: impl Iterator<Item = Option<f64>>) -> String {
    let values: Vec<Option<f64>> = values.collect();
    let known = || values.iter().flatten().copied();
    let (low, high) = (
        known().fold(f64::INFINITY, f64::min),
        known().fold(f64::NEG_INFINITY, f64::max),
    );
    values
        .iter()
        .map(|value| match value {
            None => ' ',
            Some(_) if high - low < 1e-9 => STEPS[3],
            Some(value) => STEPS[(((value - low) / (high - low)) * 7.0).round() as usize],
        })
        .collect()
}

/// What is called a change, worst tidings last.
pub(super) fn changes_in_words(
    line: &Line,
    comparison: &Comparison,
    beat: &str,
) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    for wanted in [Verdict::Better, Verdict::Worse] {
        let label = verdict_word(wanted);
        for bar in &comparison.bars {
            for difference in bar.differences() {
                if difference.verdict == wanted
                    && let Some(words) = difference_in_words(difference, beat)
                {
                    rows.push((label, format!("bar {}: {words}", bar.bar)));
                }
            }
        }
        for change in &comparison.finger_changes {
            if change.excess_ms.verdict == wanted
                && let Some(words) = difference_in_words(&change.excess_ms, beat)
            {
                let name = change_name(line, change.from, change.to);
                rows.push((label, format!("{name}: {words}")));
            }
        }
    }
    rows
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Better => "better",
        Verdict::Worse => "worse",
        Verdict::CannotTell => "cannot tell",
    }
}

fn difference_in_words(difference: &Difference, beat: &str) -> Option<String> {
    let (then, now) = (difference.then?, difference.now?);
    let (what, scale, unit) = match difference.measure {
        Measure::Accuracy => ("right", 100.0, "%"),
        Measure::Evenness => ("spread", 1.0, "ms"),
        Measure::CleanTempo => ("clean at", 1.0, ""),
        Measure::FingerChange => ("beyond the pace", 1.0, "ms"),
    };
    let decimals = usize::from(unit == "ms");
    let value = |e: crate::progress::compare::Estimate| {
        format!(
            "{:.decimals$} (±{:.decimals$})",
            scale * e.value,
            scale * e.se
        )
    };
    let unit = if difference.measure == Measure::CleanTempo {
        format!("{beat} = ")
    } else {
        String::new()
    } + &format!("{} to {} {unit}", value(then), value(now));
    Some(format!("{what} {}", unit.trim_end()))
}

pub(super) fn group_name(group: &crate::progress::compare::Group) -> String {
    let takes = match group.takes.as_slice() {
        [one] => format!("take {one}"),
        takes => counted(takes.len(), "take"),
    };
    if group.first_day == group.last_day {
        format!("{}, {takes},", group.first_day)
    } else {
        format!("{} to {}, {takes},", group.first_day, group.last_day)
    }
    .trim_end_matches(',')
    .into()
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// Which bar improved, which did not, and how far the tempo has come.
pub(super) fn summary(review: &Review) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    if !review.improved.is_empty() {
        rows.push(("improved", bars_named(&review.improved)));
    } else if review.recent.is_some() {
        rows.push((
            "improved",
            "nothing yet that is beyond chance; more takes show smaller changes".into(),
        ));
    }
    if let Some(bar) = &review.not_improved {
        let now = review
            .since_the_start
            .as_ref()
            .or(review.recent.as_ref())
            .and_then(|c| c.bars.iter().find(|b| b.bar == *bar))
            .map_or(String::new(), still);
        rows.push(("not yet", format!("bar {bar}{now}")));
    }
    let reached = &review.reached;
    let beat = beat_name(reached.beat_quarters);
    let clean = match reached.whole_line_bpm {
        Some(bpm) => format!("clean from beginning to end at {beat} = {bpm:.0}"),
        None => "not yet clean from beginning to end".into(),
    };
    let slowest = reached
        .bars_bpm
        .iter()
        .zip(&review.bars)
        .filter_map(|(bpm, bar)| Some(((*bpm)?, bar)))
        .min_by(|a, b| a.0.total_cmp(&b.0));
    // Of a line that was clean as a whole, no bar holds it back.
    let slowest = slowest.filter(|_| reached.whole_line_bpm.is_none());
    let holds = slowest.map_or(String::new(), |(bpm, bar)| {
        format!("; bar {bar} was clean at {bpm:.0} at the most")
    });
    rows.push(("reached", format!("{clean}{holds}")));
    if let Some(goal) = reached.goal {
        let name = beat_name(goal.beat_quarters);
        let there = reached.whole_line_bpm.is_some_and(|bpm| {
            bpm * reached.beat_quarters >= goal.bpm * goal.beat_quarters * (1.0 - 1e-3)
        });
        let word = if there { ", reached" } else { "" };
        rows.push(("goal", format!("{name} = {:.0}{word}", goal.bpm)));
    }
    rows
}

fn still(bar: &BarComparison) -> String {
    let right = bar.accuracy.now.filter(|now| now.value < 1.0);
    match (right, bar.evenness.now) {
        (Some(now), _) => format!(
            ": {:.0} % (±{:.0}) of its notes right",
            100.0 * now.value,
            100.0 * now.se
        ),
        (None, Some(now)) => format!(": spread {:.0} ms (±{:.0})", now.value, now.se),
        _ => String::new(),
    }
}

fn bars_named(bars: &[String]) -> String {
    match bars {
        [] => String::new(),
        [one] => format!("bar {one}"),
        [rest @ .., last] => format!("bars {} and {last}", rest.join(", ")),
    }
}

/// Every difference as a row.
pub fn csv(line: &Line, review: &Review) -> String {
    let fault = "text is written into memory";
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer
        .write_record([
            "compared",
            "then_first",
            "then_last",
            "now_first",
            "now_last",
            "place",
            "measure",
            "then",
            "then_se",
            "then_takes",
            "now",
            "now_se",
            "now_takes",
            "change",
            "change_se",
            "p",
            "verdict",
        ])
        .expect(fault);
    for (name, comparison) in [
        ("recent", &review.recent),
        ("since_the_start", &review.since_the_start),
    ] {
        let Some(comparison) = comparison else {
            continue;
        };
        let bars = comparison
            .bars
            .iter()
            .flat_map(|bar| bar.differences().map(|d| (format!("bar {}", bar.bar), d)));
        let changes = comparison
            .finger_changes
            .iter()
            .map(|c| (change_name(line, c.from, c.to), &c.excess_ms));
        for (place, difference) in bars.chain(changes) {
            let number = |v: Option<f64>| v.map_or(String::new(), |v| format!("{v:.4}"));
            let count = |e: &Option<crate::progress::compare::Estimate>| {
                e.map_or(String::new(), |e| e.takes.to_string())
            };
            let measure = match difference.measure {
                Measure::Accuracy => "share_right",
                Measure::Evenness => "deviation_sd_ms",
                Measure::CleanTempo => "clean_tempo_bpm",
                Measure::FingerChange => "excess_ms",
            };
            writer
                .write_record([
                    name.into(),
                    comparison.then.first_day.clone(),
                    comparison.then.last_day.clone(),
                    comparison.now.first_day.clone(),
                    comparison.now.last_day.clone(),
                    harmless(&place),
                    measure.into(),
                    number(difference.then.map(|e| e.value)),
                    number(difference.then.map(|e| e.se)),
                    count(&difference.then),
                    number(difference.now.map(|e| e.value)),
                    number(difference.now.map(|e| e.se)),
                    count(&difference.now),
                    number(difference.change),
                    number(difference.change_se),
                    number(Some(difference.p)),
                    verdict_word(difference.verdict).replace(' ', "_"),
                ])
                .expect(fault);
        }
    }
    String::from_utf8(writer.into_inner().expect(fault)).expect("text goes in as UTF-8")
}
