//! `passagework listen`: a take while it is played, and its report.

use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use clap::Args;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use passagework::judge::{Check, ClickOptions};
use passagework::keep::{KeepError, NewTake};
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::live::Listener;
use passagework::live::beats::{BeatTrack, ClickPlan};
use passagework::live::events::{Event, write_line};
use passagework::live::fed::{Pace, follow_file};
use passagework::live::place::new_take_path;
use passagework::live::screen::{Screen, plain};
use passagework::live::taking::{
    DEFAULT_CLICK_DB, SILENCE_ENDS_S, Sounding, Taken, Taking, last_to_play,
};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::said::Said;
use passagework::show;
use passagework::sound::TakeReader;
use passagework::sound::device::Microphone;
use passagework::sound::recorder::Recorder;

use super::check::Look;
use super::library::LibraryChoice;
use super::line::LineChoice;
use super::{CommandError, Done, output};

#[derive(Args)]
pub struct ListenArguments {
    /// The étude: MusicXML (.musicxml, .xml, .mxl), MIDI (.mid) or ABC (.abc)
    line: PathBuf,
    #[command(flatten)]
    choice: LineChoice,
    /// Only these bars are played, by their printed numbers
    #[arg(long, value_name = "A-B")]
    bars: Option<String>,
    /// The rhythm a run of equal notes is practised in, such as long-short
    #[arg(long, value_name = "NAME")]
    rhythm: Option<String>,
    #[command(flatten)]
    click: ClickArguments,
    /// The microphone, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    input: Option<String>,
    /// Write the recording to this file too
    #[arg(long, value_name = "FILE", conflicts_with = "take")]
    save: Option<PathBuf>,
    #[command(flatten)]
    keeping: Keeping,
    /// Silence that ends the take, once something was played, seconds
    #[arg(long, value_name = "S", default_value_t = SILENCE_ENDS_S)]
    stop_after: f64,
    /// Follow this recording instead of the microphone
    #[arg(long, value_name = "FILE")]
    take: Option<PathBuf>,
    /// Follow the recording as fast as it goes, not at the speed it was played
    #[arg(long, requires = "take")]
    fast: bool,
    /// Write every event as a line of JSON to FILE; "-" is standard output
    #[arg(long, value_name = "FILE")]
    events: Option<PathBuf>,
    /// Write the report as JSON to FILE; "-" is standard output, instead of the text
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    #[command(flatten)]
    look: Look,
}

/// Every take is kept, unless one says otherwise.
#[derive(Args)]
struct Keeping {
    /// Leave the library alone; the recording stays a file in the data folder
    #[arg(long)]
    no_keep: bool,
    /// Who plays, where a library is shared
    #[arg(long, value_name = "NAME", conflicts_with = "no_keep")]
    player: Option<String>,
    #[command(flatten)]
    place: LibraryChoice,
}

/// The click while one plays.
#[derive(Args)]
struct ClickArguments {
    /// The click to play to: a note value and beats a minute, such as q.=92
    #[arg(long, value_name = "BEAT=BPM")]
    click: Option<String>,
    /// First tempo of a ladder: the passage once at each step, counted in
    #[arg(
        long,
        value_name = "BEAT=BPM",
        requires = "to",
        conflicts_with = "click"
    )]
    from: Option<String>,
    /// Last tempo of the ladder
    #[arg(long, value_name = "BEAT=BPM", requires = "from")]
    to: Option<String>,
    /// Beats a minute from one step of the ladder to the next
    #[arg(long, value_name = "BPM", default_value_t = 4.0)]
    step: f64,
    /// Bars counted in
    #[arg(long, value_name = "N", default_value_t = 1)]
    count_in: usize,
    /// Clicks a beat
    #[arg(long, value_name = "N", default_value_t = 1)]
    subdivide: usize,
    /// Clicks of each group in an odd metre, such as 3+2
    #[arg(long, value_name = "A+B")]
    group: Option<String>,
    /// No sound: the beat is only shown
    #[arg(long)]
    silent_click: bool,
    /// Level of the click, dB re full scale; keep it quiet in headphones
    #[arg(long, value_name = "DB", default_value_t = DEFAULT_CLICK_DB, allow_negative_numbers = true)]
    click_level: f64,
    /// The loudspeaker, as `passagework devices` names it [default: the system's]
    #[arg(long, value_name = "NAME")]
    output: Option<String>,
}

/// The screen is drawn this often.
const DRAW_EVERY: Duration = Duration::from_millis(50);

pub fn run(arguments: &ListenArguments) -> Result<Done, CommandError> {
    if is_stdout(&arguments.events) && is_stdout(&arguments.json) {
        return Err(
            "events and report cannot both go to standard output: give --json a file".into(),
        );
    }
    let line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let mut said = Said {
        bars: arguments.bars.clone(),
        rhythm: arguments.rhythm.clone(),
        click: arguments.click.click.clone(),
        click_at_s: None,
    };
    let mut options = said.options(&line)?;
    let take = match &arguments.take {
        Some(take) => {
            let mut events = arguments.open_events()?;
            let reader = TakeReader::open(take)?;
            let listener = Listener::new(line.clone(), reader.sample_rate_hz(), options.clone());
            let pace = if arguments.fast {
                Pace::Fast
            } else {
                Pace::AsPlayed
            };
            follow_file(reader, listener, pace, &mut |event| {
                write_event(event, &mut *events)
            })?;
            take.clone()
        }
        None => {
            let taken = arguments.take_live(&line, &options)?;
            let sounded = arguments.click.click.is_some() && !arguments.click.silent_click;
            for remark in taken.remarks(sounded) {
                eprintln!("passagework: {remark}");
            }
            taken.lay_click(&mut options);
            said.click_at_s = options.judge.click.and_then(|click| click.at_s);
            taken.path
        }
    };
    arguments.report(&line, &take, &options, said)
}

fn is_stdout(path: &Option<PathBuf>) -> bool {
    path.as_ref().is_some_and(|p| p.as_os_str() == "-")
}

/// Peak for a level in dB re full scale, at most full scale.
pub fn gain(level_db: f64) -> Result<f32, CommandError> {
    if !(-90.0..=0.0).contains(&level_db) {
        return Err(
            format!("a level of {level_db} dB is none: write -90 to 0, such as -26").into(),
        );
    }
    Ok(10.0f64.powf(level_db / 20.0) as f32)
}

impl ListenArguments {
    fn open_events(&self) -> Result<Box<dyn Write>, CommandError> {
        Ok(match &self.events {
            Some(path) if path.as_os_str() == "-" => Box::new(io::stdout()),
            Some(path) => Box::new(File::create(path).map_err(|e| {
                format!(
                    "cannot write the events to {}: {e}; name another file",
                    path.display()
                )
            })?),
            None => Box::new(io::sink()),
        })
    }

    /// The check of the whole take, as `check` gives it.
    fn report(
        &self,
        line: &Line,
        take: &Path,
        options: &TakeOptions,
        said: Said,
    ) -> Result<Done, CommandError> {
        let check = check_file(line, take, options)?;
        if !self.keeping.no_keep {
            // The take itself is safe in its file whatever becomes of this.
            match self.keep(line, take, &check, said) {
                Ok(told) => eprintln!("{told}"),
                Err(error) => eprintln!(
                    "passagework: not kept in the library: {error}; the recording is {}",
                    take.display()
                ),
            }
        }
        if let Some(path) = &self.json {
            output::write_whole(path, &show::json::check(&check))?;
        }
        if !is_stdout(&self.events) && !is_stdout(&self.json) {
            output::print(&show::text::check(line, &check, self.look.layout()))?;
        }
        Ok(Done::Quiet)
    }

    /// Keeps the take; what is to be told of that.
    fn keep(
        &self,
        line: &Line,
        take: &Path,
        check: &Check,
        said: Said,
    ) -> Result<String, KeepError> {
        let mut library = self.keeping.place.open()?;
        let new = NewTake {
            line,
            recording: take,
            check,
            said,
            played: None,
            player: self.keeping.player.as_deref(),
        };
        // A file the player named stays.
        let kept = match (&self.take, &self.save) {
            (None, None) => library.take_over(&new)?,
            _ => library.keep(&new)?,
        };
        Ok(kept.told())
    }

    /// Takes from the microphone until the take is over.
    fn take_live(&self, line: &Line, options: &TakeOptions) -> Result<Taken, CommandError> {
        let events = self.open_events()?;
        let plan = self.click.plan(options)?;
        let path = match &self.save {
            Some(path) => path.clone(),
            None => {
                let place = new_take_path(line)?;
                for path in &place.mended {
                    eprintln!("passagework: {} was cut off and is mended", path.display());
                }
                place.path
            }
        };
        let mut microphone = Microphone::open(self.input.as_deref())?;
        let click = match &plan {
            Some(plan) => {
                let track = BeatTrack::new(line, options.align.bars.as_ref(), plan);
                Some(self.click.sound(track, &microphone)?)
            }
            None => None,
        };
        let recorder = Recorder::create(
            &path,
            microphone.sample_rate_hz(),
            microphone.reader().n_channels() as u16,
        )?;
        let listener = Listener::new(line.clone(), microphone.sample_rate_hz(), options.clone());
        let stop = Arc::new(AtomicBool::new(false));
        let on_interrupt = stop.clone();
        ctrlc::set_handler(move || on_interrupt.store(true, Ordering::Relaxed))?;
        let (sender, receiver) = crossbeam_channel::unbounded();
        let taking = Taking {
            microphone,
            listener,
            recorder,
            click,
            events: sender,
            stop: stop.clone(),
            last_idx: last_to_play(line, options),
            silence_ends_s: self.stop_after.max(1.0),
        };
        let thread = std::thread::Builder::new()
            .name("hearing".into())
            .spawn(move || taking.run())?;
        let shown = self.show(line, plan.as_ref(), &receiver, events, &stop);
        // Whatever became of the screen, the take is ended in good order.
        stop.store(true, Ordering::Relaxed);
        let taken = thread
            .join()
            .map_err(|_| format!("the hearing broke off; the take is in {}", path.display()))?;
        shown?;
        Ok(taken)
    }

    /// Shows events until the last: on a screen, as lines of JSON, or in plain words.
    fn show(
        &self,
        line: &Line,
        plan: Option<&ClickPlan>,
        events: &Receiver<Event>,
        mut out: Box<dyn Write>,
        stop: &AtomicBool,
    ) -> Result<(), CommandError> {
        let on_screen = !is_stdout(&self.events) && io::stdout().is_terminal();
        if !on_screen {
            for event in events {
                write_event(&event, &mut *out)?;
                if !is_stdout(&self.events)
                    && let Some(words) = plain(line, &event)
                {
                    output::print(&format!("{words}\n"))?;
                }
                if matches!(event, Event::Done { .. }) {
                    break;
                }
            }
            return Ok(());
        }
        let mut screen = Screen::new(line.clone(), plan.and_then(tempo_words));
        let mut terminal = ratatui::try_init()?;
        let result = loop {
            match events.recv_timeout(DRAW_EVERY) {
                Ok(event) => {
                    let over = matches!(event, Event::Done { .. });
                    screen.apply(&event);
                    if let Err(error) = write_event(&event, &mut *out) {
                        break Err(error.into());
                    }
                    if over {
                        break Ok(());
                    }
                    if !events.is_empty() {
                        continue;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break Ok(()),
            }
            if asked_to_stop()? {
                stop.store(true, Ordering::Relaxed);
            }
            if let Err(error) = terminal.draw(|frame| screen.draw(frame)) {
                break Err(error.into());
            }
        };
        ratatui::restore();
        result
    }
}

/// True when q, Escape or Ctrl-C was typed.
fn asked_to_stop() -> io::Result<bool> {
    use ratatui::crossterm::event::{Event, KeyCode, KeyModifiers, poll, read};
    while poll(Duration::ZERO)? {
        if let Event::Key(key) = read()? {
            let interrupt =
                key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL);
            if interrupt || matches!(key.code, KeyCode::Char('q') | KeyCode::Esc) {
                return Ok(true);
            }
        }
    }
    Ok(false)
}

fn tempo_words(plan: &ClickPlan) -> Option<String> {
    let first = plan.tempos.first()?;
    let last = plan.tempos.last()?;
    let beat = match first.beat_quarters {
        1.0 => "q".to_string(),
        1.5 => "q.".to_string(),
        0.5 => "e".to_string(),
        2.0 => "h".to_string(),
        b => format!("{b} quarters"),
    };
    Some(if plan.tempos.len() == 1 {
        format!("{beat} = {}", first.bpm)
    } else {
        format!("{beat} = {} to {}", first.bpm, last.bpm)
    })
}

impl ClickArguments {
    /// `None` without a click.
    fn plan(&self, options: &TakeOptions) -> Result<Option<ClickPlan>, CommandError> {
        let tempos = match (&self.from, &self.to, options.judge.click) {
            (Some(from), Some(to), _) => ClickPlan::ladder(
                ClickOptions::parse(from)?,
                ClickOptions::parse(to)?,
                self.step,
            ),
            (_, _, Some(click)) => vec![click],
            _ => return Ok(None),
        };
        let groups = match &self.group {
            None => Vec::new(),
            Some(text) => text
                .split('+')
                .map(|part| part.trim().parse().ok().filter(|n| (1..=16).contains(n)))
                .collect::<Option<Vec<usize>>>()
                .ok_or_else(|| {
                    format!("cannot read the groups \"{text}\": write clicks, such as 3+2 or 2+2+3")
                })?,
        };
        Ok(Some(ClickPlan {
            tempos,
            count_in_bars: self.count_in.min(8),
            subdivisions: self.subdivide.clamp(1, 8),
            groups,
        }))
    }

    /// Opens the loudspeaker and sets the click going.
    fn sound(&self, track: BeatTrack, microphone: &Microphone) -> Result<Sounding, CommandError> {
        let gain = gain(self.click_level)?;
        if self.silent_click {
            return Ok(Sounding::silent(track, microphone));
        }
        Ok(Sounding::open(
            self.output.as_deref(),
            track,
            gain,
            microphone,
        )?)
    }
}

/// A reader that has gone away is no failure of the take.
fn write_event(event: &Event, out: &mut dyn Write) -> io::Result<()> {
    match write_line(out, event) {
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
