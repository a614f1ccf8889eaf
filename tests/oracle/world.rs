//! All resources, and which of them a query should find.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Arc, Mutex};

use serde_json::Value;
use spondyl::definitions::Definitions;
use spondyl::definitions::compartment::Compartments;
use spondyl::definitions::search_parameter::{ParameterType, SearchParameter, SearchParameters};
use spondyl::fhir::ResourceType;

use crate::asked::Asked;
use crate::compare::{self, Points};
use crate::extract;
use crate::order::{self, Place};

/// The values of a parameter, for each resource of a type.
type Values = Arc<Vec<Vec<Value>>>;

pub(crate) struct World {
    pub(crate) by_kind: BTreeMap<String, Vec<Value>>,
    pub(crate) parameters: SearchParameters,
    pub(crate) now: i64,
    cache: Mutex<HashMap<(String, String), Values>>,
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
        Self { by_kind, parameters, now, cache: Mutex::default() }
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
        if let Some(values) = self.cache.lock().unwrap().get(&key) {
            return Arc::clone(values);
        }
        let parameter = self.parameter(kind, code);
        let extraction = extract::Extraction::of(parameter, kind, logical);
        let all = self.by_kind[kind].iter().map(|resource| extraction.values(resource));
        let values: Values = Arc::new(all.collect());
        self.cache.lock().unwrap().insert(key, Arc::clone(&values));
        values
    }

    /// The ids that meet all of the parameters.
    pub(crate) fn find(&self, asked: &Asked) -> BTreeSet<String> {
        let kind = asked.kind;
        let mut found: BTreeSet<String> = self.by_kind[kind].iter().map(id).collect();
        for (name, value) in &asked.pairs {
            let own = self.matching(kind, name, value);
            found.retain(|id| own.contains(id));
        }
        if let Some(patient) = &asked.patient {
            let own = self.in_compartment(kind, patient);
            found.retain(|id| own.contains(id));
        }
        found
    }

    /// What refers to the patient by one of the parameters that the compartment's definition names
    /// (<http://hl7.org/fhir/R4/compartmentdefinition-patient.html>).
    fn in_compartment(&self, kind: &str, patient: &str) -> BTreeSet<String> {
        let of = |name: &str| ResourceType::parse(name).unwrap();
        let compartments = Compartments::standard();
        let asked = [format!("Patient/{patient}")];
        let codes = compartments.parameters(of("Patient"), of(kind)).iter();
        let found = codes.flat_map(|code| {
            self.select(kind, code, false, |values| {
                values.iter().any(|own| compare::reference(own, "", &asked))
            })
        });
        found.chain((kind == "Patient").then(|| patient.to_owned())).collect()
    }

    /// The ids in the order of those keys: <http://hl7.org/fhir/R4/search.html#sort>. Missing values
    /// come last; ties go by id, in the direction of the last key.
    pub(crate) fn ordered(&self, asked: &Asked, found: &BTreeSet<String>) -> Vec<String> {
        let keys: Vec<(&str, bool)> = asked
            .sort
            .iter()
            .map(|key| key.strip_prefix('-').map_or((&**key, false), |k| (k, true)))
            .collect();
        let places = keys.iter().map(|(code, descending)| {
            let kind = self.parameter(asked.kind, code).kind;
            let values = self.values(asked.kind, code);
            let of_one = |(resource, values): (&Value, &Vec<Value>)| {
                let all = values.iter().flat_map(|value| order::of(value, kind, code, *descending));
                (id(resource), if *descending { all.max() } else { all.min() })
            };
            self.by_kind[asked.kind].iter().zip(values.iter()).map(of_one).collect()
        });
        let places: Vec<BTreeMap<String, Option<Place>>> = places.collect();
        let mut all: Vec<String> = found.iter().cloned().collect();
        all.sort_by(|one, other| {
            for ((_, descending), places) in keys.iter().zip(&places) {
                let ordering = match (&places[one], &places[other]) {
                    (Some(one), Some(other)) if *descending => other.cmp(one),
                    (Some(one), Some(other)) => one.cmp(other),
                    (one, other) => one.is_none().cmp(&other.is_none()),
                };
                if ordering.is_ne() {
                    return ordering;
                }
            }
            let by_id = one.cmp(other);
            if keys.last().is_some_and(|(_, descending)| *descending) {
                by_id.reverse()
            } else {
                by_id
            }
        });
        all
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
            let own = |id: &String| alternatives.contains(id) == modifier.is_empty();
            return self.by_kind[kind].iter().map(id).filter(own).collect();
        }
        if code == "_list" {
            return self.listed(kind, &alternatives);
        }
        let hierarchy = ["above", "below"].contains(&modifier);
        if hierarchy && self.parameter(kind, code).kind == ParameterType::Reference {
            let set = self.hierarchy(self.parameter(kind, code), &alternatives, modifier);
            return self.select(kind, code, false, |values| {
                values.iter().any(|value| match compare::points(value["reference"].as_str()) {
                    Points::Here(kind, id, _) => set.contains(&(kind, id)),
                    _ => false,
                })
            });
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

    /// The items of Lists that are not marked as deleted.
    fn listed(&self, kind: &str, lists: &[String]) -> BTreeSet<String> {
        let lists = self.by_kind["List"].iter().filter(|list| lists.contains(&id(list)));
        let entries = lists.flat_map(|list| list["entry"].as_array().into_iter().flatten());
        let kept = entries.filter(|entry| entry["deleted"] != true);
        let there: BTreeSet<String> = self.by_kind[kind].iter().map(id).collect();
        kept.filter_map(|entry| match compare::points(entry["item"]["reference"].as_str()) {
            Points::Here(own, id, _) if own == kind && there.contains(&id) => Some(id),
            _ => None,
        })
        .collect()
    }

    /// The resources named, and all that are part of them, or of which they are a part.
    fn hierarchy(
        &self,
        parameter: &SearchParameter,
        asked: &[String],
        modifier: &str,
    ) -> BTreeSet<(String, String)> {
        let nested =
            parameter.target.iter().filter(|kind| ["Location", "Organization"].contains(&&***kind));
        let parts = nested.flat_map(|kind| &self.by_kind[kind]).filter_map(|part| {
            match compare::points(part["partOf"]["reference"].as_str()) {
                Points::Here(kind, up, _) => Some(((kind, up), part)),
                _ => None,
            }
        });
        let kind = |value: &Value| value["resourceType"].as_str().unwrap().to_owned();
        let links = parts.map(|(up, part)| (up, (kind(part), id(part))));
        let links: Vec<_> = links
            .map(|(up, down)| if modifier == "below" { (up, down) } else { (down, up) })
            .collect();
        let named = asked.iter().map(|text| text.split_once('/').unwrap());
        let mut set: BTreeSet<_> =
            named.map(|(kind, id)| (kind.to_owned(), id.to_owned())).collect();
        loop {
            let before = set.len();
            let next =
                links.iter().filter(|(from, _)| set.contains(from)).map(|(_, to)| to.clone());
            let next: Vec<_> = next.collect();
            set.extend(next);
            if set.len() == before {
                return set;
            }
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
            ParameterType::Special => compare::near(own, &bars(asked)),
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
