//! A store as it looks to whoever has a token: without the rows of what may not be seen.
//!
//! Every path reads by views and writes by commits, so that what is left out here is left out of
//! reads, searches, chains, includes, counts, histories and operations alike, and no path can
//! forget it. A row of a kind that is not known here is hidden.

use std::cell::Cell;
use std::ops::Range;
use std::sync::Arc;

use tokio::sync::watch;

use crate::access::judge::Judge;
use crate::app::{App, Held};
use crate::repository::{self, feed, key, read};
use crate::search;
use crate::smart::{Access, Action};
use crate::store::{self, Batch, Overlay, Row, Scan, Seq, Store, View};

/// The store behind what a token permits.
pub(super) struct Guarded {
    pub(super) store: Arc<dyn Store>,
    pub(super) access: Arc<Access>,
    pub(super) held: Arc<Held>,
    /// What is seen is what may be seen for one of these.
    pub(super) actions: &'static [Action],
    /// How many hidden rows one view may pass over.
    pub(super) most: u64,
}

impl Guarded {
    fn judge(&self, actions: &'static [Action]) -> Judge {
        Judge::new(Arc::clone(&self.access), Arc::clone(&self.held), actions)
    }

    /// Whether what the batch writes may be written: what stands there may be changed, and what
    /// comes of it is within the same bounds.
    fn check(&self, batch: &Batch) -> Result<(), store::Error> {
        let view = self.store.view()?;
        let after = Overlay::new(&*view, batch);
        for (key, value) in &batch.writes {
            let (Some(key::CURRENT), Some(value)) = (key.first().copied(), value) else { continue };
            let (kind, id, _) = key::owner(key).ok_or(store::Error::Refused)?;
            let (version, is_deletion) = read::parse_current(value).map_err(failed)?;
            let before = view.get(key)?.map(|row| read::parse_current(&row.value)).transpose();
            let stands = before.map_err(failed)?.is_some_and(|(_, is_deleted)| !is_deleted);
            let made = repository::version(&after, kind, &id, version).map_err(failed)?;
            let by_put = made.is_some_and(|made| made.method == repository::Method::Put);
            let actions: &'static [Action] = match (stands, is_deletion) {
                (_, true) => &[Action::Delete],
                (true, false) => &[Action::Update],
                // An update under a new id creates.
                (false, false) if by_put => &[Action::Create, Action::Update],
                (false, false) => &[Action::Create],
            };
            // Each view has its own judge, for each keeps what it finds.
            let may_change = || self.judge(actions).sees(&*view, kind, &id);
            let may_become = || self.judge(actions).sees(&after, kind, &id);
            let may = (!stands || may_change().map_err(search_failed)?)
                && (is_deletion || may_become().map_err(search_failed)?);
            if !may {
                return Err(store::Error::Refused);
            }
        }
        Ok(())
    }
}

impl Store for Guarded {
    fn view(&self) -> Result<Box<dyn View + '_>, store::Error> {
        let judge = self.judge(self.actions);
        Ok(Box::new(Seen {
            view: self.store.view()?,
            judge,
            hidden: Cell::new(0),
            most: self.most,
        }))
    }

    fn commit(&self, batch: Batch) -> Result<Seq, store::Error> {
        self.check(&batch)?;
        self.store.commit(batch)
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.store.head()
    }
}

/// A view that is open already, as it is for whoever has that access.
pub(super) fn seen<'a>(app: &App, access: &Arc<Access>, view: &'a dyn View) -> Box<dyn View + 'a> {
    let actions = &[Action::Read, Action::Search];
    let judge = Judge::new(Arc::clone(access), app.held(), actions);
    let view: Box<dyn View + 'a> = Box::new(Open(view));
    Box::new(Seen { view, judge, hidden: Cell::new(0), most: app.config.max_search_rows })
}

/// A view that another holds open.
pub(super) struct Open<'a>(pub(super) &'a dyn View);

impl View for Open<'_> {
    fn seq(&self) -> Seq {
        self.0.seq()
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, store::Error> {
        self.0.get(key)
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        self.0.scan(range)
    }
}

/// A view without the hidden rows.
struct Seen<'a> {
    view: Box<dyn View + 'a>,
    judge: Judge,
    hidden: Cell<u64>,
    most: u64,
}

impl Seen<'_> {
    fn shown(&self, row: Row) -> Result<Option<Row>, store::Error> {
        let is_seen = match row.key.first().copied() {
            Some(store::OWN) => return self.event(row).map(Some),
            Some(key::DEFINITIONS | key::INDEXING | key::FINGERPRINTS) => true,
            // They are computed from resources of many patients and types.
            Some(key::FACTS) => self.judge.sees_all(),
            Some(key::CURRENT | key::VERSION | key::INDEX | key::ENTRIES) => self.is_seen(&row)?,
            Some(key::SUBSCRIBER | key::NOTICE | key::PROGRESS) => {
                match key::subscription(&row.key) {
                    Some(id) => self.judge.owns(&*self.view, &id).map_err(search_failed)?,
                    None => false,
                }
            }
            _ => false,
        };
        if is_seen {
            return Ok(Some(row));
        }
        self.hidden.set(self.hidden.get().saturating_add(1));
        if self.hidden.get() > self.most { Err(store::Error::Spent) } else { Ok(None) }
    }

    fn is_seen(&self, row: &Row) -> Result<bool, store::Error> {
        let kind = key::kind(&row.key).ok_or_else(|| damaged(&row.key))?;
        if let Some(answer) = self.judge.at_once(kind).map_err(search_failed)? {
            return Ok(answer);
        }
        let (kind, id, version) = key::owner(&row.key).ok_or_else(|| damaged(&row.key))?;
        match version {
            Some(version) => self.judge.sees_version(&*self.view, (kind, &id), version),
            None => self.judge.sees(&*self.view, kind, &id),
        }
        .map_err(search_failed)
    }

    /// The event of a commit, with what may be seen of it.
    fn event(&self, row: Row) -> Result<Row, store::Error> {
        let value = feed::kept(&row, |told| {
            self.judge.sees_version(&*self.view, (told.kind, &told.id), told.version)
        });
        Ok(Row { value: value.map_err(search_failed)?, ..row })
    }
}

impl View for Seen<'_> {
    fn seq(&self) -> Seq {
        self.view.seq()
    }

    fn get(&self, key: &[u8]) -> Result<Option<Row>, store::Error> {
        self.view.get(key)?.map_or(Ok(None), |row| self.shown(row))
    }

    fn scan(&self, range: Range<Vec<u8>>) -> Scan<'_> {
        let rows = self.view.scan(range);
        Box::new(rows.filter_map(|row| row.and_then(|row| self.shown(row)).transpose()))
    }
}

fn damaged(key: &[u8]) -> store::Error {
    failed(repository::Error::Damaged(key.first().copied().unwrap_or_default()))
}

fn failed(error: repository::Error) -> store::Error {
    match error {
        repository::Error::Store(error) => error,
        error @ repository::Error::Damaged(_) => store::Error::Engine(Box::new(error)),
    }
}

fn search_failed(error: search::Error) -> store::Error {
    match error {
        search::Error::Repository(error) => failed(error),
        error => store::Error::Engine(Box::new(error)),
    }
}
