//! The tables.

use crate::score::{CONFIDENCE_BINS, Score, WARNINGS};
use passagework::judge::stats;
use std::collections::BTreeMap;

/// Prints everything for each group, and for all.
pub fn print(groups: &BTreeMap<String, Score>) {
    let mut rows: Vec<(&str, &Score)> = groups
        .iter()
        .map(|(name, score)| (name.as_str(), score))
        .collect();
    let mut total = Score::default();
    groups.values().for_each(|score| total.add(score));
    if rows.len() > 1 {
        rows.push(("all", &total));
    }
    println!(
        "Heard, in the range of the line or, with --hear-only, in any (note F: onset within 50 or 25 ms and pitch within 50 cents)"
    );
    println!(
        "  {:<24} {:>5} {:>6} {:>6} {:>6} {:>6} {:>7} {:>7} {:>7} {:>8} {:>7}",
        "set",
        "takes",
        "notes",
        "F 50",
        "F 25",
        "RPA50",
        "octave",
        "twelfth",
        "missed",
        "invented",
        "tongue"
    );
    for (name, score) in &rows {
        let h = &score.hear;
        let f =
            |matched: usize| 2.0 * matched as f64 / (h.n_reference + h.n_estimated).max(1) as f64;
        let frame = |n: usize| n as f64 / h.frames.max(1) as f64;
        println!(
            "  {:<24} {:>5} {:>6} {:>6.3} {:>6.3} {:>6} {:>7.4} {:>7.4} {:>7} {:>8} {:>7.3}",
            name,
            score.n_takes,
            h.n_reference,
            f(h.matched_50),
            f(h.matched_25),
            if h.frames == 0 {
                "–".into()
            } else {
                format!("{:.3}", frame(h.frames_right))
            },
            frame(h.frames_octave),
            frame(h.frames_twelfth),
            h.n_reference - h.matched_50,
            h.n_estimated - h.matched_50,
            h.articulation.0 as f64 / h.articulation.1.max(1) as f64
        );
    }
    println!(
        "\nOnsets in ms, heard less true: bias (median), and spread about it (median, 95 %); pitch in cents"
    );
    println!(
        "  {:<24} {:>24} {:>24} {:>24} {:>22}",
        "set", "tongued", "slurred", "slurred past a blip", "cents: bias, 50, 95 %"
    );
    for (name, score) in &rows {
        let h = &score.hear;
        println!(
            "  {:<24} {:>24} {:>24} {:>24} {:>22}",
            name,
            spread(&h.tongued_ms),
            spread(&h.slurred_ms),
            spread(&h.blipped_ms),
            spread(&h.cents)
        );
    }
    println!("\nChecked against the line (per 1000 notes; in brackets 95 % Wilson)");
    println!(
        "  {:<24} {:>6} {:>22} {:>22} {:>22} {:>9} {:>11}",
        "set", "notes", "false accusations", "invented", "unsure", "misplaced", "not reached"
    );
    for (name, score) in &rows {
        let c = &score.check;
        println!(
            "  {:<24} {:>6} {:>22} {:>22} {:>22} {:>9} {:>11}",
            name,
            c.n_notes,
            per_1000(c.false_accusations, c.true_right),
            per_1000(c.invented, c.n_notes),
            per_1000(c.unsure, c.n_notes),
            c.misplaced,
            format!(
                "{}/{} +{}",
                c.not_reached_found, c.true_not_reached, c.false_not_reached
            )
        );
    }
    println!("\nFaults found (found/true, share, 95 % Wilson low)");
    println!(
        "  {:<24} {:>20} {:>20} {:>20} {:>20} {:>16} {:>16}",
        "set", "wrong", "its pitch right", "missed", "added", "restarts", "skips"
    );
    for (name, score) in &rows {
        let c = &score.check;
        let jumps = |found: usize, n: usize, invented: usize| format!("{found}/{n} +{invented}");
        println!(
            "  {:<24} {:>20} {:>20} {:>20} {:>20} {:>16} {:>16}",
            name,
            share(c.wrong_found, c.true_wrong),
            share(c.wrong_pitch_right, c.true_wrong),
            share(c.missed_found, c.true_missed),
            share(c.added_found, c.true_added),
            jumps(c.restarts_found, c.true_restarts, c.restarts_invented),
            jumps(c.skips_found, c.true_skips, c.skips_invented)
        );
    }
    println!(
        "\nTransitions: pitches touched at finger changes found, told elsewhere; length in ms and pitch in semitones, told less true"
    );
    println!(
        "  {:<24} {:>22} {:>10} {:>26} {:>26}",
        "set", "found", "elsewhere", "length", "pitch"
    );
    for (name, score) in &rows {
        let c = &score.check;
        println!(
            "  {:<24} {:>22} {:>10} {:>26} {:>26}",
            name,
            share(c.blips_found, c.true_blips),
            c.blips_invented,
            spread(&c.blip_ms),
            spread(&c.blip_semitones)
        );
    }
    println!(
        "\nStops: waits of any length told as stops, stops told where nobody waited; waited in ms, told less true"
    );
    println!(
        "  {:<24} {:>22} {:>10} {:>26}",
        "set", "told", "invented", "waited"
    );
    for (name, score) in &rows {
        let c = &score.check;
        println!(
            "  {:<24} {:>22} {:>10} {:>26}",
            name,
            share(c.stops_found, c.true_stops),
            c.stops_invented,
            spread(&c.stop_ms)
        );
    }
    println!(
        "\nTime: tempo error (bpm) and run deviation error (ms): median, 95 %, worst; verdicts even/uneven/cannot tell, wrong ones"
    );
    println!(
        "  {:<24} {:>18} {:>18} {:>18} {:>18} {:>14} {:>8} {:>14}",
        "set", "start bpm", "end bpm", "run ms", "verdicts", "wrongly e/u", "late", "A4 cents"
    );
    for (name, score) in &rows {
        let c = &score.check;
        println!(
            "  {:<24} {:>18} {:>18} {:>18} {:>18} {:>14} {:>8} {:>14}",
            name,
            sizes(&c.start_bpm),
            sizes(&c.end_bpm),
            sizes(&c.run_ms),
            format!("{}/{}/{}", c.verdicts[0], c.verdicts[1], c.verdicts[2]),
            format!("{}/{}", c.even_wrongly, c.uneven_wrongly),
            format!("{}/{}", c.late_changes_found, c.late_changes),
            sizes(&c.a4_cents)
        );
    }
    println!(
        "\nClick of a metronome: takes with one found, takes without in which one was invented; clicks heard, elsewhere; phase error and scatter in ms; player's offset from it, said less meant, ms"
    );
    println!(
        "  {:<24} {:>9} {:>9} {:>20} {:>9} {:>24} {:>24} {:>24}",
        "set", "found", "invented", "clicks heard", "elsewhere", "phase", "scatter", "offset"
    );
    for (name, score) in &rows {
        let c = &score.click;
        println!(
            "  {:<24} {:>9} {:>9} {:>20} {:>9} {:>24} {:>24} {:>24}",
            name,
            format!("{}/{}", c.takes_found, c.takes_with),
            format!("{}/{}", c.takes_invented, c.takes_without),
            share(c.heard, c.n_clicks),
            c.invented,
            spread(&c.phase_ms),
            spread(&c.scatter_ms),
            spread(&c.offset_ms)
        );
    }
    println!("\nRecorders: takes, and how many were warned of gain, suppression, a far microphone");
    for (name, score) in &rows {
        for (row, (did, _)) in WARNINGS.iter().enumerate() {
            let [takes, gain, suppression, far] = score.recorders[row];
            if takes > 0 {
                println!("  {name:<24} {did:<12} {takes:>4} {gain:>4} {suppression:>4} {far:>4}");
            }
        }
    }
    println!("\nConfidence: of notes called right, how many were");
    for (bin, low) in CONFIDENCE_BINS.iter().enumerate() {
        let (n, truly) = total.check.calibration[bin];
        let high = CONFIDENCE_BINS.get(bin + 1).copied().unwrap_or(1.0);
        if n > 0 {
            println!("  {low:.3} to {high:.3}: {}", share(truly, n));
        }
    }
    println!(
        "\n{} takes, {:.0} s of sound; hearing {:.1}, the rest {:.2} CPU s: {:.0} times real time",
        total.n_takes,
        total.audio_s,
        total.hear_cpu_s,
        total.rest_cpu_s,
        total.audio_s / (total.hear_cpu_s + total.rest_cpu_s).max(1e-9)
    );
}

fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = q * (sorted.len() - 1) as f64;
    let (low, share) = (place as usize, place.fract());
    sorted[low] + share * (sorted[(low + 1).min(sorted.len() - 1)] - sorted[low])
}

fn spread(values: &[f64]) -> String {
    let Some(bias) = stats::median(values) else {
        return "–".into();
    };
    let away: Vec<f64> = values.iter().map(|v| (v - bias).abs()).collect();
    format!(
        "{bias:+.2} ({:.2}, {:.2}) n{}",
        quantile(&away, 0.5),
        quantile(&away, 0.95),
        values.len()
    )
}

fn sizes(values: &[f64]) -> String {
    if values.is_empty() {
        return "–".into();
    }
    let sizes: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    format!(
        "{:.2} {:.2} {:.1}",
        quantile(&sizes, 0.5),
        quantile(&sizes, 0.95),
        quantile(&sizes, 1.0)
    )
}

fn per_1000(hits: usize, n: usize) -> String {
    match stats::wilson_95(hits, n) {
        Some((low, high)) => format!(
            "{:.1} [{:.1}, {:.1}]",
            1000.0 * hits as f64 / n as f64,
            1000.0 * low,
            1000.0 * high
        ),
        None => "–".into(),
    }
}

fn share(hits: usize, n: usize) -> String {
    match stats::wilson_95(hits, n) {
        Some((low, _)) => format!("{hits}/{n} {:.3} [{low:.3}]", hits as f64 / n as f64),
        None => "–".into(),
    }
}
