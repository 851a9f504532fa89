//! Which drills the evidence asks for: takes first, then what the fingering plan expects.

use super::compose::{Composed, quarters_a_minute};
use super::drills::{self, Drill, DrillKind, StartFrom};
use super::ladder::{self, CLEAN_PASSES, is_fault};
use super::{key, places};
use crate::finger::{Chart, Plan};
use crate::judge::{Check, FindingKind, Verdict};
use crate::line::Line;

/// Places worked on at once: more do not fit one session (common practice).
const N_PLACES: usize = 2;
/// Share of the tempo at which the run was uneven that practice starts from. Common practice put
/// into a number: slow enough that it comes even.
const BELOW_UNEVEN: f64 = 0.75;
/// Share of the planner's limit that practice starts from: its limit is the hand's best, not a
/// comfortable tempo. Common practice put into a number.
const BELOW_LIMIT: f64 = 0.5;
/// And never quicker than this share of the goal, so that there is something to climb.
const BELOW_GOAL: f64 = 0.7;
/// Goal where neither line nor take says a tempo, quarters a minute.
const UNSAID_GOAL_QPM: f64 = 100.0;
/// Upper notes of a register slur.
const N_REGISTER_NOTES: usize = 4;

/// What is known of the line besides the line.
pub struct Evidence<'a> {
    pub etude: &'a Line,
    pub chart: &'a Chart,
    pub plan: &'a Plan,
    /// Takes of the line, oldest first; may be empty.
    pub checks: &'a [Check],
}

/// Drills, hardest place first, the key's last.
pub fn drills(evidence: &Evidence) -> Vec<Drill> {
    let mut found = Vec::new();
    let places = evidence.places();
    for &from in &places {
        evidence.place(from, &mut found);
    }
    evidence.seam(&places, &mut found);
    evidence.register_slur(&places, &mut found);
    evidence.key(&mut found);
    found
}

impl Evidence<'_> {
    /// Changes to work on (index of the first note), worst first, each pair of pitches once.
    fn places(&self) -> Vec<usize> {
        let mut from_takes: Vec<(f64, usize)> = Vec::new();
        for check in self.checks.last().into_iter() {
            for run in check.runs.iter().filter(|r| r.verdict == Verdict::Uneven) {
                from_takes.push((run.slowest.excess_ms, run.slowest.from_index));
            }
            for stop in &check.stops {
                from_takes.push((1e3 * stop.waited_s, stop.from_index));
            }
            for finding in check.findings.iter().filter(|f| is_fault(f.kind)) {
                // A wrong note is worked on with the way into it. It weighs as a change late by a
                // tenth of a second would.
                let into = finding.place.first().saturating_sub(1);
                if !matches!(finding.kind, FindingKind::Uneven | FindingKind::Stopped) {
                    from_takes.push((100.0, into));
                }
            }
        }
        from_takes.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let planned = self.plan.hard.iter().map(|h| h.from);
        let mut places: Vec<usize> = Vec::new();
        let pair = |from: usize| {
            let mut pair = [from, from + 1].map(|i| self.etude.notes[i].written);
            pair.sort();
            pair
        };
        for from in from_takes.into_iter().map(|t| t.1).chain(planned) {
            let usable = from + 1 < self.etude.notes.len()
                && !places::ends_phrase(self.etude, from)
                && [from, from + 1].iter().all(|&i| !self.etude.notes[i].grace)
                && self.etude.notes[from].written.midi()
                    != self.etude.notes[from + 1].written.midi();
            if usable && places.iter().all(|&p| pair(p) != pair(from)) {
                places.push(from);
            }
            if places.len() == N_PLACES {
                break;
            }
        }
        places
    }

    fn place(&self, from: usize, found: &mut Vec<Drill>) {
        let etude = self.etude;
        let unit = drills::unit_quarters(etude, from);
        let names = format!(
            "{}-{}",
            etude.notes[from].written,
            etude.notes[from + 1].written
        );
        let place = format!("{names}, bar {}", etude.notes[from].bar);
        let both = from..from + 2;
        let composed = drills::change(etude, from, unit, format!("{place}: the change alone"));
        self.push(DrillKind::Change, composed, Some(both), found);
        let near = places::in_place(etude, from);
        if near.len() > 2 && !etude.notes[near.clone()].iter().any(|n| n.grace) {
            let title = format!("{place}: with its neighbours");
            let composed = drills::change_in_place(etude, near.clone(), unit, title);
            self.push(DrillKind::ChangeInPlace, composed, Some(near), found);
        }
        let run = places::run_about(etude, from);
        if run.len() < 4 {
            return;
        }
        for (kind, long_first, word) in [
            (DrillKind::LongShort, true, "long-short"),
            (DrillKind::ShortLong, false, "short-long"),
        ] {
            let title = format!("{place}: the run {word}");
            let composed = drills::rhythm(etude, run.clone(), unit, long_first, title);
            self.push(kind, composed, Some(run.clone()), found);
        }
        for (kind, from_start, word) in [
            (DrillKind::FromEnd, false, "from the end"),
            (DrillKind::FromStart, true, "from the start"),
        ] {
            let title = format!("{place}: growing {word}");
            let composed = drills::growing(etude, run.clone(), unit, from_start, title);
            self.push(kind, composed, Some(run.clone()), found);
        }
    }

    fn seam(&self, places: &[usize], found: &mut Vec<Drill>) {
        // Where playing broke off, else after the hardest place, else the first there is.
        let broke_off = self
            .checks
            .last()
            .and_then(|c| c.restarts.first())
            .map(|r| r.from_index);
        let starts = broke_off
            .into_iter()
            .chain(places.iter().copied())
            .chain([0]);
        let etude = self.etude;
        let Some(bar) = starts
            .filter(|&i| i < etude.notes.len())
            .find_map(|i| places::seam_after(etude, i))
        else {
            return;
        };
        let number = |b: usize| etude.bars[b].number.as_str();
        let title = format!("The seam of bars {} and {}", number(bar), number(bar + 1));
        let composed = drills::seam(etude, bar, title);
        let indices: Vec<usize> = composed.from.iter().flatten().copied().collect();
        if let (Some(&first), Some(&last)) = (indices.first(), indices.last()) {
            self.push(DrillKind::Seam, composed, Some(first..last + 1), found);
        }
    }

    /// Where one of the places crosses the break: its upper notes from the register below.
    fn register_slur(&self, places: &[usize], found: &mut Vec<Drill>) {
        /// The clarinet overblows at the twelfth (19 semitones, an octave and one fifth), the
        /// others at the octave.
        const TWELFTH: (i32, i32) = (-19, -1);
        const OCTAVE: (i32, i32) = (-12, 0);
        let the_break = &self.chart.the_break;
        let register = |i: usize| {
            let hold = self.plan.notes[i].hold?;
            Some(self.chart.fingerings[hold.fingering].register.as_str())
        };
        let is_above =
            |i: usize| register(i).is_some_and(|r| the_break.above.iter().any(|a| a == r));
        let is_below =
            |i: usize| register(i).is_some_and(|r| the_break.below.iter().any(|b| b == r));
        let crosses = |from: usize| {
            is_above(from) && is_below(from + 1) || is_below(from) && is_above(from + 1)
        };
        let Some(&from) = places.iter().find(|&&from| crosses(from)) else {
            return;
        };
        let clarinet = self
            .chart
            .fingerings
            .iter()
            .any(|f| f.register == "chalumeau");
        let interval = if clarinet { TWELFTH } else { OCTAVE };
        let mut upper: Vec<usize> = Vec::new();
        for i in from..self.etude.notes.len() {
            let written = self.etude.notes[i].written;
            let lower = written.midi() + interval.0;
            let known = upper
                .iter()
                .any(|&u| self.etude.notes[u].written == written);
            // Only where the lower note is the same fingers without the register key.
            let same_fingers = !self.chart.of_midi(lower).is_empty()
                && register(i) == the_break.above.first().map(String::as_str);
            if is_above(i) && same_fingers && !known && upper.len() < N_REGISTER_NOTES {
                upper.push(i);
            }
        }
        if upper.is_empty() {
            return;
        }
        let span = upper[0]..upper[0] + 1;
        let composed =
            drills::register_slur(self.etude, &upper, interval, "Slurs over the break".into());
        self.push(DrillKind::RegisterSlur, composed, Some(span), found);
    }

    fn key(&self, found: &mut Vec<Drill>) {
        let shortest = self
            .etude
            .notes
            .iter()
            .enumerate()
            .filter(|(_, n)| !n.grace)
            .min_by(|a, b| a.1.duration_quarters.total_cmp(&b.1.duration_quarters))
            .map_or(0, |(i, _)| i);
        let unit = drills::unit_quarters(self.etude, shortest).max(0.25);
        for (kind, word) in [
            (DrillKind::Scale, "scale"),
            (DrillKind::Thirds, "thirds"),
            (DrillKind::Arpeggio, "arpeggio"),
        ] {
            let title = format!("The étude's key: {word}");
            if let Some(composed) = key::drill(self.etude, kind, unit, title) {
                self.push(kind, composed, None, found);
            }
        }
    }

    fn push(
        &self,
        kind: DrillKind,
        composed: Composed,
        source: Option<std::ops::Range<usize>>,
        found: &mut Vec<Drill>,
    ) {
        let goal_qpm = self.goal_qpm();
        let (start_qpm, start_from) = self.start(source.clone(), goal_qpm);
        let steps_qpm = ladder::steps(start_qpm, goal_qpm);
        let Composed { mut line, from } = composed;
        line.tempo = steps_qpm.first().copied().map(quarters_a_minute);
        found.push(Drill {
            kind,
            line,
            from,
            source: source.map(|s| (s.start, s.end - 1)),
            steps_qpm,
            clean_passes: CLEAN_PASSES,
            start_from,
        });
    }

    fn goal_qpm(&self) -> f64 {
        let said = self.etude.tempo.map(|t| t.bpm * t.beat_quarters);
        let played = || self.checks.last().and_then(ladder::Pass::qpm);
        said.or_else(played).unwrap_or(UNSAID_GOAL_QPM)
    }

    /// The tempo to begin at: the fastest at which the run was even, else below the slowest at
    /// which it was not, else what the fingers allow.
    fn start(&self, source: Option<std::ops::Range<usize>>, goal_qpm: f64) -> (f64, StartFrom) {
        let span = source.unwrap_or(0..self.etude.notes.len());
        let runs = || {
            self.checks
                .iter()
                .flat_map(|c| &c.runs)
                .filter(|r| r.first_index < span.end && r.last_index >= span.start)
        };
        let qpm = |r: &crate::judge::Run| 60_000.0 / r.ioi_mean_ms * r.note_quarters;
        let even = runs().filter(|r| r.verdict == Verdict::Even).map(qpm);
        let uneven = runs().filter(|r| r.verdict == Verdict::Uneven).map(qpm);
        let slowest_uneven = uneven.fold(f64::INFINITY, f64::min);
        // An even take quicker than an uneven one may have been luck.
        let fastest_even = even.filter(|q| *q < slowest_uneven).fold(0.0, f64::max);
        if fastest_even > 0.0 {
            return (fastest_even.min(goal_qpm), StartFrom::EvenTake);
        }
        if slowest_uneven.is_finite() {
            let start = (BELOW_UNEVEN * slowest_uneven).min(BELOW_GOAL * goal_qpm);
            return (start, StartFrom::UnevenTake);
        }
        let beat_quarters = self.etude.tempo.map_or_else(
            || self.etude.bars.first().map_or(1.0, |b| b.beat_quarters),
            |t| t.beat_quarters,
        );
        let limit_qpm = (span.start..span.end.saturating_sub(1))
            .filter_map(|i| {
                let change = self.plan.changes.get(i)?.as_ref()?.change;
                crate::finger::plan::tempo_limit_bpm(self.etude, i, &change)
            })
            .fold(f64::INFINITY, f64::min)
            * beat_quarters;
        let start = (BELOW_LIMIT * limit_qpm).min(BELOW_GOAL * goal_qpm);
        (start, StartFrom::Plan)
    }
}
