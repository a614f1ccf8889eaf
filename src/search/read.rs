//! The index rows of one resource, and whether clauses hold for them.
//!
//! Reading them costs one look-up, whatever the number of clauses; no resource is loaded.

use crate::fhir::{Id, ResourceType};
use crate::index::Entry;
use crate::repository::read;
use crate::search::Error;
use crate::search::clause::Clause;
use crate::search::condition::Condition;
use crate::store::View;

/// The rows of one resource; their values are read when a condition asks for them.
pub(super) struct Rows<'a> {
    view: &'a dyn View,
    id: &'a Id,
    entries: Vec<(Vec<u8>, Entry)>,
}

impl<'a> Rows<'a> {
    /// Reads the rows of the current version.
    pub(super) fn read(view: &'a dyn View, kind: ResourceType, id: &'a Id) -> Result<Self, Error> {
        Ok(Self { view, id, entries: read::entries(view, kind, id)? })
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

    /// Whether all the clauses hold. Chains must have been joined before.
    pub(super) fn hold(&self, clauses: &[&Clause]) -> Result<bool, Error> {
        for clause in clauses {
            let (held, negated) = match clause {
                Clause::Ids { ids, negated } => (ids.contains(self.id), *negated),
                Clause::Index { any, negated, .. } => (self.any(any)?, *negated),
                Clause::Chain { .. } | Clause::Has { .. } => (false, false),
            };
            if held == negated {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn any(&self, conditions: &[Condition]) -> Result<bool, Error> {
        for condition in conditions {
            for (key, entry) in &self.entries {
                if !condition.sources.contains(&entry.parameter) {
                    continue;
                }
                let value = if condition.test.needs_value() {
                    let row = self.view.get(key)?;
                    row.map(|row| row.value).unwrap_or_default()
                } else {
                    Vec::new()
                };
                if condition.accepts(&entry.parts, &value) {
                    return Ok(true);
                }
            }
        }
        Ok(false)
    }
}
