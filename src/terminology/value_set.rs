//! One value set: what it is composed of.
//!
//! Source: <http://hl7.org/fhir/R4/valueset.html#compositions>.

use std::collections::HashSet;

use serde_json::Value;

use super::{Membership, Terminology};
use crate::fhir::json::At;

/// A value set that is held.
pub struct ValueSet {
    include: Vec<Part>,
    exclude: Vec<Part>,
}

/// One include or exclude: all of its conditions must hold.
struct Part {
    system: Option<String>,
    concepts: Option<HashSet<String>>,
    filters: Vec<Filter>,
    value_sets: Vec<String>,
}

struct Filter {
    property: String,
    op: String,
    value: String,
}

impl ValueSet {
    /// Reads a ValueSet resource, whole or shortened to its composition. One that has only an
    /// expansion is read from that.
    pub fn read(value: &Value) -> Self {
        let parts = |key: &str| {
            let list = value.at("compose").at(key).as_array().into_iter().flatten();
            list.map(Part::read).collect::<Vec<_>>()
        };
        let mut include = parts("include");
        if include.is_empty() {
            expanded(value.at("expansion").at("contains"), &mut include);
        }
        Self { include, exclude: parts("exclude") }
    }

    pub(super) fn membership(
        &self,
        terminology: &Terminology,
        system: Option<&str>,
        code: &str,
        depth: usize,
    ) -> Membership {
        let any = |parts: &[Part]| {
            parts.iter().fold(Membership::Out, |found, part| {
                found.or(|| part.membership(terminology, system, code, depth))
            })
        };
        any(&self.include).and(|| any(&self.exclude).not())
    }
}

impl Part {
    fn read(value: &Value) -> Self {
        let text = |key: &str| value.at(key).as_str().map(str::to_owned);
        let concepts = value.at("concept").as_array().map(|list| {
            list.iter().filter_map(|c| c.at("code").as_str().map(str::to_owned)).collect()
        });
        let filters =
            value.at("filter").as_array().into_iter().flatten().map(Filter::read).collect();
        let sets = value.at("valueSet").as_array().into_iter().flatten();
        let value_sets = sets.filter_map(|set| set.as_str().map(str::to_owned)).collect();
        Self { system: text("system"), concepts, filters, value_sets }
    }

    fn membership(
        &self,
        terminology: &Terminology,
        system: Option<&str>,
        code: &str,
        depth: usize,
    ) -> Membership {
        let nested = self.value_sets.iter().fold(Membership::In, |held, set| {
            held.and(|| terminology.member(set, system, code, depth))
        });
        let Some(own) = self.system.as_deref() else { return nested };
        if system.is_some_and(|system| system != own) {
            return Membership::Out;
        }
        let listed = match &self.concepts {
            Some(concepts) => Membership::of(concepts.contains(code)),
            None if self.filters.is_empty() => terminology.has_code(own, code),
            None => self.filters.iter().fold(terminology.has_code(own, code), |held, filter| {
                held.and(|| filter.membership(terminology, own, code))
            }),
        };
        nested.and(|| listed)
    }
}

impl Filter {
    fn read(value: &Value) -> Self {
        let text = |key: &str| value.at(key).as_str().unwrap_or_default().to_owned();
        Self { property: text("property"), op: text("op"), value: text("value") }
    }

    fn membership(&self, terminology: &Terminology, system: &str, code: &str) -> Membership {
        let Some(held) = terminology.code_system(system) else { return Membership::Unknown };
        let on_concept = ["concept", "code"].contains(&self.property.as_str());
        match self.op.as_str() {
            "is-a" if on_concept => Membership::of(held.is_a(code, &self.value)),
            "is-not-a" if on_concept => Membership::of(!held.is_a(code, &self.value)),
            "descendent-of" if on_concept => {
                Membership::of(code != self.value && held.is_a(code, &self.value))
            }
            "generalizes" if on_concept => Membership::of(held.is_a(&self.value, code)),
            "=" => Membership::of(held.has_property(code, &self.property, &self.value)),
            "in" | "not-in" => {
                let mut values = self.value.split(',').map(str::trim);
                let found = values.any(|v| held.has_property(code, &self.property, v));
                Membership::of(found == (self.op == "in"))
            }
            _ => Membership::Unknown,
        }
    }
}

fn expanded(list: &Value, parts: &mut Vec<Part>) {
    for item in list.as_array().into_iter().flatten() {
        if let Some(code) = item.at("code").as_str() {
            parts.push(Part {
                system: item.at("system").as_str().map(str::to_owned),
                concepts: Some(HashSet::from([code.to_owned()])),
                filters: Vec::new(),
                value_sets: Vec::new(),
            });
        }
        expanded(item.at("contains"), parts);
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
