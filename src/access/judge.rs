//! Whether a resource may be seen by what a token permits.
//!
//! Asked of index rows where a resource is current, of its content where it is a past version: a
//! version that was about another patient is that patient's. What is found is kept for the life of
//! the view.

use std::cell::{OnceCell, RefCell};
use std::collections::{BTreeSet, HashMap};
use std::rc::Rc;
use std::sync::Arc;

use crate::access::beyond::Beyond;
use crate::app::Held;
use crate::definitions::compartment::Compartments;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType, VersionId};
use crate::index::{self, Rules};
use crate::repository::{self, key, notice, read};
use crate::search::clause::Clause;
use crate::search::query::Limits;
use crate::search::read::Rows;
use crate::search::{self, Query, Setting};
use crate::smart::{Access, Action, Context, Scope};
use crate::store::View;

type Kind = ResourceType;

/// How far what lies along other resources is followed: a Provenance of a Binary of a letter.
const STEPS: usize = 3;

/// What a token permits, asked of the rows of one view.
pub(super) struct Judge {
    access: Arc<Access>,
    held: Arc<Held>,
    actions: &'static [Action],
    ways: RefCell<HashMap<Kind, Rc<Way>>>,
    seen: RefCell<HashMap<(Kind, Id), bool>>,
    /// The patients in the care of the user.
    care: OnceCell<BTreeSet<Id>>,
}

/// Whose a resource is, for who exports the records of patients.
pub struct Whose(Judge);

impl Whose {
    /// By the rules in force.
    pub fn new(held: &Arc<Held>) -> Self {
        let none = Access { client: String::new(), scopes: Vec::new(), patient: None, user: None };
        Self(Judge::new(Arc::new(none), Arc::clone(held), &[]))
    }

    /// Whether a version, with the rows that it has, is about those patients and no other.
    ///
    /// # Errors
    /// [`search::Error::Repository`].
    pub fn concerns(
        &self,
        view: &dyn View,
        (kind, id): (Kind, &Id),
        rows: &Rows<'_>,
        resource: &Resource,
        is_own: &dyn Fn(&Id) -> bool,
    ) -> Result<bool, search::Error> {
        let content = || Ok(Some(resource.clone()));
        let about = About { kind, id, rows, content: &content };
        self.0.belongs(view, about, &|id| Ok(is_own(id)), STEPS)
    }
}

impl Whose {
    /// The patients whom a resource is about as it stands, or, if it is deleted, as it stood before:
    /// itself, those in whose compartments it is, those of what it follows.
    ///
    /// # Errors
    /// [`search::Error::Repository`].
    pub fn patients(
        &self,
        view: &dyn View,
        kind: Kind,
        id: &Id,
    ) -> Result<BTreeSet<Id>, search::Error> {
        let found = RefCell::new(BTreeSet::new());
        let note = |patient: &Id| {
            found.borrow_mut().insert(patient.clone());
            Ok(true)
        };
        let rows = Rows::read(view, kind, id)?;
        if rows.is_there() {
            let content = || content(repository::current(view, kind, id)?);
            self.0.belongs(
                view,
                About { kind, id, rows: &rows, content: &content },
                &note,
                STEPS,
            )?;
        } else if let Some(row) = view.get(&key::current(kind, id))? {
            let (version, _) = read::parse_current(&row.value)?;
            let before = VersionId(version.0.saturating_sub(1));
            if let Some(resource) = content(repository::version(view, kind, id, before)?)? {
                let entries = index::entries(&self.0.held.rules, &resource);
                let rows = Rows::of_value(view, (kind, id), resource.value(), entries);
                let content = || Ok(Some(resource.clone()));
                let about = About { kind, id, rows: &rows, content: &content };
                self.0.belongs(view, about, &note, STEPS)?;
            }
        }
        Ok(found.into_inner())
    }
}

/// How resources of a type are judged.
enum Way {
    /// Any may be seen.
    Always,
    /// One of these must be met; none: nothing may be seen.
    One(Vec<Asked>),
}

/// What one scope asks of a resource.
struct Asked {
    whose: Context,
    clauses: Vec<Clause>,
}

impl Judge {
    /// The judge of what may be seen for one of those actions.
    pub(super) fn new(access: Arc<Access>, held: Arc<Held>, actions: &'static [Action]) -> Self {
        let (ways, seen, care) = Default::default();
        Self { access, held, actions, ways, seen, care }
    }

    /// Whether everything may be seen.
    pub(super) fn sees_all(&self) -> bool {
        self.access.sees_all()
    }

    /// Whether all resources of the type may be seen, or none; none where they must be looked at.
    pub(super) fn at_once(&self, kind: Kind) -> Result<Option<bool>, search::Error> {
        // The whole of a type, as most clients of a clinic have it: nothing to be kept for the next.
        if self.ways.borrow().is_empty() && self.is_whole(kind) && !is_private(kind) {
            return Ok(Some(true));
        }
        Ok(match &*self.way(kind)? {
            Way::Always if is_private(kind) => None,
            Way::Always => Some(true),
            Way::One(asked) if asked.is_empty() => Some(false),
            Way::One(_) => None,
        })
    }

    /// Whether the resource may be seen as it is now, or, if it is deleted, as it was before.
    pub(super) fn sees(&self, view: &dyn View, kind: Kind, id: &Id) -> Result<bool, search::Error> {
        if let Some(answer) = self.at_once(kind)? {
            return Ok(answer);
        }
        if is_private(kind) && !self.owns(view, id)? {
            return Ok(false);
        }
        let known = self.seen.borrow().get(&(kind, id.clone())).copied();
        if let Some(answer) = known {
            return Ok(answer);
        }
        let rows = Rows::read(view, kind, id)?;
        let answer = if rows.is_there() {
            let content = || content(repository::current(view, kind, id)?);
            self.holds(view, About { kind, id, rows: &rows, content: &content })?
        } else {
            match view.get(&key::current(kind, id))? {
                Some(row) => self.saw(view, (kind, id), read::parse_current(&row.value)?.0)?,
                None => false,
            }
        };
        self.seen.borrow_mut().insert((kind, id.clone()), answer);
        Ok(answer)
    }

    /// Whether that version may be seen. A deletion may be where what was deleted might.
    pub(super) fn sees_version(
        &self,
        view: &dyn View,
        (kind, id): (Kind, &Id),
        version: VersionId,
    ) -> Result<bool, search::Error> {
        if let Some(answer) = self.at_once(kind)? {
            return Ok(answer);
        }
        if is_private(kind) && !self.owns(view, id)? {
            return Ok(false);
        }
        let row = view.get(&key::current(kind, id))?;
        match row.map(|row| read::parse_current(&row.value)).transpose()? {
            Some((current, false)) if current == version => self.sees(view, kind, id),
            _ => self.saw(view, (kind, id), version),
        }
    }

    /// Whether the Subscription is the client's own. Nobody else sees where it leads, or by which
    /// headers (<http://hl7.org/fhir/uv/subscriptions-backport/safety_security.html>).
    pub(super) fn owns(&self, view: &dyn View, id: &Id) -> Result<bool, search::Error> {
        let subscriber = notice::subscriber(view, id)?;
        let client = subscriber.and_then(|subscriber| subscriber.client);
        Ok(client.is_some_and(|client| client == self.access.client))
    }

    /// The same of a version by its own content.
    fn saw(
        &self,
        view: &dyn View,
        (kind, id): (Kind, &Id),
        mut version: VersionId,
    ) -> Result<bool, search::Error> {
        while version.0 > 0 {
            let stored = repository::version(view, kind, id, version)?;
            if let Some(resource) = content(stored)? {
                let entries = index::entries(&self.held.rules, &resource);
                let rows = Rows::of_value(view, (kind, id), resource.value(), entries);
                let content = || Ok(Some(resource.clone()));
                return self.holds(view, About { kind, id, rows: &rows, content: &content });
            }
            version = VersionId(version.0 - 1);
        }
        Ok(false)
    }

    fn holds(&self, view: &dyn View, about: About<'_>) -> Result<bool, search::Error> {
        let way = self.way(about.kind)?;
        let Way::One(asked) = &*way else { return Ok(true) };
        for asked in asked {
            let clauses: Vec<&Clause> = asked.clauses.iter().collect();
            if self.is_of(view, asked.whose, about)? && about.rows.hold(&clauses)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Whether it is among the records of that context.
    fn is_of(
        &self,
        view: &dyn View,
        whose: Context,
        about: About<'_>,
    ) -> Result<bool, search::Error> {
        // That it is the client's own was asked before.
        if is_private(about.kind) {
            return Ok(true);
        }
        let of_patient = |patient: &Id| self.belongs(view, about, &|id| Ok(id == patient), STEPS);
        match whose {
            Context::System => Ok(true),
            Context::Patient => self.access.patient.as_ref().map_or(Ok(false), of_patient),
            Context::User => match &self.access.user {
                None => Ok(false),
                Some((kind, id)) if kind.as_str() == "Patient" => of_patient(id),
                Some(user) => {
                    let in_care = |id: &Id| Ok(self.care(view, user)?.contains(id));
                    Ok(self.is_within(about, user)?
                        || self.belongs(view, about, &in_care, STEPS)?)
                }
            },
        }
    }

    /// Whether it is in the compartment of that resource.
    fn is_within(
        &self,
        About { kind, id, rows, .. }: About<'_>,
        (of, user): &(Kind, Id),
    ) -> Result<bool, search::Error> {
        if (kind, id) == (*of, user) {
            return Ok(true);
        }
        let codes = Compartments::standard().parameters(*of, kind);
        let sources = self.sources(kind, codes);
        Ok(rows.targets(&sources, *of)?.contains(user))
    }

    /// Whether it is about those patients and about no other. What stands in the compartments of
    /// several patients, such as a Group, is seen by who may see them all.
    fn belongs(
        &self,
        view: &dyn View,
        About { kind, id, rows, content }: About<'_>,
        is_own: &dyn Fn(&Id) -> Result<bool, search::Error>,
        steps: usize,
    ) -> Result<bool, search::Error> {
        let beyond = Beyond::shipped();
        let patient = Kind::parse("Patient");
        if Some(kind) == patient {
            return is_own(id);
        }
        if beyond.open.contains(&kind) {
            return Ok(true);
        }
        let mut targets = Vec::new();
        if kind.as_str() == "Binary" {
            targets.extend(content()?.as_ref().and_then(security_context));
        } else if let Some(codes) = beyond.along.get(&kind) {
            targets = rows.all_targets(&self.sources(kind, codes))?;
        } else {
            let (Some(patient), standard) = (patient, Compartments::standard()) else {
                return Ok(false);
            };
            let sources = self.sources(kind, standard.parameters(patient, kind));
            let patients = rows.targets(&sources, patient)?;
            return every(&patients, is_own);
        }
        every(&targets, &|(kind, id): &(Kind, Id)| {
            let Some(steps) = steps.checked_sub(1) else { return Ok(false) };
            let rows = Rows::read(view, *kind, id)?;
            let content = || self::content(repository::current(view, *kind, id)?);
            let about = About { kind: *kind, id, rows: &rows, content: &content };
            Ok(rows.is_there() && self.belongs(view, about, is_own, steps)?)
        })
    }

    /// The patients in the care of a practitioner.
    fn care(&self, view: &dyn View, user: &(Kind, Id)) -> Result<&BTreeSet<Id>, search::Error> {
        if let Some(known) = self.care.get() {
            return Ok(known);
        }
        let Some(patient) = Kind::parse("Patient") else {
            return Ok(self.care.get_or_init(BTreeSet::new));
        };
        let mut found = BTreeSet::new();
        for care in &Beyond::shipped().care {
            for source in self.held.rules.sources(care.kind, &care.practitioner) {
                for id in read::pointing(view, care.kind, source, (user.0, &user.1)) {
                    let id = id?;
                    match &care.patient {
                        None => found.extend([id]),
                        Some(code) => {
                            let sources = self.held.rules.sources(care.kind, code);
                            found.extend(
                                Rows::read(view, care.kind, &id)?.targets(sources, patient)?,
                            );
                        }
                    }
                }
            }
        }
        Ok(self.care.get_or_init(|| found))
    }

    fn sources(&self, kind: Kind, codes: &[String]) -> Vec<String> {
        codes.iter().flat_map(|code| self.held.rules.sources(kind, code)).cloned().collect()
    }

    fn way(&self, kind: Kind) -> Result<Rc<Way>, search::Error> {
        if let Some(known) = self.ways.borrow().get(&kind) {
            return Ok(Rc::clone(known));
        }
        let way = Rc::new(self.find_way(kind)?);
        self.ways.borrow_mut().insert(kind, Rc::clone(&way));
        Ok(way)
    }

    /// The scopes that are about that type.
    fn about(&self, kind: Kind) -> impl Iterator<Item = &Scope> {
        self.actions.iter().flat_map(move |action| self.access.about(kind, *action))
    }

    fn is_whole(&self, kind: Kind) -> bool {
        let is_whole =
            |scope: &Scope| scope.context == Context::System && scope.criteria.is_empty();
        self.about(kind).any(is_whole)
    }

    fn find_way(&self, kind: Kind) -> Result<Way, search::Error> {
        if self.is_whole(kind) {
            return Ok(Way::Always);
        }
        let mut all = Vec::new();
        for scope in self.about(kind) {
            let clauses = clauses(&self.held.rules, kind, scope)?;
            all.push(Asked { whose: scope.context, clauses });
        }
        Ok(Way::One(all))
    }
}

/// Whether resources of the type are for the client that made them.
fn is_private(kind: Kind) -> bool {
    kind.as_str() == "Subscription"
}

/// A resource that is judged.
#[derive(Clone, Copy)]
struct About<'a> {
    kind: Kind,
    id: &'a Id,
    rows: &'a Rows<'a>,
    content: Content<'a>,
}

/// Gives the content of a resource, for what its rows do not tell.
type Content<'a> = &'a dyn Fn() -> Result<Option<Resource>, search::Error>;

fn content(stored: Option<repository::Stored>) -> Result<Option<Resource>, search::Error> {
    Ok(stored.map(|stored| stored.content()).transpose()?.flatten())
}

/// Whether it holds for each, and there is one.
fn every<T>(
    all: &[T],
    holds: &dyn Fn(&T) -> Result<bool, search::Error>,
) -> Result<bool, search::Error> {
    for one in all {
        if !holds(one)? {
            return Ok(false);
        }
    }
    Ok(!all.is_empty())
}

/// What a Binary follows (<http://hl7.org/fhir/R4/binary.html#security-context>).
fn security_context(binary: &Resource) -> Option<(Kind, Id)> {
    let text = binary.value().at("securityContext").at("reference").as_str()?;
    let reference = Reference::parse(text);
    reference.target().map(|(kind, id)| (kind, id.clone()))
}

/// What a scope's criteria ask of resources of a type.
///
/// # Errors
/// [`search::Error`] for criteria that cannot be read, or that ask for more than the rows of the
/// resource itself tell.
pub fn clauses(rules: &Rules, kind: Kind, scope: &Scope) -> Result<Vec<Clause>, search::Error> {
    let setting =
        Setting { rules, now: Instant::from_millis(0), strict: true, limits: Limits::default() };
    let query = Query::parse(&setting, kind, &scope.criteria)?;
    let simple = |clause: &Clause| matches!(clause, Clause::Index { .. } | Clause::Ids { .. });
    let is_bare = query.sort.is_empty() && query.includes.is_empty();
    if query.clauses.iter().all(simple) && is_bare {
        return Ok(query.clauses);
    }
    let name = scope.criteria.first().map(|(name, _)| name.clone()).unwrap_or_default();
    let message = "a scope asks for values of the resource itself".to_owned();
    Err(search::Error::NotSupported { name, message })
}
