//! Entries of a Bundle: their full URLs and requests.
//!
//! A full URL is absolute, and agrees with the type and id of its resource where it looks like one
//! of a server. Entries have one, but for transactions, batches and the answers to them.
//! What a request asks fits its resource.
//! Source: <http://hl7.org/fhir/R4/bundle.html#bundle-unique>,
//! <http://hl7.org/fhir/R4/bundle-definitions.html#Bundle.entry.fullUrl>,
//! <http://hl7.org/fhir/R4/http.html#transaction>.

use serde_json::Value;

use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, Reference};
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

pub(super) fn rules(_: &Scope, bundle: &Value) -> Vec<Finding> {
    let kind = bundle.at("type").as_str().unwrap_or_default();
    let mut found = Vec::new();
    for (at, entry) in bundle.at("entry").as_array().into_iter().flatten().enumerate() {
        let own = full_url(kind, entry).into_iter().chain(request(kind, entry));
        found.extend(own.map(|finding| finding.below(&format!(".entry[{at}]"))));
    }
    found
}

fn say(text: &str) -> Finding {
    Finding::error(IssueType::Invalid, text).rule("bundle-full-url").message(Message::BundleFullUrl)
}

/// Bundles whose entries need no full URL: the resources are about to get an identity, or the
/// entries are answers.
const WITHOUT: [&str; 4] = ["transaction", "batch", "transaction-response", "batch-response"];

fn full_url(kind: &str, entry: &Value) -> Option<Finding> {
    let resource = entry.get("resource");
    let Some(url) = entry.at("fullUrl").as_str() else {
        let is_answer = entry.at("search").at("mode") == "outcome"
            || entry.at("resource").at("resourceType") == "OperationOutcome";
        // Results of operations may be resources that have no identity.
        let is_identified = resource.is_some_and(|resource| resource.get("id").is_some());
        let is_strict = resource.is_some() && ["document", "message"].contains(&kind);
        let is_needed = (is_identified || is_strict) && !is_answer && !WITHOUT.contains(&kind);
        // What is said in the place of the URL counts as one.
        return (is_needed && entry.get("_fullUrl").is_none())
            .then(|| say("The entry must have a fullUrl, which is the identity of its resource."));
    };
    if url.starts_with("urn:") {
        return (!is_urn(url)).then(|| {
            say("The fullUrl must be a well-formed UUID in small letters, or an OID.")
                .below(".fullUrl")
        });
    }
    let is_absolute = url.split_once(':').is_some_and(|(scheme, rest)| {
        !rest.is_empty() && scheme.bytes().all(|b| b.is_ascii_alphanumeric() || b"+-.".contains(&b))
    });
    if !is_absolute {
        return Some(say("The fullUrl must be an absolute URL.").below(".fullUrl"));
    }
    let resource = resource?;
    let Reference::Resource { kind: named, id, .. } = Reference::parse(url) else { return None };
    let is_type = resource.at("resourceType") == named.as_str();
    match resource.at("id").as_str() {
        // It is about to get one.
        None if kind == "transaction" || kind == "batch" => None,
        None => Some(say(
            "The fullUrl is that of a resource on a server, so the resource must have its id.",
        )),
        Some(own) if own != id.as_str() || !is_type => Some(
            say("The fullUrl must end with the type and id of the resource.").below(".fullUrl"),
        ),
        Some(_) => None,
    }
}

/// Whether it is a urn of a kind that the standard knows, and well-formed. Urns of other kinds are
/// not judged.
pub(super) fn is_urn(text: &str) -> bool {
    if let Some(uuid) = text.strip_prefix("urn:uuid:") {
        let form = [8, 4, 4, 4, 12];
        let is_hex =
            |part: &str| part.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        let parts: Vec<&str> = uuid.split('-').collect();
        return parts.iter().map(|part| part.len()).eq(form) && parts.iter().all(|p| is_hex(p));
    }
    match text.strip_prefix("urn:oid:") {
        Some(oid) => {
            oid.split('.').all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit()))
        }
        None => true,
    }
}

fn request(kind: &str, entry: &Value) -> Option<Finding> {
    if kind != "transaction" && kind != "batch" {
        return None;
    }
    let request = entry.get("request")?;
    let method = request.at("method").as_str()?;
    let url = request.at("url").as_str()?;
    let target = url.split(['?', '/']).next().unwrap_or_default();
    let named = entry.get("resource")?.at("resourceType").as_str()?;
    let is_write = method == "PUT" || method == "POST" && !url.contains('$');
    let is_other = is_write && !target.is_empty() && target != named && !url.contains("://");
    is_other.then(|| {
        Finding::error(
            IssueType::Invalid,
            "The URL of the request must name the type of the resource.",
        )
        .rule("bundle-request")
        .message(Message::BundleRequest)
        .below(".request.url")
    })
}
