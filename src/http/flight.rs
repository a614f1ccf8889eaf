//! The work that may write: an export as of a moment waits for those that came before it.
//!
//! A write bears the time of its request, and reaches the disk later. What was current at a moment can
//! be told only when no request is at work any more that came by then.

use std::collections::BTreeMap;
use std::sync::{LazyLock, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant as Moment};

use crate::fhir::Instant;

/// The work at hand, by the order in which they came.
#[derive(Default)]
pub(super) struct Flights {
    inner: Mutex<Inner>,
}

#[derive(Default)]
struct Inner {
    next: u64,
    at_work: BTreeMap<u64, Instant>,
}

/// How long is waited for requests at most.
const LONGEST: Duration = Duration::from_mins(5);
/// How often is looked.
const OFTEN: Duration = Duration::from_millis(20);

/// Those of this process.
pub(super) static FLIGHTS: LazyLock<Flights> = LazyLock::new(Flights::default);

/// One piece of work; it is done when this is dropped.
pub(super) struct Flight<'a> {
    flights: &'a Flights,
    number: u64,
}

impl Flights {
    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Work that begins at that time.
    pub(super) fn begin(&self, at: Instant) -> Flight<'_> {
        let mut inner = self.inner();
        let number = inner.next;
        inner.next += 1;
        inner.at_work.insert(number, at);
        Flight { flights: self, number }
    }

    /// Waits until no request is at work that came by that moment; false if that takes too long.
    pub(super) fn settled(&self, moment: Instant) -> bool {
        let begun = Moment::now();
        while self.inner().at_work.values().any(|at| *at <= moment) {
            if begun.elapsed() > LONGEST {
                return false;
            }
            std::thread::sleep(OFTEN);
        }
        true
    }
}

impl Drop for Flight<'_> {
    fn drop(&mut self) {
        self.flights.inner().at_work.remove(&self.number);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_before_is_waited_for_and_what_came_after_is_not() {
        static FLIGHTS: LazyLock<Flights> = LazyLock::new(Flights::default);
        let flights = &*FLIGHTS;
        let at = Instant::from_millis;
        let before = flights.begin(at(10));
        let _after = flights.begin(at(11));
        assert!(flights.settled(at(9)));
        let waiting = std::thread::spawn(move || flights.settled(at(10)));
        assert!(!waiting.is_finished());
        drop(before);
        assert!(waiting.join().unwrap());
    }
}
