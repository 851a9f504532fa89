//! The report: what a player reads, held against what was put in.

use crate::support::{Noise, Take, line_of, scale_line};
use passagework::align::Restart;
use passagework::judge::{Check, ClickOptions, Verdict};
use passagework::line::Line;
use passagework::show::text::{Layout, check as report};
use passagework::show::words::put_into_words;

const PLAIN: Layout = Layout {
    width: 80,
    styled: false,
    all: false,
};

fn in_words(take: &Take) -> Check {
    let mut check = take.check();
    put_into_words(&take.line, &mut check);
    check
}

fn texts(take: &Take) -> Vec<String> {
    in_words(take)
        .findings
        .into_iter()
        .map(|f| f.text)
        .collect()
}

fn take_of(line: &Line, by: impl Fn(usize) -> i32) -> Take {
    let mut take = Take::empty(line);
    for (idx, note) in line.notes.iter().enumerate() {
        take.play(idx, 0.4 * note.onset_quarters, 0.15, by(idx), 0.0005);
    }
    take
}

#[test]
fn a_wrong_note_is_said_in_written_pitch_with_bar_and_beat() {
    let notes = [
        ("E4", 1.0),
        ("F#4", 1.0),
        ("G#4", 1.0),
        ("A4", 1.0),
        ("B4", 1.0),
        ("F##4", 1.0),
        ("G#4", 1.0),
        ("E4", 1.0),
    ];
    let mut line = line_of(&notes, 4);
    // A clarinet in B flat: sounding a tone lower changes nothing in the words.
    for note in &mut line.notes {
        note.sounding_midi -= 2;
    }
    line.transpose_semitones = -2;
    let take = take_of(&line, |idx| if idx == 5 { -1 } else { 0 });
    assert_eq!(
        texts(&take),
        ["bar 2, beat 2: F## came as F#: look at the double sharp"]
    );
}

#[test]
fn a_slow_change_is_said_with_its_notes_and_error() {
    let line = scale_line(32, 0.25);
    let take = Take::right(&line, 0.0005, |idx| {
        0.15 * idx as f64 + if idx == 13 { 0.022 } else { 0.0 }
    });
    let text = &texts(&take)[0];
    assert!(
        text.starts_with("bar 1, beat 4.25: the change E4 to D4 comes 22 ms late (+-"),
        "{text}"
    );
}

/// Onsets that scatter by 8 ms: more than listeners notice, less than many players do (van Vugt,
/// Jabusch & Altenmüller 2013, from memory), and no change that is to blame.
#[test]
fn ordinary_scatter_is_no_reason_to_go_faster() {
    let line = scale_line(64, 0.25);
    let take = Take::right(&line, 0.0005, |idx| {
        0.15 * idx as f64 + 0.0055 * ((idx * 7 + idx / 5) % 5) as f64
    });
    let check = in_words(&take);
    assert!(check.runs.iter().all(|r| r.verdict == Verdict::Uneven));
    assert_eq!(check.findings, []);
    let text = report(
        &line,
        &check,
        Layout {
            width: 200,
            ..PLAIN
        },
    );
    assert!(
        text.contains("no finger change stands out of the ordinary scatter"),
        "{text}"
    );
    assert!(
        text.contains("as even as a clock; then a notch faster"),
        "{text}"
    );
}

/// A clarinet overblows at the twelfth (19 semitones), other woodwinds at the octave (12).
#[test]
fn an_octave_that_is_open_is_said_to_be_all_that_is() {
    let line = scale_line(16, 0.5);
    let mut take = take_of(&line, |idx| if idx < 2 { -12 } else { 0 });
    for idx in [0, 1, 10] {
        take.alignment.notes[idx].last.outcome = passagework::align::Outcome::Unsure;
    }
    let unclear = line.notes[10].written;
    assert_eq!(
        texts(&take),
        [
            "bar 1, beat 1: could not tell the octave of 2 notes: listen yourself".to_string(),
            format!("bar 2, beat 2: could not tell {unclear}: listen yourself"),
        ]
    );
}

#[test]
fn a_passage_in_another_register_is_one_finding() {
    let line = scale_line(32, 0.5);
    for (by, words) in [
        (
            12,
            "an octave high: read the ledger lines, keep the air calm",
        ),
        (
            -12,
            "an octave low: read the ledger lines, keep the air moving",
        ),
        (
            19,
            "a twelfth high: another register spoke: check the fingering and keep the air steady",
        ),
    ] {
        // The second bar, one note of which came right.
        let take = take_of(&line, |idx| match idx {
            8..=10 | 12..=15 => by,
            _ => 0,
        });
        let said = texts(&take);
        let (first, last) = (line.notes[8].written, line.notes[15].written);
        assert_eq!(
            said,
            [format!("bar 2: 7 notes, {first} to {last}, came {words}")]
        );
    }
    // Two notes are told one by one.
    assert_eq!(
        texts(&take_of(&line, |idx| if idx < 2 { 12 } else { 0 })).len(),
        2
    );
}

#[test]
fn a_misread_signature_names_its_bars_once() {
    let notes: Vec<(&str, f64)> = [("D4", 1.0), ("F#4", 1.0), ("A4", 1.0), ("C#5", 1.0)].repeat(4);
    let line = line_of(&notes, 2);
    let take = take_of(&line, |idx| if idx % 4 == 3 { -1 } else { 0 });
    assert_eq!(
        texts(&take),
        ["bars 1, 2, 3, 4: C# came as C in 4 places: the key has C#"]
    );
}

#[test]
fn the_report_is_plain_and_keeps_its_width() {
    let line = scale_line(64, 0.25);
    let mut take = Take::empty(&line);
    let mut noise = Noise(4);
    for idx in 0..64 {
        let by = if noise.uniform() < 0.3 { 1 } else { 0 };
        take.play(idx, 0.15 * idx as f64, 0.1, by, 0.0005);
    }
    take.hearing.recording.warnings =
        vec!["The microphone was far away: soft notes are less sure.".into()];
    let check = in_words(&take);
    for width in [40, 60, 80, 120] {
        let text = report(&line, &check, Layout { width, ..PLAIN });
        assert!(!text.contains('\u{1b}'), "escape in plain text");
        for row in text.lines() {
            assert!(row.chars().count() <= width, "{} columns: {row}", width);
        }
        assert!(text.contains("and ") && text.contains("--all"));
        assert!(!text.to_lowercase().contains("hz"), "a frequency: {text}");
    }
    let styled = report(
        &line,
        &check,
        Layout {
            styled: true,
            ..PLAIN
        },
    );
    let mut bare = String::new();
    let mut rest = styled.as_str();
    while let Some(at) = rest.find('\u{1b}') {
        bare.push_str(&rest[..at]);
        rest = &rest[at..][rest[at..].find('m').unwrap() + 1..];
    }
    bare.push_str(rest);
    assert_eq!(bare, report(&line, &check, PLAIN), "style adds no meaning");
}

#[test]
fn the_head_counts_everything_and_a_clean_take_says_so() {
    let line = scale_line(32, 0.25);
    let take = Take::right(&line, 0.0005, |idx| 0.15 * idx as f64);
    let text = report(&line, &in_words(&take), PLAIN);
    let head: Vec<&str> = text.lines().take(2).collect();
    assert_eq!(
        head,
        [
            "Test - Clarinet - bars 1 to 2",
            "32 right, 0 wrong, 0 missed, 0 added, 0 unsure"
        ]
    );
    assert!(text.contains("Nothing to mark."));
    assert!(text.contains("runs      1 even, 0 uneven, 0 could not tell"));
    assert!(text.contains("tempo     quarter = 100 on average"));
}

#[test]
fn every_finding_of_many_faults_has_words() {
    for seed in 0..30 {
        let line = scale_line(56, 0.25);
        let mut take = Take::empty(&line);
        let mut noise = Noise(seed);
        for idx in 0..56 {
            let at = 0.15 * idx as f64 + 0.005 * noise.normal();
            match (noise.uniform() * 12.0) as u32 {
                0 => take.miss(idx),
                1 => take.play(idx, at, 0.1, (noise.uniform() * 25.0) as i32 - 12, 0.0005),
                2 => {
                    take.play(idx, at, 0.1, 0, 0.0005);
                    take.add(idx, 72, at + 0.07);
                }
                _ => take.play(idx, at, 0.1, 0, 0.0005),
            }
        }
        for text in texts(&take) {
            assert!(text.contains(": ") && text.len() > 20, "{text}");
        }
    }
}

#[test]
fn click_marks_are_read_and_refused_with_an_example() {
    for (text, beat_quarters, bpm) in [
        ("q=112", 1.0, 112.0),
        ("q.=92", 1.5, 92.0),
        ("h=60", 2.0, 60.0),
        ("e=160", 0.5, 160.0),
        ("e.=80", 0.75, 80.0),
        ("s=240", 0.25, 240.0),
        ("4=112", 1.0, 112.0),
        ("8=120.5", 0.5, 120.5),
        ("1/4=112", 1.0, 112.0),
        ("3/8=60", 1.5, 60.0),
        (" q = 72 ", 1.0, 72.0),
    ] {
        let click = ClickOptions::parse(text).unwrap();
        assert_eq!(
            (click.beat_quarters, click.bpm),
            (beat_quarters, bpm),
            "{text}"
        );
    }
    for text in [
        "", "112", "q", "q=", "q=abc", "q=0", "q=-3", "q=1e9", "x=60", "q...=60", "1/0=60", "5=60",
        "q=nan", "=60",
    ] {
        let error = ClickOptions::parse(text).unwrap_err().to_string();
        assert!(error.contains("q.=92"), "{text}: {error}");
    }
}

/// From the sign to Fine: the last note stands in bar 1, and all three bars were played.
#[test]
fn the_head_names_the_bars_of_the_page() {
    let notes: Vec<(&str, f64)> = [("C4", 1.0), ("D4", 1.0), ("E4", 1.0), ("F4", 1.0)].repeat(4);
    let mut line = line_of(&notes, 0);
    for note in &mut line.notes[12..] {
        (note.bar, note.pass) = ("1".into(), 2);
    }
    let page = report(&line, &in_words(&take_of(&line, |_| 0)), PLAIN);
    assert!(page.contains("bars 1 to 3"), "{page}");
}

/// Two whole takes in one file: no join went wrong.
#[test]
fn the_line_played_twice_is_no_broken_join() {
    let line = scale_line(32, 0.5);
    let mut take = take_of(&line, |_| 0);
    take.alignment.restarts.push(Restart {
        at_s: 7.0,
        from_idx: 31,
        to_idx: 0,
    });
    let check = in_words(&take);
    assert_eq!(
        check.findings[0].text,
        "bars 1-4: played twice: the second time is told"
    );
    let page = report(&line, &check, PLAIN);
    assert!(!page.contains("without stopping"), "{page}");
}
