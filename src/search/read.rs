//! The index rows of one resource, and whether clauses hold for them.
//!
//! Reading them costs one look-up, whatever the number of clauses, and only the keys that a clause
//! asks about are looked into; no resource is loaded but for the words in it. Clauses about other
//! resources ask the rows of those.

use serde_json::Value;

use crate::definitions::model::Model;
use crate::fhir::{Id, Resource, ResourceType};
use crate::index::Entry;
use crate::index::words;
use crate::repository;
use crate::repository::read::{self, Keys};
use crate::search::Error;
use crate::search::clause::Clause;
use crate::search::condition::Condition;
use crate::store::View;

/// The rows of one resource; their values are read when a condition asks for them.
pub struct Rows<'a> {
    view: &'a dyn View,
    kind: ResourceType,
    id: &'a Id,
    held: Held<'a>,
}

/// Where the rows are.
enum Held<'a> {
    /// In the store, which has a list of their keys.
    Stored(Keys<'a>),
    /// Here: the resource stands in another, and has none in the store.
    Contained(&'a Value, Vec<Entry>),
}

impl<'a> Rows<'a> {
    /// Reads the rows of the current version.
    ///
    /// # Errors
    /// [`Error::Repository`].
    pub fn read(view: &'a dyn View, kind: ResourceType, id: &'a Id) -> Result<Self, Error> {
        Ok(Self { view, kind, id, held: Held::Stored(read::keys(view, kind, id)?) })
    }

    /// The rows that this content would have, which has none in the store: what stands in another
    /// resource, whose id is that within the other, or a past version.
    pub fn of_value(
        view: &'a dyn View,
        (kind, id): (ResourceType, &'a Id),
        resource: &'a Value,
        entries: Vec<Entry>,
    ) -> Self {
        Self { view, kind, id, held: Held::Contained(resource, entries) }
    }

    /// Whether there is such a resource: each that is current has rows.
    pub fn is_there(&self) -> bool {
        match &self.held {
            Held::Stored(keys) => !keys.is_empty(),
            Held::Contained(..) => true,
        }
    }

    /// What a row keeps beside its key.
    pub(super) fn value(&self, key: &[u8]) -> Result<Vec<u8>, Error> {
        match &self.held {
            Held::Stored(keys) => Ok(keys.value(self.view, key)?),
            Held::Contained(..) => Ok(Vec::new()),
        }
    }

    /// The rows under these names, each with what its key says.
    pub(super) fn of<'s>(
        &'s self,
        sources: &'s [String],
    ) -> impl Iterator<Item = Result<(&'s [u8], Entry), Error>> {
        let (keys, entries) = match &self.held {
            Held::Stored(keys) => (Some(keys), None),
            Held::Contained(_, entries) => (None, Some(entries)),
        };
        let stored = keys.into_iter().flat_map(|keys| keys.of(sources)).map(|key| Ok(key?));
        let here = entries.into_iter().flatten();
        let here = here.filter(|entry| sources.contains(&entry.parameter));
        stored.chain(here.map(|entry| Ok((&[][..], entry.clone()))))
    }

    /// What the keys of the rows under these names say.
    pub(super) fn entries(&self, sources: &[String]) -> Result<Vec<Entry>, Error> {
        self.of(sources).map(|key| Ok(key?.1)).collect()
    }

    /// The resources of that type to which the rows under these names point.
    ///
    /// # Errors
    /// [`Error::Repository`].
    pub fn targets(&self, sources: &[String], kind: ResourceType) -> Result<Vec<Id>, Error> {
        let mut found = Vec::new();
        for key in self.of(sources) {
            let (_, entry) = key?;
            found.extend(local(&entry.parts).filter(|(own, _)| *own == kind).map(|(_, id)| id));
        }
        Ok(found)
    }

    /// The resources of this server to which the rows under these names point.
    ///
    /// # Errors
    /// [`Error::Repository`].
    pub fn all_targets(&self, sources: &[String]) -> Result<Vec<(ResourceType, Id)>, Error> {
        let mut found = Vec::new();
        for key in self.of(sources) {
            found.extend(local(&key?.1.parts));
        }
        Ok(found)
    }

    /// Whether all the clauses hold.
    ///
    /// # Errors
    /// [`Error::Repository`]; [`Error::NotSupported`] for a clause that must be joined first.
    pub fn hold(&self, clauses: &[&Clause]) -> Result<bool, Error> {
        for clause in clauses {
            if !self.holds(clause)? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn holds(&self, clause: &Clause) -> Result<bool, Error> {
        match clause {
            Clause::Ids { ids, negated } => Ok(ids.contains(self.id) != *negated),
            Clause::Index { any, negated, .. } => Ok(self.any(any)? != *negated),
            Clause::Either(clauses) => {
                for clause in clauses {
                    if self.holds(clause)? {
                        return Ok(true);
                    }
                }
                Ok(false)
            }
            Clause::Chain { sources, targets, .. } => self.points_to(sources, targets),
            Clause::Has { kind, sources, inner, .. } => self.is_pointed_to(*kind, sources, inner),
            Clause::Every(clauses) => {
                for clause in clauses {
                    if !self.holds(clause)? {
                        return Ok(false);
                    }
                }
                Ok(true)
            }
            Clause::Phrase { label, narrative, words, negated } => {
                let model = Model::shared();
                let model =
                    model.map_err(|_| Error::unsupported(label, "the element model is broken"))?;
                Ok(self.has_phrase(model, *narrative, words)? != *negated)
            }
            // These are put in other terms before anything is asked of rows.
            Clause::ValueSet { label, .. }
            | Clause::Hierarchy { label, .. }
            | Clause::Listed { label, .. } => {
                Err(Error::unsupported(label, "it cannot be asked at this place"))
            }
        }
    }

    fn points_to(
        &self,
        sources: &[String],
        targets: &[(ResourceType, Clause)],
    ) -> Result<bool, Error> {
        for key in self.of(sources) {
            let Some((kind, id)) = local(&key?.1.parts) else { continue };
            let Some((_, inner)) = targets.iter().find(|(target, _)| *target == kind) else {
                continue;
            };
            let rows = Rows::read(self.view, kind, &id)?;
            if rows.is_there() && rows.holds(inner)? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn is_pointed_to(
        &self,
        by: ResourceType,
        sources: &[String],
        inner: &Clause,
    ) -> Result<bool, Error> {
        if matches!(self.held, Held::Contained(..)) {
            // Nothing outside can point to it.
            return Ok(false);
        }
        for source in sources {
            for pointing in read::pointing(self.view, by, source, (self.kind, self.id)) {
                if Rows::read(self.view, by, &pointing?)?.holds(inner)? {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }

    /// Whether the words stand side by side in one text.
    fn has_phrase(&self, model: &Model, narrative: bool, phrase: &[String]) -> Result<bool, Error> {
        let stored: Resource;
        let value = if let Held::Contained(value, _) = &self.held {
            value
        } else {
            let current = repository::current(self.view, self.kind, self.id)?;
            let content = current.map(|current| current.content()).transpose()?.flatten();
            let Some(content) = content else { return Ok(false) };
            stored = content;
            stored.value()
        };
        let mut texts = words::of_narrative(value);
        if !narrative {
            texts.extend(words::of_others(model, value));
        }
        Ok(texts.iter().any(|text| text.windows(phrase.len()).any(|window| window == phrase)))
    }

    fn any(&self, conditions: &[Condition]) -> Result<bool, Error> {
        for condition in conditions {
            for row in self.of(&condition.sources) {
                let (key, entry) = row?;
                let value = match &self.held {
                    Held::Contained(..) => entry.value.clone(),
                    Held::Stored(_) if condition.test.needs_value() => self.value(key)?,
                    Held::Stored(_) => Vec::new(),
                };
                if condition.accepts(&entry.parts, &value) {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }
}

/// The resource of this server that the row of a reference points to.
pub(super) fn local(parts: &[Vec<u8>]) -> Option<(ResourceType, Id)> {
    let text = |at: usize| std::str::from_utf8(parts.get(at)?).ok();
    Some((ResourceType::parse(text(1)?)?, Id::parse(text(0)?)?))
}
