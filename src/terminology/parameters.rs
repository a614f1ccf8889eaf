//! The Parameters resource of an answer.
//!
//! Source: <http://hl7.org/fhir/R4/parameters.html>.

use serde_json::{Map, Value, json};

/// Parameters in the making; also the parts of one parameter.
#[derive(Default)]
pub(super) struct Parameters(Vec<Value>);

impl Parameters {
    /// A parameter with a value; `key` is the name of `value[x]`.
    pub(super) fn value(&mut self, name: &str, key: &str, value: impl Into<Value>) {
        let mut parameter = Map::new();
        parameter.insert("name".into(), json!(name));
        parameter.insert(key.into(), value.into());
        self.0.push(Value::Object(parameter));
    }

    /// A string parameter, if there is a string.
    pub(super) fn string(&mut self, name: &str, text: Option<&str>) {
        if let Some(text) = text {
            self.value(name, "valueString", text);
        }
    }

    /// A parameter with parts.
    pub(super) fn parts(&mut self, name: &str, parts: Self) {
        self.value(name, "part", parts.0);
    }

    /// The resource.
    pub(super) fn resource(self) -> Value {
        json!({ "resourceType": "Parameters", "parameter": self.0 })
    }
}
