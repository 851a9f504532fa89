//! Études for tests of drills, and the drills made of them.

#![allow(dead_code, reason = "each test file uses what it needs")]

use passagework::finger::{Chart, Wishes, plan};
use passagework::judge::Check;
use passagework::line::Line;
use passagework::line::read::{Kind, LineOptions, line_of};
use passagework::practise::{Drill, Evidence, drills};

/// The étude of the demo.
pub fn demo() -> Line {
    abc(include_str!("../../src/cli/demo_etude.abc"))
}

fn abc(text: &str) -> Line {
    let options = LineOptions {
        instrument: Some("clarinet-bb".into()),
        ..LineOptions::default()
    };
    line_of(Kind::Abc, text.as_bytes(), &options).expect("a good line")
}

/// Lines of many kinds: keys, metres, tuplets, grace notes, pickups, breaths. Invented.
pub fn etudes() -> Vec<(&'static str, Line)> {
    vec![
        ("demo", demo()),
        (
            "flats and triplets",
            abc(
                "X:1\nT:flats\nM:3/4\nL:1/8\nQ:1/4=96\nK:Ab transpose=-2\n(3(EFG (3ABc (3def)|(e/d/c/B/) AGFE|(c=Bcd) !breath!(e2|f)ed.c.B.A|!fermata!A6|e4 c2|A,6|]\n",
            ),
        ),
        (
            "pickup and grace notes",
            abc(
                "X:1\nT:pickup\nM:4/4\nL:1/16\nQ:1/4=72\nK:D transpose=-2\nA4|(d2{e}d2cdef) (g4 {ab}a4)|(gfed) (c4 d4) z4|.e.f.g.a (b^abc') d'8|]\n",
            ),
        ),
        (
            "low and slow",
            abc(
                "X:1\nT:low\nM:2/2\nL:1/4\nQ:1/2=60\nK:Em transpose=-2\n(E,F, G,A,|B,C DE|FE DC|B,A, G,F,)|(E,B EB|eb BE)|E,4|]\n",
            ),
        ),
    ]
}

pub fn drills_of(etude: &Line, checks: &[Check]) -> Vec<Drill> {
    let chart = Chart::built_in("clarinet-bb").expect("a chart");
    let plan = plan(etude, &chart, &Wishes::default()).expect("a plan");
    drills(&Evidence {
        etude,
        chart: &chart,
        plan: &plan,
        checks,
    })
}
