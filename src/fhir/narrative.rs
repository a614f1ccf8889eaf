//! The XHTML of a narrative: what may stand in it.
//!
//! Every element and attribute is compared with a list; what is not on it is a fault, so nothing
//! passes because nobody thought of it. The text is never changed or repaired here, and output must
//! be encoded all the same. Only the div is judged: whether links reach something in the resource
//! is for whoever holds the resource ([`links`], [`ids`]).
//! Source: <http://hl7.org/fhir/R4/narrative.html> (txt-1, txt-2, security); the chapters of HTML 4
//! that it names: <https://www.w3.org/TR/html401/> 7 to 11 without 9.4, and 15; deprecated elements
//! are out. Image maps (`map`, `area`) belong to images and are let in: common practice, no source.

use roxmltree::{Document, Error, Node, ParsingOptions};

use super::Severity;

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
    let mut check = Check { document: &document, faults: Vec::new() };
    let root = document.root_element();
    if root.tag_name().name() != "div" {
        check.fault(root, "The narrative must be one div element.");
    }
    for node in document.descendants() {
        check.node(node);
    }
    if !root.descendants().any(is_readable) {
        check.faults.push(NarrativeFault {
            severity: Severity::Error,
            rule: RULE_EMPTY,
            message: "The narrative must have some text or an image.".to_owned(),
            position: None,
        });
    }
    check.faults
}

/// The fragments (without `#`) that links within the div point to; none if it is not XML.
pub fn links(div: &str) -> Vec<String> {
    attributes(div, |node, name| {
        (node.tag_name().name() == "a" && name == "href") || name == "usemap"
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
    NarrativeFault { severity: Severity::Error, rule: RULE_CONTENT, message, position }
}

/// Whether a person sees the node: text other than white space, or an image.
fn is_readable(node: Node<'_, '_>) -> bool {
    node.tag_name().name() == "img"
        || (node.is_text()
            && node.text().is_some_and(|text| text.chars().any(|c| !c.is_whitespace())))
}

struct Check<'a> {
    document: &'a Document<'a>,
    faults: Vec<NarrativeFault>,
}

impl Check<'_> {
    fn fault(&mut self, node: Node<'_, '_>, message: impl Into<String>) {
        self.push(Severity::Error, node, message);
    }

    fn push(&mut self, severity: Severity, node: Node<'_, '_>, message: impl Into<String>) {
        let at = self.document.text_pos_at(node.range().start);
        let (message, position) = (message.into(), Some((at.row, at.col)));
        self.faults.push(NarrativeFault { severity, rule: RULE_CONTENT, message, position });
    }

    fn node(&mut self, node: Node<'_, '_>) {
        if node.is_pi() {
            self.fault(node, "The narrative must not have processing instructions.");
        } else if node.is_element() {
            self.element(node);
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
            self.fault(node, message);
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
                let (name, attribute) = (shown(name), shown(attribute.name()));
                let message =
                    format!("The attribute {attribute} of {name} must not stand in a narrative.");
                self.fault(node, message);
            }
        }
    }

    fn value(&mut self, node: Node<'_, '_>, name: &str, value: &str) {
        match name {
            "style" => {
                if let Some(what) = style::danger(value) {
                    self.fault(node, format!("A style attribute must not have {what}."));
                }
            }
            "src" => self.image(node, value),
            "href" | "cite" | "longdesc" | "usemap" => {
                let safe = ["http", "https", "mailto", "tel", "ftp", "urn"];
                if scheme(value).is_some_and(|scheme| !safe.contains(&scheme.as_str())) {
                    let message = format!("The {name} of a narrative must not run or carry code.");
                    self.fault(node, message);
                }
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
                self.push(Severity::Warning, node, message);
            }
            Some("data") if is_image_data(value) => {}
            Some(_) => self.fault(node, "The src of an image must be an image."),
        }
    }
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
        || ATTRIBUTES
            .iter()
            .any(|(elements, names)| elements.contains(&element) && names.contains(&attribute))
}

const CELL_ALIGNMENT: &[&str] = &["align", "char", "charoff", "valign"];

/// Elements, and the attributes that they may have beside the common ones.
const ATTRIBUTES: &[(&[&str], &[&str])] = &[
    (&["a"], &["href", "name", "charset", "type", "hreflang", "rel", "rev", "shape", "coords"]),
    (&["area"], &["href", "nohref", "shape", "coords", "alt"]),
    (&["map"], &["name"]),
    (
        &["img"],
        &[
            "src", "alt", "longdesc", "name", "height", "width", "usemap", "ismap", "align",
            "border",
        ],
    ),
    (&["blockquote", "q"], &["cite"]),
    (&["p", "div", "h1", "h2", "h3", "h4", "h5", "h6", "hr", "caption", "table"], &["align"]),
    (&["pre", "hr"], &["width"]),
    (&["hr"], &["size", "noshade"]),
    (&["br"], &["clear"]),
    (&["ul", "ol", "li"], &["type"]),
    (&["ul", "ol", "dl"], &["compact"]),
    (&["ol"], &["start"]),
    (&["li"], &["value"]),
    (
        &["table"],
        &["summary", "width", "border", "frame", "rules", "cellspacing", "cellpadding", "bgcolor"],
    ),
    (&["colgroup", "col"], &["span", "width"]),
    (&["colgroup", "col", "thead", "tbody", "tfoot", "tr", "th", "td"], CELL_ALIGNMENT),
    (&["tr", "th", "td"], &["bgcolor"]),
    (
        &["th", "td"],
        &["abbr", "axis", "headers", "scope", "rowspan", "colspan", "nowrap", "width", "height"],
    ),
];

#[cfg(test)]
mod tests;
