//! Today's sheet: minutes become an order of drills, hardest first and interleaved, with rests.
//!
//! Ten clarinettists who alternated every 3 minutes were, where professionals' ratings differed,
//! ahead of themselves after 12 minutes in one piece (Carter and Grahn, Front. Psychol. 7, 2016,
//! 1251); 19 younger players showed no difference after a day (Stambaugh and Demorest 2010, from
//! memory). So the order is worth trying and no law.

use super::drills::Drill;

/// One turn of a drill, minutes: as in Carter and Grahn 2016.
pub const TURN_MIN: u32 = 3;
/// A rest of five minutes after 25 of playing: advice of performing-arts medicine (common
/// practice, no primary source).
pub const PLAY_MIN: u32 = 25;
pub const REST_MIN: u32 = 5;
/// Each drill comes back at least so often, if there is time.
const TURNS_EACH: usize = 2;
/// Minutes a sheet can be for.
pub const MINUTES: std::ops::RangeInclusive<u32> = 5..=240;

/// What the minutes are for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// Index of the drill.
    Drill(usize),
    /// The instrument is put down.
    Rest,
    /// The line itself, at a tempo at which it stays clean.
    Line,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slot {
    pub start_min: u32,
    pub minutes: u32,
    pub what: What,
}

/// An order for `minutes` ([`MINUTES`]); the slots add up to it.
pub fn sheet(drills: &[Drill], minutes: u32) -> Vec<Slot> {
    let order = interleaved(drills);
    // The line itself comes last, once.
    let turns = (playing_minutes(minutes) / TURN_MIN)
        .saturating_sub(1)
        .max(1) as usize;
    let n_used = turns.div_ceil(TURNS_EACH).min(order.len());
    let mut slots: Vec<Slot> = Vec::new();
    let (mut at, mut since_rest, mut turn) = (0, 0, 0);
    while at < minutes {
        let left = minutes - at;
        // Short remainders are played on, as long as that is no more than a turn over.
        let must_rest = since_rest + TURN_MIN > PLAY_MIN
            && (left > REST_MIN || since_rest + left > PLAY_MIN + TURN_MIN);
        let (what, length) = if must_rest {
            (What::Rest, left.min(REST_MIN))
        } else if left < 2 * TURN_MIN || n_used == 0 {
            (What::Line, left.min(PLAY_MIN))
        } else {
            turn += 1;
            (What::Drill(order[(turn - 1) % n_used]), TURN_MIN)
        };
        slots.push(Slot {
            start_min: at,
            minutes: length,
            what,
        });
        since_rest = if what == What::Rest {
            0
        } else {
            since_rest + length
        };
        at += length;
    }
    slots
}

fn playing_minutes(minutes: u32) -> u32 {
    minutes - minutes / (PLAY_MIN + REST_MIN) * REST_MIN
}

/// Drills of different places in turn, each place's own in their order: neighbours differ.
fn interleaved(drills: &[Drill]) -> Vec<usize> {
    /// Place of a group in the étude.
    type Place = Option<(usize, usize)>;
    let mut groups: Vec<(Place, Vec<usize>)> = Vec::new();
    for (i, drill) in drills.iter().enumerate() {
        let overlaps = |place: &Place| match (place, &drill.source) {
            (None, None) => true,
            (Some(a), Some(b)) => a.0 <= b.1 && b.0 <= a.1,
            _ => false,
        };
        match groups.iter_mut().find(|(place, _)| overlaps(place)) {
            Some((_, group)) => group.push(i),
            None => groups.push((drill.source, vec![i])),
        }
    }
    let longest = groups.iter().map(|g| g.1.len()).max().unwrap_or(0);
    (0..longest)
        .flat_map(|round| groups.iter().filter_map(move |g| g.1.get(round).copied()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_has_rests_and_adds_up() {
        for minutes in [5, 6, 14, 25, 30, 31, 60, 240] {
            let slots = sheet(&[], minutes);
            assert_eq!(slots.iter().map(|s| s.minutes).sum::<u32>(), minutes);
            let mut playing = 0;
            for slot in &slots {
                playing = if slot.what == What::Rest {
                    0
                } else {
                    playing + slot.minutes
                };
                assert!(playing <= PLAY_MIN + TURN_MIN, "{minutes}: {slots:?}");
            }
        }
    }
}
