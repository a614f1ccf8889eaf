//! How a profile slices an element, as the keyword `x-slice` reads it.
//!
//! Source: <http://hl7.org/fhir/R4/profiling.html#slicing>.

use serde_json::{Value, json};

use super::Writer;
use crate::definitions::Fault;
use crate::definitions::element::{Max, Slicing};
use crate::definitions::place::Place;
use crate::definitions::snapshot::Node;

/// The slice of what belongs to no other
/// (<http://hl7.org/fhir/R4/profiling.html#default-slice>).
const DEFAULT: &str = "@default";

impl Writer<'_> {
    pub(super) fn slices(&self, node: &Node, place: Option<&Place>) -> Result<Value, Fault> {
        self.sliced(node, node.rules.slicing.as_ref(), place)
    }

    fn sliced(
        &self,
        node: &Node,
        slicing: Option<&Slicing>,
        place: Option<&Place>,
    ) -> Result<Value, Fault> {
        let by_url = [("value".to_owned(), "url".to_owned())];
        let is_extension = ["extension", "modifierExtension"].contains(&node.name.as_str());
        let discriminators = match slicing {
            Some(slicing) if !slicing.discriminators.is_empty() => &slicing.discriminators[..],
            _ if is_extension => &by_url[..],
            _ => &[],
        };
        let mut slices = Vec::new();
        // What belongs to no other slice can only be told after all others.
        let (last, named): (Vec<&Node>, _) =
            node.slices.iter().partition(|slice| slice.name == DEFAULT);
        for slice in named.into_iter().chain(last) {
            slices.push(self.slice(slice, slicing, discriminators, place)?);
        }
        let rules = slicing.map_or("open", |slicing| slicing.rules.as_str());
        let ordered = slicing.is_some_and(|slicing| slicing.ordered);
        Ok(json!({ "rules": rules, "ordered": ordered, "slices": slices }))
    }

    fn slice(
        &self,
        slice: &Node,
        around: Option<&Slicing>,
        discriminators: &[(String, String)],
        place: Option<&Place>,
    ) -> Result<Value, Fault> {
        self.can_be_met(slice)?;
        let max = match slice.rules.max {
            Some(Max::Times(max)) => json!(max),
            _ => Value::Null,
        };
        let schema = self.value(slice, None, place)?;
        let matching = match (slice.name.as_str(), discriminators) {
            (DEFAULT, _) => json!(true),
            // Where nothing tells the slices apart, an item belongs to that whose rules it meets.
            (_, []) => Value::Object(schema.clone()),
            _ => self.matching(slice, discriminators, place)?,
        };
        let mut rule = json!({
            "name": slice.name,
            "min": slice.rules.min.unwrap_or(0),
            "max": max,
            "match": matching,
            "schema": schema,
        });
        if !slice.slices.is_empty() {
            let slicing = slice.rules.slicing.as_ref().or(around);
            let inner = self.sliced(slice, slicing, place)?;
            if let Some(rule) = rule.as_object_mut() {
                rule.insert("slicing".into(), inner);
            }
        }
        Ok(rule)
    }
}
