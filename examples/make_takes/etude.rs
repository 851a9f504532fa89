//! Random études: scales, arpeggios, finger drills, leaps and repeated notes in every key.

use passagework::line::Spelling;
use passagework::sound::voice::{Rng, Timbre};

/// Divisions of a quarter: sixteenths are 6, triplet eighths 8, sextuplets 4.
pub const DIVISIONS: u32 = 24;

pub struct Instrument {
    pub name: &'static str,
    /// MusicXML 4.0 sound id.
    pub sound: &'static str,
    pub part: &'static str,
    pub transpose: i32,
    /// Written range used, MIDI numbers.
    pub low: i32,
    pub high: i32,
    pub timbre: Timbre,
    /// General MIDI programme, from 0.
    pub programme: u8,
}

/// Transpositions and ranges as in the instrument table of Debian's musescore-common 2.3.2.
pub const INSTRUMENTS: &[Instrument] = &[
    Instrument {
        name: "clarinet-bb",
        sound: "wind.reed.clarinet.bflat",
        part: "Clarinet in Bb",
        transpose: -2,
        low: 52,
        high: 91,
        timbre: Timbre::Clarinet,
        programme: 71,
    },
    Instrument {
        name: "bass-clarinet",
        sound: "wind.reed.clarinet.bass",
        part: "Bass Clarinet",
        transpose: -14,
        low: 51,
        high: 84,
        timbre: Timbre::Clarinet,
        programme: 71,
    },
    Instrument {
        name: "flute",
        sound: "wind.flutes.flute",
        part: "Flute",
        transpose: 0,
        low: 60,
        high: 93,
        timbre: Timbre::Flute,
        programme: 73,
    },
    Instrument {
        name: "alto-sax",
        sound: "wind.reed.saxophone.alto",
        part: "Alto Saxophone",
        transpose: -9,
        low: 58,
        high: 87,
        timbre: Timbre::Saxophone,
        programme: 65,
    },
    Instrument {
        name: "tenor-sax",
        sound: "wind.reed.saxophone.tenor",
        part: "Tenor Saxophone",
        transpose: -14,
        low: 58,
        high: 87,
        timbre: Timbre::Saxophone,
        programme: 66,
    },
    Instrument {
        name: "oboe",
        sound: "wind.reed.oboe",
        part: "Oboe",
        transpose: 0,
        low: 58,
        high: 87,
        timbre: Timbre::DoubleReed,
        programme: 68,
    },
    Instrument {
        name: "bassoon",
        sound: "wind.reed.bassoon",
        part: "Bassoon",
        transpose: 0,
        low: 34,
        high: 69,
        timbre: Timbre::DoubleReed,
        programme: 70,
    },
];

/// One symbol of the page: a note, or a rest where `pitch` is `None`.
#[derive(Clone, Debug, PartialEq)]
pub struct Symbol {
    pub pitch: Option<Spelling>,
    pub duration: u32,
    /// Inside a slur and not its first note.
    pub slur_in: bool,
    pub staccato: bool,
    pub fermata: bool,
}

pub struct Etude {
    pub title: String,
    pub instrument: &'static Instrument,
    pub fifths: i32,
    pub beats: u32,
    pub beat_type: u32,
    pub bars: Vec<Vec<Symbol>>,
    /// Bars (from, to), both included, that are repeated once.
    pub repeat: Option<(usize, usize)>,
}

/// A note in playing order.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    pub written_midi: i32,
    pub sounding_midi: i32,
    pub at_quarters: f64,
    pub duration_quarters: f64,
    pub slur_in: bool,
    pub staccato: bool,
    pub fermata: bool,
    /// Index of the bar in playing order.
    pub bar_idx: usize,
}

impl Etude {
    pub fn bar_quarters(&self) -> f64 {
        self.beats as f64 * 4.0 / self.beat_type as f64
    }

    /// Sounding pitches the instrument can give.
    pub fn sounding_range(&self) -> std::ops::RangeInclusive<i32> {
        let instrument = self.instrument;
        instrument.low + instrument.transpose..=instrument.high + instrument.transpose
    }

    /// Quarters of one beat: 1.5 in 6/8.
    pub fn beat_quarters(&self) -> f64 {
        if self.beat_type == 8 {
            1.5
        } else {
            4.0 / self.beat_type as f64
        }
    }

    /// Page bars in playing order.
    pub fn bar_order(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.bars.len()).collect();
        if let Some((from, to)) = self.repeat {
            order.splice(to + 1..to + 1, from..=to);
        }
        order
    }

    pub fn notes(&self) -> Vec<Note> {
        let mut notes = Vec::new();
        for (bar_idx, page_idx) in self.bar_order().into_iter().enumerate() {
            let mut at = bar_idx as f64 * self.bar_quarters();
            for symbol in &self.bars[page_idx] {
                let duration_quarters = symbol.duration as f64 / DIVISIONS as f64;
                if let Some(pitch) = symbol.pitch {
                    notes.push(Note {
                        written_midi: pitch.midi(),
                        sounding_midi: pitch.midi() + self.instrument.transpose,
                        at_quarters: at,
                        duration_quarters,
                        slur_in: symbol.slur_in,
                        staccato: symbol.staccato,
                        fermata: symbol.fermata,
                        bar_idx,
                    });
                }
                at += duration_quarters;
            }
        }
        notes
    }
}

/// How a stretch of notes is tongued.
#[derive(Clone, Copy, Debug)]
enum Tonguing {
    Slurred,
    SlurredByBeat,
    Tongued,
    Staccato,
    TwoAndTwo,
}

/// What the notes of a stretch do.
#[derive(Clone, Copy, Debug)]
enum Figure {
    Scale,
    Arpeggio,
    Thirds,
    Drill,
    Repeated,
    Leaps,
    Twelfths,
    Chromatic,
}

pub struct EtudeOptions {
    pub n_notes: usize,
    pub repeat: bool,
    /// Bars in which only runs of equal notes stand.
    pub even_runs: bool,
    pub instrument: Option<&'static str>,
    /// Bars come again as they were, or a step higher or lower, as studies have it.
    pub patterned: bool,
    /// A tonguing exercise: few pitches, each tongued again and again.
    pub one_pitch: bool,
}

pub fn compose(title: &str, options: &EtudeOptions, rng: &mut Rng) -> Etude {
    let instrument = match options.instrument {
        Some(name) => INSTRUMENTS
            .iter()
            .find(|i| i.name == name)
            .expect("a name of the table"),
        None if rng.chance(0.7) => &INSTRUMENTS[0],
        None => rng.pick(&INSTRUMENTS[1..]),
    };
    let fifths = rng.below(13) as i32 - 6;
    let (beats, beat_type) = *rng.pick(&[(4, 4), (4, 4), (3, 4), (6, 8), (2, 4)]);
    let mut etude = Etude {
        title: title.to_owned(),
        instrument,
        fifths,
        beats,
        beat_type,
        bars: Vec::new(),
        repeat: None,
    };
    let scale: Vec<i32> = (instrument.low..=instrument.high)
        .filter(|midi| [0, 2, 4, 5, 7, 9, 11].contains(&(midi - 7 * fifths).rem_euclid(12)))
        .collect();
    let mut pitches = Pitches {
        scale,
        low: instrument.low,
        high: instrument.high,
        at: 0,
        figure: Figure::Scale,
        left: 0,
        up: true,
        step: 0,
        base: 0,
        other: 0,
    };
    pitches.at = rng.below(pitches.scale.len());
    let mut n_notes = 0;
    let mut tonguing = Tonguing::Slurred;
    let mut last: Option<i32> = None;
    let mut pattern_kept: Option<Vec<(u32, bool)>> = None;
    while n_notes < options.n_notes {
        let bar_idx = etude.bars.len();
        if options.patterned
            && let Some(bar) = pattern_again(&etude, &pitches.scale, rng)
        {
            n_notes += bar.iter().filter(|s| s.pitch.is_some()).count();
            etude.bars.push(bar);
            last = None;
            continue;
        }
        if bar_idx.is_multiple_of(2) {
            tonguing = if options.one_pitch {
                *rng.pick(&[Tonguing::Tongued, Tonguing::Tongued, Tonguing::Staccato])
            } else {
                *rng.pick(&[
                    Tonguing::Slurred,
                    Tonguing::Slurred,
                    Tonguing::SlurredByBeat,
                    Tonguing::Tongued,
                    Tonguing::Staccato,
                    Tonguing::TwoAndTwo,
                ])
            };
            pattern_kept = if options.even_runs || rng.chance(0.6) {
                Some(beat_pattern(beat_type, true, rng))
            } else {
                None
            };
        }
        let n_beats = if beat_type == 8 { 2 } else { beats };
        let mut bar = Vec::new();
        for beat in 0..n_beats {
            let pattern = pattern_kept
                .clone()
                .unwrap_or_else(|| beat_pattern(beat_type, false, rng));
            for (place, (duration, rest)) in pattern.into_iter().enumerate() {
                if rest {
                    bar.push(Symbol {
                        pitch: None,
                        duration,
                        slur_in: false,
                        staccato: false,
                        fermata: false,
                    });
                    last = None;
                    continue;
                }
                let midi = if options.one_pitch {
                    pitches.again(rng)
                } else {
                    pitches.next(rng)
                };
                let slur_in = match tonguing {
                    Tonguing::Slurred => beat > 0 || place > 0,
                    Tonguing::SlurredByBeat => place > 0,
                    Tonguing::Tongued | Tonguing::Staccato => false,
                    Tonguing::TwoAndTwo => place == 1,
                } && last.is_some_and(|old| old != midi);
                bar.push(Symbol {
                    pitch: Some(Spelling::of_midi(midi, fifths)),
                    duration,
                    slur_in,
                    staccato: matches!(tonguing, Tonguing::Staccato),
                    fermata: false,
                });
                last = Some(midi);
                n_notes += 1;
            }
        }
        etude.bars.push(bar);
    }
    if options.repeat && etude.bars.len() >= 4 {
        let from = rng.below(etude.bars.len() / 2);
        etude.repeat = Some((from, from + 1));
        // No slur leads into, round or out of the repeat.
        etude.bars[from][0].slur_in = false;
        if let Some(after) = etude.bars.get_mut(from + 2) {
            after[0].slur_in = false;
        }
    }
    etude
}

/// The bar before or an earlier one once more, as it was or moved along the scale; mostly nothing.
fn pattern_again(etude: &Etude, scale: &[i32], rng: &mut Rng) -> Option<Vec<Symbol>> {
    let n_bars = etude.bars.len();
    if n_bars == 0 || !rng.chance(0.55) {
        return None;
    }
    let of = if rng.chance(0.7) {
        n_bars - 1
    } else {
        rng.below(n_bars)
    };
    let steps = *rng.pick(&[0, 0, 1, 1, -1, -1, 2]);
    let mut bar = etude.bars[of].clone();
    for symbol in &mut bar {
        let Some(pitch) = symbol.pitch else { continue };
        let place = scale.iter().position(|midi| *midi == pitch.midi())? as i32;
        let midi = *scale.get(usize::try_from(place + steps).ok()?)?;
        symbol.pitch = Some(Spelling::of_midi(midi, etude.fifths));
    }
    // No slur leads into the pattern.
    bar[0].slur_in = false;
    Some(bar)
}

/// Durations of one beat, with whether each is a rest.
fn beat_pattern(beat_type: u32, runs_only: bool, rng: &mut Rng) -> Vec<(u32, bool)> {
    let note = |durations: &[u32]| durations.iter().map(|d| (*d, false)).collect::<Vec<_>>();
    let choice = rng.below(if runs_only { 5 } else { 12 });
    if beat_type == 8 {
        return match choice {
            0..=2 => note(&[6; 6]),
            3 | 4 => note(&[12, 12, 12]),
            5 => note(&[24, 12]),
            6 => note(&[12, 6, 6, 12]),
            7 => note(&[36]),
            8 => vec![(12, false), (12, false), (12, true)],
            9 => vec![(12, true), (6, false), (6, false), (6, false), (6, false)],
            _ => note(&[6; 6]),
        };
    }
    match choice {
        0..=2 => note(&[6; 4]),
        3 => note(&[8; 3]),
        4 => {
            if rng.chance(0.3) {
                note(&[4; 6])
            } else {
                note(&[12, 12])
            }
        }
        5 => note(&[12, 6, 6]),
        6 => note(&[6, 6, 12]),
        7 => note(&[24]),
        8 => vec![(12, false), (12, true)],
        9 => vec![(6, true), (6, false), (6, false), (6, false)],
        10 => note(&[18, 6]),
        _ => note(&[6; 4]),
    }
}

struct Pitches {
    scale: Vec<i32>,
    low: i32,
    high: i32,
    /// Place in the scale.
    at: usize,
    figure: Figure,
    left: usize,
    up: bool,
    step: usize,
    base: i32,
    other: i32,
}

impl Pitches {
    /// The same pitch, seldom its neighbour, from time to time another.
    fn again(&mut self, rng: &mut Rng) -> i32 {
        if self.left == 0 {
            self.left = 8 + rng.below(25);
            self.at = rng.below(self.scale.len());
            self.base = self.scale[self.at];
        }
        self.left -= 1;
        if rng.chance(0.06) {
            self.walk(1);
            self.base = self.scale[self.at];
        }
        self.base
    }

    fn next(&mut self, rng: &mut Rng) -> i32 {
        if self.left == 0 {
            self.figure = *rng.pick(&[
                Figure::Scale,
                Figure::Scale,
                Figure::Scale,
                Figure::Arpeggio,
                Figure::Thirds,
                Figure::Drill,
                Figure::Drill,
                Figure::Repeated,
                Figure::Leaps,
                Figure::Twelfths,
                Figure::Chromatic,
            ]);
            self.left = 6 + rng.below(11);
            self.step = 0;
            self.up = rng.chance(0.5);
            if rng.chance(0.3) {
                self.at = rng.below(self.scale.len());
            }
            self.base = self.scale[self.at];
            let interval = *rng.pick(&[1, 2, 3, 4, 5, 5, 7, 9]);
            self.other = if self.base + interval <= self.high {
                self.base + interval
            } else {
                self.base - interval
            };
        }
        self.left -= 1;
        self.step += 1;
        match self.figure {
            Figure::Scale => self.walk(1),
            Figure::Arpeggio => self.walk(2),
            Figure::Thirds => {
                if self.step.is_multiple_of(2) {
                    self.up = !self.up;
                    let pitch = self.walk(1);
                    self.up = !self.up;
                    pitch
                } else {
                    self.walk(2)
                }
            }
            Figure::Drill => {
                if self.step.is_multiple_of(2) {
                    self.other
                } else {
                    self.base
                }
            }
            Figure::Repeated => {
                if self.step % 4 == 1 && self.step > 1 {
                    self.walk(1)
                } else {
                    self.scale[self.at]
                }
            }
            Figure::Leaps => {
                let old = self.at;
                while self.at == old {
                    self.at = rng.below(self.scale.len());
                }
                self.scale[self.at]
            }
            Figure::Twelfths => {
                let low = self.base.min(self.high - 19).max(self.low);
                let low = low + (self.step as i32 / 2) % 3;
                if self.step.is_multiple_of(2) {
                    (low + 19).min(self.high)
                } else {
                    low
                }
            }
            Figure::Chromatic => {
                let midi = self.base + if self.up { 1 } else { -1 };
                self.base = if midi > self.high || midi < self.low {
                    self.up = !self.up;
                    2 * self.base - midi
                } else {
                    midi
                };
                let base = self.base;
                self.at = self
                    .scale
                    .iter()
                    .position(|s| *s >= base)
                    .unwrap_or(self.scale.len() - 1);
                self.base
            }
        }
    }

    /// So many scale steps on, turning at the ends of the range.
    fn walk(&mut self, steps: usize) -> i32 {
        if self.up && self.at + steps >= self.scale.len() || !self.up && self.at < steps {
            self.up = !self.up;
        }
        self.at = if self.up {
            (self.at + steps).min(self.scale.len() - 1)
        } else {
            self.at.saturating_sub(steps)
        };
        self.scale[self.at]
    }
}
