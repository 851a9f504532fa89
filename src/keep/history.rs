//! An étude's takes over the days, brought to the bars of its newest version.

use super::identity::match_bars;
use super::{KeepError, Library, TakeFilter};
use crate::line::{Line, TempoMark};
use crate::progress::{Review, TakePoint, review};

/// What a review is made of.
pub struct History {
    /// The newest version of the line.
    pub line: Line,
    /// Printed numbers of its bars with notes.
    pub bars: Vec<String>,
    /// In the order they were played.
    pub takes: Vec<TakePoint>,
    /// The tempo set for the étude, else the one printed.
    pub goal: Option<TempoMark>,
}

impl History {
    pub fn review(&self) -> Review {
        review(&self.line.title, self.bars.clone(), &self.takes, self.goal)
    }
}

impl Library {
    /// The takes of an étude, of one player or of all.
    pub fn history(&self, etude: i64, player: Option<&str>) -> Result<History, KeepError> {
        let versions = self.versions(etude)?;
        let newest = versions.last().ok_or(KeepError::NoSuchEtude)?;
        let bars_in: Vec<(i64, Vec<Option<usize>>)> = versions
            .iter()
            .map(|version| (version.line_id, match_bars(&newest.bars, &version.bars)))
            .collect();
        let filter = TakeFilter {
            etude: Some(etude),
            player,
        };
        let takes = self.takes(filter)?.into_iter().map(|take| TakePoint {
            id: take.id.0,
            bar_of: bars_in
                .iter()
                .find(|(line_id, _)| *line_id == take.line_id)
                .map(|(_, bars)| bars.clone())
                .unwrap_or_default(),
            played_local: take.played_local,
            figures: take.figures,
        });
        let takes = takes.collect();
        let line = self.line(newest.line_id)?;
        let kept = self.etudes()?.into_iter().find(|e| e.id == etude);
        Ok(History {
            goal: kept.and_then(|etude| etude.goal).or(line.tempo),
            bars: newest.bars.iter().map(|bar| bar.number.clone()).collect(),
            takes,
            line,
        })
    }
}
