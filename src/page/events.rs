//! The one stream of events between page and program, a websocket: the page asks, the program
//! tells, one JSON object a message.

use std::sync::Arc;

use axum::Router;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use axum::routing::get;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use super::refusal::{Refusal, sentence};
use super::server::Page;
use super::store::{Choice, Report};
use super::takes::told_as;
use crate::pipeline::check_file_told;
use crate::said::Said;
use crate::show;

/// What the page asks is some hundred bytes.
const MESSAGE_BYTES_MAX: usize = 16 << 10;
/// How much more of a take must have been heard before it is said again.
const TOLD_SHARE: f64 = 0.01;

pub fn routes() -> Router<Arc<Page>> {
    Router::new().route("/api/events", get(upgrade))
}

async fn upgrade(State(page): State<Arc<Page>>, socket: WebSocketUpgrade) -> Response {
    socket
        .max_message_size(MESSAGE_BYTES_MAX)
        .on_upgrade(move |socket| converse(socket, page))
}

/// What the page may ask.
#[derive(Deserialize)]
#[serde(tag = "do", rename_all = "snake_case")]
enum Asked {
    /// Hold a take against a line.
    Check(Job),
}

/// A line as it is to be read, and what was said of the take.
#[derive(Clone, Deserialize)]
struct Job {
    line: u64,
    #[serde(default)]
    choice: Choice,
    take: u64,
    bars: Option<String>,
    rhythm: Option<String>,
    click: Option<String>,
}

impl Job {
    fn said(&self) -> Said {
        let said = |text: &Option<String>| text.clone().filter(|t| !t.trim().is_empty());
        Said {
            bars: said(&self.bars),
            rhythm: said(&self.rhythm),
            click: said(&self.click),
            click_at_s: None,
        }
    }
}

/// Where events go; one that nobody waits for any more is dropped.
type Told = UnboundedSender<Value>;

async fn converse(mut socket: WebSocket, page: Arc<Page>) {
    let (told, mut events) = unbounded_channel::<Value>();
    loop {
        tokio::select! {
            message = socket.recv() => match message {
                Some(Ok(Message::Text(text))) => answer(&text, &page, &told),
                Some(Ok(Message::Close(_)) | Err(_)) | None => break,
                Some(Ok(_)) => {}
            },
            Some(event) = events.recv() => {
                if socket.send(Message::Text(event.to_string().into())).await.is_err() {
                    break;
                }
            }
        }
    }
}

fn answer(text: &str, page: &Arc<Page>, told: &Told) {
    match serde_json::from_str(text) {
        Ok(Asked::Check(job)) => {
            let (page, told) = (page.clone(), told.clone());
            tokio::spawn(async move {
                // One take at a time: two would only make both late.
                let _turn = page.turn.lock().await;
                let done = {
                    let (page, told) = (page.clone(), told.clone());
                    tokio::task::spawn_blocking(move || check(&page, &job, &told)).await
                };
                match done {
                    Ok(Ok(())) => {}
                    Ok(Err(Refusal(_, text))) => refused(&told, &text),
                    Err(e) => refused(&told, &e.to_string()),
                }
            });
        }
        Err(e) => refused(told, &format!("this was not understood: {e}")),
    }
}

fn refused(told: &Told, text: &str) {
    tell(told, json!({ "event": "refused", "text": sentence(text) }));
}

fn tell(told: &Told, event: Value) {
    // The page may have been closed meanwhile.
    let _ = told.send(event);
}

fn check(page: &Page, job: &Job, told: &Told) -> Result<(), Refusal> {
    let line_file = page.store.line(job.line)?;
    let take = page.store.take(job.take)?;
    let line = line_file.read(&job.choice)?;
    let options = job.said().options(&line).map_err(Refusal::unusable)?;
    let mut said_share = 0.0;
    let check = check_file_told(&line, &take.path, &options, &mut |share| {
        if share >= said_share + TOLD_SHARE {
            said_share = share;
            tell(told, json!({ "event": "hearing", "share": share }));
        }
    })
    .map_err(|e| told_as(e, &take))?;
    let written: Value =
        serde_json::from_str(&show::json::check(&check)).expect("the check was just written");
    let report = page.store.put_report(Report { check });
    tell(
        told,
        json!({
            "event": "report",
            "report": report,
            "sound": take.sound,
            "take": take.name,
            "check": written,
        }),
    );
    Ok(())
}
