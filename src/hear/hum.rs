//! Mains hum taken out of the sound: it stands still while a player moves.
//!
//! Hum is a sum of lines at multiples of the mains frequency whose size and phase hold for
//! seconds. Followed from slice to slice at the phase it would have, the median of a line is the
//! hum's, because a note stays in its bin for a few slices only and at a phase of its own.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex64;

/// Frequencies of public supplies (IEC 60196), hertz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// Length of a slice, seconds: whole periods of both mains, so that lines lie on bins 2.5 Hz apart.
const SLICE_S: f64 = 0.4;

/// Multiples of the mains looked at; above lies little.
const LINES: usize = 16;

/// Sound from the take's start that the hum is looked for in, seconds.
const READ_S: f64 = 60.0;
const SLICES_MIN: usize = 12;

/// Slices either side whose median is the hum: longer than any note in one place, shorter than
/// the supply takes to wander.
const REACH: usize = 12;

/// A line is hum where at least this share of the slices lies within this share of the median.
const STEADY_SHARE: f64 = 0.5;
const STEADY_WITHIN: f64 = 0.5;
const LINES_MIN: usize = 3;

/// Mean length of the sum of phase steps from which on they agree; uniform phases of a hundred
/// slices reach 0.3 less than once in a thousand (Rayleigh test).
const AGREEING: f64 = 0.3;

/// Hum further below the take, dB, does not matter to the hearing.
const MATTERS_DB: f64 = -50.0;

/// Supplies stay within this share of their nominal frequency (EN 50160: 1 %); twice that.
const WANDERS_SHARE: f64 = 0.02;

/// Hum goes on in every pause, and one note tongued again and again does not: the quietest spans
/// hold at least the hum's power, within this, dB. So long is a period of 50 Hz; of so many,
/// by level, the quietest are passed over.
const PAUSES_DB: f64 = 4.0;
const SPAN_S: f64 = 0.020;
const PASSED_OVER: f64 = 0.01;

/// The lines of a hum.
#[derive(Clone, Debug, PartialEq)]
pub struct Hum {
    pub mains_hz: f64,
    /// Multiples of the mains that are there.
    pub lines: Vec<usize>,
}

/// Amplitudes of the lines in every slice of `sound`, one row a slice, `lines` long.
fn amplitudes(
    sound: &[f32],
    sample_rate_hz: f64,
    mains_hz: f64,
    lines: &[usize],
) -> Vec<Vec<Complex64>> {
    let length = slice_samples(sample_rate_hz);
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(length);
    let window: Vec<f32> = (0..length)
        .map(|i| 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / length as f64).cos() as f32)
        .collect();
    let mut slice = forward.make_input_vec();
    let mut spectrum = forward.make_output_vec();
    let hop = length / 2;
    let bins: Vec<(usize, Complex64)> = lines
        .iter()
        .map(|k| {
            let bin = *k as f64 * mains_hz * length as f64 / sample_rate_hz;
            // A sine of amplitude 1 makes a quarter of the length in its bin; beside the bin's
            // middle it makes less, at another phase (transform of the Hann window).
            let beside = bin - bin.round();
            let angle = std::f64::consts::PI * beside;
            let sinc = if angle == 0.0 {
                1.0
            } else {
                angle.sin() / angle
            };
            let gain = sinc / (1.0 - beside * beside);
            let scale = Complex64::from_polar(4.0 / (length as f64 * gain), -angle);
            (bin.round() as usize, scale)
        })
        .collect();
    let mut rows = Vec::with_capacity(sound.len() / hop);
    for start in (0..(sound.len() + 1).saturating_sub(length)).step_by(hop) {
        for ((out, sample), window) in slice.iter_mut().zip(&sound[start..]).zip(&window) {
            *out = sample * window;
        }
        forward
            .process(&mut slice, &mut spectrum)
            .expect("buffers were made by this plan");
        let row = bins.iter().map(|(bin, scale)| {
            let value = spectrum[*bin];
            Complex64::new(f64::from(value.re), f64::from(value.im)) * scale
        });
        rows.push(row.collect());
    }
    rows
}

fn slice_samples(sample_rate_hz: f64) -> usize {
    // Even, so that slices overlap by half.
    2 * (0.5 * SLICE_S * sample_rate_hz).round() as usize
}

/// Turned back by the phase that each line has gained since the first slice, then the median
/// about every slice, part by part.
fn steady(rows: &[Vec<Complex64>], sample_rate_hz: f64, hum: &Hum) -> Vec<Vec<Complex64>> {
    let hop = slice_samples(sample_rate_hz) / 2;
    let turned: Vec<Vec<Complex64>> = rows
        .iter()
        .enumerate()
        .map(|(s, row)| {
            let at_s = (s * hop) as f64 / sample_rate_hz;
            let turned = row.iter().zip(&hum.lines).map(|(value, k)| {
                value * Complex64::cis(-std::f64::consts::TAU * *k as f64 * hum.mains_hz * at_s)
            });
            turned.collect()
        })
        .collect();
    let median = |s: usize, line: usize| {
        let near = &turned[s.saturating_sub(REACH)..(s + REACH + 1).min(turned.len())];
        let middle = |part: fn(&Complex64) -> f64| {
            let mut values: Vec<f64> = near.iter().map(|row| part(&row[line])).collect();
            let at = values.len() / 2;
            *values.select_nth_unstable_by(at, f64::total_cmp).1
        };
        Complex64::new(middle(|v| v.re), middle(|v| v.im))
    };
    (0..rows.len())
        .map(|s| (0..hum.lines.len()).map(|line| median(s, line)).collect())
        .collect()
}

/// The hum of a take, from its first minute; `None` where there is none that matters.
pub fn of_take(sound: &[f32], sample_rate_hz: f64) -> Option<Hum> {
    let read = &sound[..sound.len().min((READ_S * sample_rate_hz) as usize)];
    let power = read.iter().map(|x| f64::from(x * x)).sum::<f64>() / read.len().max(1) as f64;
    let all: Vec<usize> = (1..=LINES).collect();
    let hop_s = (slice_samples(sample_rate_hz) / 2) as f64 / sample_rate_hz;
    MAINS_HZ.into_iter().find_map(|nominal_hz| {
        let rows = amplitudes(read, sample_rate_hz, nominal_hz, &all);
        if rows.len() < SLICES_MIN {
            return None;
        }
        // The step of phase from slice to slice tells how far the supply is from its nominal.
        let (mut off, mut weight) = (0.0, 0.0);
        for k in &all {
            let nominal = Complex64::cis(-std::f64::consts::TAU * *k as f64 * nominal_hz * hop_s);
            let sum: Complex64 = rows
                .windows(2)
                .map(|pair| pair[1][k - 1] * pair[0][k - 1].conj() * nominal)
                .map(|step| step / (step.norm() + 1e-30))
                .sum();
            let agreement = sum.norm() / (rows.len() - 1) as f64;
            if agreement > AGREEING {
                // A line under notes agrees a little, and with them: it hardly counts.
                let line = *k as f64 * (agreement / (1.001 - agreement)).powi(2);
                off += line * sum.arg() / (std::f64::consts::TAU * *k as f64 * hop_s);
                weight += line;
            }
        }
        if weight <= 0.0 || (off / weight).abs() > WANDERS_SHARE * nominal_hz {
            return None;
        }
        let mut hum = Hum {
            mains_hz: nominal_hz + off / weight,
            lines: all.clone(),
        };
        let rows = amplitudes(read, sample_rate_hz, hum.mains_hz, &all);
        let medians = steady(&rows, sample_rate_hz, &hum);
        let turn = |s: usize, k: usize| {
            Complex64::cis(-std::f64::consts::TAU * k as f64 * hum.mains_hz * s as f64 * hop_s)
        };
        let is_hum = |k: &usize| {
            let near = rows
                .iter()
                .zip(&medians)
                .enumerate()
                .filter(|(s, (row, m))| {
                    (row[k - 1] * turn(*s, *k) - m[k - 1]).norm() < STEADY_WITHIN * m[k - 1].norm()
                });
            near.count() as f64 >= STEADY_SHARE * rows.len() as f64
        };
        let lines: Vec<usize> = all.iter().copied().filter(is_hum).collect();
        let of_lines: f64 = lines
            .iter()
            .map(|k| 0.5 * medians[rows.len() / 2][k - 1].norm_sqr())
            .sum();
        hum.lines = lines;
        let db_over = |power: f64| 10.0 * (of_lines / (power + 1e-20)).log10();
        (hum.lines.len() >= LINES_MIN
            && db_over(power) > MATTERS_DB
            && db_over(quietest_power(read, sample_rate_hz)) < PAUSES_DB)
            .then_some(hum)
    })
}

/// Mean power of the quietest spans between the first sample recorded and the last.
fn quietest_power(sound: &[f32], sample_rate_hz: f64) -> f64 {
    let first = sound.iter().position(|x| *x != 0.0).unwrap_or(0);
    let end = sound.iter().rposition(|x| *x != 0.0).map_or(0, |i| i + 1);
    let sound = sound.get(first..end).unwrap_or(&[]);
    let span = ((SPAN_S * sample_rate_hz) as usize).max(1);
    let mut powers: Vec<f64> = sound
        .chunks_exact(span)
        .map(|samples| samples.iter().map(|x| f64::from(x * x)).sum::<f64>() / span as f64)
        .collect();
    powers.sort_by(f64::total_cmp);
    powers
        .get((PASSED_OVER * powers.len() as f64) as usize)
        .copied()
        .unwrap_or(0.0)
}

/// Takes the hum out of `sound`, its lines followed over the whole take.
pub fn remove(sound: &mut [f32], sample_rate_hz: f64, hum: &Hum) {
    let rows = amplitudes(sound, sample_rate_hz, hum.mains_hz, &hum.lines);
    let medians = steady(&rows, sample_rate_hz, hum);
    let Some(last) = medians.len().checked_sub(1) else {
        return;
    };
    let hop = slice_samples(sample_rate_hz) / 2;
    for (line, k) in hum.lines.iter().enumerate() {
        let w = std::f64::consts::TAU * *k as f64 * hum.mains_hz / sample_rate_hz;
        // A slice stands for its middle; between two of them the size goes in a straight line.
        for (piece, samples) in sound.chunks_mut(hop).enumerate() {
            let from = medians[piece.saturating_sub(1).min(last)][line];
            let to = medians[piece.min(last)][line];
            let step = (to - from) / hop as f64;
            let (mut size, mut phase) = (from, Complex64::cis(w * (piece * hop) as f64));
            let turn = Complex64::cis(w);
            for sample in samples {
                *sample -= (size * phase).re as f32;
                size += step;
                phase *= turn;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 22_050.0;

    /// Twenty seconds of notes of 0.25 s in two octaves, two partials each.
    fn playing() -> Vec<f32> {
        (0..(20.0 * RATE) as usize)
            .map(|i| {
                let t = i as f64 / RATE;
                let note = (t / 0.25) as usize;
                let hz = 110.0 * 2f64.powf(((note * 7) % 24) as f64 / 12.0);
                let wave = |k: f64| (std::f64::consts::TAU * k * hz * t).sin() / k;
                (0.2 * (wave(1.0) + wave(2.0))) as f32
            })
            .collect()
    }

    fn humming(mains_hz: f64) -> Vec<f32> {
        (0..(20.0 * RATE) as usize)
            .map(|i| {
                let t = i as f64 / RATE;
                let line = |k: f64| (std::f64::consts::TAU * k * mains_hz * t + k).sin() / k;
                (0.05 * (1..8).map(|k| line(f64::from(k))).sum::<f64>()) as f32
            })
            .collect()
    }

    fn power(sound: &[f32]) -> f32 {
        sound.iter().map(|x| x * x).sum::<f32>() / sound.len() as f32
    }

    #[test]
    fn hum_is_taken_out_and_playing_stays() {
        // Supplies wander by tenths of a hertz (EN 50160: within 1 % for 99.5 % of a year).
        for mains_hz in [50.0, 49.93, 60.0, 60.04] {
            let (played, hum) = (playing(), humming(mains_hz));
            let mut sound: Vec<f32> = played.iter().zip(&hum).map(|(a, b)| a + b).collect();
            let found = of_take(&sound, RATE).expect("it hums");
            assert!(
                (found.mains_hz - mains_hz).abs() < 0.01,
                "{found:?} for {mains_hz}"
            );
            remove(&mut sound, RATE, &found);
            let left: Vec<f32> = sound.iter().zip(&played).map(|(a, b)| a - b).collect();
            let left_db = 10.0 * (power(&left) / power(&hum)).log10();
            assert!(
                left_db < -12.0,
                "{left_db} dB of the hum at {mains_hz} Hz are left"
            );
        }
    }

    #[test]
    fn playing_does_not_hum() {
        assert_eq!(of_take(&playing(), RATE), None);
    }

    #[test]
    fn one_note_again_and_again_is_no_hum() {
        // G3 at A4 = 440 Hz is 196.0 Hz, beside the fourth line of 50 Hz; tongued four times a
        // second with gaps of 40 ms.
        for hz in [196.0, 200.0, 240.0] {
            let sound: Vec<f32> = (0..(20.0 * RATE) as usize)
                .map(|i| {
                    let t = i as f64 / RATE;
                    let wave = |k: f64| (std::f64::consts::TAU * k * hz * t).sin() / k;
                    let gap = t.rem_euclid(0.25) > 0.21;
                    let tone = 0.2 * (1..8).map(|k| wave(f64::from(k))).sum::<f64>();
                    (if gap { 0.0 } else { tone }) as f32
                })
                .collect();
            assert_eq!(of_take(&sound, RATE), None, "{hz} Hz");
        }
    }
}
