//! What runs in an audio callback allocates nothing, shown under an allocator that objects.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use passagework::judge::ClickOptions;
use passagework::line::read::{LineOptions, read_line};
use passagework::live::beats::{BeatTrack, ClickPlan};
use passagework::sound::capture::{Came, capture};
use passagework::sound::click::ClickPlayer;
use passagework::sound::device::fill;

struct Objecting;

thread_local! {
    static FORBIDDEN: Cell<bool> = const { Cell::new(false) };
    /// Of this thread: the tests run side by side, and one of them allocates on purpose.
    static OBJECTIONS: Cell<usize> = const { Cell::new(0) };
}

fn object() {
    if FORBIDDEN.with(Cell::get) {
        OBJECTIONS.with(|n| n.set(n.get() + 1));
    }
}

// SAFETY: everything is handed to the system's allocator; counting allocates nothing.
unsafe impl GlobalAlloc for Objecting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        object();
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        object();
        unsafe { System.dealloc(memory, layout) }
    }

    unsafe fn realloc(&self, memory: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        object();
        unsafe { System.realloc(memory, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Objecting = Objecting;

/// Allocations made while `body` runs.
fn objections(body: impl FnOnce()) -> usize {
    let before = OBJECTIONS.with(Cell::get);
    FORBIDDEN.with(|f| f.set(true));
    body();
    FORBIDDEN.with(|f| f.set(false));
    OBJECTIONS.with(Cell::get) - before
}

#[test]
fn the_allocator_does_object() {
    assert!(objections(|| drop(std::hint::black_box(vec![1u8; 100]))) > 0);
}

#[test]
fn a_microphone_block_is_copied_or_counted_without_allocating() {
    let (mut end, mut reader) = capture(48_000, 2, 0.05);
    let block = [100i16; 512];
    let made = objections(|| {
        // More than fits: both ways are taken.
        for k in 0..20 {
            end.push(&block, |x| f32::from(x) / 32768.0, k);
        }
    });
    assert_eq!(made, 0, "allocations in the microphone's callback");
    assert!(reader.lost_frames() > 0, "the ring did not overflow");
    let mut sound = Vec::new();
    while reader.next(4096, &mut sound) == Came::Sound {}
    // The note of what was lost goes into the ring before the next block.
    let made = objections(|| end.push(&block, |x| f32::from(x) / 32768.0, 21));
    assert_eq!(
        made, 0,
        "allocations in the microphone's callback after a loss"
    );
}

#[test]
fn the_click_is_made_without_allocating() {
    let etude = concat!(env!("CARGO_MANIFEST_DIR"), "/src/cli/demo_etude.abc");
    let line =
        read_line(std::path::Path::new(etude), &LineOptions::default()).expect("the demo étude");
    let plan = ClickPlan {
        tempos: vec![ClickOptions::parse("q=208").expect("a click")],
        count_in_bars: 1,
        subdivisions: 2,
        groups: Vec::new(),
    };
    let track = BeatTrack::new(&line, None, &plan);
    let mut player = ClickPlayer::new(track, 48_000, 0, 0.1);
    let mut render = move |first, mono: &mut [f32]| player.fill(first, mono);
    let mut mono = vec![0.0; 512];
    let mut block = vec![0i16; 2 * 700];
    let mut frames = 0;
    let mut loud = false;
    let made = objections(|| {
        // Half a minute, past the line's end too.
        for _ in 0..2000 {
            fill(&mut block, 2, &mut frames, &mut mono, &mut render);
            loud |= block.iter().any(|x| *x != 0);
        }
    });
    assert_eq!(made, 0, "allocations in the loudspeaker's callback");
    assert!(loud, "no click sounded");
    assert_eq!(frames, 2000 * 700);
}
