//! What a client asks to have exported, read from its parameters.
//!
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html> (3.0.0).

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Issue, IssueType, Reference, Resource, ResourceType, query};
use crate::index::Rules;
use crate::search::clause::Clause;
use crate::search::query::Limits;
use crate::search::{Query, Setting};

/// Of whose records an export is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum Level {
    /// Of all there is.
    System,
    /// Of all patients.
    Patient,
    /// Of the patients of a Group.
    Group(String),
}

/// What is asked for, in a form that outlives the process.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Request {
    /// Of whose records.
    pub level: Level,
    /// The parameters, names and values.
    pub pairs: Vec<(String, String)>,
    /// Whether what is not known is passed over (`Prefer: handling=lenient`).
    pub lenient: bool,
}

/// What a request comes to by the rules in force.
pub struct Wanted {
    /// The types; empty: all.
    pub types: BTreeSet<ResourceType>,
    /// Only what was changed after that moment.
    pub since: Option<Instant>,
    /// As it was at that moment, where that is earlier than the export.
    pub until: Option<Instant>,
    /// Of these types only resources that meet one of the searches.
    pub filters: BTreeMap<ResourceType, Vec<Vec<Clause>>>,
    /// The elements that are wanted, by type; under no type for all.
    pub elements: Vec<(Option<ResourceType>, String)>,
    /// Only these patients.
    pub patients: Option<BTreeSet<Id>>,
    /// Whether the Provenance of what is exported comes along though its type is not named.
    pub provenance: bool,
    /// What was passed over.
    pub warnings: Vec<Issue>,
}

const FORMATS: [&str; 3] = ["application/fhir+ndjson", "application/ndjson", "ndjson"];

/// Parameters of a search that say how to answer, which a filter must not have.
const RESULT: [&str; 12] = [
    "_sort",
    "_count",
    "_include",
    "_revinclude",
    "_summary",
    "_elements",
    "_total",
    "_contained",
    "_containedType",
    "_format",
    "_score",
    "_graph",
];

/// The parameters of a kick-off by POST as names and values.
///
/// # Errors
/// [`Error::Request`] for a body that is no Parameters, or a parameter that is no primitive and no
/// reference.
pub fn pairs_of(body: &Resource) -> Result<Vec<(String, String)>, Error> {
    if body.kind().as_str() != "Parameters" {
        return Err(Error::request("http.body", "The body is a Parameters resource."));
    }
    let list = body.value().at("parameter").as_array().into_iter().flatten();
    list.map(|parameter| {
        let name = parameter.at("name").as_str().unwrap_or_default();
        let value = parameter.as_object().into_iter().flatten();
        let value =
            value.filter(|(name, _)| name.starts_with("value")).map(|(_, value)| value).next();
        let text = value.and_then(|value| match value {
            Value::String(text) => Some(text.clone()),
            Value::Bool(_) | Value::Number(_) => Some(value.to_string()),
            value => value.at("reference").as_str().map(str::to_owned),
        });
        let rule = "The parameter has a primitive value or a reference.";
        Ok((name.to_owned(), text.ok_or_else(|| Error::request(format!("http.{name}"), rule))?))
    })
    .collect()
}

impl Request {
    /// What it comes to.
    ///
    /// # Errors
    /// [`Error::Request`] and [`Error::Search`] for parameters that cannot be read,
    /// [`Error::NotSupported`] for those that this server does not know.
    pub fn read(&self, rules: &Rules, now: Instant) -> Result<Wanted, Error> {
        let mut wanted = Wanted {
            types: BTreeSet::new(),
            since: None,
            until: None,
            filters: BTreeMap::new(),
            elements: Vec::new(),
            patients: None,
            provenance: false,
            warnings: Vec::new(),
        };
        let mut filters = Vec::new();
        for (name, value) in &self.pairs {
            match name.as_str() {
                "_outputFormat" if FORMATS.contains(&value.as_str()) => {}
                "_outputFormat" => {
                    let text = "The format is application/fhir+ndjson.";
                    return Err(Error::request("http._outputFormat", text));
                }
                "_since" => wanted.since = Some(instant(name, value)?),
                "_until" => wanted.until = Some(instant(name, value)?),
                "_type" => {
                    for name in value.split(',') {
                        self.take(&mut wanted, kind("_type", name), |wanted, kind| {
                            wanted.types.insert(kind);
                        })?;
                    }
                }
                "_typeFilter" => filters.push(value),
                "_elements" => {
                    for text in value.split(',') {
                        let (of, element) = match text.split_once('.') {
                            Some((of, element)) => (Some(kind("_elements", of)?), element),
                            None => (None, text),
                        };
                        wanted.elements.push((of, element.to_owned()));
                    }
                }
                "patient" if self.level != Level::System => {
                    let patients = wanted.patients.get_or_insert_default();
                    patients.insert(patient(value)?);
                }
                "includeAssociatedData" => {
                    for value in value.split(',') {
                        let known = ["LatestProvenanceResources", "RelevantProvenanceResources"];
                        let found = known.contains(&value).then_some(());
                        let text = format!("includeAssociatedData does not know {value}.");
                        let fault = || Error::not_supported("http.includeAssociatedData", text);
                        self.take(&mut wanted, found.ok_or_else(fault), |wanted, ()| {
                            wanted.provenance = true;
                        })?;
                    }
                }
                "_format" | "_pretty" => {}
                name => {
                    let text = format!("This export has no parameter {name}.");
                    let fault = Error::not_supported(format!("http.{name}"), text);
                    self.take(&mut wanted, Err(fault), |_, ()| ())?;
                }
            }
        }
        for filter in filters {
            self.filter(&mut wanted, rules, now, filter)?;
        }
        if wanted.since.zip(wanted.until).is_some_and(|(since, until)| until < since) {
            return Err(Error::request("http._until", "_until is not before _since."));
        }
        Ok(wanted)
    }

    /// Uses what was read, or passes over what cannot be used where the client is lenient.
    fn take<T>(
        &self,
        wanted: &mut Wanted,
        read: Result<T, Error>,
        with: impl FnOnce(&mut Wanted, T),
    ) -> Result<(), Error> {
        match read {
            Ok(value) => with(wanted, value),
            Err(error) if !self.lenient => return Err(error),
            Err(error) => wanted.warnings.extend(
                error
                    .issues()
                    .into_iter()
                    .map(|issue| Issue { severity: crate::fhir::Severity::Warning, ..issue }),
            ),
        }
        Ok(())
    }

    /// One `_typeFilter`: a type and a search of it.
    fn filter(
        &self,
        wanted: &mut Wanted,
        rules: &Rules,
        now: Instant,
        text: &str,
    ) -> Result<(), Error> {
        let bad = |text: &str| Error::request("http._typeFilter", text);
        let (name, search) = text.split_once('?').ok_or_else(|| {
            bad("A filter is a type and a search, such as Observation?category=exam.")
        })?;
        let kind = kind("_typeFilter", name)?;
        if !wanted.types.is_empty() && !wanted.types.contains(&kind) {
            return Err(bad("_type does not name the type of the filter."));
        }
        let pairs = query::pairs(search);
        let bare = |name: &str| name.split(':').next().unwrap_or_default().to_owned();
        if pairs.iter().any(|(name, _)| RESULT.contains(&bare(name).as_str())) {
            return Err(bad("A filter has no parameters that say how to answer."));
        }
        let setting = Setting { rules, now, strict: true, limits: Limits::default() };
        let read = Query::parse(&setting, kind, &pairs).map_err(Error::from);
        self.take(wanted, read, |wanted, query| {
            wanted.filters.entry(kind).or_default().push(query.clauses);
        })
    }
}

fn instant(name: &str, value: &str) -> Result<Instant, Error> {
    let rule = "It is an instant, such as 2026-03-02T08:10:00Z.";
    Instant::parse(value).ok_or_else(|| Error::request(format!("http.{name}"), rule))
}

fn kind(parameter: &str, name: &str) -> Result<ResourceType, Error> {
    let fault = || {
        let text = "It names a resource type of R4.";
        Error::Request(Issue::error(IssueType::NotSupported, text).at(format!("http.{parameter}")))
    };
    ResourceType::parse(name).ok_or_else(fault)
}

fn patient(text: &str) -> Result<Id, Error> {
    let reference = Reference::parse(text);
    let found = reference.target().filter(|(kind, _)| kind.as_str() == "Patient");
    let rule = "It is a reference such as Patient/123.";
    found.map(|(_, id)| id.clone()).ok_or_else(|| Error::request("http.patient", rule))
}
