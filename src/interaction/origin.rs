//! Where what is written comes from: the Provenance that came with it in the header `X-Provenance`.
//!
//! It is stored in the same commit, and names the version that it is of.
//! Source: <http://hl7.org/fhir/R4/provenance.html#header>.

use serde_json::{Value, json};

use crate::app::{App, Beside, Held};
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource, json as text};
use crate::interaction::{Accepted, check};
use crate::repository::{Change, Method};
use crate::validation::policy;

/// A Provenance without its target.
#[derive(Clone, Debug)]
pub struct Origin(Resource);

/// The most of a header that is read, in bytes.
const MOST: usize = 16 << 10;

const HEADER: &str = "http.X-Provenance";

impl Origin {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Error::Request`] for what is no Provenance, or one that says its target: that is for the server
    /// to say.
    pub fn read(header: &[u8]) -> Result<Self, Error> {
        if header.len() > MOST {
            let rule = format!("The header has {MOST} bytes at most.");
            return Err(Error::request(HEADER, rule));
        }
        let value = text::parse(header, text::MAX_DEPTH);
        let resource = value.ok().and_then(|value| Resource::from_value(value).ok());
        let resource = resource.filter(|resource| resource.kind().as_str() == "Provenance");
        let rule = "The header is a Provenance in JSON, without line breaks.";
        let resource = resource.ok_or_else(|| Error::request(HEADER, rule))?;
        if resource.value().get("target").is_some() {
            let rule = "What the Provenance is of is for the server to say; leave out target.";
            return Err(Error::request(HEADER, rule));
        }
        Ok(Self(resource))
    }

    /// The change that stores it as the Provenance of what is written.
    pub(super) fn of(
        &self,
        app: &App,
        held: &Held,
        written: &Change,
        now: Instant,
    ) -> Result<Change, Error> {
        let mut resource = self.0.clone();
        let Change { kind, id, version, .. } = written;
        if let Some(object) = resource.value_mut().as_object_mut() {
            let target = json!([{ "reference": format!("{kind}/{id}/_history/{version}") }]);
            object.insert("target".to_owned(), target);
            object.entry("recorded").or_insert_with(|| json!(now.to_string()));
        }
        let own = Id::random();
        let mut beside = Beside::at(now);
        beside.write(&own, &resource);
        if let Some(content) = content(written) {
            beside.write(id, &content);
        }
        let Accepted { not_valid, .. } = check(app, held, &resource, beside)?;
        policy::mark(&mut resource, not_valid);
        let entries = |resource: &Resource| held.entries(resource);
        Ok(Change::write(None, Method::Post, own, resource, now, entries))
    }
}

fn content(written: &Change) -> Option<Resource> {
    let value: Value = serde_json::from_slice(written.body.as_deref()?).ok()?;
    Resource::from_value(value).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_header_may_be() {
        let read = |text: &str| Origin::read(text.as_bytes()).map_err(|error| error.status());
        let provenance = r#"{"resourceType":"Provenance","agent":[{"who":{"display":"a"}}]}"#;
        assert!(read(provenance).is_ok());
        let long = provenance.replace("\"a\"", &format!("\"{}\"", "a".repeat(MOST)));
        for bad in [
            "",
            "{}",
            r#"{"resourceType":"Patient"}"#,
            r#"{"resourceType":"Provenance","target":[]}"#,
            &long,
        ] {
            assert_eq!(read(bad).err(), Some(400), "{bad:.80}");
        }
    }
}
