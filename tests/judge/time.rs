//! Evenness, tempo and click held against known truth.

use crate::support::{Noise, Take, line_of, scale_line};
use passagework::align::{Restart, Skip};
use passagework::hear::HeardClick;
use passagework::judge::{
    ClickOptions, DeviationFrom, FindingKind, JudgeOptions, PatternKind, Place, SpanKind, Verdict,
    threshold_ms,
};

/// Friberg & Sundberg, JASA 98 (1995) 2524, abstract: about 6 ms below 240 ms, 2.5 % above.
#[test]
fn threshold_of_a_displaced_tone_is_friberg_and_sundberg_1995() {
    assert_eq!(threshold_ms(100.0), 6.0);
    assert_eq!(threshold_ms(240.0), 6.0);
    assert_eq!(threshold_ms(400.0), 10.0);
    assert_eq!(threshold_ms(1000.0), 25.0);
}

/// Sixteenths at 100: 150 ms apart.
fn sixteenths(late_idx: usize, late_ms: f64, jitter_ms: f64, seed: u64) -> Take {
    let line = scale_line(32, 0.25);
    let mut noise = Noise(seed);
    let offsets: Vec<f64> = (0..32).map(|_| jitter_ms * noise.normal()).collect();
    Take::right(&line, 0.0005, |idx| {
        let late = if idx == late_idx { late_ms } else { 0.0 };
        1.0 + 0.15 * idx as f64 + 1e-3 * (offsets[idx] + late)
    })
}

#[test]
fn a_straight_run_is_even_and_gives_no_finding() {
    for seed in 0..20 {
        let check = sixteenths(0, 0.0, 0.8, seed).check();
        assert_eq!(check.runs.len(), 1);
        assert_eq!(check.runs[0].verdict, Verdict::Even, "seed {seed}");
        assert!(check.findings.is_empty(), "{:?}", check.findings);
    }
}

#[test]
fn one_late_note_is_found_with_its_change_and_size() {
    for seed in 0..20 {
        let check = sixteenths(13, 22.0, 1.0, seed).check();
        let run = &check.runs[0];
        assert_eq!(run.verdict, Verdict::Uneven);
        assert_eq!(run.late_or_early, [13], "seed {seed}");
        assert_eq!((run.slowest.from_index, run.slowest.to_index), (12, 13));
        assert!(
            (run.slowest.excess_ms - 22.0).abs() < 4.0,
            "excess {} ms",
            run.slowest.excess_ms
        );
        assert_eq!(check.findings.len(), 1);
        assert_eq!(check.findings[0].kind, FindingKind::Uneven);
        assert_eq!(
            check.findings[0].place,
            Place::Span {
                first_index: 0,
                last_index: 31
            }
        );
        let deviation = check.notes[13].deviation_ms.unwrap();
        assert!((deviation - 22.0).abs() < 3.0, "deviation {deviation} ms");
    }
}

/// The rule's boundary: |deviation| less two errors against 6 ms, without any jitter.
#[test]
fn a_note_is_late_only_beyond_threshold_and_two_errors() {
    let verdict = |late_ms| sixteenths(13, late_ms, 0.0, 1).check().runs[0].verdict;
    let se_ms = sixteenths(13, 0.0, 0.0, 1).check().notes[13]
        .deviation_se_ms
        .unwrap();
    // Own error 0.5 ms and that of a line through about 26 neighbours.
    assert!((0.5..0.55).contains(&se_ms), "se {se_ms}");
    assert_eq!(verdict(6.0 + 2.0 * se_ms + 0.05), Verdict::Uneven);
    assert_ne!(verdict(6.0 + 2.0 * se_ms - 0.05), Verdict::Uneven);
    assert_eq!(verdict(0.0), Verdict::Even);
}

/// The spread of the onsets is told within the goal, whatever share of it is measurement.
#[test]
fn deviation_sd_agrees_with_the_truth() {
    let mut errors = Vec::new();
    for seed in 0..200 {
        let line = scale_line(16, 0.25);
        let mut noise = Noise(seed);
        let truth: Vec<f64> = (0..16).map(|_| 1e-3 * 4.0 * noise.normal()).collect();
        let measured: Vec<f64> = truth.iter().map(|t| t + 0.5e-3 * noise.normal()).collect();
        let of = |offsets: &[f64], se: f64| {
            Take::right(&line, se, |idx| 0.15 * idx as f64 + offsets[idx])
                .check()
                .runs[0]
                .clone()
        };
        // The truth's own spread: the same fit, next to no measurement error.
        let wanted = of(&truth, 0.0);
        let wanted = wanted.deviation_sd_ms.hypot(wanted.measurement_sd_ms);
        errors.push((of(&measured, 0.0005).deviation_sd_ms - wanted).abs());
    }
    errors.sort_by(f64::total_cmp);
    assert!(errors[100] < 0.3, "median error {} ms", errors[100]);
    assert!(errors[190] < 1.0, "95 % error {} ms", errors[190]);
}

#[test]
fn limping_pairs_are_named_with_their_ratio() {
    let line = scale_line(32, 0.25);
    // 90 and 60 ms at 75 ms a note: ratio 1.5.
    let check = Take::right(&line, 0.0005, |idx| {
        0.15 * (idx / 2) as f64 + if idx % 2 == 1 { 0.09 } else { 0.0 }
    })
    .check();
    let pattern = check.runs[0].pattern.unwrap();
    assert_eq!(pattern.kind, PatternKind::LongShort);
    assert!(
        (pattern.ratio - 1.5).abs() < 0.06,
        "ratio {}",
        pattern.ratio
    );
    assert_eq!(check.findings.len(), 1);
}

#[test]
fn a_smooth_ritardando_accuses_no_note() {
    let line = scale_line(32, 0.25);
    // Interval grows from 150 to 250 ms over the last eight notes.
    let mut at = 0.0;
    let mut onsets = vec![0.0];
    for idx in 1..32 {
        at += 0.15
            + if idx > 24 {
                0.0125 * (idx - 24) as f64
            } else {
                0.0
            };
        onsets.push(at);
    }
    let check = Take::right(&line, 0.0005, |idx| onsets[idx]).check();
    let uneven: Vec<_> = check
        .findings
        .iter()
        .filter(|f| f.kind == FindingKind::Uneven)
        .collect();
    assert!(uneven.is_empty(), "{uneven:?}");
}

#[test]
fn runs_are_cut_at_rests_breaths_and_after_two_bars() {
    let mut line = scale_line(64, 0.25);
    line.notes[9].breath_after = true;
    let runs = Take::right(&line, 0.0005, |idx| 0.15 * idx as f64)
        .check()
        .runs;
    let spans: Vec<_> = runs.iter().map(|r| (r.first_index, r.last_index)).collect();
    // Bars hold sixteen notes; the piece after the breath begins in bar 1 and ends with bar 2.
    assert_eq!(spans, [(0, 9), (10, 31), (32, 63)]);
}

/// Drift linear in beats under random human jitter (SD 8 ms) and slow wandering of the beat.
#[test]
fn start_and_end_tempo_of_a_drifting_take_are_within_0_6_bpm() {
    for (seed, start, end) in [
        (1, 100.0, 112.0),
        (2, 132.0, 120.0),
        (3, 72.0, 80.0),
        (4, 90.0, 90.0),
    ]
    .into_iter()
    .flat_map(|(seed, s, e)| (0..10).map(move |k| (seed * 100 + k, s, e)))
    {
        let line = scale_line(192, 0.5);
        let beats = line.notes[191].onset_quarters;
        let mut noise = Noise(seed);
        let jitter: Vec<f64> = (0..192).map(|_| 0.008 * noise.normal()).collect();
        let check = Take::right(&line, 0.001, |idx| {
            let b = line.notes[idx].onset_quarters;
            let slope: f64 = (end - start) / beats;
            let clean = if slope == 0.0 {
                60.0 * b / start
            } else {
                60.0 / slope * (1.0 + slope * b / start).ln()
            };
            2.0 + clean + jitter[idx]
        })
        .check();
        let tempo = &check.tempo;
        let (s, e) = (tempo.start_bpm.unwrap(), tempo.end_bpm.unwrap());
        assert!(
            (s - start).abs() < 0.6,
            "start {s}, wanted {start}, seed {seed}"
        );
        assert!((e - end).abs() < 0.6, "end {e}, wanted {end}, seed {seed}");
        assert!(tempo.start_bpm_se.unwrap() < 0.6 && tempo.start_bpm_se.unwrap() > 0.0);
        let kinds: Vec<_> = check
            .findings
            .iter()
            .map(|f| f.kind)
            .filter(|k| *k != FindingKind::Uneven)
            .collect();
        let wanted: &[FindingKind] = match end - start {
            d if d > 0.0 => &[FindingKind::Pushing],
            d if d < 0.0 => &[FindingKind::Dragging],
            _ => &[],
        };
        assert_eq!(kinds, wanted, "seed {seed}");
    }
}

#[test]
fn tempo_errors_cover_the_truth() {
    let mut outside = 0;
    for seed in 0..200 {
        let line = scale_line(96, 0.5);
        let mut noise = Noise(seed);
        let jitter: Vec<f64> = (0..96).map(|_| 0.01 * noise.normal()).collect();
        let tempo = Take::right(&line, 0.001, |idx| 0.3 * idx as f64 + jitter[idx])
            .check()
            .tempo;
        let error = (tempo.end_bpm.unwrap() - 100.0) / tempo.end_bpm_se.unwrap();
        outside += usize::from(error.abs() > 2.0);
    }
    // 5 % expected; the bound is the 99.9 % point of that binomial.
    assert!(outside <= 21, "{outside} of 200 beyond two errors");
}

#[test]
fn a_final_ritardando_and_a_fermata_are_no_drift() {
    let mut line = scale_line(96, 0.5);
    line.notes[47].fermata = true;
    let check = Take::right(&line, 0.001, |idx| {
        let held = if idx > 47 { 1.7 } else { 0.0 };
        let late = (idx as f64 - 91.0).max(0.0);
        0.3 * idx as f64 + held + 0.03 * late * late
    })
    .check();
    assert!(check.tempo.spans.is_empty(), "{:?}", check.tempo.spans);
    assert!((check.tempo.end_bpm.unwrap() - 100.0).abs() < 0.6);
    assert!(check.findings.is_empty(), "{:?}", check.findings);
}

#[test]
fn a_pushed_stretch_of_four_bars_is_named() {
    let line = scale_line(192, 0.5);
    let mut noise = Noise(5);
    let mut at = 0.0;
    let onsets: Vec<f64> = (0..192)
        .map(|idx| {
            // Bars of eight notes; bars 11 to 14 a tenth faster.
            at += if (80..112).contains(&idx) {
                0.3 / 1.1
            } else {
                0.3
            };
            at + 0.004 * noise.normal()
        })
        .collect();
    let check = Take::right(&line, 0.001, |idx| onsets[idx]).check();
    let spans = &check.tempo.spans;
    assert_eq!(spans.len(), 1, "{spans:?}");
    assert_eq!(spans[0].kind, SpanKind::Pushing);
    assert!((spans[0].first_index as i32 - 80).abs() <= 8, "{spans:?}");
    assert!((spans[0].last_index as i32 - 111).abs() <= 8, "{spans:?}");
    assert!((check.tempo.start_bpm.unwrap() - 100.0).abs() < 0.6);
}

#[test]
fn a_restart_keeps_one_tempo_course() {
    let line = scale_line(64, 0.5);
    let mut take = Take::empty(&line);
    for idx in 0..30 {
        take.play(idx, 0.3 * idx as f64, 0.25, 0, 0.0005);
    }
    take.next_stretch();
    take.alignment.restarts.push(Restart {
        at_s: 9.0,
        from_idx: 29,
        to_idx: 16,
    });
    for idx in 16..64 {
        take.play(idx, 11.2 + 0.3 * (idx - 16) as f64, 0.25, 0, 0.0005);
    }
    let check = take.check();
    let tempo = &check.tempo;
    assert!((tempo.start_bpm.unwrap() - 100.0).abs() < 0.05);
    assert!((tempo.end_bpm.unwrap() - 100.0).abs() < 0.05);
    assert_eq!(check.notes[20].attempts.len(), 1);
    assert_eq!(check.findings.len(), 1);
    assert_eq!(check.findings[0].kind, FindingKind::Restart);
    assert_eq!(check.repeated.len(), 1);
}

/// Eighths at 100 with waits of one beat to three before some notes: the stops are told, and
/// neither a note nor the tempo is blamed for them.
fn with_stops(stops: &[(usize, f64)]) -> passagework::judge::Check {
    let line = scale_line(48, 0.5);
    let mut noise = Noise(7);
    let jitter_s: Vec<f64> = (0..48).map(|_| 0.001 * noise.normal()).collect();
    let lost_s = |idx: usize| -> f64 {
        let so_far = stops.iter().filter(|stop| stop.0 <= idx);
        so_far.map(|stop| stop.1).sum()
    };
    Take::right(&line, 0.0005, |idx| {
        1.0 + 0.3 * idx as f64 + lost_s(idx) + jitter_s[idx]
    })
    .check()
}

#[test]
fn a_stop_is_told_with_its_change_and_nothing_else_is_blamed() {
    let check = with_stops(&[(13, 0.9)]);
    let stop = check.stops[0];
    assert_eq!((stop.from_index, stop.to_index), (12, 13));
    assert!(
        (stop.waited_s - 0.9).abs() < 3.0 * stop.waited_se_s,
        "{stop:?}"
    );
    assert!(stop.waited_se_s < 0.01, "{stop:?}");
    let kinds: Vec<_> = check.findings.iter().map(|f| f.kind).collect();
    assert_eq!(kinds, [FindingKind::Stopped]);
    assert_eq!(check.findings[0].place, Place::Note { index: 13 });
    assert!((check.tempo.start_bpm.unwrap() - 100.0).abs() < 0.3);
    assert!((check.tempo.end_bpm.unwrap() - 100.0).abs() < 0.3);
}

#[test]
fn a_reading_that_stops_at_every_other_note_is_one_finding() {
    let stops: Vec<(usize, f64)> = (5..45).step_by(2).map(|idx| (idx, 0.7)).collect();
    let check = with_stops(&stops);
    assert_eq!(check.stops.len(), stops.len());
    let kinds: Vec<_> = check.findings.iter().map(|f| f.kind).collect();
    assert_eq!(kinds, [FindingKind::Stopped]);
    assert_eq!(check.findings[0].places.len(), stops.len());
    assert!(
        (check.tempo.mean_bpm.unwrap() - 100.0).abs() < 1.0,
        "{:?}",
        check.tempo.mean_bpm
    );
}

#[test]
fn a_note_held_for_half_again_is_no_stop() {
    assert!(with_stops(&[(13, 0.15)]).stops.is_empty());
}

#[test]
fn a_skip_is_told_once() {
    let line = scale_line(48, 0.5);
    let mut take = Take::empty(&line);
    for idx in 0..16 {
        take.play(idx, 0.3 * idx as f64, 0.25, 0, 0.0005);
    }
    take.next_stretch();
    take.alignment.skips.push(Skip {
        at_s: 4.8,
        from_idx: 15,
        to_idx: 24,
        repeat_left_out: false,
    });
    for idx in 16..24 {
        take.miss(idx);
    }
    for idx in 24..48 {
        take.play(idx, 0.3 * (idx - 8) as f64, 0.25, 0, 0.0005);
    }
    let check = take.check();
    assert_eq!(check.summary.missed, 8);
    let kinds: Vec<_> = check.findings.iter().map(|f| f.kind).collect();
    assert_eq!(kinds, [FindingKind::Skip]);
}

fn with_click(click: Option<f64>, heard: &[f64]) -> passagework::judge::Check {
    with_click_of(120.0, click, heard)
}

/// Quarters at 120 a minute, 12 ms after whole half seconds, held against a click in quarters.
fn with_click_of(bpm: f64, click: Option<f64>, heard: &[f64]) -> passagework::judge::Check {
    let line = scale_line(64, 0.5);
    let mut take = Take::right(&line, 0.0005, |idx| 1.512 + 0.25 * idx as f64);
    take.hearing.clicks = heard
        .iter()
        .map(|at_s| HeardClick {
            at_s: *at_s,
            level_dbfs: -30.0,
        })
        .collect();
    take.check_with(&JudgeOptions {
        click: Some(ClickOptions {
            beat_quarters: 1.0,
            bpm,
            at_s: click,
        }),
        ..JudgeOptions::default()
    })
}

#[test]
fn the_phase_comes_from_the_clicks_heard_or_given() {
    // Clicks each half second from 0.5 s, a few lost and one false: the notes are 12 ms late.
    let mut heard: Vec<f64> = (0..30)
        .filter(|k| k % 7 != 3)
        .map(|k| 0.5 + 0.5 * f64::from(k))
        .collect();
    heard.push(3.31);
    heard.sort_by(f64::total_cmp);
    for check in [with_click(None, &heard), with_click(Some(7.5), &[])] {
        let click = check.tempo.click.unwrap();
        let mean = click.offset_mean_ms.unwrap();
        assert!((mean - 12.0).abs() < 0.5, "mean {mean} ms");
        assert!(click.trend_ms_per_min.unwrap().abs() < 1.0);
        assert_eq!(check.notes[5].deviation_from, DeviationFrom::Click);
        assert!((check.notes[5].deviation_ms.unwrap() - 12.0).abs() < 0.5);
    }
}

#[test]
fn without_a_phase_only_scatter_and_trend_are_told() {
    let check = with_click(None, &[]);
    let click = check.tempo.click.unwrap();
    assert_eq!(click.first_s, None);
    assert_eq!(click.offset_mean_ms, None);
    assert!(click.offset_sd_ms.unwrap() < 0.5);
    assert_eq!(check.notes[5].deviation_from, DeviationFrom::Local);
}

#[test]
fn clicks_of_another_tempo_set_no_phase() {
    let heard: Vec<f64> = (0..40).map(|k| 0.5 + 0.46 * f64::from(k)).collect();
    let click = with_click(None, &heard).tempo.click.unwrap();
    assert_eq!(click.first_s, None);
    assert!(click.clicks_disagree);
}

/// A metronome on eighths or on half bars is a common practice: its clicks are counted so.
#[test]
fn a_click_of_twice_or_half_the_tempo_is_counted_so() {
    for (bpm, quarters) in [(240.0, 0.5), (60.0, 2.0), (40.0, 3.0)] {
        let check = with_click_of(bpm, Some(0.5), &[]);
        let click = check.tempo.click.unwrap();
        assert_eq!(click.beat_quarters, Some(quarters));
        let mean = click.offset_mean_ms.unwrap();
        let away = (mean - 12.0).rem_euclid(500.0);
        assert!(away.min(500.0 - away) < 0.5, "mean {mean} ms");
        assert!(click.offset_sd_ms.unwrap() < 0.5);
    }
}

#[test]
fn against_a_click_of_another_tempo_nothing_is_measured() {
    for bpm in [170.0, 88.0] {
        let check = with_click_of(bpm, Some(0.5), &[]);
        let click = check.tempo.click.unwrap();
        assert!(click.other_tempo);
        assert_eq!(
            (
                click.offset_mean_ms,
                click.offset_sd_ms,
                click.trend_ms_per_min
            ),
            (None, None, None)
        );
        assert_eq!(check.notes[5].deviation_from, DeviationFrom::Local);
    }
}

#[test]
fn rests_and_long_notes_between_make_no_late_note() {
    let line = line_of(
        &[
            ("C4", 0.5),
            ("D4", 0.5),
            ("E4", 0.5),
            ("F4", 0.5),
            ("G4", 2.0),
            ("A4", 0.5),
            ("G4", 0.5),
            ("F4", 0.5),
            ("E4", 0.5),
            ("D4", 2.0),
        ],
        0,
    );
    let check = Take::right(&line, 0.0005, |idx| 0.6 * line.notes[idx].onset_quarters).check();
    assert!(check.runs.iter().all(|r| r.verdict == Verdict::Even));
    assert!(check.findings.is_empty());
}

#[test]
fn rests_played_out_or_held_do_not_move_the_tempo() {
    // Four eighths and a half rest, over and over: in time, or 200 to 400 ms held at each rest.
    let mut line = scale_line(96, 0.5);
    for (idx, note) in line.notes.iter_mut().enumerate() {
        note.onset_quarters += 2.0 * (idx / 4) as f64;
        note.bar_idx = (note.onset_quarters / 4.0) as usize;
    }
    line.bars = scale_line(192, 0.5).bars;
    let mut noise = Noise(8);
    for held in [0.0, 0.3] {
        let mut extra = 0.0;
        let onsets: Vec<f64> = (0..96)
            .map(|idx| {
                if idx % 4 == 0 {
                    extra += held * (1.0 + 0.3 * noise.normal());
                }
                0.6 * line.notes[idx].onset_quarters + extra + 0.004 * noise.normal()
            })
            .collect();
        let tempo = Take::right(&line, 0.001, |idx| onsets[idx]).check().tempo;
        let (start, end) = (tempo.start_bpm.unwrap(), tempo.end_bpm.unwrap());
        let (se, limit) = (
            tempo.end_bpm_se.unwrap(),
            if held > 0.0 { 2.0 } else { 0.1 },
        );
        assert!(
            (start - 100.0).abs() < limit,
            "start {start}, held {held} s"
        );
        assert!(
            (end - 100.0).abs() < limit,
            "end {end} ± {se}, held {held} s"
        );
    }
}

/// Eighths at 100 with `pauses` before these notes, in seconds; the note before each sounds on
/// for `held_s` of it.
fn with_pauses(pauses: &[(usize, f64)], held_s: f64) -> Take {
    let line = scale_line(64, 0.5);
    let mut noise = Noise(7);
    let jitter: Vec<f64> = (0..64).map(|_| 0.001 * noise.normal()).collect();
    let late_s = |idx: usize| {
        pauses
            .iter()
            .filter(|p| p.0 <= idx)
            .map(|p| p.1)
            .sum::<f64>()
    };
    let mut take = Take::right(&line, 0.0005, |idx| {
        1.0 + 0.3 * idx as f64 + late_s(idx) + jitter[idx]
    });
    for idx in 0..64 {
        let note = &mut take.hearing.notes[idx];
        note.offset_s = note.onset_s + 0.28;
        if pauses.iter().any(|p| p.0 == idx + 1) {
            note.offset_s += held_s;
        }
    }
    take
}

/// A breath where none is written, or a note held: no other note is late or early for it, and
/// the tempo stays what it is.
#[test]
fn a_breath_or_a_stop_makes_no_other_note_late() {
    let breaths: &[(usize, f64)] = &[(17, 0.15), (33, 0.25), (50, 0.3)];
    for (pauses, held_s) in [(breaths, 0.0), (&[(30, 1.4)][..], 1.4)] {
        let check = with_pauses(pauses, held_s).check();
        let blamed = |f: &&passagework::judge::Finding| f.kind != FindingKind::Stopped;
        assert_eq!(check.findings.iter().find(blamed), None);
        let stops: Vec<usize> = check.stops.iter().map(|stop| stop.to_index).collect();
        let stopped: &[usize] = if held_s > 0.0 { &[30] } else { &[] };
        assert_eq!(stops, stopped);
        for note in &check.notes {
            let ms = note.deviation_ms.expect("there are neighbours");
            assert!(ms.abs() < 5.0, "note {}: {ms} ms", note.index);
        }
        let (start, end) = (check.tempo.start_bpm, check.tempo.end_bpm);
        for bpm in [start, end] {
            assert!(
                (bpm.expect("a tempo") - 100.0).abs() < 0.6,
                "{start:?} {end:?}"
            );
        }
    }
}

/// Who hesitates on a slur, without a silence, is late there: no breath hides it.
#[test]
fn a_hesitation_is_no_breath() {
    let check = with_pauses(&[(30, 0.12)], 0.12).check();
    let mut slowest = check.runs.iter().map(|run| &run.slowest);
    let here = slowest.find(|change| (change.from_index, change.to_index) == (29, 30));
    let excess_ms = here.expect("the slowest of its run").excess_ms;
    assert!((excess_ms - 120.0).abs() < 15.0, "{excess_ms} ms");
}

/// A player who is steadily faster than the click is ahead of it by more and more, also when it
/// is more than half a beat.
#[test]
fn far_ahead_of_the_click_is_not_behind() {
    let line = scale_line(64, 0.5);
    let heard: Vec<f64> = (0..34).map(|k| 1.0 + 0.5 * f64::from(k)).collect();
    // 104 against 100: by the end two thirds of a beat ahead.
    let mut take = Take::right(&line, 0.0005, |idx| 1.0 + 0.25 * idx as f64 / 1.04);
    take.hearing.clicks = heard
        .iter()
        .map(|at_s| HeardClick {
            at_s: *at_s,
            level_dbfs: -30.0,
        })
        .collect();
    let check = take.check_with(&JudgeOptions {
        click: Some(ClickOptions {
            beat_quarters: 1.0,
            bpm: 120.0,
            at_s: None,
        }),
        ..JudgeOptions::default()
    });
    let last = check.notes[63].deviation_ms.expect("against the click");
    let ahead_ms = 1e3 * 0.25 * 63.0 * (1.0 - 1.0 / 1.04);
    assert!((last + ahead_ms).abs() < 5.0, "{last} ms, {ahead_ms} ahead");
    let trend = check.tempo.click.expect("a click").trend_ms_per_min;
    assert!(trend.expect("a trend") < -2000.0, "{trend:?}");
}

/// A note that comes too soon is told as early; the one after it was in time.
#[test]
fn a_rushed_note_does_not_make_the_next_one_late() {
    for seed in 0..20 {
        let check = sixteenths(13, -40.0, 1.0, seed).check();
        assert_eq!(check.findings.len(), 1, "{:?}", check.findings);
        let finding = &check.findings[0];
        assert_eq!(finding.places, [13], "seed {seed}");
        let ms = finding.value.expect("a size");
        assert!((ms + 40.0).abs() < 4.0, "seed {seed}: {ms} ms");
    }
}
