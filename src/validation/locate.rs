//! Where in a resource a FHIRPath expression leads: places, not values.
//!
//! The elements that an expression selects lie in the resource itself; each is found again by its
//! address. What is computed (a count, a literal) has no place. References are not followed.
//! Source: <http://hl7.org/fhirpath/N1/>.

use std::collections::{HashMap, HashSet};

use serde_json::Value;

pub use super::fhirpath::Work;
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

/// The places of what the expression selects in the resource, as far as the work that is left allows
/// it.
///
/// # Errors
/// A sentence for what is no expression, cannot be evaluated, makes too much work, or computes a
/// value.
pub fn locate(resource: &Value, expression: &str, work: &Work) -> Result<Vec<Place>, String> {
    let expression = Expression::parse(expression).map_err(|fault| fault.to_string())?;
    let root = || Item::Element(Element::resource(resource));
    let (own, root_resource) = (Some(root()), Some(root()));
    let env = Env { resource: own, root_resource, work: Some(work), ..Env::new(root(), &Alone) };
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
    let looked_at = find(resource, &known, &mut Vec::new(), &mut ways);
    work.spend(looked_at).map_err(|fault| fault.to_string())?;
    let place = |wanted: &*const Value| {
        let steps = ways.get(wanted).ok_or(ELSEWHERE)?;
        Ok(Place { steps: steps.clone() })
    };
    wanted.iter().map(place).collect()
}

const ELSEWHERE: &str = "The expression selects what is not in the resource.";

/// Notes the ways to the values at those addresses; how many values it has looked at.
fn find(
    value: &Value,
    wanted: &HashSet<*const Value>,
    way: &mut Vec<Step>,
    ways: &mut HashMap<*const Value, Vec<Step>>,
) -> usize {
    let here = std::ptr::from_ref(value);
    if wanted.contains(&here) {
        ways.insert(here, way.clone());
    }
    let mut under = |value: &Value, step: Step| {
        way.push(step);
        let looked_at = find(value, wanted, way, ways);
        way.pop();
        looked_at
    };
    1 + match value {
        Value::Object(object) => {
            let member = |(name, value): (&String, _)| {
                let name = name.strip_prefix('_').unwrap_or(name);
                under(value, Step::Member(name.to_owned()))
            };
            object.iter().map(member).sum()
        }
        Value::Array(list) => {
            list.iter().enumerate().map(|(at, value)| under(value, Step::Item(at))).sum::<usize>()
        }
        _ => 0,
    }
}

/// A world without anything around the resource.
pub(super) struct Alone;

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
            let found = locate(&resource, expression, &work()).unwrap();
            let shown: Vec<String> = found.iter().map(show).collect();
            assert_eq!(shown, expected, "{expression}");
        }
        for bad in ["Patient.name.", "1 + 1", "Patient.name.count()"] {
            assert!(locate(&resource, bad, &work()).is_err(), "{bad}");
        }
    }

    fn work() -> Work {
        Work::of(1 << 20)
    }

    /// Expressions that anyone may send come to an end, whatever they make of the resource.
    #[test]
    fn work_has_an_end() {
        let name = json!({ "text": "aaaaaaaaaaaaaaaa" });
        let resource = json!({ "resourceType": "Patient", "name": vec![name; 2000] });
        for endless in [
            "name.where(%resource.name.where(text = 'z').exists())",
            "name.aggregate($total.combine($total), 1)",
            "name.aggregate($total & $total, 'aa')",
            "name.aggregate($total.replace('a', $total), 'aa')",
            "name.aggregate($total.replaceMatches('a', $total), 'aa')",
            "name.aggregate(%resource.name.select(text).join($total), 'aa')",
            "name.where(text.matches('a{900}'))",
        ] {
            let told = locate(&resource, endless, &work()).unwrap_err();
            assert!(told.contains("too much work"), "{endless}: {told}");
        }
        assert!(locate(&resource, "name[1999].text", &work()).is_ok());
    }

    fn show(place: &Place) -> String {
        let steps = place.steps.iter().map(|step| match step {
            Step::Member(name) => name.clone(),
            Step::Item(at) => at.to_string(),
        });
        steps.collect::<Vec<_>>().join(".")
    }
}
