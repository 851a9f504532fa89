//! Rates of the alignment over thousands of made performances.

use crate::align_support::*;
use passagework::align::{AlignOptions, align};

/// Plays `takes` études of every kind and counts.
fn measure(player: Player, room: Room, takes: usize, seed: u64) -> Rates {
    let mut total = Rates::default();
    for kind in KINDS {
        let mut rates = Rates::default();
        for take in 0..takes {
            let mut random = Random(seed + 1000 * take as u64 + kind as u64);
            let n_bars = 6 + random.below(20);
            let line = etude(kind, n_bars, &mut random);
            let bpm = random.between(50.0, 140.0);
            let tuning = random.between(-0.45, 0.45);
            let (hearing, truth) = perform(&line, player, room, 60.0 / bpm, tuning, &mut random);
            let alignment = align(&line, &hearing, &AlignOptions::default());
            rates.add(&line, &hearing, &truth, &alignment);
        }
        println!("{kind:?}: {}", describe(&rates));
        total.merge(&rates);
    }
    println!("all: {}", describe(&total));
    total
}

fn describe(r: &Rates) -> String {
    format!(
        "{} notes, false {:.2}, invented {:.2}, unsure {:.2} per 1000; faults {}/{}, pitch {}/{}, added {}/{}, \
         restarts {}/{} (+{}), skips {}/{} (+{})",
        r.notes,
        Rates::per_1000(r.false_accusations, r.right),
        Rates::per_1000(r.invented, r.notes),
        Rates::per_1000(r.unsure, r.notes),
        r.faults_found,
        r.faults,
        r.pitches_right,
        r.wrongs,
        r.added_found,
        r.added,
        r.restarts_found,
        r.restarts,
        r.restarts_invented,
        r.skips_found,
        r.skips,
        r.skips_invented,
    )
}

#[test]
fn clean_takes_accuse_no_one() {
    let rates = measure(CLEAN, DRY, 25, 1);
    assert!(Rates::per_1000(rates.false_accusations, rates.right) <= 0.5);
    assert!(Rates::per_1000(rates.invented, rates.notes) <= 0.5);
}

#[test]
fn rooms_accuse_hardly_anyone() {
    let rates = measure(CLEAN, WET, 25, 2);
    assert!(Rates::per_1000(rates.false_accusations, rates.right) <= 2.0);
    assert!(Rates::per_1000(rates.invented, rates.notes) <= 2.0);
}

#[test]
fn faults_are_found() {
    let rates = measure(FAULTY, DRY, 25, 3);
    assert!(rates.faults_found as f64 >= 0.985 * rates.faults as f64);
    assert!(Rates::per_1000(rates.false_accusations, rates.right) <= 2.0);
}

#[test]
fn restarts_and_skips_are_found() {
    let rates = measure(PRACTISING, DRY, 25, 4);
    assert!(rates.restarts_found as f64 >= 0.97 * rates.restarts as f64);
    assert!(Rates::per_1000(rates.false_accusations, rates.right) <= 4.0);
}
