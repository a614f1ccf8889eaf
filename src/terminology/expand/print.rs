//! An expansion as a ValueSet resource.
//!
//! Source: <http://hl7.org/fhir/R4/valueset-definitions.html#ValueSet.expansion>.

use std::collections::HashMap;

use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::ExpandRequest;
use super::member::{Key, Member, SystemUsed};
use crate::terminology::concepts::Concept;

/// How deep codes are nested; what is deeper stands beside its parent.
const MAX_NESTING: usize = 40;

pub(super) fn value_set(
    resource: &Value,
    request: &ExpandRequest<'_>,
    systems: &[SystemUsed<'_>],
    page: &[Member<'_>],
    total: usize,
) -> Value {
    let mut set = Map::from_iter([("resourceType".to_owned(), json!("ValueSet"))]);
    let left_out = ["compose", "expansion", "text", "contained"];
    for (name, value) in resource.as_object().into_iter().flatten() {
        let kept = !left_out.contains(&name.as_str())
            || (request.include_definition == Some(true) && name != "expansion" && name != "text");
        if kept {
            set.insert(name.clone(), value.clone());
        }
    }
    // Definitions are shortened to what membership needs; a ValueSet must have a status.
    set.entry("status").or_insert_with(|| json!("unknown"));
    set.insert("expansion".to_owned(), expansion(request, systems, page, total, &set));
    Value::Object(set)
}

fn expansion(
    request: &ExpandRequest<'_>,
    systems: &[SystemUsed<'_>],
    page: &[Member<'_>],
    total: usize,
    set: &Map<String, Value>,
) -> Value {
    let printer = Printer { request, systems };
    let nested = request.exclude_nested == Some(false) && !request.is_page();
    let contains =
        if nested { printer.nested(page) } else { page.iter().map(|m| printer.item(m)).collect() };
    let mut content = Map::new();
    content.insert("total".into(), json!(total));
    if let Some(offset) = request.offset.or(request.count.map(|_| 0)) {
        content.insert("offset".into(), json!(offset));
    }
    let parameters = parameters(request, systems);
    if !parameters.is_empty() {
        content.insert("parameter".into(), Value::Array(parameters));
    }
    if !contains.is_empty() {
        content.insert("contains".into(), Value::Array(contains));
    }
    let name = json!([set.get("url"), set.get("version"), content]).to_string();
    let identifier = Uuid::new_v5(&Uuid::NAMESPACE_URL, name.as_bytes());
    let mut expansion = Map::new();
    expansion.insert("identifier".into(), json!(format!("urn:uuid:{identifier}")));
    expansion.insert("timestamp".into(), json!(request.timestamp));
    expansion.extend(content);
    Value::Object(expansion)
}

/// What was asked for, and the versions that were used.
fn parameters(request: &ExpandRequest<'_>, systems: &[SystemUsed<'_>]) -> Vec<Value> {
    let mut list = Vec::new();
    let mut push = |name: &str, key: &str, value: Value| {
        list.push(json!({ "name": name, key: value }));
    };
    if let Some(text) = request.filter {
        push("filter", "valueString", json!(text));
    }
    for (name, number) in [("offset", request.offset), ("count", request.count)] {
        if let Some(number) = number {
            push(name, "valueInteger", json!(number));
        }
    }
    let switches = [
        ("includeDesignations", request.include_designations),
        ("includeDefinition", request.include_definition),
        ("activeOnly", request.active_only),
        ("excludeNested", request.exclude_nested),
        ("excludeNotForUI", request.exclude_not_for_ui),
        ("excludePostCoordinated", request.exclude_post_coordinated),
    ];
    for (name, switch) in switches {
        if let Some(switch) = switch {
            push(name, "valueBoolean", json!(switch));
        }
    }
    if let Some(language) = request.display_language {
        push("displayLanguage", "valueCode", json!(language));
    }
    for token in &request.designation {
        push("designation", "valueString", json!(token));
    }
    let canonicals = [
        ("exclude-system", &request.exclude_system),
        ("system-version", &request.system_version),
        ("check-system-version", &request.check_system_version),
        ("force-system-version", &request.force_system_version),
    ];
    for (name, list) in canonicals {
        for canonical in list {
            push(name, "valueUri", json!(canonical));
        }
    }
    for system in systems {
        if let Some(version) = &system.version {
            push("version", "valueUri", json!(format!("{}|{version}", system.url)));
        }
    }
    list
}

struct Printer<'a> {
    request: &'a ExpandRequest<'a>,
    systems: &'a [SystemUsed<'a>],
}

impl Printer<'_> {
    fn item(&self, member: &Member<'_>) -> Value {
        let mut item = Map::new();
        if let Some(system) = self.systems.get(member.system as usize) {
            item.insert("system".into(), json!(system.url));
            if let (true, Some(version)) = (system.pinned, &system.version) {
                item.insert("version".into(), json!(version));
            }
        }
        if member.is_abstract() {
            item.insert("abstract".into(), json!(true));
        }
        if member.is_inactive() {
            item.insert("inactive".into(), json!(true));
        }
        item.insert("code".into(), json!(member.code()));
        let spoken = self.request.display_language.and_then(|l| member.display_in(l));
        if let Some(display) = spoken.or(member.display().map(str::to_owned)) {
            item.insert("display".into(), json!(display));
        }
        if self.request.include_designations == Some(true) {
            let mut names = member.designations();
            names.retain(|name| self.is_wanted(name));
            if !names.is_empty() {
                item.insert("designation".into(), Value::Array(names));
            }
        }
        Value::Object(item)
    }

    /// Whether a designation is of a language or use that was asked for.
    fn is_wanted(&self, name: &Value) -> bool {
        let wanted = &self.request.designation;
        wanted.is_empty()
            || wanted.iter().any(|token| {
                let (system, code) = token.split_once('|').unwrap_or(("", token));
                let usage = &name["use"];
                let used =
                    usage["code"] == code && (system.is_empty() || usage["system"] == system);
                let language = name["language"].as_str();
                used || language.is_some_and(|language| super::member::speaks(language, code))
            })
    }

    /// Codes below the nearest of their parents that is in the list too.
    fn nested(&self, page: &[Member<'_>]) -> Vec<Value> {
        let at: HashMap<Key, usize> =
            page.iter().enumerate().map(|(at, member)| (member.key(), at)).collect();
        let mut below: Vec<Vec<usize>> = vec![Vec::new(); page.len()];
        let mut roots = Vec::new();
        for (number, member) in page.iter().enumerate() {
            let above = member.concept.into_iter().flat_map(Concept::parents);
            let parent = above
                .filter_map(|parent| at.get(&Key::Held(member.system, parent.place())).copied());
            match parent.filter(|parent| *parent != number).min().and_then(|p| below.get_mut(p)) {
                Some(list) => list.push(number),
                None => roots.push(number),
            }
        }
        let tree = Tree { printer: self, page, below: &below };
        let mut items = Vec::new();
        for root in roots {
            tree.print(root, 0, &mut items);
        }
        items
    }
}

struct Tree<'a> {
    printer: &'a Printer<'a>,
    page: &'a [Member<'a>],
    below: &'a [Vec<usize>],
}

impl Tree<'_> {
    fn print(&self, number: usize, depth: usize, items: &mut Vec<Value>) {
        if depth >= MAX_NESTING {
            return self.flat(number, items);
        }
        let Some(member) = self.page.get(number) else { return };
        let mut nested = Vec::new();
        for child in self.below.get(number).into_iter().flatten() {
            self.print(*child, depth + 1, &mut nested);
        }
        let mut item = self.printer.item(member);
        if let (false, Some(item)) = (nested.is_empty(), item.as_object_mut()) {
            item.insert("contains".into(), Value::Array(nested));
        }
        items.push(item);
    }

    fn flat(&self, number: usize, items: &mut Vec<Value>) {
        let mut todo = vec![number];
        while let Some(next) = todo.pop() {
            items.extend(self.page.get(next).map(|member| self.printer.item(member)));
            todo.extend(self.below.get(next).into_iter().flatten().rev());
        }
    }
}
