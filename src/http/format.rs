//! What form the answer takes: `_format` and `Accept`, `_pretty`.
//!
//! `_format` wins over `Accept`; among the formats that a client accepts the one it likes best
//! wins, then the server's first. Source: <http://hl7.org/fhir/R4/http.html#mime-type>,
//! <http://hl7.org/fhir/R4/http.html#parameters>,
//! <https://www.rfc-editor.org/rfc/rfc9110#name-accept>.

use actix_web::HttpRequest;
use actix_web::http::header::{ACCEPT, CONTENT_TYPE, HeaderMap};

use crate::error::Error;
use crate::http::extract::is_xml;
use crate::view_definition::table;

/// A format that an answer can have.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Media {
    /// `application/fhir+json`.
    FhirJson,
    /// JSON under its general name.
    Json,
    /// JSON under a name that old clients use.
    TextJson,
    /// `application/fhir+xml`.
    FhirXml,
    /// XML under its general name.
    Xml,
    /// XML under a name that old clients use.
    TextXml,
    /// A page.
    Html,
    /// A printed document.
    Pdf,
}

impl Media {
    /// What resources are offered as.
    pub(super) const RESOURCE: &'static [Self] =
        &[Self::FhirJson, Self::Json, Self::TextJson, Self::FhirXml, Self::Xml, Self::TextXml];
    /// What documents are offered as.
    pub(super) const DOCUMENT: &'static [Self] = &[
        Self::FhirJson,
        Self::Json,
        Self::TextJson,
        Self::Html,
        Self::Pdf,
        Self::FhirXml,
        Self::Xml,
        Self::TextXml,
    ];
    /// What a fault is told as.
    const FAULT: &'static [Self] = &[
        Self::FhirJson,
        Self::Json,
        Self::TextJson,
        Self::FhirXml,
        Self::Xml,
        Self::TextXml,
        Self::Html,
    ];
    /// What the first page is offered as.
    pub(super) const PAGE: &'static [Self] = &[Self::Html];

    /// The media type without parameters.
    pub(super) fn as_str(self) -> &'static str {
        match self {
            Self::FhirJson => "application/fhir+json",
            Self::Json => "application/json",
            Self::TextJson => "text/json",
            Self::FhirXml => "application/fhir+xml",
            Self::Xml => "application/xml",
            Self::TextXml => "text/xml",
            Self::Html => "text/html",
            Self::Pdf => "application/pdf",
        }
    }

    /// The value of `Content-Type`. The standard wants the charset said.
    pub(super) fn content_type(self) -> &'static str {
        match self {
            Self::FhirJson => "application/fhir+json;charset=utf-8",
            Self::Json => "application/json;charset=utf-8",
            Self::TextJson => "text/json;charset=utf-8",
            Self::FhirXml => "application/fhir+xml;charset=utf-8",
            Self::Xml => "application/xml;charset=utf-8",
            Self::TextXml => "text/xml;charset=utf-8",
            Self::Html => "text/html;charset=utf-8",
            Self::Pdf => "application/pdf",
        }
    }

    /// Whether it is XML.
    pub(super) fn is_xml(self) -> bool {
        matches!(self, Self::FhirXml | Self::Xml | Self::TextXml)
    }

    /// Whether `_format` means this one; a `+` arrives as a space unless it is escaped.
    fn is_named(self, name: &str) -> bool {
        let name = name.split(';').next().unwrap_or_default().trim().replace(' ', "+");
        let short = match self {
            Self::FhirJson => "json",
            Self::FhirXml => "xml",
            Self::Html => "html",
            Self::Pdf => "pdf",
            Self::Json | Self::TextJson | Self::Xml | Self::TextXml => {
                return name.eq_ignore_ascii_case(self.as_str());
            }
        };
        name.eq_ignore_ascii_case(short) || name.eq_ignore_ascii_case(self.as_str())
    }
}

/// The form of an answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Format {
    /// The media type.
    pub(super) media: Media,
    /// Whether the text is indented for people.
    pub(super) pretty: bool,
}

impl Format {
    /// The form of an answer about which nothing is known.
    pub(super) const PLAIN: Self = Self { media: Media::FhirJson, pretty: false };

    /// The form of the answer to a request, out of those on offer.
    ///
    /// # Errors
    /// [`Error::NotAcceptable`] when the client accepts none of them.
    pub(super) fn of(request: &HttpRequest, offer: &'static [Media]) -> Result<Self, Error> {
        Self::asked(request, &super::extract::parameters(request), offer)
    }

    /// Whether a fault is best told as a page: the client is a browser, which names `text/html` and
    /// likes it better than any form of a resource; `_format` wins here too.
    pub(super) fn is_page(request: &HttpRequest) -> bool {
        let parameters = super::extract::parameters(request);
        if let Some((_, name)) = parameters.iter().find(|(key, _)| key == "_format") {
            return Media::Html.is_named(name);
        }
        is_browser(request.headers())
            && accepted(request.headers(), Media::FAULT) == Some(Media::Html)
    }

    /// The same where the parameters did not all come in the URL.
    ///
    /// # Errors
    /// As [`Format::of`].
    pub(super) fn asked(
        request: &HttpRequest,
        parameters: &[(String, String)],
        offer: &'static [Media],
    ) -> Result<Self, Error> {
        let value = |name: &str| {
            let found = parameters.iter().find(|(key, _)| key == name);
            found.map(|(_, value)| value.as_str())
        };
        one_version(request.headers())?;
        let pretty = value("_pretty") == Some("true");
        let media = match value("_format") {
            Some(name) => offer.iter().find(|media| media.is_named(name)).copied(),
            None => accepted(request.headers(), offer),
        };
        let media = media.ok_or_else(|| Error::NotAcceptable(names_of(offer)))?;
        Ok(Self { media, pretty })
    }
}

/// The form of the answer to a read of a Binary that holds content of the type `own`; none: the
/// content itself. The resource is for those who name the types of FHIR, or JSON or XML where the
/// content is something else; whoever accepts neither gets the content all the same.
/// Source: <http://hl7.org/fhir/R4/binary.html#rest>.
///
/// # Errors
/// [`Error::NotAcceptable`] for a `_format` or an R4 of another version that is not offered.
pub(super) fn of_content(request: &HttpRequest, own: &str) -> Result<Option<Format>, Error> {
    let own = own.split(';').next().unwrap_or_default().trim();
    let parameters = super::extract::parameters(request);
    if let Some((_, name)) = parameters.iter().find(|(name, _)| name == "_format") {
        let is_own = name.replace(' ', "+").eq_ignore_ascii_case(own);
        return if is_own { Ok(None) } else { Format::of(request, Media::RESOURCE).map(Some) };
    }
    let ranges: Vec<&str> = accept(request.headers()).collect();
    let ranges: Vec<Range<'_>> = ranges.iter().filter_map(|text| Range::parse(text)).collect();
    let names = |media: Media| {
        let named = |range: &&Range<'_>| range.specificity() == 2 && range.names(media.as_str());
        ranges.iter().any(|range| named(&range))
    };
    let content = best_quality(&ranges, own);
    let named = [Media::FhirJson, Media::FhirXml].into_iter().filter(|media| names(*media));
    let (wants_fhir, mut wanted) = (named.clone().next().is_some(), None);
    for media in named {
        let quality = quality(&ranges, media);
        if quality > 0 && quality >= content && wanted.is_none_or(|(_, most)| quality > most) {
            wanted = Some((media, quality));
        }
    }
    let pretty = parameters.iter().any(|(name, value)| name == "_pretty" && value == "true");
    if let Some((media, _)) = wanted {
        return Ok(Some(Format { media, pretty }));
    }
    if content > 0 || ranges.is_empty() {
        return Ok(None);
    }
    match accepted(request.headers(), Media::RESOURCE) {
        Some(media) => Ok(Some(Format { media, pretty })),
        None if wants_fhir => Err(Error::NotAcceptable(names_of(Media::RESOURCE))),
        None => Ok(None),
    }
}

/// The form of a table that the client likes best; none where it accepts no form of tables.
pub(super) fn of_table(request: &HttpRequest) -> Option<table::Format> {
    let names = [
        ("application/json", "json"),
        ("text/csv", "csv"),
        ("application/x-ndjson", "ndjson"),
        ("application/ndjson", "ndjson"),
        ("application/vnd.apache.parquet", "parquet"),
        ("application/octet-stream", "parquet"),
    ];
    let ranges: Vec<Range<'_>> = accept(request.headers()).filter_map(Range::parse).collect();
    let mut best: Option<(&str, u16)> = None;
    for (name, code) in names {
        let quality = best_quality(&ranges, name);
        if quality > best.map_or(0, |(_, quality)| quality) {
            best = Some((code, quality));
        }
    }
    best.and_then(|(code, _)| table::Format::of(code))
}

/// That the body is not of one version of FHIR and the answer wanted in another.
fn one_version(headers: &HeaderMap) -> Result<(), Error> {
    let sent = headers.get(CONTENT_TYPE).and_then(|media| media.to_str().ok());
    let Some(sent) = sent.and_then(Range::parse).and_then(|sent| sent.version) else {
        return Ok(());
    };
    let mut wanted = accept(headers).filter_map(Range::parse).filter_map(|range| range.version);
    let first = wanted.next();
    if first.is_none() || first == Some(sent) || wanted.any(|version| version == sent) {
        return Ok(());
    }
    let text = "Content-Type and Accept name different versions of FHIR.";
    Err(Error::request("http.fhirVersion", text))
}

fn names_of(offer: &[Media]) -> &'static str {
    if offer.contains(&Media::Pdf) {
        "application/fhir+json, application/fhir+xml, text/html, application/pdf"
    } else if offer.contains(&Media::FhirJson) {
        "application/fhir+json, application/fhir+xml"
    } else {
        "text/html"
    }
}

/// Whether the `Accept` headers name `text/html`, as those of a browser do.
fn is_browser(headers: &HeaderMap) -> bool {
    let named = |range: &Range<'_>| range.specificity() == 2 && range.names(Media::Html.as_str());
    accept(headers).filter_map(Range::parse).any(|range| range.quality > 0 && named(&range))
}

/// The best of the offer by the `Accept` headers; among equals, XML for what sends XML, then the
/// first.
fn accepted(headers: &HeaderMap, offer: &[Media]) -> Option<Media> {
    let sent = headers.get(CONTENT_TYPE).and_then(|media| media.to_str().ok()).unwrap_or_default();
    let sent = sent.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    let (same, other): (Vec<Media>, Vec<Media>) =
        offer.iter().partition(|media| is_xml(&sent) && media.is_xml());
    let mut offer = same.into_iter().chain(other);
    let mut ranges = accept(headers).peekable();
    if ranges.peek().is_none() {
        return offer.next();
    }
    let ranges: Vec<Range<'_>> = ranges.filter_map(Range::parse).collect();
    let mut best: Option<(Media, u16)> = None;
    for media in offer {
        let quality = quality(&ranges, media);
        if quality > best.map_or(0, |(_, quality)| quality) {
            best = Some((media, quality));
        }
    }
    best.map(|(media, _)| media)
}

/// What the `Accept` headers list.
fn accept(headers: &HeaderMap) -> impl Iterator<Item = &str> {
    let values = headers.get_all(ACCEPT).filter_map(|value| value.to_str().ok());
    values.flat_map(|value| value.split(','))
}

/// The quality of the most specific range that the format falls into, in thousandths.
fn quality(ranges: &[Range<'_>], media: Media) -> u16 {
    let fitting = ranges.iter().filter(|range| range.includes(media));
    fitting.max_by_key(|range| range.specificity()).map_or(0, |range| range.quality)
}

/// The same for content of that type, which has no version of FHIR.
fn best_quality(ranges: &[Range<'_>], name: &str) -> u16 {
    let fitting = ranges.iter().filter(|range| range.names(name));
    fitting.max_by_key(|range| range.specificity()).map_or(0, |range| range.quality)
}

/// One of the media ranges of an `Accept` header.
struct Range<'a> {
    kind: &'a str,
    subtype: &'a str,
    quality: u16,
    version: Option<&'a str>,
}

impl<'a> Range<'a> {
    fn parse(text: &'a str) -> Option<Self> {
        let mut parts = text.split(';').map(str::trim);
        let (kind, subtype) = parts.next()?.split_once('/')?;
        let mut range = Self { kind, subtype, quality: 1000, version: None };
        for parameter in parts {
            let Some((name, value)) = parameter.split_once('=') else { continue };
            let value = value.trim().trim_matches('"');
            if name.trim().eq_ignore_ascii_case("q") {
                range.quality = thousandths(value)?;
            } else if name.trim().eq_ignore_ascii_case("fhirVersion") {
                range.version = Some(value);
            }
        }
        Some(range)
    }

    fn includes(&self, media: Media) -> bool {
        self.names(media.as_str()) && self.version.is_none_or(|version| version == FHIR_VERSION)
    }

    /// Whether the type falls into the range, whatever the version.
    fn names(&self, name: &str) -> bool {
        let (kind, subtype) = name.split_once('/').unwrap_or_default();
        (self.kind == "*" || self.kind.eq_ignore_ascii_case(kind))
            && (self.subtype == "*" || self.subtype.eq_ignore_ascii_case(subtype))
    }

    fn specificity(&self) -> u8 {
        u8::from(self.kind != "*") + u8::from(self.subtype != "*")
    }
}

/// The value of the media type parameter `fhirVersion` for R4
/// (<http://hl7.org/fhir/R4/http.html#version-parameter>).
pub(super) const FHIR_VERSION: &str = "4.0";

/// `0.8` as 800.
fn thousandths(text: &str) -> Option<u16> {
    let (whole, digits) = text.split_once('.').unwrap_or((text, ""));
    let fraction = format!("{digits:0<3}");
    let legal = digits.len() <= 3 && fraction.bytes().all(|byte| byte.is_ascii_digit());
    let fraction: u16 = legal.then(|| fraction.parse().ok()).flatten()?;
    match whole {
        "0" => Some(fraction),
        "1" if fraction == 0 => Some(1000),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn check(accept: Option<&str>, query: &str, offer: &'static [Media], expected: Option<Media>) {
        let mut request = TestRequest::with_uri(&format!("/x?{query}"));
        if let Some(accept) = accept {
            request = request.insert_header((ACCEPT, accept));
        }
        let format = Format::of(&request.to_http_request(), offer);
        assert_eq!(format.ok().map(|format| format.media), expected, "{accept:?} {query}");
    }

    #[test]
    fn negotiation() {
        use Media::{FhirJson, FhirXml, Html, Json, Pdf, TextJson, Xml};
        let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
        for (accept, query, expected) in [
            (None, "", Some(FhirJson)),
            (Some("*/*"), "", Some(FhirJson)),
            (Some("application/fhir+json"), "", Some(FhirJson)),
            (Some("application/json"), "", Some(Json)),
            (Some("text/json"), "", Some(TextJson)),
            (Some("application/json;q=0.5, application/fhir+json"), "", Some(FhirJson)),
            (Some("application/fhir+json;q=0.1, text/json;q=0.2"), "", Some(TextJson)),
            (Some("application/*"), "", Some(FhirJson)),
            (Some(browser), "", Some(Xml)),
            (Some("application/fhir+xml"), "", Some(FhirXml)),
            (Some("application/fhir+xml, application/fhir+json;q=0.9"), "", Some(FhirXml)),
            (Some("image/png"), "", None),
            (Some("application/fhir+json;q=0"), "", None),
            (Some("application/fhir+json; fhirVersion=4.0"), "", Some(FhirJson)),
            (Some("application/fhir+json; fhirVersion=5.0"), "", None),
            (Some("text/html"), "_format=json", Some(FhirJson)),
            (None, "_format=application/fhir+json", Some(FhirJson)),
            (None, "_format=application/fhir%2Bjson", Some(FhirJson)),
            (None, "_format=application/json", Some(Json)),
            (None, "_format=xml", Some(FhirXml)),
            (None, "_format=text/xml", Some(Media::TextXml)),
            (None, "_format=turtle", None),
        ] {
            check(accept, query, Media::RESOURCE, expected);
        }
        check(Some(browser), "", Media::DOCUMENT, Some(Html));
        check(Some("application/pdf"), "", Media::DOCUMENT, Some(Pdf));
        check(None, "_format=pdf", Media::DOCUMENT, Some(Pdf));
    }

    /// binary.html#rest: the content for all who do not name the types of FHIR.
    #[test]
    fn of_a_binary() {
        use Media::{FhirJson, FhirXml, Json, Xml};
        for (accept, query, own, expected) in [
            (None, "", "application/pdf", Some(None)),
            (Some("*/*"), "", "application/pdf", Some(None)),
            (Some("application/pdf"), "", "application/pdf", Some(None)),
            (Some("application/*"), "", "application/pdf", Some(None)),
            (Some("image/png"), "", "application/pdf", Some(None)),
            (Some("text/plain"), "", "text/plain; charset=utf-8", Some(None)),
            (Some("application/fhir+json"), "", "application/pdf", Some(Some(FhirJson))),
            (Some("application/fhir+xml, */*"), "", "application/pdf", Some(Some(FhirXml))),
            (Some("application/fhir+json;q=0.5, */*"), "", "application/pdf", Some(None)),
            (Some("application/fhir+json"), "", "application/fhir+json", Some(Some(FhirJson))),
            (Some("application/json"), "", "application/pdf", Some(Some(Json))),
            (Some("application/json"), "", "application/json", Some(None)),
            (Some("application/json, text/plain, */*"), "", "application/pdf", Some(None)),
            (Some("application/xml"), "", "application/pdf", Some(Some(Xml))),
            (Some("application/fhir+json; fhirVersion=5.0"), "", "application/pdf", None),
            (Some("application/pdf"), "_format=json", "application/pdf", Some(Some(FhirJson))),
            (None, "_format=application/pdf", "application/pdf", Some(None)),
            (None, "_format=image/png", "application/pdf", None),
        ] {
            let mut request = TestRequest::with_uri(&format!("/x?{query}"));
            if let Some(accept) = accept {
                request = request.insert_header((ACCEPT, accept));
            }
            let found = of_content(&request.to_http_request(), own).ok();
            let found = found.map(|format| format.map(|format| format.media));
            assert_eq!(found, expected, "{accept:?} {query} {own}");
        }
    }

    #[test]
    fn faults_as_pages() {
        let browser = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
        for (accept, query, expected) in [
            (Some(browser), "", true),
            (Some("text/html"), "", true),
            (Some("text/html;q=0.5, application/fhir+json;q=0.4"), "", true),
            (Some("text/html, application/fhir+json"), "", false),
            (Some("*/*"), "", false),
            (Some("text/*"), "", false),
            (None, "", false),
            (Some("application/fhir+json"), "", false),
            (Some(browser), "_format=json", false),
            (None, "_format=html", true),
        ] {
            let mut request = TestRequest::with_uri(&format!("/x?{query}"));
            if let Some(accept) = accept {
                request = request.insert_header((ACCEPT, accept));
            }
            assert_eq!(Format::is_page(&request.to_http_request()), expected, "{accept:?} {query}");
        }
    }
}
