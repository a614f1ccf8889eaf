//! Every element of every type once as it may be, and then with one thing wrong at a time.
//!
//! What is expected of a mutant follows from the definition of the element alone: the place, and the
//! issue codes that the standard has for that kind of fault.
//! Source: <http://hl7.org/fhir/R4/json.html>, <http://hl7.org/fhir/R4/valueset-issue-type.html>.

use std::collections::BTreeSet;

use serde_json::{Map, Value, json};

use super::model::{Element, Kind, Model};
use super::sample::Maker;

/// An instance and what is to be said of it.
pub(crate) struct Case {
    /// The kind of change; `accepted` for none.
    pub(crate) change: &'static str,
    /// The type and the element's JSON name: `Goal.target.detailQuantity`.
    pub(crate) element: String,
    pub(crate) resource: Value,
    pub(crate) expected: Option<Expected>,
}

/// An error with one of the codes at one of the places.
#[derive(Debug)]
pub(crate) struct Expected {
    pub(crate) codes: &'static [&'static str],
    pub(crate) places: Vec<String>,
}

fn at<const N: usize>(codes: &'static [&'static str], places: [String; N]) -> Expected {
    Expected { codes, places: places.into() }
}

/// Where the walk stands: an object of a type within a resource.
struct Site<'a> {
    kind: &'a str,
    root: &'a Value,
    /// The JSON pointer of the object.
    pointer: &'a str,
    /// Its element path.
    path: &'a str,
}

/// The walk over all types.
pub(crate) struct Walk<'a> {
    maker: &'a Maker<'a>,
    /// What stands beside an element so that no invariant is broken.
    beside: &'a Map<String, Value>,
    seen: BTreeSet<String>,
    cases: Vec<Case>,
}

/// What mutates nothing of its own: what holds any resource or any extension.
const LEFT_OUT: [&str; 2] = ["contained", "modifierExtension"];

const WRONG: &[&str] = &["structure", "value"];

/// All cases of the model.
pub(crate) fn cases(maker: &Maker<'_>, beside: &Map<String, Value>) -> Vec<Case> {
    let mut walk = Walk { maker, beside, seen: BTreeSet::new(), cases: Vec::new() };
    for name in maker.model.resources() {
        let root = maker.resource(name);
        walk.object(&Site { kind: name, root: &root, pointer: "", path: name });
    }
    walk.cases
}

impl Walk<'_> {
    fn model(&self) -> &Model {
        self.maker.model
    }

    fn object(&mut self, site: &Site<'_>) {
        let here = |codes| at(codes, [site.path.to_owned()]);
        self.push(site, "unknown-element", "", here(WRONG), |object| {
            object.insert("colour".into(), json!("x"));
        });
        for element in self.model().elements(site.kind) {
            if LEFT_OUT.contains(&element.name.as_str()) {
                continue;
            }
            if element.is_required {
                let names: Vec<_> = element.kinds.iter().map(|k| element.json_name(k)).collect();
                self.push(site, "missing", &element.name, here(&["required"]), |object| {
                    names.iter().for_each(|name| drop(object.shift_remove(name)));
                });
            }
            for kind in &element.kinds {
                self.element(site, &element, kind);
            }
            if element.is_choice {
                self.choice(site, &element);
            }
        }
    }

    /// An element with a value of one of its types, and all that can be wrong with it.
    fn element(&mut self, site: &Site<'_>, element: &Element, kind: &Kind) {
        let name = element.json_name(kind);
        let key = format!("{}.{name}", site.kind);
        let sound = self.sound(site, element, kind, &key);
        let pointer = format!("{}/{name}", site.pointer);
        let list_path = format!("{}.{}", site.path, element.name);
        let (pointer, path) = if element.is_list {
            (format!("{pointer}/0"), format!("{list_path}[0]"))
        } else {
            (pointer, list_path.clone())
        };
        self.cases.push(Case {
            change: "accepted",
            element: key.clone(),
            resource: sound.clone(),
            expected: None,
        });
        let within = Site { kind: &kind.name, root: &sound, pointer: &pointer, path: &path };
        self.form(site, element, &name, &sound, &list_path);
        if self.model().is_primitive(&kind.name) {
            self.primitive(&within, &key, kind);
        } else if kind.name != "Resource" {
            let expected = at(WRONG, [path.clone()]);
            self.replace(&within, "text-for-object", &key, expected, &json!("x"));
            let expected = at(&["invariant", "required", "structure"], [path.clone()]);
            self.replace(&within, "empty-object", &key, expected, &json!({}));
            self.coded(&within, &key, kind);
            if self.seen.insert(kind.name.clone()) {
                self.object(&within);
            }
        }
        self.reference(&within, &key, kind);
    }

    /// The resource with the element set.
    fn sound(&self, site: &Site<'_>, element: &Element, kind: &Kind, key: &str) -> Value {
        let mut sound = site.root.clone();
        let object = sound.pointer_mut(site.pointer).and_then(Value::as_object_mut).unwrap();
        for other in &element.kinds {
            object.shift_remove(&element.json_name(other));
        }
        if let Some(Value::Object(more)) = self.beside.get(key) {
            for (name, value) in more {
                match value {
                    Value::Null => drop(object.shift_remove(name)),
                    value => drop(object.insert(name.clone(), value.clone())),
                }
            }
        }
        if !object.contains_key(&element.json_name(kind)) {
            self.maker.put(object, element, kind);
        }
        sound
    }

    /// Arrays where there are none, none where there are, and nothing in them.
    fn form(&mut self, site: &Site<'_>, element: &Element, name: &str, sound: &Value, path: &str) {
        let key = format!("{}.{name}", site.kind);
        let within = Site { root: sound, ..*site };
        let value = sound.pointer(&format!("{}/{name}", site.pointer)).unwrap();
        let (change, wrong) = if element.is_list {
            ("single-for-array", value[0].clone())
        } else {
            ("array-for-single", json!([value]))
        };
        self.set(&within, change, (&key, name), path, wrong);
        self.set(&within, "null", (&key, name), path, Value::Null);
        if element.is_list {
            self.set(&within, "empty-array", (&key, name), path, json!([]));
            self.cases.push(Case {
                change: "null-in-array",
                element: key,
                resource: with(sound, &format!("{}/{name}", site.pointer), &json!([null])),
                expected: Some(at(WRONG, [format!("{path}[0]"), path.to_owned()])),
            });
        }
    }

    fn set(
        &mut self,
        site: &Site<'_>,
        change: &'static str,
        (key, name): (&str, &str),
        path: &str,
        value: Value,
    ) {
        self.cases.push(Case {
            change,
            element: key.to_owned(),
            resource: with(site.root, &format!("{}/{name}", site.pointer), &value),
            expected: Some(at(WRONG, [path.to_owned()])),
        });
    }

    /// Values that are not of the primitive type.
    fn primitive(&mut self, within: &Site<'_>, key: &str, kind: &Kind) {
        let here = |codes| at(codes, [within.path.to_owned()]);
        self.replace(within, "object-for-primitive", key, here(WRONG), &json!({ "a": 1 }));
        for (change, value) in bad_values(&kind.name) {
            let codes: &[&str] = match kind.name.as_str() {
                "xhtml" => &["structure", "invariant", "value"],
                _ => &["value", "structure"],
            };
            self.replace(within, change, key, here(codes), &value);
        }
        let binding = kind.binding.as_ref();
        if kind.name == "code" && binding.is_some_and(|binding| binding.is_required) {
            let expected = here(&["code-invalid", "value"]);
            self.replace(within, "bad-code", key, expected, &json!("unheard-of"));
        }
    }

    /// Codes outside the value set that is required.
    fn coded(&mut self, within: &Site<'_>, key: &str, kind: &Kind) {
        let coding = json!({ "system": "https://spondyl.example/other", "code": "unheard-of" });
        let value = match kind.name.as_str() {
            "Coding" => coding,
            "CodeableConcept" => json!({ "coding": [coding] }),
            _ => return,
        };
        if kind.binding.as_ref().is_some_and(|binding| binding.is_required) {
            let places = [within.path.to_owned(), format!("{}.coding[0]", within.path)];
            self.replace(within, "bad-coding", key, at(&["code-invalid"], places), &value);
        }
    }

    /// A type that the reference may not point to.
    fn reference(&mut self, within: &Site<'_>, key: &str, kind: &Kind) {
        let open = kind.targets.is_empty() || kind.targets.iter().any(|name| name == "Resource");
        if kind.name != "Reference" || open {
            return;
        }
        let strangers = ["Binary", "Slot", "Patient", "Basic"];
        let stranger = strangers.iter().find(|name| !kind.targets.iter().any(|t| t == **name));
        let here = || [within.path.to_owned(), format!("{}.reference", within.path)];
        let codes = &["value", "structure", "invalid"];
        let value = json!({ "reference": format!("{}/x1", stranger.unwrap()) });
        self.replace(within, "wrong-target", key, at(codes, here()), &value);
        let value = json!({ "type": stranger.unwrap(), "display": "Invented" });
        let [element, reference] = here();
        let places = [element, reference, format!("{}.type", within.path)];
        self.replace(within, "wrong-target-type", key, at(codes, places), &value);
    }

    /// Two values of a choice, and a type that is none of it.
    fn choice(&mut self, site: &Site<'_>, element: &Element) {
        let path = format!("{}.{}", site.path, element.name);
        let names: Vec<String> = element.kinds.iter().map(|k| element.json_name(k)).collect();
        if let [first, .., last] = element.kinds.as_slice() {
            let maker = self.maker;
            let expected = at(WRONG, [path.clone()]);
            self.push(site, "choice-twice", &element.name, expected, |object| {
                maker.put(object, element, first);
                maker.put(object, element, last);
            });
        }
        let strangers = ["Address", "Signature", "SampledData", "boolean"];
        let stranger = |name: &&str| !element.kinds.iter().any(|kind| kind.name == **name);
        let Some(stranger) = strangers.iter().find(|name| stranger(name)) else { return };
        let kind = Kind { name: (*stranger).to_owned(), targets: Vec::new(), binding: None };
        let maker = self.maker;
        self.push(site, "choice-type", &element.name, at(WRONG, [path]), |object| {
            names.iter().for_each(|name| drop(object.shift_remove(name)));
            maker.put(object, element, &kind);
        });
    }

    /// A case that changes the object of the site.
    fn push(
        &mut self,
        site: &Site<'_>,
        change: &'static str,
        name: &str,
        expected: Expected,
        edit: impl FnOnce(&mut Map<String, Value>),
    ) {
        let mut resource = site.root.clone();
        edit(resource.pointer_mut(site.pointer).and_then(Value::as_object_mut).unwrap());
        let element = [site.kind, name].join(".").trim_end_matches('.').to_owned();
        self.cases.push(Case { change, element, resource, expected: Some(expected) });
    }

    /// A case that puts something else in the place of the site.
    fn replace(
        &mut self,
        within: &Site<'_>,
        change: &'static str,
        key: &str,
        expected: Expected,
        value: &Value,
    ) {
        let resource = with(within.root, within.pointer, value);
        let (element, expected) = (key.to_owned(), Some(expected));
        self.cases.push(Case { change, element, resource, expected });
    }
}

fn with(root: &Value, pointer: &str, value: &Value) -> Value {
    let mut changed = root.clone();
    *changed.pointer_mut(pointer).unwrap() = value.clone();
    changed
}

/// Values that the type's definition refuses (<http://hl7.org/fhir/R4/datatypes.html#primitive>).
fn bad_values(name: &str) -> Vec<(&'static str, Value)> {
    let form = |list: &[&str]| list.iter().map(|text| ("bad-form", json!(text))).collect();
    let number = |list: &[Value]| list.iter().map(|v| ("bad-number", v.clone())).collect();
    let mut values: Vec<(&'static str, Value)> = match name {
        "boolean" => vec![("text-for-boolean", json!("true"))],
        "integer" => number(&[json!(1.5), json!(2_147_483_648_i64), json!("1")]),
        "positiveInt" => number(&[json!(0), json!(-1), json!(2_147_483_648_i64), json!("1")]),
        "unsignedInt" => number(&[json!(-1), json!(0.5), json!("1")]),
        "decimal" => number(&[json!("1.5")]),
        "string" | "markdown" => form(&[""]),
        "code" => form(&["", " a", "a ", "a  b"]),
        "id" => form(&["", "a b", "a_b", &"a".repeat(65)]),
        "uri" | "url" | "canonical" => form(&["", "a b"]),
        "oid" => form(&["1.2.3", "urn:oid:3.1", "urn:oid:1.02"]),
        "uuid" => form(&["0f5c1c7a-8d1e-4a57-9d3b-3f1f6a0c2b11", "urn:uuid:0f5c1c7a"]),
        "date" => form(&["2026-02-30", "2026-13", "26", "2026-1-1", "2026-03-02T10:15:00Z"]),
        "dateTime" => form(&[
            "2026-02-30T10:15:00Z",
            "2026-03-02T10:15Z",
            "2026-03-02T10:15:00",
            "2026-03-02T24:00:00Z",
            "2026-03-02 10:15:00Z",
        ]),
        "instant" => form(&["2026-03-02", "2026-03-02T10:15:00", "2026-02-30T10:15:00Z"]),
        "time" => form(&["10:15", "24:00:00", "10:15:00Z"]),
        "base64Binary" => form(&["QUJ", "QUJ*"]),
        "xhtml" => form(&["<p>a</p>", "text", "<div>a</div>"]),
        _ => Vec::new(),
    };
    if !["boolean", "integer", "positiveInt", "unsignedInt", "decimal"].contains(&name) {
        values.push(("number-for-text", json!(7)));
    }
    values
}
