//! What an operation is called with: names and values of the URL, and a body.
//!
//! The body is a Parameters resource, or the one resource that the operation takes.
//! Source: <http://hl7.org/fhir/R4/operations.html#executing>.

use serde_json::Value;

use crate::error::Error;
use crate::fhir::Resource;

/// The parameters of a call.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Parameters {
    pairs: Vec<(String, String)>,
    body: Option<Resource>,
}

impl Parameters {
    /// Those of the URL, decoded, and those of the body.
    pub fn new(pairs: Vec<(String, String)>, body: Option<Resource>) -> Self {
        Self { pairs, body }
    }

    /// The text of a primitive parameter, which must not be given twice.
    ///
    /// # Errors
    /// [`Error::Request`] when it is, or when it is no primitive.
    pub fn text(&self, name: &str) -> Result<Option<String>, Error> {
        let mut values = self.texts(name)?;
        if values.len() > 1 {
            let place = format!("http.{name}");
            return Err(Error::request(place, "The parameter may be given once only."));
        }
        Ok(values.pop())
    }

    /// The texts of a primitive parameter, in their order; numbers as they are written.
    ///
    /// # Errors
    /// [`Error::Request`] for one that is no primitive.
    pub fn texts(&self, name: &str) -> Result<Vec<String>, Error> {
        let pairs = self.pairs.iter().filter(|(key, _)| key == name);
        let mut values: Vec<String> = pairs.map(|(_, value)| value.clone()).collect();
        for parameter in self.listed(name) {
            let value = value_of(parameter).and_then(|value| match value {
                Value::String(text) => Some(text.clone()),
                Value::Number(number) => Some(number.to_string()),
                _ => None,
            });
            let place = format!("http.{name}");
            values
                .push(value.ok_or_else(|| {
                    Error::request(place, "The parameter has a primitive value.")
                })?);
        }
        Ok(values)
    }

    /// The values of that type in the body's parameters of that name, such as `valueCoding`.
    ///
    /// # Errors
    /// [`Error::Request`] for one with another value, or in the URL, which has primitives only.
    pub fn values(&self, name: &str, member: &str) -> Result<Vec<&Value>, Error> {
        let place = || format!("http.{name}");
        if self.pairs.iter().any(|(key, _)| key == name) {
            let text = format!("The parameter is a {member}: send it in a Parameters, by POST.");
            return Err(Error::request(place(), text));
        }
        let values = self.listed(name).map(|parameter| {
            let text = format!("The parameter has a {member}.");
            parameter.get(member).ok_or_else(|| Error::request(place(), text))
        });
        values.collect()
    }

    /// That there is no parameter but those of these names, and those about the form of the answer.
    ///
    /// # Errors
    /// [`Error::Request`] for the first other, or a body that is no Parameters resource.
    pub fn only(&self, known: &[&str]) -> Result<(), Error> {
        for name in self.names()? {
            if !known.contains(&name) && !["_format", "_pretty"].contains(&name) {
                let text = format!("The operation has no parameter {name}.");
                return Err(Error::request(format!("http.{name}"), text));
            }
        }
        Ok(())
    }

    /// The names of all parameters, in their order.
    ///
    /// # Errors
    /// [`Error::Request`] for a body that is no Parameters resource, or a parameter without a name.
    pub fn names(&self) -> Result<Vec<&str>, Error> {
        let mut names: Vec<&str> = self.pairs.iter().map(|(name, _)| name.as_str()).collect();
        let Some(body) = &self.body else { return Ok(names) };
        if body.kind().as_str() != "Parameters" {
            let text = "The body of the operation is a Parameters resource.";
            return Err(Error::request("resourceType", text));
        }
        let list = body.value().get("parameter").and_then(Value::as_array);
        for (at, parameter) in list.into_iter().flatten().enumerate() {
            let name = parameter.get("name").and_then(Value::as_str);
            let text = "A parameter has a name.";
            let place = format!("Parameters.parameter[{at}].name");
            names.push(name.ok_or_else(|| Error::request(place, text))?);
        }
        Ok(names)
    }

    /// Whether a boolean parameter is true; false where it is not given.
    ///
    /// # Errors
    /// [`Error::Request`] when it is given twice or is no boolean.
    pub fn flag(&self, name: &str) -> Result<bool, Error> {
        let place = format!("http.{name}");
        let listed: Vec<&Value> = self.listed(name).collect();
        let wrong = || Error::request(&place, "The parameter is true or false.");
        if let [one] = listed.as_slice() {
            let told = self.pairs.iter().any(|(key, _)| key == name);
            let value = one.get("valueBoolean").and_then(Value::as_bool).filter(|_| !told);
            return value.ok_or_else(wrong);
        }
        match self.text(name)?.as_deref() {
            None | Some("false") => Ok(false),
            Some("true") => Ok(true),
            Some(_) => Err(wrong()),
        }
    }

    /// The texts of every reference of that name, in their order.
    ///
    /// # Errors
    /// [`Error::Request`] for one that is no reference.
    pub fn references(&self, name: &str) -> Result<Vec<String>, Error> {
        let one = |parameter: &Value| {
            let text = parameter.pointer("/valueReference/reference").and_then(Value::as_str);
            let rule =
                "The parameter is a valueReference with a reference, such as Practitioner/1.";
            text.map(str::to_owned).ok_or_else(|| Error::request(format!("http.{name}"), rule))
        };
        self.listed(name).map(one).collect()
    }

    /// The resource of that parameter, or the body itself where that is the resource.
    ///
    /// # Errors
    /// [`Error::NotAResource`] for a parameter that is none.
    pub fn resource(&self, name: &str) -> Result<Option<Resource>, Error> {
        let mut listed = self.listed(name).filter_map(|parameter| parameter.get("resource"));
        if let Some(value) = listed.next() {
            return Ok(Some(Resource::from_value(value.clone())?));
        }
        let bare = self.body.as_ref().filter(|body| body.kind().as_str() != "Parameters");
        Ok(bare.cloned())
    }

    /// Where in the body that resource is, as a path; empty where the body itself is the resource.
    pub fn place(&self, name: &str) -> String {
        let body = self.body.as_ref().filter(|body| body.kind().as_str() == "Parameters");
        let list = body.and_then(|body| body.value().get("parameter")?.as_array());
        let is_it = |parameter: &Value| {
            parameter.get("name").is_some_and(|value| value == name)
                && parameter.get("resource").is_some()
        };
        let index = list.and_then(|list| list.iter().position(is_it));
        index.map_or_else(String::new, |index| format!("parameter[{index}].resource"))
    }

    /// The names and values of the URL, decoded, in order.
    pub fn pairs(&self) -> &[(String, String)] {
        &self.pairs
    }

    /// The body as it came.
    pub fn body(&self) -> Option<&Resource> {
        self.body.as_ref()
    }

    fn listed<'a, 'n>(&'a self, name: &'n str) -> impl Iterator<Item = &'a Value> + use<'a, 'n> {
        let body = self.body.as_ref().filter(|body| body.kind().as_str() == "Parameters");
        let list = body.and_then(|body| body.value().get("parameter")?.as_array());
        let list = list.into_iter().flatten();
        list.filter(move |parameter| parameter.get("name").is_some_and(|value| value == name))
    }
}

/// The `value[x]` of a parameter.
fn value_of(parameter: &Value) -> Option<&Value> {
    let mut members = parameter.as_object()?.iter();
    members.find(|(name, _)| name.starts_with("value")).map(|(_, value)| value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn from_url_and_body() {
        let body = json!({ "resourceType": "Parameters", "parameter": [
            { "name": "mode", "valueCode": "create" },
            { "name": "resource", "resource": { "resourceType": "Basic" } },
            { "name": "twice", "valueString": "a" },
            { "name": "part", "part": [] },
        ] });
        let pairs = vec![("profile".to_owned(), "p".to_owned()), ("twice".into(), "b".into())];
        let parameters = Parameters::new(pairs, Resource::from_value(body).ok());
        let text = |name| parameters.text(name).map_err(|error| error.status());
        assert_eq!(text("mode"), Ok(Some("create".to_owned())));
        assert_eq!(text("profile"), Ok(Some("p".to_owned())));
        assert_eq!(text("none"), Ok(None));
        assert_eq!(text("twice"), Err(400));
        assert_eq!(text("part"), Err(400));
        let resource = parameters.resource("resource").unwrap().unwrap();
        assert_eq!(resource.kind().as_str(), "Basic");
        assert_eq!(parameters.place("resource"), "parameter[1].resource");
        let bare = Parameters::new(Vec::new(), Some(resource.clone()));
        assert_eq!(bare.place("resource"), "");
        assert_eq!(bare.resource("resource").unwrap(), Some(resource));
    }

    #[test]
    fn flags_and_references() {
        let check = |query: &[(&str, &str)], listed: Value, expected: Option<bool>| {
            let body = json!({ "resourceType": "Parameters", "parameter": listed });
            let pairs = query.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
            let parameters = Parameters::new(pairs, Resource::from_value(body).ok());
            assert_eq!(parameters.flag("explain").ok(), expected, "{query:?}");
        };
        check(&[], json!([]), Some(false));
        check(&[("explain", "true")], json!([]), Some(true));
        check(&[("explain", "yes")], json!([]), None);
        check(&[], json!([{ "name": "explain", "valueBoolean": true }]), Some(true));
        check(&[], json!([{ "name": "explain", "valueString": "true" }]), None);
        let body = json!({ "resourceType": "Parameters", "parameter": [
            { "name": "a", "valueReference": { "reference": "Composition/1" } },
            { "name": "b", "valueString": "Composition/1" },
        ] });
        let parameters = Parameters::new(Vec::new(), Resource::from_value(body).ok());
        assert_eq!(parameters.references("a").unwrap(), ["Composition/1"]);
        assert!(parameters.references("b").is_err());
        assert_eq!(parameters.references("c").unwrap(), [""; 0]);
    }
}
