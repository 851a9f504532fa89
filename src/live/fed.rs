//! A recording instead of the microphone: through the live path, block by block.

use std::io;
use std::time::{Duration, Instant};

use super::Listener;
use super::events::Event;
use crate::sound::TakeReader;

/// Samples handed to the hearing at once: what a device gives at a low latency.
const BLOCK_SAMPLES: usize = 256;

/// How fast a recording is fed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// At the speed it was played.
    AsPlayed,
    /// As fast as it goes.
    Fast,
}

/// Feeds the whole recording; every event goes to `say`, whose error ends it.
pub fn follow_file(
    mut reader: TakeReader,
    mut listener: Listener,
    pace: Pace,
    say: &mut dyn FnMut(&Event) -> io::Result<()>,
) -> io::Result<()> {
    let begun = Instant::now();
    let mut block = Vec::new();
    let mut events = Vec::new();
    while reader.next_block(&mut block) {
        for piece in block.chunks(BLOCK_SAMPLES) {
            listener.push(piece, &mut events);
            for event in events.drain(..) {
                say(&event)?;
            }
            if pace == Pace::AsPlayed {
                let due = Duration::from_secs_f64(listener.heard_s());
                std::thread::sleep(due.saturating_sub(begun.elapsed()));
            }
        }
    }
    listener.finish(None, &mut events);
    events.iter().try_for_each(say)
}
