//! Threads for what computes and does not wait.
//!
//! A search never waits for the disk to have written something, so more threads than a few for each
//! core gain nothing: they take the cores from each other, and stand in each other's way. More than
//! one for each core there are, so that a search that goes through much does not hold up all others.
//! What waits for commits is not run here.

use std::sync::LazyLock;

use rayon::{ThreadPool, ThreadPoolBuildError, ThreadPoolBuilder};
use tokio::sync::oneshot;

use crate::error::Error;

/// Threads for each core.
const FOR_EACH_CORE: usize = 4;

static POOL: LazyLock<Result<ThreadPool, ThreadPoolBuildError>> = LazyLock::new(|| {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    ThreadPoolBuilder::new()
        .num_threads(cores.saturating_mul(FOR_EACH_CORE))
        .thread_name(|number| format!("search-{number}"))
        // The panic hook has told of it; who waits for the answer finds that there is none.
        .panic_handler(|_| {})
        .build()
});

/// Runs the work there.
///
/// # Errors
/// Those of the work; [`Error::Internal`] when it panicked, or there are no threads.
pub(super) async fn compute<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Error> + Send + 'static,
) -> Result<T, Error> {
    let pool = POOL.as_ref().map_err(|error| Error::Internal(error.to_string().into()))?;
    let (answer, answered) = oneshot::channel();
    pool.spawn(move || {
        // A client that has gone need not be told.
        let _gone = answer.send(work());
    });
    answered.await.map_err(|error| Error::Internal(Box::new(error)))?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[actix_web::test]
    async fn a_panic_is_an_error_and_the_pool_goes_on() {
        let broken = compute(|| {
            let nothing: Option<u8> = std::hint::black_box(None);
            Ok(nothing.unwrap())
        });
        assert!(matches!(broken.await, Err(Error::Internal(_))));
        assert_eq!(compute(|| Ok(7)).await.unwrap(), 7);
    }
}
