//! A line that goes on and on.

use passagework::line::Line;

/// Puts the line behind itself until it is there `n_times`.
pub fn lengthen(line: &mut Line, n_times: usize) {
    let (notes, bars) = (line.notes.clone(), line.bars.clone());
    let length: f64 = bars.iter().map(|b| b.length_quarters).sum();
    for copy in 1..n_times {
        let shift = copy as f64 * length;
        for bar in &bars {
            let mut bar = bar.clone();
            bar.page_idx += copy * bars.len();
            bar.number = (bar.page_idx + 1).to_string();
            bar.onset_quarters += shift;
            line.bars.push(bar);
        }
        for note in &notes {
            let mut note = note.clone();
            note.bar_idx += copy * bars.len();
            note.bar.clone_from(&line.bars[note.bar_idx].number);
            note.onset_quarters += shift;
            line.notes.push(note);
        }
    }
}
