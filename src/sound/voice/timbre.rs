/// Which harmonics a tone has, by kind of instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Timbre {
    Clarinet,
    Saxophone,
    DoubleReed,
    Flute,
}

/// Above this the tone-hole lattice lets sound out and a clarinet's spectrum falls, Hz.
/// About 1.5 kHz for the B-flat clarinet (common practice; Benade's cutoff frequency).
const CLARINET_CUTOFF_HZ: f64 = 1500.0;
/// Sounding pitches between which the clarinet's even harmonics lose their weakness:
/// hollow up to about F4 sounding, none from the clarion on (UNSW clarinet pages B4, G4).
const HOLLOW_UNTIL_MIDI: f64 = 62.0;
const FULL_FROM_MIDI: f64 = 72.0;

impl Timbre {
    /// Amplitude of harmonic `number` (from 1) of a tone at `f0_hz`, `midi`, before normalising.
    /// `brightness` 0 (soft) to 1 (loud).
    pub fn harmonic(&self, number: usize, f0_hz: f64, midi: f64, brightness: f64) -> f64 {
        let n = number as f64;
        let hz = n * f0_hz;
        // Soft tones lose their upper harmonics: one power of n between soft and loud.
        let softness = n.powf(-0.9 * (1.0 - brightness));
        match self {
            Timbre::Clarinet => {
                let lowpass = 1.0 / (1.0 + (hz / CLARINET_CUTOFF_HZ).powi(4)).sqrt() + 0.02;
                let hollow = ((FULL_FROM_MIDI - midi) / (FULL_FROM_MIDI - HOLLOW_UNTIL_MIDI))
                    .clamp(0.0, 1.0);
                // The lack of even harmonics fades with their number.
                let even = if number.is_multiple_of(2) {
                    let weak = (0.03 * n.powf(1.3)).min(1.0);
                    0.7 * (1.0 - hollow) + weak * hollow
                } else {
                    1.0
                };
                n.powf(-0.55) * lowpass * even * softness
            }
            Timbre::Saxophone => {
                let bump = 1.0 + 1.5 * (-((hz - 900.0) / 500.0).powi(2)).exp();
                n.powf(-0.8) * bump * softness / (1.0 + (hz / 2500.0).powi(3))
            }
            Timbre::DoubleReed => {
                let bump = 0.35
                    + (-((hz - 550.0) / 250.0).powi(2)).exp()
                    + 1.2 * (-((hz - 1300.0) / 450.0).powi(2)).exp();
                n.powf(-0.4) * bump * softness / (1.0 + (hz / 3500.0).powi(3))
            }
            Timbre::Flute => n.powf(-1.7) * softness / (1.0 + (hz / 4000.0).powi(3)),
        }
    }
}
