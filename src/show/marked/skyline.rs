//! Where ink is: how high and how low a system reaches at every place.

/// Width of one step, in picture units: a quarter of a staff space.
const STEP: f64 = 45.0;
/// Air left around everything.
const AIR: f64 = 50.0;

/// A rectangle, y downwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rect {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

/// Upper and lower outline over the system's width.
#[derive(Clone, Debug)]
pub struct Skyline {
    top: Vec<f64>,
    bottom: Vec<f64>,
}

impl Skyline {
    /// The outline of a staff between `top` and `bottom`, `width` units wide.
    pub fn new(width: f64, top: f64, bottom: f64) -> Skyline {
        let steps = (width / STEP).ceil() as usize + 1;
        Skyline {
            top: vec![top; steps],
            bottom: vec![bottom; steps],
        }
    }

    fn steps(&self, left: f64, right: f64) -> std::ops::Range<usize> {
        let n = self.top.len();
        let first = ((left / STEP).floor().max(0.0) as usize).min(n - 1);
        let last = ((right / STEP).floor().max(0.0) as usize).min(n - 1);
        first..last.max(first) + 1
    }

    /// Takes in ink.
    pub fn add(&mut self, ink: Rect) {
        for i in self.steps(ink.left, ink.right) {
            self.top[i] = self.top[i].min(ink.top);
            self.bottom[i] = self.bottom[i].max(ink.bottom);
        }
    }

    /// The lowest free place above everything between `left` and `right` for something of this
    /// height; it is taken. Returns its top.
    pub fn place_above(&mut self, left: f64, right: f64, height: f64) -> f64 {
        let range = self.steps(left - AIR, right + AIR);
        let floor = self.top[range]
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        let top = floor - AIR - height;
        self.add(Rect {
            left,
            top,
            right,
            bottom: floor,
        });
        top
    }

    /// The same below everything. Returns its top.
    pub fn place_below(&mut self, left: f64, right: f64, height: f64) -> f64 {
        let range = self.steps(left - AIR, right + AIR);
        let ceiling = self.bottom[range]
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        let top = ceiling + AIR;
        self.add(Rect {
            left,
            top: ceiling,
            right,
            bottom: top + height,
        });
        top
    }

    /// The highest and the lowest place of all.
    pub fn extent(&self) -> (f64, f64) {
        (
            self.top.iter().copied().fold(f64::INFINITY, f64::min),
            self.bottom
                .iter()
                .copied()
                .fold(f64::NEG_INFINITY, f64::max),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_are_stacked_only_where_they_would_meet() {
        let mut skyline = Skyline::new(2000.0, 0.0, 720.0);
        let first = skyline.place_above(0.0, 500.0, 100.0);
        let beside = skyline.place_above(900.0, 1200.0, 100.0);
        let over = skyline.place_above(400.0, 700.0, 100.0);
        assert_eq!(first, -AIR - 100.0);
        assert_eq!(beside, first);
        assert_eq!(over, first - AIR - 100.0);
        assert_eq!(skyline.place_below(0.0, 100.0, 50.0), 720.0 + AIR);
        assert_eq!(skyline.extent(), (over, 720.0 + AIR + 50.0));
    }
}
