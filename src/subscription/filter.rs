//! Filters of a Subscription: search parameters that the topic allows, asked of the focus alone.
//!
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition-backport-filter-criteria.html>.

use crate::definitions::search_parameter::ParameterType;
use crate::fhir::{Id, Resource};
use crate::fhir::{Instant, ResourceType, query};
use crate::index::{self, Entry, Rules};
use crate::search::clause::Clause;
use crate::search::query::Limits;
use crate::search::read::Rows;
use crate::search::{self, Query, Setting};
use crate::store::View;
use crate::subscription::topic::{Filter, Topic};

/// Why a filter is refused: a sentence.
pub(super) type Refused = String;

/// What a filter asks of resources of a type.
///
/// # Errors
/// A sentence that says why it cannot be obeyed.
pub(super) fn read(
    topic: &Topic,
    rules: &Rules,
    text: &str,
) -> Result<(ResourceType, Vec<Clause>), Refused> {
    let (kind, criteria) = match text.split_once('?') {
        Some((name, criteria)) => (ResourceType::parse(name), criteria),
        None => (topic.kind(), text),
    };
    let Some(kind) = kind else {
        return Err("A filter of this topic begins with a type of R4 and a question mark.".into());
    };
    let is_other = topic.kind().is_some_and(|own| own != kind);
    if is_other || kind.as_str() == super::TYPE {
        return Err(format!("The topic tells of no {kind}."));
    }
    let pairs = query::pairs(criteria);
    if pairs.is_empty() && !topic.is_open() {
        return Err("A filter is a search parameter with its value.".into());
    }
    for (name, value) in &pairs {
        allowed(topic, rules, kind, name, value)?;
    }
    parse(rules, kind, &pairs).map(|clauses| (kind, clauses))
}

/// Whether the topic allows that parameter with that value.
fn allowed(
    topic: &Topic,
    rules: &Rules,
    kind: ResourceType,
    name: &str,
    value: &str,
) -> Result<(), Refused> {
    let (code, modifier) = match name.split_once(':') {
        Some((code, modifier)) => (code, Some(modifier)),
        None => (name, None),
    };
    if topic.is_open() {
        return Ok(());
    }
    let is_it = |filter: &&Filter| filter.resource == kind.as_str() && filter.parameter == code;
    let Some(filter) = topic.can_filter_by.iter().find(is_it) else {
        let own: Vec<&str> = topic.can_filter_by.iter().map(|f| f.parameter.as_str()).collect();
        return Err(format!("The topic is narrowed by {}, not by {code}.", own.join(", ")));
    };
    if let Some(modifier) =
        modifier.filter(|modifier| !filter.modifier.iter().any(|own| own == modifier))
    {
        return Err(format!("The topic does not allow the modifier {modifier} of {code}."));
    }
    let kind = rules.parameter(kind, code).map(|parameter| parameter.definition.kind);
    let is_ordered =
        matches!(kind, Some(ParameterType::Date | ParameterType::Number | ParameterType::Quantity));
    let prefix = value.get(..2).filter(|prefix| prefix.bytes().all(|b| b.is_ascii_lowercase()));
    match prefix.filter(|prefix| is_ordered && *prefix != "eq") {
        Some(prefix) if !filter.comparator.iter().any(|own| own == prefix) => {
            Err(format!("The topic does not allow the prefix {prefix} of {code}."))
        }
        _ => Ok(()),
    }
}

/// The clauses of criteria that a resource by itself can answer.
pub(super) fn parse(
    rules: &Rules,
    kind: ResourceType,
    pairs: &[(String, String)],
) -> Result<Vec<Clause>, Refused> {
    let setting =
        Setting { rules, now: Instant::from_millis(0), strict: true, limits: Limits::default() };
    let query = Query::parse(&setting, kind, pairs).map_err(|error| match error {
        search::Error::Repository(_) => "The criteria cannot be read.".to_owned(),
        error => error.to_string(),
    })?;
    let simple = |clause: &Clause| matches!(clause, Clause::Index { .. } | Clause::Ids { .. });
    if query.clauses.iter().all(simple) && query.sort.is_empty() && query.includes.is_empty() {
        return Ok(query.clauses);
    }
    Err("Only what the resource itself tells can be asked of it.".to_owned())
}

/// A version of a resource, to be asked.
pub(super) struct Asked<'a> {
    /// Its content.
    pub(super) resource: &'a Resource,
    entries: Vec<Entry>,
}

impl<'a> Asked<'a> {
    /// The version with the rows that it has.
    pub(super) fn of(rules: &Rules, resource: &'a Resource) -> Self {
        Self { resource, entries: index::entries(rules, resource) }
    }

    /// Whether all clauses hold.
    ///
    /// # Errors
    /// A failure of the store.
    pub(super) fn holds(
        &self,
        view: &dyn View,
        id: &Id,
        clauses: &[Clause],
    ) -> Result<bool, search::Error> {
        let rows = Rows::of_value(
            view,
            (self.resource.kind(), id),
            self.resource.value(),
            self.entries.clone(),
        );
        rows.hold(&clauses.iter().collect::<Vec<_>>())
    }

    /// The resources of this server that it refers to by those parameters.
    ///
    /// # Errors
    /// A failure of the store.
    pub(super) fn targets(
        &self,
        view: &dyn View,
        id: &Id,
        sources: &[String],
    ) -> Result<Vec<(ResourceType, Id)>, search::Error> {
        let (kind, value) = (self.resource.kind(), self.resource.value());
        Rows::of_value(view, (kind, id), value, self.entries.clone()).all_targets(sources)
    }
}
