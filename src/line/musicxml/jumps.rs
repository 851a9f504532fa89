//! Segno, coda, Fine, D.C. and D.S.: at which bar's start or end, or where within a bar, each acts.

use super::FULL_BAR_QUARTERS;
use super::cuts::{Cut, Sign};
use super::direction::{Jump, Told};
use super::part::{JumpMark, RawMeasure, RawPart};
use crate::line::score::Measure;

/// For each kind of jump, the best authority that the file has for it anywhere: where sounds
/// say where to jump, signs and words only repeat it.
#[derive(Clone, Copy)]
pub struct ToldBy {
    segno: Told,
    coda: Told,
    to_coda: Told,
    fine: Told,
    back: Told,
}

impl ToldBy {
    pub fn of<'a>(parts: impl Iterator<Item = &'a RawPart> + Clone) -> ToldBy {
        let best = |kinds: &[Jump]| {
            let marks = || parts.clone().flat_map(marks);
            [Told::Sound, Told::Sign]
                .into_iter()
                .find(|told| marks().any(|m| kinds.contains(&m.jump) && m.told == *told))
                .unwrap_or(Told::Words)
        };
        ToldBy {
            segno: best(&[Jump::Segno]),
            coda: best(&[Jump::Coda]),
            to_coda: best(&[Jump::ToCoda]),
            fine: best(&[Jump::Fine]),
            back: best(&[Jump::DaCapo, Jump::DalSegno]),
        }
    }

    fn holds(self, mark: &JumpMark) -> bool {
        mark.told
            == match mark.jump {
                Jump::Segno => self.segno,
                Jump::Coda => self.coda,
                Jump::ToCoda => self.to_coda,
                Jump::Fine => self.fine,
                Jump::DaCapo | Jump::DalSegno => self.back,
            }
    }
}

fn marks(part: &RawPart) -> impl Iterator<Item = &JumpMark> {
    part.measures.iter().flat_map(|m| &m.jumps)
}

/// Puts each jump on the bar at whose end (or, for targets, start) it acts; gives back, bar by
/// bar, what acts within one.
pub fn place(raw: &RawPart, told: ToldBy, measures: &mut [Measure]) -> Vec<Vec<Cut>> {
    let n_codas = marks(raw)
        .filter(|m| m.jump == Jump::Coda && told.holds(m))
        .count();
    // Of two bare coda signs the first is where to leave.
    let mut leave_at_coda = n_codas >= 2 && !marks(raw).any(|m| m.jump == Jump::ToCoda);
    let seams = seams(raw, told);
    let mut cuts = vec![Vec::new(); measures.len()];
    for (i, bar) in raw.measures.iter().enumerate() {
        for mark in bar.jumps.iter().filter(|mark| told.holds(mark)) {
            let times = mark.times.clone();
            let sign = match mark.jump {
                Jump::Coda if std::mem::take(&mut leave_at_coda) => Sign::ToCoda(times),
                Jump::Coda => Sign::Coda,
                Jump::Segno => Sign::Segno,
                Jump::ToCoda => Sign::ToCoda(times),
                Jump::Fine => Sign::Fine(times),
                Jump::DaCapo => Sign::DaCapo(times),
                Jump::DalSegno => Sign::DalSegno(times),
            };
            let inside = is_inside(mark.at, bar);
            if sign.begins() {
                if inside {
                    cuts[i].push(Cut { at: mark.at, sign });
                } else if mark.at > 0.0 {
                    // A target at the end of a bar is the next bar's.
                    sign.put((i + 1).min(measures.len() - 1), measures);
                } else {
                    sign.put(i, measures);
                }
            } else if inside && leaves_inside(mark, bar, &seams) {
                cuts[i].push(Cut { at: mark.at, sign });
            } else {
                sign.put(i, measures);
            }
        }
        for barline in bar.middle.iter().filter(|b| is_inside(b.at, bar)) {
            let signs = [
                barline
                    .repeat_backward
                    .map(|(times, after)| Sign::Backward(times, after)),
                barline.ending_stop.then_some(Sign::EndingStop),
                barline.ending_start.clone().map(Sign::EndingStart),
                barline.repeat_forward.then_some(Sign::Forward),
            ];
            let at = barline.at;
            cuts[i].extend(signs.into_iter().flatten().map(|sign| Cut { at, sign }));
        }
    }
    if told.back == Told::Words {
        move_words_to_their_end(raw, measures);
    }
    cuts
}

fn is_inside(at: f64, bar: &RawMeasure) -> bool {
    at > FULL_BAR_QUARTERS && at < bar.reach_quarters - FULL_BAR_QUARTERS
}

/// Where in a full bar music begins anew: at the pickup, at a target or repeat within a bar.
fn seams(raw: &RawPart, told: ToldBy) -> Vec<f64> {
    let pickup = raw.measures.first().and_then(|bar| {
        let before = bar.metre.bar_quarters? - bar.reach_quarters;
        (before > FULL_BAR_QUARTERS).then_some(before)
    });
    let mut seams: Vec<f64> = pickup.into_iter().collect();
    for bar in &raw.measures {
        let targets = bar
            .jumps
            .iter()
            .filter(|m| matches!(m.jump, Jump::Segno | Jump::Coda) && told.holds(m))
            .map(|m| m.at);
        let repeats = bar.middle.iter().filter(|b| b.repeat_forward).map(|b| b.at);
        seams.extend(targets.chain(repeats).filter(|at| is_inside(*at, bar)));
    }
    seams
}

/// Whether one leaves at the mark's place rather than at the bar's end.
///
/// Marks are often written over the last notes for want of space. One is taken at its word where
/// a barline stands there too, or where what it leads to begins on the same beat of a bar.
/// `fine` and `tocoda` of a `sound` follow their last note (MusicXML 4.0, `sound`) and are also
/// taken at their word unless only one note is left, over which they may have been written;
/// after D.C. and D.S. nothing would ever play the rest of the bar.
fn leaves_inside(mark: &JumpMark, bar: &RawMeasure, seams: &[f64]) -> bool {
    let here = |at: f64| (at - mark.at).abs() < FULL_BAR_QUARTERS;
    let n_left = || {
        let left = |at: f64| at > mark.at - FULL_BAR_QUARTERS;
        let notes = bar.notes.iter().filter(|n| !n.grace && !n.chord);
        notes.filter(|n| left(n.at)).count()
    };
    bar.middle.iter().any(|b| here(b.at))
        || seams.iter().any(|at| here(*at))
        || mark.told == Told::Sound
            && matches!(mark.jump, Jump::Fine | Jump::ToCoda)
            && n_left() > 1
}

/// Words of a jump end where they take effect, but a file places them where they begin:
/// they count for a section's end, the coda or the last bar that follows closely.
fn move_words_to_their_end(raw: &RawPart, measures: &mut [Measure]) {
    /// "D.C. al Fine" under narrow bars is as long as these.
    const WORDS_BARS_MAX: usize = 2;
    for i in 0..measures.len() {
        let ends = |k: usize| {
            measures[k].repeat_backward.is_some()
                || measures.get(k + 1).is_none_or(|next| next.coda)
                || raw.measures[k].section_end
        };
        let last = (i + WORDS_BARS_MAX).min(measures.len() - 1);
        let Some(end) = (i..=last).find(|&k| ends(k)) else {
            continue;
        };
        let (da_capo, dal_segno) = (measures[i].da_capo.take(), measures[i].dal_segno.take());
        let at_end = &mut measures[end];
        at_end.da_capo = at_end.da_capo.take().or(da_capo);
        at_end.dal_segno = at_end.dal_segno.take().or(dal_segno);
    }
}
