//! Links to one letter for a named recipient: made and ended from the page of the letters, opened
//! below `/shared`.
//!
//! `GET /shared/{token}` shows a page with a button and spends nothing, for messages are read by
//! programs that follow links. The button opens: that is one use, and the browser gets a cookie by
//! which it reads that letter for a while. What is read is read by the grant of the link, through the
//! same guarded store as everything that a token permits. What cannot be opened looks the same
//! whatever the reason, and tells of nobody.

use std::str::FromStr;

use actix_web::HttpRequest;
use actix_web::http::header;
use actix_web::{HttpResponse, web};

use crate::access::link::{Found, Link, Links};
use crate::access::narrow;
use crate::access::session::Session;
use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Issue, IssueType, Reference, Resource};
use crate::http::admit::given;
use crate::http::format::{Format, Media};
use crate::http::happening::{Happening, happened};
use crate::http::page::{words, words_of};
use crate::http::reply::{self, Policy};
use crate::http::route::{Answer, Call};
use crate::http::session::{Form, Jar, own_origin};
use crate::http::sign_in::{keep, see};
use crate::http::{binary, block, now};
use crate::interaction::precondition::Preconditions;
use crate::interaction::read;
use crate::letter::catalogue::Catalogue;
use crate::letter::filed::{Filed, Standing};
use crate::operation::letters;
use crate::page::{self, SharedLetter, SharedLink};
use crate::repository::Stored;
use crate::smart::Action;

/// The longest name of a recipient, in characters.
const LONGEST: usize = 200;
/// For how many days a link may open.
const DAYS: std::ops::RangeInclusive<u32> = 1..=30;
/// How often a link may be used.
const USES: std::ops::RangeInclusive<u32> = 1..=20;
const DAY: i64 = 24 * 60 * 60 * 1000;

/// The session of who works with links: a program with a token has no pages.
fn session(call: &Call) -> Result<&Session, Error> {
    let text = "Links to letters are made by people who have signed in.";
    call.session.as_deref().ok_or_else(|| Error::not_supported("http.url", text))
}

/// `POST /episodes/{id}/letters/{letter}/links`.
pub(super) async fn make(call: Call, episode: Id, letter: Id, payload: web::Payload) -> Answer {
    let (words, now) = (words(&call)?, now());
    let session = session(&call)?;
    let form = Form::read(&call.request, payload, session).await?;
    let recipient = recipient(&form)?;
    let days = number(&form, "days", DAYS)?;
    let most = number(&form, "uses", USES)?;
    let user = session.access.user.as_ref();
    let by = user.map(|(kind, id)| format!("{kind}/{id}")).unwrap_or_default();
    let by = (by, session.name.clone());
    let (app, links, own) =
        (call.app.clone(), given::<Links>(&call.request)?.clone(), episode.clone());
    let made = block(move || {
        let filed = signed(&app, &own, &letter, now)?;
        let link = Link {
            recipient,
            letter: letter.to_string(),
            parts: parts(&filed),
            language: filed.language,
            made: now.millis(),
            by,
            ends: now.millis().saturating_add(i64::from(days) * DAY),
            most,
            uses: Vec::new(),
            revoked: None,
        };
        Ok(links.make(&link, now)?)
    });
    let (text, found) = made.await?;
    happened(&call.request, &Happening::LinkMade(&session.access, &found));
    let language = found.link.language.as_deref().and_then(Catalogue::of_language);
    let language = language.map(asking).unwrap_or_default();
    let url = format!("{}/shared/{text}{language}", own_origin(&call.app, &call.request));
    let shown = shown(&found, now);
    let page = page::link_made(episode.as_str(), &url, &shown, words);
    Ok(reply::page_of(201, page, Policy::Reading))
}

/// The name of who gets the letter.
fn recipient(form: &Form) -> Result<String, Error> {
    let text = "The name of the recipient has 1 to 200 characters, in one line.";
    let name = form
        .field("recipient")
        .filter(|name| name.chars().count() <= LONGEST && !name.chars().any(char::is_control));
    name.map(str::to_owned).ok_or_else(|| Error::request("http.recipient", text))
}

fn number(form: &Form, name: &str, range: std::ops::RangeInclusive<u32>) -> Result<u32, Error> {
    let number = form.field(name).and_then(|text| u32::from_str(text).ok());
    number.filter(|number| range.contains(number)).ok_or_else(|| {
        let text = format!("A whole number from {} to {}.", range.start(), range.end());
        Error::request(format!("http.{name}"), text)
    })
}

/// The letter of that episode, if it is signed and not replaced.
fn signed(app: &App, episode: &Id, letter: &Id, now: Instant) -> Result<Filed, Error> {
    let all = letters::letters(app, episode, now)?.filed;
    let found = all.into_iter().find(|filed| filed.letter.target().id == letter.as_str());
    let filed = found.ok_or(Error::NotFound)?;
    if filed.standing == Standing::Signed {
        return Ok(filed);
    }
    let text = "Only a signed letter that no later one has replaced can be shared.";
    Err(Error::Standing(Issue::error(IssueType::BusinessRule, text)))
}

/// The resources of a letter.
fn parts(filed: &Filed) -> Vec<String> {
    let forms = filed.forms.iter();
    let forms = forms.flat_map(|form| [Some(&form.reference), form.held_by.as_ref()]);
    let all = [Some(filed.letter.target())].into_iter().chain(forms).flatten();
    all.map(ToString::to_string).collect()
}

/// `POST /episodes/{id}/letters/{letter}/links/{link}`: ends it.
pub(super) async fn end(
    call: Call,
    (episode, letter): (Id, Id),
    link: String,
    payload: web::Payload,
) -> Answer {
    let (words, now) = (words(&call)?, now());
    let session = session(&call)?;
    Form::read(&call.request, payload, session).await?;
    let (app, links) = (call.app.clone(), given::<Links>(&call.request)?.clone());
    let (own, of) = (episode.clone(), letter.clone());
    let ended = block(move || {
        // Who may see the letter may end a link to it.
        let all = letters::letters(&app, &own, now)?.filed;
        let is_seen = all.iter().any(|filed| filed.letter.target().id == of.as_str());
        let ended = if is_seen { links.revoke(&of, &link, now)? } else { None };
        ended.ok_or(Error::NotFound)
    });
    let ended = ended.await?;
    happened(&call.request, &Happening::LinkEnded(&session.access, &ended));
    Ok(see(&format!("/episodes/{episode}/letters{}#{letter}", asking(words))))
}

/// The links to each of the letters, as the page shows them.
pub(super) fn of_letters(
    links: &Links,
    filed: &[Filed],
    now: Instant,
) -> Result<Vec<(String, Vec<SharedLink>)>, Error> {
    let each = filed.iter().map(|filed| {
        let letter = &filed.letter.target().id;
        let all = Id::parse(letter).map(|id| links.all(&id)).transpose()?.unwrap_or_default();
        Ok((letter.clone(), all.iter().map(|found| shown(found, now)).collect()))
    });
    each.collect()
}

fn shown(found: &Found, now: Instant) -> SharedLink {
    let at = Instant::from_millis;
    let Found { id, link } = found;
    SharedLink {
        id: id.clone(),
        recipient: link.recipient.clone(),
        by: link.by.1.clone(),
        made: at(link.made),
        ends: at(link.ends),
        most: link.most,
        uses: link.uses.iter().copied().map(at).collect(),
        state: match link.over(now) {
            None => "open",
            Some(over) => over.code(),
        },
    }
}

/// What is told of a link that opens nothing.
fn gone(request: &HttpRequest, words: &Catalogue) -> HttpResponse {
    happened(request, &Happening::LinkRefused);
    reply::page_of(410, page::link_gone(words), Policy::Reading)
}

/// The words of the letter, unless others are asked for.
fn words_for(request: &HttpRequest, link: &Link) -> &'static Catalogue {
    let is_asked = request.query_string().contains("language=");
    let own = link.language.as_deref().filter(|_| !is_asked);
    own.and_then(Catalogue::of_language).unwrap_or_else(|| words_of(request))
}

/// The query that asks for a page in those words; none for English, in which pages are anyway.
fn asking(words: &Catalogue) -> String {
    match words.language() {
        "en" => String::new(),
        language => format!("?language={language}"),
    }
}

/// `GET /shared/{token}`: what it is, and the button that opens it.
pub(super) fn first(call: &Call, token: &str) -> Answer {
    let request = &call.request;
    let links = given::<Links>(request)?;
    Ok(match links.find(token, now())? {
        None => gone(request, words_of(request)),
        Some(found) => {
            let (shown, words) = (shown(&found, now()), words_for(request, &found.link));
            reply::page(page::link_first(&shown, words), Policy::Asking)
        }
    })
}

/// `POST /shared/{token}`: one use of it.
pub(super) async fn open(call: Call, token: &str) -> Answer {
    let request = &call.request;
    let (links, text) = (given::<Links>(request)?.clone(), token.to_owned());
    let opened = block(move || Ok(links.open(&text, now())?)).await?;
    let Some((reading, found)) = opened else { return Ok(gone(request, words_of(request))) };
    happened(request, &Happening::LinkOpened(&found));
    let words = words_for(request, &found.link);
    let mut response = see(&format!("/shared{}", asking(words)));
    keep(&mut response, &Jar::Letter.filled(&call.app, reading))?;
    Ok(response)
}

/// The link that this browser has opened, and the application as it is for whoever did.
fn opened(call: &Call) -> Result<Option<(Found, App)>, Error> {
    let Some(reading) = Jar::Letter.sent(&call.app, &call.request) else { return Ok(None) };
    let found = given::<Links>(&call.request)?.read(&reading, now())?;
    Ok(found.map(|found| {
        let access = found.link.access(&found.id);
        let app = narrow(&call.app, &access, &[Action::Read]);
        (found, app)
    }))
}

fn stored(app: &App, part: &str) -> Result<Stored, Error> {
    let reference = Reference::parse(part);
    let (kind, id) = reference.target().ok_or(Error::NotFound)?;
    read::read(&*app.store.view()?, kind, id)
}

/// The letter as it stands now.
fn filed(app: &App, link: &Link) -> Result<Filed, Error> {
    let content = |part: &String| -> Result<Resource, Error> {
        stored(app, part)?.content()?.ok_or(Error::NotFound)
    };
    let of = |kind: &'static str| link.parts.iter().filter(move |part| part.starts_with(kind));
    let letter = of("Composition/").next().ok_or(Error::NotFound)?;
    let references = of("DocumentReference/").map(content).collect::<Result<Vec<_>, _>>()?;
    Filed::of(&content(letter)?, &references, &[]).ok_or(Error::NotFound)
}

/// `GET /shared`: the letter for its recipient.
pub(super) async fn letter(call: Call) -> Answer {
    let request = &call.request;
    let Some((found, app)) = opened(&call)? else { return Ok(gone(request, words_of(request))) };
    let words = words_for(request, &found.link);
    let shown = shown(&found, now());
    let page = block(move || {
        let filed = filed(&app, &found.link)?;
        let letter = SharedLetter {
            title: &filed.title,
            language: filed.language.as_deref(),
            moment: filed.moment,
            is_replaced: filed.standing == Standing::Superseded,
            forms: FORMS
                .iter()
                .filter(|(_, media)| filed.form(media).is_some())
                .map(|(name, _)| *name)
                .collect(),
        };
        Ok(page::shared_letter(&shown, &letter, words))
    });
    Ok(reply::page(page.await?, Policy::Reading))
}

/// The forms of a letter by the names that they have here.
const FORMS: [(&str, &str); 3] =
    [("page", "text/html"), ("pdf", "application/pdf"), ("document", "application/fhir+json")];

/// `GET /shared/letter/{form}`.
pub(super) async fn form(call: Call, name: &str) -> Answer {
    let request = &call.request;
    let Some((found, app)) = opened(&call)? else { return Ok(gone(request, words_of(request))) };
    let known = FORMS.iter().find(|(own, _)| *own == name);
    let (name, media) = known.copied().ok_or(Error::UnknownRoute)?;
    let link = found.link.clone();
    let held = block(move || {
        let filed = filed(&app, &link)?;
        let form =
            filed.form(media).and_then(|form| form.held_by.as_ref()).ok_or(Error::NotFound)?;
        stored(&app, &form.to_string())
    });
    let held = held.await?;
    happened(request, &Happening::LetterRead(&found, name));
    if binary::is(held.kind) {
        return binary::shown(&held, &Preconditions::default());
    }
    let format = Format { media: Media::FhirJson, ..Format::PLAIN };
    let mut response = reply::json_bytes(reply::status(200), held.body.unwrap_or_default(), format);
    let name = header::HeaderValue::from_static("attachment; filename=\"letter.json\"");
    response.headers_mut().insert(header::CONTENT_DISPOSITION, name);
    Ok(response)
}
