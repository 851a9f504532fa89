//! Plots for people: tempo, evenness and tuning over the bars, as SVG, all on the same axis.

use std::ops::Range;

use plotters::prelude::*;

use crate::judge::{Check, Verdict};
use crate::line::Line;

/// Size of every plot, in pixels of the screen; they scale with the page.
const SIZE: (u32, u32) = (760, 230);
/// Room for the numbers of the vertical axis: the same in all, so that bars stand under bars.
const LEFT: u32 = 64;
const INK: RGBColor = RGBColor(0x22, 0x22, 0x22);
const GREY: RGBColor = RGBColor(0x6a, 0x6a, 0x6a);
const BLUE: RGBColor = RGBColor(0x1d, 0x4f, 0x91);

/// Tempo over the bars, in beats a minute, with two standard errors as a band.
pub fn tempo_curve(line: &Line, check: &Check) -> String {
    let points: Vec<(f64, f64, f64)> = check
        .tempo
        .curve
        .iter()
        .filter_map(|p| Some((place(line, p.index)?, p.bpm, p.se)))
        .collect();
    let name = format!(
        "Tempo over the bars, {} a minute",
        beat_name(check.tempo.beat_quarters)
    );
    let range = around(
        points
            .iter()
            .flat_map(|p| [p.1 - 2.0 * p.2, p.1 + 2.0 * p.2]),
        4.0,
    );
    plot(line, &name, "beats a minute", range, |chart| {
        // Tries at the same place are strokes of their own.
        for stretch in points.chunk_by(|a, b| b.0 >= a.0) {
            let upper = stretch.iter().map(|p| (p.0, p.1 + 2.0 * p.2));
            let lower = stretch.iter().rev().map(|p| (p.0, p.1 - 2.0 * p.2));
            let band: Vec<(f64, f64)> = upper.chain(lower).collect();
            chart.draw_series([Polygon::new(band, BLUE.mix(0.15))])?;
            let curve = stretch.iter().map(|p| (p.0, p.1));
            chart.draw_series(LineSeries::new(curve, BLUE.stroke_width(2)))?;
        }
        Ok(())
    })
}

/// Every run's unevenness in ms, a bar over its place with two standard errors; a run is filled
/// where it is uneven, open where even, and a thin line where it cannot be told.
pub fn evenness(line: &Line, check: &Check) -> String {
    let name = "Unevenness of each run in ms: filled uneven, open even, a line where it cannot be told; short rules are half of what is noticed";
    let highest = check
        .runs
        .iter()
        .map(|r| (r.deviation_sd_ms + 2.0 * r.deviation_sd_se_ms).max(r.threshold_ms))
        .fold(10.0, f64::max);
    plot(line, name, "ms", 0.0..1.1 * highest, |chart| {
        for run in &check.runs {
            let (Some(from), Some(to)) =
                (place(line, run.first_index), place(line, run.last_index))
            else {
                continue;
            };
            let (from, to) = (from.min(to), to.max(from + 0.05));
            let sd = run.deviation_sd_ms;
            let style = match run.verdict {
                Verdict::Uneven => BLUE.filled(),
                Verdict::Even => BLUE.stroke_width(2),
                Verdict::CannotTell => GREY.stroke_width(1),
            };
            let floor = if run.verdict == Verdict::CannotTell {
                sd
            } else {
                0.0
            };
            chart.draw_series([Rectangle::new([(from, floor), (to, sd)], style)])?;
            let half = run.threshold_ms / 2.0;
            chart.draw_series([PathElement::new(
                [(from, half), (to, half)],
                INK.stroke_width(1),
            )])?;
            let (middle, two) = ((from + to) / 2.0, 2.0 * run.deviation_sd_se_ms);
            let error = [(middle, (sd - two).max(0.0)), (middle, sd + two)];
            chart.draw_series([PathElement::new(error, INK.stroke_width(1))])?;
        }
        Ok(())
    })
}

/// How far each note sat from the take's own tuning, in cents, sharp upwards.
pub fn tuning(line: &Line, check: &Check) -> String {
    let points: Vec<(f64, f64, f64)> = check
        .notes
        .iter()
        .filter_map(|n| Some((place(line, n.index)?, n.cents?, n.cents_se.unwrap_or(0.0))))
        .collect();
    let name = format!(
        "Tuning of each note in cents from A4 = {:.1} Hz, sharp upwards",
        check.tuning.a4_hz
    );
    let range = around(points.iter().map(|p| p.1), 25.0);
    let widest = range.start.abs().max(range.end.abs()).min(60.0);
    plot(line, &name, "cents", -widest..widest, |chart| {
        let end = line.bars.len().max(1) as f64;
        chart.draw_series([PathElement::new(
            [(0.0, 0.0), (end, 0.0)],
            GREY.stroke_width(1),
        )])?;
        for &(x, cents, se) in &points {
            let shown = cents.clamp(-widest, widest);
            let (low, high) = (
                (cents - 2.0 * se).clamp(-widest, widest),
                (cents + 2.0 * se).clamp(-widest, widest),
            );
            chart.draw_series([PathElement::new(
                [(x, low), (x, high)],
                GREY.stroke_width(1),
            )])?;
            chart.draw_series([Circle::new((x, shown), 3, INK.filled())])?;
        }
        Ok(())
    })
}

/// Where a note stands on the axis of bars, in playing order: 2.5 is the middle of the third bar.
fn place(line: &Line, index: usize) -> Option<f64> {
    let note = line.notes.get(index)?;
    let bar = line.bars.get(note.bar_idx)?;
    let within = (note.onset_quarters - bar.onset_quarters) / bar.length_quarters.max(1e-3);
    Some(note.bar_idx as f64 + within.clamp(0.0, 0.999))
}

/// The range of values with room about it, at least `least` wide.
fn around(values: impl Iterator<Item = f64>, least: f64) -> Range<f64> {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if low > high {
        return 0.0..least;
    }
    let room = (0.08 * (high - low))
        .max((least - (high - low)) / 2.0)
        .max(0.5);
    low - room..high + room
}

type Chart<'a, 'b> = ChartContext<
    'a,
    SVGBackend<'b>,
    Cartesian2d<plotters::coord::types::RangedCoordf64, plotters::coord::types::RangedCoordf64>,
>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

fn plot(
    line: &Line,
    name: &str,
    unit: &str,
    y: Range<f64>,
    draw: impl FnOnce(&mut Chart) -> Drawn,
) -> String {
    let mut svg = String::new();
    // Drawing into text fails only by a range without width, which `around` rules out.
    if draw_plot(line, unit, y, draw, &mut svg).is_err() {
        return String::new();
    }
    let name = super::text_for_xml(name);
    svg.replacen(
        "<svg ",
        &format!("<svg class=\"plot\" role=\"img\" aria-label=\"{name}\" "),
        1,
    )
}

fn draw_plot(
    line: &Line,
    unit: &str,
    y: Range<f64>,
    draw: impl FnOnce(&mut Chart) -> Drawn,
    svg: &mut String,
) -> Drawn {
    let n_bars = line.bars.len().max(1);
    let root = SVGBackend::with_string(svg, SIZE).into_drawing_area();
    let mut chart = ChartBuilder::on(&root)
        .margin(8)
        .set_label_area_size(LabelAreaPosition::Left, LEFT)
        .set_label_area_size(LabelAreaPosition::Bottom, 38)
        .build_cartesian_2d(0.0..n_bars as f64, y)?;
    chart
        .configure_mesh()
        .x_labels(n_bars.min(20) + 1)
        .y_labels(6)
        .x_desc("bar")
        .y_desc(unit)
        .x_label_formatter(&|x| {
            let bar = line.bars.get(x.round() as usize);
            let whole = (x - x.round()).abs() < 1e-6;
            bar.filter(|_| whole)
                .map_or(String::new(), |bar| bar.number.clone())
        })
        .label_style(("sans-serif", 13))
        .axis_desc_style(("sans-serif", 13))
        .axis_style(GREY)
        .bold_line_style(GREY.mix(0.25))
        .light_line_style(TRANSPARENT)
        .draw()?;
    draw(&mut chart)?;
    drop(chart);
    root.present()?;
    Ok(())
}

/// `quarter`, `dotted quarter`, as the beat of a tempo is called.
fn beat_name(beat_quarters: f64) -> &'static str {
    match beat_quarters {
        2.0 => "half notes",
        1.5 => "dotted quarters",
        1.0 => "quarters",
        0.75 => "dotted eighths",
        0.5 => "eighths",
        _ => "beats",
    }
}
