//! The report on a terminal: read in ten seconds, worst first, plain words.

use std::fmt::Write;

use super::words::{mark, number, place, plus_minus};
use crate::hear::Hearing;
use crate::judge::coverage::{NOTHING_HEARD, OTHER_MUSIC};
use crate::judge::{Cause, Check, Finding, FindingKind, Verdict};
use crate::line::{Line, Spelling};

/// Findings shown before the rest is only counted: more is not read in ten seconds.
const FINDINGS_SHOWN: usize = 8;
/// Things to practise that are named at the end.
const NEXT_SHOWN: usize = 3;
/// Columns of the mark that stands before a finding, and of the labels below.
const LABEL_COLUMNS: usize = 10;

/// How a text is laid out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layout {
    /// Columns a line may take; at least 40 are used.
    pub width: usize,
    /// Bold labels by escape sequences; without it the text is plain.
    pub styled: bool,
    /// Every finding, not only the worst.
    pub all: bool,
}

/// The report of a check, its findings already in words.
pub fn check(line: &Line, check: &Check, layout: Layout) -> String {
    let mut page = Page::new(layout);
    head(&mut page, check);
    page.blank();
    let shown = if layout.all {
        check.findings.len()
    } else {
        FINDINGS_SHOWN
    };
    for finding in check.findings.iter().take(shown) {
        page.row(mark(finding.kind), &finding.text);
    }
    if check.findings.len() > shown {
        let rest = check.findings.len() - shown;
        page.row("", &format!("and {rest} more: --all shows them"));
    }
    if check.findings.is_empty() {
        page.row("", nothing(check));
    }
    page.blank();
    page.facts("runs", runs(check));
    page.facts("tempo", tempo(check));
    page.facts("tuning", tuning(check));
    for warning in &check.take.warnings {
        page.row("recording", warning);
    }
    for remark in click_remarks(check) {
        page.row("recording", &remark);
    }
    let next = next(line, check);
    if !next.is_empty() {
        page.blank();
        for (i, todo) in next.iter().enumerate() {
            page.row(if i == 0 { "next" } else { "" }, todo);
        }
    }
    page.out
}

/// Title, part, bars played and the counts.
fn head(page: &mut Page, check: &Check) {
    // A part that is only a number tells a player nothing.
    let tells = |text: &&String| text.chars().any(char::is_alphabetic);
    let mut words: Vec<String> = [&check.line.title, &check.line.part]
        .into_iter()
        .filter(tells)
        .cloned()
        .collect();
    if let Some((first, last)) = bars_played(check) {
        words.push(if first == last {
            format!("bar {first}")
        } else {
            format!("bars {first} to {last}")
        });
    }
    let s = &check.summary;
    let mut counts = format!(
        "{} right, {} wrong, {} missed, {} added",
        s.right, s.wrong, s.missed, s.added
    );
    let _ = write!(counts, ", {} unsure", s.unsure);
    if s.not_reached > 0 {
        let _ = write!(counts, ", {} not reached", s.not_reached);
    }
    if !words.is_empty() {
        page.heading(&words.join(" - "));
    }
    page.heading(&counts);
}

/// First and last bar that was played, as they stand on the page: a repeat from the sign ends
/// before the last one.
fn bars_played(check: &Check) -> Option<(&str, &str)> {
    let played = || {
        let notes = check.notes.iter().filter(|n| n.onset_s.is_some());
        notes.map(|n| n.bar.as_str())
    };
    let number = |bar: &str| bar.parse::<i64>().ok();
    if played().all(|bar| number(bar).is_some()) {
        return Some((
            played().min_by_key(|b| number(b))?,
            played().max_by_key(|b| number(b))?,
        ));
    }
    Some((played().next()?, played().next_back()?))
}

fn runs(check: &Check) -> Option<String> {
    let count = |verdict| check.runs.iter().filter(|r| r.verdict == verdict).count();
    if check.runs.is_empty() {
        return None;
    }
    let mut text = format!(
        "{} even, {} uneven, {} could not tell",
        count(Verdict::Even),
        count(Verdict::Uneven),
        count(Verdict::CannotTell)
    );
    if uneven_by_scatter_alone(check) {
        text.push_str("; no finger change stands out of the ordinary scatter");
    }
    if let Some(same) = check
        .repeated
        .iter()
        .max_by_key(|r| r.attempts)
        .filter(|r| r.attempts > 1)
    {
        let _ = write!(
            text,
            "; over {} tries at bar {}: habit {:.0} ms, scatter {:.0} ms",
            same.attempts, check.notes[same.first_index].bar, same.habit_sd_ms, same.scatter_sd_ms
        );
    }
    Some(text)
}

/// Whether runs are uneven and none of it is told: as uneven as players are, without one cause.
fn uneven_by_scatter_alone(check: &Check) -> bool {
    let uneven = check.runs.iter().any(|r| r.verdict == Verdict::Uneven);
    uneven && !check.findings.iter().any(|f| f.kind == FindingKind::Uneven)
}

/// What a player should know about the click before any figure against it.
fn click_remarks(check: &Check) -> Vec<String> {
    let mut remarks = Vec::new();
    let Some(click) = &check.tempo.click else {
        return remarks;
    };
    if click.clicks_disagree {
        remarks.push(
            "The clicks heard do not keep the tempo given: timing is told without them.".into(),
        );
    }
    let (beat_quarters, mean_bpm) = (check.tempo.beat_quarters, check.tempo.mean_bpm);
    if let (true, Some(mean_bpm)) = (click.other_tempo, mean_bpm) {
        remarks.push(format!(
            "The playing, {} = {mean_bpm:.0}, does not go with the click given: nothing is measured against it. Say the tempo that was set.",
            beat_name(beat_quarters)
        ));
    }
    remarks
}

fn tempo(check: &Check) -> Option<String> {
    let tempo = &check.tempo;
    let (start, end, mean) = (tempo.start_bpm?, tempo.end_bpm?, tempo.mean_bpm?);
    let mut text = format!(
        "{} = {mean:.0} on average, {start:.0} ({}) at the start, {end:.0} ({}) at the end",
        beat_name(tempo.beat_quarters),
        plus_minus(tempo.start_bpm_se, 1),
        plus_minus(tempo.end_bpm_se, 1),
    );
    if let Some(click) = &tempo.click {
        let same = |quarters: &f64| (quarters / tempo.beat_quarters - 1.0).abs() < 0.01;
        let one_to = match click.beat_quarters.filter(|quarters| !same(quarters)) {
            Some(quarters) => format!(" (one to each {})", beat_name(quarters)),
            None => String::new(),
        };
        match (click.offset_mean_ms, click.offset_sd_ms) {
            (Some(mean), Some(sd)) => {
                let side = if mean < 0.0 { "ahead of" } else { "behind" };
                let _ = write!(
                    text,
                    "; {:.0} ms {side} the click{one_to}, scatter {sd:.0} ms",
                    mean.abs()
                );
            }
            (None, Some(sd)) => {
                let _ = write!(text, "; scatter against the click{one_to} {sd:.0} ms");
            }
            _ => {}
        }
    }
    Some(text)
}

/// The take's own tuning, said in cents: a player has no use for a frequency.
fn tuning(check: &Check) -> Option<String> {
    let tuning = &check.tuning;
    let spread = tuning.cents_sd?;
    let cents = 1200.0 * (tuning.a4_hz / 440.0).log2();
    let se = 1200.0 / std::f64::consts::LN_2 * tuning.a4_hz_se / tuning.a4_hz;
    let whole = |cents: f64| match cents.abs().round() as u32 {
        1 => "1 cent".to_string(),
        n => format!("{n} cents"),
    };
    let place = if cents.abs() < 0.5 {
        "at the standard A".to_string()
    } else {
        let side = if cents < 0.0 { "below" } else { "above" };
        format!("{} {side} the standard A", whole(cents))
    };
    Some(format!(
        "{place} ({}), notes spread {}",
        plus_minus(Some(se), 0),
        whole(spread)
    ))
}

/// Whether the take says anything of the line.
fn is_told(check: &Check) -> bool {
    let untold = |w: &String| w.starts_with(NOTHING_HEARD) || w.starts_with(OTHER_MUSIC);
    !(check.findings.is_empty() && check.take.warnings.iter().any(untold))
}

/// What is said where there is no finding.
pub(in crate::show) fn nothing(check: &Check) -> &'static str {
    if is_told(check) {
        "Nothing to mark."
    } else {
        "Nothing could be marked."
    }
}

/// One to three things to practise, worst first, no bar twice.
fn next(line: &Line, check: &Check) -> Vec<String> {
    if !is_told(check) {
        return Vec::new();
    }
    let mut todos: Vec<String> = Vec::new();
    let mut bars: Vec<usize> = Vec::new();
    let slow: Vec<&str> = bars_to_play_slowly(line, check, &mut bars);
    if let [rest @ .., last] = slow.as_slice() {
        let place = match rest {
            [] => format!("Bar {last}"),
            _ => format!("Bars {} and {last}", rest.join(", ")),
        };
        todos.push(format!("{place}: slowly, three times clean in a row."));
    }
    for finding in &check.findings {
        let bar = line.notes[finding.place.first()].bar_idx;
        if bars.contains(&bar) || todos.len() == NEXT_SHOWN {
            continue;
        }
        if let Some(todo) = practise(line, finding) {
            bars.push(bar);
            todos.push(todo);
        }
    }
    if !todos.is_empty() {
        todos.push("Rest when hands or lip tire; pain is a reason to stop and to ask.".into());
    } else if check.findings.is_empty() && check.summary.right > 0 {
        let uneven = check.runs.iter().filter(|r| r.verdict == Verdict::Uneven);
        todos.push(if 2 * uneven.count() > check.runs.len() {
            "The same once more, as even as a clock; then a notch faster.".into()
        } else {
            "The same a notch faster, or the next passage.".into()
        });
    }
    todos
}

/// Printed numbers of the worst bars with notes wrong, missed or added; `bars` takes them in.
fn bars_to_play_slowly<'a>(line: &'a Line, check: &Check, bars: &mut Vec<usize>) -> Vec<&'a str> {
    for finding in &check.findings {
        let notes_wrong = matches!(
            finding.kind,
            FindingKind::Wrong | FindingKind::Missed | FindingKind::Added
        );
        let bar = line.notes[finding.place.first()].bar_idx;
        if notes_wrong
            && finding.cause != Cause::KeySignature
            && !bars.contains(&bar)
            && bars.len() < NEXT_SHOWN
        {
            bars.push(bar);
        }
    }
    bars.sort_unstable();
    let mut numbers: Vec<&str> = bars
        .iter()
        .map(|bar| line.bars[*bar].number.as_str())
        .collect();
    numbers.dedup();
    numbers
}

fn practise(line: &Line, finding: &Finding) -> Option<String> {
    let place = place(line, finding);
    Some(match (finding.kind, finding.cause) {
        (FindingKind::Wrong, Cause::KeySignature) => format!(
            "Say the key signature aloud, then {place} slowly with {} in mind.",
            finding.written.as_deref()?
        ),
        (FindingKind::Restart, _) if super::words::is_once_more(line, finding) => return None,
        (FindingKind::Restart | FindingKind::Skip, _) => {
            format!(
                "{}: from the bar before to the bar after, without stopping.",
                capital(&place)
            )
        }
        (FindingKind::Stopped, _) if super::words::is_many_changes(line, finding) => {
            format!("{}: slower, so that nothing stops.", capital(&place))
        }
        (FindingKind::Stopped, _) => format!(
            "{} alone, back and forth; then from the bar before, without stopping.",
            super::words::change_to(line, *finding.places.first()?),
        ),
        (FindingKind::Uneven, Cause::Limping) => {
            format!("{}: in the opposite rhythm, then even.", capital(&place))
        }
        (FindingKind::Uneven, Cause::Scatter) => {
            format!("{}: slower, as even as a clock.", capital(&place))
        }
        (FindingKind::Uneven, _) => format!(
            "{} alone, back and forth and even; then {}.",
            super::words::change_to(line, *finding.places.first()?),
            super::words::bars_of(line, finding),
        ),
        (FindingKind::Pushing | FindingKind::Dragging, _) => {
            format!("{} with a click.", capital(&place))
        }
        (FindingKind::Sharp | FindingKind::Flat, _) => {
            format!("{} long, against a drone.", finding.written.as_deref()?)
        }
        (FindingKind::SlurredTongued | FindingKind::TonguedSlurred, _) => {
            format!("{}: slurs and tongues exactly as printed.", capital(&place))
        }
        (FindingKind::Wrong | FindingKind::Missed | FindingKind::Added, _)
        | (FindingKind::Unsure | FindingKind::Transposed, _) => return None,
    })
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

/// The beat's note value in words: `quarter`, `dotted quarter`.
pub(super) fn beat_name(quarters: f64) -> String {
    for (name, value) in [
        ("whole", 4.0),
        ("half", 2.0),
        ("quarter", 1.0),
        ("eighth", 0.5),
        ("sixteenth", 0.25),
    ] {
        if (quarters - value).abs() < 1e-6 {
            return name.into();
        }
        if (quarters - 1.5 * value).abs() < 1e-6 {
            return format!("dotted {name}");
        }
    }
    format!("{} quarters", number(quarters))
}

/// What was heard in a take, note by note; written pitch where the instrument is known.
pub fn hearing(hearing: &Hearing, transpose_semitones: Option<i32>, layout: Layout) -> String {
    let mut page = Page::new(layout);
    let notes: Vec<_> = super::json::told(hearing).collect();
    let (pitch, shift) = match transpose_semitones {
        Some(semitones) => ("written", semitones),
        None => ("sounding", 0),
    };
    page.heading(&format!(
        "{} notes heard in {:.1} s, {pitch} pitch",
        notes.len(),
        hearing.recording.duration_s
    ));
    page.blank();
    let _ = writeln!(page.out, "    start     length  note    cents  tongue");
    for (note, midi, cents) in notes {
        let name = Spelling::of_midi(midi - shift, 0).to_string();
        let tongue = if note.tongued { "yes" } else { "-" };
        let _ = writeln!(
            page.out,
            "{:>7.3} s  {:>6.0} ms  {name:<6} {cents:>+6.0}  {tongue}",
            note.onset_s,
            1e3 * note.duration_s(),
        );
    }
    for warning in &hearing.recording.warnings {
        page.row("recording", warning);
    }
    page.out
}

/// Text under way: labelled rows, wrapped with a hanging indent.
struct Page {
    out: String,
    width: usize,
    styled: bool,
}

impl Page {
    fn new(layout: Layout) -> Page {
        Page {
            out: String::new(),
            width: layout.width.max(40),
            styled: layout.styled,
        }
    }

    fn bold(&self, text: &str) -> String {
        if self.styled && !text.is_empty() {
            format!("\x1b[1m{text}\x1b[0m")
        } else {
            text.into()
        }
    }

    fn blank(&mut self) {
        self.out.push('\n');
    }

    fn heading(&mut self, text: &str) {
        for row in wrapped(text, self.width) {
            let row = self.bold(&row);
            let _ = writeln!(self.out, "{row}");
        }
    }

    /// A label in its own column and text beside it.
    fn row(&mut self, label: &str, text: &str) {
        for (i, row) in wrapped(text, self.width - LABEL_COLUMNS).iter().enumerate() {
            let label = if i == 0 { label } else { "" };
            let fill = " ".repeat(LABEL_COLUMNS.saturating_sub(label.chars().count()));
            let label = self.bold(label);
            let _ = writeln!(self.out, "{label}{fill}{row}");
        }
    }

    fn facts(&mut self, label: &str, text: Option<String>) {
        if let Some(text) = text {
            self.row(label, &text);
        }
    }
}

/// Lines of at most `width` columns; a longer word stands alone.
pub(super) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut rows = vec![String::new()];
    for word in text.split_whitespace() {
        let row = rows.last_mut().expect("one row is there from the start");
        if !row.is_empty() && row.chars().count() + 1 + word.chars().count() > width {
            rows.push(word.into());
        } else {
            if !row.is_empty() {
                row.push(' ');
            }
            row.push_str(word);
        }
    }
    rows
}
