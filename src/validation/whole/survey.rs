//! Ids that must differ within a resource, and attachments that must be what they say.
//!
//! Ids of elements, of what is contained and of the narrative are one space: `#id` must mean one
//! thing. An attachment with data has the size and the SHA-1 digest that it tells.
//! Source: <http://hl7.org/fhir/R4/element.html>, <http://hl7.org/fhir/R4/narrative.html#id>,
//! <http://hl7.org/fhir/R4/datatypes.html#Attachment>.

use std::collections::HashSet;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;

use super::walk;
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, narrative};
use crate::validation::fhirpath::Kind;
use crate::validation::finding::Finding;

pub(super) fn rules(resource: &Value) -> Vec<Finding> {
    let mut found = Vec::new();
    // Most resources have neither, and a look at the keys is all that they cost.
    let object = resource.as_object().into_iter().flatten();
    if !object.filter(|(key, _)| *key != "text").any(|(_, child)| is_of_interest(child))
        && !has_anchor(resource)
    {
        return found;
    }
    let mut ids: HashSet<String> = HashSet::new();
    walk::objects(resource, &mut |value, kind, steps| {
        // A snapshot and a differential have the ids of their elements in common.
        let is_definition = kind.is_some_and(|kind| kind.name() == "ElementDefinition");
        if let Some(id) = value.at("id").as_str().filter(|_| !steps.is_empty() && !is_definition)
            && !ids.insert(id.to_owned())
        {
            found.push(repeated().below(&walk::path(steps)));
        }
        match kind.map(Kind::name) {
            Some("Attachment") => {
                found.extend(attachment(value).into_iter().map(|f| f.below(&walk::path(steps))));
            }
            Some("Narrative") => {
                let div = value.at("div").as_str().filter(|div| has_id(div));
                for id in div.map(narrative::ids).unwrap_or_default() {
                    if !ids.insert(id) {
                        found.push(repeated().below(&walk::path(steps)));
                    }
                }
            }
            _ => {}
        }
    });
    found
}

/// Whether there is an id or an attachment's data below; resources that stand on their own are not
/// looked into.
fn is_of_interest(value: &Value) -> bool {
    match value {
        Value::Object(object) => {
            object.contains_key("id")
                || object.contains_key("data")
                || object.get("resourceType").is_none() && object.values().any(is_of_interest)
        }
        Value::Array(list) => list.iter().any(|item| {
            is_of_interest(item) || item.get("resourceType").is_some() && has_anchor(item)
        }),
        _ => false,
    }
}

fn has_anchor(resource: &Value) -> bool {
    resource.at("text").at("div").as_str().is_some_and(has_id)
}

fn has_id(div: &str) -> bool {
    div.contains(" id=") || div.contains(" name=")
}

fn repeated() -> Finding {
    let text = "The id is that of another element of the resource too; each id means one element.";
    Finding::error(IssueType::BusinessRule, text).rule("element-id").message(Message::ElementId)
}

fn attachment(value: &Value) -> Vec<Finding> {
    let mut found = Vec::new();
    let mut say = |finding: Finding, place: &str| {
        found.push(finding.rule("attachment").message(Message::Attachment).below(place));
    };
    let error = |text: &str| Finding::error(IssueType::Value, text);
    let hash = value.at("hash").as_str();
    let digest = hash.map(|hash| STANDARD.decode(hash));
    if let Some(digest) = &digest
        && !digest.as_ref().is_ok_and(|digest| digest.len() == 20)
    {
        let text = "The hash should be a SHA-1 digest (20 bytes) in base64.";
        say(Finding::warning(IssueType::Value, text), ".hash");
    }
    let data = value.at("data").as_str().map(|data| {
        let data: String = data.split_whitespace().collect();
        STANDARD.decode(data)
    });
    // Malformed base64 is told by the type.
    if let Some(Ok(data)) = data {
        let size = value.at("size").as_u64();
        if size.is_some_and(|size| usize::try_from(size) != Ok(data.len())) {
            say(error("The size must be the number of bytes of the data."), ".size");
        }
        let own = sha1_smol::Sha1::from(&data).digest().bytes();
        if let Some(Ok(digest)) = digest
            && digest.len() == own.len()
            && digest != own
        {
            say(error("The hash must be the SHA-1 digest of the data."), ".hash");
        }
    }
    found
}
