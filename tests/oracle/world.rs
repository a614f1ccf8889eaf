//! All resources, and which of them a query should find.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::rc::Rc;

use serde_json::Value;
use spondyl::definitions::Definitions;
use spondyl::definitions::search_parameter::{ParameterType, SearchParameter, SearchParameters};
use spondyl::fhir::ResourceType;

use crate::compare::{self, Points};
use crate::extract;

/// The values of a parameter, for each resource of a type.
type Values = Rc<Vec<Vec<Value>>>;

pub(crate) struct World {
    pub(crate) by_kind: BTreeMap<String, Vec<Value>>,
    pub(crate) parameters: SearchParameters,
    pub(crate) now: i64,
    cache: RefCell<HashMap<(String, String), Values>>,
}

/// The parts between separators that no backslash stands before, with the backslashes taken out.
pub(crate) fn parts(text: &str, separator: char) -> Vec<String> {
    let mut parts = vec![String::new()];
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '\\' => {
                let last = parts.last_mut().unwrap();
                last.push('\\');
                last.extend(letters.next());
            }
            letter if letter == separator => parts.push(String::new()),
            letter => parts.last_mut().unwrap().push(letter),
        }
    }
    parts
}

fn plain(text: &str) -> String {
    let mut plain = String::new();
    let mut letters = text.chars();
    while let Some(letter) = letters.next() {
        plain.extend(if letter == '\\' { letters.next() } else { Some(letter) });
    }
    plain
}

fn bars(text: &str) -> Vec<String> {
    parts(text, '|').iter().map(|part| plain(part)).collect()
}

impl World {
    pub(crate) fn new(resources: &[Value], now: i64) -> Self {
        let mut by_kind = BTreeMap::<String, Vec<Value>>::new();
        for resource in resources {
            let kind = resource["resourceType"].as_str().unwrap().to_owned();
            by_kind.entry(kind).or_default().push(resource.clone());
        }
        let parameters = SearchParameters::load(&Definitions::embedded().unwrap()).unwrap();
        Self { by_kind, parameters, now, cache: RefCell::default() }
    }

    pub(crate) fn parameter(&self, kind: &str, code: &str) -> &SearchParameter {
        let found = self.parameters.get(ResourceType::parse(kind).unwrap(), code);
        found.unwrap_or_else(|| panic!("{kind} has no parameter {code}"))
    }

    pub(crate) fn values(&self, kind: &str, code: &str) -> Values {
        self.all_values(kind, code, false)
    }

    fn all_values(&self, kind: &str, code: &str, logical: bool) -> Values {
        let key = (kind.to_owned(), format!("{code} {logical}"));
        if let Some(values) = self.cache.borrow().get(&key) {
            return Rc::clone(values);
        }
        let parameter = self.parameter(kind, code);
        let all =
            self.by_kind[kind].iter().map(|resource| extract::values(parameter, resource, logical));
        let values: Values = Rc::new(all.collect());
        self.cache.borrow_mut().insert(key, Rc::clone(&values));
        values
    }

    /// The ids that meet all of the parameters.
    pub(crate) fn find(&self, kind: &str, pairs: &[(String, String)]) -> BTreeSet<String> {
        let mut found: BTreeSet<String> = self.by_kind[kind].iter().map(id).collect();
        for (name, value) in pairs {
            let own = self.matching(kind, name, value);
            found.retain(|id| own.contains(id));
        }
        found
    }

    fn matching(&self, kind: &str, name: &str, value: &str) -> BTreeSet<String> {
        if let Some(rest) = name.strip_prefix("_has:") {
            let (by, rest) = rest.split_once(':').unwrap();
            let (reference, rest) = rest.split_once(':').unwrap();
            return self.referred(kind, (by, reference), &self.matching(by, rest, value));
        }
        if let Some((head, rest)) = name.split_once('.') {
            let (code, target) = head.split_once(':').unwrap_or((head, "Patient"));
            let inner = self.matching(target, rest, value);
            return self.select(kind, code, false, |values| {
                values.iter().any(|value| match compare::points(value["reference"].as_str()) {
                    Points::Here(kind, id, _) => kind == target && inner.contains(&id),
                    _ => false,
                })
            });
        }
        let (code, modifier) = name.split_once(':').unwrap_or((name, ""));
        let alternatives = parts(value, ',');
        if code == "_id" {
            let own = |id: &String| alternatives.contains(id);
            return self.by_kind[kind].iter().map(id).filter(own).collect();
        }
        match modifier {
            "missing" => {
                self.select(kind, code, false, |values| values.is_empty() == (value == "true"))
            }
            "not" | "not-in" => {
                let positive = if modifier == "not" { "" } else { "in" };
                self.select(kind, code, false, |values| {
                    !values.iter().any(|own| {
                        let meets = |asked: &String| self.meets(kind, code, positive, own, asked);
                        alternatives.iter().any(meets)
                    })
                })
            }
            modifier => self.select(kind, code, modifier == "identifier", |values| {
                values.iter().any(|own| {
                    alternatives.iter().any(|asked| self.meets(kind, code, modifier, own, asked))
                })
            }),
        }
    }

    /// The resources whose values pass.
    fn select(
        &self,
        kind: &str,
        code: &str,
        logical: bool,
        passes: impl Fn(&[Value]) -> bool,
    ) -> BTreeSet<String> {
        let values = self.all_values(kind, code, logical);
        let all = self.by_kind[kind].iter().zip(values.iter());
        all.filter(|(_, values)| passes(values)).map(|(resource, _)| id(resource)).collect()
    }

    fn referred(
        &self,
        kind: &str,
        (by, reference): (&str, &str),
        inner: &BTreeSet<String>,
    ) -> BTreeSet<String> {
        let values = self.values(by, reference);
        let pointing = self.by_kind[by].iter().zip(values.iter());
        let pointing = pointing.filter(|(resource, _)| inner.contains(&id(resource)));
        let targets = pointing.flat_map(|(_, values)| values.iter());
        let local =
            targets.filter_map(|value| match compare::points(value["reference"].as_str()) {
                Points::Here(own, id, _) if own == kind => Some(id),
                _ => None,
            });
        let there: BTreeSet<String> = self.by_kind[kind].iter().map(id).collect();
        local.filter(|id| there.contains(id)).collect()
    }

    fn meets(&self, kind: &str, code: &str, modifier: &str, own: &Value, asked: &str) -> bool {
        let parameter = self.parameter(kind, code);
        match parameter.kind {
            ParameterType::String => compare::string(own, modifier, &plain(asked)),
            ParameterType::Token => compare::token(own, code, modifier, &bars(asked)),
            ParameterType::Reference => compare::reference(own, modifier, &bars(asked)),
            ParameterType::Date => {
                // An instant has no width, however it is written.
                compare::date(own, asked, self.now)
            }
            ParameterType::Number => compare::number(own, asked),
            ParameterType::Quantity => compare::quantity(own, &bars(asked)),
            ParameterType::Uri => compare::uri(own, modifier, &plain(asked)),
            ParameterType::Composite => {
                let asked = parts(asked, '$');
                parameter.components.iter().zip(&asked).all(|(component, asked)| {
                    let part = component_values(own, &component.expression);
                    let definition = self.parameters.by_url(&component.definition).unwrap();
                    part.iter().any(|value| match definition.kind {
                        ParameterType::Token => compare::token(value, "", "", &bars(asked)),
                        ParameterType::Quantity => compare::quantity(value, &bars(asked)),
                        other => panic!("no component of type {} is asked", other.as_str()),
                    })
                })
            }
            ParameterType::Special => panic!("{code} is not asked"),
        }
    }
}

/// `code`, or `value.as(Quantity)`: the two that the clinic's composites have.
fn component_values(value: &Value, expression: &str) -> Vec<Value> {
    let name = match expression {
        "value.as(Quantity)" => "valueQuantity",
        "value.as(CodeableConcept)" => "valueCodeableConcept",
        name => name,
    };
    value.get(name).cloned().into_iter().collect()
}

pub(crate) fn id(resource: &Value) -> String {
    resource["id"].as_str().unwrap().to_owned()
}
