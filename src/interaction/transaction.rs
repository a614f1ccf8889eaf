//! transaction: all entries or none, as one commit.
//!
//! Identities are settled first, then references between the entries are turned, everything is held
//! against the rules, changes are planned in the order of the standard (DELETE, POST, PUT), the reads
//! see what will be, and all is committed. Conditional references are resolved against the state that
//! includes the transaction's own writes. Where others were faster, it all begins anew.
//! Source: <http://hl7.org/fhir/R4/http.html#trules>.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use serde_json::Value;

use crate::app::Beside;
use crate::error::Error;
use crate::fhir::{Id, Issue, IssueType, Reference, Resource, ResourceType, VersionId, bundle};
use crate::interaction::attempt::{self, Refusal, retry_for};
use crate::interaction::batch::{Setting, reading, written};
use crate::interaction::entry::{self, Action, Entry};
use crate::interaction::patch::Patch;
use crate::interaction::precondition::Rules;
use crate::interaction::rewrite::{Links, base_of};
use crate::interaction::update::Target;
use crate::interaction::{
    Done, Plan, Step, Subject, criteria, delete, existence, reference, subscription, subsetted,
    update,
};
use crate::repository::{self, Change, Method};
use crate::store::{Batch, Expect, Overlay, View};
use crate::validation::policy;

/// Carries out the entries.
pub(super) fn transaction(
    setting: Setting<'_>,
    entries: Vec<Value>,
) -> Result<Vec<bundle::Entry>, Error> {
    let read = |(index, value)| {
        let entry: Result<Entry, Error> = entry::read(value, setting.base);
        entry.map_err(|error| error.in_entry(index))
    };
    let entries = entries.into_iter().enumerate().map(read).collect::<Result<Vec<_>, _>>()?;
    entry::refuse_repetition(&entries)?;
    let kinds = entries.iter().filter_map(|entry| entry.content().map(Resource::kind));
    retry_for(setting.app, kinds, |attempt| Attempt::new(setting, attempt, &entries)?.commit())
}

/// One run through a transaction.
struct Attempt<'a> {
    setting: Setting<'a>,
    held: &'a attempt::Attempt<'a>,
    entries: &'a [Entry],
    /// For each entry the resource that it writes, or that it found instead.
    identities: Vec<Option<Identity>>,
    /// What links are turned into.
    targets: HashMap<String, String>,
    /// The versions that there will be of the targets.
    versions: HashMap<String, VersionId>,
    /// What must still hold when it is committed.
    expects: Vec<Expect>,
}

/// The resource that an entry is about.
struct Identity {
    kind: ResourceType,
    id: Id,
    /// Whether a conditional create found it, so that nothing is written.
    found: bool,
    /// The interaction that a new version is told to come from.
    method: Method,
}

impl Identity {
    fn new(kind: ResourceType, id: Id, method: Method) -> Self {
        Self { kind, id, found: false, method }
    }

    /// The version that there will be; as the view has it, and a commit that finds another is
    /// attempted anew.
    fn version(&self, view: &dyn View) -> Result<VersionId, Error> {
        Ok(match repository::current(view, self.kind, &self.id)? {
            Some(current) if self.found => current.version,
            Some(current) => current.version.next(),
            None => VersionId(1),
        })
    }
}

/// What an entry comes to.
enum Outcome {
    /// The change of that place in the list, with warnings about its content.
    Change(usize, Vec<Issue>),
    /// Nothing is written.
    Kept(Done),
    /// It reads.
    Read,
}

/// The content of each entry that has one, with warnings about it.
type Contents = Vec<Option<(Resource, Vec<Issue>)>>;

impl<'a> Attempt<'a> {
    /// Settles who is who.
    fn new(
        setting: Setting<'a>,
        held: &'a attempt::Attempt<'a>,
        entries: &'a [Entry],
    ) -> Result<Self, Error> {
        let mut attempt = Self {
            setting,
            held,
            entries,
            identities: Vec::with_capacity(entries.len()),
            targets: HashMap::new(),
            versions: HashMap::new(),
            expects: Vec::new(),
        };
        let view = setting.app.store.view()?;
        let mut written = HashSet::new();
        for (index, entry) in entries.iter().enumerate() {
            let identity = attempt.identify(&*view, entry);
            let identity = identity.map_err(|error| error.in_entry(index))?;
            if let Some(Identity { kind, id, found: false, .. }) = &identity
                && !written.insert((*kind, id.clone()))
            {
                let text = "Another entry is about the same resource.";
                return Err(Error::request("entry.request.url", text).in_entry(index));
            }
            attempt.identities.push(identity);
        }
        drop(view);
        let view = setting.app.standing.view()?;
        for (entry, identity) in entries.iter().zip(&attempt.identities) {
            if let (Some(identity), Some(url)) = (identity, &entry.full_url) {
                let target = format!("{}/{}", identity.kind, identity.id);
                attempt.versions.insert(target.clone(), identity.version(&*view)?);
                attempt.targets.insert(url.clone(), target);
            }
        }
        drop(view);
        Ok(attempt)
    }

    fn identify(&mut self, view: &dyn View, entry: &Entry) -> Result<Option<Identity>, Error> {
        let identity = match &entry.action {
            Action::Delete(kind, Subject::Id(id)) => {
                Identity::new(*kind, id.clone(), Method::Delete)
            }
            Action::Delete(kind, Subject::Criteria(text)) => {
                match self.select(view, *kind, text)? {
                    Some(id) => Identity::new(*kind, id, Method::Delete),
                    None => return Ok(None),
                }
            }
            Action::Update(Subject::Id(id), resource) => {
                update::same_id(id, resource)?;
                Identity::new(resource.kind(), id.clone(), Method::Put)
            }
            Action::Update(Subject::Criteria(text), resource) => {
                let now = self.setting.now;
                let (target, expects) = update::target(self.held, view, resource, text, now)?;
                self.expects.extend(expects);
                match target {
                    Target::Named(id) => Identity::new(resource.kind(), id, Method::Put),
                    Target::New(id) => Identity::new(resource.kind(), id, Method::Post),
                }
            }
            Action::Patch(kind, Subject::Id(id), _) => {
                Identity::new(*kind, id.clone(), Method::Patch)
            }
            Action::Patch(kind, Subject::Criteria(text), _) => {
                let id = self.select(view, *kind, text)?.ok_or(Error::NotFound)?;
                Identity::new(*kind, id, Method::Patch)
            }
            Action::Create(resource, None) => {
                Identity::new(resource.kind(), Id::random(), Method::Post)
            }
            Action::Create(resource, Some(text)) => {
                let kind = resource.kind();
                match self.select(view, kind, text)? {
                    Some(id) => Identity { found: true, ..Identity::new(kind, id, Method::Post) },
                    None => Identity::new(kind, Id::random(), Method::Post),
                }
            }
            Action::Read { .. } => return Ok(None),
            Action::Call(_) => {
                let text = "Operations are called in a batch; a transaction could not undo them.";
                return Err(Error::not_supported("entry.request.url", text));
            }
        };
        Ok(Some(identity))
    }

    /// The one resource that meets the criteria, if any does; what makes that hold is noted.
    fn select(
        &mut self,
        view: &dyn View,
        kind: ResourceType,
        criteria: &str,
    ) -> Result<Option<Id>, Error> {
        let selected = criteria::select(self.held, view, kind, criteria, self.setting.now)?;
        let found = selected.one()?.cloned();
        self.expects.extend(selected.expects);
        if let Some(id) = &found {
            self.expects.extend(repository::standing(view, kind, id)?);
        }
        Ok(found)
    }

    fn commit(mut self) -> Result<Vec<bundle::Entry>, Error> {
        let drafts = self.drafts()?;
        self.resolve_conditional(&drafts)?;
        let contents = self.contents(drafts)?;
        let (mut outcomes, changes) = self.plan(contents)?;
        let prepared = self.prepare(&mut outcomes, &changes)?;
        let app = self.setting.app;
        let mut batch = repository::batch(&*app.standing.view()?, &changes)?;
        batch.expects.append(&mut self.expects);
        let mut reads = {
            let view = app.store.view()?;
            existence::expect(app, &*view, &mut batch, &changes)?;
            subscription::own(app, &*view, &mut batch, &changes)?;
            self.read(&*view, &batch)?
        };
        // Without a change there is nothing to commit, and nothing for the feed to tell.
        let seq = if changes.is_empty() { 0 } else { self.held.commit(prepared, batch)? };
        let answers = outcomes.into_iter().enumerate().map(|(index, outcome)| match outcome {
            Outcome::Kept(done) => Some(written(done, self.setting.answer)),
            Outcome::Change(place, issues) => {
                let done = Done::of(changes.get(place)?, seq).with(issues);
                Some(written(done, self.setting.answer))
            }
            Outcome::Read => reads.remove(&index),
        });
        // Each place was taken from the list itself, so none is missing.
        Ok(answers.map(Option::unwrap_or_default).collect())
    }

    /// Looks at what the changes do to the definitions; what is said of them joins the outcomes.
    fn prepare(
        &self,
        outcomes: &mut [Outcome],
        changes: &[Change],
    ) -> Result<attempt::Prepared, Error> {
        let of_change = |outcome: &Outcome, change: usize| matches!(outcome, Outcome::Change(place, _) if *place == change);
        match self.held.prepare(changes) {
            Ok(prepared) => {
                for (change, note) in &prepared.notes {
                    for outcome in outcomes.iter_mut().filter(|o| of_change(o, *change)) {
                        if let Outcome::Change(_, issues) = outcome {
                            issues.push(note.clone());
                        }
                    }
                }
                Ok(prepared)
            }
            Err(Refusal::Failed(error)) => Err(error),
            Err(Refusal::Changes(faults)) => {
                let placed = faults.into_iter().flat_map(|(change, issue)| {
                    let entry = outcomes.iter().position(|outcome| of_change(outcome, change));
                    let error = Error::Invalid(vec![issue]);
                    match entry {
                        Some(at) => error.in_entry(at).issues(),
                        None => error.issues(),
                    }
                });
                Err(Error::Invalid(placed.collect()))
            }
        }
    }

    /// Adds what the conditional references lead to.
    fn resolve_conditional(&mut self, drafts: &[Option<Resource>]) -> Result<(), Error> {
        let contents = drafts.iter().map(Option::as_ref).enumerate();
        let found = contents.filter_map(|(index, content)| Some((index, content?)));
        let asked: Vec<_> = found
            .flat_map(|(index, content)| {
                let found = reference::find(content, reference::is_conditional).into_iter();
                found.map(move |(place, text)| (index, place, text))
            })
            .collect();
        if asked.is_empty() {
            return Ok(());
        }
        let drafts = drafts.iter().map(|draft| Some((draft.clone()?, Vec::new())));
        let (_, changes) = self.plan(drafts.collect())?;
        let app = self.setting.app;
        let batch = repository::batch(&*app.standing.view()?, &changes)?;
        let view = app.store.view()?;
        let overlay = Overlay::new(&*view, &batch);
        for (index, place, text) in asked {
            if self.targets.contains_key(&text) {
                continue;
            }
            let target = self.conditional(&overlay, &text, &place);
            let target = target.map_err(|error| error.in_entry(index))?;
            self.targets.insert(text, target);
        }
        Ok(())
    }

    fn conditional(&mut self, view: &dyn View, text: &str, place: &str) -> Result<String, Error> {
        let nowhere = || {
            let text = "The conditional reference leads to no resource.";
            Error::Invalid(vec![Issue::error(IssueType::NotFound, text).at(place)])
        };
        let Reference::Conditional { kind, query } = Reference::parse(text) else {
            return Err(nowhere());
        };
        let selected = criteria::select(self.held, view, kind, &query, self.setting.now)?;
        let id = selected.one()?.ok_or_else(nowhere)?;
        let target = format!("{kind}/{id}");
        let is_it = |identity: &Identity| identity.kind == kind && identity.id == *id;
        if !self.identities.iter().flatten().any(is_it) {
            // What this transaction does not write itself must meet the criteria to its end.
            self.expects.extend(repository::standing(view, kind, id)?);
        }
        self.expects.extend(selected.expects);
        Ok(target)
    }

    /// For each entry what it writes, its references as they were sent. What a patch makes of a
    /// version holds only while that version is the current one.
    fn drafts(&mut self) -> Result<Vec<Option<Resource>>, Error> {
        let view = self.setting.app.store.view()?;
        let mut drafts = Vec::with_capacity(self.entries.len());
        for (index, (entry, identity)) in self.entries.iter().zip(&self.identities).enumerate() {
            let draft = match (&entry.action, identity) {
                (Action::Patch(_, _, patch), Some(Identity { kind, id, .. })) => {
                    let patched = patched(&*view, *kind, id, patch);
                    let patched = patched.map_err(|error| error.in_entry(index))?;
                    self.expects.extend(repository::standing(&*view, *kind, id)?);
                    Some(patched)
                }
                (_, Some(Identity { found: false, .. })) => entry.content().cloned(),
                _ => None,
            };
            drafts.push(draft);
        }
        Ok(drafts)
    }

    /// The contents with their references turned; everything that is wrong with any of them.
    fn contents(&self, drafts: Vec<Option<Resource>>) -> Result<Contents, Error> {
        let mut all = Contents::with_capacity(self.entries.len());
        let mut faults = Vec::new();
        let drafts = self.linked(drafts);
        let beside = Arc::new(self.beside(&drafts));
        let app = self.setting.app;
        for (index, draft) in drafts.into_iter().enumerate() {
            let Some((mut content, mut issues)) = draft else {
                all.push(None);
                continue;
            };
            subscription::settle(&mut content);
            let mut found = app.check(self.held, &content, &beside)?;
            found.extend(subscription::faults(app, self.held, &content));
            let (found, not_valid) = app.policy.lenient(content.kind(), found);
            policy::mark(&mut content, not_valid);
            issues.extend(found);
            issues.extend(subsetted(&content));
            if issues.iter().any(Issue::is_error) {
                faults.extend(Error::Invalid(issues).in_entry(index).issues());
                all.push(None);
            } else {
                all.push(Some((content, issues)));
            }
        }
        if faults.is_empty() {
            return Ok(all);
        }
        Err(Error::Invalid(self.setting.app.limited(faults)))
    }

    /// The drafts with their references turned, and what is wrong with these.
    fn linked(&self, drafts: Vec<Option<Resource>>) -> Contents {
        let linked = self.entries.iter().zip(drafts).map(|(entry, draft)| {
            let mut content = draft?;
            let base = entry.full_url.as_deref().and_then(base_of);
            let links = Links { targets: &self.targets, versions: &self.versions, base };
            let issues = links.rewrite(&self.held.standard.model, &mut content);
            Some((content, issues))
        });
        linked.collect()
    }

    /// What the rules for one content may see of the others.
    fn beside(&self, contents: &Contents) -> Beside {
        let mut beside = Beside::at(self.setting.now);
        for (identity, content) in self.identities.iter().zip(contents) {
            match (identity, content) {
                (Some(Identity { id, .. }), Some((content, _))) => beside.write(id, content),
                (Some(Identity { kind, id, method: Method::Delete, .. }), None) => {
                    beside.delete(*kind, id);
                }
                _ => {}
            }
        }
        beside
    }

    /// The changes in the order of the standard, and what each entry comes to.
    fn plan(&self, mut contents: Contents) -> Result<(Vec<Outcome>, Vec<Change>), Error> {
        // Of what may not be read, patches and conditional entries were refused before.
        let view = self.setting.app.standing.view()?;
        let mut plans = Vec::with_capacity(self.entries.len());
        for (index, entry) in self.entries.iter().enumerate() {
            let content = contents.get_mut(index).and_then(Option::take);
            let identity = self.identities.get(index).and_then(Option::as_ref);
            let tags_required = self.setting.app.config.require_if_match;
            let rules = Rules { preconditions: &entry.preconditions, tags_required };
            let plan = match (identity, &entry.action) {
                (Some(identity), _) => Some(plan(&*view, entry, identity, content, rules)),
                // A conditional delete that selects nothing.
                (None, Action::Delete(..)) => Some(Ok((Step::Keep(None, 204).into(), Vec::new()))),
                (None, _) => None,
            };
            let plan = plan.transpose();
            plans.push((entry.rank(), index, plan.map_err(|error| error.in_entry(index))?));
        }
        drop(view);
        plans.sort_by_key(|(rank, index, _)| (*rank, *index));
        let (mut outcomes, mut changes) = (Vec::with_capacity(plans.len()), Vec::new());
        for (_, index, plan) in plans {
            let outcome = match plan {
                None => Outcome::Read,
                Some((plan, issues)) => match plan.change(self.held, self.setting.now) {
                    Err(done) => Outcome::Kept(done),
                    Ok(change) => {
                        changes.push(change);
                        Outcome::Change(changes.len() - 1, issues)
                    }
                },
            };
            outcomes.push((index, outcome));
        }
        outcomes.sort_by_key(|(index, _)| *index);
        Ok((outcomes.into_iter().map(|(_, outcome)| outcome).collect(), changes))
    }

    /// What the entries that read will find when the batch has been written.
    fn read(&self, view: &dyn View, batch: &Batch) -> Result<HashMap<usize, bundle::Entry>, Error> {
        let overlay = Overlay::new(view, batch);
        let mut found = HashMap::new();
        for (index, entry) in self.entries.iter().enumerate() {
            if let Action::Read { read, head } = &entry.action {
                let answer =
                    reading(self.setting, self.held, &overlay, (read, *head), &entry.preconditions);
                found.insert(index, answer.map_err(|error| error.in_entry(index))?);
            }
        }
        Ok(found)
    }
}

/// The content as the patch leaves it.
fn patched(view: &dyn View, kind: ResourceType, id: &Id, patch: &Patch) -> Result<Resource, Error> {
    let current = repository::current(view, kind, id)?.ok_or(Error::NotFound)?;
    patch.apply(&current.content()?.ok_or(Error::Deleted(current.version))?)
}

/// The plan of an entry that writes.
fn plan(
    view: &dyn View,
    entry: &Entry,
    identity: &Identity,
    content: Option<(Resource, Vec<Issue>)>,
    rules: Rules<'_>,
) -> Result<(Plan, Vec<Issue>), Error> {
    let Identity { kind, id, found, method } = identity;
    let plan = match (&entry.action, content) {
        (Action::Delete(..), _) => delete::plan(view, *kind, id, rules)?,
        (Action::Update(..) | Action::Patch(..), Some((resource, issues))) => {
            let mut plan = update::plan(view, id, &resource, rules)?;
            if let Step::Write { method: told, .. } = &mut plan.step {
                *told = *method;
            }
            return Ok((plan, issues));
        }
        (Action::Create(..), Some((resource, issues))) if !found => {
            let (id, method) = (id.clone(), Method::Post);
            return Ok((Step::Write { current: None, method, id, resource }.into(), issues));
        }
        _ => Step::Keep(repository::current(view, *kind, id)?, 200).into(),
    };
    Ok((plan, Vec::new()))
}
