//! `ConceptMap/$translate`: a code in the terms of another system.
//!
//! The maps say what corresponds; nothing is derived from hierarchies. `result` is true only if some
//! match is neither `unmatched` nor `disjoint`. Of R4, so `equivalence`, not `relationship`.
//!
//! For the HTTP layer: `url` (with `conceptMapVersion` behind `|`), or the instance, or `conceptMap`
//! inline, or none of these: then all maps held are searched. `code` with `system`, or `coding`, or
//! `codeableConcept`; `source`, `target` (value sets), `targetsystem`, `reverse`; `dependency` is a
//! list of pairs. The answer is a Parameters resource, 200 with `result` true or false; a map that
//! is not held is 404 `not-found`.
//! Source: <http://hl7.org/fhir/R4/conceptmap-operation-translate.html>,
//! <http://hl7.org/fhir/R4/conceptmap.html>.

use std::cell::Cell;

use serde_json::{Value, json};

use super::coded::{Code, Coded};
use super::parameters::Parameters;
use super::{Terminology, TerminologyError, plain};

/// How often a map may send to another (`unmapped.mode` other-map).
const MAX_MAPS: usize = 8;

/// Which map to use.
#[derive(Clone, Copy)]
pub enum ConceptMapSource<'a> {
    /// One that is held, by its canonical.
    Canonical(&'a str),
    /// One that came with the request, or was read from the store.
    Resource(&'a Value),
    /// All that are held.
    Any,
}

/// What is asked for.
#[derive(Clone)]
pub struct TranslateRequest<'a> {
    /// Where to look.
    pub map: ConceptMapSource<'a>,
    /// What to translate; of a CodeableConcept, each coding.
    pub coded: Coded<'a>,
    /// The value set that the code was chosen from.
    pub source: Option<&'a str>,
    /// The value set to translate into.
    pub target: Option<&'a str>,
    /// The code system to translate into.
    pub target_system: Option<&'a str>,
    /// What else is known: element and concept, for mappings that depend on it.
    pub dependency: Vec<(&'a str, Coded<'a>)>,
    /// Whether to go from the maps' targets to their sources.
    pub reverse: bool,
}

impl<'a> TranslateRequest<'a> {
    /// A request without options.
    pub fn new(map: ConceptMapSource<'a>, coded: Coded<'a>) -> Self {
        Self {
            map,
            coded,
            source: None,
            target: None,
            target_system: None,
            dependency: Vec::new(),
            reverse: false,
        }
    }
}

/// What corresponds to the code: Parameters.
///
/// # Errors
/// [`TerminologyError`] for a map that is not held, and a code without its system.
pub fn translate(
    terminology: &Terminology,
    request: &TranslateRequest<'_>,
) -> Result<Value, TerminologyError> {
    let maps = match request.map {
        ConceptMapSource::Canonical(canonical) => vec![terminology.find_concept_map(canonical)?],
        ConceptMapSource::Resource(map) if map["resourceType"] == "ConceptMap" => vec![map],
        ConceptMapSource::Resource(_) => {
            let message = "the parameter conceptMap is not a ConceptMap";
            return Err(TerminologyError::invalid(message));
        }
        ConceptMapSource::Any => terminology.concept_maps(),
    };
    let mut matches = Vec::new();
    for code in request.coded.codes()? {
        code.system()?;
        for map in maps.iter().filter(|map| fits(map, request)) {
            let run = Run { terminology, request, code, maps: Cell::new(0) };
            run.map(map, &mut matches)?;
        }
    }
    Ok(answer(matches, maps.is_empty()))
}

/// Whether the map goes between the value sets that were asked for.
fn fits(map: &Value, request: &TranslateRequest<'_>) -> bool {
    let end = |keys: [&str; 2]| keys.iter().find_map(|key| map[*key].as_str());
    let (mut from, mut to) =
        (end(["sourceUri", "sourceCanonical"]), end(["targetUri", "targetCanonical"]));
    if request.reverse {
        std::mem::swap(&mut from, &mut to);
    }
    // A map that does not say its value set may serve any.
    let same = |own: Option<&str>, wanted: Option<&str>| match (own, wanted) {
        (Some(own), Some(wanted)) => own == wanted || plain(own) == wanted,
        _ => true,
    };
    same(from, request.source) && same(to, request.target)
}

/// One correspondence.
struct Match {
    equivalence: String,
    /// A Coding; none where the map says that there is nothing.
    concept: Option<Value>,
    products: Vec<Value>,
    source: Option<String>,
    comment: Option<String>,
}

fn answer(mut matches: Vec<Match>, no_maps: bool) -> Value {
    let mut seen = Vec::new();
    // A map may list a code twice, once without a match and once with.
    let any = matches.iter().any(|found| found.concept.is_some());
    matches.retain(|found| {
        if any && found.concept.is_none() {
            return false;
        }
        let key = (found.equivalence.clone(), found.concept.clone(), found.source.clone());
        let new = !seen.contains(&key);
        seen.push(key);
        new
    });
    let is_match = |found: &Match| !["unmatched", "disjoint"].contains(&found.equivalence.as_str());
    let result = matches.iter().any(is_match);
    let message = match (result, matches.is_empty()) {
        (true, _) => None,
        (false, _) if no_maps => Some("No concept map is held here."),
        (false, true) => Some("No concept map that is held here maps the code."),
        (false, false) => Some("The concept map says that nothing corresponds to the code."),
    };
    let mut parameters = Parameters::default();
    parameters.value("result", "valueBoolean", result);
    parameters.string("message", message);
    for found in matches {
        let mut parts = Parameters::default();
        parts.value("equivalence", "valueCode", found.equivalence);
        if let Some(concept) = found.concept {
            parts.value("concept", "valueCoding", concept);
        }
        for product in found.products {
            let mut inner = Parameters::default();
            let get = |key: &str| product.get(key).unwrap_or(&Value::Null);
            if let Some(element) = get("property").as_str() {
                inner.value("element", "valueUri", element);
            }
            let coding = coding(get("system").as_str(), get("value"), get("display"));
            inner.value("concept", "valueCoding", coding);
            parts.parts("product", inner);
        }
        parts.string("comment", found.comment.as_deref());
        if let Some(source) = found.source {
            parts.value("source", "valueUri", source);
        }
        parameters.parts("match", parts);
    }
    parameters.resource()
}

fn coding(system: Option<&str>, code: &Value, display: &Value) -> Value {
    let mut coding = serde_json::Map::new();
    if let Some(system) = system {
        coding.insert("system".into(), json!(system));
    }
    for (name, value) in [("code", code), ("display", display)] {
        if !value.is_null() {
            coding.insert(name.into(), value.clone());
        }
    }
    Value::Object(coding)
}

struct Run<'a> {
    terminology: &'a Terminology,
    request: &'a TranslateRequest<'a>,
    code: Code<'a>,
    /// How many maps were gone through.
    maps: Cell<usize>,
}

impl Run<'_> {
    fn map(&self, map: &Value, matches: &mut Vec<Match>) -> Result<(), TerminologyError> {
        let url = map["url"].as_str();
        for group in map["group"].as_array().into_iter().flatten() {
            let (mut from, mut to) = (group["source"].as_str(), group["target"].as_str());
            if self.request.reverse {
                std::mem::swap(&mut from, &mut to);
            }
            let is_from = from.is_none() || from == self.code.system;
            let is_to = self.request.target_system.is_none_or(|wanted| to == Some(wanted));
            if !is_from || !is_to {
                continue;
            }
            if self.request.reverse {
                self.backwards(group, url, matches);
            } else {
                self.forwards(group, url, matches)?;
            }
        }
        Ok(())
    }

    fn forwards(
        &self,
        group: &Value,
        url: Option<&str>,
        matches: &mut Vec<Match>,
    ) -> Result<(), TerminologyError> {
        let elements = group["element"].as_array().into_iter().flatten();
        let mut mapped = false;
        for element in elements.filter(|element| element["code"] == self.code.code) {
            mapped = true;
            let targets = element["target"].as_array().into_iter().flatten();
            for target in targets.filter(|target| self.depends(target)) {
                let concept = target["code"]
                    .as_str()
                    .map(|_| coding(group["target"].as_str(), &target["code"], &target["display"]));
                matches.push(Match {
                    equivalence: equivalence(target).to_owned(),
                    concept,
                    products: target["product"].as_array().cloned().unwrap_or_default(),
                    source: url.map(str::to_owned),
                    comment: target["comment"].as_str().map(str::to_owned),
                });
            }
        }
        if mapped { Ok(()) } else { self.unmapped(group, url, matches) }
    }

    /// What the group says of codes that it does not name.
    fn unmapped(
        &self,
        group: &Value,
        url: Option<&str>,
        matches: &mut Vec<Match>,
    ) -> Result<(), TerminologyError> {
        let rule = &group["unmapped"];
        let target = group["target"].as_str();
        let given = json!(self.code.code);
        let (equivalence, concept) = match rule["mode"].as_str() {
            // The same code; what it means is for the target system to say.
            Some("provided") => {
                let display = self.code.display.map_or(Value::Null, |display| json!(display));
                ("equal", coding(target, &given, &display))
            }
            // One code for all the rest, so that no more than some relation is known.
            Some("fixed") => ("relatedto", coding(target, &rule["code"], &rule["display"])),
            Some("other-map") => return self.other_map(rule, matches),
            _ => return Ok(()),
        };
        matches.push(Match {
            equivalence: equivalence.to_owned(),
            concept: Some(concept),
            products: Vec::new(),
            source: url.map(str::to_owned),
            comment: None,
        });
        Ok(())
    }

    fn other_map(&self, rule: &Value, matches: &mut Vec<Match>) -> Result<(), TerminologyError> {
        let Some(canonical) = rule["url"].as_str() else {
            return Err(TerminologyError::invalid("unmapped.url is missing (cmd-3)"));
        };
        self.maps.set(self.maps.get() + 1);
        if self.maps.get() >= MAX_MAPS {
            let message = format!("concept maps send on more than {MAX_MAPS} times: {canonical}");
            return Err(TerminologyError::invalid(message));
        }
        self.map(self.terminology.find_concept_map(canonical)?, matches)
    }

    fn backwards(&self, group: &Value, url: Option<&str>, matches: &mut Vec<Match>) {
        for element in group["element"].as_array().into_iter().flatten() {
            let targets = element["target"].as_array().into_iter().flatten();
            for target in targets.filter(|target| target["code"] == self.code.code) {
                let source = group["source"].as_str();
                matches.push(Match {
                    equivalence: reversed(equivalence(target)).to_owned(),
                    concept: Some(coding(source, &element["code"], &element["display"])),
                    products: Vec::new(),
                    source: url.map(str::to_owned),
                    comment: target["comment"].as_str().map(str::to_owned),
                });
            }
        }
    }

    /// Whether what the mapping depends on was given.
    fn depends(&self, target: &Value) -> bool {
        let conditions = target["dependsOn"].as_array().into_iter().flatten();
        conditions.into_iter().all(|condition| {
            let holds = |code: &Code<'_>| {
                condition["value"] == code.code
                    && condition["system"].as_str().is_none_or(|s| code.system == Some(s))
            };
            self.request.dependency.iter().any(|(element, coded)| {
                condition["property"] == *element
                    && coded.codes().is_ok_and(|codes| codes.iter().any(holds))
            })
        })
    }
}

fn equivalence(target: &Value) -> &str {
    target["equivalence"].as_str().unwrap_or("relatedto")
}

/// The equivalence seen from the other end (<http://hl7.org/fhir/R4/valueset-concept-map-equivalence.html>).
fn reversed(equivalence: &str) -> &str {
    match equivalence {
        "wider" => "narrower",
        "narrower" => "wider",
        "subsumes" => "specializes",
        "specializes" => "subsumes",
        same => same,
    }
}
