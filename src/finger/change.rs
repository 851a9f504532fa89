//! What it takes to go from one fingering to the next, in milliseconds of hand time.
//!
//! The travel of a key and the spread between fingers are published for the flute (Almeida, Chow,
//! Smith and Wolfe, JASA 126, 2009; arXiv 0903.4012): a key closes in about 10 ms under a finger,
//! opens in about 16 ms by its spring, and fingers that should move as one are tens of
//! milliseconds apart, more so the more they are. What has no published figure is common practice
//! put into numbers here, and each constant says so.

use super::chart::{Break, Chart, Finger, KeySet};

/// A key closed by a finger (Almeida et al. 2009).
pub const CLOSE_MS: f64 = 10.0;
/// A key opened by its spring (Almeida et al. 2009).
pub const OPEN_MS: f64 = 16.0;
/// Spread that each further finger adds when several must move as one: six fingers are then
/// 30 ms apart, "tens of milliseconds" (Almeida et al. 2009).
pub const SPREAD_MS: f64 = 6.0;
/// One finger rising as another falls: until both are through, a note between sounds, or both at
/// once (the "unsafe" changes of Almeida et al. 2009). Twice the spread, since neither finger
/// may come first.
pub const OPPOSED_MS: f64 = 12.0;
/// A finger that rolls or reaches over to the key beside its own, such as the index finger to the
/// throat A key. Common practice: easy when prepared; somewhat less than opening a key.
pub const ROLL_MS: f64 = 14.0;
/// A little finger that slides to the key beside. Common practice: a sixteenth at 100 is about
/// the fastest that slides come out cleanly.
pub const SLIDE_MS: f64 = 60.0;
/// A finger that jumps to a key apart from its own, or a little finger that is lifted over
/// another key (flip). Common practice: slower than a slide, because the finger leaves the keys.
pub const FLIP_MS: f64 = 90.0;
/// What a slide or flip weighs at any tempo beyond its time. Common practice: it is avoided
/// wherever another fingering will do, so it outweighs any chain of ordinary changes it could save.
pub const AWKWARD_MS: f64 = 200.0;
/// Crossing the break upwards with the right hand not yet down. Common practice: the hand is put
/// down on the throat notes before.
pub const BREAK_MS: f64 = 20.0;
/// Coming off a side key as the hand closes for the note over the break. Common practice: the
/// index finger is back on its hole late, and the note does not speak.
pub const SIDE_BEFORE_BREAK_MS: f64 = 30.0;
/// A finger laid down or taken away without changing the note: not free, but at no set moment.
pub const SILENT_MS: f64 = 1.0;

/// A fingering as it is held: its own keys, and what is kept or laid down besides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Hold {
    /// Index in [`Chart::fingerings`].
    pub fingering: usize,
    /// Keys down besides those of the fingering.
    pub held: KeySet,
}

impl Hold {
    pub fn down(&self, chart: &Chart) -> KeySet {
        chart.fingerings[self.fingering].keys | self.held
    }
}

/// The parts of one change. Fingers are counted, `_ms` is what they add up to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Change {
    /// Fingers that must rise, and fall, exactly at the change.
    pub rising: u32,
    pub falling: u32,
    /// Fingers that move without changing the note.
    pub silent: u32,
    /// Fingers that roll or reach to the key beside.
    pub rolls: u32,
    /// Bit `i`: finger `i` slides; or jumps.
    pub slides: u32,
    pub flips: u32,
    /// The break is crossed upwards and the hand below it is not down yet.
    pub unprepared: bool,
    /// A side key is left as the break is crossed upwards.
    pub side_before_break: bool,
}

impl Change {
    /// The change from one hold to the next.
    pub fn between(chart: &Chart, from: Hold, to: Hold) -> Change {
        let (old, new) = (from.down(chart), to.down(chart));
        let (before, after) = (
            &chart.fingerings[from.fingering],
            &chart.fingerings[to.fingering],
        );
        let mut change = Change::default();
        for (i, finger) in chart.fingers.iter().enumerate() {
            let (was, is) = (old & finger.keys, new & finger.keys);
            if was != is {
                let must_fall = is & !was & after.keys != 0;
                let must_rise = was & !is & !after.holdable() != 0;
                change.add(i, finger, was, is, must_fall, must_rise);
            }
        }
        if crosses(&chart.the_break, &before.register, &after.register) {
            change.unprepared = after.keys & chart.the_break.prepared & !old != 0;
            let side = chart.fingers.iter().fold(0, |all, f| all | f.side);
            change.side_before_break = old & side & !new != 0 && change.unprepared;
        }
        change
    }

    fn add(
        &mut self,
        i: usize,
        finger: &Finger,
        was: KeySet,
        is: KeySet,
        must_fall: bool,
        must_rise: bool,
    ) {
        let stays = was & is != 0;
        if was != 0 && is != 0 && !stays {
            let beside = finger
                .near
                .iter()
                .any(|pair| pair & was != 0 && pair & is != 0);
            match (beside, finger.little) {
                (true, true) => self.slides |= 1 << i,
                (true, false) => self.rolls += 1,
                (false, _) => self.flips |= 1 << i,
            }
        }
        // A finger that changes keys does both.
        self.falling += u32::from(must_fall);
        self.rising += u32::from(must_rise && !(must_fall && was != 0));
        self.silent += u32::from(!must_fall && !must_rise);
    }

    /// Little-finger slides and flips of any finger: what a player wants to know of beforehand.
    pub fn awkward(&self) -> u32 {
        self.slides.count_ones() + self.flips.count_ones()
    }

    /// Fingers that rise against fingers that fall.
    pub fn opposed(&self) -> u32 {
        self.rising.min(self.falling)
    }

    /// Hand time of the change.
    pub fn ms(&self) -> f64 {
        let moving = self.rising + self.falling;
        let travel = if self.rising > 0 {
            OPEN_MS
        } else if self.falling > 0 {
            CLOSE_MS
        } else {
            0.0
        };
        travel
            + SPREAD_MS * f64::from(moving.saturating_sub(1))
            + OPPOSED_MS * f64::from(self.opposed())
            + ROLL_MS * f64::from(self.rolls)
            + SLIDE_MS * f64::from(self.slides.count_ones())
            + FLIP_MS * f64::from(self.flips.count_ones())
            + BREAK_MS * f64::from(u8::from(self.unprepared))
            + SIDE_BEFORE_BREAK_MS * f64::from(u8::from(self.side_before_break))
            + SILENT_MS * f64::from(self.silent)
    }
}

fn crosses(the_break: &Break, from: &str, to: &str) -> bool {
    the_break.below.iter().any(|r| r == from) && the_break.above.iter().any(|r| r == to)
}
