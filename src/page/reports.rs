//! Reports, to be taken away.

use std::sync::Arc;

use axum::Router;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::refusal::Refusal;
use super::server::Page;
use crate::show::{
    self,
    marked::{Options, html},
};

pub fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route("/api/reports/{report}/check.json", get(json))
        .route("/api/reports/{report}/marked.html", get(one_page))
}

/// `passagework.check/1`, as `check --json` writes it.
async fn json(State(page): State<Arc<Page>>, Path(number): Path<u64>) -> Result<Response, Refusal> {
    let report = page.store.report(number)?;
    let headers = [
        (CONTENT_TYPE, "application/json"),
        (CONTENT_DISPOSITION, "attachment; filename=\"check.json\""),
    ];
    Ok((headers, show::json::check(&report.check)).into_response())
}

/// The marked part with all that belongs to it as one file, as `check --marked` writes it.
async fn one_page(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
) -> Result<Response, Refusal> {
    let report = page.store.report(number)?;
    let drawn = tokio::task::spawn_blocking(move || {
        html::of_take(&report.part(), &report.check, &Options::default())
    });
    let file = drawn
        .await
        .map_err(Refusal::failed)?
        .map_err(Refusal::unusable)?;
    let headers = [
        (CONTENT_TYPE, "text/html; charset=utf-8"),
        (CONTENT_DISPOSITION, "attachment; filename=\"marked.html\""),
    ];
    Ok((headers, file).into_response())
}
