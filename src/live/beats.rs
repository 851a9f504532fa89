//! Where the beats of the click fall: count-in, bars of the line, tempo steps.

use super::events::Beat;
use crate::align::passage;
use crate::judge::ClickOptions;
use crate::line::{Line, LineBar};
use crate::sound::click::{Beats, Stress};

/// Two places in a bar are one within this many quarters (a 256th note is 1/64).
const SAME_QUARTERS: f64 = 1e-3;

/// How the click goes.
#[derive(Clone, Debug)]
pub struct ClickPlan {
    /// One tempo, or the steps of a ladder: the passage once at each.
    pub tempos: Vec<ClickOptions>,
    /// Bars counted in before each pass.
    pub count_in_bars: usize,
    /// Clicks between two beats and one more: 1 for none.
    pub subdivisions: usize,
    /// Beats of each group in an odd metre, such as 3+2; empty for the metre's own.
    pub groups: Vec<usize>,
}

impl ClickPlan {
    /// Steps from one tempo to another; the last step is never past it.
    pub fn ladder(from: ClickOptions, to: ClickOptions, step_bpm: f64) -> Vec<ClickOptions> {
        let up = to.bpm >= from.bpm;
        let step = step_bpm.abs().max(1.0);
        let n = ((to.bpm - from.bpm).abs() / step + 1e-9).floor() as usize;
        let mut tempos: Vec<ClickOptions> = (0..=n)
            .map(|k| ClickOptions {
                bpm: from.bpm + if up { 1.0 } else { -1.0 } * step * k as f64,
                ..from
            })
            .collect();
        if tempos
            .last()
            .is_some_and(|last| (last.bpm - to.bpm).abs() > 1e-6)
        {
            tempos.push(ClickOptions {
                bpm: to.bpm,
                ..from
            });
        }
        tempos
    }
}

/// A beat and what is known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Seconds after the first click.
    pub at_s: f64,
    pub stress: Stress,
    pub count_in: bool,
    /// Quarters from the line's start; `None` in a count-in.
    pub quarters: Option<f64>,
    bar: String,
    beat: f64,
}

impl Planned {
    /// As it is said, at a moment of the take.
    pub fn said_at(&self, at_s: f64) -> Beat {
        Beat {
            at_s,
            bar: self.bar.clone(),
            beat: self.beat,
        }
    }
}

/// All beats; after the line's end the last bar goes on.
#[derive(Clone, Debug)]
pub struct BeatTrack {
    planned: Vec<Planned>,
    last_bar: usize,
    last_bar_s: f64,
    endless: bool,
}

impl BeatTrack {
    /// The beats of `line`, or of the bars `from` to `to` of it.
    pub fn new(line: &Line, bars: Option<&(String, String)>, plan: &ClickPlan) -> BeatTrack {
        let whole = 0..line.notes.len();
        let notes = bars
            .and_then(|(from, to)| passage(line, from, to))
            .unwrap_or(whole);
        let bar_of = |idx: usize| line.notes.get(idx).map_or(0, |note| note.bar_idx);
        let range = match bars {
            None => 0..line.bars.len(),
            Some(_) => bar_of(notes.start)..bar_of(notes.end.saturating_sub(1)) + 1,
        };
        let played = &line.bars[range];
        let mut track = BeatTrack {
            planned: Vec::new(),
            last_bar: 0,
            last_bar_s: 0.0,
            endless: plan.tempos.len() == 1,
        };
        let mut at_s = 0.0;
        for tempo in &plan.tempos {
            if let Some(first) = played.first() {
                at_s = track.count_in(first, tempo, plan, at_s);
            }
            at_s = track.bars(played, tempo, plan, at_s);
        }
        track
    }

    /// Beat `number`; past the line's end those of its last bar again.
    pub fn planned(&self, number: usize) -> Option<Planned> {
        if let Some(planned) = self.planned.get(number) {
            return Some(planned.clone());
        }
        let (like, later_s) = self.beyond(number)?;
        let planned = self.planned[like].clone();
        Some(Planned {
            at_s: planned.at_s + later_s,
            quarters: None,
            ..planned
        })
    }

    /// Which beat of the last bar a beat past the end is like, and by how many seconds later.
    fn beyond(&self, number: usize) -> Option<(usize, f64)> {
        let in_bar = self.planned.len() - self.last_bar;
        if !self.endless || in_bar == 0 {
            return None;
        }
        let beyond = number.checked_sub(self.planned.len())?;
        let bars = 1 + beyond / in_bar;
        Some((
            self.last_bar + beyond % in_bar,
            bars as f64 * self.last_bar_s,
        ))
    }

    /// Whole bars of the first bar's metre, and what comes before a pickup.
    fn count_in(
        &mut self,
        bar: &LineBar,
        tempo: &ClickOptions,
        plan: &ClickPlan,
        at_s: f64,
    ) -> f64 {
        if plan.count_in_bars == 0 {
            return at_s;
        }
        let quarter_s = 60.0 / tempo.bpm / tempo.beat_quarters;
        let pickup_quarters = (bar.first_beat - 1.0) * bar.beat_quarters;
        // A pickup's own length does not tell the metre; its bar ends where the next begins.
        let bar_quarters = bar.length_quarters + pickup_quarters;
        let length = plan.count_in_bars as f64 * bar_quarters + pickup_quarters;
        let mut quarters = 0.0;
        while quarters < length - SAME_QUARTERS {
            let in_bar = quarters % bar_quarters;
            self.planned.push(Planned {
                at_s: at_s + quarters * quarter_s,
                stress: stress(in_bar, bar, tempo, &plan.groups),
                count_in: true,
                quarters: None,
                bar: String::new(),
                beat: 1.0 + in_bar / bar.beat_quarters,
            });
            quarters += tempo.beat_quarters;
        }
        at_s + length * quarter_s
    }

    fn bars(&mut self, bars: &[LineBar], tempo: &ClickOptions, plan: &ClickPlan, at_s: f64) -> f64 {
        let (Some(first), Some(last)) = (bars.first(), bars.last()) else {
            return at_s;
        };
        let quarter_s = 60.0 / tempo.bpm / tempo.beat_quarters;
        // Clicks are counted from the first whole bar, so that a pickup falls where it should.
        let origin = bars
            .iter()
            .find(|bar| (bar.first_beat - 1.0).abs() < SAME_QUARTERS)
            .map_or(first.onset_quarters, |bar| bar.onset_quarters);
        let end = last.onset_quarters + last.length_quarters;
        let step = tempo.beat_quarters / plan.subdivisions.max(1) as f64;
        let mut number = ((first.onset_quarters - origin) / step - SAME_QUARTERS).ceil();
        self.last_bar = self.planned.len();
        let mut bar_number = 0;
        loop {
            let quarters = origin + number * step;
            if quarters > end - SAME_QUARTERS {
                break;
            }
            while bar_number + 1 < bars.len()
                && bars[bar_number + 1].onset_quarters <= quarters + SAME_QUARTERS
            {
                bar_number += 1;
                if bar_number + 1 == bars.len() {
                    self.last_bar = self.planned.len();
                }
            }
            let bar = &bars[bar_number];
            let in_bar = (quarters - bar.onset_quarters).max(0.0)
                + (bar.first_beat - 1.0) * bar.beat_quarters;
            let on_beat = (number.rem_euclid(plan.subdivisions.max(1) as f64)).abs() < 0.5;
            self.planned.push(Planned {
                at_s: at_s + (quarters - first.onset_quarters) * quarter_s,
                stress: if on_beat {
                    stress(in_bar, bar, tempo, &plan.groups)
                } else {
                    Stress::Subdivision
                },
                count_in: false,
                quarters: Some(quarters),
                bar: bar.number.clone(),
                beat: 1.0 + in_bar / bar.beat_quarters,
            });
            number += 1.0;
        }
        self.last_bar_s = last.length_quarters * quarter_s;
        at_s + (end - first.onset_quarters) * quarter_s
    }
}

impl Beats for BeatTrack {
    fn click(&self, number: u64) -> Option<(f64, Stress)> {
        let number = usize::try_from(number).ok()?;
        if let Some(planned) = self.planned.get(number) {
            return Some((planned.at_s, planned.stress));
        }
        let (like, later_s) = self.beyond(number)?;
        let planned = &self.planned[like];
        Some((planned.at_s + later_s, planned.stress))
    }
}

/// How the click `in_bar` quarters into a bar is marked.
fn stress(in_bar: f64, bar: &LineBar, tempo: &ClickOptions, groups: &[usize]) -> Stress {
    let is = |quarters: f64| (in_bar - quarters).abs() < SAME_QUARTERS;
    if is(0.0) {
        return Stress::Bar;
    }
    let mut at = 0.0;
    for group in groups {
        at += *group as f64 * tempo.beat_quarters;
        if is(at) {
            return Stress::Group;
        }
    }
    let beats = in_bar / bar.beat_quarters;
    let on_beat = (beats - beats.round()).abs() * bar.beat_quarters < SAME_QUARTERS;
    let faster = tempo.beat_quarters < bar.beat_quarters - SAME_QUARTERS;
    if groups.is_empty() && faster && on_beat {
        Stress::Group
    } else {
        Stress::Beat
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::read::{LineOptions, read_line};

    fn line(metre: &str, music: &str) -> Line {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("line.abc");
        let text = format!("X:1\nT:t\nM:{metre}\nL:1/8\nK:C\n{music}\n");
        std::fs::write(&path, text).expect("a file");
        read_line(&path, &LineOptions::default()).expect("a line")
    }

    fn plan(click: &str, count_in_bars: usize, groups: &[usize]) -> ClickPlan {
        ClickPlan {
            tempos: vec![ClickOptions::parse(click).expect("a click")],
            count_in_bars,
            subdivisions: 1,
            groups: groups.to_vec(),
        }
    }

    fn stresses(track: &BeatTrack, n: u64) -> Vec<Stress> {
        (0..n).filter_map(|k| Some(track.click(k)?.1)).collect()
    }

    /// Common practice: 6/8 has two beats of a dotted quarter.
    #[test]
    fn a_compound_bar_counts_in_two() {
        let track = BeatTrack::new(
            &line("6/8", "CDEFGA|GFEDCB,|]"),
            None,
            &plan("q.=60", 1, &[]),
        );
        use Stress::{Bar, Beat};
        assert_eq!(stresses(&track, 6), [Bar, Beat, Bar, Beat, Bar, Beat]);
        assert!(track.planned[1].count_in && !track.planned[2].count_in);
        assert_eq!(track.planned[3].beat, 2.0);
        assert_eq!(track.click(3).map(|c| c.0), Some(3.0));
    }

    #[test]
    fn eighths_of_a_compound_bar_are_grouped() {
        let track = BeatTrack::new(&line("6/8", "CDEFGA|]"), None, &plan("e=180", 0, &[]));
        use Stress::{Bar, Beat, Group};
        assert_eq!(stresses(&track, 6), [Bar, Beat, Beat, Group, Beat, Beat]);
    }

    #[test]
    fn an_odd_bar_is_grouped_as_the_player_says() {
        let track = BeatTrack::new(
            &line("5/8", "CDEFG|GFEDC|]"),
            None,
            &plan("e=200", 0, &[3, 2]),
        );
        use Stress::{Bar, Beat, Group};
        assert_eq!(
            stresses(&track, 10),
            [Bar, Beat, Beat, Group, Beat, Bar, Beat, Beat, Group, Beat]
        );
    }

    /// Common practice: before a pickup the bar is counted in and the beats up to the pickup.
    #[test]
    fn a_pickup_comes_after_the_beats_before_it() {
        let track = BeatTrack::new(&line("3/4", "G2|C2D2E2|C6|]"), None, &plan("q=60", 1, &[]));
        let first = track.planned.iter().find(|p| !p.count_in).expect("a beat");
        assert_eq!(first.at_s, 5.0);
        assert_eq!(first.beat, 3.0);
        assert_eq!(track.planned.iter().filter(|p| p.count_in).count(), 5);
    }

    #[test]
    fn after_the_end_the_last_bar_goes_on() {
        let track = BeatTrack::new(&line("2/4", "C2D2|E4|]"), None, &plan("q=120", 0, &[]));
        let times: Vec<f64> = (0..8).filter_map(|k| Some(track.click(k)?.0)).collect();
        assert_eq!(times, [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5]);
    }

    #[test]
    fn a_ladder_ends_at_its_last_step() {
        let parse = |text| ClickOptions::parse(text).expect("a click");
        let bpm: Vec<f64> = ClickPlan::ladder(parse("q.=72"), parse("q.=82"), 4.0)
            .iter()
            .map(|t| t.bpm)
            .collect();
        assert_eq!(bpm, [72.0, 76.0, 80.0, 82.0]);
        let down = ClickPlan::ladder(parse("q=80"), parse("q=72"), 4.0);
        assert_eq!(down.len(), 3);
    }
}
