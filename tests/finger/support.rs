//! Lines for tests of fingerings, and where the fingerings end up.

#![allow(dead_code, reason = "each test file uses what it needs")]

use passagework::finger::{Chart, Plan, Wishes, plan};
use passagework::line::Line;
use passagework::line::read::{Kind, LineOptions, line_of};

pub fn clarinet() -> Chart {
    Chart::built_in("clarinet-bb").expect("there is a clarinet chart")
}

/// A line from ABC notes in C major, sixteenths at a quarter = 80, all slurred by bars' ends.
pub fn line(notes: &str) -> Line {
    let abc = format!("X:1\nT:test\nM:none\nL:1/16\nQ:1/4=80\nK:C transpose=-2\n({notes})|]\n");
    let options = LineOptions {
        instrument: Some("clarinet-bb".into()),
        ..LineOptions::default()
    };
    line_of(Kind::Abc, abc.as_bytes(), &options).expect("a good line")
}

pub fn planned(notes: &str) -> (Line, Plan) {
    with_wishes(notes, &Wishes::default())
}

pub fn with_wishes(notes: &str, wishes: &Wishes) -> (Line, Plan) {
    let line = line(notes);
    let plan = plan(&line, &clarinet(), wishes).expect("wishes that can be met");
    (line, plan)
}

/// Names of the fingerings, one a note.
pub fn names(notes: &str) -> Vec<String> {
    names_with(notes, &Wishes::default())
}

pub fn names_with(notes: &str, wishes: &Wishes) -> Vec<String> {
    let chart = clarinet();
    let (_, plan) = with_wishes(notes, wishes);
    plan.notes
        .iter()
        .map(|n| {
            n.hold
                .map_or_else(String::new, |h| chart.fingerings[h.fingering].name.clone())
        })
        .collect()
}
