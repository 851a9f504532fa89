//! The server: one port of this machine, one token, until it is told to stop.

use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::extract::State;
use axum::routing::{get, post};
use axum::serve::ListenerExt;
use axum::{Json, Router, middleware};
use serde_json::{Value, json};

use super::library::{self, Archive};
use super::refusal::Refusal;
use super::remembered::{self, Remembered};
use super::security::{Guard, guard};
use super::store::{Choice, Store};
use super::{assets, events, lines, pictures, reports, takes};
use crate::line::instruments;
use crate::show::marked;
use crate::sound::{SoundError, TakeReader};

/// Work under way when the server stops is given this long.
const LAST_WORK: Duration = Duration::from_millis(500);

/// What the page begins with.
#[derive(Clone, Debug, Default)]
pub struct PageOptions {
    /// 0: any that is free.
    pub port: u16,
    /// The line already on the stand.
    pub line: Option<PathBuf>,
    pub part: Option<String>,
    pub voice: Option<String>,
    pub tune: Option<u32>,
    pub instrument: Option<String>,
    /// Folder of the library; the platform's own otherwise.
    pub library: Option<PathBuf>,
    /// A recording listened to in place of the microphone.
    pub fed_take: Option<PathBuf>,
    /// Microphone and loudspeaker by name; the system's own otherwise.
    pub input: Option<String>,
    pub output: Option<String>,
}

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    #[error("cannot open {}: {source}", path.display())]
    Line {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("{0}")]
    Unusable(String),
    #[error(transparent)]
    Take(#[from] SoundError),
    #[error(
        "port {port} of this machine cannot be had: {source}; leave --port away, or name another"
    )]
    Port { port: u16, source: std::io::Error },
    #[error("no random numbers for the page's token: {0}")]
    Token(#[from] getrandom::Error),
    #[error("cannot make the folder for what is dropped on the page: {0}")]
    Folder(std::io::Error),
    #[error("the page cannot be served: {0}")]
    Server(#[from] std::io::Error),
}

/// What every request shares.
pub struct Page {
    pub store: Store,
    pub archive: Archive,
    /// Held by the take that is being heard.
    pub turn: tokio::sync::Mutex<()>,
    pub fed_take: Option<PathBuf>,
    pub input: Option<String>,
    pub output: Option<String>,
    remembered: Mutex<Remembered>,
    /// The line named at the start, as the page is told of it.
    first_line: Mutex<Option<Value>>,
}

/// Serves the page until the process is told to stop (Ctrl-C, SIGTERM); `ready` is given its
/// address. What was dropped on the page is gone afterwards.
pub fn serve(options: &PageOptions, ready: impl FnOnce(&str)) -> Result<(), PageError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let folder = tempfile::Builder::new()
        .prefix("passagework-")
        .tempdir()
        .map_err(PageError::Folder)?;
    let page = Arc::new(Page {
        store: Store::new(folder.path().to_path_buf()),
        archive: Archive::new(options.library.clone()),
        turn: tokio::sync::Mutex::new(()),
        fed_take: options.fed_take.clone(),
        input: options.input.clone(),
        output: options.output.clone(),
        remembered: Mutex::new(remembered::recall()),
        first_line: Mutex::new(None),
    });
    first_line(&page, options)?;
    if let Some(take) = &options.fed_take {
        TakeReader::open(take)?;
    }
    let served = runtime.block_on(run(options.port, page, ready));
    runtime.shutdown_timeout(LAST_WORK);
    served
}

fn first_line(page: &Page, options: &PageOptions) -> Result<(), PageError> {
    let Some(path) = &options.line else {
        return Ok(());
    };
    let content = std::fs::read(path).map_err(|source| PageError::Line {
        path: path.clone(),
        source,
    })?;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let choice = Choice {
        part: options.part.clone(),
        voice: options.voice.clone(),
        tune: options.tune,
        instrument: options.instrument.clone(),
    };
    let mut described = lines::take_in(page, &name, content, &choice)
        .map_err(|refusal| PageError::Unusable(refusal.1))?;
    described["choice"] = json!(choice);
    *page.first_line.lock().unwrap_or_else(|e| e.into_inner()) = Some(described);
    Ok(())
}

async fn run(port: u16, page: Arc<Page>, ready: impl FnOnce(&str)) -> Result<(), PageError> {
    let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .await
        .map_err(|source| PageError::Port { port, source })?;
    let keeper = Guard::new(listener.local_addr()?.port())?;
    let inside = Router::new()
        .route("/api/start", get(start))
        .route("/api/remembered", post(remember))
        .merge(lines::routes())
        .merge(takes::routes())
        .merge(pictures::routes())
        .merge(reports::routes())
        .merge(library::routes())
        .merge(events::routes())
        .with_state(page);
    let app = assets::routes(&keeper.prefix())
        .nest(&keeper.prefix(), inside)
        .layer(middleware::from_fn_with_state(keeper.clone(), guard));
    // Events are small and must not wait for the next one (Nagle's algorithm, RFC 896).
    let listener = listener.tap_io(|stream| drop(stream.set_nodelay(true)));
    ready(&keeper.address());
    tokio::select! {
        served = async { axum::serve(listener, app).await } => Ok(served?),
        () = told_to_stop() => Ok(()),
    }
}

/// What the page begins with: the instruments, what was remembered, and the line on the stand.
async fn start(State(page): State<Arc<Page>>) -> Json<Value> {
    let instruments: Vec<Value> = instruments::TABLE
        .iter()
        .map(|i| json!({ "name": i.name, "label": i.label }))
        .collect();
    let remembered = page.remembered.lock().unwrap_or_else(|e| e.into_inner());
    let line = page.first_line.lock().unwrap_or_else(|e| e.into_inner());
    Json(json!({
        "version": env!("CARGO_PKG_VERSION"),
        "can_engrave": marked::CAN_ENGRAVE,
        "instruments": instruments,
        "remembered": *remembered,
        "line": *line,
    }))
}

async fn remember(
    State(page): State<Arc<Page>>,
    Json(what): Json<Remembered>,
) -> Result<Json<Value>, Refusal> {
    what.check().map_err(Refusal::unusable)?;
    remembered::remember(&what).map_err(|e| {
        Refusal::failed(format!("instrument and tempo could not be remembered: {e}"))
    })?;
    *page.remembered.lock().unwrap_or_else(|e| e.into_inner()) = what;
    Ok(Json(json!({})))
}

async fn told_to_stop() {
    let interrupted = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut ended) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = interrupted => {}
                _ = ended.recv() => {}
            }
            return;
        }
    }
    let _ = interrupted.await;
}
