//! From the feed to events: which commits concern which subscriptions, in the order of commits.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::app::{App, Held};
use crate::fhir::{Id, Instant, Resource, VersionId};
use crate::notify::Fault;
use crate::notify::consistency;
use crate::notify::live::{Live, Worker};
use crate::notify::sight::Sight;
use crate::repository::notice::{self, Notice};
use crate::repository::{self, Event, Stored, Told, feed};
use crate::store::{Batch, Seq, View};
use crate::subscription::{Change, FINDING, TYPE};

/// How many commits one turn reads at most, and after how many events it ends.
const COMMITS: usize = 500;
const EVENTS: usize = 500;
/// After how many commits it is stored how far the feed is read, where none was an event.
const UNSAVED: Seq = 1000;

/// One turn: a view, and what each subscriber sees of it.
struct Turn<'v> {
    app: &'v App,
    held: Arc<Held>,
    view: &'v dyn View,
    sights: BTreeMap<Id, Option<Box<dyn View + 'v>>>,
    batch: Batch,
    events: usize,
    changed: BTreeSet<Id>,
    /// Episodes of whose record something has changed: by which commit last, and when.
    touched: BTreeMap<Id, (Seq, Instant)>,
}

impl Worker {
    /// Reads on in the feed; whether there is more.
    pub(super) fn turn(&mut self, app: &App) -> Result<bool, Fault> {
        // What a view shows beyond this is not on disk yet.
        let head = *app.store.head().borrow();
        if self.cursor >= head {
            return Ok(false);
        }
        let (batch, cursor) = {
            let view = app.store.view()?;
            let mut turn = Turn {
                app,
                held: app.held(),
                view: &*view,
                sights: BTreeMap::new(),
                batch: Batch::default(),
                events: 0,
                changed: BTreeSet::new(),
                touched: BTreeMap::new(),
            };
            let cursor = turn.read(self, head)?;
            turn.find(self, cursor)?;
            for id in std::mem::take(&mut turn.changed) {
                if let Some(live) = self.live.get(&id) {
                    notice::proceed(&mut turn.batch, &id, &live.progress);
                }
            }
            (turn.batch, cursor)
        };
        self.cursor = cursor;
        let is_far = !self.live.is_empty() && cursor.saturating_sub(self.saved) >= UNSAVED;
        if !batch.writes.is_empty() || is_far {
            let mut batch = batch;
            notice::read_to(&mut batch, cursor);
            app.store.commit(batch)?;
            self.saved = cursor;
        }
        Ok(cursor < head)
    }
}

impl Turn<'_> {
    /// Reads commits up to that one, as many as go into a turn; answers with the last that was read.
    fn read(&mut self, worker: &mut Worker, head: Seq) -> Result<Seq, Fault> {
        for (count, event) in feed::after(self.view, worker.cursor).enumerate() {
            let event = event?;
            if event.seq > head {
                return Ok(head);
            }
            let seq = event.seq;
            self.commit(worker, &event)?;
            if count + 1 >= COMMITS || self.events >= EVENTS {
                return Ok(seq);
            }
        }
        Ok(head)
    }

    /// What one commit tells whom.
    fn commit(&mut self, worker: &mut Worker, event: &Event) -> Result<(), Fault> {
        let (own, others): (Vec<&Told>, Vec<&Told>) =
            event.changes.iter().partition(|told| told.kind.as_str() == TYPE);
        for told in others {
            self.change(worker, event.seq, told)?;
        }
        // A subscription is for what comes after it.
        for told in own {
            let id = told.id.clone();
            self.changed.remove(&id);
            self.sights.remove(&id);
            if let Some(live) = worker.live.get(&id) {
                notice::proceed(&mut self.batch, &id, &live.progress);
            }
            worker.reload(self.app, self.view, &mut self.batch, id)?;
        }
        Ok(())
    }

    fn change(&mut self, worker: &mut Worker, seq: Seq, told: &Told) -> Result<(), Fault> {
        let finds = |live: &Live| live.asked.topic.has_event(FINDING);
        let is_meant = |live: &Live| live.asked.topic.is_about(told.kind);
        let (mut concerned, mut finding) = (false, false);
        for live in worker.live.values() {
            concerned |= is_meant(live);
            finding |= finds(live);
        }
        if !concerned && !finding {
            return Ok(());
        }
        let Some(after) = repository::version(self.view, told.kind, &told.id, told.version)? else {
            return Ok(());
        };
        let before = match told.version.0.checked_sub(1).filter(|number| *number > 0) {
            Some(number) => repository::version(self.view, told.kind, &told.id, VersionId(number))?,
            None => None,
        };
        let content = |stored: Option<&Stored>| -> Result<Option<Resource>, Fault> {
            Ok(stored.map(Stored::content).transpose()?.flatten())
        };
        let (then, now) = (content(before.as_ref())?, content(Some(&after))?);
        if finding {
            for content in [&then, &now].into_iter().flatten() {
                for id in consistency::episodes(self.view, content)? {
                    self.touched.insert(id, (seq, after.last_updated));
                }
            }
        }
        let held = Arc::clone(&self.held);
        let change = Change::new(&held.rules, &told.id, then.as_ref(), now.as_ref());
        for (id, live) in worker.live.iter_mut().filter(|(_, live)| is_meant(live)) {
            if change.is_event(self.view, &live.asked)? && self.is_seen(id, live, told)? {
                let made = true;
                self.tell(id, live, (told, seq, after.last_updated, made));
            }
        }
        Ok(())
    }

    /// Whether the subscriber may see that version.
    fn is_seen(&mut self, id: &Id, live: &Live, told: &Told) -> Result<bool, Fault> {
        let Some(view) = self.sight(id, live)? else { return Ok(false) };
        Ok(repository::version(view, told.kind, &told.id, told.version)?.is_some())
    }

    /// What the subscriber sees of the view.
    fn sight(&mut self, id: &Id, live: &Live) -> Result<Option<&dyn View>, Fault> {
        if !self.sights.contains_key(id) {
            let sight = Sight::of(self.app, &live.subscriber)?;
            self.sights.insert(id.clone(), sight.over(self.app, self.view));
        }
        Ok(self.sights.get(id).and_then(Option::as_deref))
    }

    /// Gives the event its number.
    fn tell(
        &mut self,
        id: &Id,
        live: &mut Live,
        (told, seq, at, made): (&Told, Seq, Instant, bool),
    ) {
        live.progress.events += 1;
        let notice = Notice {
            number: live.progress.events,
            seq,
            at,
            kind: told.kind,
            id: told.id.clone(),
            version: told.version,
            made,
        };
        notice::tell(&mut self.batch, id, &notice);
        self.events += 1;
        self.changed.insert(id.clone());
    }

    /// Asks of each episode that was touched whether something is found now that was not before.
    fn find(&mut self, worker: &mut Worker, until: Seq) -> Result<(), Fault> {
        let from = worker.cursor;
        let held = Arc::clone(&self.held);
        for (episode, (seq, at)) in std::mem::take(&mut self.touched) {
            for (id, live) in &mut worker.live {
                if !live.asked.topic.has_event(FINDING) {
                    continue;
                }
                let app = self.app;
                let Some(view) = self.sight(id, live)? else { continue };
                let Some(focus) = consistency::fresh(app, view, &episode, (from, until), at)?
                else {
                    continue;
                };
                let Some(content) = focus.content()? else { continue };
                let change = Change::new(&held.rules, &episode, None, Some(&content));
                if change.passes(view, &live.asked)? {
                    let told = Told { kind: focus.kind, id: focus.id, version: focus.version };
                    self.tell(id, live, (&told, seq, at, false));
                }
            }
        }
        Ok(())
    }
}
