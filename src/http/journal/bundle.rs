//! What the entries of a batch or transaction did, each told as if it had been a request of its own.

use actix_web::HttpRequest;
use serde::Deserialize;
use serde_json::Value;

use crate::fhir::json::At;
use crate::fhir::{Id, ResourceType, bundle, query};
use crate::http::journal::named::{in_pairs, of_url};
use crate::http::journal::{Told, note};
use crate::trail::{Interaction, Outcome, Target};

/// What an entry asks for.
pub(in crate::http) struct Asked {
    method: String,
    url: String,
}

/// Whether it is a transaction, and what its entries ask for.
pub(in crate::http) fn asked(bundle: &Value) -> (bool, Vec<Asked>) {
    let entries = bundle.at("entry").as_array().into_iter().flatten();
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let asked = entries.map(|entry| {
        let request = entry.at("request");
        Asked { method: text(request.at("method")), url: text(request.at("url")) }
    });
    (bundle.at("type") == "transaction", asked.collect())
}

/// Notes what a transaction was, before it is known how it ends.
pub(in crate::http) fn begun(request: &HttpRequest, is_transaction: bool) {
    note(request, |notes| notes.is_transaction = is_transaction);
}

/// Notes what came of each entry.
pub(in crate::http) fn ended(request: &HttpRequest, asked: &[Asked], answers: &[bundle::Entry]) {
    note(request, |notes| {
        if !notes.is_kept {
            return;
        }
        notes.is_all = true;
        notes.deeds.extend(asked.iter().zip(answers).map(|(asked, answer)| told(asked, answer)));
    });
}

fn told(asked: &Asked, answer: &bundle::Entry) -> (Interaction, Outcome, Told) {
    let response = answer.response.as_ref();
    let status = response.map_or(200, |response| response.status);
    let reason = (status >= 400).then_some("processing");
    let location = response.and_then(|response| response.location.as_deref()).and_then(of_url);
    let (path, parameters) = asked.url.split_once('?').unwrap_or((&asked.url, ""));
    let is_conditional = !parameters.is_empty();
    let about = location.or_else(|| of_url(path).filter(|_| !path.contains('$')));
    let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
    let operation = parts.iter().find_map(|part| part.strip_prefix('$'));
    let interaction = match (asked.method.as_str(), operation) {
        (_, Some(name)) => Interaction::Operation(name.to_owned()),
        ("POST", _) if status == 200 => Interaction::Read,
        ("POST", _) => Interaction::Create,
        ("PUT", _) if status == 201 => Interaction::Create,
        ("PUT", _) => Interaction::Update,
        ("PATCH", _) => Interaction::Patch,
        ("DELETE", _) => Interaction::Delete,
        _ => match parts.as_slice() {
            [] => Interaction::SearchSystem,
            ["_history"] => Interaction::HistorySystem,
            [_, "_history"] => Interaction::HistoryType,
            [_, _, "_history"] => Interaction::HistoryInstance,
            [_, _, "_history", _] => Interaction::Vread,
            [_, _] => Interaction::Read,
            _ => Interaction::SearchType,
        },
    };
    let about = match &interaction {
        Interaction::SearchType | Interaction::SearchSystem => None,
        Interaction::Operation(_) => operated(&parts),
        _ => about,
    };
    let is_question = about.is_none() || is_conditional || operation.is_some();
    let told = Told {
        given: answer.resource.as_deref().map(held).unwrap_or_default(),
        patient: in_pairs(&query::pairs(parameters), parts.first() == Some(&"Patient")),
        query: is_question.then(|| format!("{} {}", asked.method, asked.url).into_bytes()),
        about,
    };
    (interaction, Outcome { status, reason }, told)
}

/// What an operation was called on.
fn operated(parts: &[&str]) -> Option<Target> {
    let [kind, id, ..] = parts else { return None };
    Some(Target { kind: ResourceType::parse(kind)?, id: Id::parse(id)?, version: None })
}

/// What of a Bundle tells of which resources it is.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Holding {
    #[serde(default)]
    entry: Vec<Held>,
}

#[derive(Deserialize)]
struct Held {
    resource: Option<Named>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Named {
    resource_type: String,
    id: Option<String>,
}

/// The resources that a Bundle in bytes holds; none for what is no Bundle.
pub(in crate::http) fn held(bytes: &[u8]) -> Vec<Target> {
    let Ok(bundle) = serde_json::from_slice::<Holding>(bytes) else { return Vec::new() };
    let named = bundle.entry.into_iter().filter_map(|entry| entry.resource);
    let target = |named: Named| {
        let kind = ResourceType::parse(&named.resource_type)?;
        Some(Target { kind, id: Id::parse(&named.id?)?, version: None })
    };
    named.filter_map(target).collect()
}

/// The resources that a Bundle holds.
pub(in crate::http) fn held_by(bundle: &Value) -> Vec<Target> {
    let entries = bundle.at("entry").as_array().into_iter().flatten();
    let target = |entry: &Value| {
        let resource = entry.at("resource");
        let kind = resource.at("resourceType").as_str().and_then(ResourceType::parse)?;
        Some(Target { kind, id: Id::parse(resource.at("id").as_str()?)?, version: None })
    };
    entries.filter_map(target).collect()
}
