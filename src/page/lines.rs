//! Lines: in as files, out as JSON and as sound.

use std::sync::Arc;

use axum::Json;
use axum::Router;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::StatusCode;
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::{Value, json};

use super::line_sound;
use super::refusal::Refusal;
use super::server::Page;
use super::store::{Choice, LineFile, Sound};
use super::takes::{shown_name, write_wav};
use crate::judge::ClickOptions;
use crate::line::Line;
use crate::line::read::{LineError, kind_of};
use crate::show;

/// The largest score of one étude is some hundred kilobytes; an orchestra's still fits.
const LINE_BYTES_MAX: usize = 16 << 20;

/// A line without tempo mark or click is played at this many quarters a minute.
const QUARTERS_PER_MINUTE: f64 = 60.0;

pub fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route(
            "/api/lines",
            post(put).layer(DefaultBodyLimit::max(LINE_BYTES_MAX)),
        )
        .route("/api/lines/{line}", get(read))
        .route("/api/lines/{line}/sound", post(sound))
}

#[derive(Deserialize)]
pub struct Named {
    pub name: String,
}

/// Takes a file in; the answer is the line as `passagework.line/1` with the file's number.
async fn put(
    State(page): State<Arc<Page>>,
    Query(named): Query<Named>,
    content: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Refusal> {
    let content = content.map_err(|e| match e.status() {
        StatusCode::PAYLOAD_TOO_LARGE => Refusal(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!(
                "A line may have {} megabytes: choose the étude alone.",
                LINE_BYTES_MAX >> 20
            ),
        ),
        _ => Refusal::unusable(e),
    })?;
    take_in(&page, &named.name, content.to_vec(), &Choice::default()).map(Json)
}

/// Also for the line named on the command line.
pub fn take_in(
    page: &Page,
    name: &str,
    content: Vec<u8>,
    choice: &Choice,
) -> Result<Value, Refusal> {
    let name = shown_name(name);
    let extension = name.rsplit_once('.').map_or("", |(_, extension)| extension);
    let Some(kind) = kind_of(&content, extension) else {
        return Err(Refusal::unusable(LineError::UnknownKind { path: name }));
    };
    let file = LineFile {
        name,
        kind,
        content,
    };
    let line = file.read(choice)?;
    let name = file.name.clone();
    let number = page.store.put_line(file);
    Ok(described(number, &name, &line))
}

async fn read(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
    Query(choice): Query<Choice>,
) -> Result<Json<Value>, Refusal> {
    let file = page.store.line(number)?;
    let line = file.read(&choice)?;
    Ok(Json(described(number, &file.name, &line)))
}

fn described(number: u64, name: &str, line: &Line) -> Value {
    json!({ "number": number, "name": name, "line": described_line(line) })
}

/// As `passagework.line/1`.
pub fn described_line(line: &Line) -> Value {
    serde_json::from_str(&show::line::json(line)).expect("the line was just written")
}

/// At which tempo a line is to sound: the report's, else the click's, else the line's own.
#[derive(Deserialize)]
struct SoundWanted {
    #[serde(default)]
    choice: Choice,
    report: Option<u64>,
    click: Option<String>,
}

/// Renders the line; the answer is the number of the sound, where each note begins in it, and
/// the tempo.
async fn sound(
    State(page): State<Arc<Page>>,
    Path(number): Path<u64>,
    Json(wanted): Json<SoundWanted>,
) -> Result<Json<Value>, Refusal> {
    let report = wanted.report.map(|r| page.store.report(r)).transpose()?;
    // A kept take may have been played from an older version of the line.
    let line = match &report {
        Some(report) => report.line.clone(),
        None => page.store.line(number)?.read(&wanted.choice)?,
    };
    let click = match wanted.click.as_deref().filter(|c| !c.trim().is_empty()) {
        Some(text) => Some(ClickOptions::parse(text).map_err(Refusal::unusable)?),
        None => None,
    };
    let of_take = report.as_ref().and_then(|r| {
        let tempo = &r.check.tempo;
        Some(tempo.mean_bpm? * tempo.beat_quarters)
    });
    let quarters_per_minute = of_take
        .or(click.map(|c| c.bpm * c.beat_quarters))
        .or(line.tempo.map(|t| t.bpm * t.beat_quarters))
        .unwrap_or(QUARTERS_PER_MINUTE)
        .clamp(10.0, 600.0);
    let a4_hz = report.map_or(440.0, |r| r.check.tuning.a4_hz);
    let (number, path) = page.store.place(".wav");
    let onsets_s = line_sound::onsets_s(&line, quarters_per_minute);
    tokio::task::spawn_blocking(move || {
        let samples = line_sound::samples(&line, quarters_per_minute, a4_hz);
        write_wav(&path, line_sound::SAMPLE_RATE_HZ, &samples)?;
        page.store.put_sound(number, Sound { path });
        Ok::<(), hound::Error>(())
    })
    .await
    .map_err(Refusal::failed)?
    .map_err(Refusal::failed)?;
    Ok(Json(json!({
        "sound": number,
        "onsets_s": onsets_s,
        "quarters_per_minute": quarters_per_minute,
    })))
}
