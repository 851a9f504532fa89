//! For every note of the line the ways it may be held, and how a change between two is weighed.

use super::change::{AWKWARD_MS, Change, Hold};
use super::chart::{Chart, KeySet};
use super::wishes::{Pin, WishError, Wishes, is_called};
use crate::line::{Line, LineNote, Ornament, Spelling, key_alter};

/// Quarters a minute where the line has no tempo mark: a middle tempo, so that neither speed nor
/// calm decides.
const UNKNOWN_TEMPO_QPM: f64 = 100.0;
/// Time for a change at which its hand time counts once: a sixteenth at 100.
const REFERENCE_MS: f64 = 150.0;
/// Bounds of the weight: in slow music a change still has to be clean, and beyond twice the
/// reference speed nothing more is decided by it.
const WEIGHT_RANGE: (f64, f64) = (0.5, 2.0);
/// A tongued note hides part of the change: the tongue rests on the reed for some 35 ms (Hofmann,
/// Goebl, Weilguni, Mayer and Smetana, ICMPC 2012); but hurried fingers also spoil the tongue
/// (Hofmann and Goebl, Front. Psychol. 7, 2016), so it is not much.
const TONGUED_SHARE: f64 = 0.8;
/// A grace note has no length of its own; common practice plays it about this fast.
const GRACE_MS: f64 = 80.0;
/// A rest this long frees the hands: longer than any change here but a slide takes.
const FREE_MS: f64 = 120.0;
/// Keeping fingers down costs a little, so that they are kept only where it helps.
const HELD_MS: f64 = 0.5;
/// How much a habit weighs: more than any ordinary change, less than a slide.
const HABIT_MS: f64 = 60.0;

/// The ways to hold one note, each with what it costs in itself.
#[derive(Clone, Debug, Default)]
pub struct Ways {
    pub holds: Vec<Hold>,
    pub costs: Vec<f64>,
    /// Fingerings the chart has for the pitch on this instrument.
    pub n_fingerings: usize,
    /// Where the note is trilled: for each hold the fingering of the note above that goes with it.
    pub trills: Vec<usize>,
    /// The pin that settled it, an index of [`Wishes::pins`]; or that a habit speaks of it.
    pub pinned: Option<usize>,
    pub habit: bool,
}

/// Ways of every note of the line; empty where the chart has none.
pub fn ways(line: &Line, chart: &Chart, wishes: &Wishes) -> Result<Vec<Ways>, WishError> {
    let out = wishes.keys_out(chart)?;
    let mut pin_used = vec![false; wishes.pins.len()];
    let mut pin_place = vec![false; wishes.pins.len()];
    let all = line
        .notes
        .iter()
        .map(|note| {
            let mut ways = of_pitch(note.written.midi(), chart, out, wishes);
            for (i, pin) in wishes.pins.iter().enumerate() {
                if pin.means(note) {
                    pin_place[i] = true;
                    pin_used[i] |= ways.keep(chart, i, pin, note.written.midi(), out);
                }
            }
            if let Some(above) = trilled_to(line, note) {
                ways.trill(chart, above.midi(), out);
            }
            ways
        })
        .collect();
    for (i, pin) in wishes.pins.iter().enumerate() {
        if !pin_place[i] {
            return Err(WishError::NoSuchPlace(pin.place()));
        }
        if !pin_used[i] {
            return Err(no_such_choice(line, chart, pin, out));
        }
    }
    Ok(all)
}

fn usable(chart: &Chart, midi: i32, out: KeySet) -> impl Iterator<Item = usize> + '_ {
    chart
        .of_midi(midi)
        .filter(move |&f| (chart.fingerings[f].keys | chart.fingerings[f].needs) & out == 0)
}

fn of_pitch(midi: i32, chart: &Chart, out: KeySet, wishes: &Wishes) -> Ways {
    let mut ways = Ways {
        n_fingerings: usable(chart, midi, out).count(),
        ..Ways::default()
    };
    for f in usable(chart, midi, out).filter(|&f| !chart.fingerings[f].trill_only) {
        let fingering = &chart.fingerings[f];
        let wanted: Vec<bool> = wishes
            .habits
            .iter()
            .filter_map(|h| h.wants(fingering))
            .collect();
        ways.habit |= !wanted.is_empty();
        let against = !wanted.is_empty() && !wanted.contains(&true);
        let cost = fingering.reserve_ms + HABIT_MS * f64::from(u8::from(against));
        ways.push(chart, f, cost, out);
    }
    ways
}

/// The note that a trill goes to: the one above in the key in force. An accidental over the sign
/// is not known here. `None` without a trill.
pub fn trilled_to(line: &Line, note: &LineNote) -> Option<Spelling> {
    let bar = line.bars.get(note.bar_idx)?;
    let letter = (note.written.letter + 1) % 7;
    (note.ornament == Some(Ornament::Trill)).then(|| Spelling {
        letter,
        alter: key_alter(letter, bar.fifths) as i8,
        octave: note.written.octave + i8::from(letter == 0),
    })
}

impl Ways {
    /// Adds to each hold what the easiest trill from it costs, there and back at full speed.
    fn trill(&mut self, chart: &Chart, above: i32, out: KeySet) {
        if usable(chart, above, out).next().is_none() {
            return;
        }
        for (hold, cost) in self.holds.iter().zip(&mut self.costs) {
            let there_and_back = |fingering: usize| {
                let upper = Hold { fingering, held: 0 };
                let way = |a, b| {
                    let change = Change::between(chart, a, b);
                    WEIGHT_RANGE.1 * change.ms() + AWKWARD_MS * f64::from(change.awkward())
                };
                way(*hold, upper) + way(upper, *hold)
            };
            let costs = usable(chart, above, out).map(|f| (f, there_and_back(f)));
            let best = costs.min_by(|a, b| a.1.total_cmp(&b.1));
            if let Some((fingering, ms)) = best {
                self.trills.push(fingering);
                *cost += ms;
            }
        }
    }

    fn push(&mut self, chart: &Chart, fingering: usize, cost: f64, out: KeySet) {
        self.holds.push(Hold { fingering, held: 0 });
        self.costs.push(cost);
        for &held in chart.fingerings[fingering]
            .held
            .iter()
            .filter(|&&group| group & out == 0)
        {
            self.holds.push(Hold { fingering, held });
            self.costs.push(cost + HELD_MS);
        }
    }

    /// Keeps only what a pin asks for; false where the note has no such fingering.
    fn keep(&mut self, chart: &Chart, i: usize, pin: &Pin, midi: i32, out: KeySet) -> bool {
        let meant: Vec<usize> = usable(chart, midi, out)
            .filter(|&f| is_called(&chart.fingerings[f], &pin.choice))
            .collect();
        if meant.is_empty() {
            return false;
        }
        self.holds.clear();
        self.costs.clear();
        for f in meant {
            self.push(chart, f, chart.fingerings[f].reserve_ms, out);
        }
        self.pinned = Some(i);
        true
    }
}

fn no_such_choice(line: &Line, chart: &Chart, pin: &Pin, out: KeySet) -> WishError {
    let mut offer: Vec<String> = Vec::new();
    for note in line.notes.iter().filter(|n| pin.means(n)) {
        let names: Vec<&str> = usable(chart, note.written.midi(), out)
            .map(|f| chart.fingerings[f].name.as_str())
            .collect();
        let said = format!("{} is {}", note.written, names.join(" or "));
        if names.len() > 1 && !offer.contains(&said) {
            offer.push(said);
        }
    }
    WishError::NoSuchChoice {
        place: pin.place(),
        choice: pin.choice.clone(),
        offer: match offer.is_empty() {
            true => "there is no choice there".into(),
            false => offer.join(", "),
        },
    }
}

/// How time lies between two notes of the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Between {
    /// From onset to onset.
    pub ioi_ms: f64,
    /// What the change's hand time is multiplied by; 0 where breath or rest frees the hands.
    pub weight: f64,
}

/// From every note to the next.
pub fn between(line: &Line) -> Vec<Between> {
    let qpm = line
        .tempo
        .map_or(UNKNOWN_TEMPO_QPM, |t| t.bpm * t.beat_quarters);
    let quarter_ms = 60_000.0 / qpm;
    line.notes
        .windows(2)
        .map(|pair| between_two(&pair[0], &pair[1], quarter_ms))
        .collect()
}

fn between_two(from: &LineNote, to: &LineNote, quarter_ms: f64) -> Between {
    let ioi_ms = if from.grace {
        GRACE_MS
    } else {
        (to.onset_quarters - from.onset_quarters) * quarter_ms
    };
    let rest_ms = ioi_ms - from.duration_quarters * quarter_ms;
    if from.breath_after || (!from.grace && rest_ms >= FREE_MS) {
        return Between {
            ioi_ms,
            weight: 0.0,
        };
    }
    let speed = if from.fermata {
        WEIGHT_RANGE.0
    } else {
        (REFERENCE_MS / ioi_ms.max(1.0)).clamp(WEIGHT_RANGE.0, WEIGHT_RANGE.1)
    };
    let spoken = if to.slurred { 1.0 } else { TONGUED_SHARE };
    Between {
        ioi_ms,
        weight: speed * spoken,
    }
}

impl Between {
    /// What the search adds for a change here.
    pub fn cost(&self, change: &Change) -> f64 {
        match self.weight == 0.0 {
            true => 0.0,
            false => self.weight * change.ms() + AWKWARD_MS * f64::from(change.awkward()),
        }
    }
}
