//! Bundles that the server makes: searchset, history, batch and transaction responses.
//!
//! Resources are put in as the bytes they are stored as: nothing is parsed, copied into a tree or
//! printed anew on the way out. Each kind fills what its invariants ask (bdl-1 to bdl-4).
//! Source: <http://hl7.org/fhir/R4/bundle.html>.

use serde_json::{Value, json};

use crate::fhir::{Instant, json};

/// What a Bundle is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BundleType {
    /// The answer to a search.
    Searchset,
    /// The answer to a history interaction.
    History,
    /// The answer to a batch.
    BatchResponse,
    /// The answer to a transaction.
    TransactionResponse,
}

impl BundleType {
    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Searchset => "searchset",
            Self::History => "history",
            Self::BatchResponse => "batch-response",
            Self::TransactionResponse => "transaction-response",
        }
    }
}

/// A Bundle to be written out.
#[derive(Clone, Debug)]
pub struct Bundle {
    /// What it is for.
    pub kind: BundleType,
    /// When it was put together.
    pub at: Instant,
    /// How many resources there are in all pages; only for searchset and history.
    pub total: Option<u64>,
    /// Relation and URL of the links.
    pub links: Vec<(&'static str, String)>,
    /// What is in it.
    pub entries: Vec<Entry>,
}

/// One entry of a Bundle.
#[derive(Clone, Default, Debug)]
pub struct Entry {
    /// The resource's identity.
    pub full_url: Option<String>,
    /// The resource as JSON.
    pub resource: Option<Vec<u8>>,
    /// For searchset: why it is there (`match`, `include`, `outcome`).
    pub search_mode: Option<&'static str>,
    /// For history: verb and URL of the interaction.
    pub request: Option<(&'static str, String)>,
    /// For history, batch and transaction: what came of it.
    pub response: Option<Response>,
}

/// What came of the interaction of an entry.
#[derive(Clone, Default, Debug)]
pub struct Response {
    /// The HTTP status.
    pub status: u16,
    /// Where the version stands, when one was made or found.
    pub location: Option<String>,
    /// The version's tag.
    pub etag: Option<String>,
    /// When it was made.
    pub last_modified: Option<Instant>,
    /// An OperationOutcome.
    pub outcome: Option<Value>,
}

impl Bundle {
    /// A Bundle of that kind with nothing in it.
    pub fn new(kind: BundleType, at: Instant) -> Self {
        Self { kind, at, total: None, links: Vec::new(), entries: Vec::new() }
    }

    /// The Bundle as compact JSON.
    pub fn to_bytes(&self) -> Vec<u8> {
        let size = self.entries.iter().map(|e| 512 + e.resource.as_ref().map_or(0, Vec::len)).sum();
        let mut out: Vec<u8> = Vec::with_capacity(size);
        let at = self.at.to_string();
        push(&mut out, r#"{"resourceType":"Bundle","meta":{"lastUpdated":"#, &json!(at));
        push(&mut out, r#"},"type":"#, &json!(self.kind.as_str()));
        if let Some(total) = self.total {
            push(&mut out, r#","total":"#, &json!(total));
        }
        if !self.links.is_empty() {
            let links = self
                .links
                .iter()
                .map(|(relation, url)| json!({ "relation": relation, "url": url }));
            push(&mut out, r#","link":"#, &Value::Array(links.collect()));
        }
        // An empty array is not legal JSON of the standard.
        for (place, entry) in self.entries.iter().enumerate() {
            out.extend(if place == 0 { br#","entry":["#.as_slice() } else { b"," });
            entry.write(&mut out);
        }
        out.extend(if self.entries.is_empty() { b"}".as_slice() } else { b"]}" });
        out
    }
}

impl Entry {
    fn write(&self, out: &mut Vec<u8>) {
        let mut separator = b'{';
        let mut member = |out: &mut Vec<u8>, name: &str| {
            out.push(std::mem::replace(&mut separator, b','));
            out.push(b'"');
            out.extend_from_slice(name.as_bytes());
            out.extend_from_slice(b"\":");
        };
        if let Some(url) = &self.full_url {
            member(out, "fullUrl");
            text(out, url);
        }
        if let Some(resource) = &self.resource {
            member(out, "resource");
            out.extend_from_slice(resource);
        }
        if let Some(mode) = self.search_mode {
            member(out, "search");
            out.extend_from_slice(b"{\"mode\":");
            text(out, mode);
            out.push(b'}');
        }
        if let Some((method, url)) = &self.request {
            member(out, "request");
            push(out, "", &json!({ "method": method, "url": url }));
        }
        if let Some(response) = &self.response {
            member(out, "response");
            push(out, "", &response.to_value());
        }
        if separator == b'{' {
            out.push(b'{');
        }
        out.push(b'}');
    }
}

impl Response {
    fn to_value(&self) -> Value {
        let mut value = json!({ "status": status_line(self.status) });
        let Some(object) = value.as_object_mut() else { return value };
        if let Some(location) = &self.location {
            object.insert("location".into(), json!(location));
        }
        if let Some(etag) = &self.etag {
            object.insert("etag".into(), json!(etag));
        }
        if let Some(moment) = self.last_modified {
            object.insert("lastModified".into(), json!(moment.to_string()));
        }
        if let Some(outcome) = &self.outcome {
            object.insert("outcome".into(), outcome.clone());
        }
        value
    }
}

/// A text as JSON, in quotes.
fn text(out: &mut Vec<u8>, text: &str) {
    let plain = |byte: u8| (0x20..0x7F).contains(&byte) && byte != b'"' && byte != b'\\';
    if text.bytes().all(plain) {
        out.push(b'"');
        out.extend_from_slice(text.as_bytes());
        out.push(b'"');
    } else {
        push(out, "", &json!(text));
    }
}

fn push(out: &mut Vec<u8>, before: &str, value: &Value) {
    out.extend(before.as_bytes());
    out.extend(json::bytes(value));
}

/// The code, and for the common ones the phrase of <https://www.rfc-editor.org/rfc/rfc9110#name-status-codes>.
fn status_line(status: u16) -> String {
    let phrase = match status {
        200 => "OK",
        201 => "Created",
        204 => "No Content",
        304 => "Not Modified",
        400 => "Bad Request",
        404 => "Not Found",
        405 => "Method Not Allowed",
        409 => "Conflict",
        410 => "Gone",
        412 => "Precondition Failed",
        422 => "Unprocessable Content",
        500 => "Internal Server Error",
        _ => return status.to_string(),
    };
    format!("{status} {phrase}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn written_as_json_with_the_bytes_of_resources() {
        let mut bundle = Bundle::new(BundleType::History, Instant::from_millis(0));
        let empty: Value = serde_json::from_slice(&bundle.to_bytes()).unwrap();
        assert_eq!(empty["type"], "history");
        assert!(empty.get("entry").is_none() && empty.get("link").is_none());
        bundle.total = Some(2);
        bundle.links.push(("self", "http://a.example/?x=\"".into()));
        let response =
            Response { status: 201, etag: Some("W/\"1\"".into()), ..Response::default() };
        bundle.entries.push(Entry {
            resource: Some(br#"{"n":1.00}"#.to_vec()),
            request: Some(("PUT", "Basic/a".into())),
            response: Some(response),
            ..Entry::default()
        });
        bundle.entries.push(Entry::default());
        let text = String::from_utf8(bundle.to_bytes()).unwrap();
        assert!(text.contains(r#""resource":{"n":1.00}"#), "{text}");
        let value: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["entry"][0]["response"]["status"], "201 Created");
        assert_eq!(value["entry"][1], json!({}));
        assert_eq!(value["link"][0]["url"], "http://a.example/?x=\"");
    }
}
