//! The room taken out of the sound, as far as it is late sound of earlier notes.
//!
//! In a reverberant room the notes before ring on under the one that is played, and fill the
//! gaps between tongued notes. Late reverberation is an exponentially dying copy of the power that
//! went before, bin by bin of the spectrum, and can be subtracted there (spectral subtraction
//! after Lebart, Boucher & Denbigh, "A new method based on spectral subtraction for speech
//! dereverberation", Acta Acustica 87 (2001) 359-366; the direct sound told apart from the room as in Habets,
//! Gannot & Cohen, IEEE Signal Processing Letters 16 (2009) 770). Departures: how long the
//! room rings and how loud is read off the take itself, from what is left of a partial after
//! it stops.

use std::sync::Arc;

use super::envelope::{Envelope, STEP_S};
use super::notes::Sketch;
use super::notes::soft_attack_s;
use super::refine::change_point;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Length of a slice, seconds: long enough to tell the partials of neighbouring notes apart.
const SLICE_S: f64 = 0.046;

/// Slices overlap by this much.
const OVERLAP: usize = 4;

/// Sound this long after the direct sound is the room's, seconds: what comes sooner melts
/// with it, and slices closer than this share samples.
const LATE_S: f64 = 0.020;

/// Subtracted above what the room is taken to ring with: its power fluctuates about its mean.
const SUBTRACTED: f32 = 1.5;

/// Share of the power of a bin that is left at the least.
const KEPT: f32 = 0.02;

/// Below this, dB re the direct sound, a room does not matter to the hearing.
const WET_DB_MIN: f64 = -20.0;

/// A far microphone: made rooms as loud as the direct sound were read as 0.5 to 1.
const FAR_WET: f64 = 0.7;
const FAR_RT60_S: f64 = 0.5;

/// How a room rings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Time in which its sound falls by 60 dB, seconds.
    pub rt60_s: f64,
    /// Power of its ringing over that of the direct sound, in a long note.
    pub wet: f64,
}

impl Room {
    /// Whether the microphone stands where the room is nearly as loud as the player, and long
    /// enough to blur beginnings.
    pub fn is_far(&self) -> bool {
        self.wet >= FAR_WET && self.rt60_s >= FAR_RT60_S
    }
}

/// A take's sound as it was recorded, in 16 bits of its own peak: beginnings are looked for in
/// it once more, and whole takes are kept in memory.
pub struct Recorded {
    samples: Vec<i16>,
    scale: f32,
}

impl Recorded {
    pub fn new(sound: &[f32]) -> Recorded {
        let peak = sound.iter().fold(1e-9f32, |peak, x| peak.max(x.abs()));
        let scale = peak / f32::from(i16::MAX);
        Recorded {
            samples: sound.iter().map(|x| (x / scale).round() as i16).collect(),
            scale,
        }
    }

    /// The samples of a range, as far as there are.
    pub fn piece(&self, range: std::ops::Range<usize>) -> Vec<f32> {
        let end = range.end.min(self.samples.len());
        let piece = &self.samples[range.start.min(end)..end];
        piece.iter().map(|x| f32::from(*x) * self.scale).collect()
    }
}

/// Drying takes the soft beginning of an attack with it: where the sound as recorded rises out
/// of silence, a tongued onset is looked for there again. It can only come sooner.
///
/// `piece` gives the recorded samples of a range.
pub fn onsets_as_recorded(
    sketches: &mut [Sketch],
    piece: impl Fn(std::ops::Range<usize>) -> Vec<f32>,
    sample_rate_hz: f64,
) {
    /// Looked at before and after the onset that the dried sound shows, seconds.
    const AROUND_S: (f64, f64) = (0.04, 0.05);
    /// Rise that leaves no doubt that there was silence, dB.
    const RISE_DB: f64 = 30.0;
    /// Span of the levels, seconds.
    const WIDTH_S: f64 = 0.003;
    /// Sound either side of that which the search leans on, seconds.
    const BESIDE_S: f64 = 0.03;
    let sample = |t: f64| (t.max(0.0) * sample_rate_hz) as usize;
    let mut free_s = 0.0f64;
    for sketch in sketches {
        let from_s = (sketch.onset_s - AROUND_S.0).max(free_s);
        free_s = sketch.offset_s;
        if !sketch.tongued || from_s >= sketch.onset_s {
            continue;
        }
        let until_s = sketch.onset_s + AROUND_S.1;
        let first = sample(from_s - BESIDE_S);
        let recorded = piece(first..sample(until_s + BESIDE_S));
        let begin_s = first as f64 / sample_rate_hz;
        let envelope = Envelope::new(&recorded, sample_rate_hz);
        let curve = envelope.curve_db(from_s - begin_s, until_s - begin_s, WIDTH_S);
        let (low, top) = curve.iter().fold((0.0f64, -120.0f64), |(low, top), x| {
            (low.min(*x), top.max(*x))
        });
        if top - low < RISE_DB {
            continue;
        }
        let time = |step: usize| from_s - begin_s + step as f64 * STEP_S;
        let Some(risen) = curve.iter().position(|x| *x > low + 0.75 * (top - low)) else {
            continue;
        };
        let Some(silent) = curve[..risen]
            .iter()
            .rposition(|x| *x < low + 0.1 * (top - low))
        else {
            continue;
        };
        let (from, to) = (sample(time(silent) - 0.008), sample(time(risen)));
        if let Some(change) = change_point(&recorded, sample_rate_hz, from, to, None) {
            let at_s = begin_s + change.at_samples / sample_rate_hz;
            let after = ((at_s - from_s) / STEP_S).max(0.0) as usize;
            let at_s = at_s + soft_attack_s(curve.get(after..).unwrap_or(&[]));
            if at_s < sketch.onset_s {
                sketch.onset_s = at_s.max(from_s);
                sketch.onset_se_s = change.se_samples / sample_rate_hz;
                sketch.change_se_s = sketch.onset_se_s;
            }
        }
    }
}

/// Short-time spectra, windowed by the root of a Hann window.
struct Slicer {
    length: usize,
    hop: usize,
    window: Vec<f32>,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    slice: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
}

impl Slicer {
    fn new(sample_rate_hz: f64) -> Slicer {
        let length = ((SLICE_S * sample_rate_hz) as usize)
            .next_power_of_two()
            .max(64);
        // The nearer power of two.
        let length = if length as f64 > 1.414 * SLICE_S * sample_rate_hz {
            length / 2
        } else {
            length
        };
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(length);
        let inverse = planner.plan_fft_inverse(length);
        Slicer {
            length,
            hop: length / OVERLAP,
            window: (0..length)
                .map(|i| (std::f64::consts::PI * i as f64 / length as f64).sin() as f32)
                .collect(),
            slice: forward.make_input_vec(),
            spectrum: forward.make_output_vec(),
            forward,
            inverse,
        }
    }

    /// Spectrum of the samples from `start` on (may lie before the first or after the last).
    fn analyse(&mut self, sound: &[f32], start: isize) {
        for (i, out) in self.slice.iter_mut().enumerate() {
            let at = start + i as isize;
            let sample = usize::try_from(at).ok().and_then(|at| sound.get(at));
            *out = sample.copied().unwrap_or(0.0) * self.window[i];
        }
        self.forward
            .process(&mut self.slice, &mut self.spectrum)
            .expect("buffers were made by this plan");
    }
}

/// Takes the ringing of `room` out of `sound`; same length, same times.
pub fn dry(sound: &mut [f32], sample_rate_hz: f64, room: &Room) {
    const PIECE: usize = 8192;
    let mut dryer = Dryer::new(sample_rate_hz);
    dryer.set_room(Some(*room));
    let (mut read, mut written) = (0, 0);
    let mut dried = Vec::new();
    // What comes out lags behind what went in.
    loop {
        dried.clear();
        let end = (read + PIECE).min(sound.len());
        if read < end {
            dryer.push(&sound[read..end], &mut dried);
        } else {
            dryer.finish(&mut dried);
        }
        sound[written..written + dried.len()].copy_from_slice(&dried);
        written += dried.len();
        if read == end {
            return;
        }
        read = end;
    }
}

/// Takes the room out of sound as it comes; what comes out does not depend on how it was cut,
/// and lags by less than a slice.
pub struct Dryer {
    slicer: Slicer,
    sample_rate_hz: f64,
    room: Option<Room>,
    /// Samples from the start of the next slice on.
    pending: Vec<f32>,
    /// What the slices so far have added up to, from the start of the next slice on.
    sum: Vec<f32>,
    /// Samples at the front of `sum` that lie before the sound.
    before: usize,
    ringing: Vec<f32>,
    direct: Vec<Vec<f32>>,
    n_slices: usize,
    n_in: usize,
    n_out: usize,
}

impl Dryer {
    pub fn new(sample_rate_hz: f64) -> Dryer {
        let slicer = Slicer::new(sample_rate_hz);
        let (length, hop) = (slicer.length, slicer.hop);
        let n_bins = slicer.spectrum.len();
        let delay = ((LATE_S * sample_rate_hz / hop as f64).round() as usize).max(1);
        Dryer {
            sample_rate_hz,
            room: None,
            // The first slice has one hop of sound.
            pending: vec![0.0; length - hop],
            sum: vec![0.0; length],
            before: length - hop,
            ringing: vec![0.0; n_bins],
            direct: vec![vec![0.0; n_bins]; delay],
            slicer,
            n_slices: 0,
            n_in: 0,
            n_out: 0,
        }
    }

    /// The room from the next slice on; `None` leaves the sound as it is.
    pub fn set_room(&mut self, room: Option<Room>) {
        self.room = room;
    }

    /// The next samples; those that no later slice changes are appended to `out`.
    pub fn push(&mut self, sound: &[f32], out: &mut Vec<f32>) {
        self.n_in += sound.len();
        self.pending.extend_from_slice(sound);
        self.take_slices(out);
    }

    /// The last samples.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        self.pending
            .resize(self.pending.len() + self.slicer.length, 0.0);
        self.take_slices(out);
    }

    fn take_slices(&mut self, out: &mut Vec<f32>) {
        let (length, hop) = (self.slicer.length, self.slicer.hop);
        let mut from = 0;
        while from + length <= self.pending.len() {
            if self.room.is_some() {
                self.slicer.analyse(&self.pending, from as isize);
                self.take_room_out();
            } else {
                let slicer = &mut self.slicer;
                for ((slice, sample), window) in
                    (slicer.slice.iter_mut().zip(&self.pending[from..])).zip(&slicer.window)
                {
                    *slice = sample * window * 2.0 / OVERLAP as f32;
                }
            }
            from += hop;
            for ((sum, sample), window) in
                (self.sum.iter_mut().zip(&self.slicer.slice)).zip(&self.slicer.window)
            {
                *sum += sample * window;
            }
            let skipped = self.before.min(hop);
            self.before -= skipped;
            let due = (hop - skipped).min(self.n_in - self.n_out);
            out.extend_from_slice(&self.sum[skipped..skipped + due]);
            self.n_out += due;
            self.sum.copy_within(hop.., 0);
            self.sum[length - hop..].fill(0.0);
        }
        self.pending.drain(..from);
    }

    /// From the spectrum of a slice to its samples without the room.
    fn take_room_out(&mut self) {
        let Dryer { slicer, room, .. } = self;
        let Some(room) = room else { return };
        let (length, hop) = (slicer.length, slicer.hop);
        let n_bins = slicer.spectrum.len();
        // Two windows a slice, their squares summing to half the overlap, and the FFT's own factor.
        let scale = 2.0 / (OVERLAP as f32 * length as f32);
        let kept_a_hop = 10f64.powf(-6.0 * hop as f64 / (self.sample_rate_hz * room.rt60_s)) as f32;
        let fed = room.wet as f32 * (1.0 - kept_a_hop);
        let delay = self.direct.len();
        let late = &mut self.direct[self.n_slices % delay];
        self.n_slices += 1;
        for ((bin, ringing), late) in (slicer.spectrum.iter_mut().zip(&mut self.ringing)).zip(late)
        {
            let power = bin.norm_sqr();
            *ringing = kept_a_hop * *ringing + fed * *late;
            *late = (power - *ringing).max(0.0);
            let kept = (1.0 - SUBTRACTED * *ringing / (power + 1e-20)).max(KEPT);
            *bin *= kept.sqrt() * scale;
        }
        // A real spectrum has real ends.
        slicer.spectrum[0].im = 0.0;
        slicer.spectrum[n_bins - 1].im = 0.0;
        slicer
            .inverse
            .process(&mut slicer.spectrum, &mut slicer.slice)
            .expect("buffers were made by this plan");
    }
}

/// Sound from the take's start that the room is read off, seconds.
const READ_S: f64 = 90.0;

/// Partials looked at, hertz.
const READ_HZ: (f64, f64) = (200.0, 5000.0);

/// A partial is this near the loudest of the take, and this far above its bin's floor, dB.
const BELOW_LOUD_DB: f32 = 25.0;
const OVER_FLOOR_DB: f32 = 25.0;

/// It has been steady within this much for four slices, and then falls by at least the second, dB.
const STEADY_DB: f32 = 4.0;
const FALL_DB: f32 = 1.5;

/// Another sound has come into the bin when its power rises by this much again, dB.
const RISE_DB: f32 = 6.0;

/// Slices after the stop at which what is left is read: the first whose samples all lie
/// after it, and a later one for the room's decay.
const SOON: usize = 5;
const LATER: usize = 14;

/// Fewer partials that stop say nothing.
const STOPS_MIN: usize = 20;

/// Power of one bin of a ringing room is exponentially distributed: its median lies this
/// far below its mean, dB.
const MEDIAN_BELOW_MEAN_DB: f64 = 1.6;

/// Bounds on the time of decay, seconds.
const RT60_S: (f64, f64) = (0.2, 3.0);

/// What dies more slowly than this is another sound in the partial's place, an octave slurred to.
const NO_DECAY_S: f64 = 5.0;

/// Most that a room is taken to ring: beyond, nothing would be left of a note.
const WET_MAX: f64 = 1.5;

/// How the room of a take rings, from what is left of its partials after they stop; `None` where it
/// does not, or where too little stops to say.
pub fn of_take(sound: &[f32], sample_rate_hz: f64) -> Option<Room> {
    let mut reader = RoomReader::new(sample_rate_hz);
    reader.push(sound);
    reader.room()
}

/// Reads a room off sound as it comes, the first 90 s.
pub struct RoomReader {
    slicer: Slicer,
    hop_s: f64,
    bins: std::ops::Range<usize>,
    n_slices_max: usize,
    pending: Vec<f32>,
    /// Level of each bin of each slice, dB.
    levels: Vec<f32>,
}

impl RoomReader {
    pub fn new(sample_rate_hz: f64) -> RoomReader {
        let slicer = Slicer::new(sample_rate_hz);
        let bin_of = |hz: f64| (hz * slicer.length as f64 / sample_rate_hz) as usize;
        RoomReader {
            hop_s: slicer.hop as f64 / sample_rate_hz,
            bins: bin_of(READ_HZ.0)..bin_of(READ_HZ.1).min(slicer.spectrum.len() - 1),
            n_slices_max: ((READ_S * sample_rate_hz) as usize / slicer.hop)
                .saturating_sub(OVERLAP - 1),
            slicer,
            pending: Vec::new(),
            levels: Vec::new(),
        }
    }

    /// The next samples.
    pub fn push(&mut self, sound: &[f32]) {
        for piece in sound.chunks(8192) {
            if self.levels.len() >= self.n_slices_max * self.bins.len() {
                self.pending = Vec::new();
                return;
            }
            self.pending.extend_from_slice(piece);
            let mut from = 0;
            while from + self.slicer.length <= self.pending.len()
                && self.levels.len() < self.n_slices_max * self.bins.len()
            {
                self.slicer.analyse(&self.pending, from as isize);
                from += self.slicer.hop;
                let powers = self.slicer.spectrum[self.bins.clone()].iter();
                self.levels
                    .extend(powers.map(|bin| 10.0 * (bin.norm_sqr() + 1e-12).log10()));
            }
            self.pending.drain(..from);
        }
    }

    /// The room, from what was heard so far; as [`of_take`].
    pub fn room(&self) -> Option<Room> {
        let (levels, hop_s) = (&self.levels, self.hop_s);
        let n_bins = self.bins.len();
        let n_slices = levels.len() / n_bins.max(1);
        if n_slices <= 2 * LATER {
            return None;
        }
        let level = |slice: usize, bin: usize| levels[slice * n_bins + bin];
        let quantile = |mut values: Vec<f32>, share: f64| -> f32 {
            let at = (share * (values.len() - 1) as f64) as usize;
            *values.select_nth_unstable_by(at, f32::total_cmp).1
        };
        let loudest = levels
            .chunks(n_bins)
            .map(|slice| slice.iter().copied().fold(-120.0, f32::max));
        let loud = quantile(loudest.collect(), 0.9);
        let floors: Vec<f32> = (0..n_bins)
            .map(|bin| quantile((0..n_slices).map(|slice| level(slice, bin)).collect(), 0.05))
            .collect();
        let (mut soon, mut decay) = (Vec::new(), Vec::new());
        for slice in 4..n_slices - LATER - 1 {
            for (bin, floor) in floors.iter().enumerate().take(n_bins - 1).skip(1) {
                let here = level(slice, bin);
                let is_partial = here > level(slice, bin - 1)
                    && here >= level(slice, bin + 1)
                    && here > loud - BELOW_LOUD_DB
                    && here > floor + OVER_FLOOR_DB;
                if !is_partial
                    || level(slice - 4, bin).min(level(slice - 2, bin)) < here - STEADY_DB
                    || level(slice + 2, bin) > here - FALL_DB
                {
                    continue;
                }
                let mut lowest = here;
                let alone = (1..=LATER)
                    .take_while(|k| {
                        let now = level(slice + k, bin);
                        let goes_on = now <= lowest + RISE_DB;
                        lowest = lowest.min(now);
                        goes_on
                    })
                    .count();
                if alone >= SOON {
                    soon.push(level(slice + SOON, bin) - here);
                }
                if alone >= LATER {
                    decay.push(level(slice + LATER, bin) - level(slice + SOON, bin));
                }
            }
        }
        if soon.len() < STOPS_MIN || decay.len() < STOPS_MIN {
            return None;
        }
        let left_db = f64::from(quantile(soon, 0.5)) + MEDIAN_BELOW_MEAN_DB;
        let fall_db = -f64::from(quantile(decay, 0.5)).min(-0.1);
        let rt60_s = 60.0 * (LATER - SOON) as f64 * hop_s / fall_db;
        if rt60_s > NO_DECAY_S {
            return None;
        }
        let rt60_s = rt60_s.clamp(RT60_S.0, RT60_S.1);
        // Read while it was dying already, and as a share of direct sound and room together. The stop
        // lies up to two slices later than the slice it is counted from: too wet rather than too dry,
        // which the weighing of the notes was fitted to.
        let read_after_s = SOON as f64 * hop_s - LATE_S;
        let share = 10f64
            .powf(0.1 * left_db + 6.0 * read_after_s / rt60_s)
            .min(0.9);
        let wet = (share / (1.0 - share)).min(WET_MAX);
        (10.0 * wet.log10() > WET_DB_MIN).then_some(Room { rt60_s, wet })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 16_000.0;
    const NOTE_S: f64 = 0.3;

    /// Tones of 0.3 s one after another, odd harmonics, as from a slurring clarinet.
    fn tones() -> Vec<f32> {
        let n = (NOTE_S * RATE) as usize;
        (0..24)
            .flat_map(|note| {
                let hz = 233.08 * 2f64.powf(f64::from((note * 7) % 12) / 12.0);
                (0..n).map(move |i| {
                    let t = i as f64 / RATE;
                    let harmonic = |k: f64| (std::f64::consts::TAU * k * hz * t).sin() / k;
                    let edge = (t / 0.005).min((NOTE_S - t) / 0.005).min(1.0);
                    (0.2 * edge * (harmonic(1.0) + harmonic(3.0) + harmonic(5.0))) as f32
                })
            })
            .collect()
    }

    /// Exponentially dying noise from 20 ms on: the statistical model of a room (Polack 1988),
    /// whose time of decay and power are known in closed form.
    fn in_room(sound: &[f32], rt60_s: f64, wet: f64) -> Vec<f32> {
        let mut state = 1u64;
        let mut noise = move || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 40) as f64 / f64::from(1u32 << 23) - 1.0
        };
        let late = (LATE_S * RATE) as usize;
        let mut taps: Vec<f64> = (0..(rt60_s * RATE) as usize)
            .map(|i| noise() * 10f64.powf(-3.0 * i as f64 / (rt60_s * RATE)))
            .collect();
        let power: f64 = taps.iter().map(|t| t * t).sum();
        taps.iter_mut().for_each(|t| *t *= (wet / power).sqrt());
        let n = (sound.len() + taps.len() + late).next_power_of_two();
        let mut planner = RealFftPlanner::<f64>::new();
        let (forward, inverse) = (planner.plan_fft_forward(n), planner.plan_fft_inverse(n));
        let spectrum = |values: &mut dyn Iterator<Item = f64>| {
            let mut padded: Vec<f64> = values.collect();
            padded.resize(n, 0.0);
            let mut out = forward.make_output_vec();
            forward.process(&mut padded, &mut out).unwrap();
            out
        };
        let mut product = spectrum(&mut sound.iter().map(|s| f64::from(*s)));
        let ringing = spectrum(&mut std::iter::repeat_n(0.0, late).chain(taps));
        for (a, b) in product.iter_mut().zip(ringing) {
            *a *= b;
        }
        let mut wet_sound = inverse.make_output_vec();
        inverse.process(&mut product, &mut wet_sound).unwrap();
        sound
            .iter()
            .zip(wet_sound)
            .map(|(direct, wet)| direct + (wet / n as f64) as f32)
            .collect()
    }

    #[test]
    fn a_room_is_read_off_the_sound() {
        for (rt60_s, wet) in [(0.5, 0.1), (1.0, 0.2), (1.5, 0.4)] {
            let room = of_take(&in_room(&tones(), rt60_s, wet), RATE).expect("it rings");
            let (longer, wetter) = (room.rt60_s / rt60_s, room.wet / wet);
            assert!((0.5..2.0).contains(&longer), "{room:?} for {rt60_s} s");
            // Read too wet rather than too dry: the tails of several notes add up.
            assert!((0.5..4.0).contains(&wetter), "{room:?} for {wet}");
        }
    }

    #[test]
    fn however_the_sound_is_cut_the_same_is_dried() {
        let ringing = in_room(&tones(), 1.0, 0.3);
        let room = Room {
            rt60_s: 1.0,
            wet: 0.3,
        };
        let mut whole = ringing.clone();
        dry(&mut whole, RATE, &room);
        assert_eq!(whole.len(), ringing.len());
        for piece in [1, 97, 4096] {
            let mut dryer = Dryer::new(RATE);
            dryer.set_room(Some(room));
            let mut out = Vec::new();
            for part in ringing.chunks(piece) {
                dryer.push(part, &mut out);
            }
            dryer.finish(&mut out);
            assert!(out == whole, "in pieces of {piece}");
        }
    }

    #[test]
    fn without_a_room_the_sound_stays_as_it_is() {
        let played = tones();
        let mut dryer = Dryer::new(RATE);
        let mut out = Vec::new();
        dryer.push(&played, &mut out);
        dryer.finish(&mut out);
        assert_eq!(out.len(), played.len());
        let furthest = (out.iter().zip(&played)).map(|(a, b)| (a - b).abs());
        assert!(furthest.fold(0.0, f32::max) < 1e-6);
    }

    #[test]
    fn without_a_room_none_is_found() {
        assert_eq!(of_take(&tones(), RATE), None);
    }

    #[test]
    fn what_rings_on_is_taken_away_and_what_is_played_stays() {
        let mut played = tones();
        let end = played.len();
        played.resize(end + 8000, 0.0);
        let room = Room {
            rt60_s: 1.0,
            wet: 0.3,
        };
        let ringing = in_room(&played, room.rt60_s, room.wet);
        let mut dried = ringing.clone();
        dry(&mut dried, RATE, &room);
        assert_eq!(dried.len(), ringing.len());
        let power = |sound: &[f32]| sound.iter().map(|s| s * s).sum::<f32>() / sound.len() as f32;
        let tail = end + 1600..end + 4800;
        assert!(power(&dried[tail.clone()]) < 0.1 * power(&ringing[tail]));
        let middle = end - 3200..end - 1600;
        let kept = power(&dried[middle.clone()]) / power(&played[middle]);
        assert!((0.3..1.5).contains(&kept), "{kept}");
    }
}
