//! The content of a Binary in its own media type, for who does not ask for the resource.
//!
//! A browser gets the page or the PDF of a letter itself; a program that names a format of resources,
//! or none, gets the resource. What is stored may come from anywhere, so a page runs in a sandbox with
//! the style of our letters only, and what is neither page, PDF, picture nor plain text is handed over
//! as a file.
//! Source: <http://hl7.org/fhir/R4/binary.html#rest>, <https://www.w3.org/TR/CSP2/#sandbox-usage>.

use actix_web::HttpRequest;
use actix_web::http::header::{
    CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderValue,
};
use actix_web::{HttpResponse, HttpResponseBuilder};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::Value;

use crate::http::format::{is_browser, names_one};
use crate::http::{extract, reply};
use crate::interaction::precondition::etag;
use crate::letter::layout::style_source;
use crate::repository::Stored;

/// The content, where the request wants that and there is some.
pub(super) fn content(request: &HttpRequest, stored: &Stored) -> Option<HttpResponse> {
    if stored.kind.as_str() != "Binary" {
        return None;
    }
    let value: Value = serde_json::from_slice(stored.body.as_deref()?).ok()?;
    let media_type = value.get("contentType")?.as_str()?;
    if !is_wanted(request, media_type) {
        return None;
    }
    let data = value.get("data").and_then(Value::as_str).unwrap_or_default();
    let bytes = STANDARD.decode(data).ok()?;
    let mut builder = reply::status(200);
    builder.insert_header(("ETag", etag(stored.version)));
    safely(&mut builder, media_type);
    Some(builder.insert_header((CONTENT_TYPE, HeaderValue::from_str(media_type).ok()?)).body(bytes))
}

/// Whether the content itself is asked for: its media type is named, or the client is a browser; and no
/// format of resources is.
fn is_wanted(request: &HttpRequest, media_type: &str) -> bool {
    let headers = request.headers();
    let asked = extract::parameters(request).iter().any(|(name, _)| name == "_format");
    let resource = |kind: &str, subtype: &str| {
        let name = format!("{kind}/{subtype}").to_ascii_lowercase();
        ["application/fhir+json", "application/fhir+xml", "application/json", "text/json"]
            .contains(&name.as_str())
    };
    let (kind, subtype) = parts(media_type);
    let own = |a: &str, b: &str| {
        a.eq_ignore_ascii_case(kind) && (b == "*" || b.eq_ignore_ascii_case(subtype))
    };
    !asked && !names_one(headers, resource) && (is_browser(headers) || names_one(headers, own))
}

/// Type and subtype, without parameters.
fn parts(media_type: &str) -> (&str, &str) {
    let name = media_type.split(';').next().unwrap_or_default().trim();
    name.split_once('/').unwrap_or((name, ""))
}

/// Headers by which the content can do nothing but be read.
fn safely(builder: &mut HttpResponseBuilder, media_type: &str) {
    let (kind, subtype) = parts(media_type);
    match (kind.to_ascii_lowercase().as_str(), subtype.to_ascii_lowercase().as_str()) {
        // Their viewers need what a sandbox forbids, and run no script of the page.
        ("application", "pdf") | ("text", "plain") | ("image", "png" | "jpeg" | "gif") => {}
        ("text", "html") => {
            let policy = format!("sandbox; default-src 'none'; style-src {}", style_source());
            builder.insert_header((CONTENT_SECURITY_POLICY, policy));
        }
        _ => {
            builder.insert_header((CONTENT_SECURITY_POLICY, "sandbox; default-src 'none'"));
            builder.insert_header((CONTENT_DISPOSITION, "attachment"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn who_gets_the_content() {
        let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
        for (accept, query, expected) in [
            (browser, "", true),
            ("application/pdf", "", true),
            ("application/*", "", true),
            ("*/*", "", false),
            ("", "", false),
            ("image/png", "", false),
            ("application/fhir+json", "", false),
            ("application/fhir+json, application/pdf", "", false),
            (browser, "_format=json", false),
        ] {
            let request = TestRequest::with_uri(&format!("/fhir/Binary/b?{query}"))
                .insert_header(("Accept", accept))
                .to_http_request();
            assert_eq!(is_wanted(&request, "application/pdf"), expected, "{accept} {query}");
        }
    }
}
