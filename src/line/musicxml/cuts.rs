//! Bars cut in two where something begins or ends within them, so that everything in playing
//! order begins and ends with a bar.

use crate::line::score::{Measure, Part, ScoreNote, Times};

/// Two places closer than this are one: half the shortest note value (1/1024).
const SAME_PLACE_QUARTERS: f64 = 1.0 / 512.0;

/// A sign within a bar.
#[derive(Clone, Debug)]
pub struct Cut {
    /// From the start of the bar, in quarters.
    pub at: f64,
    pub sign: Sign,
}

/// What steers the playing order.
#[derive(Clone, Debug)]
pub enum Sign {
    Forward,
    /// Times, and whether it counts after a jump.
    Backward(u32, bool),
    EndingStart(Vec<u32>),
    EndingStop,
    Segno,
    Coda,
    Fine(Times),
    ToCoda(Times),
    DaCapo(Times),
    DalSegno(Times),
}

impl Sign {
    /// Whether it acts at a bar's start; the others act at its end.
    pub fn begins(&self) -> bool {
        matches!(
            self,
            Sign::Forward | Sign::EndingStart(_) | Sign::Segno | Sign::Coda
        )
    }

    pub fn put(self, idx: usize, measures: &mut [Measure]) {
        let bar = &mut measures[idx];
        match self {
            Sign::Forward => bar.repeat_forward = true,
            Sign::Backward(times, after_jump) => {
                bar.repeat_backward = Some(times);
                bar.repeat_after_jump = after_jump;
            }
            Sign::EndingStart(numbers) => bar.ending_start = Some(numbers),
            Sign::EndingStop => bar.ending_stop = true,
            Sign::Segno => bar.segno = true,
            Sign::Coda => bar.coda = true,
            Sign::Fine(times) => bar.fine = Some(times),
            Sign::ToCoda(times) => bar.to_coda = Some(times),
            Sign::DaCapo(times) => bar.da_capo = Some(times),
            Sign::DalSegno(times) => bar.dal_segno = Some(times),
        }
    }
}

/// Cuts the bars of all parts; `cuts` has one entry a part, with one a bar.
///
/// Parts that count the same bars are cut at the same places, so that they still do.
pub fn cut_bars(parts: &mut [Part], cuts: Vec<Vec<Vec<Cut>>>) {
    let n_bars = parts.first().map_or(0, |p| p.measures.len());
    let together = parts.iter().all(|p| p.measures.len() == n_bars);
    let common: Vec<Vec<f64>> = (0..if together { n_bars } else { 0 })
        .map(|i| places(cuts.iter().flat_map(|bars| &bars[i])))
        .collect();
    for (part, bars) in parts.iter_mut().zip(cuts) {
        let whole = std::mem::take(&mut part.measures);
        for (i, (measure, cuts)) in whole.into_iter().zip(bars).enumerate() {
            let places = common.get(i).cloned().unwrap_or_else(|| places(&cuts));
            let first = part.measures.len();
            part.measures.extend(pieces(measure, &places));
            for cut in cuts {
                let before = places
                    .iter()
                    .filter(|at| **at < cut.at - SAME_PLACE_QUARTERS);
                let ending = first + before.count();
                let idx = ending + usize::from(cut.sign.begins());
                cut.sign.put(idx, &mut part.measures);
            }
        }
    }
}

/// The places of some cuts, in order, each once.
fn places<'a>(cuts: impl IntoIterator<Item = &'a Cut>) -> Vec<f64> {
    let mut places: Vec<f64> = cuts.into_iter().map(|cut| cut.at).collect();
    places.sort_by(f64::total_cmp);
    places.dedup_by(|a, b| *a - *b < SAME_PLACE_QUARTERS);
    places
}

/// The bar in pieces, one more than there are `places`; a note that lasts on is tied over.
fn pieces(mut bar: Measure, places: &[f64]) -> Vec<Measure> {
    let mut pieces = Vec::with_capacity(places.len() + 1);
    let mut start = 0.0;
    for place in places {
        // Another part's bar may be shorter than the place.
        let at = (place - start).clamp(0.0, bar.length_quarters);
        let (head, tail) = halves(bar, at);
        pieces.push(head);
        bar = tail;
        start += at;
    }
    pieces.push(bar);
    pieces
}

fn halves(mut head: Measure, at: f64) -> (Measure, Measure) {
    let mut tail = Measure {
        number: head.number.clone(),
        length_quarters: head.length_quarters - at,
        beat_quarters: head.beat_quarters,
        first_beat: head.first_beat + at / head.beat_quarters,
        repeat_backward: head.repeat_backward.take(),
        repeat_after_jump: std::mem::take(&mut head.repeat_after_jump),
        ending_stop: std::mem::take(&mut head.ending_stop),
        fine: head.fine.take(),
        da_capo: head.da_capo.take(),
        dal_segno: head.dal_segno.take(),
        to_coda: head.to_coda.take(),
        ..Measure::default()
    };
    head.length_quarters = at;
    let notes = std::mem::take(&mut head.notes);
    for mut note in notes {
        if note.at_quarters > at - SAME_PLACE_QUARTERS {
            note.at_quarters = (note.at_quarters - at).max(0.0);
            tail.notes.push(note);
            continue;
        }
        let after = note.at_quarters + note.duration_quarters - at;
        if after > SAME_PLACE_QUARTERS {
            note.duration_quarters -= after;
            tail.notes.push(ScoreNote {
                at_quarters: 0.0,
                duration_quarters: after,
                tie_stop: true,
                articulations: Vec::new(),
                ornament: None,
                dynamic: None,
                ..note.clone()
            });
            note.tie_start = true;
            note.fermata = false;
            note.breath_after = false;
        }
        head.notes.push(note);
    }
    (head, tail)
}
