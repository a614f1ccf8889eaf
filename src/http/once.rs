//! Requests with an `Idempotency-Key`: carried out once, however often they are sent.
//!
//! Who repeats a request that was carried out, with the same key and the same content, within 24
//! hours, gets the same answer, also after a crash; with other content 422, and while it is at work 409. What is
//! refused writes nothing and is not kept: it may be sent again, mended or not, under the same key.
//! How that holds over a crash is told in [`crate::repository::once`].
//! Source: draft-ietf-httpapi-idempotency-key-header-07 (number from memory).

use std::cell::OnceCell;
use std::collections::HashSet;
use std::sync::{Arc, Mutex, PoisonError};

use actix_web::body::to_bytes;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::{FromRequest, HttpRequest, HttpResponse, dev, web};
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Instant, Issue, IssueType};
use crate::http::admit::given;
use crate::http::dispatch::{Asked, carry_out};
use crate::http::extract;
use crate::http::flight::FLIGHTS;
use crate::http::route::Answer;
use crate::http::{block, now};
use crate::repository;
use crate::repository::once::{Digest, Holding, Known, Name, Once};
use crate::store::{self, Store};

const HEADER: &str = "Idempotency-Key";
/// The longest key that is taken, in bytes.
const LONGEST: usize = 255;
/// How often a request is carried out anew when others were faster.
const TRIES: usize = 3;

/// The key of a request, if it has one.
///
/// # Errors
/// [`Error::Request`] for a key that is none.
pub(super) fn key(request: &HttpRequest) -> Result<Option<String>, Error> {
    let mut sent = request.headers().get_all(HEADER);
    let Some(value) = sent.next() else { return Ok(None) };
    let text = value.to_str().ok().map(str::trim).filter(|_| sent.next().is_none());
    // A string of a structured field (RFC 8941, 3.3.3); without its quotes it is taken too.
    let quoted = |text: &str| text.strip_prefix('"')?.strip_suffix('"').map(str::to_owned);
    let text = text.and_then(|text| quoted(text).or_else(|| Some(text.to_owned())));
    let is_plain = |text: &String| {
        (1..=LONGEST).contains(&text.len())
            && text.bytes().all(|byte| (b' '..=b'~').contains(&byte) && !b"\"\\".contains(&byte))
    };
    let rule = "The key is one text of 1 to 255 printable characters in quotes.";
    text.filter(is_plain).map(Some).ok_or_else(|| Error::request(place(), rule))
}

fn place() -> String {
    format!("http.{HEADER}")
}

/// The requests with a key that are at work.
#[derive(Default)]
pub(super) struct AtWork(Mutex<HashSet<Name>>);

impl AtWork {
    fn lock(&self) -> std::sync::MutexGuard<'_, HashSet<Name>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A request with a key, as far as it is.
pub(super) struct Keyed {
    key: String,
    asked: Digest,
    now: Instant,
    store: Arc<dyn Store>,
    holding: Arc<Holding>,
    at_work: web::Data<AtWork>,
    /// Its name, from when it is at work.
    name: OnceCell<Name>,
}

impl Drop for Keyed {
    fn drop(&mut self) {
        if let Some(name) = self.name.get() {
            self.at_work.lock().remove(name);
        }
    }
}

/// Carries out a request with that key, unless that was done before.
pub(super) async fn once(
    app: web::Data<App>,
    request: HttpRequest,
    payload: web::Payload,
    key: String,
    wanted: Asked<'_>,
) -> Answer {
    let body = extract::raw(&request, payload, app.config.max_bundle).await?;
    let asked = asked(&request, &body);
    // Its resources bear the time at which it came.
    let now = now();
    let _at_work = FLIGHTS.begin(now);
    for _ in 0..TRIES {
        let holding = Arc::new(Holding::over(Arc::clone(&app.store)));
        let held: Arc<dyn Store> = Arc::clone(&holding) as Arc<dyn Store>;
        let keyed = Keyed {
            key: key.clone(),
            asked,
            now,
            store: Arc::clone(&app.store),
            holding,
            at_work: given::<AtWork>(&request)?.clone(),
            name: OnceCell::new(),
        };
        let mut again = dev::Payload::from(body.clone());
        let payload = web::Payload::from_request(&request, &mut again).await;
        let payload = payload.map_err(|_| Error::Unreadable)?;
        let over = web::Data::new(app.over(held));
        let response = carry_out(over, request.clone(), payload, wanted, Some(&keyed)).await?;
        match keyed.finish(response).await {
            Err(Error::Repository(repository::Error::Store(store::Error::Conflict)))
                if !keyed.holding.is_begun() => {}
            done => return done,
        }
    }
    Err(Error::Conflict)
}

impl Keyed {
    /// Whoever asks is known, and what they may do: the answer, if there is one already.
    ///
    /// # Errors
    /// 422 where the key is another request's, 409 while the same is at work, or where its answer
    /// was lost.
    pub(super) async fn begin(&self, app: &App) -> Result<Option<HttpResponse>, Error> {
        let client = app.access.as_ref().map(|access| access.client.as_str());
        let name = Name::of(client, &self.key);
        if !self.at_work.lock().insert(name.clone()) {
            return Err(standing("The request with this key is at work; ask again later."));
        }
        // Asked once for each of these.
        let name = self.name.get_or_init(|| name).clone();
        let once = Once { name, asked: self.asked, now: self.now };
        let (store, asked) = (Arc::clone(&self.store), once.clone());
        let known = block(move || Ok(asked.find(&*store.view()?)?)).await?;
        match known {
            Known::New(seen) => {
                self.holding.begin(once, seen);
                Ok(None)
            }
            Known::Answered(kept) => Kept::read(&kept).map(Some),
            Known::Other => {
                let text = "The key was used for another request; a new request needs a new key.";
                let issue = Issue::error(IssueType::BusinessRule, text).at(place());
                Err(Error::Invalid(vec![issue]))
            }
            Known::Unanswered => Err(standing(
                "The request with this key was carried out before, in whole or in part; its answer was lost. \
                 Look at what is stored before you send it under a new key.",
            )),
        }
    }

    /// Writes what was held back together with the answer, unless that was there already.
    async fn finish(&self, response: HttpResponse) -> Answer {
        if !response.status().is_success() || !self.holding.is_new() {
            return Ok(response);
        }
        let holding = Arc::clone(&self.holding);
        let (head, body) = response.into_parts();
        let body =
            to_bytes(body).await.map_err(|_| Error::Internal("an answer has no end".into()))?;
        let kept = Kept::of(head.status(), head.headers(), &body)?;
        let answer = kept.clone();
        block(move || Ok(holding.finish(&answer)?)).await?;
        Kept::read(&kept)
    }
}

fn standing(text: &str) -> Error {
    Error::Standing(Issue::error(IssueType::Conflict, text).at(place()))
}

/// The digest of what a request asks: verb, URL, conditions, body.
fn asked(request: &HttpRequest, body: &[u8]) -> Digest {
    let url = request.uri().path_and_query().map_or("", |url| url.as_str());
    let conditions = [header::CONTENT_TYPE, header::IF_MATCH, IF_NONE_EXIST];
    let conditions = conditions
        .iter()
        .map(|name| request.headers().get(name).map_or([].as_slice(), HeaderValue::as_bytes));
    let parts = [request.method().as_str().as_bytes(), url.as_bytes()];
    let mut digest = Sha256::new();
    for part in parts.into_iter().chain(conditions).chain([body]) {
        digest.update(part.len().to_be_bytes());
        digest.update(part);
    }
    digest.finalize().into()
}

const IF_NONE_EXIST: HeaderName = HeaderName::from_static("if-none-exist");

/// An answer as it is kept: this as JSON, a line end, the body.
#[derive(Serialize, Deserialize)]
struct Kept {
    status: u16,
    headers: Vec<(String, String)>,
}

impl Kept {
    fn of(status: StatusCode, headers: &header::HeaderMap, body: &[u8]) -> Result<Vec<u8>, Error> {
        let text = |(name, value): (&HeaderName, &HeaderValue)| {
            Some((name.as_str().to_owned(), value.to_str().ok()?.to_owned()))
        };
        let headers = headers.iter().filter_map(text).collect();
        let head = serde_json::to_vec(&Self { status: status.as_u16(), headers });
        let head = head.map_err(|error| Error::Internal(error.into()))?;
        Ok([head.as_slice(), b"\n", body].concat())
    }

    fn read(bytes: &[u8]) -> Answer {
        let damaged = || Error::Internal("an answer that was kept cannot be read".into());
        let at = bytes.iter().position(|byte| *byte == b'\n').ok_or_else(damaged)?;
        let (head, body) = bytes.split_at_checked(at).ok_or_else(damaged)?;
        let head: Self = serde_json::from_slice(head).map_err(|_| damaged())?;
        let status = StatusCode::from_u16(head.status).map_err(|_| damaged())?;
        let mut builder = HttpResponse::build(status);
        for (name, value) in head.headers {
            builder.append_header((name, value));
        }
        Ok(builder.body(body.get(1..).unwrap_or_default().to_vec()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn keys() {
        for (sent, expected) in [
            (vec![], Ok(None)),
            (
                vec!["\"8e03978e-40d5-43dd-bc93-6894a57f9324\""],
                Ok(Some("8e03978e-40d5-43dd-bc93-6894a57f9324")),
            ),
            (vec!["plain"], Ok(Some("plain"))),
            (vec!["\"\""], Err(())),
            (vec![""], Err(())),
            (vec!["\"a"], Err(())),
            (vec!["\"a\"b\""], Err(())),
            (vec!["\"a\"", "\"b\""], Err(())),
        ] {
            let request = sent.iter().fold(TestRequest::post(), |request, value| {
                request.append_header((HEADER, *value))
            });
            let found = key(&request.to_http_request()).map_err(|_| ());
            assert_eq!(found, expected.map(|key| key.map(str::to_owned)), "{sent:?}");
        }
        let long = "x".repeat(LONGEST + 1);
        let request = TestRequest::post().append_header((HEADER, long)).to_http_request();
        assert!(key(&request).is_err());
    }
}
