//! No protocol allocates for a frame once it has met the names and units of its port, and damage
//! leaves no memory behind.
//!
//! A test binary of its own: it counts every allocation of its thread.

use std::{
    alloc::{GlobalAlloc, Layout, System},
    cell::Cell,
};

use bayline::protocol::{Decoded, Engine, Example, Library, RequestId};

/// The system's allocator, counting.
struct Counting;

thread_local! {
    static ALLOCATIONS: Cell<u64> = const { Cell::new(0) };
    static HELD: Cell<i64> = const { Cell::new(0) };
}

fn count(allocations: u64, bytes: i64) {
    // Not counted where the thread is ending: nothing is measured then.
    let _ = ALLOCATIONS.try_with(|all| all.set(all.get() + allocations));
    let _ = HELD.try_with(|held| held.set(held.get() + bytes));
}

// SAFETY: every call is handed to the system's allocator as it is; counting touches no memory of it.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(1, layout.size() as i64);
        // SAFETY: the caller keeps the promises of `alloc`.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count(0, -(layout.size() as i64));
        // SAFETY: the caller keeps the promises of `dealloc`.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count(1, size as i64 - layout.size() as i64);
        // SAFETY: the caller keeps the promises of `realloc`.
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// A chunk as a port hands it over: frames are cut at its ends.
const CHUNK: usize = 61;

/// Pushes all good examples of a protocol, so many times.
fn push(engine: &mut Engine, examples: &[Vec<(Option<RequestId>, Vec<u8>)>], out: &mut Decoded, times: usize) {
    for _ in 0..times {
        for (request, bytes) in examples.iter().flatten() {
            engine.set_request(*request);
            for chunk in bytes.chunks(CHUNK) {
                out.clear();
                engine.push(chunk, out);
            }
        }
    }
}

#[test]
fn the_counter_counts() {
    let (allocations, held) = (ALLOCATIONS.get(), HELD.get());
    let bytes = std::hint::black_box(vec![0u8; 100]);
    assert_eq!((ALLOCATIONS.get() - allocations, HELD.get() - held), (1, 100));
    drop(bytes);
    assert_eq!(HELD.get(), held);
}

#[test]
fn no_protocol_allocates_for_a_frame() {
    let library = Library::default();
    for listed in library.all().0 {
        let protocol = library.find(&listed.name).unwrap();
        let is_good = |example: &&Example| example.refused.is_none() && !example.after_connecting;
        let pieces =
            |example: &Example| example.pieces.iter().map(|piece| (piece.request, piece.bytes.clone())).collect();
        let examples: Vec<_> = protocol.examples().iter().filter(is_good).map(pieces).collect();
        let (mut engine, mut out) = (Engine::new(protocol), Decoded::default());
        push(&mut engine, &examples, &mut out, 20);
        let (before, frames) = (ALLOCATIONS.get(), engine.counts().frames);
        push(&mut engine, &examples, &mut out, 1000);
        let (allocations, frames) = (ALLOCATIONS.get() - before, engine.counts().frames - frames);
        assert!(frames >= 1000, "{}: {frames} frames", listed.name);
        assert_eq!(allocations, 0, "{}: {allocations} allocations for {frames} frames", listed.name);
    }
}

#[test]
fn damage_leaves_no_memory_behind() {
    let library = Library::default();
    for listed in library.all().0 {
        let protocol = library.find(&listed.name).unwrap();
        let is_bad = |example: &&Example| example.refused.is_some() && !example.after_connecting;
        let pieces =
            |example: &Example| example.pieces.iter().map(|piece| (piece.request, piece.bytes.clone())).collect();
        let examples: Vec<_> = protocol.examples().iter().filter(is_bad).map(pieces).collect();
        let (mut engine, mut out) = (Engine::new(protocol), Decoded::default());
        push(&mut engine, &examples, &mut out, 100);
        let (held, problems) = (HELD.get(), engine.counts().all_problems());
        push(&mut engine, &examples, &mut out, 1000);
        assert!(engine.counts().all_problems() - problems >= 500, "{}", listed.name);
        assert_eq!(HELD.get(), held, "{}", listed.name);
    }
}
