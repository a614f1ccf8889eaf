//! From what arrives to typed values: body, path, parameters, headers.
//!
//! Size, time, media type and form are checked here; nothing above sees bytes that are not a
//! resource. Source: <http://hl7.org/fhir/R4/http.html>.

use std::time::Duration;

use actix_web::body::{BodyStream, to_bytes_limited};
use actix_web::dev::Decompress;
use actix_web::http::header::{self, HeaderMap, HeaderName, HttpDate};
use actix_web::{HttpRequest, web};

use crate::app::App;
use crate::definitions::model::Model;
use crate::error::Error;
use crate::fhir::{Instant, Issue, IssueType, Resource, ResourceType, json};
use crate::http::format::FHIR_VERSION;
use crate::interaction::Origin;
use crate::interaction::patch::Patch;
use crate::interaction::precondition::{Preconditions, Tags};
use crate::interaction::query::pairs;
use crate::xml;

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
    let scheme = app.config.scheme();
    match host.filter(|host| !host.is_empty() && host.chars().all(legal)) {
        Some(host) => format!("{scheme}://{host}{}", super::BASE),
        None => format!("{scheme}://{}{}", request.app_config().local_addr(), super::BASE),
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

/// The Provenance of `X-Provenance`.
pub(super) fn origin(request: &HttpRequest) -> Result<Option<Origin>, Error> {
    let mut headers = request.headers().get_all("X-Provenance");
    let Some(header) = headers.next() else { return Ok(None) };
    if headers.next().is_some() {
        return Err(Error::request("http.X-Provenance", "The header may come once."));
    }
    Origin::read(header.as_bytes()).map(Some)
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
    /// A resource.
    Resource,
    /// A JSON Patch, or a FHIRPath Patch: a Parameters resource.
    Patch,
    /// The parameters of a search.
    Form,
    /// What an operation is called with: a resource, or a form.
    Call,
    /// Anything that a Binary can hold, or a Binary.
    Content,
}

/// A body, whole and without content encoding.
pub(super) struct Body {
    pub(super) bytes: web::Bytes,
    sent: Sent,
}

/// What a body is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Sent {
    Json,
    Xml,
    JsonPatch,
    Form,
    Content,
}

impl Body {
    /// What a request without a body has.
    pub(super) const NONE: Self = Self { bytes: web::Bytes::new(), sent: Sent::Json };

    /// The text in which places can be told by line and column; empty for what is no resource.
    pub(super) fn text(&self) -> &[u8] {
        match self.sent {
            Sent::Json | Sent::Xml | Sent::JsonPatch => &self.bytes,
            Sent::Form | Sent::Content => &[],
        }
    }

    /// The parameters in a form; none for what is no form.
    ///
    /// # Errors
    /// [`Error::Request`] when it is not text.
    pub(super) fn form(&self) -> Result<Option<Vec<(String, String)>>, Error> {
        if self.sent != Sent::Form {
            return Ok(None);
        }
        let text = std::str::from_utf8(&self.bytes);
        let text = text.map_err(|_| Error::request("http", "The form is not valid UTF-8."))?;
        Ok(Some(pairs(text.trim_end())))
    }
}

/// The body. The limit holds for what is decoded, so that a small text cannot unfold to fill the
/// memory.
///
/// # Errors
/// [`Error::MediaType`], [`Error::TooLarge`], [`Error::TimedOut`] or [`Error::Unreadable`].
pub(super) async fn body(
    request: &HttpRequest,
    payload: web::Payload,
    expected: Expected,
    limit: usize,
) -> Result<Body, Error> {
    let sent = check_media(request.headers(), expected)?;
    let length = request.headers().get(header::CONTENT_LENGTH);
    let length: Option<u64> = length.and_then(|length| length.to_str().ok()?.parse().ok());
    if length.is_some_and(|length| usize::try_from(length).is_ok_and(|length| length > limit)) {
        return Err(Error::TooLarge(limit));
    }
    let decoded = BodyStream::new(Decompress::from_headers(payload, request.headers()));
    let read = tokio::time::timeout(patience(request), to_bytes_limited(decoded, limit)).await;
    let read = read.map_err(|_| Error::TimedOut)?;
    let bytes = read.map_err(|_| Error::TooLarge(limit))?.map_err(|_| {
        if !request.headers().contains_key(header::CONTENT_ENCODING) {
            return Error::Unreadable;
        }
        let message = "The body is not what its Content-Encoding says.".to_owned();
        Error::Malformed(json::Malformed { message, position: None, path: None })
    })?;
    Ok(Body { bytes, sent })
}

/// The body as it came, with its content encoding.
///
/// # Errors
/// [`Error::TooLarge`], [`Error::TimedOut`] or [`Error::Unreadable`].
pub(super) async fn raw(
    request: &HttpRequest,
    payload: web::Payload,
    limit: usize,
) -> Result<web::Bytes, Error> {
    let length = request.headers().get(header::CONTENT_LENGTH);
    let length: Option<usize> = length.and_then(|length| length.to_str().ok()?.parse().ok());
    if length.is_some_and(|length| length > limit) {
        return Err(Error::TooLarge(limit));
    }
    let read = tokio::time::timeout(patience(request), payload.to_bytes_limited(limit)).await;
    let read = read.map_err(|_| Error::TimedOut)?;
    read.map_err(|_| Error::TooLarge(limit))?.map_err(|_| Error::Unreadable)
}

/// How long a body may take to come.
fn patience(request: &HttpRequest) -> Duration {
    // The server that was put together says so; what tests put together by hand need not.
    let app = request.app_data::<web::Data<App>>();
    app.map_or(Duration::from_mins(1), |app| app.config.operating.body_timeout)
}

/// The content encodings that are read.
const ENCODINGS: [&str; 5] = ["identity", "gzip", "deflate", "br", "zstd"];

/// Whether a media type names XML.
pub(super) fn is_xml(name: &str) -> bool {
    ["application/fhir+xml", "application/xml", "text/xml"].contains(&name)
}

/// What the body is, by its Content-Type.
fn check_media(headers: &HeaderMap, expected: Expected) -> Result<Sent, Error> {
    let encoding = headers.get(header::CONTENT_ENCODING).map(|name| name.to_str());
    if encoding.is_some_and(|name| !name.is_ok_and(|name| ENCODINGS.contains(&name))) {
        return Err(Error::MediaType("The content encodings read are gzip, deflate, br and zstd."));
    }
    let length = headers.get(header::CONTENT_LENGTH).map(|length| length != "0");
    let has_body = length.unwrap_or_else(|| headers.contains_key(header::TRANSFER_ENCODING));
    let Some(media) = headers.get(header::CONTENT_TYPE) else {
        // What is missing altogether is told as such later.
        let text = "The body's Content-Type is missing; it is application/fhir+json.";
        return if has_body { Err(Error::MediaType(text)) } else { Ok(Sent::Json) };
    };
    let mut parts = media.to_str().unwrap_or_default().split(';').map(str::trim);
    let name = parts.next().unwrap_or_default().to_ascii_lowercase();
    let sent = match (expected, name.as_str()) {
        (Expected::Form | Expected::Call, "application/x-www-form-urlencoded") => Sent::Form,
        (Expected::Patch, "application/json-patch+json") => Sent::JsonPatch,
        (
            Expected::Resource | Expected::Patch | Expected::Call,
            "application/fhir+json" | "application/json" | "text/json",
        ) => Sent::Json,
        (Expected::Resource | Expected::Patch | Expected::Call, name) if is_xml(name) => Sent::Xml,
        (Expected::Content, name) => content(name, parts.clone()),
        (Expected::Resource | Expected::Call, _) => {
            let text =
                "The body's Content-Type must be application/fhir+json or application/fhir+xml.";
            return Err(Error::MediaType(text));
        }
        (Expected::Patch, _) => {
            let text = "The body's Content-Type must be application/json-patch+json, or that of \
                        a Parameters resource.";
            return Err(Error::MediaType(text));
        }
        (Expected::Form, _) => {
            let text = "The body's Content-Type must be application/x-www-form-urlencoded.";
            return Err(Error::MediaType(text));
        }
    };
    for (key, value) in parts.filter(|_| sent != Sent::Content).map(parameter) {
        if key.eq_ignore_ascii_case("charset") && !value.eq_ignore_ascii_case("utf-8") {
            return Err(Error::MediaType("The body's charset must be utf-8."));
        }
        if key.eq_ignore_ascii_case("fhirVersion") && value != FHIR_VERSION {
            return Err(Error::MediaType("The body's fhirVersion must be 4.0."));
        }
    }
    Ok(sent)
}

/// A parameter of a media type.
fn parameter(text: &str) -> (&str, &str) {
    let (key, value) = text.split_once('=').unwrap_or((text, ""));
    (key, value.trim().trim_matches('"'))
}

/// What the body of a Binary is, by its media type: text in which a resource could be, or content.
fn content<'a>(name: &str, mut parameters: impl Iterator<Item = &'a str>) -> Sent {
    let is_utf8 = parameters.all(|text| {
        let (key, value) = parameter(text);
        !key.eq_ignore_ascii_case("charset") || value.eq_ignore_ascii_case("utf-8")
    });
    match name {
        _ if !is_utf8 => Sent::Content,
        "application/fhir+json" | "application/json" | "text/json" => Sent::Json,
        name if is_xml(name) => Sent::Xml,
        _ => Sent::Content,
    }
}

/// The Binary in a body, or none where the body is the content of one
/// (<http://hl7.org/fhir/R4/binary.html#rest>).
///
/// # Errors
/// [`Error::Malformed`] for what is not the JSON or XML that its media type says, or for a Binary
/// that cannot be read.
pub(super) fn binary(body: &Body) -> Result<Option<Resource>, Error> {
    let is_resource = match body.sent {
        Sent::Json => match serde_json::from_slice::<serde_json::Value>(&body.bytes) {
            Ok(value) => value.get("resourceType").is_some_and(|kind| kind == "Binary"),
            // Reading it tells what is wrong with it.
            Err(_) => true,
        },
        Sent::Xml => xml::is_resource(&body.bytes, "Binary")?,
        _ => false,
    };
    if is_resource { any_resource(body).map(Some) } else { Ok(None) }
}

/// The patch in a body.
///
/// # Errors
/// [`Error::Malformed`], [`Error::NotAResource`] or [`Error::Request`].
pub(super) fn patch(body: &Body) -> Result<Patch, Error> {
    match body.sent {
        Sent::JsonPatch => Patch::json(&body.bytes),
        _ => Patch::parameters(&any_resource(body)?),
    }
}

/// What `work` makes of a body, with line and column of what is wrong in it.
///
/// # Errors
/// That of `work`.
pub(super) fn located<T>(body: &Body, work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    work().map_err(|error| error.located(body.text()))
}

/// The resource in a body.
///
/// # Errors
/// [`Error::Malformed`] or [`Error::NotAResource`].
pub(super) fn any_resource(body: &Body) -> Result<Resource, Error> {
    let value = if body.sent == Sent::Xml {
        let model = Model::shared().map_err(|error| Error::Internal(Box::new(error)))?;
        xml::read(model, &body.bytes)?
    } else {
        json::parse(&body.bytes, json::MAX_DEPTH)?
    };
    Ok(Resource::from_value(value)?)
}

/// The resource of that type in a body.
///
/// # Errors
/// [`Error::Malformed`], [`Error::NotAResource`], or [`Error::Request`] for another type.
pub(super) fn resource(body: &Body, kind: ResourceType) -> Result<Resource, Error> {
    let resource = any_resource(body)?;
    if resource.kind() != kind {
        let text = format!("The body's resourceType must be that of the URL, {kind}.");
        let issue = Issue::error(IssueType::Invalid, text);
        return Err(Error::Request(issue.at("resourceType")));
    }
    Ok(resource)
}
