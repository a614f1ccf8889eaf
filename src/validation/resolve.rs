//! References to resources: one resolver for invariants, target profiles and slices.
//!
//! A reference is looked for where the standard says: `#id` in the container, a URL or urn among
//! the full URLs of the Bundles around, a relative one after the base of its own entry's full URL;
//! and then outside, where the caller has given a way to look (the store). Nothing is fetched from
//! the network, ever.
//! Source: <http://hl7.org/fhir/R4/bundle.html#references>,
//! <http://hl7.org/fhir/R4/references.html#contained>.

use std::cell::{OnceCell, RefCell};
use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

use serde_json::Value;

use super::resource::Place;
use crate::fhir::Reference;
use crate::fhir::json::At;

/// Finds a resource that is not at hand, by a relative reference (`Patient/1`) or a URL (of a
/// resource or the canonical of a definition); none where there is none, or where it cannot be told.
pub type Outside = dyn Fn(&str) -> Option<Arc<Value>> + Send + Sync;

/// A resource with all that is inside it.
pub(super) struct Document {
    root: Arc<Value>,
    resources: OnceCell<Resources>,
}

/// The resources of a document; the first is the document itself.
struct Resources {
    list: Vec<Held>,
    by_address: HashMap<usize, usize>,
    bundles: RefCell<HashMap<usize, Rc<FullUrls>>>,
}

/// One resource of a document.
struct Held {
    /// The way from the resource around it.
    path: Vec<Step>,
    /// The resource around it; itself for the document.
    parent: usize,
    place: Place,
    /// Which entry of the Bundle around it, if it is in one.
    entry: Option<usize>,
}

/// Full URLs, and the resources that have them.
type FullUrls = HashMap<String, Vec<usize>>;

#[derive(Clone, Copy)]
enum Step {
    Member(&'static str),
    Item(usize),
}

/// How deep Parameters may nest here.
const MAX_PARTS: usize = 16;

/// A resource in its document.
#[derive(Clone)]
pub(super) struct Target {
    document: Rc<Document>,
    at: usize,
}

/// What became of a reference.
pub(super) enum Resolved {
    /// The resource.
    Found(Target),
    /// It should be at hand and is not: a contained resource, or a urn within a Bundle.
    Missing,
    /// It is elsewhere, and nobody here can look.
    Unknown,
}

impl Resolved {
    /// The resource, if it was found.
    pub(super) fn found(self) -> Option<Target> {
        match self {
            Self::Found(target) => Some(target),
            Self::Missing | Self::Unknown => None,
        }
    }
}

impl Document {
    pub(super) fn new(root: Arc<Value>) -> Rc<Self> {
        Rc::new(Self { root, resources: OnceCell::new() })
    }

    /// The resource at that position.
    fn value(&self, at: usize) -> &Value {
        if at == 0 {
            return &self.root;
        }
        // No deeper than MAX_PARTS allows.
        let Some(held) = self.resources().list.get(at) else { return &self.root };
        held.path.iter().fold(self.value(held.parent), |value, step| match step {
            Step::Member(name) => value.at(name),
            Step::Item(item) => value.get(*item).unwrap_or(&Value::Null),
        })
    }

    fn resources(&self) -> &Resources {
        self.resources.get_or_init(|| Resources::of(&self.root))
    }
}

/// A reference without the version that it names, and that version.
fn unversioned(text: &str) -> (&str, Option<&str>) {
    text.split_once("/_history/").map_or((text, None), |(url, version)| (url, Some(version)))
}

/// Where a value lies in memory: the same place, the same value.
fn address(value: &Value) -> usize {
    std::ptr::from_ref(value).addr()
}

impl Resources {
    fn of(root: &Value) -> Self {
        let document = Held { path: Vec::new(), parent: 0, place: Place::Root, entry: None };
        let by_address = HashMap::from([(address(root), 0)]);
        let bundles = RefCell::default();
        let mut resources = Self { list: vec![document], by_address, bundles };
        resources.add_inner(root, 0);
        resources
    }

    fn add(&mut self, value: &Value, held: Held) {
        let at = self.list.len();
        let parent = held.parent;
        self.list.push(held);
        self.by_address.insert(address(value), at);
        // What nests without end is told elsewhere.
        if self.depth(parent) < MAX_PARTS {
            self.add_inner(value, at);
        }
    }

    fn depth(&self, mut at: usize) -> usize {
        let mut depth = 0;
        while let Some(held) = self.list.get(at).filter(|_| at > 0) {
            at = held.parent;
            depth += 1;
        }
        depth
    }

    fn add_inner(&mut self, value: &Value, parent: usize) {
        let list = |name: &str| value.at(name).as_array().into_iter().flatten().enumerate();
        for (item, inner) in list("contained") {
            let path = vec![Step::Member("contained"), Step::Item(item)];
            self.add(inner, Held { path, parent, place: Place::Contained, entry: None });
        }
        for (item, entry) in list("entry").filter(|_| value.at("resourceType") == "Bundle") {
            if let Some(inner) = entry.get("resource") {
                let path = vec![Step::Member("entry"), Step::Item(item), Step::Member("resource")];
                self.add(inner, Held { path, parent, place: Place::Entry, entry: Some(item) });
            }
            if let Some(inner) = entry.at("response").get("outcome") {
                let names = [Step::Member("response"), Step::Member("outcome")];
                let path = [Step::Member("entry"), Step::Item(item)].into_iter().chain(names);
                let path = path.collect();
                self.add(inner, Held { path, parent, place: Place::Entry, entry: Some(item) });
            }
        }
        if value.at("resourceType") == "Parameters" {
            self.add_parts(value, parent, &mut Vec::new(), "parameter");
        }
    }

    fn add_parts(&mut self, value: &Value, parent: usize, at: &mut Vec<Step>, name: &'static str) {
        if at.len() > 2 * MAX_PARTS {
            return;
        }
        for (item, part) in value.at(name).as_array().into_iter().flatten().enumerate() {
            at.extend([Step::Member(name), Step::Item(item)]);
            if let Some(inner) = part.get("resource") {
                let mut path = at.clone();
                path.push(Step::Member("resource"));
                self.add(inner, Held { path, parent, place: Place::Entry, entry: None });
            }
            self.add_parts(part, parent, at, "part");
            at.truncate(at.len() - 2);
        }
    }
}

impl Target {
    /// The whole of a document.
    pub(super) fn whole(document: Rc<Document>) -> Self {
        Self { document, at: 0 }
    }

    /// The resource inside the document of this one that lies there; a document of its own where
    /// it does not.
    pub(super) fn inside(&self, value: &Value) -> Self {
        self.find(value).unwrap_or_else(|| Self::whole(Document::new(Arc::new(value.clone()))))
    }

    /// The resource of the same document that lies there.
    pub(super) fn find(&self, value: &Value) -> Option<Self> {
        if address(&self.document.root) == address(value) {
            return Some(Self { document: Rc::clone(&self.document), at: 0 });
        }
        let at = self.document.resources().by_address.get(&address(value))?;
        Some(Self { document: Rc::clone(&self.document), at: *at })
    }

    /// Whether the two are one resource.
    pub(super) fn is(&self, other: &Self) -> bool {
        Rc::ptr_eq(&self.document, &other.document) && self.at == other.at
    }

    /// The value of another resource of the same document.
    pub(super) fn same_document(&self, other: &Self) -> Option<&Value> {
        Rc::ptr_eq(&self.document, &other.document).then(|| self.document.value(other.at))
    }

    fn held(&self) -> Option<&Held> {
        self.document.resources().list.get(self.at)
    }

    /// The resource.
    pub(super) fn value(&self) -> &Value {
        self.document.value(self.at)
    }

    /// The resource around it, if it is inside one.
    pub(super) fn parent(&self) -> Option<Self> {
        let held = self.held().filter(|_| self.at > 0)?;
        Some(Self { document: Rc::clone(&self.document), at: held.parent })
    }

    /// Whether it stands in `contained` of another.
    pub(super) fn is_contained(&self) -> bool {
        self.at > 0 && self.held().is_some_and(|held| held.place == Place::Contained)
    }

    /// The resource that `#` means: the one around a contained one, otherwise itself.
    pub(super) fn container(&self) -> Self {
        match self.parent() {
            Some(parent) if self.is_contained() => parent,
            _ => self.clone(),
        }
    }

    /// The full URL of the entry that it stands in.
    pub(super) fn full_url(&self) -> Option<String> {
        let container = self.container();
        let entry = container.held().filter(|_| container.at > 0)?.entry?;
        let bundle = container.parent()?;
        let entry = bundle.value().at("entry").get(entry)?;
        entry.at("fullUrl").as_str().map(str::to_owned)
    }

    /// The nearest Bundle around it.
    pub(super) fn bundle(&self) -> Option<Self> {
        let mut around = self.parent()?;
        while around.value().at("resourceType") != "Bundle" {
            around = around.parent()?;
        }
        Some(around)
    }

    /// The resource contained in its container under that id.
    fn contained(&self, id: &str) -> Option<Self> {
        let container = self.container();
        if id.is_empty() {
            return Some(container);
        }
        let list = container.value().at("contained").as_array()?;
        let found = list.iter().find(|inner| inner.at("id") == id)?;
        Some(container.inside(found))
    }

    /// The definition that a canonical in this resource leads to within the document.
    pub(super) fn definition(&self, canonical: &str) -> Option<Self> {
        if canonical.starts_with('#') {
            return self.resolve(canonical).found();
        }
        let (url, version) = match canonical.split_once('|') {
            Some((url, version)) => (url, Some(version)),
            None => (canonical, None),
        };
        let mut bundle = self.bundle();
        while let Some(around) = bundle {
            for key in [format!("|{url}"), url.to_owned()] {
                let full_urls = around.full_urls();
                for at in full_urls.get(&key).into_iter().flatten() {
                    let found = Self { document: Rc::clone(&self.document), at: *at };
                    let held = found.value().at("version").as_str();
                    if version.is_none() || held.is_none() || version == held {
                        return Some(found);
                    }
                }
            }
            bundle = around.bundle();
        }
        None
    }

    /// How many resources of the Bundles around are what the reference means; none where there is
    /// no Bundle.
    pub(super) fn matches(&self, text: &str) -> Option<usize> {
        let own = self.full_url();
        let (url, version) = unversioned(text);
        let mut bundle = self.bundle();
        bundle.as_ref()?;
        while let Some(around) = bundle {
            let found = around.entries(url, version, own.as_deref()).len();
            if found > 0 {
                return Some(found);
            }
            bundle = around.bundle();
        }
        Some(0)
    }

    /// What the reference in this resource leads to within the document.
    pub(super) fn resolve(&self, text: &str) -> Resolved {
        if let Some(id) = text.strip_prefix('#') {
            return self.contained(id).map_or(Resolved::Missing, Resolved::Found);
        }
        let own = self.full_url();
        let mut bundle = self.bundle();
        let is_in_bundle = bundle.is_some();
        let (url, version) = unversioned(text);
        while let Some(around) = bundle {
            let found = around.entries(url, version, own.as_deref());
            if let Some(found) = found.into_iter().next() {
                return Resolved::Found(found);
            }
            bundle = around.bundle();
        }
        let is_inner = text.starts_with("urn:uuid:") || text.starts_with("urn:oid:");
        if is_inner && is_in_bundle { Resolved::Missing } else { Resolved::Unknown }
    }

    /// The resources of this Bundle under that full URL, or relative to the entry of full URL
    /// `own`.
    fn entries(&self, url: &str, version: Option<&str>, own: Option<&str>) -> Vec<Self> {
        let full_urls = self.full_urls();
        let is_relative = !url.contains(':');
        let base = match own.map(Reference::parse) {
            Some(Reference::Resource { base, .. }) if is_relative => base,
            _ => None,
        };
        let found = match base {
            Some(base) => full_urls.get(&format!("{base}/{url}")),
            None => full_urls.get(url),
        };
        let all = found.into_iter().flatten().map(|at| {
            let document = Rc::clone(&self.document);
            Self { document, at: *at }
        });
        let is_version =
            |target: &Self| version.is_none_or(|v| target.value().at("meta").at("versionId") == v);
        all.filter(is_version).collect()
    }

    /// The full URLs of this Bundle. A resource whose entry has none goes by type and id.
    fn full_urls(&self) -> Rc<FullUrls> {
        let resources = self.document.resources();
        if let Some(held) = resources.bundles.borrow().get(&self.at) {
            return Rc::clone(held);
        }
        let mut urls = FullUrls::new();
        let entries = self.value().at("entry").as_array().into_iter().flatten();
        for entry in entries {
            let Some(resource) = entry.get("resource") else { continue };
            let Some(at) = resources.by_address.get(&address(resource)) else { continue };
            let relative = || {
                let (kind, id) =
                    (resource.at("resourceType").as_str()?, resource.at("id").as_str()?);
                Some(format!("{kind}/{id}"))
            };
            if let Some(canonical) = resource.at("url").as_str() {
                urls.entry(format!("|{canonical}")).or_default().push(*at);
            }
            let url = entry.at("fullUrl").as_str().map(str::to_owned).or_else(relative);
            if let Some(url) = url {
                urls.entry(url).or_default().push(*at);
            }
        }
        let urls = Rc::new(urls);
        resources.bundles.borrow_mut().insert(self.at, Rc::clone(&urls));
        urls
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn bundle() -> Target {
        let root = json!({ "resourceType": "Bundle", "type": "collection", "entry": [
            { "fullUrl": "http://a.example/fhir/Patient/1",
              "resource": { "resourceType": "Patient", "id": "1", "meta": { "versionId": "2" } } },
            { "fullUrl": "http://a.example/fhir/Observation/o",
              "resource": { "resourceType": "Observation", "id": "o", "contained": [
                  { "resourceType": "Device", "id": "d" } ] } },
            { "fullUrl": "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0",
              "resource": { "resourceType": "Group" } },
            { "resource": { "resourceType": "Patient", "id": "bare" } },
        ]});
        Target::whole(Document::new(Arc::new(root)))
    }

    #[test]
    fn references_within_a_bundle() {
        let bundle = bundle();
        let value = |at: usize| bundle.value()["entry"][at]["resource"].clone();
        let at = |n: usize| bundle.inside(&bundle.value()["entry"][n]["resource"]);
        for (from, text, expected) in [
            (1, "Patient/1", Some(value(0))),
            (1, "Patient/1/_history/2", Some(value(0))),
            (1, "Patient/1/_history/3", None),
            (1, "http://a.example/fhir/Patient/1", Some(value(0))),
            (1, "http://b.example/fhir/Patient/1", None),
            (1, "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", Some(value(2))),
            (2, "Patient/1", None),
            (2, "Patient/bare", Some(value(3))),
            (1, "#d", Some(value(1)["contained"][0].clone())),
            (1, "#", Some(value(1))),
            (1, "#e", None),
        ] {
            let found = at(from).resolve(text).found().map(|target| target.value().clone());
            assert_eq!(found, expected, "{from} {text}");
        }
        let contained = at(1).resolve("#d").found().unwrap();
        assert_eq!(contained.resolve("Patient/1").found().unwrap().value(), &value(0));
        assert_eq!(contained.resolve("#").found().unwrap().value(), &value(1));
        assert!(matches!(at(0).resolve("urn:uuid:1"), Resolved::Missing));
        assert!(matches!(at(0).resolve("Patient/9"), Resolved::Unknown));
    }
}
