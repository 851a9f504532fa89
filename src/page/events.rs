//! The one stream of events between page and program, a websocket: the page asks, the program
//! tells, one JSON object a message.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use axum::Router;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::response::Response;
use axum::routing::get;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};

use super::live::listen;
use super::pictures::unplayed;
use super::refusal::{Refusal, sentence};
use super::server::Page;
use super::store::{Choice, Report, TakeFile};
use super::takes::{keep_elsewhere, told_as};
use crate::class::{NamedTake, RowResult, Watch, check_class};
use crate::judge::Check;
use crate::keep::{KeepError, NewTake};
use crate::line::Line;
use crate::line::musicxml::edition::Edition;
use crate::live::events::Event;
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
    /// Hold many takes against one line, a player each.
    Class(ClassJob),
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
    /// Whether the take goes into the library.
    #[serde(default)]
    keep: bool,
}

/// The takes of a class, with what was said of all of them.
#[derive(Clone, Deserialize)]
struct ClassJob {
    #[serde(flatten)]
    job: Job,
    takes: Vec<u64>,
}

/// What becomes of a recording once it is checked.
#[derive(Clone, Copy, PartialEq)]
enum Keeping {
    /// Nothing.
    No,
    /// A copy goes into the library.
    Copy,
    /// It goes into the library, and the file it was made in is given up.
    TakeOver,
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
            Ok(Asked::Class(class)) => self.work(move |desk| desk.class(&class)),
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
        let file = self.page.store.line(job.line)?;
        let line = file.read(&job.choice)?;
        let edition = file.edition(&job.choice, &line);
        let options = job.said().options(&line).map_err(Refusal::unusable)?;
        let number = job.take.ok_or_else(|| Refusal::gone("take"))?;
        let keeping = if job.keep { Keeping::Copy } else { Keeping::No };
        self.report(
            (line, edition),
            number,
            &options,
            job.said(),
            keeping,
            Vec::new(),
        )
    }

    fn listen(&self, job: &Job) -> Result<(), Refusal> {
        let file = self.page.store.line(job.line)?;
        let line = file.read(&job.choice)?;
        let mut said = job.said();
        let mut options = said.options(&line).map_err(Refusal::unusable)?;
        let edition = file.edition(&job.choice, &line);
        let mut sketch = Sketch::new(&line, edition.clone());
        let (pencilled, _) = self.page.store.place("");
        let heard = listen(
            &self.page,
            &line,
            &mut options,
            job.count_in_bars,
            &self.stop,
            &mut |event| {
                self.tell(event);
                if let Some(report) = sketch.hear(event) {
                    self.page.store.put_report_at(pencilled, report);
                    self.tell(&json!({ "event": "pencilled", "report": pencilled }));
                }
            },
        )?;
        said.click_at_s = options.judge.click.and_then(|click| click.at_s);
        let keeping = match &self.page.fed_take {
            Some(_) => Keeping::Copy,
            None => Keeping::TakeOver,
        };
        let name = heard.path.file_name().unwrap_or_default();
        let number = keep_elsewhere(
            &self.page.store,
            heard.path.clone(),
            &name.to_string_lossy(),
        )?;
        self.report(
            (line, edition),
            number,
            &options,
            said,
            keeping,
            heard.remarks,
        )
    }

    /// Checks the whole take; `remarks` are sentences about its recording.
    fn report(
        &self,
        (line, edition): (Line, Option<Edition>),
        mut number: u64,
        options: &TakeOptions,
        said: Said,
        keeping: Keeping,
        mut remarks: Vec<String>,
    ) -> Result<(), Refusal> {
        let take = self.page.store.take(number)?;
        let mut told_share = 0.0;
        let check = check_file_told(&line, &take.path, options, &mut |share| {
            if share >= told_share + TOLD_SHARE {
                told_share = share;
                self.tell(&json!({ "event": "hearing", "share": share }));
            }
        })
        .map_err(|e| told_as(e, &take))?;
        let mut kept = None;
        if keeping != Keeping::No {
            match self.keep(&line, &take, &check, said, keeping) {
                Ok((told, recording)) => {
                    kept = Some(sentence(&told));
                    if keeping == Keeping::TakeOver {
                        number = keep_elsewhere(&self.page.store, recording, &take.name)?;
                    }
                }
                Err(error) => remarks.push(format!(
                    "not kept in the library: {error}; the recording is {}",
                    if take.ours {
                        take.name.clone()
                    } else {
                        take.path.display().to_string()
                    }
                )),
            }
        }
        let written: Value =
            serde_json::from_str(&show::json::check(&check)).expect("the check was just written");
        let report = self.page.store.put_report(Report {
            line,
            edition,
            check,
        });
        let remarks: Vec<String> = remarks.iter().map(|r| sentence(r)).collect();
        self.tell(&json!({
            "event": "report",
            "report": report,
            "take": self.page.store.take(number)?.described(number),
            "remarks": remarks,
            "kept": kept,
            "check": written,
        }));
        Ok(())
    }

    /// Keeps a take; what is to be told of that, and where the library has it.
    fn keep(
        &self,
        line: &Line,
        take: &TakeFile,
        check: &Check,
        said: Said,
        keeping: Keeping,
    ) -> Result<(String, PathBuf), KeepError> {
        self.page.archive.ask(|library| {
            let new = NewTake {
                line,
                recording: &take.path,
                check,
                said,
                played: None,
                player: None,
            };
            let kept = match keeping {
                Keeping::TakeOver => library.take_over(&new)?,
                _ => library.keep(&new)?,
            };
            Ok((kept.told(), library.recording(kept.id)?))
        })
    }

    /// Checks every take of a class and tells the table.
    fn class(&self, class: &ClassJob) -> Result<(), Refusal> {
        let job = &class.job;
        let line = self.page.store.line(job.line)?.read(&job.choice)?;
        let options = job.said().options(&line).map_err(Refusal::unusable)?;
        let takes: Result<Vec<_>, Refusal> = class
            .takes
            .iter()
            .map(|number| self.page.store.take(*number))
            .collect();
        let takes = takes?;
        let named: Vec<NamedTake> = takes
            .iter()
            .map(|take| NamedTake {
                player: player_of(&take.name),
                take: take.name.clone(),
                path: take.path.clone(),
            })
            .collect();
        let told = Progress {
            desk: self,
            n_done: AtomicUsize::new(0),
            n_takes: named.len(),
        };
        let mut rows = check_class(&line, &named, &options, None, &told);
        for (row, take) in rows.iter_mut().zip(&takes) {
            if let RowResult::Error(reason) = &mut row.result {
                *reason = told_as(&reason, take).1;
            }
        }
        let table = show::class::Class::new(&line, &rows);
        // The page puts the take of a row on the stand.
        let link = |n: usize| Some(format!("#take-{}", class.takes[n]));
        let described: Vec<Value> = takes
            .iter()
            .zip(&class.takes)
            .map(|(take, number)| take.described(*number))
            .collect();
        self.tell(&json!({
            "event": "class",
            "heading": table.heading(),
            "table": show::class::content(&table, &link).into_string(),
            "takes": described,
        }));
        Ok(())
    }
}

/// The part while one plays, with the marks of the phrases that are over.
struct Sketch {
    line: Line,
    edition: Option<Edition>,
    check: Check,
}

impl Sketch {
    fn new(line: &Line, edition: Option<Edition>) -> Sketch {
        Sketch {
            line: line.clone(),
            edition,
            check: unplayed(line),
        }
    }

    /// What is to be seen anew, at the end of a phrase that showed something.
    fn hear(&mut self, event: &Event) -> Option<Report> {
        match event {
            Event::Heard {
                index: Some(index),
                midi,
                ..
            } => {
                // The name that a mark of a wrong note says.
                let note = self.check.notes.get_mut(*index)?;
                note.heard_midi = *midi;
                None
            }
            Event::Phrase { findings, .. } if !findings.is_empty() => {
                self.check.findings.extend(findings.iter().cloned());
                Some(Report {
                    line: self.line.clone(),
                    edition: self.edition.clone(),
                    check: self.check.clone(),
                })
            }
            _ => None,
        }
    }
}

/// The file's name without its extension.
fn player_of(name: &str) -> String {
    let stem = std::path::Path::new(name).file_stem();
    stem.unwrap_or_default().to_string_lossy().into_owned()
}

/// Tells the page how far the class is.
struct Progress<'a> {
    desk: &'a Desk,
    n_done: AtomicUsize,
    n_takes: usize,
}

impl Watch for Progress<'_> {
    fn done(&self) {
        let n = self.n_done.fetch_add(1, Ordering::Relaxed) + 1;
        let share = n as f64 / self.n_takes as f64;
        self.desk
            .tell(&json!({ "event": "hearing", "share": share }));
    }
}
