//! Made-up lines and performances of them, with the truth, to measure the alignment by rates.
//!
//! The performer jitters, drifts, plays wrong, leaves out, adds, goes back and jumps ahead; the
//! "hearing" after it adds doubtful sounds and rival pitches as a pitch tracker in a room would.

#![allow(dead_code)]

use passagework::align::{Alignment, Outcome};
use passagework::hear::{HeardNote, Hearing, PitchCandidate};
use passagework::line::{Key, Line, LineBar, LineNote, Ornament, Spelling};

/// Deterministic random numbers (splitmix64, Steele, Lea & Flood, OOPSLA 2014).
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Uniform in 0 to 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Roughly normal, mean 0 and standard deviation 1 (sum of twelve uniforms).
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len())]
    }
}

/// A note to write: sounding MIDI (`None` is a rest), quarters, grace, ornament.
#[derive(Clone, Copy, Debug)]
pub struct Written {
    pub midi: Option<i32>,
    pub quarters: f64,
    pub grace: bool,
    pub ornament: Option<Ornament>,
}

pub fn note(midi: i32, quarters: f64) -> Written {
    Written {
        midi: Some(midi),
        quarters,
        grace: false,
        ornament: None,
    }
}

/// Builds a line in 4/4 from notes in page order; `repeat` plays the bars `from..to` twice.
pub fn line_of(page: &[Written], repeat: Option<(usize, usize)>) -> Line {
    let mut bars: Vec<Vec<(f64, Written)>> = vec![Vec::new()];
    let mut at = 0.0;
    for written in page {
        if at >= 4.0 - 1e-9 {
            bars.push(Vec::new());
            at -= 4.0;
        }
        if let Some(bar) = bars.last_mut() {
            bar.push((at, *written));
        }
        at += written.quarters;
    }
    let mut order: Vec<usize> = (0..bars.len()).collect();
    if let Some((from, to)) = repeat {
        let (from, to) = (from.min(bars.len()), to.min(bars.len()));
        order = (0..to).chain(from..bars.len()).collect();
    }
    let mut line = Line {
        title: String::new(),
        part: String::new(),
        parts: Vec::new(),
        instrument: "clarinet-bb".into(),
        transpose_semitones: -2,
        key: Key {
            fifths: 0,
            mode: "major".into(),
        },
        tempo: None,
        bars: Vec::new(),
        notes: Vec::new(),
        problems: Vec::new(),
    };
    for (bar_idx, &page_idx) in order.iter().enumerate() {
        let pass = 1 + order[..bar_idx].iter().filter(|&&p| p == page_idx).count() as u32;
        let onset_quarters = 4.0 * bar_idx as f64;
        let number = (page_idx + 1).to_string();
        line.bars.push(LineBar {
            number: number.clone(),
            page_idx,
            pass,
            onset_quarters,
            length_quarters: 4.0,
            beat_quarters: 1.0,
            first_beat: 1.0,
            ..LineBar::default()
        });
        for (at, written) in &bars[page_idx] {
            let Some(midi) = written.midi else { continue };
            line.notes.push(LineNote {
                bar: number.clone(),
                bar_idx,
                pass,
                beat: 1.0 + at,
                onset_quarters: onset_quarters + at,
                duration_quarters: written.quarters,
                written: Spelling::of_midi(midi + 2, 0),
                sounding_midi: midi,
                grace: written.grace,
                slurred: false,
                articulations: Vec::new(),
                ornament: written.ornament,
                fermata: false,
                breath_after: false,
                dynamic: None,
            });
        }
    }
    line
}

/// The kinds of étude that tempt an aligner into mistakes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Walk,
    Sequence,
    Drill,
    Scale,
    Repeated,
    Leaps,
    Mixed,
}

pub const KINDS: [Kind; 7] = [
    Kind::Walk,
    Kind::Sequence,
    Kind::Drill,
    Kind::Scale,
    Kind::Repeated,
    Kind::Leaps,
    Kind::Mixed,
];

const MAJOR: [i32; 7] = [0, 2, 4, 5, 7, 9, 11];

fn degree(tonic: i32, degree: i32) -> i32 {
    tonic + 12 * degree.div_euclid(7) + MAJOR[degree.rem_euclid(7) as usize]
}

/// A random étude of about `n_bars` bars.
pub fn etude(kind: Kind, n_bars: usize, random: &mut Random) -> Line {
    let tonic = 50 + random.below(12) as i32;
    let mut page: Vec<Written> = Vec::new();
    let per_bar = *random.pick(&[8usize, 12, 16]);
    let quarters = 4.0 / per_bar as f64;
    let n = n_bars * per_bar;
    match kind {
        Kind::Walk => {
            let mut d = 7i32;
            for _ in 0..n {
                let step = *random.pick(&[-2, -1, -1, 1, 1, 2, 3, -3]);
                d = if (0..=18).contains(&(d + step)) {
                    d + step
                } else {
                    d - step
                };
                page.push(note(degree(tonic, d), quarters));
            }
        }
        Kind::Sequence => {
            let mut cell = [0i32; 4];
            for k in 0..n {
                let round = (k / 4) as i32;
                if k % 64 == 0 {
                    cell = std::array::from_fn(|_| random.below(6) as i32);
                }
                let up = if round % 16 < 8 {
                    round % 8
                } else {
                    7 - round % 8
                };
                page.push(note(degree(tonic, cell[k % 4] + up), quarters));
            }
        }
        Kind::Drill => {
            let mut pair = (0, 1);
            for k in 0..n {
                if k % per_bar == 0 {
                    pair = (random.below(12) as i32, random.below(12) as i32);
                    if pair.0 == pair.1 {
                        pair.1 += 1;
                    }
                }
                let d = if k % 2 == 0 { pair.0 } else { pair.1 };
                page.push(note(degree(tonic, d), quarters));
            }
        }
        Kind::Scale => {
            // Up and down two octaves, the next key a fifth further.
            for k in 0..n as i32 {
                let key = tonic + (7 * (k / 28)).rem_euclid(12) - 6;
                let d = if k % 28 < 14 { k % 28 } else { 28 - k % 28 };
                page.push(note(degree(key, d), quarters));
            }
        }
        Kind::Repeated => {
            while page.len() < n {
                let d = random.below(12) as i32;
                for _ in 0..1 + random.below(4) {
                    page.push(note(degree(tonic, d), quarters));
                }
            }
        }
        Kind::Leaps => {
            for _ in 0..n {
                page.push(note(degree(tonic, random.below(20) as i32), quarters));
            }
        }
        Kind::Mixed => {
            let mut total = 0.0;
            let mut d = 7i32;
            while total < 4.0 * n_bars as f64 {
                let quarters: f64 = *random.pick(&[0.25, 0.5, 0.5, 1.0, 0.75]);
                d = (d + random.below(7) as i32 - 3).clamp(0, 18);
                let midi = (!random.chance(0.08)).then(|| degree(tonic, d));
                page.push(Written {
                    midi,
                    quarters,
                    grace: false,
                    ornament: None,
                });
                total += quarters;
            }
            if page.iter().all(|w| w.midi.is_none()) {
                page.push(note(tonic, 1.0));
            }
        }
    }
    let repeat = random.chance(0.3).then_some((0, n_bars / 2));
    line_of(&page, repeat)
}

/// What goes wrong, each a chance per note.
#[derive(Clone, Copy, Debug)]
pub struct Player {
    pub wrong: f64,
    pub dropped: f64,
    pub added: f64,
    pub restart: f64,
    pub skip: f64,
    /// Relative jitter of every interval, standard deviation.
    pub jitter: f64,
    /// Furthest local tempo change, a factor either way.
    pub rubato: f64,
}

pub const CLEAN: Player = Player {
    wrong: 0.0,
    dropped: 0.0,
    added: 0.0,
    restart: 0.0,
    skip: 0.0,
    jitter: 0.04,
    rubato: 0.1,
};
pub const FAULTY: Player = Player {
    wrong: 0.02,
    dropped: 0.015,
    added: 0.01,
    ..CLEAN
};
pub const PRACTISING: Player = Player {
    restart: 0.01,
    skip: 0.003,
    ..CLEAN
};

/// What the microphone and the tracker add.
#[derive(Clone, Copy, Debug)]
pub struct Room {
    /// Doubtful sounds a note: blips, tails, splits, bleed.
    pub doubtful: f64,
    /// Highest confidence of a doubtful sound.
    pub doubtful_confidence: f64,
    /// Chance that the wrong octave or twelfth ranks first for a note.
    pub octave_confusion: f64,
    /// Lowest confidence of a real note.
    pub real_confidence: f64,
}

pub const DRY: Room = Room {
    doubtful: 0.15,
    doubtful_confidence: 0.2,
    octave_confusion: 0.0,
    real_confidence: 0.95,
};
pub const WET: Room = Room {
    doubtful: 0.4,
    doubtful_confidence: 0.45,
    octave_confusion: 0.01,
    real_confidence: 0.7,
};

/// What really happened.
#[derive(Clone, Debug, Default)]
pub struct Truth {
    /// Last attempt at every note of the line: outcome and pitch.
    pub notes: Vec<Option<(Outcome, Option<i32>)>>,
    /// Onsets of added notes.
    pub added_s: Vec<f64>,
    pub restarts: Vec<(f64, usize, usize)>,
    pub skips: Vec<(f64, usize, usize)>,
}

struct Played {
    onset_s: f64,
    offset_s: f64,
    midi: i32,
}

/// Plays `line` once, from start to end, with faults. `seconds_per_quarter` is the starting tempo.
pub fn perform(
    line: &Line,
    player: Player,
    room: Room,
    seconds_per_quarter: f64,
    tuning_semitones: f64,
    random: &mut Random,
) -> (Hearing, Truth) {
    let n = line.notes.len();
    let mut truth = Truth {
        notes: vec![None; n],
        ..Truth::default()
    };
    let mut played: Vec<Played> = Vec::new();
    let mut clock = random.between(0.3, 2.0);
    let mut tempo = seconds_per_quarter;
    let mut idx = 0;
    // After a fault or a jump the player attends for a few notes: the truth stays unambiguous.
    let mut calm = 3;
    while idx < n {
        let quarters = match line.notes.get(idx + 1) {
            Some(next) => (next.onset_quarters - line.notes[idx].onset_quarters).max(0.05),
            None => line.notes[idx].duration_quarters,
        };
        tempo *= 1.0 + 0.01 * random.normal();
        tempo = tempo.clamp(
            seconds_per_quarter / (1.0 + player.rubato),
            seconds_per_quarter * (1.0 + player.rubato),
        );
        let interval = quarters * tempo * (1.0 + player.jitter * random.normal()).clamp(0.6, 1.6);
        let sounding =
            (line.notes[idx].duration_quarters * tempo).min(interval) * random.between(0.85, 1.0);
        let midi = line.notes[idx].sounding_midi;
        let interior = calm == 0 && idx + 4 < n && idx > 3;
        if interior && random.chance(player.dropped) {
            truth.notes[idx] = Some((Outcome::Missed, None));
            // Held over, left silent, or run together.
            // One of two equal notes held through both cannot be told from two run together.
            let repeated = line.notes[idx - 1].sounding_midi == midi;
            match random.below(3) {
                0 if !repeated => {
                    if let Some(last) = played.last_mut() {
                        last.offset_s = clock + sounding;
                    }
                    clock += interval;
                }
                2 => {}
                _ => clock += interval,
            }
            calm = 4;
            idx += 1;
            continue;
        }
        let mut heard = midi;
        let mut outcome = Outcome::Right;
        if interior && random.chance(player.wrong) {
            heard += *random.pick(&[1, -1, 1, -1, 2, -2, 12, -12, 19]);
            outcome = Outcome::Wrong;
            calm = 4;
        }
        truth.notes[idx] = Some((outcome, Some(heard)));
        let mut end = clock + sounding;
        if interior && calm == 0 && random.chance(player.added) {
            // An extra note takes the end of this one, or its own time.
            let length = random.between(0.045, 0.12).min(0.6 * interval).max(0.045);
            let at = clock + interval - length;
            end = at.min(end).max(clock + 0.03);
            let extra = midi + *random.pick(&[1, -1, 2, -2, 3]);
            played.push(Played {
                onset_s: clock,
                offset_s: end,
                midi: heard,
            });
            played.push(Played {
                onset_s: at.max(end),
                offset_s: at.max(end) + length,
                midi: extra,
            });
            truth.added_s.push(at.max(end));
            clock = (clock + interval).max(at.max(end) + length);
            calm = 4;
            idx += 1;
            continue;
        }
        played.push(Played {
            onset_s: clock,
            offset_s: end,
            midi: heard,
        });
        clock += interval;
        calm = (calm as i32 - 1).max(0) as usize;
        if interior && calm == 0 && random.chance(player.restart) {
            // The same note once more, without a pause, could as well be a note added.
            let to = restart_target(line, idx, random).min(idx - 1);
            truth.restarts.push((end, idx, to));
            if random.chance(0.5) {
                clock += random.between(0.5, 3.0);
            }
            idx = to;
            calm = 8;
            continue;
        }
        if interior && calm == 0 && random.chance(player.skip) && idx + 12 < n {
            let to = idx + 5 + random.below((n - idx - 11).min(60));
            for passed in idx + 1..to {
                if truth.notes[passed].is_none() {
                    truth.notes[passed] = Some((Outcome::Missed, None));
                }
            }
            truth.skips.push((end, idx, to));
            if random.chance(0.5) {
                clock += random.between(0.5, 2.0);
            }
            idx = to;
            calm = 8;
            continue;
        }
        idx += 1;
    }
    (hear(&played, room, tuning_semitones, random), truth)
}

fn restart_target(line: &Line, idx: usize, random: &mut Random) -> usize {
    let bar_start = |bar: usize| line.notes.partition_point(|n| n.bar_idx < bar);
    let bar = line.notes[idx].bar_idx;
    match random.below(4) {
        0 => idx - 1 - random.below(3.min(idx)),
        1 => bar_start(bar),
        2 => bar_start(bar.saturating_sub(1 + random.below(3))),
        _ => random.below(idx),
    }
}

/// What a tracker makes of it.
fn hear(played: &[Played], room: Room, tuning: f64, random: &mut Random) -> Hearing {
    let mut notes: Vec<HeardNote> = Vec::new();
    for (k, note) in played.iter().enumerate() {
        let midi = note.midi as f64 + tuning + 0.06 * random.normal();
        let rival = midi + *random.pick(&[-12.0, 12.0, -19.0, 19.0]);
        let share = random.between(0.02, 0.15);
        let mut candidates = vec![
            PitchCandidate {
                midi,
                probability: 1.0 - share,
            },
            PitchCandidate {
                midi: rival,
                probability: share,
            },
        ];
        if random.chance(room.octave_confusion) {
            candidates[0].probability = random.between(0.25, 0.45);
            candidates[1].probability = 0.95 - candidates[0].probability;
            candidates.swap(0, 1);
        }
        notes.push(heard_note(
            note.onset_s,
            note.offset_s,
            candidates,
            random.between(room.real_confidence, 1.0),
        ));
        if random.chance(room.doubtful) {
            let confidence = random.between(0.02, room.doubtful_confidence);
            let (at, length, pitch) = match random.below(3) {
                // A blip at the change to the next note.
                0 => (
                    note.offset_s - 0.015,
                    random.between(0.008, 0.03),
                    midi + random.between(-7.0, 7.0).round(),
                ),
                // The same pitch once more.
                1 => (
                    0.5 * (note.onset_s + note.offset_s),
                    0.5 * (note.offset_s - note.onset_s),
                    midi,
                ),
                // Reverberation or bleed.
                _ => (
                    note.offset_s,
                    random.between(0.03, 0.2),
                    midi + *random.pick(&[0.0, -12.0, 12.0, 5.0]),
                ),
            };
            let next = played.get(k + 1).map_or(f64::INFINITY, |n| n.onset_s);
            let at = at.max(note.onset_s + 0.005);
            let end = (at + length).min(next).max(at + 0.005);
            notes.push(heard_note(
                at,
                end,
                vec![PitchCandidate {
                    midi: pitch,
                    probability: 0.8,
                }],
                confidence,
            ));
        }
    }
    notes.sort_by(|a, b| a.onset_s.total_cmp(&b.onset_s));
    Hearing {
        notes,
        a4_hz: 440.0 * ((tuning - tuning.round()) / 12.0).exp2(),
        a4_hz_se: 0.2,
        ..Hearing::default()
    }
}

pub fn heard_note(
    onset_s: f64,
    offset_s: f64,
    candidates: Vec<PitchCandidate>,
    confidence: f64,
) -> HeardNote {
    HeardNote {
        onset_s,
        onset_se_s: 0.001,
        offset_s,
        midi: candidates[0].midi,
        cents_sd: 3.0,
        cents_se: 0.5,
        level_dbfs: -20.0,
        tongued: false,
        confidence,
        candidates,
    }
}

/// Counts over many takes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Rates {
    pub notes: usize,
    pub right: usize,
    pub false_accusations: usize,
    pub unsure: usize,
    pub faults: usize,
    pub faults_found: usize,
    pub pitches_right: usize,
    pub wrongs: usize,
    pub added: usize,
    pub added_found: usize,
    pub invented: usize,
    pub restarts: usize,
    pub restarts_found: usize,
    pub restarts_invented: usize,
    pub skips: usize,
    pub skips_found: usize,
    pub skips_invented: usize,
}

impl Rates {
    pub fn per_1000(count: usize, of: usize) -> f64 {
        1000.0 * count as f64 / of.max(1) as f64
    }

    pub fn merge(&mut self, other: &Rates) {
        let Rates {
            notes,
            right,
            false_accusations,
            unsure,
            faults,
            faults_found,
            pitches_right,
            wrongs,
            added,
            added_found,
            invented,
            restarts,
            restarts_found,
            restarts_invented,
            skips,
            skips_found,
            skips_invented,
        } = other;
        self.notes += notes;
        self.right += right;
        self.false_accusations += false_accusations;
        self.unsure += unsure;
        self.faults += faults;
        self.faults_found += faults_found;
        self.pitches_right += pitches_right;
        self.wrongs += wrongs;
        self.added += added;
        self.added_found += added_found;
        self.invented += invented;
        self.restarts += restarts;
        self.restarts_found += restarts_found;
        self.restarts_invented += restarts_invented;
        self.skips += skips;
        self.skips_found += skips_found;
        self.skips_invented += skips_invented;
    }

    /// Adds one take. A fault among equal neighbouring pitches may be told at either of them.
    pub fn add(&mut self, line: &Line, hearing: &Hearing, truth: &Truth, alignment: &Alignment) {
        let n = line.notes.len();
        self.notes += n;
        let mut excused = vec![false; n];
        for idx in 0..n {
            let Some((outcome, pitch)) = truth.notes[idx] else {
                continue;
            };
            let last = &alignment.notes[idx].last;
            if outcome == Outcome::Right {
                continue;
            }
            self.faults += 1;
            let same_run = |k: usize| {
                let (low, high) = (k.min(idx), k.max(idx));
                line.notes[low..=high]
                    .iter()
                    .all(|x| x.sounding_midi == line.notes[idx].sounding_midi)
            };
            let told = (idx.saturating_sub(4)..(idx + 5).min(n))
                .filter(|&k| same_run(k))
                .find(|&k| alignment.notes[k].last.outcome == outcome && !excused[k]);
            if let Some(k) = told {
                excused[k] = true;
                self.faults_found += 1;
            } else {
                excused[idx] = last.outcome != Outcome::Right;
            }
            if outcome == Outcome::Wrong {
                self.wrongs += 1;
                if last.heard_midi == pitch {
                    self.pitches_right += 1;
                }
            }
        }
        for (idx, excused) in excused.into_iter().enumerate() {
            let last = &alignment.notes[idx].last;
            let innocent = !matches!(
                truth.notes[idx],
                Some((Outcome::Wrong | Outcome::Missed, _))
            );
            self.right += innocent as usize;
            self.unsure += (last.outcome == Outcome::Unsure) as usize;
            let accused = matches!(
                last.outcome,
                Outcome::Wrong | Outcome::Missed | Outcome::NotReached
            );
            if innocent && accused && !excused {
                self.false_accusations += 1;
            }
        }
        self.added += truth.added_s.len();
        for &at_s in &truth.added_s {
            let told = alignment
                .added
                .iter()
                .any(|e| (hearing.notes[e.heard_idx].onset_s - at_s).abs() < 0.03);
            self.added_found += told as usize;
        }
        for extra in &alignment.added {
            let at_s = hearing.notes[extra.heard_idx].onset_s;
            self.invented += !truth.added_s.iter().any(|t| (t - at_s).abs() < 0.03) as usize;
        }
        self.restarts += truth.restarts.len();
        self.skips += truth.skips.len();
        let near = |a: f64, b: f64| (a - b).abs() < 1.0;
        for &(at_s, _, to) in &truth.restarts {
            self.restarts_found += alignment
                .restarts
                .iter()
                .any(|r| near(r.at_s, at_s) && r.to_idx.abs_diff(to) <= 2)
                as usize;
        }
        for restart in &alignment.restarts {
            self.restarts_invented +=
                !truth.restarts.iter().any(|t| near(t.0, restart.at_s)) as usize;
        }
        for &(at_s, _, to) in &truth.skips {
            self.skips_found += alignment
                .skips
                .iter()
                .any(|s| near(s.at_s, at_s) && s.to_idx.abs_diff(to) <= 2)
                as usize;
        }
        for skip in &alignment.skips {
            self.skips_invented += !truth.skips.iter().any(|t| near(t.0, skip.at_s)) as usize;
        }
    }
}
