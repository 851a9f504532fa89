//! The whole way of a take, for every command that goes it.

use std::path::Path;

use crate::align::{AlignOptions, align, look_again};
use crate::hear::look::Sound;
use crate::hear::{HearOptions, Hearer, Hearing};
use crate::judge::{Check, JudgeOptions, coverage, judge};
use crate::line::{Line, instruments};
use crate::show;
use crate::sound::{SoundError, TakeReader};

/// What the player said about the take.
#[derive(Clone, Debug, Default)]
pub struct TakeOptions {
    pub align: AlignOptions,
    pub judge: JudgeOptions,
}

/// The whole way from a file to findings in words; the file is read block by block.
pub fn check_file(line: &Line, path: &Path, options: &TakeOptions) -> Result<Check, SoundError> {
    check_file_told(line, path, options, &mut |_| {})
}

/// As [`check_file`]; `told` is given the share of the take heard so far, 0 to 1, for whoever
/// waits: once a block.
pub fn check_file_told(
    line: &Line,
    path: &Path,
    options: &TakeOptions,
    told: &mut dyn FnMut(f64),
) -> Result<Check, SoundError> {
    let (hearing, sound) = hear_file_told(path, &range_of(line), told)?;
    let mut alignment = align(line, &hearing, &options.align);
    look_again(&mut alignment, line, &hearing, &sound);
    let mut check = judge(line, &hearing, &alignment, &options.judge);
    if options.align.bars.is_none()
        && let Some(warning) = coverage::warning(&check, &hearing, &alignment)
    {
        if warning.other_music {
            check = untold(line, hearing, options);
        }
        check.take.warnings.push(warning.text);
    }
    if options.align.bars.is_none()
        && let Some(warning) = coverage::stands_elsewhere(&check, line)
    {
        check.take.warnings.push(warning);
    }
    show::words::put_into_words(line, &mut check);
    Ok(check)
}

/// The check of a take of which nothing is told: what was recorded, and no note of the line.
fn untold(line: &Line, mut hearing: Hearing, options: &TakeOptions) -> Check {
    hearing.notes.clear();
    let alignment = align(line, &hearing, &options.align);
    judge(line, &hearing, &alignment, &options.judge)
}

/// Hears a file; what reading it showed of the recording is said first.
pub fn hear_file(path: &Path, options: &HearOptions) -> Result<Hearing, SoundError> {
    Ok(hear_file_told(path, options, &mut |_| {})?.0)
}

fn hear_file_told(
    path: &Path,
    options: &HearOptions,
    told: &mut dyn FnMut(f64),
) -> Result<(Hearing, Sound), SoundError> {
    let mut reader = TakeReader::open(path)?;
    let n_samples = reader.info().duration_s * f64::from(reader.sample_rate_hz());
    let mut n_heard = 0;
    let mut hearer = Hearer::new(reader.sample_rate_hz());
    let mut block = Vec::new();
    while reader.next_block(&mut block) {
        hearer.push(&block);
        n_heard += block.len();
        told((n_heard as f64 / n_samples.max(1.0)).min(1.0));
    }
    let (mut hearing, sound) = hearer.finish_keeping_sound(options);
    let info = reader.info();
    let recording = &mut hearing.recording;
    recording.clipped_share = recording.clipped_share.max(info.clipped_share);
    let heard = std::mem::replace(&mut recording.warnings, info.warnings.clone());
    recording
        .warnings
        .extend(heard.into_iter().filter(|w| !info.warnings.contains(w)));
    Ok((hearing, sound))
}

/// Where to look for pitches: the instrument's range, or the line's own, with room for another
/// register of the same fingering as far as the instrument goes.
pub fn range_of(line: &Line) -> HearOptions {
    /// A twelfth: how far another register of the same fingering lies.
    const SLIP_SEMITONES: i32 = 19;
    /// A third: how far below the line is listened where the take holds nothing lower. The lower
    /// the range, the longer the frames, in which quick changes blur.
    const NEAR_SEMITONES: i32 = 4;
    let sounding = || line.notes.iter().map(|n| n.sounding_midi);
    let (Some(low), Some(high)) = (sounding().min(), sounding().max()) else {
        return HearOptions::default();
    };
    match instruments::find(&line.instrument) {
        Some(instrument) => {
            let (lowest, highest) = instrument.professional;
            let low_at_least = |semitones| low.min(lowest.max(low - semitones));
            HearOptions {
                raised_hz: range(low_at_least(NEAR_SEMITONES), high).low_hz,
                ..range(low_at_least(SLIP_SEMITONES), high.max(highest))
            }
        }
        None => range(low - SLIP_SEMITONES, high + SLIP_SEMITONES),
    }
}

/// From a whole tone under `low` to one over `high` (MIDI numbers): room for another pitch standard.
pub fn range(low: i32, high: i32) -> HearOptions {
    let hz = |midi: i32| crate::convert::midi_to_hz(f64::from(midi), 440.0);
    let low_hz = hz(low - 2).max(HearOptions::LOWEST_HZ);
    HearOptions {
        low_hz,
        high_hz: hz(high + 2).min(HearOptions::HIGHEST_HZ),
        raised_hz: low_hz,
    }
}
