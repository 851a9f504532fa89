//! Takes: in as recordings, out as sounds to listen to.

use std::future::poll_fn;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;

use axum::body::{Body, HttpBody};
use axum::extract::{Path as InPath, Query, Request, State};
use axum::http::StatusCode;
use axum::response::Response;
use axum::routing::{get, post};
use axum::{Json, Router};
use serde_json::Value;
use tokio::io::AsyncWriteExt;
use tower_http::services::ServeFile;

use super::lines::Named;
use super::refusal::Refusal;
use super::server::Page;
use super::store::{Sound, Store, TakeFile};
use crate::sound::TakeReader;

/// Half an hour of stereo at 48 kHz and 24 bits; an étude takes a few minutes.
const TAKE_BYTES_MAX: u64 = 512 << 20;

pub fn routes() -> Router<Arc<Page>> {
    Router::new()
        .route("/api/takes", post(put))
        .route("/api/sounds/{sound}", get(listen))
}

/// Takes a recording in, block by block; the answer is its number, its sound's and its length.
async fn put(
    State(page): State<Arc<Page>>,
    Query(named): Query<Named>,
    body: Body,
) -> Result<Json<Value>, Refusal> {
    let (number, path) = page.store.place("");
    let take = TakeFile {
        name: shown_name(&named.name),
        path,
        duration_s: 0.0,
        sound: 0,
        ours: true,
    };
    write_body(&take.path, body).await?;
    tokio::task::spawn_blocking(move || keep(&page.store, number, take))
        .await
        .map_err(Refusal::failed)?
        .map(Json)
}

/// Takes in a recording that stays where it is; its number.
pub fn keep_elsewhere(store: &Store, path: PathBuf, name: &str) -> Result<u64, Refusal> {
    let (number, _) = store.place("");
    let take = TakeFile {
        name: shown_name(name),
        path,
        duration_s: 0.0,
        sound: 0,
        ours: false,
    };
    keep(store, number, take).map(|_| number)
}

/// Makes the sound of a take and keeps both.
fn keep(store: &Store, number: u64, mut take: TakeFile) -> Result<Value, Refusal> {
    let (sound, path) = store.place(".wav");
    take.duration_s = decode(&take.path, &path).map_err(|e| told_as(e, &take))?;
    take.sound = sound;
    store.put_sound(sound, Sound { path });
    let described = take.described(number);
    store.put_take(number, take);
    Ok(described)
}

async fn write_body(path: &Path, mut body: Body) -> Result<(), Refusal> {
    let mut file = tokio::fs::File::create(path)
        .await
        .map_err(Refusal::failed)?;
    let mut n_bytes = 0;
    while let Some(frame) = poll_fn(|cx| Pin::new(&mut body).poll_frame(cx)).await {
        let Ok(data) = frame.map_err(Refusal::unusable)?.into_data() else {
            continue;
        };
        n_bytes += data.len() as u64;
        if n_bytes > TAKE_BYTES_MAX {
            return Err(Refusal(
                StatusCode::PAYLOAD_TOO_LARGE,
                format!(
                    "A take may have {} megabytes: cut it to the étude, or save it as FLAC.",
                    TAKE_BYTES_MAX >> 20
                ),
            ));
        }
        file.write_all(&data).await.map_err(Refusal::failed)?;
    }
    file.flush().await.map_err(Refusal::failed)
}

/// The take as the hearing gets it, as a WAV file: the same clock as every time in the report.
fn decode(take: &Path, to: &Path) -> Result<f64, Box<dyn std::error::Error + Send + Sync>> {
    let mut reader = TakeReader::open(take)?;
    let mut wav = WavFile::create(to, reader.sample_rate_hz())?;
    let mut block = Vec::new();
    while reader.next_block(&mut block) {
        wav.write(&block)?;
    }
    wav.finish()?;
    Ok(reader.info().duration_s)
}

/// The player knows the file by its name, not by its place in our folder.
pub fn told_as(error: impl std::fmt::Display, take: &TakeFile) -> Refusal {
    Refusal::unusable(
        error
            .to_string()
            .replace(&take.path.display().to_string(), &take.name),
    )
}

/// A name from outside, to be shown only: the last piece, without control characters, not long.
pub fn shown_name(name: &str) -> String {
    const N_CHARS_MAX: usize = 100;
    let last = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let shown: String = last
        .chars()
        .filter(|c| !c.is_control())
        .take(N_CHARS_MAX)
        .collect();
    if shown.is_empty() {
        "the file".into()
    } else {
        shown
    }
}

/// A sound, or the piece of it that the browser asks for.
async fn listen(
    State(page): State<Arc<Page>>,
    InPath(number): InPath<u64>,
    request: Request,
) -> Result<Response, Refusal> {
    let sound = page.store.sound(number)?;
    let answer = ServeFile::new(&sound.path).try_call(request).await;
    Ok(answer.map_err(Refusal::failed)?.map(Body::new))
}

/// A 16-bit WAV file of one channel.
pub struct WavFile(hound::WavWriter<std::io::BufWriter<std::fs::File>>);

impl WavFile {
    pub fn create(path: &Path, sample_rate_hz: u32) -> Result<WavFile, hound::Error> {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: sample_rate_hz,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        hound::WavWriter::create(path, spec).map(WavFile)
    }

    /// Full scale is ±1; what lies beyond is cut.
    pub fn write(&mut self, samples: &[f32]) -> Result<(), hound::Error> {
        for sample in samples {
            let sample = (sample.clamp(-1.0, 1.0) * f32::from(i16::MAX)).round() as i16;
            self.0.write_sample(sample)?;
        }
        Ok(())
    }

    pub fn finish(self) -> Result<(), hound::Error> {
        self.0.finalize()
    }
}

pub fn write_wav(path: &Path, sample_rate_hz: u32, samples: &[f32]) -> Result<(), hound::Error> {
    let mut wav = WavFile::create(path, sample_rate_hz)?;
    wav.write(samples)?;
    wav.finish()
}
