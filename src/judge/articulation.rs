//! Tongue and slur, staccato length, and level across the registers.

use std::collections::BTreeMap;

use super::check::{ArticulationCheck, RegisterLevel};
use super::onsets::{Before, Played, stretches};
use super::stats::{mean, median, robust_sd, sd};
use crate::hear::Hearing;
use crate::line::{Articulation, Line};

/// Shortest silence taken for a new tongue under a slur: the tongue rests on a single reed
/// for 34.5 ms, SD 5.8 (Hofmann et al., ICMPC 2012, 442); three SD below is 17 ms.
const TONGUE_GAP_S: f64 = 0.015;
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
    let mut staccato = Vec::new();
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
            if !b.judged || !b.steady || !a.steady || !joined || hb.confidence < SURE {
                continue;
            }
            if nb.slurred {
                let retouched = nb.articulations.iter().any(|m| {
                    matches!(
                        m,
                        Articulation::DetachedLegato
                            | Articulation::Staccato
                            | Articulation::Tenuto
                    )
                });
                if hb.tongued && !retouched && b.onset_s - ends[a.heard_idx] >= TONGUE_GAP_S {
                    check.slurred_tongued.push(b.idx);
                }
            } else if na.written.midi() != nb.written.midi() {
                tongues += 1;
                if !hb.tongued {
                    unheard.push(b.idx);
                }
            }
        }
    }
    let heard = tongues - unheard.len();
    let slurs_written = line.notes.iter().any(|n| n.slurred);
    if slurs_written && tongues >= TONGUES_NEEDED && heard as f64 >= TONGUES_HEARD * tongues as f64
    {
        check.tongued_slurred = unheard;
    }
    check.slurred_tongued.sort_unstable();
    check.tongued_slurred.sort_unstable();
    check.staccato_share = median(&staccato);
    check.staccato_share_sd = (staccato.len() > 1).then(|| robust_sd(&staccato));
    check.levels = levels(line, hearing, played);
    check
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
