//! Joins: clauses about other resources, asked of the store and put in terms of one type.
//!
//! The inner clause of a chain is answered first, if it comes down to few resources; otherwise the
//! chain is left to be asked of each candidate. What stands in the store (Lists, value sets,
//! hierarchies) is read here.
//! Source: <http://hl7.org/fhir/R4/search.html#chaining>, <http://hl7.org/fhir/R4/search.html#has>.

use std::collections::BTreeSet;

use serde_json::Value;

use crate::fhir::{Id, Reference, Resource, ResourceType};
use crate::index::Rules;
use crate::repository;
use crate::search::candidates::{Course, Source, filter};
use crate::search::check::Check;
use crate::search::clause::{Clause, flatten, terms};
use crate::search::condition::{Condition, OneOf, Test, Token};
use crate::search::joint::Pointing;
use crate::search::plan::Choice;
use crate::search::query::Limits;
use crate::search::read::Rows;
use crate::search::run::FEW_JOINED;
use crate::search::{Error, tree};
use crate::store::View;
use crate::terminology::expand::ValueSetSource;

/// How few resources must point for them to be looked through first, where a joint would tell of each
/// candidate whether one of them points to it.
const FEW_TOLD: usize = 32;

/// What joining needs to know.
#[derive(Clone, Copy)]
pub(super) struct Join<'a> {
    pub(super) view: &'a dyn View,
    pub(super) rules: &'a Rules,
    pub(super) limits: Limits,
    /// To how many resources a link of a chain may come down for it to be answered first.
    pub(super) few: usize,
}

impl Join<'_> {
    /// The clause for resources of that type, with nothing left to be read but rows.
    ///
    /// # Errors
    /// [`Error::TooCostly`], [`Error::BadValue`] for a value set that is not stored,
    /// [`Error::Repository`].
    pub(super) fn clause(&self, kind: ResourceType, clause: &Clause) -> Result<Clause, Error> {
        match clause {
            Clause::Ids { .. } | Clause::Index { .. } | Clause::Phrase { .. } => Ok(clause.clone()),
            Clause::Every(clauses) => {
                let joined = clauses.iter().map(|clause| self.clause(kind, clause));
                Ok(Clause::Every(joined.collect::<Result<_, _>>()?))
            }
            Clause::Either(clauses) => {
                let joined = clauses.iter().map(|clause| self.clause(kind, clause));
                self.either(kind, joined.collect::<Result<_, _>>()?)
            }
            Clause::Chain { label, sources, targets } => self.chain(label, sources, targets),
            Clause::Has { label, kind: by, sources, inner } => {
                self.has(kind, label, (*by, sources), inner)
            }
            Clause::ValueSet { label, negated, condition, id, implied } => {
                let codes = self.value_set(label, id, implied)?;
                let condition = Condition { test: Test::Token(codes), ..(**condition).clone() };
                Ok(Clause::Index { label: label.clone(), negated: *negated, any: vec![condition] })
            }
            Clause::Hierarchy { label, sources, starts, above } => {
                let (view, rules) = (self.view, self.rules);
                let all = tree::walk(view, rules, self.limits, (starts, *above), label)?;
                Ok(pointing_to(label, sources, all))
            }
            Clause::Listed { lists, .. } => {
                let mut ids = BTreeSet::new();
                for list in lists {
                    ids.extend(self.items(kind, list)?);
                }
                Ok(Clause::Ids { ids, negated: false })
            }
        }
    }

    fn either(&self, kind: ResourceType, clauses: Vec<Clause>) -> Result<Clause, Error> {
        let mut ids = BTreeSet::new();
        for clause in &clauses {
            let Some(found) = self.ids_if_few(kind, clause, self.limits.listed)? else {
                return Ok(Clause::Either(clauses));
            };
            ids.extend(found);
        }
        Ok(Clause::Ids { ids, negated: false })
    }

    fn chain(
        &self,
        label: &str,
        sources: &[String],
        targets: &[(ResourceType, Clause)],
    ) -> Result<Clause, Error> {
        let joined = targets.iter().map(|(kind, inner)| Ok((*kind, self.clause(*kind, inner)?)));
        let joined = joined.collect::<Result<Vec<_>, Error>>()?;
        let mut set = BTreeSet::new();
        for (kind, inner) in &joined {
            let Some(ids) = self.ids_if_few(*kind, inner, self.few)? else {
                let (label, sources) = (label.to_owned(), sources.to_vec());
                return Ok(Clause::Chain { label, sources, targets: joined });
            };
            set.extend(ids.into_iter().map(|id| (*kind, id)));
        }
        Ok(pointing_to(label, sources, set))
    }

    fn has(
        &self,
        kind: ResourceType,
        label: &str,
        (by, sources): (ResourceType, &[String]),
        inner: &Clause,
    ) -> Result<Clause, Error> {
        let inner = self.clause(by, inner)?;
        // To ask each candidate costs next to nothing where a joint tells.
        let told = Pointing::of(self.rules, by, sources, &inner).is_some();
        let few = if told && self.few <= FEW_JOINED { FEW_TOLD } else { self.few };
        let Some(found) = self.ids_if_few(by, &inner, few)? else {
            let (label, sources) = (label.to_owned(), sources.to_vec());
            return Ok(Clause::Has { label, kind: by, sources, inner: Box::new(inner) });
        };
        let mut ids = BTreeSet::new();
        for from in &found {
            let rows = Rows::read(self.view, by, from)?;
            ids.extend(rows.targets(sources, kind)?);
        }
        Ok(Clause::Ids { ids, negated: false })
    }

    /// The ids for which a joined clause holds; none where they are more than that.
    fn ids_if_few(
        &self,
        kind: ResourceType,
        clause: &Clause,
        few: usize,
    ) -> Result<Option<Vec<Id>>, Error> {
        let best = self.narrowest(kind, clause)?;
        let source = best.map(|best| Source::of(self.view, kind, best)).transpose()?.flatten();
        // What gives the candidates need not be asked again, unless it is only a part.
        let whole = source.is_some() && best.is_some_and(|best| std::ptr::eq(best, clause));
        let all = match whole {
            true => Vec::new(),
            false => vec![Check::of(self.view, self.rules, kind, clause)?],
        };
        let source = source.unwrap_or(Source::All);
        let ids = source.ids(self.view, kind, Course::ALL)?;
        let found = filter(self.view, kind, ids, &all).take(few.saturating_add(1));
        let found = found.collect::<Result<Vec<_>, _>>()?;
        Ok((found.len() <= few).then_some(found))
    }

    /// The clause that gives the fewest candidates: itself, or one of those that must all hold.
    fn narrowest<'c>(
        &self,
        kind: ResourceType,
        clause: &'c Clause,
    ) -> Result<Option<&'c Clause>, Error> {
        let parts = flatten(std::slice::from_ref(clause)).into_iter();
        let giving: Vec<&Clause> = parts.filter(|part| part.gives_candidates()).collect();
        match giving.as_slice() {
            // Nothing has to be counted.
            [] | [_] => Ok(giving.first().copied()),
            _ => Ok(Choice::of(self.view, kind, self.limits, giving)?.source),
        }
    }

    fn value_set(&self, label: &str, id: &Id, implied: &terms::Implied) -> Result<Token, Error> {
        let none = || Error::bad(label, "there is no such value set");
        let kind = ResourceType::parse("ValueSet").ok_or_else(none)?;
        let value = self.body(kind, id)?.ok_or_else(none)?;
        let terminology = self.rules.terminology();
        let terminology =
            terminology.ok_or_else(|| Error::unsupported(label, "no terminology is at hand"))?;
        terms::in_value_set(terminology, ValueSetSource::Resource(&value), implied)
            .map_err(|fault| fault.into_error(label))
    }

    /// The resources of that type that a List has as items; none for a List that is not there.
    fn items(&self, kind: ResourceType, list: &Id) -> Result<Vec<Id>, Error> {
        let Some(of) = ResourceType::parse("List") else { return Ok(Vec::new()) };
        let Some(value) = self.body(of, list)? else { return Ok(Vec::new()) };
        let entries = value.get("entry").and_then(Value::as_array).into_iter().flatten();
        let kept = entries.filter(|entry| entry.get("deleted") != Some(&Value::Bool(true)));
        let texts = kept.filter_map(|entry| entry.pointer("/item/reference")?.as_str());
        let ids = texts.filter_map(|text| match Reference::parse(text) {
            Reference::Resource { base, kind: named, id, .. } if named == kind => {
                self.rules.is_own(base.as_deref()).then_some(id)
            }
            _ => None,
        });
        Ok(ids.collect())
    }

    fn body(&self, kind: ResourceType, id: &Id) -> Result<Option<Value>, Error> {
        let stored = repository::current(self.view, kind, id)?;
        let content = stored.map(|stored| stored.content()).transpose()?.flatten();
        Ok(content.map(Resource::into_value))
    }
}

/// That a reference points to one of these.
fn pointing_to(label: &str, sources: &[String], set: BTreeSet<(ResourceType, Id)>) -> Clause {
    let set = set.into_iter().map(|(kind, id)| (id.to_string(), kind)).collect();
    let (sources, test) = (sources.to_vec(), Test::OneOf(OneOf(set)));
    let condition = Condition { sources, target: None, arity: 2, test };
    Clause::Index { label: label.to_owned(), negated: false, any: vec![condition] }
}
