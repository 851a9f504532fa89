//! Tongue and slur, staccato length, and level across the registers.

use std::collections::BTreeMap;

use super::check::{ArticulationCheck, RegisterLevel};
use super::onsets::{Before, Played, stretches};
use super::stats::{mean, median, robust_sd, sd};
use crate::hear::Hearing;
use crate::line::{Articulation, Line};

/// A silence under a slur that is surely a new tongue: the tongue rests on a single reed for
/// 34.5 ms, SD 5.8 (Hofmann et al., ICMPC 2012, 442); two SD below is 23 ms, and slurs to a
/// wide leap are seen to dip for up to 21 ms.
const TONGUE_GAP_S: f64 = 0.025;
/// Two such silences close together are believed from here: a light tongue's gap, as far as
/// the note before does not ring into it.
const TWO_TONGUES_GAP_S: f64 = 0.012;
/// Notes this near each other belong to one figure.
const NEAR_NOTES: usize = 4;
/// Without even so short a silence a note was run together with the one before.
const RUN_TOGETHER_GAP_S: f64 = 0.005;
/// Only sounds at least so surely notes of their own may accuse the tongue.
const SURE: f64 = 0.8;
/// A missing tongue is believed only in a take where this share of the other tongues was
/// heard: reverberation fills the gaps of a light tongue.
const TONGUES_HEARD: f64 = 0.8;
const TONGUES_NEEDED: usize = 5;

/// Articulation of the judged attempts; `ends` are those of the heard notes.
pub fn articulation(
    line: &Line,
    befores: &[Before],
    hearing: &Hearing,
    ends: &[f64],
    played: &[Played],
) -> ArticulationCheck {
    let mut check = ArticulationCheck::default();
    let (mut tongues, mut unheard) = (0, Vec::new());
    let (mut staccato, mut retongued) = (Vec::new(), Vec::new());
    for stretch in stretches(played) {
        for pair in stretch.windows(2) {
            let (a, b) = (&pair[0], &pair[1]);
            if b.idx != a.idx + 1 {
                continue;
            }
            let (na, nb) = (&line.notes[a.idx], &line.notes[b.idx]);
            let hb = &hearing.notes[b.heard_idx];
            if a.judged
                && na
                    .articulations
                    .iter()
                    .any(|m| matches!(m, Articulation::Staccato | Articulation::Staccatissimo))
                && b.quarters > a.quarters
            {
                let written_s =
                    (b.onset_s - a.onset_s) * na.duration_quarters / (b.quarters - a.quarters);
                staccato.push(((ends[a.heard_idx] - a.onset_s) / written_s).clamp(0.0, 1.0));
            }
            let joined = !befores[b.idx].halt && befores[b.idx].rest_quarters == 0.0;
            // A sound between the two, blip or ripple, hides what the tongue did.
            let side_by_side = b.heard_idx == a.heard_idx + 1;
            let sure = b.judged && a.steady && b.steady && hb.confidence >= SURE;
            if !sure || !joined || !side_by_side {
                continue;
            }
            let gap_s = b.onset_s - hearing.notes[a.heard_idx].offset_s;
            if nb.slurred {
                let retouched = nb.articulations.iter().any(|m| {
                    matches!(
                        m,
                        Articulation::DetachedLegato
                            | Articulation::Staccato
                            | Articulation::Tenuto
                    )
                });
                if hb.tongued && !retouched {
                    retongued.push((b.idx, gap_s));
                }
            } else if na.written.midi() != nb.written.midi() {
                tongues += 1;
                if !hb.tongued && gap_s < RUN_TOGETHER_GAP_S {
                    unheard.push(b.idx);
                }
            }
        }
    }
    retongued.sort_unstable_by_key(|(idx, _)| *idx);
    check.slurred_tongued = surely_tongued(&retongued);
    let heard = tongues - unheard.len();
    let slurs_written = line.notes.iter().any(|n| n.slurred);
    if slurs_written && tongues >= TONGUES_NEEDED && heard as f64 >= TONGUES_HEARD * tongues as f64
    {
        check.tongued_slurred = unheard;
    }
    check.tongued_slurred.sort_unstable();
    check.staccato_share = median(&staccato);
    check.staccato_share_sd = (staccato.len() > 1).then(|| robust_sd(&staccato));
    check.levels = levels(line, hearing, played);
    check
}

/// Slurred notes begun with a tongue: (index, silence before) of all that may have been.
fn surely_tongued(retongued: &[(usize, f64)]) -> Vec<usize> {
    let near = |a: usize, b: usize| a != b && a.abs_diff(b) <= NEAR_NOTES;
    retongued
        .iter()
        .filter(|(idx, gap_s)| {
            *gap_s >= TONGUE_GAP_S
                || *gap_s >= TWO_TONGUES_GAP_S
                    && retongued
                        .iter()
                        .any(|(other, gap)| near(*idx, *other) && *gap >= TWO_TONGUES_GAP_S)
        })
        .map(|(idx, _)| *idx)
        .collect()
}

/// Mean level by octave of the written pitch, against the mean of all notes.
fn levels(line: &Line, hearing: &Hearing, played: &[Played]) -> Vec<RegisterLevel> {
    let mut octaves: BTreeMap<i32, Vec<(i32, usize, f64)>> = BTreeMap::new();
    for p in played.iter().filter(|p| p.judged) {
        let midi = line.notes[p.idx].written.midi();
        octaves.entry(midi.div_euclid(12)).or_default().push((
            midi,
            p.idx,
            hearing.notes[p.heard_idx].level_dbfs,
        ));
    }
    let all: Vec<f64> = octaves.values().flatten().map(|n| n.2).collect();
    let whole = mean(&all);
    octaves
        .values()
        .filter_map(|notes| {
            let (low, high) = (
                notes.iter().min_by_key(|n| n.0)?,
                notes.iter().max_by_key(|n| n.0)?,
            );
            let levels: Vec<f64> = notes.iter().map(|n| n.2).collect();
            let scatter = if levels.len() > 1 {
                sd(&levels)
            } else {
                sd(&all)
            };
            Some(RegisterLevel {
                from: line.notes[low.1].written.to_string(),
                to: line.notes[high.1].written.to_string(),
                n_notes: notes.len(),
                level_db: mean(&levels) - whole,
                level_se_db: scatter / (levels.len() as f64).sqrt(),
            })
        })
        .collect()
}
