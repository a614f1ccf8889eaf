//! Which changes are events of a Subscription.
//!
//! A change is judged by the version before and the version after, so that a topic can ask for the
//! moment at which something became so, and not for every save.
//! Source: <http://hl7.org/fhir/R5/subscriptiontopic.html#trigger-definitions>.

use std::cell::OnceCell;

use crate::fhir::{Id, Resource, ResourceType, query};
use crate::index::Rules;
use crate::search;
use crate::store::View;
use crate::subscription::Subscription;
use crate::subscription::filter::{self, Asked};
use crate::subscription::topic::{Criteria, ForMissing, Interaction, ResourceTrigger};
use crate::validation::Transition;

/// A change of a resource.
pub struct Change<'a> {
    id: &'a Id,
    rules: &'a Rules,
    before: Option<&'a Resource>,
    after: Option<&'a Resource>,
    asked: OnceCell<(Option<Asked<'a>>, Option<Asked<'a>>)>,
}

impl<'a> Change<'a> {
    /// The change of the resource of that id from the one content to the other.
    pub fn new(
        rules: &'a Rules,
        id: &'a Id,
        before: Option<&'a Resource>,
        after: Option<&'a Resource>,
    ) -> Self {
        Self { id, rules, before, after, asked: OnceCell::new() }
    }

    fn interaction(&self) -> Interaction {
        match (self.before, self.after) {
            (_, None) => Interaction::Delete,
            (None, _) => Interaction::Create,
            _ => Interaction::Update,
        }
    }

    fn kind(&self) -> Option<ResourceType> {
        self.after.or(self.before).map(Resource::kind)
    }

    fn asked(&self) -> &(Option<Asked<'a>>, Option<Asked<'a>>) {
        let of = |resource| Asked::of(self.rules, resource);
        self.asked.get_or_init(|| (self.before.map(of), self.after.map(of)))
    }

    /// Whether it is an event of the Subscription.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn is_event(&self, view: &dyn View, of: &Subscription) -> Result<bool, search::Error> {
        let Some(kind) = self.kind() else { return Ok(false) };
        let mut triggers = of.topic.resource_trigger.iter();
        let mut triggered = false;
        while let (false, Some(trigger)) = (triggered, triggers.next()) {
            triggered = trigger.is_about(kind)
                && trigger.supported_interaction.contains(&self.interaction())
                && self.meets(view, trigger)?;
        }
        Ok(triggered && self.passes(view, of)?)
    }

    /// Whether the filters of the Subscription let the focus pass.
    ///
    /// # Errors
    /// A failure of the store.
    pub fn passes(&self, view: &dyn View, of: &Subscription) -> Result<bool, search::Error> {
        let Some(kind) = self.kind() else { return Ok(false) };
        let Some(clauses) = of.filters.get(&kind) else { return Ok(!of.topic.is_open()) };
        let (before, after) = self.asked();
        match after.as_ref().or(before.as_ref()) {
            Some(asked) => asked.holds(view, self.id, clauses),
            None => Ok(false),
        }
    }

    fn meets(&self, view: &dyn View, trigger: &ResourceTrigger) -> Result<bool, search::Error> {
        if let Some(criteria) = &trigger.query_criteria
            && !self.meets_criteria(view, criteria)?
        {
            return Ok(false);
        }
        let Some(text) = &trigger.fhir_path_criteria else { return Ok(true) };
        let value = |resource: Option<&'a Resource>| resource.map(Resource::value);
        let found = Transition::parse(text)
            .and_then(|rule| rule.holds(value(self.before), value(self.after)));
        // A rule that cannot be evaluated tells of no event; each was tried when it was written.
        Ok(found.unwrap_or(false))
    }

    fn meets_criteria(&self, view: &dyn View, criteria: &Criteria) -> Result<bool, search::Error> {
        let (before, after) = self.asked();
        let test = |text: &Option<String>, asked: &Option<Asked<'_>>, missing| {
            let Some(text) = text else { return Ok(None) };
            let Some(asked) = asked else {
                return Ok(Some(missing == Some(ForMissing::TestPasses)));
            };
            let clauses = filter::parse(self.rules, asked.resource.kind(), &query::pairs(text));
            clauses
                .map_or(Ok(Some(false)), |clauses| asked.holds(view, self.id, &clauses).map(Some))
        };
        let then = test(&criteria.previous, before, criteria.result_for_create)?;
        let now = test(&criteria.current, after, criteria.result_for_delete)?;
        Ok(match (then, now) {
            (Some(then), Some(now)) if criteria.require_both => then && now,
            (Some(then), Some(now)) => then || now,
            (Some(one), None) | (None, Some(one)) => one,
            (None, None) => true,
        })
    }
}

/// Whether a trigger can be obeyed.
///
/// # Errors
/// A sentence that says why not.
#[cfg(test)]
pub(super) fn check(
    trigger: &ResourceTrigger,
    rules: &Rules,
    kind: ResourceType,
) -> Result<(), String> {
    let criteria = trigger.query_criteria.iter();
    for text in criteria.flat_map(|criteria| [&criteria.previous, &criteria.current]).flatten() {
        filter::parse(rules, kind, &query::pairs(text))?;
    }
    trigger.fhir_path_criteria.as_ref().map_or(Ok(()), |text| Transition::parse(text).map(drop))
}
