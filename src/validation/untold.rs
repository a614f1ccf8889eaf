//! The codes of which nothing can be said, told after the quick way through has passed over them.
//!
//! That way knows where such a code lies in memory and not what leads to it, so the resource is
//! walked once for the places. No rule is asked a second time.
//! Source: <http://hl7.org/fhir/R4/datatypes.html#Coding>.

use serde_json::Value;

use super::fhirpath::Kind;
use super::finding::Finding;
use super::keyword::untold_code;
use super::scope::Scope;
use crate::fhir::json::At;

/// The walk: which values are looked for, and what was found.
struct Walk<'s> {
    scope: &'s Scope,
    /// Sorted, each once.
    noted: Vec<usize>,
    /// How many of them have not been met yet.
    left: usize,
    found: Vec<Finding>,
}

/// What is to be told of the values of the resource that lie at those addresses, in the order of the
/// document. What lies in other resources is left out.
pub(super) fn findings(scope: &Scope, resource: &Value, mut noted: Vec<usize>) -> Vec<Finding> {
    noted.sort_unstable();
    noted.dedup();
    let mut walk = Walk { scope, left: noted.len(), noted, found: Vec::new() };
    walk.go(resource, Kind::of(resource.at("resourceType").as_str().unwrap_or_default()), "");
    walk.found
}

impl Walk<'_> {
    fn go(&mut self, value: &Value, kind: Option<Kind>, path: &str) {
        let Some(object) = value.as_object() else { return };
        if self.noted.binary_search(&std::ptr::from_ref(value).addr()).is_ok() {
            self.left -= 1;
            self.found.extend(untold_code(self.scope, value).into_iter().map(|f| f.below(path)));
        }
        for (key, member) in object {
            if self.left == 0 {
                return;
            }
            if !(member.is_object() || member.is_array()) {
                continue;
            }
            let name = key.strip_prefix('_').unwrap_or(key);
            let element = kind.and_then(|kind| kind.element(name)).unwrap_or(name);
            let below = kind.and_then(|kind| kind.json(name));
            match member {
                Value::Array(list) => {
                    for (at, item) in list.iter().enumerate().filter(|(_, item)| item.is_object()) {
                        self.go(item, own(item).or(below), &format!("{path}.{element}[{at}]"));
                    }
                }
                member => self.go(member, own(member).or(below), &format!("{path}.{element}")),
            }
        }
    }
}

/// The type that a resource inside another says it is.
fn own(value: &Value) -> Option<Kind> {
    value.get("resourceType").and_then(Value::as_str).and_then(Kind::of)
}
