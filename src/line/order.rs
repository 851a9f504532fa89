//! Playing order: a page with repeats, endings and jumps becomes the line as it is played.
//!
//! Repeats and endings as the MusicXML 4.0 elements `repeat` and `ending` describe them; jumps
//! as its `sound` element does: D.C. and D.S. are taken once, To Coda and Fine count only after
//! a jump, and repeats are not taken again after one unless the file says `after-jump`.

use super::score::{Measure, Part, Score, Times};
use super::{Line, LineBar, LineNote, Problem, Signs};

/// More notes than any étude has; a file whose repeats give more is cut here, since `times` is
/// an arbitrary number and memory is not.
const PLAYED_NOTES_MAX: usize = 100_000;
/// The same bound for bars, which may be empty.
const PLAYED_BARS_MAX: usize = 50_000;
/// Two notes adjoin when end and onset differ by less: far below the shortest note value
/// (1/1024, 0.004 quarters), above the rounding of summed tuplets.
const ADJOINING_QUARTERS: f64 = 1e-3;

/// Plays out one part. Times in the result count from the start of the first bar of the order.
///
/// `as_written` keeps the order of the page. `part_idx` must be below `score.parts.len()`.
/// Ties are joined in playing order, so that a tie into a second ending finds its note.
pub fn play_out(score: &Score, part_idx: usize, as_written: bool) -> Line {
    let part = &score.parts[part_idx];
    let mut problems = [&score.problems[..], &part.problems].concat();
    let signs = signs(score, part_idx);
    let order = bars_in_order(part, &signs, as_written, &mut problems);
    let LaidOut { bars, notes, .. } = lay_out(part, &signs, &order);
    Line {
        title: score.title.clone(),
        part: part.name.clone(),
        parts: score.parts.iter().map(|p| p.name.clone()).collect(),
        instrument: part
            .instrument
            .clone()
            .unwrap_or_else(|| "unknown".to_string()),
        transpose_semitones: part.transpose_semitones.unwrap_or(0),
        key: part.key.clone(),
        tempo: part.tempo,
        bars,
        notes,
        problems,
    }
}

/// Where the element of every note stands that [`play_out`] gives, by [`super::score::ScoreNote::source`]; a
/// note that is tied on stands at its first element.
pub fn sources(score: &Score, part_idx: usize, as_written: bool) -> Vec<Option<usize>> {
    let part = &score.parts[part_idx];
    let signs = signs(score, part_idx);
    let order = bars_in_order(part, &signs, as_written, &mut Vec::new());
    lay_out(part, &signs, &order).sources
}

/// Whether other parts have signs that steer the order and that this part lacks.
pub fn steered_by_others(score: &Score, part_idx: usize) -> bool {
    let alone = Score {
        parts: vec![score.parts[part_idx].clone()],
        ..Score::default()
    };
    signs(score, part_idx) != signs(&alone, 0)
}

fn bars_in_order(
    part: &Part,
    signs: &[Signs],
    as_written: bool,
    problems: &mut Vec<Problem>,
) -> Vec<usize> {
    if as_written {
        (0..part.measures.len()).collect()
    } else {
        bar_order(signs, &part.measures, problems)
    }
}

struct LaidOut {
    bars: Vec<LineBar>,
    notes: Vec<LineNote>,
    /// Of every note, the source of its first element.
    sources: Vec<Option<usize>>,
}

/// The notes of the bars in `order`, on one time axis, ties joined.
fn lay_out(part: &Part, signs: &[Signs], order: &[usize]) -> LaidOut {
    let mut sources = Vec::new();
    let mut bars: Vec<LineBar> = Vec::with_capacity(order.len());
    let mut notes: Vec<LineNote> = Vec::new();
    let mut passes = vec![0u32; part.measures.len()];
    let mut onset_quarters = 0.0;
    // Notes that a tie may join: the last of the line, and the last before a run of grace notes.
    // Each with whether it asks to be tied on.
    let mut last: Option<(usize, bool)> = None;
    let mut last_main: Option<(usize, bool)> = None;
    for &page_idx in order {
        let measure = &part.measures[page_idx];
        passes[page_idx] += 1;
        for note in &measure.notes {
            if !note.time_only.is_empty() && !note.time_only.contains(&passes[page_idx]) {
                continue;
            }
            let onset = onset_quarters + note.at_quarters;
            let sounding_midi = note.pitch.midi()
                + note
                    .transpose_semitones
                    .or(part.transpose_semitones)
                    .unwrap_or(0);
            let joins = |before: &Option<(usize, bool)>| {
                before.is_some_and(|(i, tied_on)| {
                    let before = &notes[i];
                    let end = before.onset_quarters + before.duration_quarters;
                    // A tie passes over grace notes to the main note, unless one says it is tied.
                    (tied_on && !note.grace || note.tie_stop)
                        && before.sounding_midi == sounding_midi
                        && (end - onset).abs() < ADJOINING_QUARTERS
                })
            };
            let joined = [last, last_main].into_iter().find(|before| joins(before));
            let idx = if let Some(Some((i, _))) = joined {
                let before = &mut notes[i];
                before.duration_quarters = onset + note.duration_quarters - before.onset_quarters;
                before.grace &= note.grace;
                before.fermata |= note.fermata;
                before.breath_after |= note.breath_after;
                if before.dynamic.is_none() {
                    before.dynamic.clone_from(&note.dynamic);
                }
                i
            } else {
                notes.push(LineNote {
                    bar: measure.number.clone(),
                    bar_idx: bars.len(),
                    pass: passes[page_idx],
                    beat: measure.first_beat + note.at_quarters / measure.beat_quarters,
                    onset_quarters: onset,
                    duration_quarters: note.duration_quarters,
                    written: note.pitch,
                    sounding_midi,
                    grace: note.grace,
                    slurred: note.slurred,
                    articulations: note.articulations.clone(),
                    ornament: note.ornament,
                    fermata: note.fermata,
                    breath_after: note.breath_after,
                    dynamic: note.dynamic.clone(),
                });
                sources.push(note.source);
                notes.len() - 1
            };
            last = Some((idx, note.tie_start));
            if !note.grace {
                last_main = last;
            }
        }
        bars.push(LineBar {
            number: measure.number.clone(),
            page_idx,
            pass: passes[page_idx],
            onset_quarters,
            length_quarters: measure.length_quarters,
            beat_quarters: measure.beat_quarters,
            first_beat: measure.first_beat,
            full_quarters: measure.full_quarters,
            fifths: measure.fifths,
            signs: signs[page_idx].clone(),
        });
        onset_quarters += measure.length_quarters;
    }
    LaidOut {
        bars,
        notes,
        sources,
    }
}

/// Where a sign leads from its bar's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Stop,
    ToCoda,
    /// To the segno or the beginning.
    Back,
}

impl Signs {
    /// The first of the bar's signs that is obeyed.
    fn step(&self, obeyed: impl Fn(&Option<Times>) -> bool) -> Option<Step> {
        if obeyed(&self.fine) {
            Some(Step::Stop)
        } else if obeyed(&self.to_coda) {
            Some(Step::ToCoda)
        } else if obeyed(&self.da_capo) || obeyed(&self.dal_segno) {
            Some(Step::Back)
        } else {
            None
        }
    }
}

/// Signs of the chosen part, completed from the other parts: engraving programs often write
/// repeat barlines and jumps in the first part only.
fn signs(score: &Score, part_idx: usize) -> Vec<Signs> {
    let of = |m: &Measure| Signs {
        forward: m.repeat_forward,
        backward: m.repeat_backward.map(|times| (times, m.repeat_after_jump)),
        ending_start: m.ending_start.clone(),
        ending_stop: m.ending_stop,
        segno: m.segno,
        coda: m.coda,
        fine: m.fine.clone(),
        da_capo: m.da_capo.clone(),
        dal_segno: m.dal_segno.clone(),
        to_coda: m.to_coda.clone(),
    };
    let chosen = &score.parts[part_idx].measures;
    let mut signs: Vec<Signs> = chosen.iter().map(of).collect();
    for other in &score.parts {
        // Parts of different length have no common bars to speak of.
        if other.measures.len() != chosen.len() {
            continue;
        }
        for (here, m) in signs.iter_mut().zip(&other.measures) {
            let there = of(m);
            here.forward |= there.forward;
            here.backward = here.backward.or(there.backward);
            if here.ending_start.is_none() {
                here.ending_start = there.ending_start;
            }
            here.ending_stop |= there.ending_stop;
            here.segno |= there.segno;
            here.coda |= there.coda;
            here.fine = here.fine.take().or(there.fine);
            here.da_capo = here.da_capo.take().or(there.da_capo);
            here.dal_segno = here.dal_segno.take().or(there.dal_segno);
            here.to_coda = here.to_coda.take().or(there.to_coda);
        }
    }
    signs
}

/// An ending: bars `first..=last`, played on the passes `numbers` of its section.
#[derive(Debug)]
struct Ending {
    first: usize,
    last: usize,
    numbers: Vec<u32>,
}

/// A repeated section: from its start to the backward repeats that lead there.
#[derive(Debug, Default)]
struct Section {
    start: usize,
    /// Bars with a backward repeat to `start`.
    ends: Vec<usize>,
    endings: Vec<Ending>,
    /// Highest number of an ending, 0 without any.
    highest: u32,
    /// Times the section is played.
    passes: u32,
    /// The repeats are taken after a jump too.
    after_jump: bool,
}

/// Finds the repeated sections of a page: nested ones are matched like brackets, a missing
/// forward repeat stands at the start, or after the last section that closed.
fn sections(signs: &[Signs]) -> Vec<Section> {
    let mut all = vec![Section::default()];
    // Sections not yet closed, innermost last; never empty.
    let mut open: Vec<usize> = vec![0];
    // The section whose next ending may begin at this bar, and the ending that runs.
    let mut group: Option<usize> = None;
    let mut running: Option<(usize, usize)> = None;
    for (bar, s) in signs.iter().enumerate() {
        let begin = |open: &mut Vec<usize>, all: &mut Vec<Section>| {
            if all[open[open.len() - 1]].start != bar {
                all.push(Section {
                    start: bar,
                    ..Section::default()
                });
                open.push(all.len() - 1);
            }
        };
        let continues = group.filter(|_| s.ending_start.is_some());
        // A forward repeat inside the last ending begins the next section, not this one.
        if s.forward && continues.is_none() {
            begin(&mut open, &mut all);
        }
        if let Some(numbers) = &s.ending_start {
            let of = continues.unwrap_or(open[open.len() - 1]);
            let highest = all[of].highest;
            let numbers = if numbers.is_empty() {
                vec![highest.saturating_add(1)]
            } else {
                numbers.clone()
            };
            all[of].highest = numbers.iter().copied().fold(highest, u32::max);
            all[of].endings.push(Ending {
                first: bar,
                last: ending_last(signs, bar),
                numbers,
            });
            running = Some((of, all[of].endings.len() - 1));
        }
        if s.forward && continues.is_some() {
            begin(&mut open, &mut all);
        }
        group = None;
        let mut closes = None;
        if let Some((times, after_jump)) = s.backward {
            let of = open[open.len() - 1];
            all[of].ends.push(bar);
            all[of].passes = all[of].passes.max(times);
            all[of].after_jump |= after_jump;
            closes = Some(of);
        }
        if let Some((of, i)) = running
            && all[of].endings[i].last == bar
        {
            running = None;
            closes = Some(of);
            let next = signs.get(bar + 1);
            if next.is_some_and(|next| next.ending_start.is_some()) {
                group = Some(of);
                closes = None;
            }
        }
        if let Some(of) = closes
            // A repeat within an ending does not end the ending's own section.
            && running.is_none_or(|(section, _)| section != of)
        {
            if open.last() == Some(&of) {
                open.pop();
            } else {
                open.retain(|&section| section != of);
            }
            if open.is_empty() {
                all.push(Section {
                    start: bar + 1,
                    ..Section::default()
                });
                open.push(all.len() - 1);
            }
        }
    }
    // Without a backward repeat nothing is played twice and every ending is played.
    all.retain(|section| !section.ends.is_empty());
    for section in &mut all {
        if section.highest > 0 {
            // One ending alone that repeats: the last pass leaves it out.
            let alone = section.endings.len() == 1
                && section
                    .ends
                    .iter()
                    .any(|&end| end >= section.endings[0].first);
            section.passes = section.highest.saturating_add(alone as u32);
        }
    }
    all
}

/// The last bar of the ending that begins at `first`: where it is said to stop, else its
/// repeat, else before the next ending or section; without any of these it is one bar.
fn ending_last(signs: &[Signs], first: usize) -> usize {
    let next = (first + 1..signs.len())
        .find(|&bar| signs[bar].ending_start.is_some())
        .unwrap_or(signs.len());
    let within = || first..next;
    within()
        .find(|&bar| signs[bar].ending_stop)
        .or_else(|| within().find(|&bar| signs[bar].backward.is_some()))
        .or_else(|| within().find(|&bar| signs.get(bar + 1).is_some_and(|s| s.forward)))
        .unwrap_or(if next < signs.len() { next - 1 } else { first })
}

/// The page's bars in playing order.
fn bar_order(signs: &[Signs], measures: &[Measure], problems: &mut Vec<Problem>) -> Vec<usize> {
    let sections = sections(signs);
    let mut start_at = vec![None; signs.len()];
    let mut end_at = vec![None; signs.len()];
    let mut ending_at = vec![None; signs.len()];
    for (i, section) in sections.iter().enumerate() {
        start_at[section.start] = Some(i);
        for &end in &section.ends {
            end_at[end] = Some(i);
        }
        for ending in &section.endings {
            ending_at[ending.first] = Some((i, ending));
        }
    }
    // The coda after a bar; the segno at or before it, else the beginning.
    let mut next_coda = vec![None; signs.len()];
    for bar in (1..signs.len()).rev() {
        next_coda[bar - 1] = if signs[bar].coda {
            Some(bar)
        } else {
            next_coda[bar]
        };
    }
    let mut segno_before = vec![0; signs.len()];
    for bar in 0..signs.len() {
        let before = segno_before[bar.saturating_sub(1)];
        segno_before[bar] = if signs[bar].segno { bar } else { before };
    }
    // After a jump a section is played once, as on its last pass.
    let first_pass = |section: &Section, jumped: bool| {
        if jumped && !section.after_jump {
            section.passes
        } else {
            1
        }
    };
    let mut pass: Vec<u32> = vec![1; sections.len()];
    let mut order = Vec::new();
    let mut n_notes = 0;
    let mut jumped = false;
    let mut jump_taken = vec![false; signs.len()];
    let mut n_times = vec![0; signs.len()];
    let mut by_repeat = false;
    let mut bar = 0;
    while bar < signs.len() {
        if let Some(i) = start_at[bar]
            && !by_repeat
        {
            pass[i] = first_pass(&sections[i], jumped);
        }
        by_repeat = false;
        if let Some((i, ending)) = ending_at[bar]
            && !ending.numbers.contains(&pass[i])
        {
            bar = ending.last + 1;
            continue;
        }
        n_notes += measures[bar].notes.len();
        if n_notes > PLAYED_NOTES_MAX || order.len() >= PLAYED_BARS_MAX {
            problems.push(Problem {
                place: format!("bar {}", measures[bar].number),
                text: format!(
                    "the line ends here: with its repeats it has more than {PLAYED_NOTES_MAX} notes or {PLAYED_BARS_MAX} bars"
                ),
            });
            break;
        }
        order.push(bar);
        n_times[bar] += 1;
        let here = &signs[bar];
        // Times that the file names go before repeats, the usual ones after them.
        let named = |sign: &Option<Times>| {
            let times = sign.as_ref().filter(|times| !times.is_empty());
            times.is_some_and(|times| times.contains(&n_times[bar]))
        };
        let mut step = here.step(named);
        if step.is_none() {
            if let Some(i) = end_at[bar]
                && pass[i] < sections[i].passes
            {
                pass[i] += 1;
                by_repeat = true;
                bar = sections[i].start;
                continue;
            }
            let usual = |sign: &Option<Times>| sign.as_ref().is_some_and(Vec::is_empty);
            step = here.step(usual).filter(|step| match step {
                Step::Stop | Step::ToCoda => jumped,
                Step::Back => !std::mem::replace(&mut jump_taken[bar], true),
            });
        }
        bar = match step {
            Some(Step::Stop) => break,
            Some(Step::ToCoda) => next_coda[bar].unwrap_or(bar + 1),
            Some(Step::Back) => {
                jumped = true;
                for (pass, section) in pass.iter_mut().zip(&sections) {
                    *pass = first_pass(section, jumped);
                }
                if here.dal_segno.is_some() {
                    segno_before[bar]
                } else {
                    0
                }
            }
            None => bar + 1,
        };
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bars from short signs: `|:` and `:|` (`:|5` five times), `[1,2` and `]` for endings,
    /// `S` segno, `O` coda, `fine`, `DC`, `DS`, `to` for To Coda; `DC1,2` names the times.
    fn order(page: &[&str]) -> Vec<usize> {
        let mut measures = Vec::new();
        for bar in page {
            let mut m = Measure::default();
            for sign in bar.split_whitespace() {
                let named = sign.trim_end_matches(|c: char| c == ',' || c.is_ascii_digit());
                let times = sign[named.len()..]
                    .split(',')
                    .filter_map(|n| n.parse().ok());
                let times: Times = times.collect();
                match named {
                    "|:" => m.repeat_forward = true,
                    "]" => m.ending_stop = true,
                    "S" => m.segno = true,
                    "O" => m.coda = true,
                    "fine" => m.fine = Some(times),
                    "DC" => m.da_capo = Some(times),
                    "DS" => m.dal_segno = Some(times),
                    "to" => m.to_coda = Some(times),
                    "after" => m.repeat_after_jump = true,
                    _ => {
                        if let Some(times) = sign.strip_prefix(":|") {
                            m.repeat_backward = Some(times.parse().unwrap_or(2));
                        } else if let Some(numbers) = sign.strip_prefix('[') {
                            let numbers = numbers.split(',').filter_map(|n| n.parse().ok());
                            m.ending_start = Some(numbers.collect());
                        } else {
                            assert_eq!(sign, ".");
                        }
                    }
                }
            }
            measures.push(m);
        }
        let score = Score {
            parts: vec![Part {
                measures,
                ..Part::default()
            }],
            ..Score::default()
        };
        let line = play_out(&score, 0, false);
        line.bars.iter().map(|b| b.page_idx + 1).collect()
    }

    /// The orders that the descriptions of the unofficial MusicXML test suite ask for, files 45a
    /// to 45e; music21 10.5.1 gives the same but for 45e, where it loses a forward repeat.
    #[test]
    fn orders_of_the_public_test_suite() {
        assert_eq!(order(&[":|5", "."]), [1, 1, 1, 1, 1, 2]);
        assert_eq!(order(&[".", "[1 ] :|", "[2 ]", "."]), [1, 2, 1, 3, 4]);
        assert_eq!(
            order(&[".", "|:", ":|2", ".", ":|2", "."]),
            [1, 2, 3, 2, 3, 4, 5, 1, 2, 3, 2, 3, 4, 5, 6]
        );
        assert_eq!(
            order(&[
                ".", "[1 ] :|", "[2", "] :|", "[3", "] :|", "[4 ] :|", "[5 ]", "."
            ]),
            [1, 2, 1, 3, 4, 1, 5, 6, 1, 7, 1, 8, 9]
        );
        assert_eq!(
            order(&[
                ".", "[1 ] :|", "[2 ]", ".", "|: :|", "|:", "[1 ] :|", "[2 ] |:", ":|", "."
            ]),
            [1, 2, 1, 3, 4, 5, 5, 6, 7, 6, 8, 9, 8, 9, 10]
        );
    }

    /// Common practice, and MusicXML 4.0 `repeat`, `ending`.
    #[test]
    fn repeats_without_their_other_half() {
        // After a repeat that closed, the next goes back to where that one ended.
        assert_eq!(order(&[".", ":|", ".", ":|"]), [1, 2, 1, 2, 3, 4, 3, 4]);
        assert_eq!(order(&[".", "|:", "."]), [1, 2, 3]);
        // One ending alone is left out the last time.
        assert_eq!(order(&["|:", "[1 ] :|", "."]), [1, 2, 1, 3]);
        assert_eq!(order(&["|:", "[1,2 ] :|", "."]), [1, 2, 1, 2, 1, 3]);
        // A blank number is the next one.
        assert_eq!(order(&["|:", "[ ] :|", "[ ]", "."]), [1, 2, 1, 3, 4]);
        // Endings that nothing repeats are all played.
        assert_eq!(order(&[".", "[1 ]", "[2 ]", "."]), [1, 2, 3, 4]);
    }

    /// MusicXML 4.0 `sound`: To Coda and Fine count after the jump; repeats only by `after-jump`.
    #[test]
    fn jumps() {
        assert_eq!(
            order(&["|:", ":|", "fine", "DC"]),
            [1, 2, 1, 2, 3, 4, 1, 2, 3]
        );
        assert_eq!(
            order(&["|:", ":| after", "fine", "DC"]),
            [1, 2, 1, 2, 3, 4, 1, 2, 1, 2, 3]
        );
        assert_eq!(
            order(&[".", "S", "to", "DS", "O", "."]),
            [1, 2, 3, 4, 2, 3, 5, 6]
        );
        // The second ending is taken after a jump.
        assert_eq!(
            order(&["|:", "[1 ] :|", "[2 ]", "DC"]),
            [1, 2, 1, 3, 4, 1, 3, 4]
        );
        // A jump whose target is missing goes to the start, and is taken once.
        assert_eq!(order(&[".", "DS"]), [1, 2, 1, 2]);
    }

    /// MusicXML 4.0 `sound`, attribute `time-only`: the times through on which a jump is taken
    /// in place of the usual ones; `time-only`: a list of whole numbers.
    #[test]
    fn jumps_on_named_times() {
        // Fine and To Coda on the second time through a repeat, without any D.C.
        assert_eq!(order(&["|:", "fine2", "", ":|"]), [1, 2, 3, 4, 1, 2]);
        assert_eq!(order(&["|:", "to2", ":|", "O", "."]), [1, 2, 3, 1, 2, 4, 5]);
        // D.C. twice, then on.
        assert_eq!(order(&[".", "DC1,2", "."]), [1, 2, 1, 2, 1, 2, 3]);
        assert_eq!(order(&["S", "DS2", "."]), [1, 2, 3]);
        // Fine counts on the third time only.
        assert_eq!(order(&["fine3", ".", "DC1,2"]), [1, 2, 3, 1, 2, 3, 1]);
    }

    #[test]
    fn signs_of_another_part_count() {
        let bar = |repeat_backward| Measure {
            repeat_backward,
            ..Measure::default()
        };
        let part = |repeat| Part {
            measures: vec![bar(None), bar(repeat)],
            ..Part::default()
        };
        let score = Score {
            parts: vec![part(Some(2)), part(None)],
            ..Score::default()
        };
        assert_eq!(play_out(&score, 1, false).bars.len(), 4);
        assert_eq!(play_out(&score, 1, true).bars.len(), 2);
    }
}
