//! `x-beside`: what a profile asks of the objects beside primitives, which hold their extensions.
//!
//! An object from the JSON name of the primitive to the schema of what stands beside it. A value
//! with nothing beside it is held to the schema as if an empty object stood there.
//! Source: <http://hl7.org/fhir/R4/json.html#primitive>.

use std::sync::{Arc, LazyLock};

use jsonschema::Validator;
use serde_json::{Map, Value};

use super::{Rule, Site, options};
use crate::validation::catalog::Context;
use crate::validation::finding::{Finding, collect, element};
use crate::validation::scope::Scope;

struct Beside {
    list: Vec<Primitive>,
    context: Arc<Context>,
}

struct Primitive {
    name: String,
    sibling: String,
    rules: Validator,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let mut list = Vec::new();
    for (name, schema) in value.as_object().ok_or("an object of schemas is expected")? {
        let rules = options(&site.inner()).build(schema);
        let rules = rules.map_err(|error| format!("beside {name}: {}", error.masked()))?;
        list.push(Primitive { name: name.clone(), sibling: format!("_{name}"), rules });
    }
    Ok(Box::new(Beside { list, context: Arc::clone(site.context) }))
}

impl Primitive {
    /// What stands beside each of the values, with the value's place in its array.
    fn siblings<'v>(&self, object: &'v Map<String, Value>) -> Vec<(Option<usize>, &'v Value)> {
        let (value, beside) = (object.get(&self.name), object.get(&self.sibling));
        let list = |value: Option<&'v Value>| value.and_then(Value::as_array);
        if value.is_none() && beside.is_none() {
            return Vec::new();
        }
        let (values, besides) = (list(value), list(beside));
        if values.is_none() && besides.is_none() {
            return vec![(None, beside.unwrap_or(&Value::Null))];
        }
        let count = values.map_or(0, Vec::len).max(besides.map_or(0, Vec::len));
        let at =
            |at: usize| (Some(at), besides.and_then(|list| list.get(at)).unwrap_or(&Value::Null));
        (0..count).map(at).collect()
    }
}

/// An object in the place of nothing.
fn or_empty(value: &Value) -> &Value {
    static EMPTY: LazyLock<Value> = LazyLock::new(|| Value::Object(Map::new()));
    if value.is_null() { &EMPTY } else { value }
}

impl Rule for Beside {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        let Some(object) = value.as_object() else { return true };
        self.list.iter().all(|primitive| {
            let siblings = primitive.siblings(object);
            siblings.iter().all(|(_, beside)| primitive.rules.is_valid(or_empty(beside)))
        })
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let Some(object) = value.as_object() else { return Vec::new() };
        let mut found = Vec::new();
        for primitive in &self.list {
            let name = element(&primitive.name, &self.context);
            for (at, beside) in primitive.siblings(object) {
                let place = at.map_or_else(|| format!(".{name}"), |at| format!(".{name}[{at}]"));
                let beside = or_empty(beside);
                let broken = collect(scope, &primitive.rules, &self.context, beside);
                found.extend(broken.into_iter().map(|finding| finding.below(&place)));
            }
        }
        found
    }
}
