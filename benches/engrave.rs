//! How long the marked part of an étude takes after the check, each kind of file, and the first
//! in a process, which unpacks fonts.

#[path = "../tests/page/lengthened.rs"]
mod lengthened;

use std::path::Path;
use std::time::Instant;

use lengthened::lengthen;
use passagework::line::read::{LineOptions, read_line};
use passagework::pipeline::{TakeOptions, check_file};
use passagework::show::marked::{self, Options, pdf};

/// About as many notes as an étude of two pages has.
const NOTES: usize = 120;

fn main() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata/takes/faults");
    let mut line = read_line(&folder.join("line.musicxml"), &LineOptions::default()).unwrap();
    let mut check = check_file(&line, &folder.join("take.flac"), &TakeOptions::default()).unwrap();
    let n_times = NOTES.div_ceil(line.notes.len());
    lengthen(&mut line, n_times);
    // What was heard of the first notes is heard of all the others.
    let heard = check.notes.clone();
    check.notes = (0..line.notes.len())
        .map(|index| {
            let mut note = heard[index % heard.len()].clone();
            note.index = index;
            note
        })
        .collect();
    let options = Options::default();
    for round in ["first", "second"] {
        let start = Instant::now();
        let svg = marked::whole(&line, &check, &options).unwrap().svg;
        println!(
            "{round} picture of {} notes: {:.3} s, {} kB",
            line.notes.len(),
            start.elapsed().as_secs_f64(),
            svg.len() / 1000
        );
    }
    let svg = marked::whole(&line, &check, &options).unwrap().svg;
    println!(
        "{} findings, {} marks",
        check.findings.len(),
        svg.matches("class=\"mark ").count()
    );
    let start = Instant::now();
    let html = marked::html(&line, &check, &options).unwrap();
    println!(
        "HTML: {:.3} s, {} kB",
        start.elapsed().as_secs_f64(),
        html.len() / 1000
    );
    let start = Instant::now();
    let pages = marked::parts(&line, &check, &options).unwrap();
    let pdf = pdf::pdf(&pages).unwrap();
    println!(
        "PDF of {} pages: {:.3} s, {} kB",
        pages.len(),
        start.elapsed().as_secs_f64(),
        pdf.len() / 1000
    );
}
