//! Conversions between the units of pitch and time, each named after both ends.

/// Frequency in Hz of a (fractional) MIDI note number at A4 = `a4_hz`.
///
/// f = a4 · 2^((m − 69)/12), equal temperament (Suits, "Equations for the frequency table").
pub fn midi_to_hz(midi: f64, a4_hz: f64) -> f64 {
    a4_hz * ((midi - 69.0) / 12.0).exp2()
}

/// Fractional MIDI note number of `f0_hz` at A4 = `a4_hz`; both finite and above zero.
pub fn hz_to_midi(f0_hz: f64, a4_hz: f64) -> f64 {
    69.0 + 12.0 * (f0_hz / a4_hz).log2()
}

/// Distance from `reference_hz` to `f0_hz` in cents; positive when sharp.
///
/// Both frequencies must be finite and above zero. An octave is 1200 cents.
pub fn cents_between(reference_hz: f64, f0_hz: f64) -> f64 {
    1200.0 * (f0_hz / reference_hz).log2()
}

/// The harmonic nearest to so many semitones above the first, and how far off they are, semitones:
/// 19.0 lies 0.02 below the third.
pub fn nearest_harmonic(semitones: f64) -> (f64, f64) {
    let number = (semitones / 12.0).exp2().round().max(1.0);
    (number, semitones - 12.0 * number.log2())
}

/// Level in dB relative to full scale of an RMS amplitude; silence gives −120.
pub fn rms_to_dbfs(rms: f64) -> f64 {
    20.0 * rms.max(1e-6).log10()
}
