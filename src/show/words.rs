//! Findings in words: written pitch, bar and beat, and what to do about it.

use crate::judge::{Cause, Check, Finding, FindingKind, Place};
use crate::line::{Line, LineNote, Spelling, key_alter};

/// Most places that a finding names one by one.
const PLACES_NAMED: usize = 6;

const REGISTER_ADVICE: &str = "another register spoke: check the fingering and keep the air steady";

/// Fills the text of every finding.
pub fn put_into_words(line: &Line, check: &mut Check) {
    let texts: Vec<String> = check
        .findings
        .iter()
        .map(|finding| {
            let place = place(line, finding);
            let what = what(line, check, finding);
            format!("{place}: {what}")
        })
        .collect();
    for (finding, text) in check.findings.iter_mut().zip(texts) {
        finding.text = text;
    }
}

/// The pencil mark a teacher would make: one word, so that no meaning hangs on colour.
pub fn mark(kind: FindingKind) -> &'static str {
    match kind {
        FindingKind::Wrong => "circle",
        FindingKind::Missed => "caret",
        FindingKind::Added => "strike",
        FindingKind::Unsure => "query",
        FindingKind::Sharp | FindingKind::Flat => "arrow",
        FindingKind::Uneven | FindingKind::Pushing | FindingKind::Dragging => "wavy",
        FindingKind::Restart | FindingKind::Skip => "bracket",
        FindingKind::SlurredTongued | FindingKind::TonguedSlurred => "slur",
        FindingKind::Transposed => "note",
        FindingKind::Stopped => "caesura",
    }
}

/// Where a finding stands: `bar 9, beat 2`, `bars 5-6`, `bars 2, 4, 7`.
pub fn place(line: &Line, finding: &Finding) -> String {
    let notes = &line.notes;
    match (finding.place, finding.kind) {
        (Place::Note { .. }, _) if spread_places(line, &finding.places) => {
            named_bars(line, &finding.places)
        }
        (Place::Note { index }, _) => at_note(&notes[index]),
        // One change's fault is told where it stands, and not by the whole run.
        (_, FindingKind::Uneven) if finding.cause == Cause::FingerChange => {
            match spread_places(line, &finding.places) {
                true => named_bars(line, &finding.places),
                false => at_note(&notes[finding.places[0]]),
            }
        }
        (_, FindingKind::Transposed) => "whole take".into(),
        (_, FindingKind::Pushing | FindingKind::Dragging) if finding.cause == Cause::Drift => {
            "whole take".into()
        }
        (Place::Span { .. }, _) => bars_of(line, finding),
    }
}

/// The bars a finding stretches over.
pub fn bars_of(line: &Line, finding: &Finding) -> String {
    let (first, last) = (finding.place.first(), finding.place.last());
    bars_between(&line.notes[first], &line.notes[last])
}

fn spread_places(line: &Line, places: &[usize]) -> bool {
    places
        .iter()
        .any(|idx| line.notes[*idx].bar_idx != line.notes[places[0]].bar_idx)
}

/// `bar 9, beat 2`; the pass is named from the second time on.
fn at_note(note: &LineNote) -> String {
    format!("bar {}{}, beat {}", note.bar, pass(note), number(note.beat))
}

fn pass(note: &LineNote) -> String {
    pass_name(note.pass).map_or(String::new(), |pass| format!(" ({pass})"))
}

/// `2nd time`; `None` for the first.
pub fn pass_name(pass: u32) -> Option<String> {
    match pass {
        0 | 1 => None,
        2 => Some("2nd time".into()),
        3 => Some("3rd time".into()),
        n => Some(format!("{n}th time")),
    }
}

fn bars_between(first: &LineNote, last: &LineNote) -> String {
    if first.bar_idx == last.bar_idx {
        format!("bar {}{}", first.bar, pass(first))
    } else {
        format!("bars {}-{}{}", first.bar, last.bar, pass(last))
    }
}

fn named_bars(line: &Line, places: &[usize]) -> String {
    let mut bars: Vec<&str> = Vec::new();
    for idx in places {
        let bar = line.notes[*idx].bar.as_str();
        if bars.last() != Some(&bar) {
            bars.push(bar);
        }
    }
    let more = if bars.len() > PLACES_NAMED {
        " and on"
    } else {
        ""
    };
    let label = if bars.len() == 1 { "bar" } else { "bars" };
    bars.truncate(PLACES_NAMED);
    format!("{label} {}{more}", bars.join(", "))
}

/// What happened and what to do.
fn what(line: &Line, check: &Check, finding: &Finding) -> String {
    match finding.kind {
        FindingKind::Wrong => wrong(line, check, finding),
        FindingKind::Missed => missed(line, finding),
        FindingKind::Added => added(finding),
        FindingKind::Unsure => unsure(finding),
        FindingKind::Sharp | FindingKind::Flat => tendency(finding),
        FindingKind::Uneven => uneven(line, check, finding),
        FindingKind::Pushing | FindingKind::Dragging => tempo(check, finding),
        FindingKind::Stopped => stopped(line, check, finding),
        FindingKind::Restart => restart(line, finding),
        FindingKind::Skip => format!(
            "jumped ahead, {} passed over: join the bars before and after",
            count(finding.value, "note")
        ),
        FindingKind::SlurredTongued => format!(
            "{} under a slur tongued: one breath, no tongue",
            was(finding.value, "note")
        ),
        FindingKind::TonguedSlurred => format!(
            "{} run together with the note before: say a clear tongue",
            was(finding.value, "note")
        ),
        FindingKind::Transposed => transposed(finding),
    }
}

fn wrong(line: &Line, check: &Check, finding: &Finding) -> String {
    let index = finding.place.first();
    let note = &line.notes[index];
    let written = note.written;
    let Some(heard) = finding.heard.as_deref().and_then(spelling) else {
        return format!("{} came wrong: play it alone first", written.name());
    };
    let by = finding.value.unwrap_or(0.0) as i32;
    if let Place::Span { last_index, .. } = finding.place {
        let last = line.notes[last_index].written;
        return passage_in_another_register(finding, written, last, by);
    }
    let came = if by.abs() > 7 {
        format!("{written} came as {heard}")
    } else {
        format!("{} came as {}", written.name(), heard.name())
    };
    let places = if finding.places.len() > 1 {
        format!(" in {} places", finding.places.len())
    } else {
        String::new()
    };
    let sign = sign_name(written.alter);
    let advice = match finding.cause {
        Cause::KeySignature => format!("the key has {}", written.name()),
        Cause::AccidentalNotCarried => format!("the {sign} holds to the end of the bar"),
        Cause::AccidentalCarriedTooFar => {
            format!("the {} ended with the bar before", sign_name(heard.alter))
        }
        Cause::AccidentalOverlooked => format!("look at the {sign}"),
        Cause::Octave if by.abs() == 12 => {
            let side = if by > 0 { "high" } else { "low" };
            format!("an octave {side}: {}", octave_advice(by))
        }
        Cause::Octave | Cause::Register => REGISTER_ADVICE.into(),
        Cause::SameNoteAgain => format!("look up the fingering of {written}"),
        Cause::SamePlaceAgain => {
            let before = check.notes[index].attempts.len();
            format!(
                "not the first time here (try {}): stop, play it alone",
                before + 1
            )
        }
        _ if written.alter.abs() == 2 => format!("look at the {sign}"),
        _ if written.letter == heard.letter && written.octave == heard.octave => {
            if i32::from(written.alter) == key_alter(written.letter, line.key.fifths) {
                if written.alter == 0 {
                    format!("no {} here", sign_name(heard.alter))
                } else {
                    format!("the key has {}", written.name())
                }
            } else {
                format!("look at the {sign}")
            }
        }
        _ => "play it alone, then with the note before".into(),
    };
    format!("{came}{places}: {advice}")
}

fn passage_in_another_register(
    finding: &Finding,
    first: Spelling,
    last: Spelling,
    by: i32,
) -> String {
    let n = finding.places.len();
    let side = if by > 0 { "high" } else { "low" };
    let (interval, advice) = match by.abs() {
        12 => ("an octave", octave_advice(by)),
        19 => ("a twelfth", REGISTER_ADVICE),
        24 => ("two octaves", REGISTER_ADVICE),
        _ => {
            return format!("{n} notes, {first} to {last}: {REGISTER_ADVICE}");
        }
    };
    format!("{n} notes, {first} to {last}, came {interval} {side}: {advice}")
}

fn octave_advice(by: i32) -> &'static str {
    if by > 0 {
        "read the ledger lines, keep the air calm"
    } else {
        "read the ledger lines, keep the air moving"
    }
}

fn sign_name(alter: i8) -> &'static str {
    match alter {
        2.. => "double sharp",
        1 => "sharp",
        0 => "natural",
        -1 => "flat",
        _ => "double flat",
    }
}

fn missed(line: &Line, finding: &Finding) -> String {
    if finding.cause == Cause::GraceNotes {
        let graces = count(finding.value, "grace note");
        return format!("{graces} left out: put them in when the line is even without them");
    }
    let (first, last) = (finding.place.first(), finding.place.last());
    let every = if finding.cause == Cause::EveryTime {
        " every time"
    } else {
        ""
    };
    if first == last {
        format!(
            "{} did not sound{every}: put it back in, slowly",
            line.notes[first].written
        )
    } else {
        format!(
            "{} left out{every}, {} to {}: put them back in, slowly",
            count(finding.value, "note"),
            line.notes[first].written,
            line.notes[last].written
        )
    }
}

fn added(finding: &Finding) -> String {
    let heard = finding.heard.as_deref().unwrap_or("note");
    let place = match &finding.written {
        Some(written) => format!("after {written}"),
        None => "before the first note".into(),
    };
    match finding.value {
        Some(n) if n > 1.0 => format!("{n} extra notes {place}, first {heard}: leave them out"),
        _ => format!("an extra {heard} {place}: leave it out"),
    }
}

fn unsure(finding: &Finding) -> String {
    let what = match (finding.value, &finding.written) {
        (Some(n), _) if n > 1.0 => format!("{n} notes"),
        (_, Some(written)) => written.clone(),
        _ => "a note".into(),
    };
    if finding.cause == Cause::Octave {
        return format!("could not tell the octave of {what}: listen yourself");
    }
    format!("could not tell {what}: listen yourself")
}

fn tendency(finding: &Finding) -> String {
    let cents = finding.value.unwrap_or(0.0);
    let written = finding.written.as_deref().unwrap_or("this note");
    let (side, todo) = if cents > 0.0 {
        ("sharp", "bring it down")
    } else {
        ("flat", "bring it up")
    };
    format!(
        "{written} sat {:.0} cents {side} ({}) in {} places: {todo} against a drone",
        cents.abs(),
        plus_minus(finding.se, 0),
        finding.places.len()
    )
}

/// The finger change that ends at note `to`.
pub fn change_to(line: &Line, to: usize) -> String {
    let from = to.saturating_sub(1);
    format!("{} to {}", line.notes[from].written, line.notes[to].written)
}

/// True where a finding's places are not all of one finger change.
pub fn is_many_changes(line: &Line, finding: &Finding) -> bool {
    let change = |to: &usize| change_to(line, *to);
    (finding.places.iter()).any(|to| change(to) != change(&finding.places[0]))
}

fn stopped(line: &Line, check: &Check, finding: &Finding) -> String {
    let waited_s = finding.value.unwrap_or(0.0);
    let error = plus_minus(finding.se, 1);
    let change_of_all = change_to(line, finding.places[0]);
    let times = finding.places.len();
    if is_many_changes(line, finding) {
        let longest = (check.stops.iter()).max_by(|a, b| a.waited_s.total_cmp(&b.waited_s));
        let before = longest.map_or(String::new(), |stop| {
            let note = &line.notes[stop.to_index];
            format!(" before {} in bar {}", note.written, note.bar)
        });
        return format!(
            "stopped {times} times, the longest {waited_s:.1} s ({error}){before}: \
             so slowly that nothing stops"
        );
    }
    let longest = match times {
        1 => format!("for {waited_s:.1} s ({error})"),
        n => format!("{n} times, up to {waited_s:.1} s ({error}),"),
    };
    format!("stopped {longest} at {change_of_all}: the change alone, then across it")
}

fn uneven(line: &Line, check: &Check, finding: &Finding) -> String {
    let ms = finding.value.unwrap_or(0.0);
    let error = plus_minus(finding.se, 0);
    match finding.cause {
        Cause::Limping => {
            let run = check
                .runs
                .iter()
                .find(|r| r.first_index == finding.place.first());
            let ratio = run.and_then(|r| r.pattern).map_or(1.0, |p| p.ratio);
            let (name, ratio, other) = if ratio >= 1.0 {
                ("long-short", ratio, "short-long")
            } else {
                ("short-long", 1.0 / ratio, "long-short")
            };
            format!("even notes limp {name}, {ratio:.1} to 1: practise them {other}")
        }
        Cause::Scatter => format!(
            "the notes scatter by {ms:.0} ms ({error}){}: slower, until they are even",
            match finding.places.len() {
                1 => String::new(),
                n => format!(" in {n} runs"),
            }
        ),
        Cause::RecurringLate => format!(
            "the same note of each group comes {:.0} ms late ({error}): \
             accent it, slowly",
            ms.abs()
        ),
        _ => {
            let to = finding.places.first().copied().unwrap_or(0);
            let change = change_to(line, to);
            let times = match finding.places.len() {
                1 => String::new(),
                n => format!(", in {n} places"),
            };
            if ms >= 0.0 {
                format!(
                    "the change {change} comes {ms:.0} ms late ({error}){times}: drill it alone"
                )
            } else {
                format!(
                    "the change {change} comes {:.0} ms early ({error}){times}: \
                     give the note before its full length",
                    -ms
                )
            }
        }
    }
}

fn tempo(check: &Check, finding: &Finding) -> String {
    let change = finding.value.unwrap_or(0.0);
    let error = plus_minus(finding.se, 1);
    let verb = if change > 0.0 { "pushed" } else { "dragged" };
    let todo = if change > 0.0 {
        "breathe, hold it back with a click"
    } else {
        "keep it moving with a click"
    };
    match (finding.cause, check.tempo.start_bpm, check.tempo.end_bpm) {
        (Cause::Drift, Some(start), Some(end)) => {
            format!("the tempo {verb} from {start:.0} to {end:.0} a minute ({error}): {todo}")
        }
        _ => format!(
            "{verb} {:.0} a minute ({error}) against the rest: {todo}",
            change.abs()
        ),
    }
}

/// Whether the player had come to the end and began again: no join went wrong.
pub fn is_once_more(line: &Line, finding: &Finding) -> bool {
    finding.place.first() == 0 && finding.place.last() + 1 == line.notes.len()
}

fn restart(line: &Line, finding: &Finding) -> String {
    if is_once_more(line, finding) {
        return match finding.value {
            Some(n) if n > 1.0 => format!("played {} times: the last is told", n + 1.0),
            _ => "played twice: the second time is told".into(),
        };
    }
    let (to, from) = (
        &line.notes[finding.place.first()],
        &line.notes[finding.place.last()],
    );
    let times = match finding.value {
        Some(n) if n > 1.0 => format!("went back {n} times"),
        _ => "went back".into(),
    };
    let left = if from.bar_idx == to.bar_idx {
        String::new()
    } else {
        format!(" of bar {}", from.bar)
    };
    format!(
        "{times}, from beat {}{left} to beat {} of bar {}: practise across that join",
        number(from.beat),
        number(to.beat),
        to.bar
    )
}

fn transposed(finding: &Finding) -> String {
    let semitones = finding.value.unwrap_or(0.0) as i32;
    let n = semitones.abs();
    format!(
        "all sounded {n} semitone{} {} than the line says: another instrument \
         (--instrument sets it) or another pitch standard; no note is held against you for it",
        if n == 1 { "" } else { "s" },
        if semitones < 0 { "lower" } else { "higher" }
    )
}

/// `1 note`, `3 notes`.
fn count(value: Option<f64>, noun: &str) -> String {
    let n = value.unwrap_or(1.0) as usize;
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

fn was(value: Option<f64>, noun: &str) -> String {
    let verb = if value == Some(1.0) { "was" } else { "were" };
    format!("{} {verb}", count(value, noun))
}

/// An error as two standard errors, the way a player reads "give or take".
pub fn plus_minus(se: Option<f64>, decimals: usize) -> String {
    match se {
        Some(se) => {
            let least = 10f64.powi(-(decimals as i32));
            format!("+-{:.decimals$}", (2.0 * se).max(least))
        }
        None => "+-?".into(),
    }
}

/// At most two decimals, none that say nothing.
pub fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Reads back a pitch name that a finding carries.
fn spelling(name: &str) -> Option<Spelling> {
    let letter = name.bytes().next()?;
    let digits = name.find(|c: char| c.is_ascii_digit() || c == '-')?;
    let signs = &name[1..digits];
    Some(Spelling {
        letter: b"CDEFGAB".iter().position(|l| *l == letter)? as u8,
        alter: signs.matches('#').count() as i8 - signs.matches('b').count() as i8,
        octave: name[digits..].parse().ok()?,
    })
}
