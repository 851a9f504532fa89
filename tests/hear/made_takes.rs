//! The whole way on takes whose truth is known to the sample: `testdata/takes`.

use std::path::Path;

use passagework::align::Outcome;
use passagework::judge::Check;
use passagework::line::read::{LineOptions, read_line};
use passagework::pipeline::{TakeOptions, check_file};
use serde_json::Value;

/// A note is where the truth says within this, as in mir_eval's onset metrics, seconds.
const ONSET_WITHIN_S: f64 = 0.05;

fn check(name: &str) -> (Check, Value) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("testdata/takes")
        .join(name);
    let line = read_line(&folder.join("line.musicxml"), &LineOptions::default())
        .expect("the line is read");
    let truth = std::fs::read_to_string(folder.join("truth.json")).expect("the truth is there");
    let truth = serde_json::from_str(&truth).expect("the truth is JSON");
    let check = check_file(&line, &folder.join("take.flac"), &TakeOptions::default());
    (check.expect("the take is read"), truth)
}

/// Every note has its true outcome, pitch and place; nothing is added beyond the truth.
fn holds(name: &str) -> (Check, Value) {
    let (check, truth) = check(name);
    let notes = truth["notes"].as_array().expect("notes");
    assert_eq!(check.notes.len(), notes.len(), "{name}: number of notes");
    for (said, note) in check.notes.iter().zip(notes) {
        let place = format!(
            "{name}: note {} (bar {}, beat {})",
            said.index, said.bar, said.beat
        );
        let wanted = match note["outcome"].as_str() {
            Some("right") => Outcome::Right,
            Some("wrong") => Outcome::Wrong,
            Some("missed") => Outcome::Missed,
            _ => Outcome::NotReached,
        };
        assert_eq!(said.outcome, wanted, "{place}");
        if let Some(onset_s) = note["onset"].as_f64() {
            let midi = note["midi"].as_i64().map(|m| m as i32);
            assert_eq!(said.heard_midi, midi, "{place}: pitch");
            let error_s = said.onset_s.map_or(f64::MAX, |s| (s - onset_s).abs());
            assert!(
                error_s <= ONSET_WITHIN_S,
                "{place}: onset {:?}, truly {onset_s}",
                said.onset_s
            );
        }
    }
    let n_added = truth["added"].as_array().map_or(0, Vec::len);
    assert_eq!(
        check.added.len(),
        n_added,
        "{name}: added {:?}",
        check.added
    );
    (check, truth)
}

#[test]
fn wrong_and_missed_notes_are_named_and_no_others() {
    let (check, _) = holds("faults");
    assert!(check.summary.wrong > 0 && check.summary.missed > 0);
}

#[test]
fn a_restart_is_found_where_the_playing_broke_off() {
    let (check, truth) = holds("restart");
    let wanted = truth["restarts"].as_array().expect("restarts");
    assert!(!wanted.is_empty());
    assert_eq!(check.restarts.len(), wanted.len());
    for (said, wanted) in check.restarts.iter().zip(wanted) {
        assert_eq!(Some(said.to_index as u64), wanted["to_index"].as_u64());
        let at_s = wanted["at_s"].as_f64().expect("a time");
        // The end of a ringing sound is not sharper than this.
        assert!(
            (said.at_s - at_s).abs() < 0.1,
            "said {}, truly {at_s}",
            said.at_s
        );
    }
}

#[test]
fn a_click_and_automatic_gain_accuse_no_one() {
    holds("click-and-automatic-gain");
}

#[test]
fn notes_of_a_real_clarinet_are_right() {
    holds("joined-real-notes");
}
