//! A folder in a browser: what it holds, sweeps as they grow, and a form that changes a setting and asks again.
//!
//! ```text
//! guard    who is let in            folder   what there is
//! jobs     what is being asked      pages, asking   what is shown
//! handlers an address, its answer
//! ```
//!
//! Addresses are served by one thread that never waits for a disk or a simulation: pages are made on threads of their own,
//! and one further thread takes jobs. Nothing in the folder is ever written.

mod asking;
mod folder;
mod guard;
mod handlers;
mod jobs;
mod pages;

use std::future::IntoFuture;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

pub use folder::Folder;
use guard::Guard;
use jobs::Jobs;

/// From one look at the flag of interruption to the next.
const LOOK: Duration = Duration::from_millis(50);
/// How long open connections, the job that runs and pages in the making may take to end, each.
const LAST: Duration = Duration::from_millis(500);

/// What all requests share.
struct Server {
    folder: Folder,
    guard: Guard,
    jobs: Jobs,
}

/// Serves a folder until `interrupted` is raised; then stops what runs, and returns soon.
///
/// # Errors
/// The system gives no threads, sockets or random bytes.
pub fn serve(listener: TcpListener, folder: Folder, interrupted: &Arc<AtomicBool>) -> Result<(), String> {
    let words = |error: std::io::Error| format!("the system refuses to serve: {error}");
    let guard = Guard::new(listener.local_addr().map_err(words)?)?;
    listener.set_nonblocking(true).map_err(words)?;
    let server = Arc::new(Server { folder, guard, jobs: Jobs::default() });
    let worker = Arc::clone(&server);
    std::thread::Builder::new().name("jobs".into()).spawn(move || worker.jobs.work()).map_err(words)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(words)?;
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::from_std(listener).map_err(words)?;
        let ending = raised(Arc::clone(interrupted));
        let all = axum::serve(listener, handlers::router(Arc::clone(&server))).with_graceful_shutdown(ending);
        let all = tokio::spawn(all.into_future());
        raised(Arc::clone(interrupted)).await;
        // A browser may hold a connection open for as long as it likes: it is not waited for.
        let _ = tokio::time::timeout(LAST, all).await;
        Ok::<(), String>(())
    })?;
    server.jobs.close(LAST);
    runtime.shutdown_timeout(LAST);
    Ok(())
}

async fn raised(flag: Arc<AtomicBool>) {
    while !flag.load(Ordering::Relaxed) {
        tokio::time::sleep(LOOK).await;
    }
}
