//! The index rows of one resource, and whether clauses hold for them.
//!
//! Reading them costs one look-up, whatever the number of clauses; no resource is loaded but for
//! the words in it. Clauses about other resources ask the rows of those.

use serde_json::Value;

use crate::definitions::model::Model;
use crate::fhir::{Id, ResourceType, json};
use crate::index::Entry;
use crate::index::words;
use crate::repository::{self, key, read};
use crate::search::Error;
use crate::search::clause::Clause;
use crate::search::condition::Condition;
use crate::store::View;

/// The rows of one resource; their values are read when a condition asks for them.
pub(super) struct Rows<'a> {
    view: &'a dyn View,
    kind: ResourceType,
    id: &'a Id,
    entries: Vec<(Vec<u8>, Entry)>,
    /// The resource, where it is not one of the store but stands in another.
    contained: Option<&'a Value>,
}

impl<'a> Rows<'a> {
    /// Reads the rows of the current version.
    pub(super) fn read(view: &'a dyn View, kind: ResourceType, id: &'a Id) -> Result<Self, Error> {
        Ok(Self { view, kind, id, entries: read::entries(view, kind, id)?, contained: None })
    }

    /// The rows that a contained resource would have; its id is that within the other.
    pub(super) fn of_contained(
        view: &'a dyn View,
        (kind, id): (ResourceType, &'a Id),
        resource: &'a Value,
        entries: Vec<Entry>,
    ) -> Self {
        let entries = entries.into_iter().map(|entry| (Vec::new(), entry)).collect();
        Self { view, kind, id, entries, contained: Some(resource) }
    }

    /// Whether there is such a resource: each that is current has rows.
    pub(super) fn is_there(&self) -> bool {
        !self.entries.is_empty()
    }

    /// The keys of the rows under these names.
    pub(super) fn of<'s>(&'s self, sources: &'s [String]) -> impl Iterator<Item = &'s Entry> {
        let rows = self.entries.iter().map(|(_, entry)| entry);
        rows.filter(move |entry| sources.contains(&entry.parameter))
    }

    /// The keys of all rows.
    pub(super) fn all(&self) -> Vec<&Entry> {
        self.entries.iter().map(|(_, entry)| entry).collect()
    }

    /// The rows' keys, each with what it says.
    pub(super) fn with_keys(&self) -> impl Iterator<Item = (&[u8], &Entry)> {
        self.entries.iter().map(|(key, entry)| (key.as_slice(), entry))
    }

    /// Whether all the clauses hold.
    pub(super) fn hold(&self, clauses: &[&Clause]) -> Result<bool, Error> {
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
        for (kind, id) in self.of(sources).filter_map(|entry| local(&entry.parts)) {
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
        if self.contained.is_some() {
            // Nothing outside can point to it.
            return Ok(false);
        }
        let parts = [self.id.as_str().as_bytes(), self.kind.as_str().as_bytes()];
        for source in sources {
            for row in self.view.scan(key::index_range(by, source, &parts, &[])) {
                let damaged = || repository::Error::Damaged(key::INDEX);
                let (_, id) = key::index_parts(&row?.key).ok_or_else(damaged)?;
                if Rows::read(self.view, by, &id)?.holds(inner)? {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }

    /// Whether the words stand side by side in one text.
    fn has_phrase(&self, model: &Model, narrative: bool, phrase: &[String]) -> Result<bool, Error> {
        let stored;
        let value = if let Some(value) = self.contained {
            value
        } else {
            let body = repository::current(self.view, self.kind, self.id)?.and_then(|s| s.body);
            let Some(body) = body else { return Ok(false) };
            let damaged = |_| repository::Error::Damaged(key::VERSION);
            stored = json::parse(&body, usize::MAX).map_err(damaged)?;
            &stored
        };
        let mut texts = words::of_narrative(value);
        if !narrative {
            texts.extend(words::of_others(model, value));
        }
        Ok(texts.iter().any(|text| text.windows(phrase.len()).any(|window| window == phrase)))
    }

    fn any(&self, conditions: &[Condition]) -> Result<bool, Error> {
        for condition in conditions {
            for (key, entry) in &self.entries {
                if !condition.sources.contains(&entry.parameter) {
                    continue;
                }
                let value = match self.contained {
                    Some(_) => entry.value.clone(),
                    None if condition.test.needs_value() => {
                        let row = self.view.get(key)?;
                        row.map(|row| row.value).unwrap_or_default()
                    }
                    None => Vec::new(),
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
