//! Fingerings every clarinet teacher would write in. All answers here are common practice; no
//! printed source was read for them.

use crate::support::*;
use passagework::finger::plan::Reason;
use passagework::finger::{Wishes, plan};
use passagework::line::{Spelling, TempoMark};
use passagework::show::fingers::Words;

#[test]
fn c_sharp_5_goes_left_beside_d_sharp_5() {
    for notes in ["^c^d^c^d", "^d^c^d^c", "B^c^d^c", "d^c^de"] {
        let names = names(notes);
        let (line, _) = planned(notes);
        for (note, name) in line.notes.iter().zip(&names) {
            if note.written.midi() == 73 {
                assert_eq!(name, "left", "{notes}: {names:?}");
            }
        }
    }
}

#[test]
fn b4_goes_opposite_to_its_little_finger_neighbour() {
    // C5 right is ordinary, so B4 goes left; where C5 must go left, B4 goes right.
    assert_eq!(names("BcBc")[..2], ["left", "right"]);
    assert_eq!(names("Bc^dc")[..3], ["right", "left", "right"]);
    let both = names("B^cB^c");
    assert_ne!(both[0], both[1], "{both:?}");
}

#[test]
fn f_sharp_4_follows_its_neighbours() {
    let side = "chromatic: thumb and two lowest side keys";
    assert_eq!(names("F^FF^F")[1], side);
    assert_eq!(names("F^FG")[1], side);
    // E#4 is the same key as F4.
    assert_eq!(names("^E^F^E^F")[1], side);
    assert_eq!(names("D^FD")[1], "index finger");
    assert_eq!(names("E^FG")[1], "index finger");
    // The right index finger has to be on its hole over the break.
    assert_eq!(names("F^FB")[1], "index finger");
    assert_eq!(names("F^Fc")[1], "index finger");
    assert_eq!(names("F^F^c")[1], "index finger");
}

#[test]
fn b3_and_f_sharp_5_fork_beside_the_note_below() {
    let (fork, middle) = ("fork (sliver)", "middle finger");
    assert_eq!(names("^A,B,^A,B,")[1], fork);
    assert_eq!(names("^A,B,C")[1], fork);
    assert_eq!(names("A,B,A,B,")[1], middle);
    assert_eq!(names("f^ff^f")[1], fork);
    assert_eq!(names("^e^f^e^f")[1], fork);
    assert_eq!(names("e^fe^f")[1], middle);
    assert_eq!(names("d^fa")[1], middle);
}

#[test]
fn a_slide_that_17_keys_cannot_avoid_is_named() {
    let (line, plan_17) = planned("^Cc^d");
    assert_eq!(plan_17.forced.len(), 1, "{:?}", plan_17.forced);
    let chart = clarinet();
    let words = Words {
        line: &line,
        chart: &chart,
        plan: &plan_17,
    };
    let forced = &plan_17.forced[0];
    assert!(forced.change.slides != 0);
    assert!(
        words
            .change(&forced.change)
            .contains("little finger slides")
    );
    // The left Ab/Eb lever takes it away.
    let lever = Wishes {
        with: vec!["left-ab".into()],
        ..Wishes::default()
    };
    let (_, plan_18) = with_wishes("^Cc^d", &lever);
    assert!(plan_18.forced.is_empty());
    // So does a breath between.
    let (_, breath) = planned("^C2 z4 c2 ^d2");
    assert!(breath.forced.is_empty());
    // And nothing is forced where alternating will do.
    let (_, free) = planned("BcB^cdc");
    assert!(free.forced.is_empty());
}

#[test]
fn double_sharps_are_fingered_as_what_they_sound() {
    // F##4 is G4: open; B##4 is C#5; written in the étude's own spelling all the same.
    let (line, plan) = planned("^^F^G");
    assert_eq!(
        line.notes[0].written,
        Spelling {
            letter: 3,
            alter: 2,
            octave: 4
        }
    );
    let chart = clarinet();
    let hold = plan.notes[0].hold.expect("a fingering");
    assert_eq!(chart.fingerings[hold.fingering].name, "open");
    assert_eq!(names("^^B^d")[0], "left");
}

#[test]
fn the_right_hand_is_down_before_the_break() {
    let (_, plan) = planned("GAB");
    let chart = clarinet();
    let held = |i: usize| chart.names_of(plan.notes[i].hold.expect("a fingering").held);
    assert_eq!(held(1), ["R1", "R2", "R3"]);
    // Not where the line stays below.
    let (_, below) = planned("GAGAG");
    assert!(
        below
            .notes
            .iter()
            .all(|n| n.hold.is_some_and(|h| h.held == 0))
    );
}

#[test]
fn choices_tell_what_they_hang_on() {
    let (line, plan) = planned("d^c^d");
    let chart = clarinet();
    let words = Words {
        line: &line,
        chart: &chart,
        plan: &plan,
    };
    assert_eq!(words.reason(1), "D#5 next is right only");
    let note = &plan.notes[1];
    assert!(note.choice);
    let second = note.second.expect("a second best");
    assert_eq!(chart.fingerings[second.fingering].name, "right");
    assert!(second.extra_cost_ms > 0.0);
    assert!(!plan.notes[2].choice, "17 keys have one D#5");
    assert_eq!(plan.notes[2].reason, Reason::Only);
}

#[test]
fn pins_and_habits_are_kept() {
    let wishes = |pins: &[&str], habits: &[&str]| Wishes {
        pins: pins.iter().map(|p| p.parse().expect("a pin")).collect(),
        habits: habits.iter().map(|h| h.parse().expect("a habit")).collect(),
        ..Wishes::default()
    };
    assert_eq!(names("^A,B,^A,")[1], "fork (sliver)");
    assert_eq!(
        names_with("^A,B,^A,", &wishes(&["1=middle"], &[]))[1],
        "middle finger"
    );
    assert_eq!(
        names_with("^A,B,^A,", &wishes(&["1 B3=mid"], &[]))[1],
        "middle finger"
    );
    // A habit decides where nothing else does, and gives way to a slide.
    assert_eq!(names("aBa")[1], "left");
    assert_eq!(names_with("aBa", &wishes(&[], &["B=right"]))[1], "right");
    assert_eq!(names_with("^dB^d", &wishes(&[], &["B=right"]))[1], "left");
    // Another octave is another note where the habit names one.
    assert_eq!(names_with("AE,A", &wishes(&[], &["E3=right"]))[1], "right");
    assert_eq!(names_with("AE,A", &wishes(&[], &["E4=right"]))[1], "left");
}

#[test]
fn a_missing_key_takes_its_fingerings_away() {
    let wishes = Wishes {
        without: vec!["RsliverB".into()],
        ..Wishes::default()
    };
    assert_eq!(names_with("^A,B,^A,", &wishes)[1], "middle finger");
}

#[test]
fn wishes_that_cannot_be_met_are_told() {
    let cases = [
        (vec!["7=middle"], vec![], "no bar 7"),
        (vec!["1=sideways"], vec![], "B3 is middle finger or fork"),
        (vec![], vec!["left-foot"], "it has left-ab"),
    ];
    for (pins, with, wanted) in cases {
        let wishes = Wishes {
            pins: pins.iter().map(|p| p.parse().expect("a pin")).collect(),
            with: with.iter().map(|w| w.to_string()).collect(),
            ..Wishes::default()
        };
        let error = plan(&line("A,B,C"), &clarinet(), &wishes).expect_err(wanted);
        assert!(error.to_string().contains(wanted), "{error}");
    }
    for bad in ["", "=left", "9", "9=", "9:x=left", "9 H2=left"] {
        assert!(
            bad.parse::<passagework::finger::wishes::Pin>().is_err(),
            "{bad}"
        );
    }
    for bad in ["", "X=left", "B", "=right"] {
        assert!(
            bad.parse::<passagework::finger::wishes::Habit>().is_err(),
            "{bad}"
        );
    }
}

/// A change has its own limit: faster music does not change what the hand needs.
#[test]
fn hard_changes_are_ranked_with_a_tempo_limit() {
    let mut slow = line("GABcGA^Cc^d");
    let mut fast = slow.clone();
    slow.tempo = Some(TempoMark {
        beat_quarters: 1.0,
        bpm: 60.0,
    });
    fast.tempo = Some(TempoMark {
        beat_quarters: 1.0,
        bpm: 120.0,
    });
    let (a, b) = (
        plan(&slow, &clarinet(), &Wishes::default()).expect("a plan"),
        plan(&fast, &clarinet(), &Wishes::default()).expect("a plan"),
    );
    assert!(!a.hard.is_empty());
    assert!(
        a.hard
            .windows(2)
            .all(|w| w[0].weighed.cost >= w[1].weighed.cost)
    );
    assert!(a.hard[0].weighed.change.slides != 0, "the slide is hardest");
    assert_eq!(a.hard[0].tempo_limit_bpm, b.hard[0].tempo_limit_bpm);
    assert!(a.hard[0].weighed.cost < b.hard[0].weighed.cost);
}

#[test]
fn pitches_outside_the_chart_are_left_open() {
    let (_, plan) = planned("C,,Gc");
    assert_eq!(plan.notes[0].hold, None);
    assert_eq!(plan.notes[0].reason, Reason::OutOfChart);
    assert!(plan.notes[1].hold.is_some());
}

/// Common practice: A4 to B4 is trilled with the two upper side keys.
#[test]
fn trills_are_fingered_with_what_one_finger_can_do() {
    let trilled = |notes: &str, at: usize| {
        let (line, plan) = planned(notes);
        assert!(line.notes[at].ornament.is_some(), "{notes}");
        let chart = clarinet();
        plan.notes[at]
            .trill
            .map(|f| chart.fingerings[f].name.clone())
            .expect("a trill")
    };
    assert_eq!(trilled("G4 !trill!A8", 1), "throat trill");
    assert_eq!(trilled("d4 !trill!e8", 1), "standard");
    // In G major F# is the note above E.
    let chart = clarinet();
    let mut line = line("d4 !trill!e8");
    for bar in &mut line.bars {
        bar.fifths = 1;
    }
    let made = plan(&line, &chart, &Wishes::default()).expect("a plan");
    let above = made.notes[1].trill.expect("a trill");
    assert_eq!(chart.fingerings[above].midi, 78);
    assert!(made.notes[0].trill.is_none());
}
