//! The facts of one episode, computed from the records as they are stored.
//!
//! Nothing in them depends on the moment of asking, so facts that were computed earlier are those of
//! now as long as no record has changed.

use std::sync::Arc;

use crate::app::Held;
use crate::audit::Facts;
use crate::clinical::source::Source;
use crate::clinical::threshold::Thresholds;
use crate::clinical::{Record, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::operation::episode::{self, Episode, OF_VISIT, Types};
use crate::repository::facts::Name;
use crate::store::View;

/// The moment for which summaries are computed: any gives the same facts.
const ANY: Instant = Instant::from_millis(0);

/// What the facts of episodes are computed by, for one view.
pub(in crate::operation) struct Computer<'a> {
    held: &'a Arc<Held>,
    thresholds: &'a Thresholds,
    view: &'a dyn View,
    types: Types,
}

/// The facts of an episode, with what they rest on.
pub(in crate::operation) struct Case {
    /// The facts.
    pub facts: Facts,
    /// The versions that they come from.
    pub sources: Vec<Source>,
    /// What was looked for because something of the episode refers to it, there or not, in order.
    pub named: Vec<Name>,
}

impl<'a> Computer<'a> {
    /// By those definitions and thresholds, from what the view shows.
    ///
    /// # Errors
    /// A failure of the store.
    pub(in crate::operation) fn new(
        (held, thresholds): (&'a Arc<Held>, &'a Thresholds),
        view: &'a dyn View,
    ) -> Result<Self, Error> {
        Ok(Self { held, thresholds, view, types: Types::of(held, view)? })
    }

    /// The case of an episode.
    ///
    /// # Errors
    /// As [`Episode::whole`].
    pub(in crate::operation) fn case(&self, id: &Id) -> Result<Case, Error> {
        let (found, named) = Episode::with_named(self.held, self.view, id, ANY, &self.types)?;
        let record = Record::build(&found.episode, &found.resources);
        let summary = summary_by(&record, ANY, self.thresholds);
        let letters = self.letters(id)?;
        let facts = Facts::of(&record, &summary, &letters);
        let mut sources = summary.sources;
        sources.extend(letters.iter().filter_map(Source::of));
        Ok(Case { facts, sources, named: named.into_iter().collect() })
    }

    /// The same; none where there is no such episode.
    ///
    /// # Errors
    /// A failure of the store, or an episode that is too large.
    pub(super) fn of(&self, id: &Id) -> Result<Option<Case>, Error> {
        match self.case(id) {
            Ok(case) => Ok(Some(case)),
            Err(Error::NotFound | Error::Deleted(_)) => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn letters(&self, id: &Id) -> Result<Vec<Resource>, Error> {
        let kind = ResourceType::parse("DocumentReference").ok_or(Error::UnknownType)?;
        let about = format!("EpisodeOfCare/{id}");
        let mut letters = Vec::new();
        episode::each(self.held, self.view, ANY, kind, &[(OF_VISIT, &about)], |stored| {
            letters.extend(stored.content()?);
            Ok(())
        })?;
        Ok(letters)
    }
}
