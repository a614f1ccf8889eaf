//! Whether the links within a narrative lead to something in the resource, as warnings.
//!
//! To an id of an element or of a contained resource, or to an id or anchor of a narrative.
//! Source: <http://hl7.org/fhir/R4/narrative.html#internal>, <http://hl7.org/fhir/R4/narrative.html#id>.

use std::collections::HashSet;

use serde_json::Value;

use super::finding::Finding;
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message, narrative};

/// The links that lead nowhere, with the places of their narratives.
pub(super) fn loose_links(resource: &Value) -> Vec<Finding> {
    // Mostly there is no link, and nothing more to look at.
    if !has_link(resource) {
        return Vec::new();
    }
    let mut divs = Vec::new();
    collect_divs(resource, "", &mut divs);
    let links: Vec<(&str, Vec<String>)> =
        divs.iter().map(|(place, div)| (place.as_str(), narrative::links(div))).collect();
    if links.iter().all(|(_, links)| links.is_empty()) {
        return Vec::new();
    }
    let mut ids: HashSet<String> = divs.iter().flat_map(|(_, div)| narrative::ids(div)).collect();
    collect_ids(resource, &mut ids);
    let is_loose = |links: &Vec<String>| links.iter().any(|link| !ids.contains(link));
    let text = "A link within the narrative leads to no id of the resource.";
    let loose = links.iter().filter(|(_, links)| is_loose(links));
    let say = |place: &str| {
        let finding = Finding::warning(IssueType::NotFound, text).message(Message::NarrativeLink);
        finding.below(place)
    };
    loose.map(|(place, _)| say(place)).collect()
}

/// Whether a narrative could have a link within it.
fn has_link(element: &Value) -> bool {
    element.at("text").at("div").as_str().is_some_and(|div| div.contains('#'))
        || element.at("section").as_array().into_iter().flatten().any(has_link)
}

/// The narratives of a resource: its own, and those of the sections of a Composition.
fn collect_divs<'v>(element: &'v Value, place: &str, divs: &mut Vec<(String, &'v str)>) {
    if let Some(div) = element.at("text").at("div").as_str() {
        divs.push((format!("{place}.text.div"), div));
    }
    let sections = element.at("section").as_array().into_iter().flatten().enumerate();
    for (index, section) in sections {
        collect_divs(section, &format!("{place}.section[{index}]"), divs);
    }
}

fn collect_ids(value: &Value, ids: &mut HashSet<String>) {
    match value {
        Value::Object(object) => {
            ids.extend(object.get("id").and_then(Value::as_str).map(str::to_owned));
            object.values().for_each(|value| collect_ids(value, ids));
        }
        Value::Array(list) => list.iter().for_each(|value| collect_ids(value, ids)),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn links_lead_to_ids() {
        let div = |inner: &str| format!("<div xmlns=\"{}\">{inner}</div>", narrative::NAMESPACE);
        let check = |inner: &str, expected: usize| {
            let resource = json!({
                "text": { "div": div(inner) },
                "contained": [{ "id": "pic" }],
                "name": [{ "id": "n" }],
            });
            assert_eq!(loose_links(&resource).len(), expected, "{inner}");
        };
        check("<a href=\"#n\">x</a><img src=\"#pic\"/><b id=\"i\">x</b><a href=\"#i\">y</a>", 0);
        check("<a href=\"#none\">x</a><a href=\"#neither\">x</a>", 1);
        check("<img src=\"#none\"/>", 1);
        check("<a href=\"#\">x</a><a href=\"Patient/1#x\">x</a> 1 # 2", 0);
        let section = json!({ "section": [{}, { "section": [{ "text": { "div":
            div("<a href=\"#x\">x</a>") } }] }] });
        assert_eq!(loose_links(&section).len(), 1);
    }
}
