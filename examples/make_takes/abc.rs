//! An étude as ABC 2.1: durations in 96ths, every accidental written out.

use crate::etude::{Etude, Symbol};
use std::fmt::Write;

pub fn to_abc(etude: &Etude) -> String {
    const KEYS: [&str; 13] = [
        "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#",
    ];
    let key = KEYS[(etude.fifths + 6) as usize];
    let mut abc = format!(
        "%abc-2.1\nX:1\nT:{}\nM:{}/{}\nL:1/96\nK:{key} transpose={}\n",
        etude.title, etude.beats, etude.beat_type, etude.instrument.transpose
    );
    let flat: Vec<&Symbol> = etude.bars.iter().flatten().collect();
    let mut place = 0;
    for (bar_idx, bar) in etude.bars.iter().enumerate() {
        if etude.repeat.is_some_and(|(from, _)| from == bar_idx) {
            abc.push_str("|:");
        }
        for symbol in bar {
            let next_slurred = flat.get(place + 1).is_some_and(|next| next.slur_in);
            write_symbol(&mut abc, symbol, next_slurred);
            place += 1;
        }
        let end = if etude.repeat.is_some_and(|(_, to)| to == bar_idx) {
            ":|"
        } else {
            "|"
        };
        let _ = writeln!(abc, "{end}");
    }
    abc
}

fn write_symbol(abc: &mut String, symbol: &Symbol, next_slurred: bool) {
    let Some(pitch) = symbol.pitch else {
        let _ = write!(abc, "z{} ", symbol.duration);
        return;
    };
    if !symbol.slur_in && next_slurred {
        abc.push('(');
    }
    if symbol.fermata {
        abc.push('H');
    }
    if symbol.staccato {
        abc.push('.');
    }
    abc.push_str(["__", "_", "=", "^", "^^"][(pitch.alter + 2) as usize]);
    let letter = b"CDEFGAB"[pitch.letter as usize] as char;
    if pitch.octave >= 5 {
        abc.push(letter.to_ascii_lowercase());
        abc.push_str(&"'".repeat(pitch.octave as usize - 5));
    } else {
        abc.push(letter);
        abc.push_str(&",".repeat(4 - pitch.octave as usize));
    }
    let _ = write!(abc, "{}", symbol.duration);
    if symbol.slur_in && !next_slurred {
        abc.push(')');
    }
    abc.push(' ');
}
