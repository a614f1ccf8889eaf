//! Where in a resource a FHIRPath expression leads: places, not values.
//!
//! The elements that an expression selects lie in the resource itself; each is found again by its
//! address. What is computed (a count, a literal) has no place. References are not followed.
//! Source: <http://hl7.org/fhirpath/N1/>.

use std::collections::{HashMap, HashSet};

use serde_json::Value;

use super::fhirpath::{Element, Env, Expression, Host, Item};

/// A place: the members and positions that lead to it from the root.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// The way there; empty for the resource itself.
    pub steps: Vec<Step>,
}

/// A step into a value.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Step {
    /// The member of that name; of a primitive of which only an extension is there, the member's name
    /// without the underscore.
    Member(String),
    /// The item at that position.
    Item(usize),
}

/// The places of what the expression selects in the resource.
///
/// # Errors
/// A sentence for what is no expression, cannot be evaluated, or computes a value.
pub fn locate(resource: &Value, expression: &str) -> Result<Vec<Place>, String> {
    let expression = Expression::parse(expression).map_err(|fault| fault.to_string())?;
    let root = || Item::Element(Element::resource(resource));
    let env =
        Env { focus: root(), resource: Some(root()), root_resource: Some(root()), host: &Alone };
    let found = expression.evaluate(&env).map_err(|fault| fault.to_string())?;
    let mut wanted = Vec::with_capacity(found.len());
    for item in found {
        let Item::Element(element) = item else {
            return Err("The expression computes a value; it must select elements.".to_owned());
        };
        let value = element.value.or(element.sibling).ok_or(ELSEWHERE)?;
        wanted.push(std::ptr::from_ref(value));
    }
    let mut ways = HashMap::new();
    let known: HashSet<*const Value> = wanted.iter().copied().collect();
    find(resource, &known, &mut Vec::new(), &mut ways);
    let place = |wanted: &*const Value| {
        let steps = ways.get(wanted).ok_or(ELSEWHERE)?;
        Ok(Place { steps: steps.clone() })
    };
    wanted.iter().map(place).collect()
}

const ELSEWHERE: &str = "The expression selects what is not in the resource.";

/// Notes the ways to the values at those addresses.
fn find(
    value: &Value,
    wanted: &HashSet<*const Value>,
    way: &mut Vec<Step>,
    ways: &mut HashMap<*const Value, Vec<Step>>,
) {
    let here = std::ptr::from_ref(value);
    if wanted.contains(&here) {
        ways.insert(here, way.clone());
    }
    let mut under = |value: &Value, step: Step| {
        way.push(step);
        find(value, wanted, way, ways);
        way.pop();
    };
    match value {
        Value::Object(object) => {
            for (name, value) in object {
                let name = name.strip_prefix('_').unwrap_or(name);
                under(value, Step::Member(name.to_owned()));
            }
        }
        Value::Array(list) => {
            list.iter().enumerate().for_each(|(at, value)| under(value, Step::Item(at)));
        }
        _ => {}
    }
}

/// A world without anything around the resource.
struct Alone;

impl Host for Alone {
    fn is_narrative(&self, _: &str) -> bool {
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn places_of_elements() {
        let resource = json!({
            "resourceType": "Patient",
            "active": true,
            "name": [{ "use": "usual" }, { "use": "official", "given": ["a", null],
                "_given": [null, { "id": "g" }] }],
            "_birthDate": { "extension": [{ "url": "u", "valueCode": "c" }] },
        });
        for (expression, expected) in [
            ("Patient", vec![""]),
            ("Patient.active", vec!["active"]),
            ("name", vec!["name.0", "name.1"]),
            ("Patient.name.where(use = 'official')", vec!["name.1"]),
            ("Patient.name[1].given[0]", vec!["name.1.given.0"]),
            ("Patient.name.given.where(id = 'g')", vec!["name.1.given.1"]),
            ("Patient.birthDate", vec!["birthDate"]),
            ("Patient.birthDate.extension('u').value", vec!["birthDate.extension.0.valueCode"]),
            ("Patient.photo", vec![]),
        ] {
            let found = locate(&resource, expression).unwrap();
            let shown: Vec<String> = found.iter().map(show).collect();
            assert_eq!(shown, expected, "{expression}");
        }
        for bad in ["Patient.name.", "1 + 1", "Patient.name.count()"] {
            assert!(locate(&resource, bad).is_err(), "{bad}");
        }
    }

    fn show(place: &Place) -> String {
        let steps = place.steps.iter().map(|step| match step {
            Step::Member(name) => name.clone(),
            Step::Item(at) => at.to_string(),
        });
        steps.collect::<Vec<_>>().join(".")
    }
}
