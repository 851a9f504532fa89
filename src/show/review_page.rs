//! A review as a page with plots.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use plotters::prelude::*;

use super::review::{changes_in_words, group_name, heading, summary};
use super::text::beat_name;
use crate::line::Line;
use crate::progress::Review;
use crate::progress::review::Day;

/// Size of a plot in the page, CSS pixels.
const PLOT_PIXELS: (u32, u32) = (760, 230);
/// Ink of the plots.
const INK: RGBColor = RGBColor(40, 60, 90);

/// The review as one page; nothing is loaded from elsewhere.
pub fn html(line: &Line, review: &Review) -> String {
    let plots = plots(review);
    let inline = |at: usize| PreEscaped(plots[at].svg.clone());
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (heading(review)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (heading(review)) }
                (content(line, review, &inline))
            }
        }
    }
    .into_string()
}

/// What stands under the heading, for a page of one's own; `picture` puts the plot of this
/// position in [`plots`].
pub fn content(line: &Line, review: &Review, picture: &dyn Fn(usize) -> Markup) -> Markup {
    let beat = beat_name(review.reached.beat_quarters);
    html! {
        dl { @for (label, words) in summary(review) { dt { (label) } dd { (words) } } }
        @for comparison in [&review.recent, &review.since_the_start].into_iter().flatten() {
            h2 { (group_name(&comparison.now)) " against " (group_name(&comparison.then)) }
            @let rows = changes_in_words(line, comparison, &beat);
            @if rows.is_empty() { p { "No change beyond the errors." } }
            ul { @for (verdict, words) in rows { li { b { (verdict) } " " (words) } } }
        }
        @let plots = plots(review);
        @if !plots.is_empty() {
            h2 { "Day by day" }
            @for (at, plot) in plots.iter().enumerate() {
                figure tabindex="0" { figcaption { (plot.caption) } (picture(at)) }
            }
        }
        @if let Some(comparison) = review.since_the_start.as_ref().or(review.recent.as_ref()) {
            h2 { "Bar by bar" }
            p { (group_name(&comparison.then)) " → " (group_name(&comparison.now)) }
            div.wide tabindex="0" role="region" aria-label="Bar by bar" { table {
                thead { tr { @for name in ["bar", "right, %", "spread, ms", "tempo when clean", "fastest clean"] { th scope="col" { (name) } } } }
                tbody { @for bar in &comparison.bars { tr {
                    th scope="row" { (bar.bar) }
                    @for (difference, scale) in bar.differences().into_iter().zip([100.0, 1.0, 1.0]) {
                        td { (cell(difference, scale)) }
                    }
                    td { @if let Some(Some(bpm)) = review.reached.bars_bpm.get(bar.at) { (format!("{bpm:.0}")) } }
                } } }
            } }
        }
    }
}

/// A picture of the days of practice.
pub struct Plot {
    pub caption: String,
    pub svg: String,
}

/// What is known of more than one day, day by day, each with its error.
pub fn plots(review: &Review) -> Vec<Plot> {
    let beat = beat_name(review.reached.beat_quarters);
    let all = [
        (
            "Notes right, with their 95 % interval".to_string(),
            "%".to_string(),
            days(review, |d| {
                Some((
                    100.0 * d.accuracy?,
                    100.0 * d.accuracy_low?,
                    100.0 * d.accuracy_high?,
                ))
            }),
        ),
        (
            "Spread of runs, with two standard errors".into(),
            "ms".into(),
            days(review, |d| {
                let (ms, two) = (d.evenness_ms?, 2.0 * d.evenness_se_ms?);
                Some((ms, (ms - two).max(0.0), ms + two))
            }),
        ),
        (
            format!("Tempo, {beat} a minute"),
            format!("{beat} a minute"),
            days(review, |d| d.tempo_bpm.map(|bpm| (bpm, bpm, bpm))),
        ),
    ];
    let dates: Vec<&str> = review.days.iter().map(|d| d.day.as_str()).collect();
    all.into_iter()
        .filter(|(_, _, points)| points.len() > 1)
        .map(|(caption, unit, points)| Plot {
            svg: plot(&points, &dates, &unit, &caption),
            caption,
        })
        .collect()
}

fn cell(difference: &crate::progress::compare::Difference, scale: f64) -> String {
    use crate::progress::Verdict;
    let one = |e: Option<crate::progress::compare::Estimate>| {
        e.map_or("–".into(), |e| {
            format!("{:.0} ± {:.0}", scale * e.value, scale * e.se)
        })
    };
    let word = match difference.verdict {
        Verdict::Better => ", better",
        Verdict::Worse => ", worse",
        Verdict::CannotTell => "",
    };
    format!("{} → {}{word}", one(difference.then), one(difference.now))
}

/// Position of the day, value, low end, high end.
type Point = (usize, f64, f64, f64);

fn days(review: &Review, of: impl Fn(&Day) -> Option<(f64, f64, f64)>) -> Vec<Point> {
    review
        .days
        .iter()
        .enumerate()
        .filter_map(|(i, day)| of(day).map(|(value, low, high)| (i, value, low, high)))
        .collect()
}

/// An SVG of points with error bars. Drawing into text has nothing that can fail but ours.
fn plot(points: &[Point], dates: &[&str], unit: &str, caption: &str) -> String {
    let mut svg = String::new();
    if draw(points, dates, unit, &mut svg).is_err() {
        return String::new();
    }
    let said: Vec<String> = points
        .iter()
        .map(|p| format!("{} {:.0}", dates[p.0], p.1))
        .collect();
    let name = super::text_for_xml(&format!("{caption}: {} {unit}", said.join(", ")));
    svg.replacen(
        "<svg ",
        &format!("<svg class=\"plot\" role=\"img\" aria-label=\"{name}\" "),
        1,
    )
}

fn draw(
    points: &[Point],
    dates: &[&str],
    unit: &str,
    svg: &mut String,
) -> Result<(), Box<dyn std::error::Error>> {
    /// Dates that stand beside each other without touching.
    const DATES_SHOWN: usize = 6;
    let low = points.iter().map(|p| p.2).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|p| p.3).fold(f64::NEG_INFINITY, f64::max);
    let room = (0.1 * (high - low)).max(0.5);
    let last = dates.len().saturating_sub(1);
    let step = dates.len().div_ceil(DATES_SHOWN);
    let area = SVGBackend::with_string(svg, PLOT_PIXELS).into_drawing_area();
    let mut chart = ChartBuilder::on(&area)
        .margin(8)
        .x_label_area_size(38)
        .y_label_area_size(64)
        .build_cartesian_2d(-0.5..last as f64 + 0.5, low - room..high + room)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .x_desc("day of practice")
        .y_desc(unit)
        // One at every day; those between are left blank.
        .x_labels(dates.len().max(2))
        .y_labels(6)
        .x_label_formatter(&|x| {
            let day = x.round();
            let shown = (x - day).abs() < 1e-6 && day >= 0.0 && (day as usize).is_multiple_of(step);
            let date = dates.get(day as usize).filter(|_| shown);
            date.map_or(String::new(), |date| (*date).to_string())
        })
        .y_label_formatter(&|y| format!("{y:.0}"))
        .label_style(("sans-serif", 13))
        .axis_desc_style(("sans-serif", 13))
        .draw()?;
    chart.draw_series(LineSeries::new(
        points.iter().map(|p| (p.0 as f64, p.1)),
        INK.mix(0.5),
    ))?;
    chart.draw_series(points.iter().map(|(day, _, low, high)| {
        PathElement::new(vec![(*day as f64, *low), (*day as f64, *high)], INK)
    }))?;
    chart.draw_series(
        points
            .iter()
            .map(|p| Circle::new((p.0 as f64, p.1), 3, INK.filled())),
    )?;
    area.present()?;
    Ok(())
}

const STYLE: &str = "body{font:16px/1.5 Georgia,serif;max-width:46rem;margin:2rem auto;padding:0 1rem;color:#222;background:#fffdf8}\
h1{font-size:1.4rem}h2{font-size:1.1rem;margin-top:2rem}dt{float:left;clear:left;width:7rem;font-weight:bold}dd{margin-left:7rem}\
figure{margin:1rem 0}figcaption{font-style:italic}svg{max-width:100%;height:auto}.wide{overflow-x:auto}\
table{border-collapse:collapse;font-variant-numeric:tabular-nums}th,td{padding:.15rem .6rem;text-align:right;border-bottom:1px solid #d8d2c4;font-weight:normal;white-space:nowrap}\
thead th{border-bottom:2px solid #888}";
