//! `$episode-summary`: the letter of an episode of care, as document, page or print.
//!
//! The resources are read in one view; all that follows is pure. The answer depends on the record
//! and on `asOf`: by default it is of now, else of the versions that were stored then.
//! Source: `schemas/operation/episode-summary.json`, <http://hl7.org/fhir/R4/documents.html>.

use serde_json::{Value, json};

use crate::app::App;
use crate::clinical::{Record, Summary, summary_by};
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource};
use crate::letter::catalogue::Catalogue;
use crate::letter::kind::Kind;
use crate::letter::{self, Letter};
use crate::operation::episode::{self, Episode};
use crate::operation::label;
use crate::operation::parameters::Parameters;
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
    let words = language(&call.parameters)?;
    let explained = call.parameters.flag("explain")?;
    if explained && call.form != Form::Resource {
        let text = "What explains the numbers is a resource: ask for application/fhir+json.";
        return Err(Error::request("http.explain", text));
    }
    let kind = kind(&call.parameters)?;
    let (read, as_of) = read(call)?;
    read.may_leave(call.app, call.now)?;
    let Episode { episode, resources } = read;
    let record = Record::build(&episode, &resources);
    let summary = summary_by(&record, as_of, &call.app.thresholds);
    if explained {
        let mut told = letter::explain(&summary, words);
        let digest = letter::inputs_digest(&summary, &record);
        if let Some(list) = told.get_mut("parameter").and_then(Value::as_array_mut) {
            list.push(json!({ "name": "digest", "valueUri": digest }));
        }
        return Ok(Output::Resource(told));
    }
    let letter = Letter::new(&summary);
    let letter = Letter { words, kind: kind.unwrap_or(letter.kind), ..letter };
    Ok(match call.form {
        Form::Resource | Form::Table(_) => {
            let context = letter::Context { base: call.base, bundle_id: None };
            let mut document = letter.document(&record, context);
            let read = resources.iter().chain([&episode]).map(Resource::value);
            label::mark(&mut document, read);
            Output::Resource(document)
        }
        Form::Html => Output::Html(letter.html()),
        Form::Pdf => Output::Pdf(letter.pdf().map_err(|error| Error::Internal(Box::new(error)))?),
    })
}

/// The episode of the call, and the moment that is asked for.
///
/// # Errors
/// As [`Episode::whole`], and for a moment that cannot be read.
pub(super) fn read(call: &Call<'_>) -> Result<(Episode, Instant), Error> {
    let asked = call.parameters.text("asOf")?.map(|text| as_of(&text)).transpose()?;
    let id = call.id().ok_or(Error::UnknownRoute)?;
    let view = call.app.store.view()?;
    let episode = Episode::whole(call.app, &*view, id, call.now, asked)?;
    Ok((episode, asked.unwrap_or(call.now)))
}

/// The words of the language that is asked for, by default English.
///
/// # Errors
/// [`Error::Request`] for a language without words.
pub fn language(parameters: &Parameters) -> Result<&'static Catalogue, Error> {
    let Some(tag) = parameters.text("language")? else { return Ok(Catalogue::english()) };
    let text = "There are words in English (en) and German (de).";
    Catalogue::of_language(&tag).ok_or_else(|| Error::request("http.language", text))
}

/// The kind of letter that is asked for.
pub(super) fn kind(parameters: &Parameters) -> Result<Option<Kind>, Error> {
    let Some(code) = parameters.text("kind")? else { return Ok(None) };
    let text = "The kind is progress, discharge, referral or urgent-referral.";
    Kind::parse(&code).map(Some).ok_or_else(|| Error::request("http.kind", text))
}

/// The moment of a `dateTime`; a day means its end, in UTC.
fn as_of(text: &str) -> Result<Instant, Error> {
    let day = || Instant::parse(&format!("{text}T23:59:59.999Z"));
    let wrong = "asOf is a day or an instant, such as 2026-03-02 or 2026-03-02T08:10:00Z.";
    Instant::parse(text).or_else(day).ok_or_else(|| Error::request("http.asOf", wrong))
}

/// The summary of an episode as it is stored now.
///
/// # Errors
/// As [`Episode::whole`].
pub fn of_now(app: &App, id: &Id, now: Instant) -> Result<Summary, Error> {
    let Episode { episode, resources } = {
        let view = app.store.view()?;
        Episode::whole(app, &*view, id, now, None)?
    };
    Ok(summary_by(&Record::build(&episode, &resources), now, &app.thresholds))
}

/// Some episodes with what can be said of them by themselves, and how many more there are.
///
/// # Errors
/// A failure of the store.
pub fn heads(app: &App, most: usize, now: Instant) -> Result<(Vec<(Id, Summary)>, u64), Error> {
    let view = app.store.view()?;
    let (ids, more) = episode::ids(&*view, most)?;
    let heads = ids.into_iter().map(|id| head(app, &*view, id, now));
    Ok((heads.collect::<Result<_, _>>()?, more))
}

/// The episodes of a patient with what can be said of them by themselves.
///
/// # Errors
/// A failure of the store.
pub fn heads_of(app: &App, patient: &Id, now: Instant) -> Result<Vec<(Id, Summary)>, Error> {
    let view = app.store.view()?;
    let ids = episode::ids_of(app, &*view, patient, now)?;
    ids.into_iter().map(|id| head(app, &*view, id, now)).collect()
}

/// An episode with what can be said of it by itself.
///
/// # Errors
/// As [`Episode::whole`].
pub fn head_of(app: &App, id: Id, now: Instant) -> Result<(Id, Summary), Error> {
    let view = app.store.view()?;
    head(app, &*view, id, now)
}

fn head(
    app: &App,
    view: &dyn crate::store::View,
    id: Id,
    now: Instant,
) -> Result<(Id, Summary), Error> {
    let Episode { episode, resources } = Episode::head(app, view, &id, now)?;
    let summary = summary_by(&Record::build(&episode, &resources), now, &app.thresholds);
    Ok((id, summary))
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
