//! The entries of a batch or transaction, read into what they ask for.
//!
//! Source: <http://hl7.org/fhir/R4/bundle.html#transaction>,
//! <http://hl7.org/fhir/R4/http.html#transaction>.

use std::collections::HashSet;

use serde_json::Value;

use crate::error::Error;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType, VersionId};
use crate::interaction::Subject;
use crate::interaction::patch::Patch;
use crate::interaction::precondition::{Preconditions, Tags};
use crate::interaction::search::Scope as Among;
use crate::repository::Scope;

/// One entry.
pub(super) struct Entry {
    /// The identity of the resource within the Bundle.
    pub(super) full_url: Option<String>,
    /// What is asked for.
    pub(super) action: Action,
    /// The conditions.
    pub(super) preconditions: Preconditions,
}

impl Entry {
    /// The resource that it brings.
    pub(super) fn content(&self) -> Option<&Resource> {
        match &self.action {
            Action::Create(resource, _) | Action::Update(_, resource) => Some(resource),
            Action::Delete(..) | Action::Patch(..) | Action::Read { .. } | Action::Call(_) => None,
        }
    }

    /// Its place in the order in which the standard has a transaction carried out.
    pub(super) fn rank(&self) -> u8 {
        match &self.action {
            Action::Delete(..) => 0,
            Action::Create(..) => 1,
            Action::Update(..) | Action::Patch(..) => 2,
            Action::Read { .. } | Action::Call(_) => 3,
        }
    }
}

/// What an entry asks for.
pub(super) enum Action {
    /// `DELETE [type]/[id]` or `DELETE [type]?…`.
    Delete(ResourceType, Subject),
    /// `POST [type]`, with the query of `ifNoneExist`.
    Create(Resource, Option<String>),
    /// `PUT [type]/[id]` or `PUT [type]?…`.
    Update(Subject, Resource),
    /// `PATCH [type]/[id]` or `PATCH [type]?…`.
    Patch(ResourceType, Subject, Patch),
    /// `GET` or `HEAD` of something.
    Read {
        /// Of what.
        read: Read,
        /// Whether only the status and tags are wanted.
        head: bool,
    },
    /// An operation.
    Call(Asked),
}

/// The call of an operation, as an entry asks for it.
#[derive(Debug)]
pub struct Asked {
    /// The path below the base, with the operation's name at its end.
    pub path: String,
    /// What stands after the question mark.
    pub query: String,
    /// Whether it is called by POST, not by GET.
    pub by_post: bool,
    /// What it is called with.
    pub resource: Option<Resource>,
}

/// What an entry reads.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Read {
    /// `[type]/[id]`.
    Current(ResourceType, Id),
    /// `[type]/[id]/_history/[version]`.
    Version(ResourceType, Id, VersionId),
    /// A history, with its query.
    History(Scope, String),
    /// `?…`, `[type]?…`, `[compartment]/[id]/[type]?…`.
    Search(Among, String),
}

/// The entries, taken out of the Bundle, so that its envelope can be held against the rules.
/// `with_envelopes` leaves in what is not the resources.
///
/// # Errors
/// [`Error::Request`] when they are no array of objects.
pub(super) fn take_all(bundle: &mut Resource, with_envelopes: bool) -> Result<Vec<Value>, Error> {
    let Some(object) = bundle.value_mut().as_object_mut() else { return Ok(Vec::new()) };
    let entries = match object.shift_remove("entry") {
        None => return Ok(Vec::new()),
        Some(Value::Array(entries)) if !entries.is_empty() => entries,
        Some(_) => {
            let text = "The entries are an array with one entry at least.";
            return Err(Error::request("Bundle.entry", text));
        }
    };
    if with_envelopes {
        let envelopes = entries.iter().map(|entry| {
            let Value::Object(entry) = entry else { return entry.clone() };
            let members = entry.iter().filter(|(name, _)| *name != "resource");
            Value::Object(members.map(|(name, value)| (name.clone(), value.clone())).collect())
        });
        object.insert("entry".to_owned(), envelopes.collect());
    }
    Ok(entries)
}

/// Reads one entry; `base` is the server's own, which URLs may repeat.
///
/// # Errors
/// [`Error::Request`] or [`Error::NotSupported`] at an element of `entry`.
pub(super) fn read(mut entry: Value, base: &str) -> Result<Entry, Error> {
    let resource = entry.get_mut("resource").map(Value::take).filter(|value| !value.is_null());
    let resource = resource.map(Resource::from_value).transpose()?;
    let request = entry.get("request").unwrap_or(&Value::Null);
    let text = |name: &str| request.get(name).and_then(Value::as_str);
    let wrong = |name: &str, text: &str| Error::request(format!("entry.request{name}"), text);
    let method = text("method").ok_or_else(|| wrong(".method", "The entry says no method."))?;
    let url = text("url").ok_or_else(|| wrong(".url", "The entry says no url."))?;
    let url = url.strip_prefix(base).unwrap_or(url).trim_start_matches('/');
    let (path, query) =
        url.split_once('?').map_or((url, None), |(path, query)| (path, Some(query)));
    let full_url = entry.get("fullUrl").and_then(Value::as_str).map(str::to_owned);
    if path.rsplit('/').next().is_some_and(|name| name.starts_with('$')) {
        if !["GET", "POST"].contains(&method) {
            return Err(wrong(".method", "Operations are called by GET or POST."));
        }
        let (path, query) = (path.to_owned(), query.unwrap_or_default().to_owned());
        let (by_post, preconditions) = (method == "POST", preconditions(request)?);
        let asked = Asked { path, query, by_post, resource };
        return Ok(Entry { full_url, action: Action::Call(asked), preconditions });
    }
    let target = Target::parse(path).ok_or_else(|| {
        wrong(".url", "The url is relative to the base, such as Patient or Patient/1.")
    })?;
    let body = || {
        let resource = resource.as_ref();
        resource.ok_or_else(|| Error::request("entry.resource", "The entry has no resource."))
    };
    let action = match (method, target, query) {
        ("POST", Target::Type(kind), None) => {
            let if_none_exist = text("ifNoneExist").map(str::to_owned);
            Action::Create(of_type(body()?, kind)?, if_none_exist)
        }
        ("PUT" | "DELETE" | "PATCH", target, query) => {
            let (kind, subject) = match (target, query) {
                (Target::Instance(kind, id), None) => (kind, Subject::Id(id)),
                (Target::Type(kind), Some(query)) => (kind, Subject::Criteria(query.to_owned())),
                _ => return Err(wrong(".url", "The url does not know the method.")),
            };
            match method {
                "PUT" => Action::Update(subject, of_type(body()?, kind)?),
                "PATCH" => Action::Patch(kind, subject, Patch::resource(body()?)?),
                _ => Action::Delete(kind, subject),
            }
        }
        ("GET" | "HEAD", target, query) => {
            let read = reading(target, query.unwrap_or_default());
            Action::Read { read, head: method == "HEAD" }
        }
        ("POST", ..) => {
            return Err(wrong(".url", "The url does not know the method."));
        }
        _ => return Err(wrong(".method", "The method is GET, HEAD, POST, PUT, DELETE or PATCH.")),
    };
    Ok(Entry { full_url, action, preconditions: preconditions(request)? })
}

/// Refuses what two entries of a transaction must not have in common, as far as it can be seen
/// without the store.
///
/// # Errors
/// [`Error::Request`] at an element of the later entry.
pub(super) fn refuse_repetition(entries: &[Entry]) -> Result<(), Error> {
    let (mut urls, mut criteria) = (HashSet::new(), HashSet::new());
    for (index, entry) in entries.iter().enumerate() {
        if entry.full_url.as_ref().is_some_and(|url| !urls.insert(url)) {
            let text = "Another entry has this fullUrl already.";
            return Err(Error::request("entry.fullUrl", text).in_entry(index));
        }
        let asked = match &entry.action {
            Action::Create(resource, Some(text)) => Some((0, resource.kind(), text)),
            Action::Update(Subject::Criteria(text), resource) => Some((1, resource.kind(), text)),
            Action::Delete(kind, Subject::Criteria(text)) => Some((2, *kind, text)),
            Action::Patch(kind, Subject::Criteria(text), _) => Some((3, *kind, text)),
            _ => None,
        };
        if asked.is_some_and(|asked| !criteria.insert(asked)) {
            let text = "Another entry has these criteria already.";
            let place = match &entry.action {
                Action::Create(..) => "entry.request.ifNoneExist",
                _ => "entry.request.url",
            };
            return Err(Error::request(place, text).in_entry(index));
        }
    }
    Ok(())
}

fn of_type(resource: &Resource, kind: ResourceType) -> Result<Resource, Error> {
    if resource.kind() != kind {
        let text = format!("The resourceType must be that of the url, {kind}.");
        return Err(Error::request("entry.resource.resourceType", text));
    }
    Ok(resource.clone())
}

fn preconditions(request: &Value) -> Result<Preconditions, Error> {
    let text = |name: &str| request.get(name).and_then(Value::as_str);
    let tags = |name: &str| {
        let tags = text(name).map(|tags| Tags::parse(tags).ok_or(name)).transpose();
        tags.map_err(|name| {
            let text = "It lists version tags, such as W/\"3\".";
            Error::request(format!("entry.request.{name}"), text)
        })
    };
    Ok(Preconditions {
        if_match: tags("ifMatch")?,
        if_none_match: tags("ifNoneMatch")?,
        if_modified_since: text("ifModifiedSince").and_then(Instant::parse),
    })
}

/// What a relative URL names.
enum Target {
    System,
    Type(ResourceType),
    Instance(ResourceType, Id),
    Version(ResourceType, Id, VersionId),
    History(Scope),
    Compartment(ResourceType, Id, Option<ResourceType>),
}

impl Target {
    fn parse(path: &str) -> Option<Self> {
        let parts: Vec<&str> = path.split('/').filter(|part| !part.is_empty()).collect();
        Some(match parts.as_slice() {
            [] => Self::System,
            ["_history"] => Self::History(Scope::System),
            [kind] => Self::Type(ResourceType::parse(kind)?),
            [kind, "_history"] => Self::History(Scope::Type(ResourceType::parse(kind)?)),
            [kind, id] => Self::Instance(ResourceType::parse(kind)?, Id::parse(id)?),
            [kind, id, "_history"] => {
                Self::History(Scope::Instance(ResourceType::parse(kind)?, Id::parse(id)?))
            }
            [of, id, "*"] => Self::Compartment(ResourceType::parse(of)?, Id::parse(id)?, None),
            [of, id, kind] => Self::Compartment(
                ResourceType::parse(of)?,
                Id::parse(id)?,
                Some(ResourceType::parse(kind)?),
            ),
            [.., _, _, "_history", _] => match Reference::parse(path) {
                Reference::Resource { base: None, kind, id, version } => {
                    Self::Version(kind, id, version?)
                }
                _ => return None,
            },
            _ => return None,
        })
    }
}

fn reading(target: Target, query: &str) -> Read {
    match target {
        Target::Instance(kind, id) => Read::Current(kind, id),
        Target::Version(kind, id, version) => Read::Version(kind, id, version),
        Target::History(scope) => Read::History(scope, query.to_owned()),
        Target::Type(kind) => Read::Search(Among::Type(kind), query.to_owned()),
        Target::Compartment(of, id, kind) => {
            Read::Search(Among::Compartment(of, id, kind), query.to_owned())
        }
        Target::System => Read::Search(Among::System, query.to_owned()),
    }
}
