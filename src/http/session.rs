//! Sessions of browsers: their cookies, and what keeps pages of other sites from using them.
//!
//! A cookie is sent by a browser whoever made it ask. So a request with a cookie that changes
//! something must say that it comes from a page of this server (`Sec-Fetch-Site`, `Origin`), and name
//! a text that only such a page has: in the header `X-CSRF-Token`, or in the field `csrf` of a form.
//! Source: <https://cheatsheetseries.owasp.org/cheatsheets/Cross-Site_Request_Forgery_Prevention_Cheat_Sheet.html>,
//! <https://www.w3.org/TR/fetch-metadata/>, <https://www.rfc-editor.org/rfc/rfc6265>.

use std::sync::Arc;

use actix_web::body::{BoxBody, MessageBody};
use actix_web::cookie::time::Duration;
use actix_web::cookie::{Cookie, SameSite};
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, web};
use sha2::{Digest, Sha256};

use crate::access::session::{Session, Sessions};
use crate::app::App;
use crate::config::Config;
use crate::error::Error;
use crate::fhir::Instant;
use crate::http::admit::{Needed, given};
use crate::http::extract::{self, Expected};
use crate::http::page::words_of;
use crate::http::{block, people};
use crate::page;

/// The header in which scripts of our pages send what only they have.
const CSRF: &str = "x-csrf-token";

/// The largest form that is read, in bytes.
const LARGEST: usize = 16 << 10;

/// A cookie of this server.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Jar {
    /// The session of a person.
    Session,
    /// A sign-in that has begun.
    SignIn,
    /// The reading of a letter by its recipient.
    Letter,
}

impl Jar {
    /// The name. Where clients come by TLS its prefix has browsers take the cookie from this host
    /// alone.
    fn name(self, config: &Config) -> String {
        let prefix = if config.is_secure() { "__Host-" } else { "" };
        let name = match self {
            Self::Session => "session",
            Self::SignIn => "sign-in",
            Self::Letter => "letter",
        };
        format!("{prefix}spondyl-{name}")
    }

    /// What the browser sent of it.
    pub(super) fn sent(self, app: &App, request: &HttpRequest) -> Option<String> {
        let cookie = request.cookie(&self.name(&app.config))?;
        Some(cookie.value().to_owned()).filter(|value| !value.is_empty())
    }

    /// The cookie with a value.
    pub(super) fn filled(self, app: &App, value: String) -> Cookie<'static> {
        let cookie = Cookie::build(self.name(&app.config), value)
            .path("/")
            .http_only(true)
            .secure(app.config.is_secure());
        // Who comes back from the issuer, or by a link in a message, is a visitor from another site.
        let cookie = cookie.same_site(match self {
            Self::Session | Self::SignIn => SameSite::Lax,
            Self::Letter => SameSite::Strict,
        });
        match self {
            Self::SignIn => cookie.max_age(Duration::seconds(super::sign_in::SECONDS)).finish(),
            Self::Session | Self::Letter => cookie.finish(),
        }
    }

    /// The cookie that makes the browser forget it.
    pub(super) fn emptied(self, app: &App) -> Cookie<'static> {
        let mut cookie = self.filled(app, String::new());
        cookie.make_removal();
        cookie
    }
}

/// The session that the request is of, held against what it does.
///
/// # Errors
/// [`Error::Unauthenticated`], [`Error::Foreign`], or a failure of the store.
pub(super) async fn of(
    app: &web::Data<App>,
    request: &HttpRequest,
    needed: Needed,
    now: Instant,
) -> Result<Arc<Session>, Error> {
    let Some(text) = Jar::Session.sent(app, request) else {
        return Err(Error::Unauthenticated("The request needs an access token."));
    };
    let over = || Error::Unauthenticated("The session has ended; sign in again.");
    let sessions = given::<Sessions>(request)?.clone();
    let found = sessions.find(&text, now)?.ok_or_else(over)?;
    if request.method().is_safe() {
        if !is_ours_or_a_visit(request) {
            return Err(Error::Foreign);
        }
    } else {
        from_here(app, request)?;
        if needed != Needed::Form {
            let sent = request.headers().get(CSRF).and_then(|text| text.to_str().ok());
            same(sent, &found.session)?;
        }
    }
    if found.is_due {
        let (app, user) = (app.clone(), found.session.access.user.clone());
        let held = block(move || {
            // Who has left the clinic meanwhile has no session any more.
            if !people::is_active(&app, user.as_ref())? {
                sessions.end(&text)?;
                return Ok(false);
            }
            Ok(sessions.touch(&text, now)?)
        });
        if !held.await? {
            return Err(over());
        }
    }
    Ok(found.session)
}

/// The fields of a form of one of our pages.
pub(super) struct Form(Vec<(String, String)>);

impl Form {
    /// Reads the form that a page of that session sent.
    ///
    /// # Errors
    /// [`Error::Foreign`], or what is wrong with the body.
    pub(super) async fn read(
        request: &HttpRequest,
        payload: web::Payload,
        session: &Session,
    ) -> Result<Self, Error> {
        let body = extract::body(request, payload, Expected::Form, LARGEST).await?;
        let form = Self(body.form()?.unwrap_or_default());
        same(form.field("csrf"), session)?;
        Ok(form)
    }

    /// The value of a field, without white space around it; none where it is missing or empty.
    pub(super) fn field(&self, name: &str) -> Option<&str> {
        let found = self.0.iter().find(|(own, _)| own == name).map(|(_, value)| value.trim());
        found.filter(|value| !value.is_empty())
    }
}

/// Whether the text is the one that only pages of that session have.
fn same(sent: Option<&str>, session: &Session) -> Result<(), Error> {
    // Digests, so that the time tells nothing.
    let digest = |text: &str| Sha256::digest(text.as_bytes());
    let is_same = sent.is_some_and(|sent| digest(sent) == digest(&session.csrf));
    if is_same { Ok(()) } else { Err(Error::Foreign) }
}

/// That the request was made by a page of this server. Browsers leave out the origin of a form where
/// pages send no referrer; they say then by `Sec-Fetch-Site` whose it is.
///
/// # Errors
/// [`Error::Foreign`].
pub(super) fn from_here(app: &App, request: &HttpRequest) -> Result<(), Error> {
    let sent = |name: &str| request.headers().get(name).map(|text| text.to_str().unwrap_or("?"));
    let is_ours = match (sent("sec-fetch-site"), sent("origin")) {
        (Some("same-origin"), None | Some("null")) => true,
        (Some("same-origin") | None, Some(origin)) => origin == own_origin(app, request),
        _ => false,
    };
    if is_ours { Ok(()) } else { Err(Error::Foreign) }
}

/// Whether it is not a page of another site that fetches or embeds: a link from there may be followed.
fn is_ours_or_a_visit(request: &HttpRequest) -> bool {
    let sent = |name: &str| request.headers().get(name).map(|text| text.to_str().unwrap_or("?"));
    match sent("sec-fetch-site") {
        Some("same-origin" | "none") | None => true,
        Some(_) => {
            sent("sec-fetch-mode") == Some("navigate")
                && sent("sec-fetch-dest").is_none_or(|dest| dest == "document")
        }
    }
}

/// The origin of the pages, such as `https://clinic.example`.
pub(super) fn own_origin(app: &App, request: &HttpRequest) -> String {
    let base = extract::base(app, request);
    let (scheme, rest) = base.split_once("://").unwrap_or(("http", &base));
    let host = rest.split('/').next().unwrap_or_default();
    format!("{scheme}://{host}")
}

/// A page as it is for whoever is signed in: with their name, the way to sign out, and what their
/// scripts send back.
pub(super) fn dressed(
    response: HttpResponse,
    session: &Session,
    request: &HttpRequest,
) -> HttpResponse {
    let kind = response.headers().get(header::CONTENT_TYPE);
    if !kind.is_some_and(|kind| kind.as_bytes().starts_with(b"text/html")) {
        return response;
    }
    let (response, body) = response.into_parts();
    let body = match body.try_into_bytes() {
        Ok(body) => body,
        Err(body) => return response.set_body(body),
    };
    let text = String::from_utf8_lossy(&body);
    let text = page::of_person(&text, &session.name, &session.csrf, words_of(request));
    let mut response = response.set_body(BoxBody::new(text));
    let policy = response.headers_mut().get_mut(header::CONTENT_SECURITY_POLICY);
    if let Some(policy) = policy
        && let Ok(text) = policy.to_str()
        && let Ok(wider) =
            HeaderValue::from_str(&text.replace("form-action 'none'", "form-action 'self'"))
    {
        *policy = wider;
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::Standard;
    use crate::store::MemoryStore;
    use actix_web::test::TestRequest;

    fn app(base: Option<&str>) -> App {
        let config = Config { base_url: base.map(str::to_owned), ..Config::default() };
        let standard = Arc::new(Standard::embedded().unwrap());
        App::on(config, Box::new(MemoryStore::new()), standard).unwrap()
    }

    /// Fetch, "append a request Origin header": a form of a page that sends no referrer has `null`.
    #[test]
    fn whose_page_asks() {
        let app = app(Some("https://clinic.example/fhir"));
        let own = "https://clinic.example";
        for (site, origin, good) in [
            (Some("same-origin"), Some(own), true),
            (Some("same-origin"), Some("null"), true),
            (Some("same-origin"), None, true),
            (None, Some(own), true),
            (None, None, false),
            (None, Some("null"), false),
            (None, Some("http://clinic.example"), false),
            (None, Some("https://clinic.example.evil.example"), false),
            (Some("same-origin"), Some("https://evil.example"), false),
            (Some("same-site"), Some(own), false),
            (Some("cross-site"), Some(own), false),
            (Some("none"), None, false),
            (Some("cross-site"), Some("null"), false),
        ] {
            let request = TestRequest::post();
            let request = match site {
                Some(site) => request.insert_header(("Sec-Fetch-Site", site)),
                None => request,
            };
            let request = match origin {
                Some(origin) => request.insert_header(("Origin", origin)),
                None => request,
            };
            let told = from_here(&app, &request.to_http_request());
            assert_eq!(told.is_ok(), good, "{site:?} {origin:?}");
        }
    }

    /// RFC 6265bis, section 4.1.3.2: a `__Host-` cookie is Secure, of the path `/`, without a domain.
    #[test]
    fn cookies_are_of_this_host_alone() {
        let secure = app(Some("https://clinic.example/fhir"));
        for jar in [Jar::Session, Jar::SignIn, Jar::Letter] {
            let cookie = jar.filled(&secure, "x".to_owned());
            assert!(cookie.name().starts_with("__Host-spondyl-"), "{cookie}");
            assert_eq!((cookie.secure(), cookie.http_only()), (Some(true), Some(true)));
            assert_eq!((cookie.path(), cookie.domain()), (Some("/"), None));
            assert!(cookie.same_site() != Some(SameSite::None));
            let plain = jar.filled(&app(None), "x".to_owned());
            assert!(plain.name().starts_with("spondyl-") && plain.secure() != Some(true));
            assert!(jar.emptied(&secure).to_string().contains("Max-Age=0"));
        }
    }
}
