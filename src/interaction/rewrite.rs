//! References between the entries of a transaction, turned into references to what is stored.
//!
//! The element model says which members are references, `uri`, `url`, `oid`, `uuid` or narrative;
//! `canonical` and all other text stays as it is. So does the `url` by which a resource names
//! itself, for that is what canonicals refer to. A reference to a version becomes one to the version
//! that the transaction makes.
//! Source: <http://hl7.org/fhir/R4/http.html#trules>,
//! <http://hl7.org/fhir/R4/bundle.html#references>.

use std::collections::HashMap;

use serde_json::Value;

use crate::definitions::model::Model;
use crate::fhir::{Issue, IssueType, Reference, Resource, VersionId};

/// What the references of one entry are turned into.
pub(super) struct Links<'a> {
    /// By fullUrl or conditional reference: `Type/id`.
    pub(super) targets: &'a HashMap<String, String>,
    /// By `Type/id`, the version that there will be.
    pub(super) versions: &'a HashMap<String, VersionId>,
    /// The base of the entry's own fullUrl, against which its relative references are read.
    pub(super) base: Option<String>,
}

/// The base of a fullUrl that ends in `Type/id`.
pub(super) fn base_of(full_url: &str) -> Option<String> {
    match Reference::parse(full_url) {
        Reference::Resource { base, .. } => base,
        _ => None,
    }
}

impl Links<'_> {
    /// Turns all references of the resource; what cannot be resolved is an issue.
    pub(super) fn rewrite(&self, model: &Model, resource: &mut Resource) -> Vec<Issue> {
        let kind = resource.kind().as_str();
        if kind == "Bundle" {
            // It is stored as it is; its entries refer to each other.
            return Vec::new();
        }
        let mut walk = Walk { model, links: self, path: kind.to_owned(), issues: Vec::new() };
        walk.object(resource.value_mut(), kind);
        walk.issues
    }

    /// What the link leads to, if it is one of this transaction.
    fn target(&self, link: &str) -> Option<String> {
        if let Some(target) = self.targets.get(link) {
            return Some(target.clone());
        }
        let (whole, sent) = link.split_once("/_history/")?;
        let target = self.targets.get(whole)?;
        Some(match self.versions.get(target) {
            Some(version) => format!("{target}/_history/{version}"),
            None => format!("{target}/_history/{sent}"),
        })
    }

    /// The same for a reference, which may be relative to the entry's base.
    fn reference(&self, text: &str) -> Option<String> {
        self.target(text).or_else(|| {
            let base = self.base.as_ref()?;
            matches!(Reference::parse(text), Reference::Resource { base: None, .. })
                .then(|| self.target(&format!("{base}/{text}")))
                .flatten()
        })
    }
}

struct Walk<'a> {
    model: &'a Model,
    links: &'a Links<'a>,
    path: String,
    issues: Vec<Issue>,
}

impl Walk<'_> {
    /// The members of an object of that type.
    fn object(&mut self, value: &mut Value, kind: &str) {
        let Value::Object(object) = value else { return };
        let is_resource = object.contains_key("resourceType");
        for (name, child) in object.iter_mut() {
            let element = self.model.member(kind, name).map(|(_, kind)| kind.code.clone());
            let code = match (element, name.starts_with('_')) {
                (Some(code), _) => code,
                // The id and extensions of a primitive.
                (None, true) => "Element".to_owned(),
                (None, false) => continue,
            };
            if is_resource && name == "url" {
                continue;
            }
            let length = self.path.len();
            self.path.push('.');
            self.path.push_str(name);
            self.each(child, kind, name, &code);
            self.path.truncate(length);
        }
    }

    /// A member, or each item of it.
    fn each(&mut self, value: &mut Value, parent: &str, name: &str, code: &str) {
        let Value::Array(items) = value else { return self.one(value, parent, name, code) };
        for (index, item) in items.iter_mut().enumerate() {
            let length = self.path.len();
            self.path.extend(["[", &index.to_string(), "]"]);
            self.one(item, parent, name, code);
            self.path.truncate(length);
        }
    }

    fn one(&mut self, value: &mut Value, parent: &str, name: &str, code: &str) {
        match value {
            Value::String(text) => self.text(text, parent, name, code),
            Value::Object(object) => {
                let inner = object.get("resourceType").and_then(Value::as_str);
                let kind = inner.map_or_else(|| code.to_owned(), str::to_owned);
                self.object(value, &kind);
            }
            _ => {}
        }
    }

    fn text(&mut self, text: &mut String, parent: &str, name: &str, code: &str) {
        let new = match code {
            "uri" | "url" | "oid" | "uuid" => self.links.target(text),
            "xhtml" => Some(narrative(text, |link| self.links.reference(link))),
            _ if parent == "Reference" && name == "reference" => {
                let new = self.links.reference(text);
                if new.is_none() {
                    self.unresolved(text);
                }
                new
            }
            _ => None,
        };
        if let Some(new) = new {
            *text = new;
        }
    }

    fn unresolved(&mut self, text: &str) {
        let message = match Reference::parse(text) {
            Reference::Urn(urn) if urn.starts_with("urn:uuid:") => {
                "No entry of the transaction has this fullUrl."
            }
            Reference::Conditional { .. } => "The conditional reference was not resolved.",
            _ => return,
        };
        let issue = Issue::error(IssueType::NotFound, message);
        self.issues.push(issue.at(self.path.clone()));
    }
}

/// The narrative with the links of `href` and `src` turned.
fn narrative(text: &str, target: impl Fn(&str) -> Option<String>) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(value) = next_link(rest) {
        let (before, link) = rest.split_at(value);
        let quote = before.chars().next_back().unwrap_or('"');
        let Some((link, _)) = link.split_once(quote) else { break };
        out.push_str(before);
        let new = target(&link.replace("&amp;", "&")).map(|new| new.replace('&', "&amp;"));
        out.push_str(new.as_deref().unwrap_or(link));
        rest = rest.get(value + link.len()..).unwrap_or_default();
    }
    out.push_str(rest);
    out
}

/// Where the value of the next `href` or `src` begins, behind its quotation mark.
fn next_link(text: &str) -> Option<usize> {
    let mut from = 0;
    loop {
        let rest = text.get(from..)?;
        let names = ["href", "src"].into_iter();
        let (at, name) = names.filter_map(|name| Some((rest.find(name)?, name))).min()?;
        let after = rest.get(at + name.len()..)?;
        let value = after.trim_start().strip_prefix('=').map(str::trim_start);
        if let Some(link) = value.and_then(|value| value.strip_prefix(['"', '\''])) {
            return Some(text.len() - link.len());
        }
        from += at + name.len();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    const PATIENT: &str = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0";

    fn rewritten(base: Option<&str>, value: Value) -> (Value, Vec<Issue>) {
        let targets = HashMap::from([
            (PATIENT.to_owned(), "Patient/1".to_owned()),
            ("http://a.example/fhir/Patient/x".to_owned(), "Patient/2".to_owned()),
        ]);
        let versions = HashMap::from([("Patient/1".to_owned(), VersionId(5))]);
        let base = base.map(str::to_owned);
        let links = Links { targets: &targets, versions: &versions, base };
        let mut resource = Resource::from_value(value).unwrap();
        let issues = links.rewrite(&Model::standard().unwrap(), &mut resource);
        (resource.into_value(), issues)
    }

    /// The example of the rules: <http://hl7.org/fhir/R4/http.html#trules>.
    #[test]
    fn everywhere_a_link_may_stand_and_nowhere_else() {
        let div = |link: &str| {
            format!(
                "<div xmlns='http://www.w3.org/1999/xhtml'>href '<a href=\"{link}\">x</a><img src = '{link}'/></div>"
            )
        };
        let resource = |link: &str, versioned: &str| {
            json!({
                "resourceType": "Observation",
                "text": { "status": "generated", "div": div(link) },
                "contained": [{ "resourceType": "Device", "patient": { "reference": link }, "url": PATIENT }],
                "extension": [
                    { "url": "http://a.example/e", "valueUri": link },
                    { "url": "http://a.example/e", "valueReference": { "reference": link } },
                    { "url": "http://a.example/e", "valueCanonical": PATIENT },
                    { "url": "http://a.example/e", "valueString": PATIENT },
                ],
                "identifier": [{ "system": "urn:ietf:rfc:3986", "value": PATIENT }],
                "instantiatesCanonical": [PATIENT],
                "meta": { "source": link },
                "subject": { "reference": link, "display": PATIENT },
                "performer": [{ "reference": versioned }, { "reference": "Practitioner/7" }],
                "_status": { "extension": [{ "url": "http://a.example/e", "valueUrl": link }] },
                "component": [{ "code": { "text": PATIENT }, "valueString": PATIENT }],
            })
        };
        let sent = resource(PATIENT, &format!("{PATIENT}/_history/2"));
        let (value, issues) = rewritten(None, sent);
        assert_eq!(issues, []);
        let expected = resource("Patient/1", "Patient/1/_history/5");
        assert_eq!(value, expected);
    }

    #[test]
    fn relative_references_are_read_against_the_full_url() {
        let sent =
            json!({ "resourceType": "Observation", "subject": { "reference": "Patient/x" } });
        let inside = rewritten(Some("http://a.example/fhir"), sent.clone()).0;
        assert_eq!(inside["subject"]["reference"], "Patient/2");
        assert_eq!(rewritten(None, sent.clone()).0, sent);
        let other = rewritten(Some("http://b.example/fhir"), sent.clone()).0;
        assert_eq!(other, sent);
        let whole = "http://a.example/fhir/Patient/x";
        let sent = json!({ "resourceType": "Observation", "subject": { "reference": whole } });
        assert_eq!(rewritten(None, sent).0["subject"]["reference"], "Patient/2");
    }

    #[test]
    fn a_link_to_no_entry_is_told() {
        let urn = "urn:uuid:00000000-0000-4000-8000-000000000000";
        let sent = json!({ "resourceType": "Observation", "performer": [{ "reference": urn }] });
        let issues = rewritten(None, sent).1;
        let place = issues[0].expression.as_deref();
        assert_eq!(place, Some("Observation.performer[0].reference"));
    }

    #[test]
    fn narrative_links_are_whole_attributes() {
        let target = |link: &str| (link == "a&b").then(|| "c&d".to_owned());
        let check = |text: &str, expected: &str| assert_eq!(narrative(text, target), expected);
        check("<a href=\"a&amp;b\">a&amp;b</a>", "<a href=\"c&amp;d\">a&amp;b</a>");
        check("<a href='a&amp;b'/><img src=\"x\"/>", "<a href='c&amp;d'/><img src=\"x\"/>");
        check("no href, src=", "no href, src=");
        check("<a href=\"cut", "<a href=\"cut");
    }
}
