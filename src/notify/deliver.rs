//! From events to the subscriber: what is due, what is sent, what comes of it.
//!
//! What is not taken is tried again after a pause that doubles, a set number of times; then the
//! Subscription has the status error, its events go on being counted and are kept, and nothing is sent
//! until the client asks for it anew.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/errors.html>.

use std::time::Duration;

use crate::app::App;
use crate::fhir::{Id, Instant, VersionId};
use crate::interaction::subscription::set_status;
use crate::notify::Fault;
use crate::notify::live::{Live, Worker};
use crate::notify::sight::Sight;
use crate::outbound::{self, Outbound};
use crate::repository::notice;
use crate::store::Batch;
use crate::subscription::Status;
use crate::subscription::bundle::{self, About, Kind};

/// How many events are kept after they were delivered, for `$events`.
const KEPT: u64 = 10_000;
/// The longest pause between tries, in milliseconds.
const LONGEST: i64 = 15 * 60 * 1000;
/// How soon to look again at one that cannot be served now, in milliseconds.
const LATER: i64 = 60_000;

/// A notification to be sent.
pub(super) struct Job {
    id: Id,
    ticket: u64,
    version: VersionId,
    kind: Kind,
    /// The number of the last event that it tells.
    last: u64,
    url: String,
    headers: Vec<(String, String)>,
    body: Vec<u8>,
    within: Duration,
}

/// What came of a notification.
pub(super) struct Sent {
    id: Id,
    ticket: u64,
    version: VersionId,
    kind: Kind,
    last: u64,
    result: Result<(), String>,
}

/// What is due for a subscription.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Due {
    /// Its end has come.
    End,
    /// Something is to be sent.
    Send(Kind),
    /// Nothing before that time, in milliseconds since the epoch.
    Later(i64),
}

impl Job {
    /// Sends it.
    pub(super) async fn send(self, calls: &Outbound) -> Sent {
        let Self { id, ticket, version, kind, last, url, headers, body, within } = self;
        let result = calls.post(&url, &headers, body, within).await;
        Sent { id, ticket, version, kind, last, result: result.map_err(told) }
    }
}

/// The fault as the Subscription tells it: no address, no content.
fn told(error: outbound::Error) -> String {
    format!("A notification was not taken: {error}.")
}

impl Live {
    fn due(&self, now: Instant) -> Due {
        let now = now.millis();
        let end = self.asked.end.map_or(i64::MAX, Instant::millis);
        if end <= now {
            return Due::End;
        }
        if self.busy || self.asked.status == Status::Error || self.asked.status == Status::Off {
            return Due::Later(end);
        }
        if now < self.due {
            return Due::Later(self.due.min(end));
        }
        if self.asked.status == Status::Requested {
            return Due::Send(Kind::Handshake);
        }
        if self.progress.sent < self.progress.events {
            return Due::Send(Kind::EventNotification);
        }
        let period = self.asked.heartbeat.and_then(|seconds| i64::try_from(seconds).ok());
        let beat =
            period.map(|period| self.progress.contact.saturating_add(period.saturating_mul(1000)));
        match beat {
            Some(beat) if beat <= now => Due::Send(Kind::Heartbeat),
            beat => Due::Later(beat.unwrap_or(i64::MAX).min(end)),
        }
    }
}

impl Worker {
    /// What is to be sent now, and when to look again, in milliseconds since the epoch.
    pub(super) fn due(
        &mut self,
        app: &App,
        base: &str,
        now: Instant,
    ) -> Result<(Vec<Job>, i64), Fault> {
        let (mut jobs, mut wake) = (Vec::new(), i64::MAX);
        let mut ended = Vec::new();
        for (id, live) in &mut self.live {
            match live.due(now) {
                Due::End => ended.push(id.clone()),
                Due::Later(at) => wake = wake.min(at),
                Due::Send(kind) => match prepare(app, base, id, live, kind, now)? {
                    Prepared::Job(job) => {
                        live.busy = true;
                        jobs.push(job);
                    }
                    Prepared::Skip(last) => {
                        live.progress.sent = last;
                        wake = now.millis();
                    }
                    Prepared::Refused => {
                        live.due = now.millis().saturating_add(LATER);
                        let text =
                            "The client of the subscription is not registered for any of it.";
                        fail(app, id, live, text, now)?;
                    }
                },
            }
        }
        for id in ended {
            let live = self.live.remove(&id);
            if let Some(live) = live {
                set_status(app, &id, live.version, (Status::Off, None), now)?;
            }
        }
        Ok((jobs, wake))
    }

    /// Stores what came of a notification.
    pub(super) fn done(&mut self, app: &App, sent: Sent, now: Instant) -> Result<(), Fault> {
        let Some(live) = self.live.get_mut(&sent.id).filter(|live| live.ticket == sent.ticket)
        else {
            return Ok(());
        };
        live.busy = false;
        if sent.kind == Kind::Handshake && sent.version != live.version {
            // It has been written anew meanwhile, perhaps with another address: that is asked next.
            return Ok(());
        }
        match (sent.result, sent.kind) {
            (Ok(()), kind) => {
                let before = live.progress;
                live.progress.contact = now.millis();
                live.progress.failures = 0;
                live.due = 0;
                if kind == Kind::EventNotification {
                    live.progress.sent = live.progress.sent.max(sent.last);
                }
                // A heartbeat changes nothing that must outlive the process.
                if kind != Kind::Heartbeat || before.failures > 0 {
                    proceed(app, &sent.id, live)?;
                }
                let is_asked = kind == Kind::Handshake && live.asked.status == Status::Requested;
                if is_asked && set_status(app, &sent.id, live.version, (Status::Active, None), now)?
                {
                    live.asked.status = Status::Active;
                }
            }
            // An address that does not answer at once is not begun with.
            (Err(text), Kind::Handshake) => fail(app, &sent.id, live, &text, now)?,
            (Err(text), _) => {
                live.progress.failures = live.progress.failures.saturating_add(1);
                proceed(app, &sent.id, live)?;
                if live.progress.failures >= app.config.notify.notify_tries.get() {
                    return fail(app, &sent.id, live, &text, now);
                }
                let doubled = live.progress.failures.saturating_sub(1).min(20);
                let pause = i64::from(app.config.notify.notify_pause.get()) << doubled;
                live.due = now.millis().saturating_add(pause.min(LONGEST));
            }
        }
        Ok(())
    }
}

/// Gives the Subscription the status error.
fn fail(app: &App, id: &Id, live: &mut Live, text: &str, now: Instant) -> Result<(), Fault> {
    if set_status(app, id, live.version, (Status::Error, Some(text)), now)? {
        live.asked.status = Status::Error;
    }
    Ok(())
}

/// Stores how far the subscription is, and lets go of events that were delivered long ago.
fn proceed(app: &App, id: &Id, live: &mut Live) -> Result<(), Fault> {
    let mut batch = Batch::default();
    let kept = live.progress.sent.saturating_sub(KEPT).max(live.progress.first);
    notice::forget(&mut batch, id, live.progress.first..kept);
    live.progress.first = kept;
    notice::proceed(&mut batch, id, &live.progress);
    app.store.commit(batch)?;
    Ok(())
}

/// What a look at what is to be sent comes to.
enum Prepared {
    Job(Job),
    /// Of the events up to that number nothing may be seen any more.
    Skip(u64),
    /// Nothing at all may be seen.
    Refused,
}

fn prepare(
    app: &App,
    base: &str,
    id: &Id,
    live: &Live,
    kind: Kind,
    now: Instant,
) -> Result<Prepared, Fault> {
    let sight = Sight::of(app, &live.subscriber)?;
    let view = app.store.view()?;
    let Some(seen) = sight.over(app, &*view) else { return Ok(Prepared::Refused) };
    let (asked, progress) = (&live.asked, live.progress);
    let (events, last) = match kind {
        Kind::EventNotification => {
            let rules = &app.held().rules;
            let notices = notice::notices(&*view, id, progress.sent.saturating_add(1));
            let notices = notices.take_while(|notice| {
                notice.as_ref().map_or(true, |notice| notice.number <= progress.events)
            });
            let found = bundle::gather(&*seen, rules, asked, notices, asked.max_count)?;
            let last = found.last.unwrap_or(progress.events);
            if found.seen.is_empty() {
                return Ok(Prepared::Skip(last));
            }
            (found.seen, last)
        }
        _ => (Vec::new(), progress.events),
    };
    let about = About::of(base, id, asked, last);
    let body = bundle::bundle(&about, kind, &events, now)?.to_string().into_bytes();
    let content_type = ("Content-Type".to_owned(), asked.payload.clone());
    Ok(Prepared::Job(Job {
        id: id.clone(),
        ticket: live.ticket,
        version: live.version,
        kind,
        last,
        url: asked.endpoint.clone(),
        headers: asked.headers.iter().cloned().chain([content_type]).collect(),
        body,
        within: asked.timeout,
    }))
}
