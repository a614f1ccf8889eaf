//! `$episode-summary`: the letter of an episode of care, as document, page or print.
//!
//! The resources are read in one view; all that follows is pure. The answer depends on the record
//! and on `asOf`, by default the time of the request.
//! Source: `schemas/operation/episode-summary.json`, <http://hl7.org/fhir/R4/documents.html>.

use crate::app::App;
use crate::clinical::{Record, Summary, summary};
use crate::error::Error;
use crate::fhir::{Id, Instant};
use crate::letter;
use crate::operation::episode::{self, Episode};
use crate::operation::{Call, Form, Level, Operation, Output};

pub(super) const OPERATION: Operation = Operation {
    name: "episode-summary",
    definition: "https://spondyl.example/fhir/OperationDefinition/episode-summary",
    levels: &[Level::Instance],
    types: &["EpisodeOfCare"],
    by_get: true,
    document: true,
    run,
};

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let as_of = call.parameters.text("asOf")?.map_or(Ok(call.now), |text| as_of(&text))?;
    let id = call.id.ok_or(Error::UnknownRoute)?;
    let Episode { episode, resources } = {
        let view = call.app.store.view()?;
        Episode::whole(call.app, &*view, id, call.now)?
    };
    let record = Record::build(&episode, &resources);
    let summary = summary(&record, as_of);
    Ok(match call.form {
        Form::Resource => {
            let context = letter::Context { base: call.base, bundle_id: None };
            Output::Resource(letter::document(&summary, &record, context))
        }
        Form::Html => Output::Html(letter::html(&summary)),
        Form::Pdf => {
            let pdf = letter::pdf(&summary);
            Output::Pdf(pdf.map_err(|error| Error::Internal(Box::new(error)))?)
        }
    })
}

/// The moment of a `dateTime`; a day means its end, in UTC.
fn as_of(text: &str) -> Result<Instant, Error> {
    let day = || Instant::parse(&format!("{text}T23:59:59.999Z"));
    let wrong = "asOf is a day or an instant, such as 2026-03-02 or 2026-03-02T08:10:00Z.";
    Instant::parse(text).or_else(day).ok_or_else(|| Error::request("http.asOf", wrong))
}

/// Some episodes with what can be said of them by themselves, and how many more there are.
///
/// # Errors
/// A failure of the store.
pub fn heads(app: &App, most: usize, now: Instant) -> Result<(Vec<(Id, Summary)>, u64), Error> {
    let view = app.store.view()?;
    let (ids, more) = episode::ids(&*view, most)?;
    let mut heads = Vec::with_capacity(ids.len());
    for id in ids {
        let Episode { episode, resources } = Episode::head(app, &*view, &id, now)?;
        heads.push((id, summary(&Record::build(&episode, &resources), now)));
    }
    Ok((heads, more))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments() {
        for (text, expected) in [
            ("2026-03-02", Some("2026-03-02T23:59:59.999Z")),
            ("2026-03-02T10:00:00+01:00", Some("2026-03-02T09:00:00.000Z")),
            ("2026-03", None),
            ("yesterday", None),
        ] {
            let found = as_of(text).ok().map(|instant| instant.to_string());
            assert_eq!(found.as_deref(), expected, "{text}");
        }
    }
}
