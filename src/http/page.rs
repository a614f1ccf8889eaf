//! Pages for people: `/`, `/episodes/{id}`, `/patients/{id}`, `/episodes/{id}/visit`,
//! `/episodes/{id}/letters`, and the scripts of the last two. Those of an audit are in `audit.rs`.
//!
//! They read like any client; the forms write over the API. `language` in the URL chooses the words.

use actix_web::http::header::{CONTENT_TYPE, HeaderValue};
use actix_web::{HttpRequest, HttpResponse};

use crate::access::link::Links;
use crate::app::{App, is_descriptive};
use crate::clinical::people::Party;
use crate::error::Error;
use crate::fhir::{Id, ResourceType};
use crate::http::admit::given;
use crate::http::format::{Format, Media};
use crate::http::reply::Policy;
use crate::http::route::{Answer, Call};
use crate::http::{BASE, block, extract, journal, now, reply, shared};
use crate::interaction;
use crate::letter::catalogue::Catalogue;
use crate::operation::episode_summary::{heads, heads_of, language, of_now};
use crate::operation::letters;
use crate::operation::parameters::Parameters;
use crate::page::{self, Episode, Overview, Sharing};
use crate::repository::{key, read};

/// How many episodes are shown.
const EPISODES: usize = 50;
/// How many resources of a type are counted.
const COUNTED: u64 = 100_000;

/// `GET /`.
pub(super) async fn index(call: Call) -> Answer {
    let words = words(&call)?;
    let Call { app, request, .. } = call;
    let made = block(move || {
        let (episodes, more) = heads(&app, EPISODES, now())?;
        let shown = episodes.iter().map(|(id, _)| id.clone()).collect::<Vec<_>>();
        let overview = Overview {
            api: BASE.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            counts: counts(&app)?,
            episodes: episodes.iter().map(|(id, head)| Episode::of(id.as_str(), head)).collect(),
            more,
        };
        Ok((overview, shown))
    });
    let (overview, shown) = made.await?;
    let kind = ResourceType::parse("EpisodeOfCare").ok_or(Error::UnknownType)?;
    journal::given_too(&request, shown.iter().map(|id| journal::target(kind, id, None)));
    Ok(reply::page(page::index(&overview, words), Policy::Reading))
}

/// The words that a page is asked for in.
pub(super) fn words(call: &Call) -> Result<&'static Catalogue, Error> {
    let _accepted = Format::of(&call.request, Media::PAGE)?;
    language(&Parameters::new(extract::parameters(&call.request), None))
}

/// The words that the page of a fault is told in: those that were asked for, if there are any.
pub(super) fn words_of(request: &HttpRequest) -> &'static Catalogue {
    let asked = Parameters::new(extract::parameters(request), None);
    language(&asked).unwrap_or_else(|_| Catalogue::english())
}

/// `GET /episodes/{id}`.
pub(super) async fn episode(call: Call, id: Id) -> Answer {
    let words = words(&call)?;
    let made = block(move || {
        let summary = of_now(&call.app, &id, now())?;
        Ok(page::episode(&summary, BASE, words))
    });
    Ok(reply::page(made.await?, Policy::Reading))
}

/// `GET /episodes/{id}/visit`.
pub(super) async fn visit(call: Call, id: Id) -> Answer {
    let words = words(&call)?;
    let made = block(move || {
        let mut summary = of_now(&call.app, &id, now())?;
        // Who is signed in records the visit; else it is who manages the episode.
        if let Some(person) = person(&call.app)? {
            summary.care_manager = Some(person);
        }
        Ok(page::visit(&summary, BASE, words))
    });
    Ok(reply::page(made.await?, Policy::Form))
}

/// The practitioner who asks, as the record has them.
fn person(app: &App) -> Result<Option<Party>, Error> {
    let user = app.access.as_ref().and_then(|access| access.user.as_ref());
    let Some((kind, id)) = user.filter(|(kind, _)| kind.as_str() == "Practitioner") else {
        return Ok(None);
    };
    let stored = interaction::read::read(&*app.store.view()?, *kind, id)?;
    Ok(stored.content()?.as_ref().and_then(Party::of))
}

/// `GET /episodes/{id}/letters`.
pub(super) async fn letters(call: Call, id: Id) -> Answer {
    let words = words(&call)?;
    let links = given::<Links>(&call.request)?.clone();
    let made = block(move || {
        let letters = letters::letters(&call.app, &id, now())?;
        let session = call.session.as_deref();
        let shared = session.map(|_| shared::of_letters(&links, &letters.filed, now()));
        let shared = shared.transpose()?.unwrap_or_default();
        let sharing = session.map(|session| Sharing { csrf: &session.csrf, links: &shared });
        let signers = letters.signers.into_iter().map(|signer| (signer.name, signer.reference));
        let signers: Vec<(String, String)> = signers.collect();
        let shown = page::Letters {
            api: BASE,
            summary: &letters.summary,
            digest: &letters.digest,
            signers: &signers,
            filed: &letters.filed,
            sharing,
        };
        Ok(page::letters(&shown, words))
    });
    Ok(reply::page(made.await?, Policy::Form))
}

/// `GET /patients/{id}`.
pub(super) async fn patient(call: Call, id: Id) -> Answer {
    let words = words(&call)?;
    let made = block(move || {
        let kind = ResourceType::parse("Patient").ok_or(Error::UnknownType)?;
        let stored = {
            let view = call.app.store.view()?;
            interaction::read::read(&*view, kind, &id)?
        };
        let person = stored.content()?.as_ref().and_then(Party::of).ok_or(Error::NotFound)?;
        let heads = heads_of(&call.app, &id, now())?;
        let episodes: Vec<Episode> =
            heads.iter().map(|(id, head)| Episode::of(id.as_str(), head)).collect();
        let shown = page::Patient { api: BASE, person: &person, episodes: &episodes };
        Ok(page::patient(&shown, words))
    });
    Ok(reply::page(made.await?, Policy::Reading))
}

/// `GET` of a script of the visit form.
pub(super) fn script(text: &'static str) -> HttpResponse {
    let mut builder = reply::status(200);
    let kind = HeaderValue::from_static("text/javascript;charset=utf-8");
    builder.insert_header((CONTENT_TYPE, kind)).body(text)
}

/// How many resources of each type there are, types without any and definitions left out.
fn counts(app: &App) -> Result<Vec<(String, u64)>, Error> {
    let mut counts = Vec::new();
    for kind in ResourceType::all().filter(|kind| !is_descriptive(*kind)) {
        // A view for each type, so that no writer waits for all of them.
        let view = app.store.view()?;
        let mut count = 0;
        for row in view.scan(key::current_range(kind)) {
            let (_, deleted) = read::parse_current(&row?.value)?;
            count += u64::from(!deleted);
            if count >= COUNTED {
                break;
            }
        }
        match count {
            0 => {}
            COUNTED => counts.push((format!("{kind} (at least)"), count)),
            _ => counts.push((kind.to_string(), count)),
        }
    }
    Ok(counts)
}
