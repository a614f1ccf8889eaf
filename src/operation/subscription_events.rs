//! `$events`: events of a Subscription once more, for a client that missed some.
//!
//! Both bounds are included. No more is told than the Subscription was allowed, and of each event
//! what may be seen now; what was delivered long ago is not kept.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition-backport-subscription-events.html>.

use crate::error::Error;
use crate::operation::episode::live;
use crate::operation::{Call, Level, Operation, Output};
use crate::repository::notice;
use crate::subscription::bundle::{self, About, Kind};
use crate::subscription::{self, Content};

pub(super) const OPERATION: Operation = Operation {
    name: "events",
    definition: "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-events",
    levels: &[Level::Instance],
    types: &["Subscription"],
    by_get: true,
    document: false,
    run,
};

/// How many events one answer tells at most; a client goes on from the number after the last.
const MOST: usize = 1000;

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let parameters = &call.parameters;
    parameters.only(&["eventsSinceNumber", "eventsUntilNumber", "content"])?;
    let number = |name: &str| -> Result<Option<u64>, Error> {
        let rule = "The number of an event is a whole number from 0.";
        let read =
            |text: String| text.parse().map_err(|_| Error::request(format!("http.{name}"), rule));
        parameters.text(name)?.map(read).transpose()
    };
    let since = number("eventsSinceNumber")?.unwrap_or_default();
    let until = number("eventsUntilNumber")?.unwrap_or(u64::MAX);
    let content = parameters.text("content")?.map(|code| {
        let rule = "The content is empty, id-only or full-resource.";
        Content::parse(&code).ok_or_else(|| Error::request("http.content", rule))
    });
    let content = content.transpose()?;
    let id = call.id().ok_or(Error::UnknownRoute)?;
    let held = call.app.held();
    let view = call.app.store.view()?;
    let resource = live(&*view, call.kind()?, id)?;
    let read = subscription::read(&held.rules, None, resource.value()).map_err(Error::Invalid)?;
    let content = content.unwrap_or(read.content).min(read.content);
    let asked = subscription::Subscription { content, ..read };
    let events = notice::progress(&*view, id)?.unwrap_or_default().events;
    let (until, notices) = (until.min(events), notice::notices(&*view, id, since));
    let notices =
        notices.take_while(|notice| notice.as_ref().map_or(true, |notice| notice.number <= until));
    let found = bundle::gather(&*view, &held.rules, &asked, notices, MOST)?;
    let about = About::of(call.base, id, &asked, events);
    Ok(Output::Resource(bundle::bundle(&about, Kind::QueryEvent, &found.seen, call.now)?))
}
