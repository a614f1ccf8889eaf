//! The XHTML of a narrative: what may stand in it.
//!
//! Every element and attribute is compared with a list; what is not on it is a fault, so nothing
//! passes because nobody thought of it. The text is never changed or repaired here, and output must
//! be encoded all the same. Only the div is judged: whether links reach something in the resource
//! is for whoever holds the resource ([`links`], [`ids`]).
//! What a browser would read otherwise than XML does (sections of character data, comments that it
//! ends early) is refused, because divs are shown by browsers.
//! Source: <http://hl7.org/fhir/R4/narrative.html> (txt-1, txt-2, security); the chapters of HTML 4
//! that it names: <https://www.w3.org/TR/html401/> 7 to 11 without 9.4, and 15; deprecated elements
//! are out; only XML's own entities are known, as the page says (of 1,013 published narratives that
//! were looked at, none has another). Attributes of formatting pass on every element, as in the
//! published test of txt-1; those that link, load or name only on their own. Image maps (`map`,
//! `area`) belong to images and are let in: common practice, no source.

use roxmltree::{Document, Error, Node, ParsingOptions};

use super::{Message, Severity};

mod style;

/// The namespace of the div and of everything in it.
pub const NAMESPACE: &str = "http://www.w3.org/1999/xhtml";

const XML_NAMESPACE: &str = "http://www.w3.org/XML/1998/namespace";

/// How many elements, texts and comments a narrative may have.
const MAX_NODES: u32 = 200_000;

/// The rule on what may stand in a narrative.
pub const RULE_CONTENT: &str = "txt-1";
/// The rule that there must be something to read.
pub const RULE_EMPTY: &str = "txt-2";

/// Something in a narrative that must not be there, or is missing.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NarrativeFault {
    /// Warnings are for what is legal and unwise (an image from elsewhere).
    pub severity: Severity,
    /// The key of the invariant that is broken.
    pub rule: &'static str,
    /// What is said, for programs.
    pub told: Message,
    /// A sentence. It names elements and attributes, never texts or values.
    pub message: String,
    /// Line and column in the div, from 1, where known.
    pub position: Option<(u32, u32)>,
}

/// The faults of a div, in the order of the text; none if it is well.
pub fn check(div: &str) -> Vec<NarrativeFault> {
    let document = match parse(div) {
        Ok(document) => document,
        Err(error) => return vec![not_xml(&error)],
    };
    if !is_only_an_element(div, &document) {
        let message = "Nothing may stand before or after the div of a narrative.".to_owned();
        let (severity, told) = (Severity::Error, Message::NarrativeForm);
        return vec![NarrativeFault {
            severity,
            rule: RULE_CONTENT,
            told,
            message,
            position: None,
        }];
    }
    let mut check = Check { document: &document, faults: Vec::new() };
    let root = document.root_element();
    if root.tag_name().name() != "div" {
        check.push(root, Message::NarrativeForm, "The narrative must be one div element.");
    }
    if div.contains("<![CDATA[") {
        let message = "The narrative must not have sections of character data (CDATA), which \
                       browsers read otherwise; write &lt; and &amp;.";
        check.active(root, message);
    }
    for node in document.descendants() {
        check.node(node);
    }
    if !root.descendants().any(is_readable) {
        check.faults.push(NarrativeFault {
            severity: Severity::Error,
            rule: RULE_EMPTY,
            told: Message::NarrativeEmpty,
            message: "The narrative must have some text or an image.".to_owned(),
            position: None,
        });
    }
    check.faults
}

/// The fragments (without `#`) that links within the div point to; none if it is not XML.
pub fn links(div: &str) -> Vec<String> {
    attributes(div, |node, name| match node.tag_name().name() {
        "a" | "area" => name == "href",
        "img" => name == "src" || name == "usemap",
        _ => false,
    })
    .into_iter()
    .filter_map(|value| value.strip_prefix('#').map(str::to_owned))
    .filter(|fragment| !fragment.is_empty())
    .collect()
}

/// The ids and anchor names that the div defines; none if it is not XML.
pub fn ids(div: &str) -> Vec<String> {
    attributes(div, |node, name| {
        name == "id" || (name == "name" && ["a", "map"].contains(&node.tag_name().name()))
    })
}

fn attributes(div: &str, wanted: impl Fn(Node<'_, '_>, &str) -> bool) -> Vec<String> {
    let Ok(document) = parse(div) else { return Vec::new() };
    let nodes = document.descendants().filter(Node::is_element);
    let values = nodes.flat_map(|node| {
        let named = node.attributes().filter(|attribute| attribute.namespace().is_none());
        let wanted = named.filter(|attribute| wanted(node, attribute.name()));
        wanted.map(|attribute| attribute.value().to_owned()).collect::<Vec<_>>()
    });
    values.collect()
}

fn parse(div: &str) -> Result<Document<'_>, Error> {
    let options =
        ParsingOptions { allow_dtd: false, nodes_limit: MAX_NODES, ..ParsingOptions::default() };
    Document::parse_with_options(div, options)
}

/// Whether the text is an element and nothing else: in JSON the characters between the first `>` and
/// the last `<` are the content of the div (<http://hl7.org/fhir/R4/narrative.html#rules>).
fn is_only_an_element(div: &str, document: &Document<'_>) -> bool {
    let range = document.root_element().range();
    let outside = [div.get(..range.start), div.get(range.end..)];
    outside.into_iter().flatten().all(|text| text.trim().is_empty())
}

fn not_xml(error: &Error) -> NarrativeFault {
    let message = match error {
        Error::DtdDetected => "The narrative must not have a document type declaration.".to_owned(),
        Error::UnknownEntityReference(..) => {
            "The narrative has an entity that XML does not know; write the character itself, or \
             its number (&#160; for a space that does not break)."
                .to_owned()
        }
        Error::NodesLimitReached => format!("The narrative has more than {MAX_NODES} parts."),
        Error::UnknownNamespace(..) => {
            "The narrative uses a namespace prefix that is not declared.".to_owned()
        }
        Error::UnexpectedCloseTag(..) => {
            "The narrative closes an element that is not the one open.".to_owned()
        }
        Error::DuplicatedAttribute(..) => {
            "The narrative has an element with the same attribute twice.".to_owned()
        }
        _ => "The narrative is not well-formed XML.".to_owned(),
    };
    let at = error.pos();
    let position = (at.row > 0).then_some((at.row, at.col));
    let (severity, told) = (Severity::Error, Message::NarrativeForm);
    NarrativeFault { severity, rule: RULE_CONTENT, told, message, position }
}

/// Whether a person sees the node: text other than white space, or an image.
fn is_readable(node: Node<'_, '_>) -> bool {
    (node.tag_name().name() == "img" && node.attribute("src").is_some_and(|src| !src.is_empty()))
        || (node.is_text()
            && node.text().is_some_and(|text| text.chars().any(|c| !c.is_whitespace())))
}

struct Check<'a> {
    document: &'a Document<'a>,
    faults: Vec<NarrativeFault>,
}

impl Check<'_> {
    fn fault(&mut self, node: Node<'_, '_>, message: impl Into<String>) {
        self.push(node, Message::NarrativeContent, message);
    }

    fn active(&mut self, node: Node<'_, '_>, message: impl Into<String>) {
        self.push(node, Message::NarrativeActive, message);
    }

    fn push(&mut self, node: Node<'_, '_>, told: Message, message: impl Into<String>) {
        let at = self.document.text_pos_at(node.range().start);
        let (message, position) = (message.into(), Some((at.row, at.col)));
        let severity = match told {
            Message::NarrativeImage => Severity::Warning,
            _ => Severity::Error,
        };
        self.faults.push(NarrativeFault { severity, rule: RULE_CONTENT, told, message, position });
    }

    fn node(&mut self, node: Node<'_, '_>) {
        if node.is_pi() {
            self.fault(node, "The narrative must not have processing instructions.");
        } else if node.is_element() {
            self.element(node);
        } else if node.is_comment() && ends_early(node.text().unwrap_or_default()) {
            let message = "A comment must not begin with > or ->, where browsers end it.";
            self.active(node, message);
        }
    }

    fn element(&mut self, node: Node<'_, '_>) {
        let name = node.tag_name().name();
        if node.tag_name().namespace() != Some(NAMESPACE) {
            let name = shown(name);
            self.fault(node, format!("The element {name} must be in the namespace {NAMESPACE}."));
            return;
        }
        if !ELEMENTS.contains(&name) {
            let message = format!("The element {} must not stand in a narrative.", shown(name));
            let told =
                if is_active(name) { Message::NarrativeActive } else { Message::NarrativeContent };
            self.push(node, told, message);
        }
        for attribute in node.attributes() {
            let known = match attribute.namespace() {
                None => is_allowed(name, attribute.name()),
                Some(XML_NAMESPACE) => ["lang", "space"].contains(&attribute.name()),
                Some(_) => false,
            };
            if known {
                self.value(node, attribute.name(), attribute.value());
            } else {
                let is_event =
                    attribute.name().get(..2).is_some_and(|on| on.eq_ignore_ascii_case("on"));
                let (name, attribute) = (shown(name), shown(attribute.name()));
                let message =
                    format!("The attribute {attribute} of {name} must not stand in a narrative.");
                let told =
                    if is_event { Message::NarrativeActive } else { Message::NarrativeContent };
                self.push(node, told, message);
            }
        }
    }

    fn value(&mut self, node: Node<'_, '_>, name: &str, value: &str) {
        match name {
            "style" => {
                if let Some(what) = style::danger(value) {
                    self.active(node, format!("A style attribute must not have {what}."));
                }
            }
            "src" => self.image(node, value),
            "href" | "cite" | "longdesc" | "usemap"
                if scheme(value).is_some_and(|scheme| !SAFE.contains(&scheme.as_str())) =>
            {
                let message = format!("The {name} of a narrative must not run or carry code.");
                self.active(node, message);
            }
            _ => {}
        }
    }

    fn image(&mut self, node: Node<'_, '_>, value: &str) {
        match scheme(value).as_deref() {
            None => {}
            Some("http" | "https") => {
                let message = "An image from elsewhere may be gone when it is needed, and tells \
                               its owner who reads the record; contain it instead.";
                self.push(node, Message::NarrativeImage, message);
            }
            Some("data") if is_image_data(value) => {}
            Some(_) => self.active(node, "The src of an image must be an image."),
        }
    }
}

/// Schemes of URLs that lead somewhere and do nothing else.
const SAFE: &[&str] =
    &["http", "https", "mailto", "tel", "sms", "ftp", "urn", "cid", "mid", "geo", "doi", "info"];

/// Whether a browser ends the comment before XML does.
fn ends_early(comment: &str) -> bool {
    comment.starts_with('>') || comment.starts_with("->") || comment.ends_with("--!")
}

/// Whether the element runs something, sends something or fetches something.
fn is_active(name: &str) -> bool {
    let active = [
        "script", "style", "link", "base", "meta", "form", "input", "button", "select", "textarea",
        "iframe", "frame", "frameset", "object", "embed", "applet", "audio", "video", "svg",
    ];
    active.iter().any(|active| name.eq_ignore_ascii_case(active))
}

/// Names on no list are shown short, in case somebody hides a text in them.
fn shown(name: &str) -> String {
    name.chars().take(32).collect()
}

/// The scheme of a URL, in lower case, read as leniently as a browser reads it: control characters
/// and white space do not count. None for a relative URL or a fragment.
fn scheme(url: &str) -> Option<String> {
    let seen = url.chars().filter(|c| !c.is_whitespace() && !c.is_control());
    let text: String = seen.take(64).collect();
    let (scheme, _) = text.split_once(':')?;
    (!scheme.contains(['/', '?', '#'])).then(|| scheme.to_ascii_lowercase())
}

fn is_image_data(url: &str) -> bool {
    let seen = url.chars().filter(|c| !c.is_whitespace() && !c.is_control());
    let text: String = seen.take(64).collect();
    let kinds = ["png", "jpeg", "jpg", "gif", "webp", "bmp", "svg+xml"];
    let rest = text.to_ascii_lowercase();
    let rest = rest.strip_prefix("data:image/").unwrap_or_default();
    kinds.iter().any(|kind| rest.strip_prefix(kind).is_some_and(|r| r.starts_with([';', ','])))
}

const ELEMENTS: &[&str] = &[
    // 7 The global structure of a document
    "div",
    "span",
    "h1",
    "h2",
    "h3",
    "h4",
    "h5",
    "h6",
    "address",
    // 8 Language and direction
    "bdo",
    // 9 Text
    "em",
    "strong",
    "dfn",
    "code",
    "samp",
    "kbd",
    "var",
    "cite",
    "abbr",
    "acronym",
    "blockquote",
    "q",
    "sub",
    "sup",
    "p",
    "br",
    "pre",
    // 10 Lists
    "ul",
    "ol",
    "li",
    "dl",
    "dt",
    "dd",
    // 11 Tables
    "table",
    "caption",
    "colgroup",
    "col",
    "thead",
    "tbody",
    "tfoot",
    "tr",
    "th",
    "td",
    // 15 Alignment, font styles, horizontal rules
    "tt",
    "i",
    "b",
    "big",
    "small",
    "hr",
    // Links and images
    "a",
    "img",
    "map",
    "area",
];

fn is_allowed(element: &str, attribute: &str) -> bool {
    let common = ["id", "class", "title", "style", "lang", "dir", "accesskey", "tabindex"];
    common.contains(&attribute)
        || FORMATTING.contains(&attribute)
        || ATTRIBUTES
            .iter()
            .any(|(elements, names)| elements.contains(&element) && names.contains(&attribute))
}

/// Attributes that say only how something looks or what it belongs to: those of the published test
/// of txt-1, and the others of the chapters of HTML 4.
const FORMATTING: &[&str] = &[
    "abbr",
    "align",
    "alt",
    "axis",
    "bgcolor",
    "border",
    "cellhalign",
    "cellpadding",
    "cellspacing",
    "cellvalign",
    "char",
    "charoff",
    "clear",
    "colspan",
    "compact",
    "frame",
    "headers",
    "height",
    "hspace",
    "noshade",
    "nowrap",
    "rowspan",
    "rules",
    "scope",
    "size",
    "span",
    "start",
    "summary",
    "type",
    "valign",
    "value",
    "vspace",
    "width",
];

/// Elements, and the attributes that they alone may have.
const ATTRIBUTES: &[(&[&str], &[&str])] = &[
    (&["a"], &["href", "name", "charset", "hreflang", "rel", "rev", "shape", "coords"]),
    (&["area"], &["href", "nohref", "shape", "coords"]),
    (&["map"], &["name"]),
    (&["img"], &["src", "longdesc", "name", "usemap", "ismap"]),
    (&["blockquote", "q"], &["cite"]),
];

#[cfg(test)]
mod tests;
