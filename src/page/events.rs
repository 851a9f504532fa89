//! The one stream of events between page and program, a websocket: the page asks, the program
//! tells, one JSON object a message.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use axum::Router;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use axum::routing::get;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use super::live::listen;
use super::refusal::{Refusal, sentence};
use super::server::Page;
use super::store::{Choice, Report};
use super::takes::{keep_listened, told_as};
use crate::line::Line;
use crate::pipeline::{TakeOptions, check_file_told};
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
    /// Listen to a take while it is played, then check it.
    Listen(Job),
    /// End the listening.
    Stop,
}

/// A line as it is to be read, and what was said of the take.
#[derive(Clone, Deserialize)]
struct Job {
    line: u64,
    #[serde(default)]
    choice: Choice,
    /// The take to be checked; none to listen to.
    take: Option<u64>,
    bars: Option<String>,
    rhythm: Option<String>,
    click: Option<String>,
    #[serde(default)]
    count_in_bars: usize,
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

/// The side of the program: where events go, and how the listening is ended.
#[derive(Clone)]
struct Desk {
    page: Arc<Page>,
    told: UnboundedSender<String>,
    stop: Arc<AtomicBool>,
}

async fn converse(mut socket: WebSocket, page: Arc<Page>) {
    let (told, mut events) = unbounded_channel();
    let desk = Desk {
        page,
        told,
        stop: Arc::default(),
    };
    loop {
        tokio::select! {
            message = socket.recv() => match message {
                Some(Ok(Message::Text(text))) => desk.answer(&text),
                Some(Ok(Message::Close(_)) | Err(_)) | None => break,
                Some(Ok(_)) => {}
            },
            Some(event) = events.recv() => {
                if socket.send(Message::Text(event.into())).await.is_err() {
                    break;
                }
            }
        }
    }
    // Nobody looks any more: the microphone is let go, what was taken is kept.
    desk.stop.store(true, Ordering::Relaxed);
}

impl Desk {
    fn answer(&self, text: &str) {
        match serde_json::from_str(text) {
            Ok(Asked::Check(job)) => self.work(move |desk| desk.check(&job)),
            Ok(Asked::Listen(job)) => {
                self.stop.store(false, Ordering::Relaxed);
                self.work(move |desk| desk.listen(&job));
            }
            Ok(Asked::Stop) => self.stop.store(true, Ordering::Relaxed),
            Err(e) => self.refuse(&format!("this was not understood: {e}")),
        }
    }

    /// Does it on a thread of its own, one take at a time: two would only make both late.
    fn work(&self, what: impl FnOnce(&Desk) -> Result<(), Refusal> + Send + 'static) {
        let desk = self.clone();
        tokio::spawn(async move {
            let Ok(_turn) = desk.page.turn.try_lock() else {
                desk.refuse("another take is being heard: let it end, or stop it");
                return;
            };
            let worker = desk.clone();
            match tokio::task::spawn_blocking(move || what(&worker)).await {
                Ok(Ok(())) => {}
                Ok(Err(Refusal(_, text))) => desk.refuse(&text),
                Err(e) => desk.refuse(&e.to_string()),
            }
        });
    }

    fn refuse(&self, text: &str) {
        self.tell(&json!({ "event": "refused", "text": sentence(text) }));
    }

    fn tell(&self, event: &impl Serialize) {
        let text = serde_json::to_string(event).expect("events have a JSON form");
        // The page may have been closed meanwhile.
        let _ = self.told.send(text);
    }

    fn check(&self, job: &Job) -> Result<(), Refusal> {
        let line = self.page.store.line(job.line)?.read(&job.choice)?;
        let options = job.said().options(&line).map_err(Refusal::unusable)?;
        let number = job.take.ok_or_else(|| Refusal::gone("take"))?;
        self.report(line, number, &options, Vec::new())
    }

    fn listen(&self, job: &Job) -> Result<(), Refusal> {
        let file = self.page.store.line(job.line)?;
        let line = file.read(&job.choice)?;
        let mut options = job.said().options(&line).map_err(Refusal::unusable)?;
        let heard = listen(
            &self.page,
            &line,
            &mut options,
            job.count_in_bars,
            &self.stop,
            &mut |event| self.tell(event),
        )?;
        let number = keep_listened(&self.page.store, heard.path)?;
        self.report(line, number, &options, heard.remarks)
    }

    /// Checks the whole take; `remarks` are sentences about its recording.
    fn report(
        &self,
        line: Line,
        number: u64,
        options: &TakeOptions,
        remarks: Vec<String>,
    ) -> Result<(), Refusal> {
        let take = self.page.store.take(number)?;
        let mut said_share = 0.0;
        let check = check_file_told(&line, &take.path, options, &mut |share| {
            if share >= said_share + TOLD_SHARE {
                said_share = share;
                self.tell(&json!({ "event": "hearing", "share": share }));
            }
        })
        .map_err(|e| told_as(e, &take))?;
        let written: Value =
            serde_json::from_str(&show::json::check(&check)).expect("the check was just written");
        let report = self.page.store.put_report(Report { line, check });
        let remarks: Vec<String> = remarks.iter().map(|r| sentence(r)).collect();
        self.tell(&json!({
            "event": "report",
            "report": report,
            "take": take.described(number),
            "remarks": remarks,
            "check": written,
        }));
        Ok(())
    }
}
