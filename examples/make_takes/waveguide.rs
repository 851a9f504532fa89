//! A second clarinet, built otherwise than the library's voice, for measuring only.
//!
//! A cylindrical bore as one delay line with an inverting, lowpass reflection at the open
//! end and a reed as a reflection coefficient that falls with the pressure across it
//! (McIntyre, Schumacher and Woodhouse, JASA 74, 1983; in the form of J. O. Smith,
//! "Physical Audio Signal Processing", single-reed instruments). A slurred change blends
//! one tap of the bore into another as a tone hole opens.

use passagework::convert::midi_to_hz;
use passagework::sound::voice::{Rng, VoiceNote};

/// The bore runs at this many times the output rate, so that its length can be fine.
const OVERSAMPLING: usize = 3;
/// Reed table: reflection at rest and its fall with the pressure difference (Smith, from memory).
const REED_OFFSET: f64 = 0.5;
const REED_SLOPE: f64 = -0.5;

/// Slurred steps up to this glide, semitones.
const GLIDE_MAX_SEMITONES: f64 = 4.5;

pub fn render(
    notes: &[VoiceNote],
    sample_rate_hz: u32,
    duration_s: f64,
    rng: &mut Rng,
) -> Vec<f32> {
    let n_samples = (duration_s * sample_rate_hz as f64) as usize;
    let rate = (sample_rate_hz as usize * OVERSAMPLING) as f64;
    let mut out = vec![0.0f32; n_samples];
    let colour = Colour {
        bell_hz: rng.between(1500.0, 3500.0),
        radiated: rng.between(0.3, 0.9),
        noise: rng.between(0.003, 0.02),
        breath: rng.between(0.75, 0.95),
    };
    let mut first = 0;
    while first < notes.len() {
        let mut end = first + 1;
        while end < notes.len() && !notes[end].tongued {
            end += 1;
        }
        render_breath(&notes[first..end], rate, &colour, &mut out, rng);
        first = end;
    }
    let peak = out.iter().fold(1e-6f32, |peak, s| peak.max(s.abs()));
    let wanted = rng.between(0.1, 0.8) as f32;
    let floor = 10f32.powf(rng.between(-85.0, -65.0) as f32 / 20.0);
    for sample in &mut out {
        *sample = *sample * wanted / peak + floor * rng.bipolar();
    }
    out
}

struct Colour {
    bell_hz: f64,
    radiated: f64,
    noise: f64,
    breath: f64,
}

/// From `start_s` on the bore's length goes over to `midi` within `way_s`.
struct Change {
    start_s: f64,
    way_s: f64,
    midi: f64,
    /// Too wide for the bore's length to glide: one tap is blended into the other.
    wide: bool,
}

fn render_breath(notes: &[VoiceNote], rate: f64, colour: &Colour, out: &mut [f32], rng: &mut Rng) {
    let mut changes: Vec<Change> = Vec::new();
    let wide = |from: f64, to: f64| (from - to).abs() > GLIDE_MAX_SEMITONES;
    for (place, note) in notes.iter().enumerate() {
        let mut start_s = note.onset_s;
        let mut from = notes[place.saturating_sub(1)].midi;
        if let Some(blip) = note.blip {
            changes.push(Change {
                start_s,
                way_s: rng.between(0.002, 0.005),
                midi: blip.midi,
                wide: wide(from, blip.midi),
            });
            from = blip.midi;
            start_s += blip.duration_s;
        }
        let way_s = if place == 0 {
            0.0
        } else {
            // Two waves at once cancel: a wide change must be quick.
            let slowest_s = if wide(from, note.midi) { 0.004 } else { 0.010 };
            rng.between(0.002, slowest_s)
        };
        changes.push(Change {
            start_s,
            way_s,
            midi: note.midi,
            wide: wide(from, note.midi),
        });
    }
    let onset_s = notes[0].onset_s;
    let offset_s = notes[notes.len() - 1].offset_s;
    let begin = (onset_s * rate).ceil() as usize;
    let end = ((offset_s + 0.06) * rate) as usize;
    // One-pole lowpass of the open end, and the bore's length with it. The end must reflect
    // the fundamental well, and the third harmonic less, or a slur down stays in the upper
    // register and the truth would be wrong.
    let pole_of = |midi: f64| {
        let hz = midi_to_hz(midi, 440.0);
        let cutoff_hz = colour.bell_hz.clamp(2.0 * hz, 3.0 * hz);
        (-std::f64::consts::TAU * cutoff_hz / rate).exp()
    };
    let tap_of = |midi: f64| {
        let hz = midi_to_hz(midi, 440.0);
        let (w, pole) = (std::f64::consts::TAU * hz / rate, pole_of(midi));
        let lowpass_delay = (pole * w.sin() / (1.0 - pole * w.cos())).atan() / w;
        (rate / (2.0 * hz) - lowpass_delay).max(2.0)
    };
    let mut bore = vec![0.0f64; 1 << 13];
    let mask = bore.len() - 1;
    // The breath stands ready behind the tongue (portato: constant pressure, Pamies-Vila et
    // al. 2018); only the reed must open.
    let attack_s = rng.between(0.0005, 0.003);
    let (mut reflected, mut place, mut note_idx) = (0.0, 0, 0);
    let (mut old_pole, mut new_pole) = (pole_of(changes[0].midi), pole_of(changes[0].midi));
    let (mut old_tap, mut new_tap) = (tap_of(changes[0].midi), tap_of(changes[0].midi));
    let mut smooth = 0.0;
    let mut level = 10f64.powf(notes[0].level_db / 20.0);
    let mut summed = 0.0;
    for at in begin..end {
        let t_s = at as f64 / rate;
        while place + 1 < changes.len() && t_s >= changes[place + 1].start_s {
            place += 1;
            old_tap = new_tap;
            new_tap = tap_of(changes[place].midi);
            old_pole = new_pole;
            new_pole = pole_of(changes[place].midi);
        }
        while note_idx + 1 < notes.len() && t_s >= notes[note_idx + 1].onset_s {
            note_idx += 1;
        }
        let change = &changes[place];
        let way = if change.way_s > 0.0 {
            ((t_s - change.start_s) / change.way_s).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let read = |tap: f64| {
            let back = at as f64 - tap;
            let whole = back.floor();
            let share = back - whole;
            let index = whole as i64 as usize;
            bore[index & mask] * (1.0 - share) + bore[(index + 1) & mask] * share
        };
        let arriving = if way < 1.0 && change.wide {
            (1.0 - way) * read(old_tap) + way * read(new_tap)
        } else {
            // A hole half open: the bore's length lies between the two.
            read(old_tap + (new_tap - old_tap) * way)
        };
        let (blowing, kept) = if t_s <= offset_s {
            (
                colour.breath * (1.0 - (-(t_s - onset_s) / attack_s).exp()),
                0.95,
            )
        } else {
            // The tongue lies on the reed: no flow, and the bore's sound is damped.
            (colour.breath * (-(t_s - offset_s) / 0.002).exp(), 0.75)
        };
        let pole = old_pole + (new_pole - old_pole) * way;
        reflected += (1.0 - pole) * (arriving - reflected);
        let breath = blowing * (1.0 + colour.noise * rng.bipolar() as f64);
        let across = -kept * reflected - breath;
        let reed = (REED_OFFSET + REED_SLOPE * across).clamp(-1.0, 1.0);
        let sent = breath + across * reed;
        bore[at & mask] = sent;
        let radiated = arriving - reflected;
        // The mean pressure of the breath does not leave the horn.
        let mixed = colour.radiated * radiated * 2.0 + (1.0 - colour.radiated) * arriving;
        smooth += (mixed - smooth) * (std::f64::consts::TAU * 60.0 / rate);
        let wanted = 10f64.powf(notes[note_idx].level_db / 20.0);
        level += (wanted - level) * (1.0 / (0.006 * rate));
        summed += mixed - smooth;
        if at % OVERSAMPLING == OVERSAMPLING - 1 {
            if let Some(sample) = out.get_mut(at / OVERSAMPLING) {
                *sample += (level * summed / OVERSAMPLING as f64) as f32;
            }
            summed = 0.0;
        }
    }
}

/// Whether every note of some length sounds at its own pitch and not a twelfth or an octave
/// above, as a bore may after a slur: the truth of such a take would not hold.
pub fn speaks_true(samples: &[f32], sample_rate_hz: u32, notes: &[VoiceNote]) -> bool {
    let rate = sample_rate_hz as f64;
    notes.iter().all(|note| {
        let length_s = note.offset_s - note.onset_s;
        let period = rate / midi_to_hz(note.midi, 440.0);
        let from = ((note.onset_s + 0.35 * length_s) * rate) as usize;
        let to = (((note.onset_s + 0.95 * length_s) * rate) as usize)
            .min(from + (0.12 * rate) as usize)
            .min(samples.len());
        // Too short to tell.
        if to <= from || ((to - from) as f64) < 4.0 * period {
            return true;
        }
        let body = &samples[from..to];
        let own = likeness(body, period);
        own > 0.6
            && likeness(body, period / 3.0) < own - 0.03
            && likeness(body, period / 2.0) < own - 0.03
    })
}

/// Normalised correlation of `body` with itself `lag` samples on (fractional), −1 to 1.
fn likeness(body: &[f32], lag: f64) -> f64 {
    let (whole, share) = (lag as usize, lag.fract());
    let n = body.len().saturating_sub(whole + 1);
    let (mut cross, mut a, mut b) = (0.0, 1e-12, 1e-12);
    for i in 0..n {
        let now = body[i] as f64;
        let then = (1.0 - share) * body[i + whole] as f64 + share * body[i + whole + 1] as f64;
        cross += now * then;
        a += now * now;
        b += then * then;
    }
    cross / (a * b).sqrt()
}
