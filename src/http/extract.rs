//! From what arrives to typed values: body, path, parameters, headers.
//!
//! Size, time, media type and form are checked here; nothing above sees bytes that are not a
//! resource. Source: <http://hl7.org/fhir/R4/http.html>.

use std::time::Duration;

use actix_web::http::header::{self, HeaderMap, HeaderName, HttpDate};
use actix_web::{HttpRequest, web};

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Instant, Issue, IssueType, Resource, ResourceType, json};
use crate::http::format::FHIR_VERSION;
use crate::interaction::precondition::{Preconditions, Tags};
use crate::interaction::query::pairs;

/// How long a body may take to arrive.
const BODY_TIME: Duration = Duration::from_mins(1);

/// The parameters of the URL, decoded, in order.
pub(super) fn parameters(request: &HttpRequest) -> Vec<(String, String)> {
    pairs(request.query_string())
}

/// The base URL as the client sees it, without a slash at its end.
pub(super) fn base(app: &App, request: &HttpRequest) -> String {
    if let Some(base) = app.config.public_base() {
        return base.to_owned();
    }
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let legal = |c: char| c.is_ascii_alphanumeric() || "-.:[]_".contains(c);
    match host.filter(|host| !host.is_empty() && host.chars().all(legal)) {
        Some(host) => format!("http://{host}{}", super::BASE),
        None => format!("http://{}{}", request.app_config().local_addr(), super::BASE),
    }
}

/// `If-Match`, `If-None-Match` and `If-Modified-Since`.
pub(super) fn preconditions(request: &HttpRequest) -> Result<Preconditions, Error> {
    let headers = request.headers();
    Ok(Preconditions {
        if_match: tags(headers, &header::IF_MATCH)?,
        if_none_match: tags(headers, &header::IF_NONE_MATCH)?,
        if_modified_since: headers
            .get(header::IF_MODIFIED_SINCE)
            .and_then(|value| value.to_str().ok()?.parse::<HttpDate>().ok())
            .map(|date| {
                Instant::from(time::OffsetDateTime::from(std::time::SystemTime::from(date)))
            }),
    })
}

/// The criteria of `If-None-Exist`.
pub(super) fn if_none_exist(request: &HttpRequest) -> Result<Option<String>, Error> {
    let Some(value) = request.headers().get("If-None-Exist") else { return Ok(None) };
    let text = "The header is not legible text.";
    let value = value.to_str().map_err(|_| Error::request("http.If-None-Exist", text))?;
    Ok(Some(value.to_owned()))
}

fn tags(headers: &HeaderMap, name: &HeaderName) -> Result<Option<Tags>, Error> {
    let Some(value) = headers.get(name) else { return Ok(None) };
    let tags = value.to_str().ok().and_then(Tags::parse);
    let text = "The header lists version tags, such as W/\"3\".";
    tags.map(Some).ok_or_else(|| Error::request(format!("http.{name}"), text))
}

/// What the body may be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Expected {
    /// A resource in JSON.
    Resource,
    /// The parameters of a search.
    Form,
}

/// The body, whole.
///
/// # Errors
/// [`Error::MediaType`], [`Error::TooLarge`], [`Error::TimedOut`] or [`Error::Unreadable`].
pub(super) async fn body(
    request: &HttpRequest,
    payload: web::Payload,
    expected: Expected,
    limit: usize,
) -> Result<web::Bytes, Error> {
    check_media(request.headers(), expected)?;
    let length = request.headers().get(header::CONTENT_LENGTH);
    let length: Option<u64> = length.and_then(|length| length.to_str().ok()?.parse().ok());
    if length.is_some_and(|length| usize::try_from(length).is_ok_and(|length| length > limit)) {
        return Err(Error::TooLarge(limit));
    }
    let read = tokio::time::timeout(BODY_TIME, payload.to_bytes_limited(limit)).await;
    let read = read.map_err(|_| Error::TimedOut)?;
    read.map_err(|_| Error::TooLarge(limit))?.map_err(|_| Error::Unreadable)
}

fn check_media(headers: &HeaderMap, expected: Expected) -> Result<(), Error> {
    if headers.get(header::CONTENT_ENCODING).is_some_and(|coding| coding != "identity") {
        return Err(Error::MediaType("Bodies are read without a content encoding only."));
    }
    let length = headers.get(header::CONTENT_LENGTH).map(|length| length != "0");
    let has_body = length.unwrap_or_else(|| headers.contains_key(header::TRANSFER_ENCODING));
    let Some(media) = headers.get(header::CONTENT_TYPE) else {
        // What is missing altogether is told as such later.
        let text = "The body's Content-Type is missing; it is application/fhir+json.";
        return if has_body { Err(Error::MediaType(text)) } else { Ok(()) };
    };
    let mut parts = media.to_str().unwrap_or_default().split(';').map(str::trim);
    let name = parts.next().unwrap_or_default().to_ascii_lowercase();
    let known = match expected {
        Expected::Resource => {
            ["application/fhir+json", "application/json", "text/json"].contains(&name.as_str())
        }
        Expected::Form => name == "application/x-www-form-urlencoded",
    };
    if !known {
        return Err(Error::MediaType(match expected {
            Expected::Resource => "The body's Content-Type must be application/fhir+json.",
            Expected::Form => "The body's Content-Type must be application/x-www-form-urlencoded.",
        }));
    }
    for parameter in parts {
        let (name, value) = parameter.split_once('=').unwrap_or((parameter, ""));
        let value = value.trim().trim_matches('"');
        if name.eq_ignore_ascii_case("charset") && !value.eq_ignore_ascii_case("utf-8") {
            return Err(Error::MediaType("The body's charset must be utf-8."));
        }
        if name.eq_ignore_ascii_case("fhirVersion") && value != FHIR_VERSION {
            return Err(Error::MediaType("The body's fhirVersion must be 4.0."));
        }
    }
    Ok(())
}

/// What `work` makes of a body, with line and column of what is wrong in it.
///
/// # Errors
/// That of `work`.
pub(super) fn located<T>(body: &[u8], work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    work().map_err(|error| error.located(body))
}

/// The resource in a body.
///
/// # Errors
/// [`Error::Malformed`] or [`Error::NotAResource`].
pub(super) fn any_resource(body: &[u8]) -> Result<Resource, Error> {
    Ok(Resource::from_value(json::parse(body, json::MAX_DEPTH)?)?)
}

/// The resource of that type in a body.
///
/// # Errors
/// [`Error::Malformed`], [`Error::NotAResource`], or [`Error::Request`] for another type.
pub(super) fn resource(body: &[u8], kind: ResourceType) -> Result<Resource, Error> {
    let resource = any_resource(body)?;
    if resource.kind() != kind {
        let text = format!("The body's resourceType must be that of the URL, {kind}.");
        let issue = Issue::error(IssueType::Invalid, text);
        return Err(Error::Request(issue.at("resourceType")));
    }
    Ok(resource)
}
