//! The library beside the stand: takes are kept in it, and the line's history comes out of it.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use axum::extract::{Path, Query, State};
use axum::routing::get;
use axum::{Json, Router};
use serde_json::{Value, json};

use super::lines::described_line;
use super::refusal::Refusal;
use super::server::Page;
use super::store::{Choice, Report};
use super::takes::keep_elsewhere;
use crate::keep::{History, KeepError, KeptTake, Library, TakeFilter, TakeId};
use crate::show::{self, review};

/// Opened when it is first needed, and then one question at a time.
pub struct Archive {
    folder: Option<PathBuf>,
    open: Mutex<Option<Library>>,
}

impl Archive {
    /// In this folder; in the platform's own where `None`.
    pub fn new(folder: Option<PathBuf>) -> Archive {
        Archive {
            folder,
            open: Mutex::new(None),
        }
    }

    pub fn ask<T>(
        &self,
        question: impl FnOnce(&mut Library) -> Result<T, KeepError>,
    ) -> Result<T, KeepError> {
        // Transactions are whole or not at all, so that a panic elsewhere spoils nothing.
        let mut open = self.open.lock().unwrap_or_else(|e| e.into_inner());
        if open.is_none() {
            *open = Some(match &self.folder {
                Some(folder) => Library::open(folder)?,
                None => Library::open(&Library::default_dir()?)?,
            });
        }
        question(open.as_mut().expect("it was just opened"))
    }
}

pub fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route("/api/lines/{line}/history", get(history))
        .route("/api/kept/{take}", get(kept))
}

/// Runs what reads disk and database off the threads that serve.
async fn apart<T: Send + 'static>(
    what: impl FnOnce() -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    tokio::task::spawn_blocking(what)
        .await
        .map_err(Refusal::failed)?
}

/// The kept takes of a line, newest first, and what they show over the days.
async fn history(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
    Query(choice): Query<Choice>,
) -> Result<Json<Value>, Refusal> {
    let line = page.store.line(number)?.read(&choice)?;
    let told = apart(move || {
        let found = page.archive.ask(|library| {
            let Some(etude) = library.etude_of(&line)? else {
                return Ok(None);
            };
            let takes = library.takes(TakeFilter {
                etude: Some(etude),
                player: None,
            })?;
            Ok(Some((takes, library.history(etude, None)?)))
        });
        found.map_err(Refusal::unusable)
    });
    Ok(Json(match told.await? {
        None => json!({ "takes": [] }),
        Some((takes, history)) => told_history(&takes, &history),
    }))
}

fn told_history(takes: &[KeptTake], history: &History) -> Value {
    let told = history.review();
    let plots = review::plots(&told);
    let picture = |at: usize| maud::PreEscaped(plots[at].svg.clone());
    let rows: Vec<Value> = takes.iter().rev().map(told_take).collect();
    json!({
        "heading": review::heading(&told),
        "takes": rows,
        "review": review::content(&history.line, &told, &picture).into_string(),
    })
}

fn told_take(take: &KeptTake) -> Value {
    let sum = |of: fn(&crate::progress::BarFigures) -> usize| {
        take.figures.bars.iter().map(of).sum::<usize>()
    };
    json!({
        "id": take.id,
        "played": take.played_local.replace('T', " "),
        "player": take.player,
        "bars": take.said.bars,
        "right": sum(|bar| bar.right),
        "judged": sum(|bar| bar.judged()),
        "added": sum(|bar| bar.added),
        "tempo_bpm": take.figures.tempo_bpm,
    })
}

/// A kept take on the stand again: its line, its report and its sound, as after a check.
async fn kept(
    State(page): State<Arc<Page>>,
    Path(number): Path<i64>,
) -> Result<Json<Value>, Refusal> {
    apart(move || {
        let id = TakeId(number);
        let (line, check, recording, name) = page
            .archive
            .ask(|library| {
                let takes = library.takes(TakeFilter::default())?;
                let take = takes.iter().find(|take| take.id == id);
                let take = take.ok_or(KeepError::NoSuchTake(id))?;
                let name = format!("take {id}, {}", take.played_local.replace('T', " "));
                Ok((
                    library.line(take.line_id)?,
                    library.check(id)?,
                    library.recording(id)?,
                    name,
                ))
            })
            .map_err(Refusal::unusable)?;
        let number = keep_elsewhere(&page.store, recording, &name)?;
        let take = page.store.take(number)?.described(number);
        let written: Value =
            serde_json::from_str(&show::json::check(&check)).expect("the check was just written");
        let line_written = described_line(&line);
        let report = page.store.put_report(Report {
            line,
            edition: None,
            check,
        });
        Ok(Json(json!({
            "event": "report",
            "report": report,
            "take": take,
            "remarks": [],
            "line": line_written,
            "check": written,
        })))
    })
    .await
}
