//! The sets of takes, each deterministic by its name, seed and number.

use crate::abc::to_abc;
use crate::etude::{Etude, EtudeOptions, Note, compose};
use crate::expression::{self, Expression};
use crate::faults;
use crate::musicxml::to_musicxml;
use crate::performance::{LateChange, Manner, Performance, Step, perform, straight};
use crate::rooms::{self, Noise, Tick};
use crate::sampled::{self, FLUID_GM, FontSingles, Joining, RealSingles, Singles, TIM_GM};
use crate::waveguide;
use passagework::sound::voice::{Rng, VoiceOptions, render};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

pub const NAMES: &[&str] = &[
    "clean",
    "sampled",
    "sequenced",
    "faults",
    "rooms",
    "restarts",
    "jumps",
    "drift",
    "tuning",
    "click",
    "recorders",
    "tonguing",
    "expressive",
    "reading",
];

pub struct Made {
    pub musicxml: String,
    pub abc: String,
    pub truth: Value,
    pub samples: Vec<f32>,
    pub sample_rate_hz: u32,
}

/// What the caller may say: where room responses lie (WAV), how many notes an étude has.
#[derive(Default)]
pub struct Wishes {
    pub rooms: Vec<PathBuf>,
    pub n_notes: Option<usize>,
    /// Sounds to play every take with, in place of ours.
    pub voices: Vec<OtherVoice>,
}

/// A sound brought along: a soundfont, or folders of single notes named by instrument.
#[derive(Clone, Copy)]
pub enum OtherVoice {
    Font(&'static str),
    Notes(&'static str),
}

/// Folders of single notes that a programme's line may be played with.
fn folders_of(programme: u8) -> &'static [&'static str] {
    match programme {
        71 => &["clarinet"],
        73 => &["flute", "violin"],
        65 | 66 => &["saxophone"],
        68 => &["trumpet", "violin"],
        _ => &["bassoon", "cello", "trombone", "french-horn"],
    }
}

pub fn make(name: &str, seed: u64, number: usize, wishes: &Wishes) -> Result<Made, String> {
    let mixed = name.bytes().fold(seed ^ 0xA5A5, |h, b| {
        h.wrapping_mul(0x100_0000_01B3) ^ b as u64
    });
    let mut rng = Rng::new(Rng::new(mixed).next_u64() ^ (number as u64).wrapping_mul(0x9E37_79B9));
    let rng = &mut rng;
    let title = format!("{name} {number}");
    match name {
        "clean" => {
            let etude = compose(&title, &options(wishes, rng), rng);
            let manner = Manner::human(etude.instrument, rng);
            play(&etude, straight, &manner, modelled(wishes, rng), rng)
        }
        "sampled" => {
            let etude = compose(&title, &options(wishes, rng), rng);
            let manner = Manner {
                blip_share: 0.0,
                intonation_cents: 0.0,
                ..Manner::human(etude.instrument, rng)
            };
            play(&etude, straight, &manner, recorded(wishes, rng), rng)
        }
        "faults" => {
            let etude = compose(&title, &options(wishes, rng), rng);
            let manner = Manner::human(etude.instrument, rng);
            let voice = any_voice(wishes, rng);
            let every = rng.between(8.0, 16.0);
            let mut faults_rng = rng.clone();
            let steps = |notes: &[Note]| {
                faults::put_in(
                    notes,
                    etude.sounding_range(),
                    every,
                    60.0 / manner.start_qpm,
                    &mut faults_rng,
                )
            };
            play(&etude, steps, &manner, voice, rng)
        }
        "sequenced" => sequenced_take(&title, number, wishes, rng),
        "rooms" => rooms_take(&title, wishes, rng),
        "restarts" => restarts_take(&title, wishes, rng),
        "jumps" => jumps_take(&title, wishes, rng),
        "drift" => drift_take(&title, wishes, rng),
        "click" => click_take(&title, wishes, rng),
        "recorders" => recorders_take(&title, number, wishes, rng),
        "tonguing" => tonguing_take(&title, wishes, rng),
        "expressive" => expressive_take(&title, wishes, rng),
        "reading" => reading_take(&title, wishes, rng),
        "tuning" => {
            let etude = compose(&title, &options(wishes, rng), rng);
            let mut manner = Manner::human(etude.instrument, rng);
            manner.a4_hz = rng.between(415.0, 466.0);
            if rng.chance(0.3) {
                manner.a4_hz = rng.between(435.0, 445.0);
                manner.transposed = *rng.pick(&[-1, 1]);
            }
            play(&etude, straight, &manner, modelled(wishes, rng), rng)
        }
        _ => Err(format!("no set {name}; there are {}", NAMES.join(", "))),
    }
}

fn options(wishes: &Wishes, rng: &mut Rng) -> EtudeOptions {
    EtudeOptions {
        n_notes: wishes.n_notes.unwrap_or(40 + rng.below(81)),
        repeat: rng.chance(0.15),
        even_runs: false,
        instrument: None,
        patterned: false,
        one_pitch: false,
    }
}

#[derive(Clone, Copy)]
enum Voice {
    Reed,
    Waveguide,
    Font(&'static str, Joining),
    Real,
    /// Single notes in folders named by instrument.
    Notes(&'static str),
}

fn modelled(wishes: &Wishes, rng: &mut Rng) -> Voice {
    if let Some(voice) = other(wishes, rng) {
        return voice;
    }
    if rng.chance(0.5) {
        Voice::Reed
    } else {
        Voice::Waveguide
    }
}

fn other(wishes: &Wishes, rng: &mut Rng) -> Option<Voice> {
    if wishes.voices.is_empty() {
        return None;
    }
    let joining = *rng.pick(&[Joining::Crossfade, Joining::Overlap]);
    Some(match *rng.pick(&wishes.voices) {
        OtherVoice::Font(path) => Voice::Font(path, joining),
        OtherVoice::Notes(folder) => Voice::Notes(folder),
    })
}

fn recorded(wishes: &Wishes, rng: &mut Rng) -> Voice {
    if let Some(voice) = other(wishes, rng) {
        return voice;
    }
    let joining = if rng.chance(0.5) {
        Joining::Crossfade
    } else {
        Joining::Overlap
    };
    match rng.below(5) {
        0 | 1 => Voice::Font(TIM_GM, joining),
        2 | 3 => Voice::Font(FLUID_GM, joining),
        _ => Voice::Real,
    }
}

fn any_voice(wishes: &Wishes, rng: &mut Rng) -> Voice {
    if rng.chance(0.7) {
        modelled(wishes, rng)
    } else {
        recorded(wishes, rng)
    }
}

/// Performs and sounds the étude, dry.
fn play(
    etude: &Etude,
    steps: impl FnOnce(&[Note]) -> Vec<Step>,
    manner: &Manner,
    voice: Voice,
    rng: &mut Rng,
) -> Result<Made, String> {
    let notes = etude.notes();
    let steps = steps(&notes);
    let mut performance = perform(&notes, &steps, manner, etude.beat_quarters(), rng);
    sound(etude, &mut performance, voice, rng)
}

fn sound(
    etude: &Etude,
    performance: &mut Performance,
    voice: Voice,
    rng: &mut Rng,
) -> Result<Made, String> {
    let rate = *rng.pick(&[44_100, 44_100, 48_000, 22_050]);
    let duration_s = performance.duration_s;
    // Recorded voices that are not there, or do not reach so far, give way to the next.
    let order = match voice {
        Voice::Real => vec![Voice::Real, Voice::Font(TIM_GM, Joining::Crossfade)],
        Voice::Waveguide => vec![Voice::Waveguide, Voice::Reed],
        Voice::Font(FLUID_GM, joining) => vec![voice, Voice::Font(TIM_GM, joining)],
        Voice::Notes(_) => vec![voice, voice, voice, Voice::Font(TIM_GM, Joining::Crossfade)],
        other => vec![other],
    };
    let mut fault = String::from("no voice reaches the étude's notes");
    for voice in order {
        let (samples, name) = match voice {
            Voice::Reed => {
                let options = VoiceOptions {
                    timbre: etude.instrument.timbre,
                    seed: rng.next_u64(),
                    amplitude: rng.between(0.08, 0.3) as f32,
                    jitter_cents: rng.between(1.0, 5.0),
                    breath_db: rng.between(-52.0, -38.0),
                    keys_db: rng.between(-60.0, -42.0),
                    floor_dbfs: rng.between(-85.0, -65.0),
                    ..VoiceOptions::default()
                };
                (
                    Some(render(&performance.voice_notes, rate, duration_s, &options)),
                    "reed".to_owned(),
                )
            }
            Voice::Waveguide => {
                let mut samples = None;
                for _ in 0..8 {
                    let made = waveguide::render(&performance.voice_notes, rate, duration_s, rng);
                    if waveguide::speaks_true(&made, rate, &performance.voice_notes) {
                        samples = Some(made);
                        break;
                    }
                }
                (samples, "waveguide".to_owned())
            }
            Voice::Font(path, joining) => {
                match FontSingles::new(path, etude.instrument.programme, rate) {
                    Ok(mut singles) => {
                        let samples = from_singles(performance, &mut singles, joining, rate, rng);
                        let file = Path::new(path)
                            .file_stem()
                            .unwrap_or_default()
                            .to_string_lossy()
                            .into_owned();
                        let how = match joining {
                            Joining::Crossfade => "crossfade",
                            Joining::Overlap => "overlap",
                            Joining::Sequenced => "sequenced",
                        };
                        (samples, format!("{file} {how}"))
                    }
                    Err(error) => {
                        fault = error;
                        continue;
                    }
                }
            }
            Voice::Real => {
                let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/clarinet_notes");
                let mut singles = RealSingles::new(&folder, rate)?;
                let samples =
                    from_singles(performance, &mut singles, Joining::Crossfade, rate, rng);
                (samples, "real clarinet notes".to_owned())
            }
            Voice::Notes(folder) => {
                let name = *rng.pick(folders_of(etude.instrument.programme));
                let mut singles = RealSingles::new(&Path::new(folder).join(name), rate)?;
                let samples =
                    from_singles(performance, &mut singles, Joining::Crossfade, rate, rng);
                (samples, format!("notes {name}"))
            }
        };
        if let Some(samples) = samples {
            let mut truth = performance.truth();
            truth["voice"] = name.into();
            truth["instrument"] = etude.instrument.name.into();
            return Ok(Made {
                musicxml: to_musicxml(etude),
                abc: to_abc(etude),
                truth,
                samples,
                sample_rate_hz: rate,
            });
        }
    }
    Err(fault)
}

fn from_singles(
    performance: &mut Performance,
    singles: &mut dyn Singles,
    joining: Joining,
    rate: u32,
    rng: &mut Rng,
) -> Option<Vec<f32>> {
    let mut onsets_s = performance.onsets_s.clone();
    let samples = sampled::render(
        &performance.voice_notes,
        singles,
        joining,
        rate,
        performance.duration_s,
        &mut onsets_s,
        rng,
    )?;
    performance.onsets_s = onsets_s;
    // A recorded note's own tuning is not known to the cent.
    performance.cents.iter_mut().for_each(|c| *c = None);
    Some(samples)
}

/// A soundfont's clarinet as a sequencer plays it, clean and in six kinds of trouble: the mix
/// that general pitch libraries were measured on.
fn sequenced_take(
    title: &str,
    number: usize,
    wishes: &Wishes,
    rng: &mut Rng,
) -> Result<Made, String> {
    let etude = compose(
        title,
        &EtudeOptions {
            even_runs: true,
            instrument: Some("clarinet-bb"),
            ..options(wishes, rng)
        },
        rng,
    );
    let mut manner = Manner {
        start_qpm: *rng.pick(&[60.0, 72.0, 88.0, 104.0, 120.0]),
        a4_hz: *rng.pick(&[440.0, 440.0, 435.0, 445.0]),
        blip_share: 0.0,
        intonation_cents: 0.0,
        // A sequencer's own grid, or a hand at a keyboard.
        jitter_ms: *rng.pick(&[0.0, 2.0]),
        ..Manner::human(etude.instrument, rng)
    };
    manner.end_qpm = manner.start_qpm;
    let notes = etude.notes();
    let mut performance = perform(
        &notes,
        &straight(&notes),
        &manner,
        etude.beat_quarters(),
        rng,
    );
    let path = if rng.chance(0.5) { TIM_GM } else { FLUID_GM };
    let mut made = sound(
        &etude,
        &mut performance,
        Voice::Font(path, Joining::Sequenced),
        rng,
    )?;
    let rate = made.sample_rate_hz;
    let samples = &mut made.samples;
    let trouble = ["clean", "pink20", "reverb30", "pink30", "reverb60", "click"][number / 2 % 6];
    match trouble {
        "pink20" => rooms::add_noise(samples, rate, Noise::Pink, 20.0, rng),
        "pink30" => rooms::add_noise(samples, rate, Noise::Pink, 30.0, rng),
        "click" => {
            let beats = etude.beats as usize;
            rooms::add_click(
                samples,
                rate,
                &performance.beats_s,
                beats,
                Tick::any(rng),
                -20.0,
                rng,
            );
            made.truth["click"] = json!({"level_db": -20.0, "beats_s": performance.beats_s});
        }
        "reverb30" | "reverb60" => {
            // As the responses of SoX 14.4.2 `reverb 30` and `reverb 60` were measured to ring.
            let (rt60_s, wet_db) = if trouble == "reverb30" {
                (0.72, -13.0)
            } else {
                (2.0, -8.5)
            };
            *samples = rooms::convolve(samples, &rooms::made_room(rate, rt60_s, wet_db, rng));
        }
        _ => {}
    }
    made.truth["room"] = trouble.into();
    Ok(made)
}

fn rooms_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(title, &options(wishes, rng), rng);
    let manner = Manner::human(etude.instrument, rng);
    let notes = etude.notes();
    let faulty = rng.chance(0.7);
    let steps = if faulty {
        let every = rng.between(10.0, 20.0);
        faults::put_in(
            &notes,
            etude.sounding_range(),
            every,
            60.0 / manner.start_qpm,
            rng,
        )
    } else {
        straight(&notes)
    };
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    let voice = any_voice(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    let rate = made.sample_rate_hz;
    let mut told = Vec::new();
    // One to three things in the way.
    let mut kinds = vec!["noise", "reverb", "click", "codec", "gain"];
    let n_kinds = *rng.pick(&[1, 1, 1, 2, 2, 3]);
    let mut chosen = Vec::new();
    for k in 0..n_kinds {
        // The first three are the common ones.
        let index = if k == 0 {
            rng.below(3)
        } else {
            rng.below(kinds.len())
        };
        chosen.push(kinds.remove(index));
    }
    if chosen.contains(&"click") {
        let tick = Tick::any(rng);
        let level_db = *rng.pick(&[-20.0, -15.0, -10.0, -5.0, 0.0]);
        let beats = if etude.beat_type == 8 {
            2
        } else {
            etude.beats as usize
        };
        rooms::add_click(
            &mut made.samples,
            rate,
            &performance.beats_s,
            beats,
            tick,
            level_db,
            rng,
        );
        told.push(format!("click {tick:?} {level_db} dB"));
        made.truth["click"] = json!({"level_db": level_db, "beats_s": performance.beats_s});
    }
    if chosen.contains(&"reverb") {
        let response = if !wishes.rooms.is_empty() && rng.chance(0.4) {
            let path = rng.pick(&wishes.rooms).clone();
            told.push(format!(
                "room {}",
                path.file_name().unwrap_or_default().to_string_lossy()
            ));
            rooms::measured_room(&path, rate)?
        } else {
            let (rt60_s, wet_db) = (rng.between(0.3, 1.2), rng.between(-15.0, 0.0));
            told.push(format!("room rt60 {rt60_s:.2} s, wet {wet_db:.1} dB"));
            rooms::made_room(rate, rt60_s, wet_db, rng)
        };
        made.samples = rooms::convolve(&made.samples, &response);
    }
    if chosen.contains(&"noise") {
        let noise = *rng.pick(&[Noise::White, Noise::Pink, Noise::Pink, Noise::Hum]);
        let snr_db = *rng.pick(&[30.0, 20.0, 20.0, 12.0]);
        rooms::add_noise(&mut made.samples, rate, noise, snr_db, rng);
        told.push(format!("noise {noise:?} {snr_db} dB"));
    }
    if chosen.contains(&"codec") {
        let cutoff_hz = rng.between(5000.0, 12000.0);
        rooms::lowpass(&mut made.samples, rate, cutoff_hz);
        told.push(format!("lowpass {cutoff_hz:.0} Hz"));
    }
    if chosen.contains(&"gain") {
        rooms::automatic_gain(&mut made.samples, rate);
        told.push("automatic gain".to_owned());
    }
    made.truth["room"] = told.join(", ").into();
    Ok(made)
}

fn restarts_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let repeat = rng.chance(0.2);
    let etude = compose(
        title,
        &EtudeOptions {
            repeat,
            ..options(wishes, rng)
        },
        rng,
    );
    let mut manner = Manner::human(etude.instrument, rng);
    let talk = rng.chance(0.3);
    if talk {
        manner.lead_s = rng.between(1.5, 4.0);
        manner.tail_s = rng.between(1.0, 3.0);
    }
    let notes = etude.notes();
    let mut left_out = 0..0;
    let steps = match etude.repeat {
        Some((from, to)) if rng.chance(0.7) => {
            // Second time: the bars in playing order after `to`.
            let second = |bar: usize| bar > to && bar <= to + 1 + (to - from);
            let first = notes
                .iter()
                .position(|n| second(n.bar_idx))
                .unwrap_or(notes.len());
            let count = notes.iter().filter(|n| second(n.bar_idx)).count();
            left_out = first..first + count;
            faults::without_repeat(&notes, left_out.clone())
        }
        _ => faults::with_detours(&notes, rng),
    };
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    performance.left_out = left_out;
    let voice = any_voice(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    if talk {
        let rate = made.sample_rate_hz;
        let level = rooms::player_rms(&made.samples, rate) * rng.between(0.3, 1.2) as f32;
        rooms::add_talk(
            &mut made.samples,
            rate,
            0.2,
            manner.lead_s - 0.4,
            level,
            rng,
        );
        let end_s = performance.duration_s;
        rooms::add_talk(
            &mut made.samples,
            rate,
            end_s - manner.tail_s + 0.4,
            end_s - 0.2,
            level,
            rng,
        );
        made.truth["talk"] = true.into();
    }
    Ok(made)
}

/// Every kind of restart and skip, some after a wrong note, in studies whose bars come again.
fn jumps_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(
        title,
        &EtudeOptions {
            repeat: false,
            patterned: rng.chance(0.6),
            ..options(wishes, rng)
        },
        rng,
    );
    let manner = Manner::human(etude.instrument, rng);
    let notes = etude.notes();
    let steps = faults::with_jumps(&notes, etude.sounding_range(), rng);
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    let voice = any_voice(wishes, rng);
    sound(&etude, &mut performance, voice, rng)
}

/// A human player's manner at a tempo of our choice.
fn at_tempo(qpm: f64, etude: &Etude, rng: &mut Rng) -> Manner {
    Manner {
        start_qpm: qpm,
        end_qpm: qpm,
        ..Manner::human(etude.instrument, rng)
    }
}

/// Every other take has a fault in so many notes, from the first number to the second.
fn half_with_faults(
    etude: &Etude,
    notes: &[Note],
    (least, most): (f64, f64),
    qpm: f64,
    rng: &mut Rng,
) -> Vec<Step> {
    if rng.chance(0.5) {
        let (every, range) = (rng.between(least, most), etude.sounding_range());
        faults::put_in(notes, range, every, 60.0 / qpm, rng)
    } else {
        straight(notes)
    }
}

/// A first reading: slow, with stops, half with wrong notes.
fn reading_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(
        title,
        &EtudeOptions {
            repeat: false,
            ..options(wishes, rng)
        },
        rng,
    );
    let qpm = *rng.pick(&[36.0, 42.0, 48.0, 54.0, 60.0, 72.0]);
    let manner = at_tempo(qpm, &etude, rng);
    let notes = etude.notes();
    let steps = half_with_faults(&etude, &notes, (10.0, 20.0), qpm, rng);
    let steps = faults::with_stops(&steps, rng.between(0.03, 0.3), rng);
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    let voice = any_voice(wishes, rng);
    sound(&etude, &mut performance, voice, rng)
}

fn drift_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let options = EtudeOptions {
        n_notes: wishes.n_notes.unwrap_or(70 + rng.below(80)),
        repeat: false,
        even_runs: true,
        instrument: None,
        patterned: false,
        one_pitch: false,
    };
    let mut etude = compose(title, &options, rng);
    let mut manner = Manner::human(etude.instrument, rng);
    manner.jitter_ms = rng.between(1.0, 8.0);
    let kind = rng.below(4);
    if kind <= 1 {
        manner.end_qpm = manner.start_qpm * rng.between(0.85, 1.15);
    }
    if kind == 1 {
        manner.phrase_stretch = rng.between(1.15, 1.6);
        manner.fermata_stretch = 2.0;
        if let Some(last) = etude.bars.last_mut().and_then(|bar| bar.last_mut())
            && last.pitch.is_some()
        {
            last.fermata = true;
        }
    }
    let notes = etude.notes();
    if kind == 2 {
        // The slurred change met most often comes late.
        let mut counts = std::collections::BTreeMap::new();
        for pair in notes.windows(2).filter(|pair| pair[1].slur_in) {
            *counts
                .entry((pair[0].sounding_midi, pair[1].sounding_midi))
                .or_insert(0) += 1;
        }
        let commonest = counts
            .into_iter()
            .max_by_key(|(_, count)| *count)
            .filter(|(_, count)| *count >= 3);
        if let Some(((from_midi, to_midi), _)) = commonest {
            let late_ms = rng.between(15.0, 40.0);
            manner.late_change = Some(LateChange {
                from_midi,
                to_midi,
                late_ms,
                share: rng.between(0.8, 1.0),
            });
            manner.jitter_ms = rng.between(1.0, 4.0);
        }
    }
    if kind == 3 {
        manner.limp_ms = rng.between(8.0, 30.0);
        manner.jitter_ms = rng.between(1.0, 4.0);
    }
    let mut performance = perform(
        &notes,
        &straight(&notes),
        &manner,
        etude.beat_quarters(),
        rng,
    );
    let voice = modelled(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    if rng.chance(0.3) {
        let level_db = *rng.pick(&[-20.0, -10.0]);
        let beats = if etude.beat_type == 8 {
            2
        } else {
            etude.beats as usize
        };
        let tick = Tick::any(rng);
        // A click does not drift with the player.
        let period_s = 60.0 * etude.beat_quarters() / manner.start_qpm;
        let clicks_s = steady_clicks(
            downbeat_s(&notes, &manner),
            period_s,
            performance.duration_s,
        );
        rooms::add_click(
            &mut made.samples,
            made.sample_rate_hz,
            &clicks_s,
            beats,
            tick,
            level_db,
            rng,
        );
        made.truth["click"] = json!({"level_db": level_db, "beats_s": clicks_s});
    }
    Ok(made)
}

/// When the line's first beat is: before the first note where the line begins with a rest.
fn downbeat_s(notes: &[Note], manner: &Manner) -> f64 {
    let rest_quarters = notes.first().map_or(0.0, |note| note.at_quarters);
    manner.lead_s - 60.0 / manner.start_qpm * rest_quarters
}

/// Clicks from the start of a take to its end, one of them at `at_s`.
fn steady_clicks(at_s: f64, period_s: f64, duration_s: f64) -> Vec<f64> {
    let first_s = at_s.rem_euclid(period_s);
    (0..)
        .map(|k| first_s + f64::from(k) * period_s)
        .take_while(|t| *t < duration_s - 0.1)
        .collect()
}

/// A player with a click on every beat, every half or every second one, before, behind or on it.
fn click_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(title, &options(wishes, rng), rng);
    let mut manner = Manner::human(etude.instrument, rng);
    let beat_s = 60.0 * etude.beat_quarters() / manner.start_qpm;
    manner.lead_s = beat_s * *rng.pick(&[0.5, 2.0, 4.0]);
    let notes = etude.notes();
    let steps = if rng.chance(0.5) {
        faults::put_in(
            &notes,
            etude.sounding_range(),
            rng.between(10.0, 20.0),
            60.0 / manner.start_qpm,
            rng,
        )
    } else {
        straight(&notes)
    };
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    let voice = any_voice(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    let rate = made.sample_rate_hz;
    let tick = Tick::any_at_all(rng);
    let level_db = *rng.pick(&[-30.0, -20.0, -12.0, -6.0, 0.0]);
    let offset_ms = rng.between(-40.0, 30.0);
    let share = match beat_s {
        fast if fast < 0.45 => *rng.pick(&[1.0, 2.0]),
        slow if slow > 0.8 => *rng.pick(&[0.5, 1.0]),
        _ => 1.0,
    };
    let period_s = share * beat_s;
    let clicks_s = steady_clicks(
        downbeat_s(&notes, &manner) - 1e-3 * offset_ms,
        period_s,
        performance.duration_s,
    );
    let beats_in_bar = *rng.pick(&[1usize, 2, 3, 4]);
    rooms::add_click(
        &mut made.samples,
        rate,
        &clicks_s,
        if beats_in_bar == 1 {
            usize::MAX
        } else {
            beats_in_bar
        },
        tick,
        level_db,
        rng,
    );
    let mut told = vec![format!("click {tick:?} {level_db} dB")];
    if rng.chance(0.3) {
        let (rt60_s, wet_db) = (rng.between(0.2, 0.7), rng.between(-18.0, -6.0));
        made.samples = rooms::convolve(&made.samples, &rooms::made_room(rate, rt60_s, wet_db, rng));
        told.push(format!("room rt60 {rt60_s:.2} s, wet {wet_db:.1} dB"));
    }
    if rng.chance(0.3) {
        let snr_db = *rng.pick(&[30.0, 20.0]);
        rooms::add_noise(&mut made.samples, rate, Noise::Pink, snr_db, rng);
        told.push(format!("noise Pink {snr_db} dB"));
    }
    made.truth["room"] = told.join(", ").into();
    made.truth["click"] = json!({
        "level_db": level_db,
        "beats_s": clicks_s,
        "beat_quarters": share * etude.beat_quarters(),
        "bpm": 60.0 / period_s,
        "offset_ms": offset_ms,
    });
    Ok(made)
}

/// A study with rests, as a recorder's automatic gain, its noise suppression, a far microphone
/// or none of them leaves it.
fn recorders_take(
    title: &str,
    number: usize,
    wishes: &Wishes,
    rng: &mut Rng,
) -> Result<Made, String> {
    let etude = compose(title, &options(wishes, rng), rng);
    let mut manner = Manner::human(etude.instrument, rng);
    manner.tail_s = rng.between(0.6, 1.5);
    let notes = etude.notes();
    let mut performance = perform(
        &notes,
        &straight(&notes),
        &manner,
        etude.beat_quarters(),
        rng,
    );
    let voice = any_voice(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    let rate = made.sample_rate_hz;
    let snr_db = rng.between(35.0, 50.0);
    rooms::add_noise(&mut made.samples, rate, Noise::Pink, snr_db, rng);
    let kind = ["plain", "gain", "suppression", "far"][number / 2 % 4];
    match kind {
        "gain" => rooms::automatic_gain(&mut made.samples, rate),
        "suppression" => {
            let (hold_s, depth_db) = (rng.between(0.08, 0.25), rng.between(20.0, 60.0));
            rooms::suppress_noise(&mut made.samples, rate, snr_db - 6.0, hold_s, depth_db);
        }
        "far" => {
            let (rt60_s, wet_db) = (rng.between(0.7, 1.6), rng.between(3.0, 9.0));
            made.samples =
                rooms::convolve(&made.samples, &rooms::made_room(rate, rt60_s, wet_db, rng));
        }
        _ => {}
    }
    made.truth["room"] = kind.into();
    made.truth["recorder"] = kind.into();
    Ok(made)
}

/// A tonguing exercise, dry, in noise or in a room.
fn tonguing_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(
        title,
        &EtudeOptions {
            one_pitch: true,
            repeat: false,
            ..options(wishes, rng)
        },
        rng,
    );
    let manner = Manner::human(etude.instrument, rng);
    let voice = match rng.below(3) {
        0 => any_voice(wishes, rng),
        1 => Voice::Font(TIM_GM, Joining::Sequenced),
        _ => Voice::Font(FLUID_GM, Joining::Sequenced),
    };
    let mut made = play(&etude, straight, &manner, voice, rng)?;
    let rate = made.sample_rate_hz;
    let trouble = *rng.pick(&["clean", "pink", "white", "room", "room", "room and pink"]);
    if trouble.starts_with("room") {
        let (rt60_s, wet_db) = (rng.between(0.3, 2.0), rng.between(-15.0, -3.0));
        made.samples = rooms::convolve(&made.samples, &rooms::made_room(rate, rt60_s, wet_db, rng));
    }
    let kind = match trouble {
        "white" => Some(Noise::White),
        "pink" | "room and pink" => Some(Noise::Pink),
        _ => None,
    };
    if let Some(kind) = kind {
        let snr_db = rng.between(12.0, 35.0);
        rooms::add_noise(&mut made.samples, rate, kind, snr_db, rng);
    }
    made.truth["room"] = trouble.into();
    Ok(made)
}

/// Slower lines with long notes, played with vibrato, swells and scoops; half with faults, a
/// third in a room or noise.
fn expressive_take(title: &str, wishes: &Wishes, rng: &mut Rng) -> Result<Made, String> {
    let etude = compose(title, &options(wishes, rng), rng);
    let qpm = *rng.pick(&[40.0, 44.0, 50.0, 56.0, 63.0, 72.0, 84.0]);
    let manner = at_tempo(qpm, &etude, rng);
    let notes = etude.notes();
    let steps = half_with_faults(&etude, &notes, (8.0, 16.0), qpm, rng);
    let mut performance = perform(&notes, &steps, &manner, etude.beat_quarters(), rng);
    let voice = any_voice(wishes, rng);
    let mut made = sound(&etude, &mut performance, voice, rng)?;
    let clarinet = etude.instrument.programme == 71;
    let how = Expression::any(if clarinet { 0.4 } else { 0.8 }, rng);
    let rate = made.sample_rate_hz;
    expression::lay_over(&mut made.samples, rate, &performance.voice_notes, &how, rng);
    let trouble = *rng.pick(&["clean", "clean", "clean", "clean", "room", "pink"]);
    if trouble == "room" {
        let (rt60_s, wet_db) = (rng.between(0.3, 1.2), rng.between(-15.0, -3.0));
        made.samples = rooms::convolve(&made.samples, &rooms::made_room(rate, rt60_s, wet_db, rng));
    }
    if trouble == "pink" {
        rooms::add_noise(
            &mut made.samples,
            rate,
            Noise::Pink,
            rng.between(20.0, 35.0),
            rng,
        );
    }
    made.truth["room"] = trouble.into();
    made.truth["vibrato_cents"] = how.vibrato_cents.into();
    Ok(made)
}
