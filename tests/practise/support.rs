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
    for_instrument("clarinet-bb", text)
}

fn for_instrument(instrument: &str, text: &str) -> Line {
    let options = LineOptions {
        instrument: Some(instrument.into()),
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
        (
            "sharps over the whole range",
            abc(
                "X:1\nT:sharps\nM:4/4\nL:1/16\nQ:1/4=84\nK:C# transpose=-2\n(E,F,G,A, B,CDE FGAB cdef)|(gabc' d'e'f'e' d'c'ba gfed)|(^^fg^^f^f gfed) (cBA^^G A^G^^F^G)|(d'abg afge fdec BdAc)|E,4 z4 c'8|]\n",
            ),
        ),
        (
            "to and fro over the break",
            abc(
                "X:1\nT:break\nM:6/8\nL:1/16\nQ:3/8=56\nK:Bb transpose=-2\n(BcBcBc) (AcBdce)|(=BA=Bc=B_B) .A2.c2.=B2|(GdAe=Bf) (cG^c^Gd^F)|(FcG^cAd) !breath!B6|(AB=Bcde) (d^c=c=B_BA)|B12|]\n",
            ),
        ),
        (
            "quick chromatic",
            abc(
                "X:1\nT:chromatic\nM:4/4\nL:1/16\nQ:1/4=120\nK:C transpose=-2\n(E,F,^F,G, ^G,A,^A,B, C^CD^D EF^FG)|(^GA^AB c^cd^d ef^fg ^ga^ab)|(c'=b_ba _ag_gf e_ed_d c=B_BA)|A8 z8|]\n",
            ),
        ),
        (
            "alto saxophone",
            for_instrument(
                "alto-sax",
                "X:1\nT:sax\nM:4/4\nL:1/16\nQ:1/4=88\nK:F\n(FGAB cdef) (gfed cBAG)|(B,CDE FGAB) .c2.d2.c2.B2|(c^cdc BcBA) (a^gab c'd'c'a)|(bagf edcB) A8|]\n",
            ),
        ),
        (
            "flute",
            for_instrument(
                "flute",
                "X:1\nT:flute\nM:3/4\nL:1/16\nQ:1/4=92\nK:G\n(DEFG ABcd efga)|(bagf edcB AGFE)|(d'c'bc' d'e'f'g' a'g'f'e')|.d'2.b2.g2.d2 G4|]\n",
            ),
        ),
        (
            "oboe",
            for_instrument(
                "oboe",
                "X:1\nT:oboe\nM:2/4\nL:1/16\nQ:1/4=76\nK:Eb\n(EFGA Bcde)|(fedc BAGF)|(DFEG FAGB)|(c=Bcd edcB)|.A2.G2.F2.D2|E8|]\n",
            ),
        ),
    ]
}

pub fn drills_of(etude: &Line, checks: &[Check]) -> Vec<Drill> {
    let chart = Chart::built_in(&etude.instrument).expect("a chart");
    let plan = plan(etude, &chart, &Wishes::default()).expect("a plan");
    drills(&Evidence {
        etude,
        chart: &chart,
        plan: &plan,
        checks,
    })
}
