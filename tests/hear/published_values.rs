//! Pitch, tuning and transposition against published tables.

use passagework::convert::{cents_between, hz_to_midi, midi_to_hz};
use passagework::line::Spelling;
use passagework::line::instruments;

fn midi(name: &str) -> i32 {
    let letters = "CDEFGAB";
    let spelling = Spelling {
        letter: letters.find(&name[..1]).unwrap() as u8,
        alter: name.matches('#').count() as i8,
        octave: name[name.len() - 1..].parse().unwrap(),
    };
    spelling.midi()
}

/// B. H. Suits, Michigan Technological University, "Frequencies of musical notes, A4 = 440 Hz":
/// two decimals, so half of the last one is the tolerance.
#[test]
fn frequencies_of_suits_table() {
    for (name, hz) in [
        ("C2", 65.41),
        ("E2", 82.41),
        ("D3", 146.83),
        ("E3", 164.81),
        ("F3", 174.61),
        ("G3", 196.00),
        ("G#3", 207.65),
        ("A3", 220.00),
        ("A#3", 233.08),
        ("C4", 261.63),
        ("E4", 329.63),
        ("A4", 440.00),
        ("A#4", 466.16),
        ("B4", 493.88),
        ("C5", 523.25),
        ("F#5", 739.99),
        ("A5", 880.00),
        ("C6", 1046.50),
        ("E6", 1318.51),
        ("F6", 1396.91),
    ] {
        let computed = midi_to_hz(f64::from(midi(name)), 440.0);
        assert!((computed - hz).abs() <= 0.0051, "{name}: {computed} {hz}");
        let back = hz_to_midi(computed, 440.0);
        assert!(
            (back - f64::from(midi(name))).abs() < 1e-9,
            "{name}: {back}"
        );
    }
}

/// MIDI Tuning specification (MIDI Manufacturers Association), frequency data format: a
/// semitone, then a fraction of 14 bits in steps of 100/16384 cent. Four decimals.
///
/// The specification's 00 00 01, 78 00 00, 7F 00 00 and 7F 7F 7E are misprinted there, against
/// its own formula, and left out here.
#[test]
fn frequencies_of_the_midi_tuning_specification() {
    for (bytes, hz) in [
        ([0x00, 0x00, 0x00], 8.1758),
        ([0x01, 0x00, 0x00], 8.6620),
        ([0x0C, 0x00, 0x00], 16.3516),
        ([0x3C, 0x00, 0x00], 261.6256),
        ([0x3D, 0x00, 0x00], 277.1827),
        ([0x44, 0x7F, 0x7F], 439.9984),
        ([0x45, 0x00, 0x00], 440.0000),
        ([0x45, 0x00, 0x01], 440.0016),
    ] {
        let fraction = f64::from(bytes[1]) * 128.0 + f64::from(bytes[2]);
        let computed = midi_to_hz(f64::from(bytes[0]) + fraction / 16384.0, 440.0);
        assert!(
            (computed - hz).abs() <= 1e-4,
            "{bytes:02X?}: {computed} {hz}"
        );
    }
}

/// c = 1200 · log2(f/f_ref), the definition of the cent (A. J. Ellis, 1885); values computed
/// from it to three decimals apart from this project.
#[test]
fn cents_of_pitch_standards() {
    for (hz, cents) in [
        (415.0, -101.271),
        (432.0, -31.767),
        (438.0, -7.887),
        (441.0, 3.930),
        (442.0, 7.851),
        (443.0, 11.764),
        (444.0, 15.667),
        (440.2542, 1.0),
        (441.2726, 5.0),
        (442.5489, 10.0),
        (446.3999, 25.0),
        (452.8930, 50.0),
        (466.1638, 100.0),
    ] {
        let computed = cents_between(440.0, hz);
        assert!((computed - cents).abs() <= 1e-3, "{hz}: {computed} {cents}");
    }
}

/// MusicXML 4.0, `transpose` (the horn is its example: diatonic −4, chromatic −7): semitones
/// are `chromatic` and twelve for each `octave-change`. The others are the written-to-sounding
/// intervals of music21's `instrument.py`.
#[test]
fn transpositions_of_the_instrument_table() {
    for (name, chromatic, octave_change) in [
        ("horn-f", -7, 0),
        ("clarinet-bb", -2, 0),
        ("clarinet-a", -3, 0),
        ("clarinet-eb", 3, 0),
        ("bass-clarinet", -2, -1),
        ("alto-sax", -9, 0),
        ("tenor-sax", -2, -1),
        ("baritone-sax", -9, -1),
        ("piccolo", 0, 1),
        ("double-bass", 0, -1),
    ] {
        let row = instruments::find(name).unwrap_or_else(|| panic!("{name} is in the table"));
        let semitones = chromatic + 12 * octave_change;
        assert_eq!(row.transpose_semitones, semitones, "{name}");
    }
}
