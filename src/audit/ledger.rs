//! The facts of all episodes, as of one commit, with what is still to be computed.
//!
//! Only the data: who follows the records decides what is stale, computes it and puts it here. Facts
//! of an episode are right as of the ledger's commit unless the episode is stale.

use std::collections::{BTreeMap, BTreeSet};

use super::facts::Facts;
use crate::fhir::{Id, ResourceType};

/// A resource by type and id.
type Name = (ResourceType, Id);

/// The facts of all episodes.
#[derive(Default)]
pub struct Ledger {
    edition: Option<String>,
    as_of: u64,
    saved: u64,
    cases: BTreeMap<Id, Facts>,
    stale: BTreeSet<Id>,
    unsaved: BTreeMap<Id, Vec<Name>>,
}

impl Ledger {
    /// What was kept of an edition, as of a commit; `stale` are the episodes that must be computed
    /// before anything can be counted.
    pub fn of(
        edition: String,
        as_of: u64,
        cases: BTreeMap<Id, Facts>,
        stale: BTreeSet<Id>,
    ) -> Self {
        let (edition, unsaved) = (Some(edition), BTreeMap::new());
        Self { edition, as_of, saved: as_of, cases, stale, unsaved }
    }

    /// What the facts are computed by; none before anything is.
    pub fn edition(&self) -> Option<&str> {
        self.edition.as_deref()
    }

    /// The commit.
    pub fn as_of(&self) -> u64 {
        self.as_of
    }

    /// Moves on to a later commit, by which these episodes changed.
    pub fn follow(&mut self, as_of: u64, touched: impl IntoIterator<Item = Id>) {
        self.as_of = as_of;
        self.stale.extend(touched);
    }

    /// How many episodes are still to be computed.
    pub fn behind(&self) -> usize {
        self.stale.len()
    }

    /// How many episodes there are, as far as is known.
    pub fn len(&self) -> usize {
        let fresh = self.stale.iter().filter(|id| !self.cases.contains_key(*id)).count();
        self.cases.len() + fresh
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The next episodes to be computed, `most` of them, in order of id.
    pub fn next(&self, most: usize) -> Vec<Id> {
        self.stale.iter().take(most).cloned().collect()
    }

    /// Takes what was computed of an episode, with the resources that it depends on without being
    /// told so by them; none: there is no such episode.
    pub fn put(&mut self, id: &Id, computed: Option<(Facts, Vec<Name>)>) {
        self.stale.remove(id);
        let named = if let Some((facts, named)) = computed {
            self.cases.insert(id.clone(), facts);
            named
        } else {
            self.cases.remove(id);
            Vec::new()
        };
        self.unsaved.insert(id.clone(), named);
    }

    /// The facts of an episode.
    pub fn get(&self, id: &Id) -> Option<&Facts> {
        self.cases.get(id)
    }

    /// The facts of all episodes, in order of id.
    pub fn cases(&self) -> impl Iterator<Item = (&Id, &Facts)> {
        self.cases.iter()
    }

    /// The episodes whose facts were computed since they were saved and that name the resource.
    pub fn unsaved_naming<'l>(&'l self, name: &'l Name) -> impl Iterator<Item = &'l Id> {
        self.unsaved.iter().filter(|(_, named)| named.contains(name)).map(|(id, _)| id)
    }

    /// Some of what was computed since it was saved, `most` episodes: each with its facts, where
    /// there is such an episode, and what it names.
    pub fn unsaved(&self, most: usize) -> impl Iterator<Item = (&Id, Option<&Facts>, &[Name])> {
        let some = self.unsaved.iter().take(most);
        some.map(|(id, named)| (id, self.cases.get(id), named.as_slice()))
    }

    /// How many episodes were computed and not saved.
    pub fn count_unsaved(&self) -> usize {
        self.unsaved.len()
    }

    /// How many commits the ledger has moved on since all of it was saved.
    pub fn commits_unsaved(&self) -> u64 {
        self.as_of.saturating_sub(self.saved)
    }

    /// The first of [`Ledger::unsaved`] are saved; when all are, so is the commit.
    pub fn saved(&mut self, count: usize) {
        for _ in 0..count {
            self.unsaved.pop_first();
        }
        if self.unsaved.is_empty() {
            self.saved = self.as_of;
        }
    }

    /// The first episode that is not as of the ledger's commit; none: all are.
    pub fn first_stale(&self) -> Option<&Id> {
        self.stale.first()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(text: &str) -> Id {
        Id::parse(text).unwrap()
    }

    #[test]
    fn what_is_stale_is_computed_once() {
        let mut ledger =
            Ledger::of("1".into(), 3, BTreeMap::new(), BTreeSet::from([id("a"), id("b")]));
        assert_eq!((ledger.behind(), ledger.len(), ledger.next(1)), (2, 2, vec![id("a")]));
        let name = (ResourceType::parse("Patient").unwrap(), id("p"));
        ledger.put(&id("a"), Some((Facts::default(), vec![name.clone()])));
        ledger.put(&id("b"), None);
        assert_eq!((ledger.behind(), ledger.len(), ledger.as_of()), (0, 1, 3));
        assert_eq!(ledger.unsaved_naming(&name).collect::<Vec<_>>(), [&id("a")]);
        ledger.follow(5, [id("a")]);
        assert_eq!((ledger.behind(), ledger.first_stale()), (1, Some(&id("a"))));
        assert_eq!(ledger.commits_unsaved(), 2);
        let some: Vec<_> = ledger.unsaved(9).map(|(id, facts, _)| (id, facts.is_some())).collect();
        assert_eq!(some, [(&id("a"), true), (&id("b"), false)]);
        ledger.saved(2);
        assert_eq!((ledger.count_unsaved(), ledger.commits_unsaved()), (0, 0));
        assert_eq!(ledger.unsaved_naming(&name).next(), None);
    }
}
