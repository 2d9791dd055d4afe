//! Work that a clock ends.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// From one look at the clock to the next.
const LOOK: Duration = Duration::from_millis(20);

/// Does work whose flag is raised at that instant, or when the user interrupts.
pub(super) fn until<T>(end: Instant, interrupted: &AtomicBool, work: impl FnOnce(&AtomicBool) -> T) -> T {
    let (stop, is_done) = (AtomicBool::new(false), AtomicBool::new(false));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !is_done.load(Ordering::Relaxed) {
                if interrupted.load(Ordering::Relaxed) || Instant::now() >= end {
                    stop.store(true, Ordering::Relaxed);
                    return;
                }
                std::thread::sleep(LOOK);
            }
        });
        let done = work(&stop);
        is_done.store(true, Ordering::Relaxed);
        done
    })
}
