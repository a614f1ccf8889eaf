//! What a call of `$viewdefinition-run` asks for.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;

use crate::error::Error;
use crate::fhir::json::{self, At as _};
use crate::fhir::{Id, Instant, Issue, IssueType, Reference, ResourceType};
use crate::operation::episode::live;
use crate::operation::pages::{missing, whole, wrong};
use crate::operation::{Call, Form};
use crate::view_definition::ViewDefinition;
use crate::view_definition::shipped::Shipped;
use crate::view_definition::table::Format;

const KNOWN: [&str; 9] = [
    "header",
    "viewReference",
    "viewResource",
    "patient",
    "group",
    "source",
    "resource",
    "_limit",
    "_since",
];

/// The forms of a table, by their names.
const FORMATS: &str = "json, ndjson, csv and parquet";

/// What is asked.
pub(super) struct Asked {
    pub(super) view: ViewDefinition,
    /// Where in the body the view stands; empty where it was not sent.
    pub(super) place: String,
    pub(super) format: Format,
    /// How many rows at most.
    pub(super) limit: Option<usize>,
    /// Only what was changed later.
    pub(super) since: Option<Instant>,
    pub(super) patient: Option<Id>,
    pub(super) groups: Vec<Id>,
    /// What the table is made of, instead of what is stored.
    pub(super) resources: Option<Vec<Value>>,
}

impl Asked {
    pub(super) fn read(call: &Call<'_>) -> Result<Self, Error> {
        let parameters = &call.parameters;
        parameters.only(&KNOWN)?;
        if !parameters.texts("source")?.is_empty() {
            let text = "Tables are made of what is stored here, or of resources that are sent.";
            return Err(Error::not_supported("http.source", text));
        }
        let format = format(call)?;
        let (value, place) = view(call)?;
        let view = ViewDefinition::read(&value).map_err(|faults| super::told(faults, &place))?;
        let rule = "It is an instant, such as 2026-03-02T08:10:00Z.";
        let instant = |text: String| Instant::parse(&text).ok_or_else(|| wrong("_since", rule));
        let asked = Self {
            view,
            place,
            format,
            limit: whole(call, "_limit")?,
            since: parameters.text("_since")?.map(instant).transpose()?,
            patient: patient(call)?,
            groups: groups(call)?,
            resources: resources(call),
        };
        let filters = asked.patient.is_some() || !asked.groups.is_empty() || asked.since.is_some();
        if asked.resources.is_some() && filters {
            let rule = "Of resources that are sent, all are taken: patient, group and _since are \
                        about what is stored.";
            return Err(wrong("resource", rule));
        }
        Ok(asked)
    }
}

/// The form, by `_format`, else by what the client accepts.
fn format(call: &Call<'_>) -> Result<Format, Error> {
    let wanted = match (call.parameters.text("_format")?, call.form) {
        (Some(name), _) => {
            let plain = name.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
            let code = match plain.as_str() {
                "application/json" => "json",
                "text/csv" => "csv",
                "application/x-ndjson" | "application/ndjson" => "ndjson",
                "application/vnd.apache.parquet" | "application/octet-stream" => "parquet",
                other => other,
            };
            Format::of(code).ok_or_else(|| {
                let text = format!("There is no table of that form; there are {FORMATS}.");
                Error::not_supported("http._format", text)
            })?
        }
        (None, Form::Table(format)) => format,
        (None, _) => {
            let rule = format!("The parameter says the form of the table; there are {FORMATS}.");
            return Err(missing("_format", &rule));
        }
    };
    let has_header = call.parameters.names()?.contains(&"header");
    let header = !has_header || call.parameters.flag("header")?;
    Ok(match wanted {
        Format::Csv { .. } => Format::Csv { header },
        other => other,
    })
}

/// The references of that name in the URL and in the body.
fn references(call: &Call<'_>, name: &str) -> Result<Vec<String>, Error> {
    let pairs = call.parameters.pairs().iter().filter(|(key, _)| key == name);
    let mut found: Vec<String> = pairs.map(|(_, value)| value.clone()).collect();
    found.extend(call.parameters.references(name)?);
    Ok(found)
}

/// The items of the body's parameters of that name, each with its place.
fn sent<'c>(call: &'c Call<'_>, name: &str) -> Vec<(String, &'c Value)> {
    let list = call.parameters.body().and_then(|body| body.value().get("parameter")?.as_array());
    let all = list.into_iter().flatten().enumerate();
    let own = all.filter(|(_, parameter)| parameter.at("name") == name);
    let resource = own.filter_map(|(at, parameter)| {
        Some((format!("Parameters.parameter[{at}].resource"), parameter.get("resource")?))
    });
    resource.collect()
}

/// The definition, and where in the body it stands.
fn view(call: &Call<'_>) -> Result<(Value, String), Error> {
    let named = references(call, "viewReference")?;
    let mut sent = sent(call, "viewResource");
    let given = named.len() + sent.len() + usize::from(call.id().is_some());
    if given != 1 {
        let rule = "One view is asked for: in the URL, by viewReference, or by viewResource.";
        let fault = if given == 0 { missing } else { wrong };
        return Err(fault("viewReference", rule));
    }
    if let Some((place, value)) = sent.pop() {
        if value.at("resourceType") != "ViewDefinition" {
            return Err(Error::request(place, "The resource is a ViewDefinition."));
        }
        return Ok((value.clone(), place));
    }
    let name = match (call.id(), named.into_iter().next()) {
        (Some(id), _) => format!("ViewDefinition/{id}"),
        (None, named) => named.unwrap_or_default(),
    };
    Ok((resolve(call, &name)?, String::new()))
}

/// The definition that a reference leads to.
fn resolve(call: &Call<'_>, name: &str) -> Result<Value, Error> {
    let local = name.strip_prefix(call.base).map_or(name, |rest| rest.trim_start_matches('/'));
    if let Some(id) = local.strip_prefix("ViewDefinition/") {
        return Shipped::find(id).map(|view| view.value).ok_or(Error::NotFound);
    }
    if local.contains("://") {
        return Shipped::find(local).map(|view| view.value).ok_or(Error::NotFound);
    }
    let rule = "A view is named as ViewDefinition/id, by its canonical URL, or as Binary/id.";
    match Reference::parse(local) {
        Reference::Resource { kind, id, version: None, .. } if kind.as_str() == "Binary" => {
            stored(call, kind, &id)
        }
        _ => Err(wrong("viewReference", rule)),
    }
}

/// The definition in a Binary.
fn stored(call: &Call<'_>, kind: ResourceType, id: &Id) -> Result<Value, Error> {
    let view = call.app.store.view()?;
    let binary = live(&*view, kind, id)?;
    drop(view);
    let wrong = || wrong("viewReference", "The Binary does not hold a ViewDefinition in JSON.");
    let media = binary.value().at("contentType").as_str().unwrap_or_default();
    let data = binary.value().at("data").as_str().filter(|_| media.contains("json"));
    let bytes = data.and_then(|data| STANDARD.decode(data).ok()).ok_or_else(wrong)?;
    let value = json::parse(&bytes, json::MAX_DEPTH).map_err(|_| wrong())?;
    if value.at("resourceType") == "ViewDefinition" { Ok(value) } else { Err(wrong()) }
}

/// The id of a resource of that type of this server.
fn id_of(call: &Call<'_>, name: &str, of: &str, text: &str) -> Result<Id, Error> {
    match Reference::parse(text) {
        Reference::Resource { base, kind, id, version: None }
            if kind.as_str() == of && base.as_deref().is_none_or(|base| base == call.base) =>
        {
            let view = call.app.store.view()?;
            if live(&*view, kind, &id).is_ok() {
                return Ok(id);
            }
            let text = format!("There is no such {of}.");
            Err(Error::Request(Issue::error(IssueType::NotFound, text).at(format!("http.{name}"))))
        }
        _ => Err(wrong(name, &format!("It is a reference such as {of}/123."))),
    }
}

fn patient(call: &Call<'_>) -> Result<Option<Id>, Error> {
    let named = references(call, "patient")?;
    if named.len() > 1 {
        return Err(wrong("patient", "The parameter may be given once only."));
    }
    named.first().map(|text| id_of(call, "patient", "Patient", text)).transpose()
}

fn groups(call: &Call<'_>) -> Result<Vec<Id>, Error> {
    let named = references(call, "group")?;
    named.iter().map(|text| id_of(call, "group", "Group", text)).collect()
}

/// The resources that are sent; none where what is stored is asked about.
fn resources(call: &Call<'_>) -> Option<Vec<Value>> {
    let sent = sent(call, "resource");
    (!sent.is_empty()).then(|| sent.into_iter().map(|(_, value)| value.clone()).collect())
}
