//! The thread that keeps the facts of episodes near the last commit, and saves them.
//!
//! It waits until writers pause, so that an episode that is written in many commits is computed once,
//! but not for long.

use std::sync::Weak;
use std::time::{Duration, Instant};

use super::{By, ROWS, locked, save};
use crate::app::App;
use crate::error::Error;
use crate::store::Seq;

/// How often it looks whether there is anything to do.
const LOOK: Duration = Duration::from_millis(250);
/// How long it waits while others write.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long it waits after a failure.
const AGAIN: Duration = Duration::from_secs(10);
/// How many commits may come before it is saved that none of them touched an episode.
const UNSAVED: u64 = 10_000;

/// Follows the commits until the application ends.
pub fn follow(app: &Weak<App>) {
    let mut pace = Pace::default();
    let mut more = false;
    loop {
        if !more {
            std::thread::sleep(LOOK);
        }
        // Held for one step only, so that the application can end meanwhile.
        let Some(app) = app.upgrade() else { return };
        if !app.held().rules.pending().is_empty() {
            // What belongs to an episode cannot be found before its rows are made.
            more = false;
            continue;
        }
        let head = *app.store.head().borrow();
        if !more && !pace.is_due(head, Instant::now()) {
            continue;
        }
        more = match step(&app) {
            Ok(more) => more,
            Err(error) => {
                tracing::warn!(cause = ?error, "the facts of episodes are not up to date");
                pace.wait(Instant::now());
                false
            }
        };
    }
}

/// When the next step is due.
#[derive(Default)]
struct Pace {
    /// The last commit that was followed.
    done: Option<Seq>,
    /// The last commit that was seen, and when the first since the last step was.
    seen: Option<(Seq, Instant)>,
    not_before: Option<Instant>,
}

impl Pace {
    /// Whether there is something to do: something was written, and nothing more since the last
    /// look, or for long enough.
    fn is_due(&mut self, head: Seq, now: Instant) -> bool {
        if self.done == Some(head) || self.not_before.is_some_and(|until| now < until) {
            return false;
        }
        let (last, since) = self.seen.unwrap_or((head, now));
        let is_first = self.seen.is_none() && self.done.is_some();
        let is_quiet = last == head && !is_first;
        if is_quiet || now.duration_since(since) >= PATIENCE {
            *self = Self { done: Some(head), ..Self::default() };
            return true;
        }
        self.seen = Some((head, since));
        false
    }

    fn wait(&mut self, now: Instant) {
        *self = Self { not_before: Some(now + AGAIN), ..Self::default() };
    }
}

/// Looks through the next commits and computes the next episodes; whether there is more to do.
fn step(app: &App) -> Result<bool, Error> {
    let by = By::of(app);
    let mut ledger = locked(app);
    let is_done = {
        let view = app.store.view()?;
        by.follow(&mut ledger, &*view)?;
        by.compute(&mut ledger, &*view)?;
        by.is_current(&ledger, &*view)
    };
    let unsaved = ledger.count_unsaved();
    let is_due = if is_done { unsaved > 0 } else { unsaved >= ROWS };
    if is_due || ledger.commits_unsaved() > UNSAVED {
        save(app, &mut ledger)?;
    }
    Ok(!is_done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_waits_for_a_pause_but_not_for_ever() {
        let start = Instant::now();
        let after = |millis| start + Duration::from_millis(millis);
        let mut pace = Pace::default();
        assert!(pace.is_due(5, start), "what is there at the start");
        assert!(!pace.is_due(5, after(250)), "nothing was written");
        assert!(!pace.is_due(6, after(500)), "more may come");
        assert!(!pace.is_due(7, after(750)));
        assert!(pace.is_due(7, after(1000)), "a pause");
        let mut at = 1000;
        while !pace.is_due(at, after(at)) {
            at += 250;
        }
        assert_eq!(at, 1000 + 10_000, "others write all the time");
        pace.wait(after(at));
        assert!(!pace.is_due(at + 1, after(at + 9_999)));
        assert!(pace.is_due(at + 1, after(at + 10_000)));
    }
}
