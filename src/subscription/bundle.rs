//! Notifications: Bundles of type history whose first entry says how the Subscription stands.
//!
//! The same Bundles answer `$events`, and the Parameters of the first entry answer `$status`. What
//! whoever is told may not see now is left out, and so is its number.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/notifications.html>,
//! <http://hl7.org/fhir/uv/subscriptions-backport/payloads.html>, <http://hl7.org/fhir/R4/bundle.html>.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use uuid::Uuid;

use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::index::Rules;
use crate::repository::notice::Notice;
use crate::repository::{self, Method, Stored};
use crate::search;
use crate::store::View;
use crate::subscription::filter::Asked;
use crate::subscription::{Content, GUIDE, Status, Subscription};

/// Why a Bundle is made (<http://hl7.org/fhir/R4B/valueset-subscription-notification-type.html>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// To see whether the address answers.
    Handshake,
    /// To say that there is nothing to say.
    Heartbeat,
    /// To tell events.
    EventNotification,
    /// To answer `$status`.
    QueryStatus,
    /// To answer `$events`.
    QueryEvent,
}

impl Kind {
    /// The code.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Handshake => "handshake",
            Self::Heartbeat => "heartbeat",
            Self::EventNotification => "event-notification",
            Self::QueryStatus => "query-status",
            Self::QueryEvent => "query-event",
        }
    }
}

/// What a Bundle is about.
pub struct About<'a> {
    /// The base URL of the server.
    pub base: &'a str,
    /// The Subscription's id.
    pub id: &'a Id,
    /// The canonical of its topic; none where it is not one of this server's.
    pub topic: Option<&'a str>,
    /// How it stands.
    pub status: Status,
    /// How many events there were, with those that are told.
    pub events: u64,
    /// How much is told.
    pub content: Content,
    /// What went wrong last.
    pub error: Option<&'a str>,
}

impl<'a> About<'a> {
    /// The Subscription as it stands, after so many events.
    pub fn of(base: &'a str, id: &'a Id, subscription: &Subscription, events: u64) -> Self {
        let topic = Some(subscription.topic.url.as_str());
        let (status, content) = (subscription.status, subscription.content);
        Self { base, id, topic, status, events, content, error: None }
    }
}

/// An event with what may be seen of it.
pub struct Seen {
    notice: Notice,
    stored: Stored,
    context: Vec<Stored>,
}

/// Events from the first on, as far as they go into one Bundle.
pub struct Gathered {
    /// Those that may be seen.
    pub seen: Vec<Seen>,
    /// The number of the last that was looked at.
    pub last: Option<u64>,
}

/// How many bytes of resources one Bundle has before it takes no more.
const LARGE: usize = 4 << 20;

/// Gathers events for one Bundle: at most so many, as far as `view` shows them.
///
/// # Errors
/// A failure of the store.
pub fn gather(
    view: &dyn View,
    rules: &Rules,
    subscription: &Subscription,
    notices: impl Iterator<Item = Result<Notice, repository::Error>>,
    most: usize,
) -> Result<Gathered, search::Error> {
    let (mut seen, mut last, mut size) = (Vec::new(), None, 0);
    for notice in notices {
        let notice = notice?;
        last = Some(notice.number);
        let stored = repository::version(view, notice.kind, &notice.id, notice.version)?;
        let Some(stored) = stored else { continue };
        let context = context(view, rules, subscription, &stored)?;
        let all = context.iter().chain([&stored]);
        size += all.map(|stored| stored.body.as_ref().map_or(0, Vec::len)).sum::<usize>();
        seen.push(Seen { notice, stored, context });
        if seen.len() >= most || size >= LARGE {
            break;
        }
    }
    Ok(Gathered { seen, last })
}

/// The resources that the topic tells along with the focus.
fn context(
    view: &dyn View,
    rules: &Rules,
    subscription: &Subscription,
    stored: &Stored,
) -> Result<Vec<Stored>, search::Error> {
    let mut found: Vec<Stored> = Vec::new();
    if subscription.content == Content::Empty {
        return Ok(found);
    }
    let Some(content) = stored.content()? else { return Ok(found) };
    let mut asked = None;
    for code in subscription.topic.includes(stored.kind) {
        let asked = asked.get_or_insert_with(|| Asked::of(rules, &content));
        for (kind, id) in asked.targets(view, &stored.id, rules.sources(stored.kind, code))? {
            let is_new = !found.iter().any(|other| (other.kind, &other.id) == (kind, &id));
            let current = repository::current(view, kind, &id)?.filter(|c| c.body.is_some());
            found.extend(current.filter(|_| is_new));
        }
    }
    Ok(found)
}

/// How a Subscription stands, as Parameters.
pub fn status(about: &About<'_>, kind: Kind, seen: &[Seen]) -> Value {
    let subscription = format!("{}/Subscription/{}", about.base, about.id);
    let mut list =
        vec![json!({ "name": "subscription", "valueReference": { "reference": subscription } })];
    if let Some(topic) = about.topic.filter(|_| about.content > Content::Empty) {
        list.push(json!({ "name": "topic", "valueCanonical": topic }));
    }
    list.push(json!({ "name": "status", "valueCode": about.status.as_str() }));
    list.push(json!({ "name": "type", "valueCode": kind.as_str() }));
    let events = about.events.to_string();
    list.push(json!({ "name": "events-since-subscription-start", "valueString": events }));
    list.extend(seen.iter().map(|seen| event(about, seen)));
    if let Some(error) = about.error {
        list.push(json!({ "name": "error", "valueCodeableConcept": { "text": error } }));
    }
    json!({
        "resourceType": "Parameters",
        "id": Uuid::new_v4().to_string(),
        "meta": { "profile": [format!("{GUIDE}/backport-subscription-status-r4")] },
        "parameter": list,
    })
}

fn event(about: &About<'_>, Seen { notice, context, .. }: &Seen) -> Value {
    let mut part = vec![
        json!({ "name": "event-number", "valueString": notice.number.to_string() }),
        json!({ "name": "timestamp", "valueInstant": notice.at.to_string() }),
    ];
    if about.content > Content::Empty {
        let focus = url(about.base, notice.kind, &notice.id);
        part.push(json!({ "name": "focus", "valueReference": { "reference": focus } }));
        part.extend(context.iter().map(|stored| {
            let url = url(about.base, stored.kind, &stored.id);
            json!({ "name": "additional-context", "valueReference": { "reference": url } })
        }));
    }
    json!({ "name": "notification-event", "part": part })
}

fn url(base: &str, kind: ResourceType, id: &Id) -> String {
    format!("{base}/{kind}/{id}")
}

/// The Bundle that tells it.
///
/// # Errors
/// [`search::Error::Repository`] for a version that is damaged.
pub fn bundle(
    about: &About<'_>,
    kind: Kind,
    seen: &[Seen],
    now: Instant,
) -> Result<Value, search::Error> {
    let status = status(about, kind, seen);
    let id = status.get("id").and_then(Value::as_str).unwrap_or_default();
    let mut entries = vec![json!({
        "fullUrl": format!("urn:uuid:{id}"),
        "resource": status,
        "request": { "method": "GET", "url": format!("Subscription/{}/$status", about.id) },
        "response": { "status": "200" },
    })];
    if about.content == Content::FullResource {
        let mut told = BTreeSet::new();
        for Seen { notice, stored, .. } in seen {
            let is_new = told.insert((stored.kind, stored.id.clone(), stored.version));
            if is_new {
                entries.push(entry(about.base, stored, notice.made)?);
            }
        }
        for stored in seen.iter().flat_map(|seen| &seen.context) {
            if told.insert((stored.kind, stored.id.clone(), stored.version)) {
                entries.push(entry(about.base, stored, false)?);
            }
        }
    }
    Ok(json!({
        "resourceType": "Bundle",
        "id": Uuid::new_v4().to_string(),
        "meta": { "profile": [format!("{GUIDE}/backport-subscription-notification-r4")] },
        "type": "history",
        "timestamp": now.to_string(),
        "entry": entries,
    }))
}

/// An entry with a version; `made`: with the interaction that made it, else as it is read.
fn entry(base: &str, stored: &Stored, made: bool) -> Result<Value, search::Error> {
    let Stored { kind, id, version, .. } = stored;
    let one = format!("{kind}/{id}");
    let is_first = version.0 == 1;
    let (method, url, status) = match stored.method {
        _ if !made => ("GET", one, "200"),
        Method::Post => ("POST", kind.to_string(), "201"),
        Method::Put if is_first => ("PUT", one, "201"),
        // A Bundle of R4 knows no PATCH in a history without the patch itself.
        Method::Put | Method::Patch => ("PUT", one, "200"),
        Method::Delete => ("DELETE", one, "204"),
    };
    let mut entry = json!({
        "fullUrl": format!("{base}/{kind}/{id}"),
        "request": { "method": method, "url": url },
        "response": {
            "status": status,
            "etag": format!("W/\"{version}\""),
            "lastModified": stored.last_updated.to_string(),
        },
    });
    if let (Some(object), Some(content)) = (entry.as_object_mut(), stored.content()?) {
        object.insert("resource".to_owned(), Resource::into_value(content));
    }
    Ok(entry)
}
