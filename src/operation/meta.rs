//! `$meta`, `$meta-add`, `$meta-delete`: profiles, tags and security labels.
//!
//! R4 does not say whether adding or removing them makes a version, and versions here are never
//! written twice; so a change makes the next version, by the way of every other write. Nothing is
//! lost: the version before says what it said, the history and `_lastUpdated` tell those who keep
//! up, and the new tags are searched by. What changes nothing makes no version. A version itself
//! can be asked, and is not changed. The whole resource is held to all rules again, those of a
//! profile that is added among them.
//! Source: <http://hl7.org/fhir/R4/resource-operation-meta.html>,
//! <http://hl7.org/fhir/R4/resource-operation-meta-add.html>,
//! <http://hl7.org/fhir/R4/resource-operation-meta-delete.html>.

use std::collections::BTreeSet;

use serde_json::{Map, Value, json};

use crate::error::Error;
use crate::fhir::{Resource, ResourceType};
use crate::index::{Rules, key as row_key};
use crate::operation::pages::{too_costly, wrong};
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, Stored, key};
use crate::store::View;

pub(super) const META: Operation = Operation {
    name: "meta",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta",
    levels: &[Level::System, Level::Type, Level::Instance, Level::Version],
    types: &[],
    by_get: true,
    document: false,
    run: meta,
};

pub(super) const ADD: Operation = Operation {
    name: "meta-add",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta-add",
    levels: &[Level::Instance, Level::Version],
    by_get: false,
    run: |call| change(call, add),
    ..META
};

pub(super) const DELETE: Operation = Operation {
    name: "meta-delete",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta-delete",
    run: |call| change(call, remove),
    ..ADD
};

/// The members that the operations are about, each with the search parameter that finds them.
const MEMBERS: [(&str, &str); 3] =
    [("profile", "_profile"), ("security", "_security"), ("tag", "_tag")];

fn meta(call: &Call<'_>) -> Result<Output, Error> {
    call.parameters.only(&[])?;
    let view = call.app.store.view()?;
    if let Some(id) = call.id() {
        let kind = call.kind()?;
        let stored = match call.place.version {
            Some(version) => repository::version(&*view, kind, id, version)?,
            None => repository::current(&*view, kind, id)?,
        };
        return meta_of(&stored.ok_or(Error::NotFound)?).map(told);
    }
    let mut used = Used { most: call.app.config.max_search_rows, ..Used::default() };
    let held = call.app.held();
    for kind in ResourceType::all().filter(|kind| call.place.kind.is_none_or(|own| own == *kind)) {
        used.gather(&*view, &held.rules, kind)?;
    }
    Ok(told(used.into_meta()))
}

fn told(meta: Map<String, Value>) -> Output {
    Output::Resource(json!({
        "resourceType": "Parameters",
        "parameter": [{ "name": "return", "valueMeta": meta }],
    }))
}

fn meta_of(stored: &Stored) -> Result<Map<String, Value>, Error> {
    let content = stored.content()?.ok_or(Error::Deleted(stored.version))?;
    let meta = content.value().get("meta").and_then(Value::as_object);
    Ok(meta.cloned().unwrap_or_default())
}

/// What resources have in use.
#[derive(Default)]
struct Used {
    /// What was seen, by member and identity.
    seen: BTreeSet<(&'static str, String)>,
    found: Map<String, Value>,
    rows: u64,
    most: u64,
}

impl Used {
    /// Adds what resources of that type have. The index tells them apart; of each the first resource
    /// that has it is read for how it is written.
    fn gather(&mut self, view: &dyn View, rules: &Rules, kind: ResourceType) -> Result<(), Error> {
        for (member, code) in MEMBERS {
            let mut rows = BTreeSet::new();
            for source in rules.sources(kind, code) {
                for row in view.scan(key::index_range(kind, source, &[], &[])) {
                    let row = row?;
                    self.rows += 1;
                    if self.rows > self.most {
                        let text = format!("more than {} tags and labels stand here", self.most);
                        return Err(too_costly(text));
                    }
                    let damaged = repository::Error::Damaged(key::INDEX);
                    let (parts, id) = key::index_parts(&row.key).ok_or(damaged)?;
                    // Codes that differ in case only share a key; the row says which it is.
                    let codes = row_key::items(&row.value).filter(|item| item.starts_with('c'));
                    let codes: Vec<String> = codes.map(str::to_owned).collect();
                    if rows.insert((parts, codes)) {
                        let stored = repository::current(view, kind, &id)?;
                        let meta = stored.map(|stored| meta_of(&stored)).transpose()?;
                        self.take(member, meta.as_ref());
                    }
                }
            }
        }
        Ok(())
    }

    fn take(&mut self, member: &'static str, meta: Option<&Map<String, Value>>) {
        let items = meta.and_then(|meta| meta.get(member)?.as_array());
        for item in items.into_iter().flatten() {
            if self.seen.insert((member, identity(item).unwrap_or_default())) {
                let list = self.found.entry(member).or_insert_with(|| json!([]));
                list.as_array_mut().into_iter().for_each(|list| list.push(item.clone()));
            }
        }
    }

    fn into_meta(mut self) -> Map<String, Value> {
        for list in self.found.values_mut().filter_map(Value::as_array_mut) {
            list.sort_by_cached_key(identity);
        }
        self.found
    }
}

/// What an entry is known by: "The identity of a tag or security label is the system+code … For
/// profiles, matching is based on the full URL".
fn identity(item: &Value) -> Option<String> {
    if let Some(profile) = item.as_str() {
        return Some(profile.to_owned());
    }
    let text = |name: &str| item.get(name).and_then(Value::as_str);
    let code = text("code")?;
    Some(format!("{}|{code}", text("system").unwrap_or_default()))
}

/// How entries of one member change by others.
type Merge = fn(&mut Vec<Value>, &[Value]);

fn add(own: &mut Vec<Value>, others: &[Value]) {
    for other in others {
        if own.iter().all(|item| identity(item) != identity(other)) {
            own.push(other.clone());
        }
    }
}

fn remove(own: &mut Vec<Value>, others: &[Value]) {
    own.retain(|item| others.iter().all(|other| identity(item) != identity(other)));
}

fn change(call: &Call<'_>, merge: Merge) -> Result<Output, Error> {
    call.parameters.only(&["meta"])?;
    let given = given(call)?;
    if call.place.version.is_some() {
        let text = "A version is never changed: call it on the resource, which makes a new one.";
        return Err(Error::not_supported("http.version", text));
    }
    let target = (call.kind()?, call.id().ok_or(Error::UnknownRoute)?);
    let stored = call.writes.amend(target, &|resource| Ok(merged(resource, &given, merge)))?;
    meta_of(&stored).map(told)
}

/// The resource with the change; none if it is no change.
fn merged(resource: &Resource, given: &Map<String, Value>, merge: Merge) -> Option<Resource> {
    let mut resource = resource.clone();
    let before = resource.value().get("meta").cloned();
    let object = resource.value_mut().as_object_mut()?;
    let meta = object.entry("meta").or_insert_with(|| json!({})).as_object_mut()?;
    for (member, _) in MEMBERS {
        let Some(others) = given.get(member).and_then(Value::as_array) else { continue };
        let mut own = meta.get(member).and_then(Value::as_array).cloned().unwrap_or_default();
        merge(&mut own, others);
        if own.is_empty() {
            meta.shift_remove(member);
        } else {
            meta.insert(member.to_owned(), Value::Array(own));
        }
    }
    (resource.value().get("meta") != before.as_ref()).then_some(resource)
}

/// The parameter `meta`, in a form that can be compared.
fn given(call: &Call<'_>) -> Result<Map<String, Value>, Error> {
    let values = call.parameters.values("meta", "valueMeta")?;
    let [meta] = values.as_slice() else {
        return Err(wrong("meta", "There is one parameter meta, with a valueMeta."));
    };
    let meta = meta.as_object().ok_or_else(|| wrong("meta", "A Meta is an object."))?;
    for (member, _) in MEMBERS {
        let Some(list) = meta.get(member) else { continue };
        let list = list.as_array().filter(|list| !list.is_empty());
        let rule = "profile, security and tag are arrays that are not empty.";
        let list = list.ok_or_else(|| wrong("meta", rule))?;
        let is_right = |item: &Value| item.is_string() == (member == "profile");
        if !list.iter().all(|item| is_right(item) && identity(item).is_some()) {
            let rule = "A profile is a canonical; a tag and a label have a code.";
            return Err(wrong("meta", rule));
        }
    }
    Ok(meta.clone())
}
