//! What a Subscription asks for, read with all rules of the guide and of this server.
//!
//! What cannot be had is refused when it is asked for: another topic, filter, channel, payload or
//! level of content, an address that may not be called.
//! Source: <http://hl7.org/fhir/uv/subscriptions-backport/conformance.html#must-support>,
//! <http://hl7.org/fhir/R4/subscription.html>.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::Value;

use crate::fhir::json::At;
use crate::fhir::{Instant, Issue, IssueType, ResourceType};
use crate::index::Rules;
use crate::outbound;
use crate::search::clause::Clause;
use crate::subscription::GUIDE;
use crate::subscription::filter;
use crate::subscription::topic::{Topic, Topics};

/// What a Subscription asks for.
#[derive(Clone)]
pub struct Subscription {
    /// How it stands.
    pub status: Status,
    /// What it is about.
    pub topic: &'static Topic,
    /// For each type what is asked of a focus; all must hold.
    pub filters: BTreeMap<ResourceType, Vec<Clause>>,
    /// Where notifications are sent.
    pub endpoint: String,
    /// The headers that are sent with each, names and values.
    pub headers: Vec<(String, String)>,
    /// The media type as it is sent.
    pub payload: String,
    /// How much is told.
    pub content: Content,
    /// How long there may be silence, in seconds.
    pub heartbeat: Option<u64>,
    /// How long an answer is waited for.
    pub timeout: Duration,
    /// How many events a notification may tell at most.
    pub max_count: usize,
    /// When it ends.
    pub end: Option<Instant>,
}

/// How a Subscription stands (<http://hl7.org/fhir/R4/valueset-subscription-status.html>).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Status {
    /// The address has not answered yet.
    Requested,
    /// Notifications are sent.
    Active,
    /// They could not be sent.
    Error,
    /// None are wanted.
    Off,
}

impl Status {
    const ALL: [Self; 4] = [Self::Requested, Self::Active, Self::Error, Self::Off];

    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Requested => "requested",
            Self::Active => "active",
            Self::Error => "error",
            Self::Off => "off",
        }
    }

    /// The status of a code.
    pub fn parse(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.as_str() == code)
    }
}

/// How much a notification tells.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Content {
    /// That something happened.
    Empty,
    /// Also to what.
    IdOnly,
    /// Also what it says.
    FullResource,
}

impl Content {
    /// The level of a code.
    pub fn parse(code: &str) -> Option<Self> {
        match code {
            "empty" => Some(Self::Empty),
            "id-only" => Some(Self::IdOnly),
            "full-resource" => Some(Self::FullResource),
            _ => None,
        }
    }
}

/// What may be called.
#[derive(Clone, Copy, Debug)]
pub struct Channels<'a> {
    /// The origins.
    pub origins: &'a [String],
    /// Whether they may be in a private network.
    pub private: bool,
    /// Whether plain http will do.
    pub plain: bool,
}

/// The longest time that an answer may be waited for, in seconds.
const LONGEST: u64 = 120;
/// The same where the Subscription does not say.
const USUAL: u64 = 20;
/// How many events one notification tells at most.
const MOST: usize = 100;
/// The same where the Subscription does not say.
const FEW: usize = 20;
/// How many headers a Subscription may have, and how long each may be.
const HEADERS: (usize, usize) = (20, 4096);

/// Headers that a Subscription cannot set: they are those of the connection, or say what is sent.
const OURS: [&str; 12] = [
    "connection",
    "content-encoding",
    "content-length",
    "content-type",
    "expect",
    "host",
    "keep-alive",
    "te",
    "trailer",
    "transfer-encoding",
    "upgrade",
    "user-agent",
];

/// Reads a Subscription; the issues name the place of everything that cannot be had. Without
/// `channels` it is not asked whether its address may be called.
///
/// # Errors
/// Those issues.
pub fn read(
    rules: &Rules,
    channels: Option<Channels<'_>>,
    value: &Value,
) -> Result<Subscription, Vec<Issue>> {
    let mut reader = Reader { issues: Vec::new() };
    let topic = reader.topic(value);
    let filters = topic.map(|topic| reader.filters(rules, topic, value)).unwrap_or_default();
    let channel = value.at("channel");
    reader.channel_type(channel);
    let content = reader.content(channel);
    let (payload, endpoint) =
        (reader.payload(channel), reader.endpoint(channels, channel, content));
    let headers = reader.headers(channel);
    let heartbeat =
        reader.number(channel, "backport-heartbeat-period", "valueUnsignedInt", u64::MAX);
    let timeout = reader.number(channel, "backport-timeout", "valueUnsignedInt", LONGEST);
    let max_count = reader.number(channel, "backport-max-count", "valuePositiveInt", u64::MAX);
    let end = value.at("end").as_str().and_then(Instant::parse);
    let status = value.at("status").as_str().and_then(Status::parse);
    match (status, topic, content) {
        (Some(status), Some(topic), Some(content)) if reader.issues.is_empty() => {
            Ok(Subscription {
                status,
                topic,
                filters,
                endpoint,
                headers,
                payload,
                content,
                heartbeat,
                timeout: Duration::from_secs(timeout.unwrap_or(USUAL)),
                max_count: max_count.and_then(|n| usize::try_from(n).ok()).unwrap_or(FEW).min(MOST),
                end,
            })
        }
        _ => Err(reader.issues),
    }
}

struct Reader {
    issues: Vec<Issue>,
}

/// The extensions of that name of an element, each with its place.
fn extensions<'v>(element: &'v Value, name: &str) -> Vec<(usize, &'v Value)> {
    let list = element.at("extension").as_array().into_iter().flatten().enumerate();
    let url = format!("{GUIDE}/{name}");
    list.filter(|(_, extension)| extension.at("url") == url.as_str()).collect()
}

impl Reader {
    fn refuse(&mut self, code: IssueType, place: impl Into<String>, text: impl Into<String>) {
        self.issues.push(Issue::error(code, text).at(place));
    }

    fn topic(&mut self, value: &Value) -> Option<&'static Topic> {
        let topic = value.at("criteria").as_str().and_then(|url| Topics::shipped().find(url));
        if topic.is_none() {
            let known: Vec<&str> =
                Topics::shipped().iter().map(|topic| topic.url.as_str()).collect();
            let text = format!(
                "The criteria are the canonical of a topic of this server, one of {}; criteria of R4 \
                 are not supported.",
                known.join(", ")
            );
            self.refuse(IssueType::NotSupported, "Subscription.criteria", text);
        }
        topic
    }

    fn filters(
        &mut self,
        rules: &Rules,
        topic: &Topic,
        value: &Value,
    ) -> BTreeMap<ResourceType, Vec<Clause>> {
        let mut filters: BTreeMap<ResourceType, Vec<Clause>> = BTreeMap::new();
        for (at, extension) in extensions(value.at("_criteria"), "backport-filter-criteria") {
            let text = extension.at("valueString").as_str().unwrap_or_default();
            match filter::read(topic, rules, text) {
                Ok((kind, clauses)) => filters.entry(kind).or_default().extend(clauses),
                Err(text) => {
                    let place = format!("Subscription.criteria.extension[{at}]");
                    self.refuse(IssueType::NotSupported, place, text);
                }
            }
        }
        if topic.is_open() && filters.is_empty() && self.issues.is_empty() {
            let text = "A subscription to this topic names the types that it is for by filters, such as \
                        Observation?category=exam.";
            self.refuse(IssueType::Required, "Subscription.criteria", text);
        }
        filters
    }

    fn channel_type(&mut self, channel: &Value) {
        if channel.at("type") != "rest-hook" {
            let text = "The only channel is rest-hook.";
            self.refuse(IssueType::NotSupported, "Subscription.channel.type", text);
        }
        if !extensions(channel.at("_type"), "backport-channel-type").is_empty() {
            let text = "There are no channels beside those of R4.";
            self.refuse(IssueType::NotSupported, "Subscription.channel.type.extension", text);
        }
    }

    fn content(&mut self, channel: &Value) -> Option<Content> {
        let found = extensions(channel.at("_payload"), "backport-payload-content");
        let code = match found.as_slice() {
            [(_, extension)] => extension.at("valueCode").as_str().and_then(Content::parse),
            _ => None,
        };
        if code.is_none() {
            let text = "The extension backport-payload-content says once how much is told: empty, \
                        id-only or full-resource.";
            self.refuse(IssueType::NotSupported, "Subscription.channel.payload.extension", text);
        }
        code
    }

    fn payload(&mut self, channel: &Value) -> String {
        let text = channel.at("payload").as_str().unwrap_or_default();
        let mut parts = text.split(';').map(str::trim);
        let is_json =
            parts.next().is_some_and(|kind| kind.eq_ignore_ascii_case("application/fhir+json"));
        let is_known = |part: &str| {
            let part = part.to_ascii_lowercase();
            ["fhirversion=4.0", "fhirversion=\"4.0\"", "charset=utf-8"].contains(&part.as_str())
        };
        if !is_json || !parts.all(is_known) {
            let text = "Notifications are of type application/fhir+json, and of FHIR version 4.0.";
            self.refuse(IssueType::NotSupported, "Subscription.channel.payload", text);
        }
        text.to_owned()
    }

    fn endpoint(
        &mut self,
        channels: Option<Channels<'_>>,
        channel: &Value,
        content: Option<Content>,
    ) -> String {
        const PLACE: &str = "Subscription.channel.endpoint";
        let Some(text) = channel.at("endpoint").as_str() else {
            let text = "A rest-hook has an endpoint.";
            self.refuse(IssueType::Required, PLACE, text);
            return String::new();
        };
        let Some(channels) = channels else { return text.to_owned() };
        match outbound::permitted(channels.origins, channels.private, text) {
            Err(error) => {
                let text = format!("This server does not call there: {error}.");
                self.refuse(IssueType::Forbidden, PLACE, text);
            }
            Ok(url) if url.scheme() == "http" => {
                let is_near = outbound::is_loopback(&url);
                if !channels.plain {
                    let text = "Notifications are sent by https only.";
                    self.refuse(IssueType::Forbidden, PLACE, text);
                } else if content == Some(Content::FullResource) && !is_near {
                    let text = "Whole resources are sent by https only.";
                    self.refuse(IssueType::Forbidden, PLACE, text);
                }
            }
            Ok(_) => {}
        }
        text.to_owned()
    }

    fn headers(&mut self, channel: &Value) -> Vec<(String, String)> {
        let list = channel.at("header").as_array().map(Vec::as_slice).unwrap_or_default();
        if list.len() > HEADERS.0 {
            let text = format!("A subscription has at most {} headers.", HEADERS.0);
            self.refuse(IssueType::TooCostly, "Subscription.channel.header", text);
        }
        let mut headers = Vec::new();
        for (at, line) in list.iter().enumerate() {
            if let Some(header) = header(line.as_str().unwrap_or_default()) {
                headers.push(header);
                continue;
            }
            let text = "A header is a name, a colon and a value of visible ASCII, and none of those \
                        that the server sets itself.";
            self.refuse(IssueType::Value, format!("Subscription.channel.header[{at}]"), text);
        }
        headers
    }

    /// The whole number of an extension of the channel, from 1.
    fn number(&mut self, channel: &Value, name: &str, member: &str, most: u64) -> Option<u64> {
        let found = extensions(channel, name);
        let (at, extension) = found.first()?;
        let number = extension.at(member).as_u64().filter(|n| (1..=most).contains(n));
        if number.is_none() || found.len() > 1 {
            let most = if most == u64::MAX { String::new() } else { format!(" to {most}") };
            let text = format!("{name} is given once, with a whole number from 1{most}.");
            self.refuse(IssueType::Value, format!("Subscription.channel.extension[{at}]"), text);
        }
        number
    }
}

/// Name and value of a header; none where they are not such that nothing else can be said by them.
/// Source: <https://www.rfc-editor.org/rfc/rfc9110#section-5>.
fn header(line: &str) -> Option<(String, String)> {
    let (name, value) = line.split_once(':')?;
    let is_token = |byte: u8| byte.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&byte);
    let value = value.trim_matches([' ', '\t']);
    let is_visible = |byte: u8| byte == b' ' || byte == b'\t' || byte.is_ascii_graphic();
    let lower = name.to_ascii_lowercase();
    let is_good = !name.is_empty()
        && name.bytes().all(is_token)
        && value.bytes().all(is_visible)
        && line.len() <= HEADERS.1
        && !OURS.contains(&lower.as_str())
        && !lower.starts_with("proxy-");
    is_good.then(|| (name.to_owned(), value.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9110, sections 5.1 and 5.5.
    #[test]
    fn headers_say_one_thing() {
        for (line, good) in [
            ("Authorization: Bearer x", true),
            ("X-Any:", true),
            ("X-Any: a\r\nHost: evil", false),
            ("X Any: a", false),
            (": a", false),
            ("Host: evil", false),
            ("content-length: 0", false),
            ("Proxy-Authorization: x", false),
            ("X-Any: \u{e9}", false),
            ("none", false),
        ] {
            assert_eq!(header(line).is_some(), good, "{line:?}");
        }
    }
}
