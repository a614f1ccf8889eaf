//! References inside a Bundle.
//!
//! What a document's Composition or a message's header refers to is in the Bundle, by the rules of
//! full URLs. A urn means something in the same Bundle only. A reference means one entry, and
//! what it means has the type that it names.
//! Source: <http://hl7.org/fhir/R4/bundle.html#references>,
//! <http://hl7.org/fhir/R4/documents.html#content>, <http://hl7.org/fhir/R4/messaging.html>.

use serde_json::Value;

use super::bundle::is_urn;
use super::walk;
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, Reference};
use crate::validation::finding::Finding;
use crate::validation::resolve::{Resolved, Target};
use crate::validation::scope::Scope;

/// The kinds of Bundle in which a urn must lead to an entry.
const CLOSED: [&str; 4] = ["document", "collection", "message", "transaction"];

/// What the first entry of a document or message refers to, and must be in the Bundle. Paths
/// without the numbers of items.
const NEEDED: &[(&str, &[&str])] = &[
    (
        "Composition",
        &[
            ".subject",
            ".encounter",
            ".author",
            ".attester.party",
            ".custodian",
            ".event.detail",
            ".section.author",
            ".section.focus",
            ".section.entry",
        ],
    ),
    ("MessageHeader", &[".focus"]),
];

pub(super) fn rules(scope: &Scope, bundle: &Value) -> Vec<Finding> {
    let Some(here) = scope.here() else { return Vec::new() };
    let kind = bundle.at("type").as_str().unwrap_or_default();
    let mut found = Vec::new();
    for (at, entry) in bundle.at("entry").as_array().into_iter().flatten().enumerate() {
        let Some(resource) = entry.get("resource") else { continue };
        let look = Look { kind, is_first: at == 0, target: here.inside(resource) };
        let place = format!(".entry[{at}].resource");
        found.extend(look.resource().into_iter().map(|finding| finding.below(&place)));
    }
    found
}

/// A resource of the Bundle that is looked through.
struct Look<'b> {
    kind: &'b str,
    is_first: bool,
    target: Target,
}

impl Look<'_> {
    fn resource(&self) -> Vec<Finding> {
        let mut found = Vec::new();
        let resource = self.target.value();
        let named = resource.at("resourceType").as_str().unwrap_or_default();
        let is_main = self.is_first && (self.kind == "document" || self.kind == "message");
        let needed = NEEDED.iter().find(|(name, _)| is_main && *name == named);
        let needed = needed.map_or(&[][..], |(_, paths)| paths);
        walk::objects(resource, &mut |value, kind, steps| {
            if kind.is_some_and(|kind| kind.name() != "Reference") {
                return;
            }
            let Some(text) = value.at("reference").as_str() else { return };
            let path = || walk::path(steps);
            let is_needed = !needed.is_empty() && needed.contains(&plain(&path()).as_str());
            found.extend(self.reference(text, is_needed).map(|finding| finding.below(&path())));
        });
        found
    }

    fn reference(&self, text: &str, is_needed: bool) -> Option<Finding> {
        if text.starts_with('#') || text.is_empty() {
            return None;
        }
        let say = |code: IssueType, text: &str| Some(reference(Finding::error(code, text)));
        let parsed = Reference::parse(text);
        match self.target.resolve(text) {
            Resolved::Found(target) => {
                let is_document = self.kind == "document";
                if is_document && self.target.matches(text).is_some_and(|count| count > 1) {
                    let text = "The reference means more than one entry of the Bundle.";
                    return say(IssueType::MultipleMatches, text);
                }
                let Reference::Resource { kind, .. } = parsed else { return None };
                if target.value().at("resourceType") == kind.as_str() {
                    return None;
                }
                let text = "The reference names another type than the entry that it means has.";
                say(IssueType::Value, text)
            }
            Resolved::Missing if !is_urn(text) => {
                let text =
                    "The reference should be a well-formed UUID in small letters, or an OID.";
                Some(reference(Finding::warning(IssueType::Value, text)))
            }
            Resolved::Missing if CLOSED.contains(&self.kind) => {
                say(IssueType::NotFound, "There is no entry of that fullUrl in the Bundle.")
            }
            _ if is_needed => {
                let text = "What the reference means must be in the Bundle, under the fullUrl that \
                            follows from the fullUrl of this entry.";
                say(IssueType::NotFound, text)
            }
            _ => {
                let is_other = self.is_other_by_uuid(&parsed)?;
                let text = "The reference names another type than the entry of that UUID has.";
                if is_other { say(IssueType::Value, text) } else { None }
            }
        }
    }

    /// Whether a relative reference to a UUID is met by an entry with that urn of another type.
    fn is_other_by_uuid(&self, reference: &Reference) -> Option<bool> {
        let Reference::Resource { base: None, kind, id, .. } = reference else { return None };
        let urn = format!("urn:uuid:{}", id.as_str());
        let target = is_urn(&urn).then(|| self.target.resolve(&urn).found())??;
        Some(target.value().at("resourceType") != kind.as_str())
    }
}

fn reference(finding: Finding) -> Finding {
    finding.rule("bundle-reference").message(Message::BundleReference)
}

/// A path without the numbers of items.
fn plain(path: &str) -> String {
    let mut plain = String::new();
    let mut is_number = false;
    for c in path.chars() {
        match c {
            '[' => is_number = true,
            ']' => is_number = false,
            c if !is_number => plain.push(c),
            _ => {}
        }
    }
    // Sections nest.
    while plain.contains(".section.section") {
        plain = plain.replace(".section.section", ".section");
    }
    plain
}
