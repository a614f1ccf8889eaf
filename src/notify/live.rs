//! The subscriptions that events are counted for, as the worker has them in memory.

use std::collections::BTreeMap;

use crate::app::App;
use crate::fhir::{Id, Instant, ResourceType, VersionId};
use crate::interaction::subscription::channels;
use crate::notify::Fault;
use crate::notify::deliver::{Job, Sent};
use crate::repository::notice::{self, Progress, Subscriber};
use crate::repository::{self, Stored, key, read};
use crate::store::{Batch, Seq, View};
use crate::subscription::{self, Status, Subscription, TYPE};

/// What the worker knows.
#[derive(Default)]
pub(super) struct Worker {
    /// Whether that was read from the store.
    begun: bool,
    /// The commit up to which the feed is read.
    pub(super) cursor: Seq,
    /// The same as it is stored.
    pub(super) saved: Seq,
    /// The subscriptions that events are counted for.
    pub(super) live: BTreeMap<Id, Live>,
    /// How many there ever were.
    tickets: u64,
}

/// A subscription that events are counted for.
pub(super) struct Live {
    /// What tells it from another under the same id.
    pub(super) ticket: u64,
    /// The version of the resource.
    pub(super) version: VersionId,
    /// What it asks for.
    pub(super) asked: Subscription,
    /// Whose it is.
    pub(super) subscriber: Subscriber,
    /// How far it is.
    pub(super) progress: Progress,
    /// Whether something is being sent.
    pub(super) busy: bool,
    /// When something may be sent next, in milliseconds since the epoch.
    pub(super) due: i64,
}

/// The type of the resources.
pub(super) fn kind() -> Result<ResourceType, Fault> {
    Ok(ResourceType::parse(TYPE).ok_or(crate::error::Error::UnknownType)?)
}

impl Worker {
    /// Does what is to be done now: what came of a notification, the feed, what is due. Answers with
    /// what is to be sent, and when to look again, in milliseconds since the epoch.
    pub(super) fn work(
        &mut self,
        app: &App,
        base: &str,
        sent: Option<Sent>,
        now: Instant,
    ) -> Result<(Vec<Job>, i64), Fault> {
        if !self.begun {
            self.begin(app)?;
        }
        if let Some(sent) = sent {
            self.done(app, sent, now)?;
        }
        let more = self.turn(app)?;
        let (jobs, wake) = self.due(app, base, now)?;
        Ok((jobs, if more { now.millis() } else { wake }))
    }

    /// Reads from the store what it knew before.
    fn begin(&mut self, app: &App) -> Result<(), Fault> {
        let view = app.store.view()?;
        let kind = kind()?;
        let saved = notice::cursor(&*view)?;
        let mut unbegun: Option<Seq> = None;
        for row in view.scan(key::current_range(kind)) {
            let row = row?;
            let (_, is_deleted) = read::parse_current(&row.value)?;
            let Some(id) = key::current_id(&row.key).filter(|_| !is_deleted) else { continue };
            let Some((stored, asked)) = wanted(app, &*view, &id)? else { continue };
            match notice::progress(&*view, &id)? {
                Some(progress) if progress.live => {
                    self.put(&*view, id, (&stored, asked), progress)?;
                }
                _ => {
                    let first = repository::version(&*view, kind, &id, VersionId(1))?;
                    let seq = first.map_or(stored.seq, |first| first.seq);
                    unbegun = Some(unbegun.map_or(seq, |least| least.min(seq)));
                }
            }
        }
        let before = unbegun.map(|seq| seq.saturating_sub(1));
        self.cursor = match (saved, before) {
            (None, None) => *app.store.head().borrow(),
            (Some(_), None) if self.live.is_empty() => *app.store.head().borrow(),
            (Some(saved), _) => saved,
            (None, Some(before)) => before,
        };
        self.saved = self.cursor;
        self.begun = true;
        Ok(())
    }

    /// Takes in a subscription as it is stored, or lets go of one.
    pub(super) fn reload(
        &mut self,
        app: &App,
        view: &dyn View,
        batch: &mut Batch,
        id: Id,
    ) -> Result<(), Fault> {
        let known = notice::progress(view, &id)?;
        let Some((stored, asked)) = wanted(app, view, &id)? else {
            let before = self.live.remove(&id).map(|live| live.progress).or(known);
            let is_gone = repository::current(view, kind()?, &id)?.is_none_or(|s| s.body.is_none());
            let Some(progress) = before else { return Ok(()) };
            if is_gone {
                let is_own = |key: &[u8]| {
                    key.first() == Some(&key::NOTICE)
                        && key::subscription(key).as_ref() == Some(&id)
                };
                batch.writes.retain(|(key, _)| !is_own(key));
                for row in view.scan(key::notices(&id, 0)) {
                    batch.writes.push((row?.key, None));
                }
                batch.writes.push((key::of_subscription(key::PROGRESS, &id), None));
            } else {
                notice::proceed(batch, &id, &Progress { live: false, ..progress });
            }
            return Ok(());
        };
        let progress = match self.live.get(&id) {
            Some(live) => live.progress,
            None => Progress {
                live: true,
                ..known.unwrap_or(Progress { first: 1, ..Progress::default() })
            },
        };
        // Who asks anew is tried anew.
        let failures = if asked.status == Status::Requested { 0 } else { progress.failures };
        let progress = Progress { failures, ..progress };
        notice::proceed(batch, &id, &progress);
        self.put(view, id, (&stored, asked), progress)
    }

    fn put(
        &mut self,
        view: &dyn View,
        id: Id,
        (stored, asked): (&Stored, Subscription),
        progress: Progress,
    ) -> Result<(), Fault> {
        let subscriber = notice::subscriber(view, &id)?;
        let subscriber = subscriber.unwrap_or(Subscriber { client: None, scope: String::new() });
        let version = stored.version;
        if let Some(live) = self.live.get_mut(&id) {
            let due = if asked.status == Status::Requested { 0 } else { live.due };
            let (ticket, busy) = (live.ticket, live.busy);
            *live = Live { ticket, version, asked, subscriber, progress, busy, due };
        } else {
            self.tickets += 1;
            let (ticket, busy, due) = (self.tickets, false, 0);
            let live = Live { ticket, version, asked, subscriber, progress, busy, due };
            self.live.insert(id, live);
        }
        Ok(())
    }
}

/// The subscription as it is stored, if it is one whose events count.
fn wanted(app: &App, view: &dyn View, id: &Id) -> Result<Option<(Stored, Subscription)>, Fault> {
    let Some(stored) = repository::current(view, kind()?, id)? else { return Ok(None) };
    let Some(content) = stored.content()? else { return Ok(None) };
    let held = app.held();
    // What was stored without being held to the rules, or by other settings, asks for nothing.
    let asked = subscription::read(&held.rules, Some(channels(&app.config)), content.value()).ok();
    Ok(asked.filter(|asked| asked.status != Status::Off).map(|asked| (stored, asked)))
}
