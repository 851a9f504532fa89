//! The engraved part, with its marks once there is a report, and the plots.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Path, Query, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use serde::Deserialize;

use super::refusal::Refusal;
use super::server::Page;
use super::store::{Choice, Report};
use crate::align::{AlignOptions, align};
use crate::hear::Hearing;
use crate::judge::{Check, JudgeOptions, judge};
use crate::line::Line;
use crate::show::{marked, plots};

/// Paper as wide as a phone and as wide as a large stand, millimetres.
const WIDTH_MM: std::ops::RangeInclusive<f64> = 90.0..=260.0;

pub fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route("/api/lines/{line}/part", get(part))
        .route("/api/reports/{report}/part", get(marked_part))
        .route("/api/reports/{report}/plots/{plot}", get(plot))
}

#[derive(Deserialize)]
struct Paper {
    width_mm: f64,
}

/// The line with no marks.
async fn part(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
    Query(paper): Query<Paper>,
    Query(choice): Query<Choice>,
) -> Result<Html<String>, Refusal> {
    let file = page.store.line(number)?;
    let line = file.read(&choice)?;
    let report = Report {
        edition: file.edition(&choice, &line),
        check: unplayed(&line),
        line,
    };
    draw(paper, Arc::new(report)).await
}

async fn marked_part(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
    Query(paper): Query<Paper>,
) -> Result<Html<String>, Refusal> {
    let report = page.store.report(number)?;
    draw(paper, report).await
}

async fn draw(paper: Paper, report: Arc<Report>) -> Result<Html<String>, Refusal> {
    let options = marked::Options {
        width_mm: paper.width_mm.clamp(*WIDTH_MM.start(), *WIDTH_MM.end()),
        ..marked::Options::default()
    };
    let drawn = tokio::task::spawn_blocking(move || marked::systems(&report.part(), &options));
    let drawn = drawn.await.map_err(Refusal::failed)?;
    drawn.map(Html).map_err(Refusal::unusable)
}

/// What a check says of a line that nobody has played yet: nothing.
pub fn unplayed(line: &Line) -> Check {
    let silence = Hearing::default();
    let alignment = align(line, &silence, &AlignOptions::default());
    let mut check = judge(line, &silence, &alignment, &JudgeOptions::default());
    check.findings.clear();
    check
}

async fn plot(
    State(page): State<Arc<Page>>,
    Path((number, plot)): Path<(u64, String)>,
) -> Result<Response, Refusal> {
    let report = page.store.report(number)?;
    let draw: fn(&Report) -> String = match plot.as_str() {
        "tempo.svg" => |r| plots::tempo_curve(&r.line, &r.check),
        "evenness.svg" => |r| plots::evenness(&r.line, &r.check),
        "tuning.svg" => |r| plots::tuning(&r.line, &r.check),
        _ => return Err(Refusal::gone("picture")),
    };
    let svg = tokio::task::spawn_blocking(move || draw(&report))
        .await
        .map_err(Refusal::failed)?;
    Ok(([(CONTENT_TYPE, "image/svg+xml")], svg).into_response())
}
