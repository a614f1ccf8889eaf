//! Sign-in of people to the pages: `/sign-in` sends the browser to the issuer, `/sign-in/back` takes it
//! back with a session, `/sign-out` ends that.
//!
//! What is known of a sign-in until it comes back is kept by the browser, signed with a key that this
//! process alone has, so that nobody fills the store by beginning. Who comes back without it, with
//! another state, a second time or too late has no session.
//! Source: <https://openid.net/specs/openid-connect-core-1_0.html#CodeFlowAuth>,
//! <https://www.rfc-editor.org/rfc/rfc9700>, <https://www.rfc-editor.org/rfc/rfc9207>.

use std::io;
use std::sync::Arc;

use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation, decode, encode};

use crate::access::session::{Sessions, first_time};
use crate::access::{clauses, random};
use crate::app::App;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Instant, query};
use crate::http::admit::given;
use crate::http::extract;
use crate::http::format::Format;
use crate::http::happening::{Happening, happened};
use crate::http::issuer::{Known, Provider};
use crate::http::page::words_of;
use crate::http::people::{self, Person};
use crate::http::reply::{self, Policy};
use crate::http::route::{Answer, Call, Verb};
use crate::http::session::{Form, Jar, from_here, own_origin};
use crate::http::{block, now};
use crate::letter::catalogue::Catalogue;
use crate::outbound::Outbound;
use crate::page;
use crate::smart::sign_in::{Begun, Proven, Refused, verify};
use crate::smart::{Access, Context, Scope};

/// How long a sign-in may take, in seconds.
pub(super) const SECONDS: i64 = 600;

/// The longest path that is come back to.
const LONGEST: usize = 1000;

/// How people sign in, where they do.
pub(super) struct SignIn {
    provider: Provider,
    client: String,
    secret: Option<String>,
    scopes: Vec<Scope>,
    /// What signs a sign-in that has begun.
    key: String,
}

impl SignIn {
    /// By the settings of the application; none where there is no issuer.
    ///
    /// # Errors
    /// When the secret cannot be read, or what people may do cannot be understood.
    pub(super) fn of(app: &App) -> io::Result<Option<Self>> {
        let settings = &app.config.sign_in;
        let (Some(issuer), Some(client)) = (&settings.issuer, &settings.client) else {
            return Ok(None);
        };
        let secret = settings.secret_file.as_ref().map(|file| {
            only_for_owner(file)?;
            let text = std::fs::read_to_string(file);
            let text = text.map_err(|error| {
                io::Error::new(
                    error.kind(),
                    format!("the secret of sign-in in {}: {error}", file.display()),
                )
            })?;
            Ok::<_, io::Error>(text.trim().to_owned())
        });
        Ok(Some(Self {
            provider: Provider::new(issuer),
            client: client.clone(),
            secret: secret.transpose()?.filter(|secret| !secret.is_empty()),
            scopes: scopes(app, &settings.scopes)?,
            key: random(),
        }))
    }

    fn sealed(&self, begun: &Begun) -> Result<String, Error> {
        let key = EncodingKey::from_secret(self.key.as_bytes());
        let text = key.and_then(|key| encode(&Header::new(Algorithm::HS256), begun, &key));
        text.map_err(|error| Error::Internal(Box::new(error)))
    }

    /// What this process sealed, and has not ended.
    fn opened(&self, text: &str, now: Instant) -> Option<Begun> {
        let key = DecodingKey::from_secret(self.key.as_bytes()).ok()?;
        let mut validation = Validation::new(Algorithm::HS256);
        // Told by us below, against the time of the request.
        (validation.validate_exp, validation.validate_aud) = (false, false);
        let begun = decode::<Begun>(text, &key, &validation).ok()?.claims;
        Some(begun).filter(|begun| begun.exp.saturating_mul(1000) > now.millis())
    }
}

/// What people may do. All of it must be understood, so that nothing is lost by a misprint.
fn scopes(app: &App, text: &str) -> io::Result<Vec<Scope>> {
    let wrong = |word: &str| {
        let text = format!(
            "--sign-in-scopes: {word} is not a scope such as user/*.rs, of context user or system"
        );
        io::Error::new(io::ErrorKind::InvalidInput, text)
    };
    let held = app.held();
    let scopes = text.split_ascii_whitespace().map(|word| {
        let scope = Scope::parse(word).ok_or_else(|| wrong(word))?;
        let can_be_asked = match scope.kind {
            Some(kind) => clauses(&held.rules, kind, &scope).is_ok(),
            None => scope.criteria.is_empty(),
        };
        let is_good = can_be_asked && scope.context != Context::Patient;
        if is_good { Ok(scope) } else { Err(wrong(word)) }
    });
    scopes.collect()
}

/// Says so where others may read a file that has a secret.
fn only_for_owner(file: &std::path::Path) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if std::fs::metadata(file)?.permissions().mode() & 0o077 != 0 {
            tracing::warn!(file = %file.display(), "others than its owner may read the secret of sign-in");
        }
    }
    Ok(())
}

/// Why somebody has no session. The names are those of the words of the page.
enum Fault {
    /// No sign-in was begun in this browser, or too long ago, or it came back before.
    Begun,
    /// The issuer does not say who it is: it was broken off there, or refused.
    Denied,
    /// The issuer does not answer.
    Unreachable,
    /// What the issuer says cannot be believed.
    Unproven,
    /// The record knows no such person.
    Nobody,
    /// The server failed.
    Failed(Error),
}

impl Fault {
    fn row(&self) -> (u16, &'static str) {
        match self {
            Self::Begun => (400, "begun"),
            Self::Denied => (403, "denied"),
            Self::Unreachable => (503, "unreachable"),
            Self::Unproven => (403, "unproven"),
            Self::Nobody => (403, "nobody"),
            Self::Failed(_) => (500, "failed"),
        }
    }
}

impl From<Error> for Fault {
    fn from(error: Error) -> Self {
        Self::Failed(error)
    }
}

/// Whether who asks is a browser that can be sent to sign in.
pub(super) fn is_wanted(request: &HttpRequest, verb: Verb) -> bool {
    let can = given::<Option<SignIn>>(request).is_ok_and(|sign_in| sign_in.is_some());
    let has_token = request.headers().contains_key(header::AUTHORIZATION);
    can && verb == Verb::Get && !has_token && Format::is_page(request)
}

/// The way to sign in, and back to what was asked for.
pub(super) fn way(request: &HttpRequest) -> HttpResponse {
    let to = request.uri().path_and_query().map_or("/", |path| path.as_str());
    let mut pairs = vec![("to", local(to))];
    let language = words_of(request).language();
    if language != "en" {
        pairs.push(("language", language));
    }
    see(&format!("/sign-in?{}", query::encode(&pairs)))
}

/// A redirect with another request, which is a GET.
pub(super) fn see(location: &str) -> HttpResponse {
    reply::status(303).insert_header((header::LOCATION, location)).finish()
}

/// The path, if it leads to this server; else the first page.
fn local(path: &str) -> &str {
    let is_local = path.starts_with('/')
        && !path.starts_with("//")
        && !path.starts_with("/sign-")
        && path.len() <= LONGEST
        && path.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\');
    if is_local { path } else { "/" }
}

fn settings(request: &HttpRequest) -> Result<&SignIn, Error> {
    let text = "This server has no sign-in (--sign-in-issuer).";
    let found = given::<Option<SignIn>>(request)?.get_ref().as_ref();
    found.ok_or_else(|| Error::not_supported("http.url", text))
}

/// `GET /sign-in`.
pub(super) async fn begin(call: Call) -> Answer {
    let request = &call.request;
    let (sign_in, words) = (settings(request)?, words_of(request));
    let parameters = extract::parameters(request);
    let value = |name: &str| {
        let found = parameters.iter().find(|(own, _)| own == name);
        found.map(|(_, value)| value.as_str())
    };
    let outbound = given::<Outbound>(request)?;
    let known = match sign_in.provider.known() {
        Some((known, _)) => Some(known),
        None => sign_in.provider.read(outbound).await,
    };
    let endpoint = known.as_deref().and_then(|known| endpoint(known, "authorization_endpoint"));
    let Some(endpoint) = endpoint else {
        return Ok(refused(&call, &Fault::Unreachable, words));
    };
    let begun = Begun {
        state: random(),
        nonce: random(),
        verifier: random(),
        back: format!("{}/sign-in/back", own_origin(&call.app, request)),
        to: local(value("to").unwrap_or("/")).to_owned(),
        language: words.language().to_owned(),
        exp: now().millis() / 1000 + SECONDS,
    };
    let url = begun.url(&endpoint, &sign_in.client, value("again").is_some());
    let mut response = see(&url);
    keep(&mut response, &Jar::SignIn.filled(&call.app, sign_in.sealed(&begun)?))?;
    Ok(response)
}

/// A URL that the issuer names, which a browser may be sent to.
fn endpoint(known: &Known, name: &str) -> Option<String> {
    let url = known.told.at(name).as_str()?;
    let is_web = url.starts_with("https://") || url.starts_with("http://");
    (is_web && url.bytes().all(|byte| byte.is_ascii_graphic())).then(|| url.to_owned())
}

/// Adds a cookie to an answer.
pub(super) fn keep(
    response: &mut HttpResponse,
    cookie: &actix_web::cookie::Cookie<'_>,
) -> Result<(), Error> {
    response.add_cookie(cookie).map_err(|error| Error::Internal(Box::new(error)))
}

/// `GET /sign-in/back`.
pub(super) async fn back(call: Call) -> Answer {
    let (request, now) = (&call.request, now());
    let sign_in = settings(request)?;
    let sealed = Jar::SignIn.sent(&call.app, request);
    let begun = sealed.and_then(|text| sign_in.opened(&text, now));
    let words = begun.as_ref().and_then(|begun| Catalogue::of_language(&begun.language));
    let words = words.unwrap_or_else(|| words_of(request));
    let done = match begun {
        Some(begun) => come_back(&call, sign_in, &begun, now).await.map(|text| (text, begun.to)),
        None => Err(Fault::Begun),
    };
    let mut response = match done {
        Ok((text, to)) => {
            let mut response = see(local(&to));
            keep(&mut response, &Jar::Session.filled(&call.app, text))?;
            response
        }
        Err(Fault::Failed(error)) => return Err(error),
        Err(fault) => refused(&call, &fault, words),
    };
    keep(&mut response, &Jar::SignIn.emptied(&call.app))?;
    Ok(response)
}

fn refused(call: &Call, fault: &Fault, words: &Catalogue) -> HttpResponse {
    let (status, reason) = fault.row();
    happened(&call.request, &Happening::SignInRefused(reason));
    reply::page_of(status, page::sign_in_refused(reason, words), Policy::Reading)
}

/// The text of the session that comes of it.
async fn come_back(
    call: &Call,
    sign_in: &SignIn,
    begun: &Begun,
    now: Instant,
) -> Result<String, Fault> {
    let parameters = extract::parameters(&call.request);
    let value = |name: &str| {
        let mut found = parameters.iter().filter(|(own, _)| own == name);
        let one = found.next().map(|(_, value)| value.as_str());
        one.filter(|_| found.next().is_none())
    };
    if value("state") != Some(begun.state.as_str()) {
        return Err(Fault::Begun);
    }
    let (app, state) = (call.app.clone(), begun.state.clone());
    let ends = Instant::from_millis(begun.exp.saturating_mul(1000));
    let is_first = block(move || Ok(first_time(&*app.store, &state, now, ends)?));
    if !is_first.await? {
        return Err(Fault::Begun);
    }
    // Another issuer's answer to a request of ours (RFC 9207).
    if value("iss").is_some_and(|iss| iss.trim_end_matches('/') != sign_in.provider.url) {
        return Err(Fault::Unproven);
    }
    let code = value("code").ok_or(Fault::Denied)?;
    let proven = proven(call, sign_in, begun, code, now).await?;
    let base = extract::base(&call.app, &call.request);
    let (app, issuer) = (call.app.clone(), sign_in.provider.url.clone());
    let person = block(move || people::find(&app, &issuer, &proven, &base, now)).await?;
    let person = person.ok_or(Fault::Nobody)?;
    begin_session(call, access(&person, &sign_in.scopes), person.name, now).await
}

/// What that person may do.
fn access(person: &Person, scopes: &[Scope]) -> Access {
    let (kind, id) = &person.resource;
    // No client that is registered has a slash in its id.
    let client = format!("person/{id}");
    Access { client, scopes: scopes.to_vec(), patient: None, user: Some((*kind, id.clone())) }
}

/// Begins a session, and ends the one that the browser had before.
async fn begin_session(
    call: &Call,
    access: Access,
    name: String,
    now: Instant,
) -> Result<String, Fault> {
    let sessions = given::<Sessions>(&call.request)?.clone();
    let before = Jar::Session.sent(&call.app, &call.request);
    let access = Arc::new(access);
    let own = Arc::clone(&access);
    let begun = block(move || {
        if let Some(before) = before {
            sessions.end(&before)?;
        }
        Ok(sessions.begin(&own, &name, now)?)
    });
    let text = begun.await?;
    happened(&call.request, &Happening::SignedIn(&access));
    Ok(text)
}

/// Whom the issuer proves for that code.
async fn proven(
    call: &Call,
    sign_in: &SignIn,
    begun: &Begun,
    code: &str,
    now: Instant,
) -> Result<Proven, Fault> {
    let outbound = given::<Outbound>(&call.request)?;
    let known = match sign_in.provider.known() {
        Some((known, _)) => Some(known),
        None => sign_in.provider.read(outbound).await,
    };
    let known = known.ok_or(Fault::Unreachable)?;
    let token = known.told.at("token_endpoint").as_str().ok_or(Fault::Unreachable)?;
    let (fields, secret) = exchange(sign_in, begun, code, &known);
    let secret = secret.as_ref().map(|(name, password)| (name.as_str(), password.as_str()));
    let answer = outbound.form(token, fields, secret).await.map_err(|error| {
        tracing::warn!(%error, "the issuer of sign-in gives no tokens");
        if matches!(error, crate::outbound::Error::Status(400..500)) {
            Fault::Denied
        } else {
            Fault::Unreachable
        }
    })?;
    let text = answer.at("id_token").as_str().ok_or(Fault::Unproven)?;
    let issuer = (sign_in.provider.url.as_str(), sign_in.client.as_str());
    let believed = |known: &Known| verify(text, issuer, &begun.nonce, &known.keys, now);
    let may_read = sign_in.provider.known().is_some_and(|(_, may_read)| may_read);
    let proven = match believed(&known) {
        // The issuer may have a new key.
        Err(Refused::Key) if may_read => {
            believed(&*sign_in.provider.read(outbound).await.ok_or(Fault::Unreachable)?)
        }
        proven => proven,
    };
    proven.map_err(|error| {
        tracing::warn!(%error, "an ID token is not believed");
        Fault::Unproven
    })
}

/// The form by which a code becomes tokens, and how this server proves there who it is: by a password
/// where it has one (RFC 6749, section 2.3.1), by the verifier in any case.
fn exchange(
    sign_in: &SignIn,
    begun: &Begun,
    code: &str,
    known: &Known,
) -> (String, Option<(String, String)>) {
    let methods = known.told.at("token_endpoint_auth_methods_supported").as_array();
    let has = |name: &str| methods.is_none_or(|all| all.iter().any(|own| own == name));
    let by_form = !has("client_secret_basic") && has("client_secret_post");
    let mut pairs = vec![
        ("grant_type", "authorization_code"),
        ("code", code),
        ("redirect_uri", &begun.back),
        ("code_verifier", &begun.verifier),
    ];
    let basic = match &sign_in.secret {
        Some(secret) if !by_form => Some((escaped(&sign_in.client), escaped(secret))),
        Some(secret) => {
            pairs.extend([("client_id", sign_in.client.as_str()), ("client_secret", secret)]);
            None
        }
        None => {
            pairs.push(("client_id", &sign_in.client));
            None
        }
    };
    (query::encode(&pairs), basic)
}

/// Text as it stands in a form.
fn escaped(text: &str) -> String {
    let pair = query::encode(&[(text, "")]);
    // A colon is what parts the two.
    pair.strip_suffix('=').unwrap_or(&pair).replace(':', "%3A")
}

/// `POST /sign-out`.
pub(super) async fn end(call: Call, payload: web::Payload) -> Answer {
    let (request, now) = (&call.request, now());
    let words = words_of(request);
    let sessions = given::<Sessions>(request)?.clone();
    if let Some(text) = Jar::Session.sent(&call.app, request)
        && let Some(found) = sessions.find(&text, now)?
    {
        from_here(&call.app, request)?;
        Form::read(request, payload, &found.session).await?;
        block(move || Ok(sessions.end(&text)?)).await?;
        happened(request, &Happening::SignedOut(&found.session.access));
    }
    let mut response = reply::page(page::signed_out(words), Policy::Reading);
    keep(&mut response, &Jar::Session.emptied(&call.app))?;
    // Drafts of forms go too: the next person at this screen may be another.
    let all = HeaderValue::from_static("\"storage\"");
    response.headers_mut().insert(header::HeaderName::from_static("clear-site-data"), all);
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_paths_of_this_server_are_come_back_to() {
        for path in ["/", "/episodes/e?language=de", "/fhir/Patient/1"] {
            assert_eq!(local(path), path);
        }
        let long = format!("/{}", "x".repeat(LONGEST));
        for path in [
            "//evil.example",
            "/\\evil.example",
            "https://evil.example",
            "",
            "evil",
            "/a b",
            "/a\nb",
            "/sign-in",
            "/sign-out",
            &long,
        ] {
            assert_eq!(local(path), "/", "{path}");
        }
    }

    /// RFC 6749, section 2.3.1 with appendix B: name and password are encoded like a form.
    #[test]
    fn names_and_passwords_are_escaped() {
        assert_eq!(escaped("a"), "a");
        assert_eq!(escaped("a:b="), "a%3Ab%3D");
    }
}
