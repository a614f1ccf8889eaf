//! Rules about a change: expressions that see the resource before and after it.
//!
//! Source: <http://hl7.org/fhir/R5/subscriptiontopic-definitions.html#SubscriptionTopic.resourceTrigger.fhirPathCriteria>.

use serde_json::Value;

use super::path::told;
use super::{Element, Env, Expression, Item};
use crate::validation::locate::Alone;

/// A rule that says whether a change is meant, with `%previous` and `%current`.
#[derive(Debug)]
pub struct Transition(Expression);

impl Transition {
    /// Reads a rule.
    ///
    /// # Errors
    /// What is wrong with it, as a sentence.
    pub fn parse(text: &str) -> Result<Self, String> {
        Expression::parse(text).map(Self).map_err(|fault| told(&fault))
    }

    /// Whether it holds for the change from the one content to the other; nothing is none.
    ///
    /// # Errors
    /// A sentence where it cannot be evaluated.
    pub fn holds(&self, before: Option<&Value>, after: Option<&Value>) -> Result<bool, String> {
        let Some(either) = after.or(before) else { return Ok(false) };
        let item = |value| Item::Element(Element::resource(value));
        let mut env = Env::new(item(either), &Alone);
        env.change = Some([before.map(item), after.map(item)]);
        let found = self.0.evaluate(&env).map_err(|fault| told(&fault))?;
        let truth = super::eval::truth(&found).map_err(|fault| told(&fault))?;
        Ok(truth.unwrap_or(false))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// The criteria of the example topic of R5, `encounter-complete`.
    #[test]
    fn before_and_after() {
        let rule = Transition::parse(
            "(%previous.id.empty() or (%previous.status != 'finished')) and (%current.status = 'finished')",
        )
        .unwrap();
        let of = |status: &str| json!({ "resourceType": "Encounter", "id": "a", "status": status });
        let (planned, finished) = (of("planned"), of("finished"));
        for (before, after, expected) in [
            (None, Some(&finished), true),
            (Some(&planned), Some(&finished), true),
            (Some(&finished), Some(&finished), false),
            (Some(&planned), Some(&planned), false),
            (Some(&finished), None, false),
        ] {
            assert_eq!(rule.holds(before, after), Ok(expected), "{before:?} {after:?}");
        }
        assert!(Transition::parse("%current.").is_err());
        assert!(
            Expression::parse("%previous")
                .unwrap()
                .evaluate(&Env::new(Item::Bool(true), &Alone))
                .is_err()
        );
    }
}
