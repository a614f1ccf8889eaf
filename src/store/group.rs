//! Group commit: many writers share one flush to disk.
//!
//! One thread applies the batches that wait, in order, then asks the engine once to make them all
//! durable, then answers every writer. While the disk works, the next group gathers.
//! After a flush that failed nothing is known about the disk any more, so every later commit is
//! refused until the store is opened anew.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;

use tokio::sync::watch;

use super::{Batch, Error, Seq};

/// How many batches share one flush at most, so that the first of them does not wait for long.
const GROUP: usize = 256;

/// What a backend does under group commit.
pub(super) trait Engine: Send + 'static {
    /// Checks the expectations and writes the batch, visible at once, durable later.
    fn apply(&mut self, batch: &Batch) -> Result<Seq, Error>;

    /// Makes all that was applied durable.
    fn sync(&mut self) -> Result<(), Error>;
}

/// A thread that commits for an engine.
pub(super) struct GroupCommit {
    waiting: Option<Sender<Waiting>>,
    thread: Option<JoinHandle<()>>,
    head: watch::Receiver<Seq>,
}

struct Waiting {
    batch: Batch,
    answer: Sender<Result<Seq, Error>>,
}

impl GroupCommit {
    /// Starts the thread; `head` is the number of the last commit on disk.
    pub(super) fn start(engine: impl Engine, head: Seq) -> Result<Self, Error> {
        let (waiting, arrivals) = channel();
        let (publish, head) = watch::channel(head);
        let mut committer = Committer { engine, publish, stopped: false };
        let thread = std::thread::Builder::new()
            .name("store-commit".to_owned())
            .spawn(move || committer.run(&arrivals))
            .map_err(|error| Error::Engine(error.into()))?;
        Ok(Self { waiting: Some(waiting), thread: Some(thread), head })
    }

    /// Hands the batch over and waits until it is durable.
    pub(super) fn commit(&self, batch: Batch) -> Result<Seq, Error> {
        let (answer, answered) = channel();
        let gone = || Error::Engine("the committing thread has ended".into());
        let waiting = self.waiting.as_ref().ok_or_else(gone)?;
        waiting.send(Waiting { batch, answer }).map_err(|_| gone())?;
        answered.recv().map_err(|_| gone())?
    }

    pub(super) fn head(&self) -> watch::Receiver<Seq> {
        self.head.clone()
    }
}

impl Drop for GroupCommit {
    fn drop(&mut self) {
        self.waiting = None;
        if let Some(thread) = self.thread.take() {
            // A panic there has been reported by the panic hook; there is nobody left to tell.
            let _ended = thread.join();
        }
    }
}

struct Committer<E> {
    engine: E,
    publish: watch::Sender<Seq>,
    stopped: bool,
}

impl<E: Engine> Committer<E> {
    fn run(&mut self, arrivals: &Receiver<Waiting>) {
        while let Ok(first) = arrivals.recv() {
            let group = std::iter::once(first).chain(arrivals.try_iter()).take(GROUP).collect();
            self.commit_group(group);
        }
    }

    fn commit_group(&mut self, group: Vec<Waiting>) {
        let mut applied = Vec::with_capacity(group.len());
        for Waiting { batch, answer } in group {
            applied.push((self.apply(&batch), answer));
        }
        let last = applied.iter().filter_map(|(result, _)| result.as_ref().ok()).max().copied();
        let durable = match last {
            Some(last) => self.sync(last),
            None => true,
        };
        for (result, answer) in applied {
            let result = if durable { result } else { result.and_then(|_| Err(stopped())) };
            // A writer that no longer waits has nothing to be told.
            let _unheard = answer.send(result);
        }
    }

    fn apply(&mut self, batch: &Batch) -> Result<Seq, Error> {
        if self.stopped {
            return Err(stopped());
        }
        self.engine.apply(batch)
    }

    fn sync(&mut self, last: Seq) -> bool {
        match self.engine.sync() {
            Ok(()) => {
                self.publish.send_replace(last);
                true
            }
            Err(error) => {
                tracing::error!(error = ?error, "store.sync failed; no more writes are accepted");
                self.stopped = true;
                false
            }
        }
    }
}

fn stopped() -> Error {
    Error::Engine("the disk failed earlier; open the store anew".into())
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

    use super::*;

    #[derive(Clone, Default)]
    struct Counting {
        applied: Arc<AtomicU64>,
        synced: Arc<AtomicU64>,
        syncs: Arc<AtomicU64>,
        broken: Arc<AtomicBool>,
    }

    impl Engine for Counting {
        fn apply(&mut self, _: &Batch) -> Result<Seq, Error> {
            Ok(self.applied.fetch_add(1, Ordering::SeqCst) + 1)
        }

        fn sync(&mut self) -> Result<(), Error> {
            // Long enough for the other writers to queue up behind.
            std::thread::sleep(std::time::Duration::from_millis(2));
            if self.broken.load(Ordering::SeqCst) {
                return Err(Error::Engine("broken".into()));
            }
            self.synced.store(self.applied.load(Ordering::SeqCst), Ordering::SeqCst);
            self.syncs.fetch_add(1, Ordering::SeqCst);
            Ok(())
        }
    }

    #[test]
    fn writers_share_syncs_and_none_is_answered_before_one() {
        let engine = Counting::default();
        let group = GroupCommit::start(engine.clone(), 0).unwrap();
        std::thread::scope(|scope| {
            for _ in 0..16 {
                scope.spawn(|| {
                    for _ in 0..20 {
                        let seq = group.commit(Batch::default()).unwrap();
                        assert!(engine.synced.load(Ordering::SeqCst) >= seq);
                    }
                });
            }
        });
        assert_eq!(*group.head().borrow(), 320);
        let syncs = engine.syncs.load(Ordering::SeqCst);
        assert!(syncs < 160, "320 commits took {syncs} syncs");
    }

    #[test]
    fn after_a_failed_sync_nothing_is_acknowledged() {
        let engine = Counting::default();
        let group = GroupCommit::start(engine.clone(), 0).unwrap();
        group.commit(Batch::default()).unwrap();
        engine.broken.store(true, Ordering::SeqCst);
        assert!(group.commit(Batch::default()).is_err());
        engine.broken.store(false, Ordering::SeqCst);
        assert!(group.commit(Batch::default()).is_err());
        assert_eq!(*group.head().borrow(), 1);
    }
}
