//! Notifications: what subscribers are told, after the commit and never before it.
//!
//! One thread follows the feed. It gives each event of a subscription its number, in the order of
//! commits, and stores that together with how far the feed is read; so an event has one number and is
//! never lost, whenever the process ends. It sends to each subscriber one notification after the other
//! and stores what was taken; what was sent and not stored is sent again. So each is delivered at least
//! once, and in order. Subscribers do not wait for one another.
//!
//! What the client of a subscription may see is asked anew for each event and each notification.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/channels.html#rest-hook>,
//! <http://hl7.org/fhir/uv/subscriptions-backport/errors.html>.

mod consistency;
mod deliver;
mod live;
mod sight;
mod turn;

use std::sync::{Arc, Weak};
use std::time::Duration;

use tokio::task::JoinSet;

use crate::app::App;
use crate::error::Error;
use crate::fhir::Instant;
use crate::outbound::Outbound;
use deliver::Sent;
use live::Worker;

/// What the thread needs beside the application.
pub struct Setting {
    /// The base URL of the server, as subscribers see it.
    pub base: String,
    /// The clock.
    pub clock: fn() -> Instant,
}

/// How long to wait after a failure of the store, in milliseconds.
const AFTER_FAILURE: i64 = 1000;
/// The longest time without a look at what is due, in milliseconds.
const LONGEST: i64 = 60_000;

/// Why a turn came to nothing.
#[derive(Debug, thiserror::Error)]
enum Fault {
    /// The store failed, or what is stored is damaged.
    #[error(transparent)]
    Failed(#[from] Error),
}

impl From<crate::repository::Error> for Fault {
    fn from(error: crate::repository::Error) -> Self {
        Self::Failed(error.into())
    }
}

impl From<crate::store::Error> for Fault {
    fn from(error: crate::store::Error) -> Self {
        Self::Failed(error.into())
    }
}

impl From<crate::search::Error> for Fault {
    fn from(error: crate::search::Error) -> Self {
        Self::Failed(error.into())
    }
}

/// Follows the feed and tells subscribers, until the application is gone.
pub async fn follow(app: Weak<App>, setting: Setting) {
    let begun = app.upgrade().map(|app| {
        let calls = Outbound::new(&app.config.outbound, app.config.outbound_private);
        (app.store.head(), calls)
    });
    let (mut head, calls) = match begun {
        Some((head, Ok(calls))) => (head, Arc::new(calls)),
        Some((_, Err(error))) => return tracing::error!(%error, "no notifications"),
        None => return,
    };
    let mut worker = Worker::default();
    let mut sending: JoinSet<Sent> = JoinSet::new();
    let mut sent = None;
    loop {
        let now = (setting.clock)();
        let done = {
            let Some(app) = app.upgrade() else { return };
            worker.work(&app, &setting.base, sent.take(), now)
        };
        let wake = match done {
            Ok((jobs, wake)) => {
                for job in jobs {
                    let calls = Arc::clone(&calls);
                    sending.spawn(async move { job.send(&calls).await });
                }
                wake
            }
            Err(fault) => {
                tracing::error!(cause = ?fault, "notifications begin anew");
                sending.shutdown().await;
                worker = Worker::default();
                now.millis().saturating_add(AFTER_FAILURE)
            }
        };
        let pause = wake.saturating_sub(now.millis()).clamp(0, LONGEST);
        let pause = Duration::from_millis(u64::try_from(pause).unwrap_or_default());
        tokio::select! {
            changed = head.changed() => if changed.is_err() { return },
            Some(done) = sending.join_next() => sent = done.ok(),
            () = tokio::time::sleep(pause) => {}
        }
    }
}
