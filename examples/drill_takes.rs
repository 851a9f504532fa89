//! Every drill of many lines, played right in two voices at two tempos, and checked: what was
//! reproached, and what was left open.
//!
//! `cargo run --release --example drill_takes -- [WORD]`, WORD a part of the name of a line.

#[path = "../tests/practise/played.rs"]
#[allow(dead_code, reason = "tests need more of it")]
mod played;
#[path = "../tests/practise/support.rs"]
mod support;

use played::{Tempo, Voice, heard};

fn main() {
    let wanted = std::env::args().nth(1).unwrap_or_default();
    println!("line | voice | tempo | drills | notes | accused | unsure");
    for (name, etude) in support::etudes() {
        if !name.contains(&wanted) {
            continue;
        }
        for voice in [Voice::BuiltIn, Voice::Sampled] {
            for tempo in [Tempo::Start, Tempo::Goal] {
                let h = heard(&etude, voice, tempo);
                println!(
                    "{name} | {voice:?} | {tempo:?} | {} | {} | {} | {}",
                    h.drills,
                    h.notes,
                    h.accusations.len(),
                    h.unsure.len()
                );
                for told in h.accusations.iter().chain(&h.unsure) {
                    println!("    {told}");
                }
            }
        }
    }
}
