//! The `TerminologyCapabilities` resource: which code systems are held in which versions, and what
//! the operations take.
//!
//! Made from what is held at the moment it is asked for, so that it cannot fall behind.
//! Source: <http://hl7.org/fhir/R4/terminologycapabilities.html>.

use serde_json::{Map, Value, json};

use super::call::Operation;
use super::{CodeSystem, Terminology};

/// The statement of a server under that base URL, which runs so since that instant.
pub fn statement(terminology: &Terminology, base: &str, since: &str) -> Value {
    let parameters = Operation::ValueSetExpand.names().split_whitespace();
    // A resource inline and the set itself are the subject, not parameters of the expansion.
    let parameters = parameters.filter(|name| !["url", "valueSet"].contains(name));
    json!({
        "resourceType": "TerminologyCapabilities",
        "status": "active",
        "date": since,
        "publisher": "spondyl",
        "kind": "instance",
        "software": { "name": "spondyl", "version": env!("CARGO_PKG_VERSION") },
        "implementation": {
            "description": "Clinical record of manual therapy of the spine",
            "url": base,
        },
        "lockedDate": false,
        "codeSystem": terminology.urls().into_iter().map(|url| system(terminology, url))
            .collect::<Vec<_>>(),
        "expansion": {
            "hierarchical": true,
            "paging": true,
            "incomplete": false,
            "parameter": parameters.map(|name| json!({ "name": name })).collect::<Vec<_>>(),
            "textFilter": "Words that must all occur in the code, its display or a designation.",
        },
        "codeSearch": "all",
        "validateCode": { "translations": false },
        "translation": { "needsMap": true },
        "closure": { "translation": false },
    })
}

fn system(terminology: &Terminology, url: &str) -> Value {
    let held = terminology.versions(url);
    let default = terminology.code_system(url).and_then(|system| system.version.as_deref());
    let versions: Vec<Value> =
        held.iter().map(|system| version(system, default, held.len() > 1)).collect();
    let mut content = Map::from_iter([("uri".to_owned(), json!(url))]);
    if !versions.is_empty() {
        content.insert("version".into(), Value::Array(versions));
    }
    let subsumption = held.iter().any(|system| system.hierarchy_meaning_is_kind());
    content.insert("subsumption".into(), json!(subsumption));
    Value::Object(content)
}

fn version(system: &CodeSystem, default: Option<&str>, several: bool) -> Value {
    let mut version = Map::new();
    if let Some(code) = &system.version {
        version.insert("code".into(), json!(code));
    }
    if several {
        version.insert("isDefault".into(), json!(system.version.as_deref() == default));
    }
    version.insert("compositional".into(), json!(false));
    if let Some(language) = &system.language {
        version.insert("language".into(), json!([language]));
    }
    let properties = system.property_names();
    if !properties.is_empty() {
        version.insert("property".into(), json!(properties));
    }
    Value::Object(version)
}

#[cfg(test)]
mod tests {
    use super::super::tests::held;
    use super::*;

    #[test]
    fn what_is_held_is_told_with_its_versions() {
        let mut held = held();
        held.add(&json!({ "resourceType": "CodeSystem", "url": "s", "version": "2",
            "content": "complete", "concept": [{ "code": "z" }] }))
            .unwrap();
        let statement = statement(&held, "http://a.example/fhir", "2026-01-01T00:00:00Z");
        let systems = statement["codeSystem"].as_array().unwrap();
        let of = |url: &str| systems.iter().find(|system| system["uri"] == url).unwrap();
        let versions = of("s")["version"].as_array().unwrap();
        let codes: Vec<_> = versions.iter().map(|v| (&v["code"], &v["isDefault"])).collect();
        assert_eq!(codes, [(&json!("1"), &json!(false)), (&json!("2"), &json!(true))]);
        assert_eq!(versions[0]["property"], json!(["order", "kind", "notSelectable", "status"]));
        assert_eq!(of("s")["subsumption"], true);
        assert_eq!(of("parts")["subsumption"], false, "part-of is not subsumption");
    }
}
