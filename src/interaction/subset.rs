//! Stored resources cut down for a reader: `_summary` and `_elements`.
//!
//! Source: <http://hl7.org/fhir/R4/search.html#summary>,
//! <http://hl7.org/fhir/R4/search.html#elements>.

use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::Resource;
use crate::search::{Query, Summary, subset};

/// How resources are cut down.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Cut {
    summary: Summary,
    elements: Vec<String>,
}

impl Cut {
    /// As a query asks.
    pub(super) fn of_query(query: &Query) -> Self {
        Self { summary: query.summary, elements: query.elements.clone() }
    }

    /// As the parameters of a read ask.
    ///
    /// # Errors
    /// [`Error::Request`] for an unknown kind of summary.
    pub fn of_parameters(parameters: &[(String, String)]) -> Result<Self, Error> {
        let value = |name: &str| {
            let found = parameters.iter().find(|(key, _)| key == name);
            found.map(|(_, value)| value.as_str())
        };
        let summary = match value("_summary") {
            Some("true") => Summary::True,
            Some("text") => Summary::Text,
            Some("data") => Summary::Data,
            Some("false") | None => Summary::False,
            Some(_) => {
                let text = "_summary of a read is true, text, data or false.";
                return Err(Error::request("http._summary", text));
            }
        };
        let elements = value("_elements").map(|value| value.split(','));
        let elements = elements.into_iter().flatten().filter(|element| !element.is_empty());
        Ok(Self { summary, elements: elements.map(str::to_owned).collect() })
    }

    /// The resource of that JSON, cut down; the very bytes where nothing is left out.
    pub fn apply(&self, model: &Model, body: Vec<u8>) -> Vec<u8> {
        let whole = matches!(self.summary, Summary::False | Summary::Count);
        if whole && self.elements.is_empty() {
            return body;
        }
        let resource = serde_json::from_slice(&body).ok().map(Resource::from_value);
        let Some(Ok(mut resource)) = resource else { return body };
        subset(model, &mut resource, self.summary, &self.elements);
        resource.to_bytes()
    }
}
