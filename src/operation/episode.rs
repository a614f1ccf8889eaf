//! The resources of an episode of care, gathered through the index.
//!
//! Those that link to the episode, those of its visits, and what all of them refer to. Which of
//! them count is for the clinical record to say. As of an earlier moment, each resource that was
//! changed since stands in the version of then, whatever it has become; so the same moment gives
//! the same resources for ever.
//! Source: <http://hl7.org/fhir/R4/episodeofcare.html>,
//! <http://hl7.org/fhir/R4/extension-workflow-episodeofcare.html>.

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;

use crate::app::{App, Held};
use crate::clinical::element::references;
use crate::clinical::source::Day;
use crate::consent;
use crate::definitions::canonical::split;
use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType};
use crate::repository::{self, Stored, key};
use crate::search::query::Limits;
use crate::search::{self, Query, Setting, Total};
use crate::store::View;

/// The search parameter for what links to an episode.
pub(super) const OF_EPISODE: &str = "episode-of-care";
/// The search parameter for what belongs to a visit.
pub(super) const OF_VISIT: &str = "encounter";
/// How many visits one search asks for.
const VISITS: usize = 50;
/// How often references are followed: to a `PractitionerRole`, its Organization, and that one's.
const ROUNDS: usize = 3;
/// How many resources are gathered at most.
const MOST: usize = 20_000;
/// How many commits may have come after the moment that is asked for.
const COMMITS: usize = 200_000;

/// An EpisodeOfCare with resources of its patient.
pub struct Episode {
    /// The EpisodeOfCare.
    pub episode: Resource,
    /// The others.
    pub resources: Vec<Resource>,
}

impl Episode {
    /// All that belongs to the episode, as it is stored now or as it was at a moment.
    ///
    /// # Errors
    /// [`Error::NotFound`], [`Error::Deleted`], or a failure of the store.
    pub fn whole(
        app: &App,
        view: &dyn View,
        id: &Id,
        now: Instant,
        at: Option<Instant>,
    ) -> Result<Self, Error> {
        let held = app.held();
        let types = Types::of(&held, view)?;
        let gathered = Gathered::begin(held, view, id, now, at)?;
        Ok(gathered.whole(&types)?.0)
    }

    /// The same as it is stored now, with what was looked for because something of the episode
    /// refers to it, whether it is there or not: what that becomes, the episode becomes.
    ///
    /// # Errors
    /// As [`Episode::whole`].
    pub(super) fn with_named(
        held: &Arc<Held>,
        view: &dyn View,
        id: &Id,
        now: Instant,
        types: &Types,
    ) -> Result<(Self, BTreeSet<(ResourceType, Id)>), Error> {
        Gathered::begin(Arc::clone(held), view, id, now, None)?.whole(types)
    }

    /// That no Consent of the patient keeps the record from leaving as a letter. No view may be open.
    ///
    /// # Errors
    /// [`Error::Withheld`], or a failure of the store.
    pub fn may_leave(&self, app: &App, now: Instant) -> Result<(), Error> {
        consent::permit_of(app, &self.episode, "/patient", now)
    }

    /// The episode with what it refers to itself: enough to say whose it is and what for.
    ///
    /// # Errors
    /// As [`Episode::whole`].
    pub fn head(app: &App, view: &dyn View, id: &Id, now: Instant) -> Result<Self, Error> {
        Ok(Gathered::begin(app.held(), view, id, now, None)?.finish()?.0)
    }
}

/// The types of which something belongs to some episode, and to some visit.
pub(super) struct Types {
    of_episode: Vec<ResourceType>,
    of_visit: Vec<ResourceType>,
}

impl Types {
    /// Those of a view.
    ///
    /// # Errors
    /// A failure of the store.
    pub(super) fn of(held: &Held, view: &dyn View) -> Result<Self, Error> {
        let with_rows = |parameter| {
            let mut types = Vec::new();
            for kind in ResourceType::all() {
                if has_rows(held, view, kind, parameter)? {
                    types.push(kind);
                }
            }
            Ok::<_, Error>(types)
        };
        Ok(Self { of_episode: with_rows(OF_EPISODE)?, of_visit: with_rows(OF_VISIT)? })
    }
}

/// Some ids of episodes that are not deleted, and how many more there are.
///
/// # Errors
/// A failure of the store.
pub fn ids(view: &dyn View, most: usize) -> Result<(Vec<Id>, u64), Error> {
    let Some(kind) = ResourceType::parse("EpisodeOfCare") else { return Ok((Vec::new(), 0)) };
    let (mut ids, mut more) = (Vec::new(), 0);
    for row in view.scan(key::current_range(kind)) {
        let row = row?;
        let (_, deleted) = repository::read::parse_current(&row.value)?;
        match key::current_id(&row.key) {
            Some(id) if !deleted && ids.len() < most => ids.push(id),
            Some(_) if !deleted => more += 1,
            _ => {}
        }
    }
    Ok((ids, more))
}

/// The ids of the episodes of a patient.
///
/// # Errors
/// A failure of the store.
pub fn ids_of(app: &App, view: &dyn View, patient: &Id, now: Instant) -> Result<Vec<Id>, Error> {
    let kind = ResourceType::parse("EpisodeOfCare").ok_or(Error::UnknownType)?;
    let mut ids = Vec::new();
    let value = format!("Patient/{patient}");
    each(&app.held(), view, now, kind, &[("patient", &value)], |stored| {
        ids.push(stored.id);
        Ok(())
    })?;
    ids.sort();
    Ok(ids)
}

/// A resource as it is stored now.
///
/// # Errors
/// [`Error::NotFound`], [`Error::Deleted`], or a failure of the store.
pub(super) fn live(view: &dyn View, kind: ResourceType, id: &Id) -> Result<Resource, Error> {
    let stored = repository::current(view, kind, id)?.ok_or(Error::NotFound)?;
    let deleted = Error::Deleted(stored.version);
    stored.content()?.ok_or(deleted)
}

/// The stored resources of a canonical, of the version after `|` where there is one.
///
/// # Errors
/// A failure of the store.
pub(super) fn by_canonical(
    held: &Held,
    view: &dyn View,
    now: Instant,
    kind: ResourceType,
    canonical: &str,
) -> Result<Vec<Resource>, Error> {
    let (url, version) = split(canonical);
    let mut criteria = vec![("url", url)];
    criteria.extend(version.map(|version| ("version", version)));
    let mut found = Vec::new();
    each(held, view, now, kind, &criteria, |stored| {
        found.extend(stored.content()?);
        Ok(())
    })?;
    Ok(found)
}

/// Every resource of a type that a parameter finds.
///
/// # Errors
/// A failure of the store.
pub(super) fn found(
    app: &App,
    view: &dyn View,
    now: Instant,
    (kind, parameter, value): (&str, &str, &str),
) -> Result<Vec<Stored>, Error> {
    let kind = ResourceType::parse(kind).ok_or(Error::UnknownType)?;
    let mut found = Vec::new();
    each(&app.held(), view, now, kind, &[(parameter, value)], |stored| {
        found.push(stored);
        Ok(())
    })?;
    Ok(found)
}

/// The ids of the episodes whose period has a day in common with the days from first to last, and
/// perhaps some of the two days around: the index knows moments in UTC, a record the local day.
///
/// The search asks for more than `ge` and `le`: a period that ends on the first day does not reach
/// beyond it, and is none that `ge` finds.
/// Source: <http://hl7.org/fhir/R4/search.html#prefix>.
///
/// # Errors
/// A failure of the store.
pub(super) fn ids_within(
    app: &App,
    view: &dyn View,
    (first, last): (Day, Day),
    now: Instant,
) -> Result<Vec<Id>, Error> {
    let kind = ResourceType::parse("EpisodeOfCare").ok_or(Error::UnknownType)?;
    let around = |day: Day, days| day.0.checked_add(time::Duration::days(days)).map_or(day, Day);
    let (from, until) = (format!("gt{}", around(first, -2)), format!("lt{}", around(last, 2)));
    let mut ids = Vec::new();
    each(&app.held(), view, now, kind, &[("date", &from), ("date", &until)], |stored| {
        ids.push(stored.id);
        Ok(())
    })?;
    ids.sort();
    Ok(ids)
}

/// Hands over every resource of a type that meets all of some criteria.
///
/// # Errors
/// A failure of the store, or of what is done with a resource.
pub(super) fn each(
    held: &Held,
    view: &dyn View,
    now: Instant,
    kind: ResourceType,
    criteria: &[(&str, &str)],
    mut take: impl FnMut(Stored) -> Result<(), Error>,
) -> Result<(), Error> {
    let setting = Setting { rules: &held.rules, now, strict: true, limits: Limits::default() };
    let pairs: Vec<(String, String)> =
        criteria.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
    let mut query = Query::parse(&setting, kind, &pairs)?;
    query.count = query.limits.most;
    query.total = Total::None;
    let mut cursor = None;
    loop {
        let page = search::run(view, &held.rules, &query, cursor.as_ref())?;
        page.matches.into_iter().try_for_each(&mut take)?;
        cursor = page.next;
        if cursor.is_none() {
            return Ok(());
        }
    }
}

struct Gathered<'a> {
    held: Arc<Held>,
    view: &'a dyn View,
    now: Instant,
    episode: Resource,
    by_target: BTreeMap<(ResourceType, Id), Resource>,
    /// The moment of an earlier state, and what was changed since.
    then: Option<(Instant, BTreeSet<(ResourceType, Id)>)>,
}

impl<'a> Gathered<'a> {
    fn begin(
        held: Arc<Held>,
        view: &'a dyn View,
        id: &Id,
        now: Instant,
        at: Option<Instant>,
    ) -> Result<Self, Error> {
        let kind = ResourceType::parse("EpisodeOfCare").ok_or(Error::UnknownType)?;
        let stored = stored(view, kind, id, at)?.ok_or(Error::NotFound)?;
        let deleted = Error::Deleted(stored.version);
        let episode = stored.content()?.ok_or(deleted)?;
        let then = at.map(|at| changed(view, at).map(|changed| (at, changed))).transpose()?;
        Ok(Self { held, view, now, episode, by_target: BTreeMap::new(), then })
    }

    /// All that belongs to the episode.
    fn whole(mut self, types: &Types) -> Result<(Episode, BTreeSet<(ResourceType, Id)>), Error> {
        let id = self.episode.id_text().unwrap_or_default();
        let episode = vec![format!("EpisodeOfCare/{id}")];
        self.add_changed(&episode)?;
        self.search(&types.of_episode, OF_EPISODE, &episode)?;
        let visits = self.of_type("Encounter");
        self.add_changed(&visits)?;
        for visits in visits.chunks(VISITS) {
            self.search(&types.of_visit, OF_VISIT, visits)?;
        }
        self.finish()
    }

    /// Adds what was changed since the moment and named one of the targets then.
    fn add_changed(&mut self, targets: &[String]) -> Result<(), Error> {
        let Some((at, changed)) = &self.then else { return Ok(()) };
        let mut found = Vec::new();
        for (kind, id) in changed {
            let Some(stored) = stored(self.view, *kind, id, Some(*at))? else { continue };
            let text = stored.body.as_deref().map(String::from_utf8_lossy).unwrap_or_default();
            if targets.iter().any(|target| text.contains(&format!("{target}\""))) {
                found.push(stored);
            }
        }
        found.into_iter().try_for_each(|stored| self.add(stored))
    }

    /// Whether the resource stands in an earlier version than the one that a search finds.
    fn is_changed(&self, stored: &Stored) -> bool {
        let changed = self.then.as_ref().map(|(_, changed)| changed);
        changed.is_some_and(|changed| changed.contains(&(stored.kind, stored.id.clone())))
    }

    /// Adds what has one of the values, of these types.
    fn search(
        &mut self,
        types: &[ResourceType],
        parameter: &str,
        values: &[String],
    ) -> Result<(), Error> {
        let held = Arc::clone(&self.held);
        let value = values.join(",");
        for kind in types {
            each(&held, self.view, self.now, *kind, &[(parameter, &value)], |stored| {
                if self.is_changed(&stored) { Ok(()) } else { self.add(stored) }
            })?;
        }
        Ok(())
    }

    fn add(&mut self, stored: Stored) -> Result<(), Error> {
        if self.by_target.len() >= MOST {
            let message = format!("the episode has more than {MOST} resources");
            return Err(Error::Search(search::Error::TooCostly { name: None, message }));
        }
        let target = (stored.kind, stored.id.clone());
        // Found by the episode and by its visit: read once.
        if self.by_target.contains_key(&target) {
            return Ok(());
        }
        if let Some(resource) = stored.content()? {
            self.by_target.insert(target, resource);
        }
        Ok(())
    }

    fn of_type(&self, kind: &str) -> Vec<String> {
        let targets = self.by_target.keys().filter(|(own, _)| own.as_str() == kind);
        targets.map(|(kind, id)| format!("{kind}/{id}")).collect()
    }

    /// Adds what is referred to, and tells what that was.
    fn finish(mut self) -> Result<(Episode, BTreeSet<(ResourceType, Id)>), Error> {
        let mut looked_for = BTreeSet::new();
        let mut named = HashSet::new();
        for resource in self.by_target.values().chain([&self.episode]) {
            references(resource.value(), &mut |text| note(&mut named, text));
        }
        let mut asked: HashSet<String> = HashSet::new();
        for _ in 0..ROUNDS {
            let fresh: Vec<String> = named.drain().filter(|text| !asked.contains(text)).collect();
            for text in fresh {
                let reference = Reference::parse(&text);
                asked.insert(text);
                let Some((kind, id)) = reference.target().map(|(kind, id)| (kind, id.clone()))
                else {
                    continue;
                };
                if self.by_target.contains_key(&(kind, id.clone())) {
                    continue;
                }
                looked_for.insert((kind, id.clone()));
                let at = self.then.as_ref().map(|(at, _)| *at);
                let Some(stored) = stored(self.view, kind, &id, at)? else { continue };
                self.add(stored)?;
                if let Some(resource) = self.by_target.get(&(kind, id)) {
                    references(resource.value(), &mut |text| note(&mut named, text));
                }
            }
        }
        let resources = self.by_target.into_values().collect();
        Ok((Episode { episode: self.episode, resources }, looked_for))
    }
}

/// The version of now, or of a moment.
fn stored(
    view: &dyn View,
    kind: ResourceType,
    id: &Id,
    at: Option<Instant>,
) -> Result<Option<Stored>, Error> {
    Ok(match at {
        None => repository::current(view, kind, id)?,
        Some(at) => repository::version_at(view, kind, id, at)?,
    })
}

/// What was changed since a moment.
fn changed(view: &dyn View, at: Instant) -> Result<BTreeSet<(ResourceType, Id)>, Error> {
    let message = format!("more than {COMMITS} commits came after that moment");
    let costly = search::Error::TooCostly { name: None, message };
    repository::changed_after(view, at, COMMITS)?.ok_or(Error::Search(costly))
}

/// Whether some resource of the type has a value for the parameter: for most types of most stores
/// there is none, and nothing to search.
fn has_rows(
    held: &Held,
    view: &dyn View,
    kind: ResourceType,
    parameter: &str,
) -> Result<bool, Error> {
    if held.rules.definitions().get(kind, parameter).is_none() {
        return Ok(false);
    }
    // A search says why there are no rows to be asked.
    let Some(parameter) = held.rules.parameter(kind, parameter) else { return Ok(true) };
    for source in &parameter.sources {
        if let Some(row) = view.scan(key::index_range(kind, source, &[], &[])).next() {
            row?;
            return Ok(true);
        }
    }
    Ok(false)
}

/// Notes the text of a reference, once.
fn note(named: &mut HashSet<String>, text: &str) {
    if !named.contains(text) {
        named.insert(text.to_owned());
    }
}
