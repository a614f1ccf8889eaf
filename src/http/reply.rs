//! From values to answers: status, headers, body.
//!
//! A resource goes out as the bytes it is stored as; only `_pretty` and XML print it anew. Errors are
//! `OperationOutcome`s. Source: <http://hl7.org/fhir/R4/http.html#Status-Codes>,
//! <http://hl7.org/fhir/R4/http.html#versioning>, <http://hl7.org/fhir/R4/http.html#prefer>.

use std::sync::LazyLock;
use std::time::{Duration, SystemTime};

use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderName, HeaderValue, HttpDate, TryIntoHeaderValue};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder, ResponseError};
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::bundle::Bundle;
use crate::fhir::outcome::operation_outcome;
use crate::fhir::{Instant, Issue, hex, json};
use crate::http::format::{Format, Media};
use crate::http::prefer::{Prefer, applied};
use crate::interaction::precondition::{Preconditions, etag};
use crate::interaction::{Done, Return};
use crate::letter::catalogue::Catalogue;
use crate::letter::layout::style_source;
use crate::repository::Stored;
use crate::{page, xml};

/// What a page may load: its own style, which is known by its digest; a form besides the script of
/// this server, which may talk to this server.
/// Source: <https://www.w3.org/TR/CSP2/>.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Policy {
    /// A page to be read.
    Reading,
    /// A page with the script of a form.
    Form,
    /// A page with a form that asks this server by its address.
    Asking,
}

impl Policy {
    fn value(self) -> &'static HeaderValue {
        static READING: LazyLock<HeaderValue> = LazyLock::new(|| policy("", "'none'"));
        static FORM: LazyLock<HeaderValue> =
            LazyLock::new(|| policy("script-src 'self'; connect-src 'self'; ", "'none'"));
        static ASKING: LazyLock<HeaderValue> = LazyLock::new(|| policy("", "'self'"));
        match self {
            Self::Reading => &READING,
            Self::Form => &FORM,
            Self::Asking => &ASKING,
        }
    }
}

fn policy(more: &str, form_action: &str) -> HeaderValue {
    let style = style_source();
    let text = format!(
        "default-src 'none'; style-src {style}; {more}base-uri 'none'; form-action {form_action}; \
         frame-ancestors 'none'"
    );
    // Made of constants and a digest in base64; were it ever no header, nothing may be loaded.
    let nothing = HeaderValue::from_static("default-src 'none'");
    HeaderValue::from_str(&text).unwrap_or(nothing)
}

/// A page for people.
pub(super) fn page(page: String, policy: Policy) -> HttpResponse {
    html(status(200), page, policy)
}

/// The same with another status than that of success.
pub(super) fn page_of(code: u16, page: String, policy: Policy) -> HttpResponse {
    html(status(code), page, policy)
}

fn html(mut builder: HttpResponseBuilder, page: String, policy: Policy) -> HttpResponse {
    builder.insert_header((header::CONTENT_SECURITY_POLICY, policy.value().clone()));
    builder.insert_header((header::CROSS_ORIGIN_OPENER_POLICY, "same-origin"));
    builder.insert_header((header::CROSS_ORIGIN_RESOURCE_POLICY, "same-origin"));
    builder.insert_header((header::CONTENT_TYPE, Media::Html.content_type())).body(page)
}

const PREFERENCE_APPLIED: HeaderName = HeaderName::from_static("preference-applied");

/// A builder for an answer with that status.
pub(super) fn status(code: u16) -> HttpResponseBuilder {
    // Statuses come from the tables of this program; each is a legal one.
    HttpResponse::build(StatusCode::from_u16(code).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR))
}

/// The answer to a read of that version, which may be that the client has it already.
pub(super) fn read(stored: Stored, format: Format, known: &Preconditions) -> HttpResponse {
    let mut builder = status(if known.is_known(&stored) { 304 } else { 200 });
    version_headers(&mut builder, &stored);
    if known.is_known(&stored) {
        return builder.finish();
    }
    json_bytes(builder, stored.body.unwrap_or_default(), format)
}

/// The content of that version as it is, or that the client has it already; what it is remains to be
/// said.
pub(super) fn content(stored: &Stored, content: Vec<u8>, known: &Preconditions) -> HttpResponse {
    let is_known = known.is_known(stored);
    let mut builder = status(if is_known { 304 } else { 200 });
    version_headers(&mut builder, stored);
    if is_known { builder.finish() } else { builder.body(content) }
}

/// The answer with a tag that changes with the body, or that the client has it already.
pub(super) fn tagged(request: &HttpRequest, body: Vec<u8>, format: Format) -> HttpResponse {
    let tag = body_tag(&body, format);
    let listed = request.headers().get_all(header::IF_NONE_MATCH);
    let listed = listed.filter_map(|value| value.to_str().ok()).flat_map(|text| text.split(','));
    // Tags are compared weakly, as RFC 9110 13.1.2 has it.
    let opaque = |text: &str| text.trim().trim_start_matches("W/").to_owned();
    let is_known = listed.map(opaque).any(|text| text == "*" || text == opaque(&tag));
    let mut builder = status(if is_known { 304 } else { 200 });
    builder.insert_header((header::ETAG, tag));
    if is_known { builder.finish() } else { json_bytes(builder, body, format) }
}

fn body_tag(body: &[u8], format: Format) -> String {
    let digest = Sha256::new().chain_update(format.media.as_str()).chain_update(body).finalize();
    format!("W/\"{}\"", digest.get(..12).map(hex).unwrap_or_default())
}

/// A resource that an operation has stored, or found stored, and where it is.
pub(super) fn stored(stored: Stored, base: &str, format: Format) -> HttpResponse {
    let mut builder = status(200);
    version_headers(&mut builder, &stored);
    builder.insert_header((header::LOCATION, location(base, &stored)));
    json_bytes(builder, stored.body.unwrap_or_default(), format)
}

/// The answer to a write.
pub(super) fn done(done: Done, base: &str, format: Format, prefer: Prefer) -> HttpResponse {
    let mut builder = status(done.status);
    if let Some(stored) = &done.stored {
        version_headers(&mut builder, stored);
        if done.status != 204 {
            builder.insert_header((header::LOCATION, location(base, stored)));
        }
    }
    let body = done.stored.and_then(|stored| stored.body);
    let Some(body) = body.filter(|_| done.status != 204) else { return builder.finish() };
    let mut response = match prefer.answer.unwrap_or(Return::Representation) {
        // 204 would tell less than the status does.
        Return::Minimal => builder.finish(),
        Return::Representation => json_bytes(builder, body, format),
        Return::OperationOutcome => json(builder, &operation_outcome(&done.issues), format),
    };
    tell_applied(&mut response, prefer.answer);
    response
}

/// Says which preference was followed.
pub(super) fn tell_applied(response: &mut HttpResponse, answer: Option<Return>) {
    if let Some(answer) = answer {
        let value = HeaderValue::from_static(applied(answer));
        response.headers_mut().insert(PREFERENCE_APPLIED, value);
    }
}

/// The URL of a version.
pub(super) fn location(base: &str, stored: &Stored) -> String {
    format!("{base}/{}/{}/_history/{}", stored.kind, stored.id, stored.version)
}

fn version_headers(builder: &mut HttpResponseBuilder, stored: &Stored) {
    builder.insert_header((header::ETAG, etag(stored.version)));
    if let Some(date) = http_date(stored.last_updated) {
        builder.insert_header((header::LAST_MODIFIED, date));
    }
}

/// The moment in whole seconds, as headers have it.
fn http_date(moment: Instant) -> Option<HeaderValue> {
    let seconds = u64::try_from(moment.millis().div_euclid(1000)).ok()?;
    let time = SystemTime::UNIX_EPOCH.checked_add(Duration::from_secs(seconds))?;
    HttpDate::from(time).try_into_value().ok()
}

/// A Bundle.
pub(super) fn bundle(bundle: &Bundle, format: Format) -> HttpResponse {
    json_bytes(status(200), bundle.to_bytes(), format)
}

/// A resource that is at hand as JSON text, in the form that is wanted.
pub(super) fn json_bytes(
    mut builder: HttpResponseBuilder,
    body: Vec<u8>,
    format: Format,
) -> HttpResponse {
    if format.media.is_xml() {
        return match xml(&body, format.pretty) {
            Ok(body) => {
                builder.insert_header((header::CONTENT_TYPE, content_type(format))).body(body)
            }
            Err(cause) => error(&cause, Format { media: Media::FhirJson, ..format }),
        };
    }
    builder.insert_header((header::CONTENT_TYPE, content_type(format)));
    if format.pretty
        && let Ok(value) = serde_json::from_slice::<Value>(&body)
        && let Ok(pretty) = serde_json::to_vec_pretty(&value)
    {
        return builder.body(pretty);
    }
    builder.body(body)
}

/// The same resource in XML.
fn xml(body: &[u8], pretty: bool) -> Result<Vec<u8>, Error> {
    let value: Value =
        serde_json::from_slice(body).map_err(|error| Error::Internal(Box::new(error)))?;
    let model = Model::shared().map_err(|error| Error::Internal(Box::new(error)))?;
    xml::write(model, &value, pretty).map_err(Error::NoXml)
}

/// JSON that is at hand as a value.
pub(super) fn json(builder: HttpResponseBuilder, value: &Value, format: Format) -> HttpResponse {
    json_bytes(builder, json::bytes(value), format)
}

fn content_type(format: Format) -> HeaderValue {
    HeaderValue::from_static(format.media.content_type())
}

/// An OperationOutcome of those issues.
pub(super) fn outcome(code: u16, issues: &[Issue], format: Format) -> HttpResponse {
    json(status(code), &operation_outcome(issues), format)
}

/// The answer to a request that was not carried out.
pub(super) fn error(error: &Error, format: Format) -> HttpResponse {
    let response = outcome(error.status(), &error.issues(), format);
    told_more(response, error)
}

/// The same for people; `request` is its number in the log.
pub(super) fn error_page(error: &Error, request: &str, words: &Catalogue) -> HttpResponse {
    let page = page::fault(error.status(), &error.issues(), request, words);
    told_more(html(status(error.status()), page, Policy::Reading), error)
}

/// With the headers that belong to the error.
fn told_more(mut response: HttpResponse, error: &Error) -> HttpResponse {
    let headers = response.headers_mut();
    match error {
        Error::Method(allow) => {
            headers.insert(header::ALLOW, HeaderValue::from_static(allow));
        }
        Error::Unauthenticated(_) => {
            let scheme = HeaderValue::from_static("Bearer realm=\"fhir\"");
            headers.insert(header::WWW_AUTHENTICATE, scheme);
        }
        Error::TooMany => {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
        }
        Error::Unready { .. } => {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("10"));
        }
        Error::Deleted(version) => {
            if let Ok(tag) = HeaderValue::from_str(&etag(*version)) {
                headers.insert(header::ETAG, tag);
            }
        }
        _ => {}
    }
    response
}

impl ResponseError for Error {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        error(self, Format::PLAIN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: <https://www.rfc-editor.org/rfc/rfc9110#section-15.6.4>.
    #[test]
    fn who_must_wait_is_told_how_long() {
        for (error, status) in [(Error::TooMany, 429), (Error::Unready { done: 3, of: 9 }, 503)] {
            let response = error.error_response();
            assert_eq!(response.status().as_u16(), status);
            let after = response.headers().get(header::RETRY_AFTER).unwrap();
            assert!(after.to_str().unwrap().parse::<u32>().unwrap() > 0);
        }
    }
}
