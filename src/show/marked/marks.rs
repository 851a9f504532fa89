//! Findings as pencil marks, each where nothing else is.

use std::collections::{BTreeMap, HashMap};

use super::draw::{self, Pencil, WORDS};
use super::score::{Head, SPACE, Score};
use super::skyline::Rect;
use super::{Letters, letters};
use crate::judge::{Cause, Check, Finding, FindingKind, Place, heard_as};
use crate::line::Line;
use crate::show::text_for_xml as escaped;
use crate::show::words::{number, pass_name};

/// Drawings to put over each system, in the order of the systems.
pub type Drawings = Vec<Vec<String>>;

/// Marks every finding, once: the mark stands at the finding's note, and further places of the
/// same finding get the same sign without being marks of their own. Fingerings stand outside of
/// the rings and inside of everything else.
///
/// What is drawn is taken into the systems' outlines.
pub fn draw(
    line: &Line,
    check: &Check,
    fingerings: &BTreeMap<usize, Letters>,
    score: &mut Score,
) -> Drawings {
    let n_systems = score.systems.len();
    let mut hand = Hand {
        line,
        check,
        score,
        drawings: vec![Vec::new(); n_systems],
        rings: HashMap::new(),
        n_hooks: 0,
    };
    // Close to the notes first, long spans outside of them.
    let turn = |kind: FindingKind| match kind {
        FindingKind::Wrong | FindingKind::Missed => 0,
        FindingKind::Added | FindingKind::Unsure | FindingKind::Stopped => 1,
        FindingKind::SlurredTongued | FindingKind::TonguedSlurred => 2,
        FindingKind::Sharp | FindingKind::Flat => 3,
        FindingKind::Uneven => 4,
        FindingKind::Restart | FindingKind::Skip => 5,
        FindingKind::Pushing | FindingKind::Dragging => 6,
        FindingKind::Transposed => 7,
    };
    let mut order: Vec<&Finding> = check.findings.iter().collect();
    order.sort_by_key(|f| (turn(f.kind), f.place.first()));
    let (rings, rest) = order.split_at(order.partition_point(|f| turn(f.kind) == 0));
    for finding in rings {
        hand.mark(finding);
    }
    letters::draw(line, fingerings, hand.score, &mut hand.drawings);
    for finding in rest {
        hand.mark(finding);
    }
    hand.drawings
}

/// The `data-kind` of a finding's mark.
pub fn kind_name(kind: FindingKind) -> &'static str {
    match kind {
        FindingKind::Wrong => "wrong",
        FindingKind::Missed => "missed",
        FindingKind::Added => "added",
        FindingKind::Unsure => "unsure",
        FindingKind::Sharp => "sharp",
        FindingKind::Flat => "flat",
        FindingKind::Uneven => "uneven",
        FindingKind::Pushing => "pushing",
        FindingKind::Dragging => "dragging",
        FindingKind::Restart => "restart",
        FindingKind::SlurredTongued => "slurred_tongued",
        FindingKind::TonguedSlurred => "tongued_slurred",
        FindingKind::Transposed => "transposed",
        FindingKind::Skip => "skip",
        FindingKind::Stopped => "stopped",
    }
}

struct Hand<'a> {
    line: &'a Line,
    check: &'a Check,
    score: &'a mut Score,
    drawings: Drawings,
    /// What the rings round a notehead (rounded place) say, so that another one is wider.
    rings: HashMap<(usize, i64, i64), Vec<String>>,
    n_hooks: usize,
}

/// Said by the dotted ring; no note is called so.
const MISSED: &str = "missed";
/// Stands for a mark that is there already, with the time through.
const AGAIN: &str = "again";

/// A stretch of a span on one system.
#[derive(Clone, Copy)]
struct Stretch {
    system: usize,
    left: f64,
    right: f64,
}

impl Hand<'_> {
    fn mark(&mut self, finding: &Finding) {
        let first = finding.place.first();
        match finding.kind {
            FindingKind::Wrong => self.each_place(finding, |hand, index| hand.wrong(index)),
            FindingKind::Missed => self.missed(finding),
            FindingKind::Added => {
                let (system, drawing) = self.added(finding);
                self.put(finding, system, true, drawing);
            }
            FindingKind::Unsure => {
                self.each_place(finding, |hand, index| hand.above(index, "?", 400.0))
            }
            FindingKind::Sharp => {
                self.each_place(finding, |hand, index| hand.tuning(index, finding, true))
            }
            FindingKind::Flat => {
                self.each_place(finding, |hand, index| hand.tuning(index, finding, false))
            }
            FindingKind::SlurredTongued => self.each_place(finding, |hand, index| hand.slur(index)),
            FindingKind::TonguedSlurred => {
                self.each_place(finding, |hand, index| hand.tongue(index))
            }
            FindingKind::Uneven => self.uneven(finding),
            FindingKind::Pushing | FindingKind::Dragging => self.tempo(finding),
            FindingKind::Stopped => {
                self.each_place(finding, |hand, index| hand.above(index, "//", 400.0))
            }
            FindingKind::Restart => self.restart(finding),
            FindingKind::Skip => self.skip(finding),
            FindingKind::Transposed => {
                let semitones = finding.value.unwrap_or(0.0) as i32;
                let side = if semitones < 0 { "lower" } else { "higher" };
                let n = semitones.abs();
                let s = if n == 1 { "" } else { "s" };
                let drawing = self.at_system_start(first, &format!("all {n} semitone{s} {side}"));
                self.put(finding, self.head(first).system, true, drawing);
            }
        }
    }

    fn head(&self, index: usize) -> Head {
        self.score.heads[index]
    }

    /// Puts a drawing on a system: the finding's mark, or one more place of it.
    fn put(&mut self, finding: &Finding, system: usize, main: bool, drawing: String) {
        let place = match finding.place {
            Place::Note { index } => format!("data-index=\"{index}\""),
            Place::Span {
                first_index,
                last_index,
            } => format!("data-first=\"{first_index}\" data-last=\"{last_index}\""),
        };
        let element = if main {
            let text = escaped(&finding.text);
            format!(
                "<g class=\"mark {}\" data-kind=\"{}\" {place} role=\"img\" aria-label=\"{text}\"><title>{text}</title>{drawing}</g>",
                pencil(finding.kind).class(),
                kind_name(finding.kind),
            )
        } else {
            format!(
                "<g class=\"again {}\" aria-hidden=\"true\">{drawing}</g>",
                pencil(finding.kind).class()
            )
        };
        self.drawings[system].push(element);
    }

    /// The same sign at every note of the finding.
    fn each_place(
        &mut self,
        finding: &Finding,
        mut sign: impl FnMut(&mut Self, usize) -> (usize, String),
    ) {
        let first = finding.place.first();
        let others = finding.places.iter().copied().filter(|&i| i != first);
        let mut drawn: Vec<Head> = Vec::new();
        for index in std::iter::once(first).chain(others) {
            // A notehead that is played twice has one sign of each finding.
            if index < self.score.heads.len() && !drawn.contains(&self.head(index)) {
                drawn.push(self.head(index));
                let (system, drawing) = sign(self, index);
                self.put(finding, system, index == first, drawing);
            }
        }
    }

    /// A ring round the notehead for what it `says`, and whether the same was said of an earlier
    /// time through: then the pencil goes round once more in the same ring.
    fn ring(&mut self, index: usize, says: &str) -> (Head, String, bool) {
        let head = self.head(index);
        let dotted = says == MISSED;
        let place = (head.system, head.x.round() as i64, head.y.round() as i64);
        let before = self.rings.entry(place).or_default();
        let same = before.iter().position(|said| said == says);
        let wider = 55.0 * same.unwrap_or(before.len()) as f64;
        if same.is_none() {
            before.push(says.into());
        }
        let (rx, ry) = (head.half_width + 85.0 + wider, 165.0 + wider);
        self.score.systems[head.system].skyline.add(Rect {
            left: head.x - rx,
            top: head.y - ry,
            right: head.x + rx,
            bottom: head.y + ry,
        });
        let ring = draw::ring(head.x, head.y, (rx, ry), index, dotted, Pencil::Grey);
        (head, ring, same.is_some())
    }

    /// Words above a note; the time through is added where it is not the first.
    fn words_above(
        &mut self,
        head: Head,
        index: usize,
        words: &str,
        size: f64,
        pencil: Pencil,
    ) -> String {
        let words = self.with_pass(index, words);
        let half = draw::width_of(&words, size) / 2.0;
        let top = self.score.systems[head.system].skyline.place_above(
            head.x - half,
            head.x + half,
            0.8 * size,
        );
        draw::words(head.x, top + 0.76 * size, size, pencil, &words)
    }

    fn with_pass(&self, index: usize, words: &str) -> String {
        match pass_name(self.line.notes[index].pass) {
            Some(pass) => format!("{words} ({pass})").trim_start().to_string(),
            None => words.to_string(),
        }
    }

    fn wrong(&mut self, index: usize) -> (usize, String) {
        let name = match heard_as(self.line, self.check, index) {
            Some(heard) if heard.midi().abs_diff(self.line.notes[index].written.midi()) < 8 => {
                heard.name()
            }
            // Far away the octave matters.
            Some(heard) => heard.to_string(),
            None => "?".into(),
        };
        let (head, ring, again) = self.ring(index, &name);
        let words = match again {
            true => self.words_above(head, index, AGAIN, WORDS, Pencil::Grey),
            false => self.words_above(head, index, &name, 330.0, Pencil::Grey),
        };
        (head.system, ring + &words)
    }

    fn missed(&mut self, finding: &Finding) {
        let (first, last) = (finding.place.first(), finding.place.last());
        let mut by_system: Vec<(usize, String)> = Vec::new();
        for index in first..=last {
            let (head, mut drawing, again) = self.ring(index, MISSED);
            if self.line.notes[index].pass > 1 && index == first {
                let words = if again { AGAIN } else { "" };
                drawing += &self.words_above(head, first, words, WORDS, Pencil::Grey);
            }
            match by_system.last_mut() {
                Some((system, all)) if *system == head.system => all.push_str(&drawing),
                _ => by_system.push((head.system, drawing)),
            }
        }
        for (i, (system, drawing)) in by_system.into_iter().enumerate() {
            self.put(finding, system, i == 0, drawing);
        }
    }

    /// A caret after the note, under the staff, with the name of what was added.
    fn added(&mut self, finding: &Finding) -> (usize, String) {
        const HEIGHT: f64 = 170.0;
        let index = finding.place.first();
        let head = self.head(index);
        // Before the first note where nothing came before the addition.
        let before = finding.written.is_none();
        let next = self
            .score
            .heads
            .get(index + 1)
            .filter(|n| n.system == head.system && n.x > head.x);
        let shift = next.map_or(1.5 * SPACE, |n| ((n.x - head.x) / 2.0).min(1.5 * SPACE));
        let x = if before {
            head.x - 1.5 * SPACE
        } else {
            head.x + shift
        };
        let name = finding.heard.as_deref().unwrap_or("?");
        let name = name.trim_end_matches(|c: char| c.is_ascii_digit() || c == '-');
        let more = match finding.value {
            Some(n) if n > 1.0 => format!("{name} +{:.0}", n - 1.0),
            _ => name.to_string(),
        };
        let words = self.with_pass(index, &more);
        let half = (draw::width_of(&words, WORDS) / 2.0).max(0.6 * HEIGHT);
        let skyline = &mut self.score.systems[head.system].skyline;
        let top = skyline.place_below(x - half, x + half, HEIGHT + 0.95 * WORDS);
        let drawing = draw::caret(x, top, HEIGHT, Pencil::Grey)
            + &draw::words(x, top + HEIGHT + 0.85 * WORDS, WORDS, Pencil::Grey, &words);
        (head.system, drawing)
    }

    fn above(&mut self, index: usize, sign: &str, size: f64) -> (usize, String) {
        let head = self.head(index);
        (
            head.system,
            self.words_above(head, index, sign, size, Pencil::Grey),
        )
    }

    /// A small arrow above the note; its cents stand at the first.
    fn tuning(&mut self, index: usize, finding: &Finding, up: bool) -> (usize, String) {
        const HEIGHT: f64 = 260.0;
        let head = self.head(index);
        let skyline = &mut self.score.systems[head.system].skyline;
        let top = skyline.place_above(head.x - 80.0, head.x + 80.0, HEIGHT);
        let (tail, point) = if up {
            (top + HEIGHT, top)
        } else {
            (top, top + HEIGHT)
        };
        let mut drawing = draw::arrow((head.x, tail), (head.x, point), 110.0, Pencil::Grey);
        if index == finding.place.first() {
            let cents = format!("{:+.0} cents", finding.value.unwrap_or(0.0));
            drawing += &self.words_above(head, index, &cents, WORDS, Pencil::Grey);
        }
        (head.system, drawing)
    }

    /// An arc from the note before, over the note that should have been slurred to it.
    fn slur(&mut self, index: usize) -> (usize, String) {
        let head = self.head(index);
        let before = index
            .checked_sub(1)
            .map(|i| self.head(i))
            .filter(|b| b.system == head.system && b.x < head.x);
        let left = before.map_or(head.x - 2.5 * SPACE, |b| b.x.max(head.x - 5.0 * SPACE));
        let skyline = &mut self.score.systems[head.system].skyline;
        let top = skyline.place_above(left, head.x, 110.0);
        let arc = draw::arc(left, head.x, top + 100.0, 90.0, Pencil::Grey);
        let words = self.words_above(head, index, "slur", WORDS, Pencil::Grey);
        (head.system, arc + &words)
    }

    /// A stroke of the tongue over the note that was run into.
    fn tongue(&mut self, index: usize) -> (usize, String) {
        let head = self.head(index);
        let skyline = &mut self.score.systems[head.system].skyline;
        let top = skyline.place_above(head.x - 40.0, head.x + 40.0, 170.0);
        let stroke = draw::line(
            &[(head.x - 20.0, top), (head.x + 15.0, top + 170.0)],
            false,
            Pencil::Grey,
        );
        let words = self.words_above(head, index, "tongue", WORDS, Pencil::Grey);
        (head.system, stroke + &words)
    }

    /// Where a span lies, system by system.
    fn stretches(&self, first: usize, last: usize) -> Vec<Stretch> {
        let mut stretches: Vec<Stretch> = Vec::new();
        for head in &self.score.heads[first..=last.min(self.score.heads.len() - 1)] {
            match stretches.iter_mut().find(|s| s.system == head.system) {
                Some(s) => {
                    s.left = s.left.min(head.x - head.half_width);
                    s.right = s.right.max(head.x + head.half_width);
                }
                None => stretches.push(Stretch {
                    system: head.system,
                    left: head.x - head.half_width,
                    right: head.x + head.half_width,
                }),
            }
        }
        stretches
    }

    /// A wavy line under the run, with its milliseconds.
    fn uneven(&mut self, finding: &Finding) {
        let (first, last) = (finding.place.first(), finding.place.last());
        let run = self.check.runs.iter().find(|r| r.first_index == first);
        let ms = match finding.unit.as_deref() {
            Some("ms") => finding.value,
            _ => run.map(|r| r.deviation_sd_ms),
        };
        let ms = ms.unwrap_or(0.0);
        let words = match finding.cause {
            Cause::Scatter | Cause::Limping => format!("±{ms:.0} ms"),
            _ if ms < 0.0 => format!("{:.0} ms early", -ms),
            _ => format!("{ms:.0} ms late"),
        };
        let one_change = !matches!(finding.cause, Cause::Scatter | Cause::Limping);
        for (i, stretch) in self.stretches(first, last).into_iter().enumerate() {
            let words = if i == 0 {
                self.with_pass(first, &words)
            } else {
                String::new()
            };
            let drawing = self.wave(stretch, &words);
            self.put(finding, stretch.system, i == 0, drawing);
        }
        let mut drawn: Vec<Head> = Vec::new();
        for &place in &finding.places {
            // Once where the page has the notes once.
            let Some(&head) = self.score.heads.get(place) else {
                continue;
            };
            if drawn.contains(&head) {
                continue;
            }
            drawn.push(head);
            if one_change {
                // A stroke under the late note itself.
                let skyline = &mut self.score.systems[head.system].skyline;
                let within = (first..=last).contains(&place);
                let top = skyline.place_below(head.x - 60.0, head.x + 60.0, 150.0);
                let drawing = draw::arrow((head.x, top + 150.0), (head.x, top), 80.0, Pencil::Blue);
                self.put(finding, head.system, false, drawing);
                if !within {
                    let around = self.stretches(place.saturating_sub(1), place);
                    if let Some(here) = around.into_iter().find(|s| s.system == head.system) {
                        let drawing = self.wave(here, "");
                        self.put(finding, here.system, false, drawing);
                    }
                }
            } else if place != first {
                let end = self
                    .check
                    .runs
                    .iter()
                    .find(|r| r.first_index == place)
                    .map_or(place, |r| r.last_index);
                for stretch in self.stretches(place, end) {
                    let drawing = self.wave(stretch, "");
                    self.put(finding, stretch.system, false, drawing);
                }
            }
        }
    }

    fn wave(&mut self, stretch: Stretch, words: &str) -> String {
        const HEIGHT: f64 = 90.0;
        let skyline = &mut self.score.systems[stretch.system].skyline;
        let middle = (stretch.left + stretch.right) / 2.0;
        let top = skyline.place_below(stretch.left, stretch.right, HEIGHT);
        let mut drawing = draw::wave(
            stretch.left,
            stretch.right,
            top + HEIGHT / 2.0,
            HEIGHT,
            Pencil::Blue,
        );
        if !words.is_empty() {
            let half = draw::width_of(words, WORDS) / 2.0;
            let top = skyline.place_below(middle - half, middle + half, 0.85 * WORDS);
            drawing += &draw::words(middle, top + 0.75 * WORDS, WORDS, Pencil::Blue, words);
        }
        drawing
    }

    /// A long arrow over the span: onwards where it pushes, back where it drags.
    fn tempo(&mut self, finding: &Finding) {
        const HEIGHT: f64 = 130.0;
        let pushing = finding.kind == FindingKind::Pushing;
        let change = finding.value.unwrap_or(0.0);
        let tempo = &self.check.tempo;
        let words = match (finding.cause, tempo.start_bpm, tempo.end_bpm) {
            (Cause::Drift, Some(start), Some(end)) => {
                let verb = if pushing { "pushes" } else { "drags" };
                format!("{verb}, {start:.0} to {end:.0} bpm")
            }
            _ if pushing => format!("pushes {change:+.0} bpm"),
            _ => format!("drags {change:+.0} bpm").replace('-', "−"),
        };
        let words = self.with_pass(finding.place.first(), &words);
        let stretches = self.stretches(finding.place.first(), finding.place.last());
        let n = stretches.len();
        for (i, s) in stretches.into_iter().enumerate() {
            let size = WORDS;
            let skyline = &mut self.score.systems[s.system].skyline;
            let right = if i == 0 {
                s.right.max(s.left + draw::width_of(&words, size))
            } else {
                s.right
            };
            let height = if i == 0 { HEIGHT + size } else { HEIGHT };
            let top = skyline.place_above(s.left, right, height);
            let y = top + height - HEIGHT / 2.0;
            let (left_end, right_end) = ((s.left, y), (s.right.max(s.left + 2.0 * SPACE), y));
            // The head is at the end the tempo goes to.
            let has_head = if pushing { i + 1 == n } else { i == 0 };
            let mut drawing = match (has_head, pushing) {
                (true, true) => draw::arrow(left_end, right_end, 150.0, Pencil::Blue),
                (true, false) => draw::arrow(right_end, left_end, 150.0, Pencil::Blue),
                (false, _) => draw::line(&[left_end, right_end], false, Pencil::Blue),
            };
            if i == 0 {
                drawing += &draw::aligned(
                    s.left,
                    top + 0.8 * size,
                    size,
                    "start",
                    Pencil::Blue.colour(),
                    &words,
                );
            }
            self.put(finding, s.system, i == 0, drawing);
        }
    }

    /// A numbered hook from where the playing broke off back to where it went on, and the same
    /// number in the margin.
    fn restart(&mut self, finding: &Finding) {
        const HEIGHT: f64 = 190.0;
        self.n_hooks += 1;
        let number = self.n_hooks.to_string();
        let (to, from) = (
            self.head(finding.place.first()),
            self.head(finding.place.last()),
        );
        let times = match finding.value {
            Some(n) if n > 1.0 => format!("{number} ({n:.0} times)"),
            _ => number.clone(),
        };
        let same = to.system == from.system;
        for (main, head) in [(true, to), (false, from)] {
            if !main && same {
                break;
            }
            let system = &self.score.systems[head.system];
            let (left, right) = match (same, main) {
                (true, _) => (to.x.min(from.x), to.x.max(from.x).max(to.x + SPACE)),
                (false, true) => (head.x, system.right),
                (false, false) => (system.left, head.x),
            };
            let label = self.with_pass(finding.place.first(), &times);
            let width = draw::width_of(&label, WORDS);
            let skyline = &mut self.score.systems[head.system].skyline;
            let top = skyline.place_above(left, right.max(left + width + 120.0), HEIGHT);
            let mut drawing = String::new();
            if main {
                drawing += &draw::line(
                    &[(right, top + 60.0), (left, top + 60.0)],
                    !same,
                    Pencil::Grey,
                );
                drawing +=
                    &draw::arrow((left, top + 60.0), (left, top + HEIGHT), 90.0, Pencil::Grey);
            }
            if same || !main {
                let points = [
                    (right, top + HEIGHT),
                    (right, top + 60.0),
                    (left, top + 60.0),
                ];
                drawing += &draw::line(&points[..if same { 2 } else { 3 }], !same, Pencil::Grey);
            }
            let label_top = skyline.place_above(left, left + width, 0.8 * WORDS);
            drawing += &draw::aligned(
                left,
                label_top + 0.78 * WORDS,
                WORDS,
                "start",
                Pencil::Grey.colour(),
                &label,
            );
            self.put(finding, head.system, main, drawing);
            self.margin_hook(finding, head.system, &number);
        }
    }

    fn margin_hook(&mut self, finding: &Finding, system: usize, number: &str) {
        let s = &self.score.systems[system];
        // Several hooks of one system go down the margin.
        let above = self.drawings[system]
            .iter()
            .filter(|d| d.contains("class=\"again grey hook\""))
            .count();
        let y = s.staff_top + 420.0 * above as f64;
        let x = s.left - 330.0;
        let drawing = draw::line(
            &[(x + 130.0, y), (x - 60.0, y), (x - 60.0, y + 200.0)],
            false,
            Pencil::Grey,
        ) + &draw::arrow(
            (x - 60.0, y + 200.0),
            (x + 130.0, y + 200.0),
            80.0,
            Pencil::Grey,
        ) + &draw::words(x + 45.0, y + 150.0, 0.75 * WORDS, Pencil::Grey, number);
        let title = escaped(&finding.text);
        self.drawings[system].push(format!(
            "<g class=\"again grey hook\" aria-hidden=\"true\"><title>{title}</title>{drawing}</g>"
        ));
    }

    /// A dashed bow over what was passed over.
    fn skip(&mut self, finding: &Finding) {
        let words = match finding.value {
            Some(1.0) => "1 note left out".to_string(),
            Some(n) => format!("{} notes left out", number(n)),
            None => "left out".into(),
        };
        for (i, s) in self
            .stretches(finding.place.first(), finding.place.last())
            .into_iter()
            .enumerate()
        {
            let words = if i == 0 {
                self.with_pass(finding.place.first(), &words)
            } else {
                String::new()
            };
            let right = s.right.max(s.left + draw::width_of(&words, WORDS));
            let skyline = &mut self.score.systems[s.system].skyline;
            let top = skyline.place_above(s.left, right, 150.0 + WORDS);
            let y = top + WORDS + 40.0;
            let points = [
                (s.left, y + 100.0),
                (s.left, y),
                (s.right, y),
                (s.right, y + 100.0),
            ];
            let mut drawing = draw::line(&points, true, Pencil::Grey);
            if i == 0 {
                drawing += &draw::aligned(
                    s.left,
                    top + 0.8 * WORDS,
                    WORDS,
                    "start",
                    Pencil::Grey.colour(),
                    &words,
                );
            }
            self.put(finding, s.system, i == 0, drawing);
        }
    }

    /// Words over the beginning of the note's system.
    fn at_system_start(&mut self, index: usize, words: &str) -> String {
        let head = self.head(index);
        let left = head.x - head.half_width;
        let skyline = &mut self.score.systems[head.system].skyline;
        let top = skyline.place_above(left, left + draw::width_of(words, WORDS), 0.9 * WORDS);
        draw::aligned(
            left,
            top + 0.8 * WORDS,
            WORDS,
            "start",
            Pencil::Grey.colour(),
            words,
        )
    }
}

fn pencil(kind: FindingKind) -> Pencil {
    match kind {
        FindingKind::Uneven | FindingKind::Pushing | FindingKind::Dragging => Pencil::Blue,
        _ => Pencil::Grey,
    }
}
