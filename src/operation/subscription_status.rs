//! `$status`: how Subscriptions stand.
//!
//! Of one, or of all that whoever asks may see: a searchset of Parameters, one for each.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition-backport-subscription-status.html>.

use serde_json::{Value, json};

use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Resource};
use crate::index::Rules;
use crate::operation::episode::live;
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::{self, key, notice};
use crate::store::View;
use crate::subscription::bundle::{self, About, Kind};
use crate::subscription::{self, Content, Status};

pub(super) const OPERATION: Operation = Operation {
    name: "status",
    definition: "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-status",
    levels: &[Level::Type, Level::Instance],
    types: &["Subscription"],
    by_get: true,
    document: false,
    run,
};

/// How many Subscriptions are told of at most.
const MOST: usize = 10_000;

fn run(call: &Call<'_>) -> Result<Output, Error> {
    call.parameters.only(&["id", "status"])?;
    let held = call.app.held();
    let view = call.app.store.view()?;
    let kind = call.kind()?;
    let mut told = Vec::new();
    if let Some(id) = call.id() {
        let resource = live(&*view, kind, id)?;
        told.push(standing(call.base, &*view, &held.rules, id, &resource)?);
    } else {
        let asked = Asked::read(call)?;
        for row in view.scan(key::current_range(kind)) {
            let Some(id) = key::current_id(&row?.key).filter(|id| asked.names(id)) else {
                continue;
            };
            let stored = repository::current(&*view, kind, &id)?;
            let Some(resource) = stored.map(|s| s.content()).transpose()?.flatten() else {
                continue;
            };
            if asked.wants(resource.value()) {
                told.push(standing(call.base, &*view, &held.rules, &id, &resource)?);
            }
            if told.len() > MOST {
                let text = format!("There are more than {MOST} subscriptions; name their ids.");
                return Err(Error::not_supported("http.id", text));
            }
        }
    }
    let entries = told.into_iter().map(|resource| {
        let url = format!("urn:uuid:{}", resource.at("id").as_str().unwrap_or_default());
        json!({ "fullUrl": url, "resource": resource, "search": { "mode": "match" } })
    });
    let entries: Vec<Value> = entries.collect();
    let mut bundle = json!({
        "resourceType": "Bundle",
        "type": "searchset",
        "timestamp": call.now.to_string(),
        "total": entries.len(),
    });
    // An empty array would be no JSON of the standard.
    if let Some(object) = bundle.as_object_mut().filter(|_| !entries.is_empty()) {
        object.insert("entry".to_owned(), Value::Array(entries));
    }
    Ok(Output::Resource(bundle))
}

/// Which Subscriptions are asked for; those lists that are empty leave none out.
struct Asked {
    ids: Vec<String>,
    statuses: Vec<String>,
}

impl Asked {
    fn read(call: &Call<'_>) -> Result<Self, Error> {
        let listed = |name: &str| -> Result<Vec<String>, Error> {
            let texts = call.parameters.texts(name)?;
            Ok(texts.iter().flat_map(|text| text.split(',')).map(str::to_owned).collect())
        };
        let (ids, statuses) = (listed("id")?, listed("status")?);
        if ids.iter().any(|id| Id::parse(id).is_none()) {
            return Err(Error::request("http.id", "The parameter is the id of a Subscription."));
        }
        if statuses.iter().any(|code| Status::parse(code).is_none()) {
            let text = "The status is requested, active, error or off.";
            return Err(Error::request("http.status", text));
        }
        Ok(Self { ids, statuses })
    }

    fn names(&self, id: &Id) -> bool {
        self.ids.is_empty() || self.ids.iter().any(|own| own == id.as_str())
    }

    fn wants(&self, value: &Value) -> bool {
        let status = value.at("status").as_str().unwrap_or_default();
        self.statuses.is_empty() || self.statuses.iter().any(|own| own == status)
    }
}

fn standing(
    base: &str,
    view: &dyn View,
    rules: &Rules,
    id: &Id,
    resource: &Resource,
) -> Result<Value, Error> {
    let value = resource.value();
    let events = notice::progress(view, id)?.unwrap_or_default().events;
    let read = subscription::read(rules, None, value).ok();
    let about = About {
        base,
        id,
        topic: read.as_ref().map(|read| read.topic.url.as_str()),
        status: value.at("status").as_str().and_then(Status::parse).unwrap_or(Status::Off),
        events,
        content: read.as_ref().map_or(Content::Empty, |read| read.content),
        error: value.at("error").as_str(),
    };
    Ok(bundle::status(&about, Kind::QueryStatus, &[]))
}
