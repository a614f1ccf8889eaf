//! Binary resources as what they hold: read and written as they are, in their own media type.
//!
//! Whoever names the types of FHIR works with the resource like any other. What is written in
//! another type becomes the content, whatever it is; text of a type of FHIR does too, unless it is a
//! Binary itself. Nothing that is served may run as a page of this server: what browsers would do
//! more with than show it goes out to be saved.
//! Source: <http://hl7.org/fhir/R4/binary.html#rest>,
//! <http://hl7.org/fhir/R4/security.html#binary>.

use actix_web::http::header::{
    CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue,
};
use actix_web::web;
use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Resource, ResourceType};
use crate::http::extract::{self, Body};
use crate::http::format::{Format, of_content};
use crate::http::reply;
use crate::http::route::{Answer, Call};
use crate::interaction::precondition::Preconditions;
use crate::letter;
use crate::letter::layout::style_source;
use crate::repository::{self, Stored};

/// The header with the reference that `securityContext` has in the resource.
const SECURITY_CONTEXT: HeaderName = HeaderName::from_static("x-security-context");

/// What is shown by browsers and cannot run.
const SHOWN: [&str; 6] =
    ["application/pdf", "image/gif", "image/jpeg", "image/png", "image/webp", "text/plain"];

/// Whether resources of that type are Binaries.
pub(super) fn is(kind: ResourceType) -> bool {
    kind.as_str() == "Binary"
}

/// The answer to a read of a Binary: its content, or what `whole` makes of it where the request asks
/// for the resource.
///
/// # Errors
/// [`Error::NotAcceptable`], those of `whole`, or a failure of the store.
pub(super) fn read(
    call: &Call,
    stored: Stored,
    whole: impl FnOnce(Stored, Format) -> Answer,
) -> Answer {
    let content = stored.content()?;
    let value = content.as_ref().map_or(&Value::Null, Resource::value);
    let own = value.at("contentType").as_str().unwrap_or_default();
    if let Some(format) = of_content(&call.request, own)? {
        return whole(stored, format);
    }
    shown(&stored, &extract::preconditions(&call.request)?)
}

/// The content of a Binary, as browsers may have it.
///
/// # Errors
/// A failure of the store.
pub(super) fn shown(stored: &Stored, known: &Preconditions) -> Answer {
    let content = stored.content()?;
    let value = content.as_ref().map_or(&Value::Null, Resource::value);
    let own = value.at("contentType").as_str().unwrap_or_default();
    let data = value.at("data").as_str().unwrap_or_default();
    // The lexical form may have white space between groups.
    let data: String = data.split_ascii_whitespace().collect();
    let damaged = |_| repository::Error::Damaged(repository::key::VERSION);
    let data = BASE64_STANDARD.decode(data).map_err(damaged)?;
    let mut response = reply::content(stored, data, known);
    let headers = response.headers_mut();
    if let Some(text) = value.at("securityContext").at("reference").as_str()
        && let Ok(text) = HeaderValue::from_str(text)
    {
        headers.insert(SECURITY_CONTEXT, text);
    }
    let sealed = content.as_ref().is_some_and(|resource| letter::is_sealed(resource.value()));
    describe(headers, own, &stored.id, sealed);
    Ok(response)
}

/// What the content is, and that nothing in it may run. The page of a signed letter is shown, with the
/// style of our pages and nothing else.
fn describe(headers: &mut HeaderMap, own: &str, id: &Id, sealed: bool) {
    let octets = HeaderValue::from_static("application/octet-stream");
    headers.insert(CONTENT_TYPE, HeaderValue::from_str(own).unwrap_or(octets));
    let name = own.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    if SHOWN.contains(&name.as_str()) {
        return;
    }
    let shown = sealed && name == "text/html";
    let style = if shown { format!("style-src {}; ", style_source()) } else { String::new() };
    let policy = HeaderValue::from_str(&format!("default-src 'none'; {style}sandbox"));
    let nothing = HeaderValue::from_static("default-src 'none'; sandbox");
    headers.insert(CONTENT_SECURITY_POLICY, policy.unwrap_or(nothing));
    if shown {
        return;
    }
    // Ids are letters, digits, '-' and '.'.
    let disposition = format!("attachment; filename=\"{id}\"");
    if let Ok(disposition) = HeaderValue::from_str(&disposition) {
        headers.insert(CONTENT_DISPOSITION, disposition);
    }
}

/// What a request says about the content in its body.
pub(super) struct Sent {
    media: Option<String>,
    context: Option<String>,
}

impl Sent {
    /// Reads the headers.
    ///
    /// # Errors
    /// [`Error::Request`] for a security context that is not legible.
    pub(super) fn of(headers: &HeaderMap) -> Result<Self, Error> {
        let media = headers.get(CONTENT_TYPE).and_then(|value| value.to_str().ok());
        // The lexical form of a code has single spaces.
        let media = media.map(|text| text.split_ascii_whitespace().collect::<Vec<_>>().join(" "));
        let illegible =
            || Error::request("http.X-Security-Context", "The header is not legible text.");
        let context = headers.get(&SECURITY_CONTEXT).map(|value| {
            let text = value.to_str().map_err(|_| illegible())?.trim();
            if text.is_empty() { Err(illegible()) } else { Ok(text.to_owned()) }
        });
        Ok(Self { media, context: context.transpose()? })
    }

    /// The Binary that comes of the body, under that id where it has one already.
    ///
    /// # Errors
    /// Those of [`extract::binary`].
    pub(super) fn resource(self, body: &Body, id: Option<&Id>) -> Result<Resource, Error> {
        if let Some(resource) = extract::binary(body)? {
            return Ok(resource);
        }
        let mut value = json!({ "resourceType": "Binary" });
        if let Some(object) = value.as_object_mut() {
            object.extend(id.map(|id| ("id".to_owned(), json!(id.as_str()))));
            object.extend(self.media.map(|media| ("contentType".to_owned(), json!(media))));
            let context = self.context.map(|text| json!({ "reference": text }));
            object.extend(context.map(|context| ("securityContext".to_owned(), context)));
            // An empty text is no base64Binary.
            let data = Some(&body.bytes).filter(|bytes| !bytes.is_empty());
            let data = data.map(|bytes: &web::Bytes| json!(BASE64_STANDARD.encode(bytes)));
            object.extend(data.map(|data| ("data".to_owned(), data)));
        }
        Ok(Resource::from_value(value)?)
    }
}
