//! The fingering plan of a line of 500 notes.

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use passagework::finger::{Chart, Wishes, plan};
use passagework::line::Line;
use passagework::line::read::{Kind, LineOptions, line_of};

/// Sixteenths up and down through every register without a rest: one phrase, the longest search.
fn line() -> Line {
    const BAR: &str = "(^CD^DE F^FG^G A^ABc ^cd^de)(f^fg^g ^gg^ff e^dd^c cB^AA)|\n";
    const N_NOTES: usize = 500;
    let mut abc = String::from("X:1\nT:five hundred\nM:8/4\nL:1/16\nQ:1/4=100\nK:C transpose=-2\n");
    abc.push_str(&BAR.repeat(N_NOTES.div_ceil(32)));
    let options = LineOptions {
        instrument: Some("clarinet-bb".into()),
        ..LineOptions::default()
    };
    let mut line = line_of(Kind::Abc, abc.as_bytes(), &options).expect("a good line");
    line.notes.truncate(N_NOTES);
    line
}

fn planning(criterion: &mut Criterion) {
    let (line, chart) = (line(), Chart::built_in("clarinet-bb").expect("a chart"));
    let wishes = Wishes::default();
    let mut group = criterion.benchmark_group("fingers");
    group.bench_function("plan of 500 notes", |bench| {
        bench.iter(|| plan(black_box(&line), &chart, &wishes).map(|p| p.cost_ms));
    });
    group.bench_function("reading the clarinet chart", |bench| {
        bench.iter(|| Chart::built_in(black_box("clarinet-bb")).map(|c| c.fingerings.len()));
    });
    group.finish();
}

criterion_group!(benches, planning);
criterion_main!(benches);
