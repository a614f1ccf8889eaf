//! One value set: what it is composed of.
//!
//! Source: <http://hl7.org/fhir/R4/valueset.html#compositions>.

use std::collections::HashSet;

use serde_json::Value;

use super::concepts::Concept;
use super::filter::Filter;
use super::{CodeSystem, Membership, Steps, Terminology, ucum};

/// A value set that is held.
pub struct ValueSet {
    /// Its version, if it says one.
    pub version: Option<String>,
    include: Vec<Part>,
    exclude: Vec<Part>,
    /// Whether inactive codes are in the set too.
    inactive: bool,
    /// The codes that the publisher listed, where the list is whole.
    listed: Option<Vec<Part>>,
}

/// One include or exclude: all of its conditions must hold.
struct Part {
    system: Option<String>,
    /// The canonical of the system in the version that the part names; without one, its URL.
    pinned: String,
    concepts: Option<HashSet<String>>,
    filters: Vec<Filter>,
    value_sets: Vec<String>,
}

impl ValueSet {
    /// Reads a ValueSet resource, whole or shortened to its composition. One that has only an
    /// expansion is read from that.
    pub fn read(value: &Value) -> Self {
        let parts = |key: &str| {
            let list = value["compose"].get(key).and_then(Value::as_array);
            list.into_iter().flatten().map(Part::read).collect::<Vec<_>>()
        };
        let mut include = parts("include");
        if include.is_empty() {
            expanded(value.pointer("/expansion/contains"), &mut include);
        }
        let inactive = value.pointer("/compose/inactive") != Some(&Value::Bool(false));
        let listed = (value["compose"].is_object()).then(|| whole_expansion(value)).flatten();
        let version = value["version"].as_str().map(str::to_owned);
        Self { version, include, exclude: parts("exclude"), inactive, listed }
    }

    pub(super) fn membership(
        &self,
        terminology: &Terminology,
        system: Option<&str>,
        code: &str,
        steps: Steps<'_>,
    ) -> Membership {
        let any = |parts: &[Part]| {
            parts.iter().fold(Membership::Out, |found, part| {
                found.or(|| part.membership(terminology, system, code, steps))
            })
        };
        let composed = any(&self.include).and(|| any(&self.exclude).not());
        if let (Membership::Unknown, Some(listed)) = (composed, &self.listed) {
            return any(listed);
        }
        if self.inactive { composed } else { composed.and(|| active(terminology, system, code)) }
    }
}

impl Part {
    fn read(value: &Value) -> Self {
        let text = |key: &str| value.get(key).and_then(Value::as_str).map(str::to_owned);
        let concepts = value["concept"].as_array().map(|list| {
            list.iter().filter_map(|c| c["code"].as_str().map(str::to_owned)).collect()
        });
        let filters = value["filter"].as_array().into_iter().flatten().map(Filter::read).collect();
        let sets = value["valueSet"].as_array().into_iter().flatten();
        let value_sets = sets.filter_map(|set| set.as_str().map(str::to_owned)).collect();
        let system = text("system");
        let pinned = match (&system, text("version")) {
            (Some(system), Some(version)) if version != "*" => format!("{system}|{version}"),
            (system, _) => system.clone().unwrap_or_default(),
        };
        Self { system, pinned, concepts, filters, value_sets }
    }

    fn membership(
        &self,
        terminology: &Terminology,
        system: Option<&str>,
        code: &str,
        steps: Steps<'_>,
    ) -> Membership {
        let nested = self.value_sets.iter().fold(Membership::In, |held, set| {
            held.and(|| terminology.member(set, system, code, steps))
        });
        let Some(own) = self.system.as_deref() else { return nested };
        if system.is_some_and(|system| system != own) {
            return Membership::Out;
        }
        let listed = match &self.concepts {
            Some(concepts) => Membership::of(concepts.contains(code)),
            // What another version has says nothing of the one that is wanted.
            None if !terminology.holds_version(&self.pinned, own) => Membership::Unknown,
            None => self
                .filters
                .iter()
                .fold(terminology.has_code(&self.pinned, code), |held, filter| {
                    held.and(|| passes(filter, terminology, &self.pinned, code))
                }),
        };
        nested.and(|| listed)
    }
}

fn passes(filter: &Filter, terminology: &Terminology, system: &str, code: &str) -> Membership {
    let Some(held) = terminology.code_system(system) else {
        return if system == ucum::SYSTEM { filter.over_unit(code) } else { Membership::Unknown };
    };
    match (filter.over(held), held.concept(code)) {
        (Ok(test), Some(concept)) => Membership::of(test.passes(concept)),
        (Ok(_), None) if held.is_complete() => Membership::Out,
        _ => Membership::Unknown,
    }
}

/// Whether the code is still in use, as far as its system is held.
fn active(terminology: &Terminology, system: Option<&str>, code: &str) -> Membership {
    let held = system.and_then(|system| terminology.code_system(system));
    let inactive = |held: &CodeSystem| held.concept(code).is_some_and(Concept::is_inactive);
    Membership::of(!held.is_some_and(inactive))
}

fn whole_expansion(value: &Value) -> Option<Vec<Part>> {
    let expansion = value.get("expansion")?;
    let mut parts = Vec::new();
    expanded(expansion.get("contains"), &mut parts);
    let count = u64::try_from(parts.len()).ok();
    let whole = expansion["total"].as_u64().is_none_or(|total| Some(total) == count);
    (whole && !parts.is_empty()).then_some(parts)
}

fn expanded(list: Option<&Value>, parts: &mut Vec<Part>) {
    for item in list.and_then(Value::as_array).into_iter().flatten() {
        let text = |key: &str| item.get(key).and_then(Value::as_str);
        if let Some(code) = text("code") {
            parts.push(Part {
                system: text("system").map(str::to_owned),
                pinned: text("system").unwrap_or_default().to_owned(),
                concepts: Some(HashSet::from([code.to_owned()])),
                filters: Vec::new(),
                value_sets: Vec::new(),
            });
        }
        expanded(item.get("contains"), parts);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::definitions::Definitions;
    use serde_json::json;

    fn terminology() -> Terminology {
        let system = json!({ "resourceType": "CodeSystem", "url": "s", "content": "complete",
            "concept": [
                { "code": "a", "concept": [{ "code": "a1", "concept": [{ "code": "a11" }] }] },
                { "code": "b", "property": [{ "code": "class", "valueCode": "x" }] },
            ] });
        let part = json!({ "resourceType": "CodeSystem", "url": "f", "content": "fragment",
            "concept": [{ "code": "known" }] });
        let set = |url: &str, compose: Value| json!({ "resourceType": "ValueSet", "url": url, "compose": compose });
        let filter = |op: &str, property: &str, value: &str| json!({ "include": [{ "system": "s", "filter": [{ "property": property, "op": op, "value": value }] }] });
        let documents = [
            system,
            part,
            set("all", json!({ "include": [{ "system": "s" }] })),
            set("list", json!({ "include": [{ "system": "s", "concept": [{ "code": "a1" }] }] })),
            set("is-a", filter("is-a", "concept", "a")),
            set("below", filter("descendent-of", "concept", "a")),
            set("equal", filter("=", "class", "x")),
            set(
                "without",
                json!({ "include": [{ "system": "s" }], "exclude": [{ "system": "s", "concept": [{ "code": "b" }] }] }),
            ),
            set(
                "nested",
                json!({ "include": [{ "valueSet": ["is-a"] }, { "system": "s", "concept": [{ "code": "b" }] }] }),
            ),
            set("both", json!({ "include": [{ "valueSet": ["is-a", "below"] }] })),
            set("foreign", json!({ "include": [{ "system": "not-held" }] })),
            set("partial", json!({ "include": [{ "system": "f" }] })),
            set("itself", json!({ "include": [{ "valueSet": ["itself"] }] })),
        ];
        let files: Vec<(String, Vec<u8>)> = documents
            .iter()
            .enumerate()
            .map(|(n, d)| (format!("profile/{n}.json"), d.to_string().into_bytes()))
            .collect();
        let files = files.iter().map(|(path, bytes)| (path.as_str(), bytes.as_slice()));
        Terminology::new(Arc::new(Definitions::load(files).unwrap()))
    }

    #[test]
    fn membership() {
        let terminology = terminology();
        for (set, system, code, expected) in [
            ("all", Some("s"), "a11", Membership::In),
            ("all", Some("s"), "c", Membership::Out),
            ("all", Some("t"), "a", Membership::Out),
            ("all", None, "b", Membership::In),
            ("list", Some("s"), "a1", Membership::In),
            ("list", Some("s"), "a", Membership::Out),
            ("is-a", Some("s"), "a", Membership::In),
            ("is-a", Some("s"), "a11", Membership::In),
            ("is-a", Some("s"), "b", Membership::Out),
            ("below", Some("s"), "a", Membership::Out),
            ("below", Some("s"), "a1", Membership::In),
            ("equal", Some("s"), "b", Membership::In),
            ("equal", Some("s"), "a", Membership::Out),
            ("without", Some("s"), "b", Membership::Out),
            ("without", Some("s"), "a", Membership::In),
            ("nested", Some("s"), "a1", Membership::In),
            ("nested", Some("s"), "b", Membership::In),
            ("both", Some("s"), "a", Membership::Out),
            ("both", Some("s"), "a1", Membership::In),
            ("foreign", Some("not-held"), "x", Membership::Unknown),
            ("foreign", Some("s"), "a", Membership::Out),
            ("partial", Some("f"), "known", Membership::In),
            ("partial", Some("f"), "other", Membership::Unknown),
            ("itself", Some("s"), "a", Membership::Unknown),
            ("no-such-set", Some("s"), "a", Membership::Unknown),
        ] {
            let found = terminology.membership(set, system, code);
            assert_eq!(found, expected, "{set} {system:?} {code}");
        }
    }
}
