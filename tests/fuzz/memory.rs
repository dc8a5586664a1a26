//! Counts what each thread allocates: an allocator for this test binary only, with the system's behind it.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

/// What a thread holds, the most it held, and all it ever asked for; in bytes.
#[derive(Clone, Copy)]
struct Count {
    held: isize,
    most: isize,
    total: usize,
}

thread_local! {
    // Made without code and dropped without code, so that the allocator may use it at any time.
    static COUNT: Cell<Count> = const { Cell::new(Count { held: 0, most: 0, total: 0 }) };
}

struct Counting;

#[global_allocator]
static COUNTING: Counting = Counting;

fn note(asked: usize, given_back: usize) {
    // A thread that ends may free after its count is gone.
    let _ = COUNT.try_with(|count| {
        let mut now = count.get();
        now.held += asked as isize;
        // What is moved to a larger place may be there twice for a moment.
        now.most = now.most.max(now.held);
        now.held -= given_back as isize;
        now.total += asked;
        count.set(now);
    });
}

// SAFETY: every call goes to the system's allocator as it came; counting neither allocates nor touches the memory.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        note(layout.size(), 0);
        // SAFETY: what holds for this call holds for that one.
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        note(layout.size(), 0);
        // SAFETY: what holds for this call holds for that one.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, at: *mut u8, layout: Layout, n_bytes: usize) -> *mut u8 {
        note(n_bytes, layout.size());
        // SAFETY: what holds for this call holds for that one.
        unsafe { System.realloc(at, layout, n_bytes) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        note(0, layout.size());
        // SAFETY: what holds for this call holds for that one.
        unsafe { System.dealloc(at, layout) }
    }
}

/// What some work took, in bytes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Used {
    /// The most that was allocated at any one time, above what was there before.
    pub most: usize,
    /// All that was allocated, one after the other. What is too slow for its input mostly allocates too much as well.
    pub total: usize,
}

/// What this thread allocates during `work`.
pub fn measured<T>(work: impl FnOnce() -> T) -> (T, Used) {
    let before = COUNT.get();
    COUNT.set(Count {
        most: before.held,
        ..before
    });
    let done = work();
    let after = COUNT.get();
    let used = Used {
        most: (after.most - before.held).max(0) as usize,
        total: after.total - before.total,
    };
    COUNT.set(Count {
        most: after.most.max(before.most),
        ..after
    });
    (done, used)
}

#[test]
fn allocations_are_counted() {
    let (_, used) = measured(|| {
        let first: Vec<u8> = Vec::with_capacity(1000);
        drop(first);
        let second: Vec<u8> = Vec::with_capacity(3000);
        drop(std::hint::black_box(second));
    });
    assert_eq!((used.most, used.total), (3000, 4000));
    let (_, used) = measured(|| {
        let mut grown: Vec<u8> = Vec::with_capacity(1000);
        grown.push(1);
        grown.reserve_exact(4999);
        std::hint::black_box(&grown);
    });
    assert_eq!(used.most, 6000, "old and new place at once");
    let (_, used) = measured(|| ());
    assert_eq!(used, Used::default());
}
