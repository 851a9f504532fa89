//! `passagework listen`: a take while it is played, and its report.

use std::cell::Cell;
use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use clap::Args;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use passagework::align::passage;
use passagework::judge::ClickOptions;
use passagework::line::Line;
use passagework::line::read::read_line;
use passagework::live::Listener;
use passagework::live::beats::{BeatTrack, ClickPlan};
use passagework::live::events::{Event, write_line};
use passagework::live::latency::Remembered;
use passagework::live::screen::{Screen, plain};
use passagework::live::taking::{Sounding, Taken, Taking};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::said::Said;
use passagework::show;
use passagework::sound::TakeReader;
use passagework::sound::click::ClickPlayer;
use passagework::sound::device::{Loudspeaker, Microphone};
use passagework::sound::recorder::{Recorder, repair};

use super::check::Look;
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
    /// Where the recording is kept [default: a new file in the data folder]
    #[arg(long, value_name = "FILE", conflicts_with = "take")]
    save: Option<PathBuf>,
    /// Silence that ends the take, once something was played, seconds
    #[arg(long, value_name = "S", default_value_t = 20.0)]
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

/// Heard beside an instrument, and no louder: the player turns up what is too quiet.
pub const DEFAULT_CLICK_DB: f64 = -26.0;

/// Samples handed to the hearing at once: what a device gives at a low latency.
const BLOCK_SAMPLES: usize = 256;

/// The first click sounds this long after the loudspeaker was opened, seconds: its first moments
/// are not steady.
const FIRST_CLICK_S: f64 = 1.2;

/// The screen is drawn this often.
const DRAW_EVERY: Duration = Duration::from_millis(50);

pub fn run(arguments: &ListenArguments) -> Result<Done, CommandError> {
    if is_stdout(&arguments.events) && is_stdout(&arguments.json) {
        return Err(
            "events and report cannot both go to standard output: give --json a file".into(),
        );
    }
    let line = read_line(&arguments.line, &arguments.choice.options(false))?;
    let said = Said {
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
            follow_file(reader, listener, arguments.fast, &mut *events)?;
            take.clone()
        }
        None => {
            let taken = arguments.take_live(&line, &options)?;
            tell(&taken, arguments);
            if let (Some(click), Some(stretch)) = (&mut options.judge.click, taken.click_stretch) {
                click.at_s = taken.click_at_s;
                click.bpm /= stretch;
            }
            taken.path
        }
    };
    arguments.report(&line, &take, &options)
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

/// The platform's folder for what is kept.
pub fn data_folder() -> Result<PathBuf, CommandError> {
    let folders = directories::ProjectDirs::from("", "", "passagework")
        .ok_or("no home folder is known: set HOME, or name a file with --save")?;
    Ok(folders.data_dir().into())
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
    ) -> Result<Done, CommandError> {
        let check = check_file(line, take, options)?;
        if let Some(path) = &self.json {
            output::write_whole(path, &show::json::check(&check))?;
        }
        if !is_stdout(&self.events) && !is_stdout(&self.json) {
            output::print(&show::text::check(line, &check, self.look.layout()))?;
        }
        Ok(Done::Quiet)
    }

    /// Takes from the microphone until the take is over.
    fn take_live(&self, line: &Line, options: &TakeOptions) -> Result<Taken, CommandError> {
        let events = self.open_events()?;
        let plan = self.click.plan(options)?;
        let path = match &self.save {
            Some(path) => path.clone(),
            None => new_take_path(line)?,
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
        let last_idx = options
            .align
            .bars
            .as_ref()
            .and_then(|(from, to)| passage(line, from, to))
            .map_or(line.notes.len(), |range| range.end)
            .saturating_sub(1);
        let taking = Taking {
            microphone,
            listener,
            recorder,
            click,
            events: sender,
            stop: stop.clone(),
            last_idx,
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
            let rate_hz = microphone.sample_rate_hz();
            return Ok(Sounding {
                speaker: None,
                track,
                speaker_rate_hz: rate_hz,
                first_frame: (FIRST_CLICK_S * f64::from(rate_hz)) as u64,
                latency_s: Some(0.0),
            });
        }
        let opened = Cell::new((0, 0));
        let speaker = Loudspeaker::open(self.output.as_deref(), |rate_hz| {
            let first_frame = (FIRST_CLICK_S * f64::from(rate_hz)) as u64;
            opened.set((rate_hz, first_frame));
            let mut player = ClickPlayer::new(track.clone(), rate_hz, first_frame, gain);
            Box::new(move |first, mono: &mut [f32]| player.fill(first, mono))
        })?;
        let (speaker_rate_hz, first_frame) = opened.get();
        let latency_s = Remembered::load(&data_folder()?)
            .of(microphone.name(), speaker.name())
            .map(|latency| 1e-3 * latency.median_ms);
        Ok(Sounding {
            speaker: Some(speaker),
            track,
            speaker_rate_hz,
            first_frame,
            latency_s,
        })
    }
}

/// A new file in the data folder, called after the line and the moment. Takes that were cut off
/// are mended on the way.
fn new_take_path(line: &Line) -> Result<PathBuf, CommandError> {
    let folder = data_folder()?.join("takes");
    std::fs::create_dir_all(&folder).map_err(|e| {
        format!(
            "cannot make the folder {}: {e}; name a file with --save",
            folder.display()
        )
    })?;
    for entry in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|x| x == "wav")
            && let Ok(Some(_)) = repair(&path)
        {
            eprintln!("passagework: {} was cut off and is mended", path.display());
        }
    }
    let title: String = line
        .title
        .chars()
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .take(40)
        .collect();
    let title = match title.trim_matches('-') {
        "" => "take",
        title => title,
    };
    let now_s = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_secs());
    // One second holds one take, unless two programs listen at once.
    Ok((0..)
        .map(|k| {
            let more = if k == 0 {
                String::new()
            } else {
                format!("-{k}")
            };
            folder.join(format!("{title}-{now_s}{more}.wav"))
        })
        .find(|path| !path.exists())
        .expect("numbers go on"))
}

/// What the player should know of the take itself, on standard error.
fn tell(taken: &Taken, arguments: &ListenArguments) {
    if let Some(reason) = &taken.reason {
        eprintln!("passagework: {reason}");
    }
    if taken.lost_frames > 0 {
        let at: Vec<String> = taken
            .lost_at_s
            .iter()
            .map(|s| format!("{s:.1} s"))
            .collect();
        eprintln!(
            "passagework: {} samples were lost, at {}: close other programs",
            taken.lost_frames,
            at.join(", ")
        );
    }
    let sounded = arguments.click.click.is_some() && !arguments.click.silent_click;
    if sounded && taken.click_at_s.is_none() {
        eprintln!(
            "passagework: how long the click takes to your microphone is not known, so that only scatter and trend against it are told; `passagework latency` measures it"
        );
    }
    if let Some(ppm) = taken.skew_ppm.filter(|ppm| ppm.abs() > TOLD_SKEW_PPM) {
        eprintln!(
            "passagework: loudspeaker and microphone run {:.0} parts in a million apart; that is taken off",
            ppm.abs()
        );
    }
    eprintln!("passagework: the take is in {}", taken.path.display());
}

/// Clocks nearer to each other than this are as good as one, parts in a million: 6 ms in a
/// minute.
const TOLD_SKEW_PPM: f64 = 100.0;

/// Sends a recording through the live path, block by block.
fn follow_file(
    mut reader: TakeReader,
    mut listener: Listener,
    fast: bool,
    out: &mut dyn Write,
) -> Result<(), CommandError> {
    let begun = Instant::now();
    let mut block = Vec::new();
    let mut events = Vec::new();
    while reader.next_block(&mut block) {
        for piece in block.chunks(BLOCK_SAMPLES) {
            listener.push(piece, &mut events);
            for event in events.drain(..) {
                write_event(&event, out)?;
            }
            if !fast {
                let due = Duration::from_secs_f64(listener.heard_s());
                std::thread::sleep(due.saturating_sub(begun.elapsed()));
            }
        }
    }
    listener.finish(None, &mut events);
    for event in events {
        write_event(&event, out)?;
    }
    Ok(())
}

/// A reader that has gone away is no failure of the take.
fn write_event(event: &Event, out: &mut dyn Write) -> io::Result<()> {
    match write_line(out, event) {
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
