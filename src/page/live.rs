//! A take while it is played: from this machine's microphone, or from a recording fed in its
//! place; the events are those of `listen`.

use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::refusal::Refusal;
use super::server::Page;
use crate::line::Line;
use crate::live::Listener;
use crate::live::beats::{BeatTrack, ClickPlan};
use crate::live::events::Event;
use crate::live::fed::{Pace, follow_file};
use crate::live::place::new_take_path;
use crate::live::taking::{DEFAULT_CLICK_DB, SILENCE_ENDS_S, Sounding, Taking, last_to_play};
use crate::pipeline::TakeOptions;
use crate::sound::TakeReader;
use crate::sound::device::Microphone;
use crate::sound::recorder::Recorder;

/// More bars are not counted in.
const COUNT_IN_BARS_MAX: usize = 4;

/// A take that was listened to.
pub struct Listened {
    pub path: PathBuf,
    /// What the player should know of the recording itself.
    pub remarks: Vec<String>,
}

/// Listens until the music, the player (`stop`) or a silence ends it. Every event goes to
/// `say`; where the click lay is put into `options`.
pub fn listen(
    page: &Page,
    line: &Line,
    options: &mut TakeOptions,
    count_in_bars: usize,
    stop: &Arc<AtomicBool>,
    say: &mut dyn FnMut(&Event),
) -> Result<Listened, Refusal> {
    match &page.fed_take {
        Some(path) => feed(path.clone(), line, options, stop, say),
        None => take(page, line, options, count_in_bars, stop, say),
    }
}

fn feed(
    path: PathBuf,
    line: &Line,
    options: &TakeOptions,
    stop: &AtomicBool,
    say: &mut dyn FnMut(&Event),
) -> Result<Listened, Refusal> {
    let reader = TakeReader::open(&path).map_err(Refusal::unusable)?;
    let listener = Listener::new(line.clone(), reader.sample_rate_hz(), options.clone());
    let mut last_s = 0.0;
    let fed = follow_file(reader, listener, Pace::AsPlayed, &mut |event| {
        if stop.load(Ordering::Relaxed) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        if let Event::Level { said_s, .. } = event {
            last_s = *said_s;
        }
        say(event);
        Ok(())
    });
    match fed {
        Ok(()) => {}
        Err(e) if e.kind() == io::ErrorKind::Interrupted => say(&Event::Done {
            said_s: last_s,
            reason: None,
        }),
        Err(e) => return Err(Refusal::failed(e)),
    }
    Ok(Listened {
        path,
        remarks: Vec::new(),
    })
}

fn take(
    page: &Page,
    line: &Line,
    options: &mut TakeOptions,
    count_in_bars: usize,
    stop: &Arc<AtomicBool>,
    say: &mut dyn FnMut(&Event),
) -> Result<Listened, Refusal> {
    let mut microphone = Microphone::open(page.input.as_deref()).map_err(Refusal::unusable)?;
    let path = new_take_path(line).map_err(Refusal::unusable)?.path;
    let n_channels = microphone.reader().n_channels() as u16;
    let recorder = Recorder::create(&path, microphone.sample_rate_hz(), n_channels)
        .map_err(Refusal::unusable)?;
    let click = match options.judge.click {
        Some(click) => {
            let plan = ClickPlan {
                tempos: vec![click],
                count_in_bars: count_in_bars.min(COUNT_IN_BARS_MAX),
                subdivisions: 1,
                groups: Vec::new(),
            };
            let track = BeatTrack::new(line, options.align.bars.as_ref(), &plan);
            let gain = 10.0f64.powf(DEFAULT_CLICK_DB / 20.0) as f32;
            let sounding = Sounding::open(page.output.as_deref(), track, gain, &microphone);
            Some(sounding.map_err(Refusal::unusable)?)
        }
        None => None,
    };
    let sounded = click.is_some();
    let (events, said) = crossbeam_channel::unbounded();
    let taking = Taking {
        listener: Listener::new(line.clone(), microphone.sample_rate_hz(), options.clone()),
        microphone,
        recorder,
        click,
        events,
        stop: stop.clone(),
        last_idx: last_to_play(line, options),
        silence_ends_s: SILENCE_ENDS_S,
    };
    let hearing = std::thread::Builder::new()
        .name("hearing".into())
        .spawn(move || taking.run())
        .map_err(Refusal::failed)?;
    // The hearing drops its end when it is done.
    for event in said {
        say(&event);
    }
    let taken = hearing.join().map_err(|_| {
        Refusal::failed(format!(
            "the hearing broke off; the take is in {}",
            path.display()
        ))
    })?;
    taken.lay_click(options);
    Ok(Listened {
        remarks: taken.remarks(sounded),
        path: taken.path,
    })
}
