//! Takes of drills go through the whole program: played right in two voices each checks clean.

use crate::played::{Heard, Tempo, Voice, heard, on_disk, write_wav};
use crate::support::*;
use passagework::line::TempoMark;
use passagework::pipeline::{TakeOptions, check_file};
use passagework::practise::Pass;

/// Nobody is accused, and next to nothing is left open: "cannot tell" is a result that the
/// hearing gives rarely, five times in a thousand notes at the most.
fn assert_clean(case: &str, heard: &Heard) {
    println!(
        "{case}: {} of {} notes unsure {:?}",
        heard.unsure.len(),
        heard.notes,
        heard.unsure
    );
    assert!(
        heard.accusations.is_empty(),
        "{case}: {}",
        heard.accusations.join("\n")
    );
    assert!(
        heard.unsure.len() * 200 <= heard.notes,
        "{case}: {:?} of {}",
        heard.unsure,
        heard.notes
    );
}

#[test]
fn drills_in_the_built_in_voice_check_clean() {
    assert_clean("demo", &heard(&demo(), Voice::BuiltIn, Tempo::Start));
}

#[test]
fn drills_in_a_sampled_voice_check_clean() {
    assert_clean("demo", &heard(&demo(), Voice::Sampled, Tempo::Start));
}

/// Octave slurs of flute and oboe, a saxophone whose sound has an offset of its own, twelfths
/// at machine-even times: each was once heard as something else.
#[test]
fn drills_of_many_lines_and_instruments_check_clean() {
    for (name, etude) in etudes() {
        assert_clean(name, &heard(&etude, Voice::Sampled, Tempo::Goal));
    }
}

/// The check is no rubber stamp: a drill with one note wrong is no clean pass.
#[test]
fn a_wrong_note_in_a_drill_is_no_clean_pass() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let drills = drills_of(&demo(), &[]);
    let mut line = on_disk(folder.path(), &drills[0]);
    line.tempo = Some(TempoMark {
        beat_quarters: 1.0,
        bpm: 60.0,
    });
    let take = folder.path().join("take.wav");
    let mut played = line.clone();
    played.notes[3].sounding_midi += 2;
    write_wav(&take, &Voice::BuiltIn.sound(&played));
    let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
    assert_eq!(Pass::of(&check), Pass::Failed("1 wrong note".into()));
    write_wav(&take, &Voice::BuiltIn.sound(&line));
    let check = check_file(&line, &take, &TakeOptions::default()).expect("a take");
    assert_eq!(Pass::of(&check), Pass::Clean);
}
