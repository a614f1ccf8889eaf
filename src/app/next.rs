//! How definitions change: from those in force, and what is to be stored or deleted, to the next.
//!
//! A definition is in force unless it is retired, is a copy of one of the standard's, or describes
//! something that nothing is held to (a logical model). Several with one canonical must differ in
//! their version; a canonical without version then means the latest. The standard's own definitions
//! and ours cannot be replaced. What would break another that is in force is refused.
//! Source: <http://hl7.org/fhir/R4/references.html#canonical>,
//! <http://hl7.org/fhir/R4/valueset-publication-status.html>.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use serde_json::Value;

use super::held::StoredDefinition;
use super::{Held, Standard, check};
use crate::definitions::Origin;
use crate::definitions::canonical::{Canonical, DESCRIPTIVE, EFFECTIVE, compare_versions};
use crate::definitions::search_parameter::{SearchParameter, SearchParameters};
use crate::fhir::json::At;
use crate::fhir::{Id, Issue, IssueType, ResourceType};
use crate::index::Pending;
use crate::store::Seq;
use crate::terminology::Terminology;

/// A stored definition that is to be another, or none.
#[derive(Clone, Debug)]
pub struct Edit {
    /// The type.
    pub kind: ResourceType,
    /// The id.
    pub id: Id,
    /// The new content; none for a deletion.
    pub value: Option<Arc<Value>>,
}

/// The definitions as they will be.
pub struct Next {
    pub(super) held: Held,
    /// What is said of each edit that has a word to it, by its place in the list.
    pub notes: Vec<(usize, Issue)>,
    /// The parameters that need rows for what is stored already.
    pub fresh: Pending,
}

impl Next {
    /// The definitions as they will be, for use without a store.
    pub fn into_held(self) -> Held {
        self.held
    }
}

/// Why the definitions cannot change so: the faults of each edit, by its place in the list.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Refused(pub Vec<(usize, Issue)>);

/// Whether resources of that type take effect when they are stored.
pub fn is_effective(kind: ResourceType) -> bool {
    EFFECTIVE.contains(&kind.as_str())
}

/// Whether resources of that type describe rules and not anybody's record.
pub fn is_descriptive(kind: ResourceType) -> bool {
    DESCRIPTIVE.contains(&kind.as_str())
}

/// What becomes of a definition that is stored.
enum Effect {
    InForce,
    None(Option<Issue>),
}

impl Held {
    /// These definitions and those that the store has, at start: what cannot be used is left out
    /// when it is needed, with a word in the log. `pending` is what was still to be indexed.
    #[must_use]
    pub fn restored(
        &self,
        definitions: impl Iterator<Item = (ResourceType, Id, Value)>,
        generation: Option<Seq>,
        pending: Pending,
    ) -> Self {
        let mut stored = BTreeMap::new();
        let mut touched = Touched::default();
        for (kind, id, value) in definitions {
            let Some(canonical) = Canonical::of(Arc::new(value)) else { continue };
            let in_force = matches!(effect(&self.base, &canonical), Ok(Effect::InForce));
            if in_force {
                touched.add(&canonical);
            }
            let canonical = Arc::new(canonical);
            stored.insert((kind, id), StoredDefinition { canonical, in_force });
        }
        let held = self.built(stored, &touched);
        Self { rules: held.rules.awaiting(pending), generation, ..held }
    }

    /// The definitions after those edits.
    ///
    /// # Errors
    /// [`Refused`] with everything that is wrong with them.
    pub fn next(&self, edits: &[Edit]) -> Result<Next, Refused> {
        let mut stored = self.stored.clone();
        let mut touched = Touched::default();
        let (mut notes, mut faults) = (Vec::new(), Vec::new());
        for (at, Edit { kind, id, value }) in edits.iter().enumerate() {
            let key = (*kind, id.clone());
            if let Some(old) = stored.remove(&key).filter(|old| old.in_force) {
                touched.add(&old.canonical);
            }
            let Some(canonical) = value.clone().and_then(Canonical::of) else { continue };
            let in_force = match effect(&self.base, &canonical) {
                Ok(Effect::InForce) => true,
                Ok(Effect::None(note)) => {
                    notes.extend(note.map(|note| (at, note)));
                    false
                }
                Err(fault) => {
                    faults.push((at, fault));
                    continue;
                }
            };
            if in_force {
                touched.add(&canonical);
            }
            let canonical = Arc::new(canonical);
            stored.insert(key, StoredDefinition { canonical, in_force });
        }
        for (at, edit) in edits.iter().enumerate() {
            faults.extend(same_canonical(&stored, edit).map(|fault| (at, fault)));
            faults.extend(same_code(&stored, &self.base, edit).map(|fault| (at, fault)));
        }
        if !faults.is_empty() {
            return Err(Refused(faults));
        }
        let held = self.built(stored, &touched);
        held.judge(edits, &touched)?;
        let fresh = held.fresh(self, &touched);
        for (at, edit) in edits.iter().enumerate() {
            let url = edit.value.as_ref().and_then(|value| value.at("url").as_str());
            let is_fresh = url.and_then(|url| held.standard.parameters.by_url(url));
            if is_fresh.is_some_and(|p| fresh.values().any(|codes| codes.contains(&p.code))) {
                let text = "What is stored already is indexed for the parameter now; until that is \
                            done, searches by it are refused as not supported.";
                notes.push((at, Issue::information(text)));
            }
        }
        let mut pending = self.rules.pending().clone();
        for (kind, codes) in &fresh {
            pending.entry(*kind).or_default().extend(codes.iter().cloned());
        }
        let held = Self { rules: held.rules.awaiting(pending), ..held };
        Ok(Next { held, notes, fresh })
    }

    /// With those stored definitions; what was not touched is shared.
    fn built(
        &self,
        stored: BTreeMap<(ResourceType, Id), StoredDefinition>,
        touched: &Touched,
    ) -> Self {
        let held = &*self.standard;
        let in_force = || stored.values().filter(|s| s.in_force).map(|s| &*s.canonical);
        let of_kind = |kind: &'static str| in_force().filter(move |held| held.kind == kind);
        let structures = touched.of("StructureDefinition");
        let definitions = match structures.is_empty() {
            true => Arc::clone(&held.definitions),
            false => Arc::new(self.base.definitions.with(of_kind("StructureDefinition"))),
        };
        let terms: BTreeSet<&str> = ["CodeSystem", "ValueSet", "ConceptMap"]
            .into_iter()
            .flat_map(|kind| touched.of(kind).iter().map(String::as_str))
            .collect();
        let terminology = match terms.is_empty() {
            true => Arc::clone(&held.terminology),
            false => Arc::new(terminology(&held.terminology, &terms, in_force())),
        };
        let (parameters, rules) = if touched.of("SearchParameter").is_empty() {
            let rules = self.rules.with(held.parameters.clone(), |_| false);
            (held.parameters.clone(), rules)
        } else {
            let mut all = self.base.parameters.clone();
            in_order(of_kind("SearchParameter")).into_iter().for_each(|new| add(&mut all, new));
            let changed = changed_types(&[&held.parameters, &all], touched.of("SearchParameter"));
            (all.clone(), self.rules.with(all, |kind| changed.contains(&kind)))
        };
        // A document that is not JSON was refused when it was loaded.
        let changed = definitions.dependents(structures).unwrap_or_else(|_| structures.clone());
        let shared = (Arc::clone(&definitions), Arc::clone(&terminology));
        let rules = rules.with_terminology(Arc::clone(&terminology));
        let standard = Standard {
            validator: held.validator.next(shared.0, shared.1, &changed),
            model: Arc::clone(&held.model),
            own: Arc::clone(&held.own),
            fingerprints: Arc::clone(&held.fingerprints),
            definitions,
            terminology,
            parameters,
        };
        let (standard, base) = (Arc::new(standard), Arc::clone(&self.base));
        Self { standard, rules, base, stored, generation: self.generation }
    }

    /// Whether what was edited can be used, and whether everything that rests on it still can.
    fn judge(&self, edits: &[Edit], touched: &Touched) -> Result<(), Refused> {
        let mut faults = Vec::new();
        for (at, edit) in edits.iter().enumerate() {
            let stored = self.stored.get(&(edit.kind, edit.id.clone()));
            if let Some(stored) = stored.filter(|stored| stored.in_force) {
                let found = check::definition(&self.standard, &self.rules, &stored.canonical);
                faults.extend(found.into_iter().map(|issue| (at, issue)));
            }
        }
        let changed = touched.of("StructureDefinition");
        let dependents = self.standard.definitions.dependents(changed);
        let dependents = dependents.unwrap_or_default();
        let is_edited = |key: &(ResourceType, Id)| {
            edits.iter().any(|edit| edit.kind == key.0 && edit.id == key.1)
        };
        let first = edits.iter().position(|edit| edit.kind.as_str() == "StructureDefinition");
        for ((kind, id), held) in self.in_force() {
            let rests = held.kind == "StructureDefinition" && dependents.contains(&held.url);
            if rests && !is_edited(&(*kind, id.clone())) {
                let broken = check::definition(&self.standard, &self.rules, held);
                if broken.iter().any(Issue::is_error) {
                    let text = format!("{kind}/{id} rests on it and could not be used any more.");
                    let issue = Issue::error(IssueType::Conflict, text).at(kind.as_str());
                    faults.push((first.unwrap_or_default(), issue));
                }
            }
        }
        if faults.iter().any(|(_, issue)| issue.is_error()) { Err(Refused(faults)) } else { Ok(()) }
    }

    /// The parameters that the older rules made no rows for.
    fn fresh(&self, older: &Self, touched: &Touched) -> Pending {
        let urls = touched.of("SearchParameter");
        let parameters = [&older.standard.parameters, &self.standard.parameters];
        let kinds = changed_types(&parameters, urls).into_iter();
        let fresh = kinds.map(|kind| (kind, self.rules.fresh(&older.rules, kind)));
        fresh.filter(|(_, codes)| !codes.is_empty()).collect()
    }
}

/// The canonicals that changed, by the type of definition.
#[derive(Default)]
struct Touched(BTreeMap<String, BTreeSet<String>>);

impl Touched {
    fn add(&mut self, canonical: &Canonical) {
        self.0.entry(canonical.kind.clone()).or_default().insert(canonical.url.clone());
    }

    fn of(&self, kind: &str) -> &BTreeSet<String> {
        static NONE: BTreeSet<String> = BTreeSet::new();
        self.0.get(kind).unwrap_or(&NONE)
    }
}

/// What a stored definition is for; an error, where it must not be stored.
fn effect(base: &Standard, new: &Canonical) -> Result<Effect, Issue> {
    let place = format!("{}.url", new.kind);
    if base.own.has_url(&new.url) {
        let text = "This definition is published by the server itself and is read-only.";
        return Err(Issue::error(IssueType::BusinessRule, text).at(place));
    }
    if let Some(version) = version_in_standard(base, new) {
        if new.version.as_deref() == Some(version.as_str()) {
            let text = "A copy of a definition of the standard has no effect; the standard's own \
                        stays in force.";
            return Ok(Effect::None(Some(Issue::warning(IssueType::BusinessRule, text).at(place))));
        }
        let text = format!(
            "The standard's own definition of this canonical (version {version}) cannot be \
             replaced; choose another url."
        );
        return Err(Issue::error(IssueType::BusinessRule, text).at(place));
    }
    let without = |element: &str, text: &str| {
        let issue = Issue::warning(IssueType::Informational, text);
        Ok(Effect::None(Some(issue.at(format!("{}.{element}", new.kind)))))
    };
    if new.is_retired {
        return without("status", "A retired definition is kept, but is not in force.");
    }
    let text = |key: &str| new.value.at(key).as_str();
    match new.kind.as_str() {
        "StructureDefinition" if text("derivation") != Some("constraint") => {
            without("derivation", "A model or new type is kept, but nothing is held to it.")
        }
        "SearchParameter" if text("expression").is_none() => {
            without("expression", "Without an expression the parameter cannot be searched by.")
        }
        _ => Ok(Effect::InForce),
    }
}

/// The version of the standard's definition of that canonical, if it has one.
fn version_in_standard(base: &Standard, new: &Canonical) -> Option<String> {
    const R4: &str = "4.0.1";
    if new.kind == "SearchParameter" {
        return base.parameters.by_url(&new.url).map(|_| R4.to_owned());
    }
    match base.definitions.origin(&new.kind, &new.url) {
        Ok(Some((Origin::Standard, version))) => Some(version.unwrap_or_else(|| R4.to_owned())),
        _ => None,
    }
}

/// Two definitions of one canonical must be two versions of it.
fn same_canonical(
    stored: &BTreeMap<(ResourceType, Id), StoredDefinition>,
    edit: &Edit,
) -> Option<Issue> {
    let key = (edit.kind, edit.id.clone());
    let new = stored.get(&key).filter(|new| new.in_force)?;
    let mut others = stored.iter().filter(|(other, held)| **other != key && held.in_force);
    let ((kind, id), _) = others.find(|(_, held)| {
        let (held, new) = (&held.canonical, &new.canonical);
        held.kind == new.kind && held.url == new.url && held.version == new.version
    })?;
    let text = format!("{kind}/{id} has the same canonical and version already.");
    Some(Issue::error(IssueType::Duplicate, text).at(format!("{kind}.url")))
}

/// A name in a query must mean one parameter. One that says what the standard's says is let pass.
fn same_code(
    stored: &BTreeMap<(ResourceType, Id), StoredDefinition>,
    base: &Standard,
    edit: &Edit,
) -> Option<Issue> {
    let key = (edit.kind, edit.id.clone());
    let new = stored.get(&key).filter(|new| new.in_force && new.canonical.kind == PARAMETER)?;
    let new = SearchParameter::from_value(&new.canonical.value).ok()?;
    let others = stored.iter().filter(|(other, held)| {
        **other != key && held.in_force && held.canonical.kind == PARAMETER
    });
    let others = others.filter_map(|(_, held)| {
        let other = SearchParameter::from_value(&held.canonical.value).ok()?;
        (other.code == new.code && other.url != new.url).then(|| Arc::new(other))
    });
    let others: Vec<_> = others.collect();
    let clash = ResourceType::all().filter(|kind| new.applies_to(*kind)).find_map(|kind| {
        let held = base.parameters.get(kind, &new.code).filter(|held| !is_same(held, &new));
        let other = || others.iter().find(|other| other.applies_to(kind));
        held.or_else(other).map(|held| (kind, held.url.clone()))
    });
    let (kind, url) = clash?;
    let text = format!("{kind} has a search parameter of this code already: {url}.");
    Some(Issue::error(IssueType::Duplicate, text).at("SearchParameter.code"))
}

const PARAMETER: &str = "SearchParameter";

fn is_same(held: &SearchParameter, new: &SearchParameter) -> bool {
    held.kind == new.kind && held.expression == new.expression
}

/// Adds a stored parameter. Where it says what one of the standard's says, that one stays.
fn add(all: &mut SearchParameters, new: &Canonical) {
    match SearchParameter::from_value(&new.value) {
        Ok(parameter) => all.add_where_free(parameter),
        Err(unusable) => tracing::warn!(url = new.url, %unusable, "a search parameter is left out"),
    }
}

/// The older versions first, so that what is added last is the latest.
fn in_order<'a>(definitions: impl Iterator<Item = &'a Canonical>) -> Vec<&'a Canonical> {
    let mut all: Vec<&Canonical> = definitions.collect();
    all.sort_by(|a, b| compare_versions(a.version.as_deref(), b.version.as_deref()));
    all
}

/// The terminology in which those canonicals are what the definitions in force say.
fn terminology<'a>(
    held: &Terminology,
    urls: &BTreeSet<&str>,
    in_force: impl Iterator<Item = &'a Canonical>,
) -> Terminology {
    let mut all = held.clone();
    urls.iter().for_each(|url| all.remove(url));
    for definition in in_order(in_force.filter(|held| urls.contains(held.url.as_str()))) {
        if ["CodeSystem", "ValueSet", "ConceptMap"].contains(&definition.kind.as_str())
            && let Err(error) = all.add(&definition.value)
        {
            tracing::warn!(url = definition.url, %error, "a definition is left out");
        }
    }
    all
}

/// The types whose parameters may be others when those canonicals change.
fn changed_types(sets: &[&SearchParameters], urls: &BTreeSet<String>) -> BTreeSet<ResourceType> {
    let all = sets.iter().flat_map(|set| set.all());
    let concerned: Vec<_> = all
        .filter(|parameter| {
            let mut parts = parameter.components.iter();
            urls.contains(&parameter.url) || parts.any(|part| urls.contains(&part.definition))
        })
        .collect();
    let is_concerned = |kind: &ResourceType| concerned.iter().any(|p| p.applies_to(*kind));
    ResourceType::all().filter(is_concerned).collect()
}
