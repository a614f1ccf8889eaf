//! From XML to the JSON of the same resource.

use roxmltree::{Document, Error, Node, ParsingOptions};
use serde_json::{Map, Number, Value};

use super::{NAMESPACE, NARRATIVE, XHTML};
use crate::definitions::model::{Element, Kind, Model};
use crate::fhir::json::{MAX_DEPTH, Malformed};

/// How many elements, texts and comments a document may have.
const MAX_NODES: u32 = 4_000_000;

/// Where schemas are named for tools; says nothing of the content.
const SCHEMA_INSTANCE: &str = "http://www.w3.org/2001/XMLSchema-instance";

/// Reads one resource in XML; the answer is its JSON.
///
/// # Errors
/// [`Malformed`] with line, column and element for what is not well-formed, for a document type
/// declaration, another encoding than UTF-8, an element or attribute that R4 does not have there or
/// not in that order, text between elements, and nesting past [`MAX_DEPTH`].
pub fn read(model: &Model, bytes: &[u8]) -> Result<Value, Malformed> {
    let text = std::str::from_utf8(bytes)
        .map_err(|_| whole("The text is not UTF-8, the only encoding that is read."))?;
    if text.trim_ascii().is_empty() {
        return Err(whole("The body is empty; an XML element is expected."));
    }
    if is_of_other_encoding(text) {
        return Err(whole("The declaration names another encoding than UTF-8."));
    }
    let document = parse(text).map_err(|error| broken(&error))?;
    Reader { model, document: &document }.resource(document.root_element(), 0)
}

/// Whether the text is that resource in XML, going by its root element. What is in another encoding
/// than UTF-8 or has a document type declaration is no resource.
///
/// # Errors
/// [`Malformed`] for what is not well-formed.
pub fn is_resource(bytes: &[u8], kind: &str) -> Result<bool, Malformed> {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ok(false) };
    if is_of_other_encoding(text) {
        return Ok(false);
    }
    match parse(text) {
        Ok(document) => Ok(document.root_element().has_tag_name((NAMESPACE, kind))),
        Err(Error::DtdDetected) => Ok(false),
        Err(error) => Err(broken(&error)),
    }
}

fn parse(text: &str) -> Result<Document<'_>, Error> {
    let options =
        ParsingOptions { allow_dtd: false, nodes_limit: MAX_NODES, ..ParsingOptions::default() };
    Document::parse_with_options(text, options)
}

fn is_of_other_encoding(text: &str) -> bool {
    declared_encoding(text).is_some_and(|name| !name.eq_ignore_ascii_case("utf-8"))
}

fn whole(message: &str) -> Malformed {
    Malformed { message: message.to_owned(), position: None, path: None }
}

/// The encoding that the XML declaration names.
fn declared_encoding(text: &str) -> Option<&str> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let declaration = text.strip_prefix("<?xml")?.split("?>").next()?;
    let value = declaration.split("encoding").nth(1)?.trim_start().strip_prefix('=')?.trim_start();
    let quote = value.chars().next().filter(|c| ['"', '\''].contains(c))?;
    value.get(1..)?.split(quote).next()
}

fn broken(error: &Error) -> Malformed {
    let message = match error {
        Error::DtdDetected => "A document type declaration is not read.",
        Error::UnknownEntityReference(..) => "The text has an entity that XML does not know.",
        Error::NodesLimitReached => "The text has more elements than can be read.",
        Error::UnknownNamespace(..) => "A namespace prefix is not declared.",
        Error::UnexpectedCloseTag(..) => "An element is closed that is not the one open.",
        Error::DuplicatedAttribute(..) => "An element has the same attribute twice.",
        _ => "The text is not well-formed XML.",
    };
    let position = error.pos();
    let position = (position.row > 0).then_some((position.row as usize, position.col as usize));
    Malformed { message: message.to_owned(), position, path: None }
}

struct Reader<'a> {
    model: &'a Model,
    document: &'a Document<'a>,
}

/// The repeats of one element.
struct Repeats<'m> {
    json_name: String,
    element: &'m Element,
    is_primitive: bool,
    values: Vec<Option<Value>>,
    /// Ids and extensions of primitives.
    beside: Vec<Option<Value>>,
}

impl Reader<'_> {
    fn fault(&self, node: Node<'_, '_>, message: impl Into<String>) -> Malformed {
        let position = self.document.text_pos_at(node.range().start);
        Malformed {
            message: message.into(),
            position: Some((position.row as usize, position.col as usize)),
            path: Some(place(node)),
        }
    }

    fn resource(&self, node: Node<'_, '_>, depth: usize) -> Result<Value, Malformed> {
        let name = node.tag_name().name();
        if node.tag_name().namespace() != Some(NAMESPACE) {
            let text = format!("The namespace of a resource is {NAMESPACE}.");
            return Err(self.fault(node, text));
        }
        let known = self.model.get(name).is_some_and(|found| found.kind == Kind::Resource);
        if !known {
            return Err(self.fault(node, "R4 has no resource type of this name."));
        }
        let mut object = Map::new();
        object.insert("resourceType".to_owned(), Value::String(name.to_owned()));
        self.members(node, name, &mut object, depth)?;
        Ok(Value::Object(object))
    }

    /// Puts the attributes and elements of `node`, which is of that type, into `object`.
    fn members(
        &self,
        node: Node<'_, '_>,
        kind: &str,
        object: &mut Map<String, Value>,
        depth: usize,
    ) -> Result<(), Malformed> {
        if depth > MAX_DEPTH {
            return Err(self.fault(node, format!("Elements nest more than {MAX_DEPTH} deep.")));
        }
        self.attributes(node, kind, object)?;
        let (mut last, mut open): (usize, Option<Repeats<'_>>) = (0, None);
        for child in node.children() {
            if !self.is_content(child)? {
                continue;
            }
            let name = child.tag_name().name();
            let (element, own) = self
                .model
                .member(kind, name)
                .ok_or_else(|| self.fault(child, "R4 has no such element here."))?;
            let repeats = match open.take() {
                Some(repeats) if repeats.json_name == name => {
                    if !element.array {
                        return Err(self.fault(child, "This element may occur only once."));
                    }
                    repeats
                }
                before => {
                    if let Some(before) = before {
                        before.close(object);
                    }
                    let at = self.position(kind, element);
                    if at < last || object.contains_key(name) {
                        let text = "This element stands after one that R4 orders behind it.";
                        return Err(self.fault(child, text));
                    }
                    last = at;
                    let is_primitive = self.is_primitive(&own.code);
                    let json_name = name.to_owned();
                    Repeats { json_name, element, is_primitive, values: vec![], beside: vec![] }
                }
            };
            open = Some(self.one_more(repeats, child, &own.code, depth)?);
        }
        if let Some(repeats) = open {
            repeats.close(object);
        }
        Ok(())
    }

    /// Whether the node is an element, which text and wrong namespaces keep from being read.
    fn is_content(&self, child: Node<'_, '_>) -> Result<bool, Malformed> {
        if child.is_text() && child.text().is_some_and(|text| !text.trim_ascii().is_empty()) {
            let text = "Text stands between elements; values are attributes named value.";
            return Err(self.fault(child.parent_element().unwrap_or(child), text));
        }
        if !child.is_element() {
            return Ok(false);
        }
        let namespace = child.tag_name().namespace();
        let expected = if child.tag_name().name() == "div" { XHTML } else { NAMESPACE };
        if namespace != Some(expected) {
            return Err(self.fault(child, format!("The namespace of this element is {expected}.")));
        }
        Ok(true)
    }

    fn attributes(
        &self,
        node: Node<'_, '_>,
        kind: &str,
        object: &mut Map<String, Value>,
    ) -> Result<(), Malformed> {
        let found = self.model.get(kind).map(|found| found.kind);
        for attribute in node.attributes() {
            let known = match attribute.name() {
                "id" => found != Some(Kind::Resource),
                "url" => kind == "Extension",
                "value" => found == Some(Kind::Primitive),
                _ => false,
            };
            match attribute.namespace() {
                Some(SCHEMA_INSTANCE) => {}
                None if known && attribute.name() == "value" => {}
                None if known => {
                    let value = Value::String(attribute.value().to_owned());
                    object.insert(attribute.name().to_owned(), value);
                }
                _ => {
                    let text = format!("R4 has no attribute {} here.", attribute.name());
                    return Err(self.fault(node, text));
                }
            }
        }
        Ok(())
    }

    fn one_more<'m>(
        &self,
        mut repeats: Repeats<'m>,
        node: Node<'_, '_>,
        kind: &str,
        depth: usize,
    ) -> Result<Repeats<'m>, Malformed> {
        let mut object = Map::new();
        if kind == NARRATIVE {
            repeats.values.push(Some(Value::String(self.narrative(node))));
            repeats.beside.push(None);
        } else if repeats.is_primitive {
            self.members(node, kind, &mut object, depth + 1)?;
            repeats.values.push(node.attribute("value").map(|text| primitive(kind, text)));
            repeats.beside.push((!object.is_empty()).then_some(Value::Object(object)));
        } else if self.model.get(kind).is_some_and(|found| found.kind == Kind::Resource) {
            repeats.values.push(Some(self.inner_resource(node, depth + 1)?));
        } else {
            self.members(node, kind, &mut object, depth + 1)?;
            repeats.values.push(Some(Value::Object(object)));
        }
        Ok(repeats)
    }

    /// The one resource in an element that holds a resource.
    fn inner_resource(&self, node: Node<'_, '_>, depth: usize) -> Result<Value, Malformed> {
        if node.attributes().next().is_some() {
            return Err(self.fault(node, "R4 has no attributes here."));
        }
        let mut inner = None;
        for child in node.children() {
            if self.is_content(child)? && inner.replace(child).is_some() {
                return Err(self.fault(child, "There is room for one resource here."));
            }
        }
        let inner = inner.ok_or_else(|| self.fault(node, "A resource is missing here."))?;
        self.resource(inner, depth)
    }

    /// The div as it stands in the text, if it can stand alone; else written anew.
    fn narrative(&self, node: Node<'_, '_>) -> String {
        let text = self.document.input_text().get(node.range()).unwrap_or_default();
        match Document::parse(text) {
            Ok(alone) if alone.root_element().tag_name().namespace() == Some(XHTML) => {
                text.to_owned()
            }
            _ => super::write::narrative(node),
        }
    }

    fn position(&self, kind: &str, element: &Element) -> usize {
        let elements = self.model.get(kind).map(|found| found.elements.as_slice());
        let mut elements = elements.unwrap_or_default().iter();
        elements.position(|known| known.name == element.name).unwrap_or_default()
    }

    fn is_primitive(&self, kind: &str) -> bool {
        self.model.get(kind).is_some_and(|found| found.kind == Kind::Primitive)
    }
}

impl Repeats<'_> {
    fn close(self, object: &mut Map<String, Value>) {
        let name = self.json_name;
        if !self.is_primitive {
            let mut values = self.values.into_iter().flatten();
            let value = if self.element.array {
                Some(Value::Array(values.collect()))
            } else {
                values.next()
            };
            object.extend(value.map(|value| (name, value)));
            return;
        }
        for (name, values) in [(name.clone(), self.values), (format!("_{name}"), self.beside)] {
            if values.iter().all(Option::is_none) {
                continue;
            }
            let mut values = values.into_iter().map(Option::unwrap_or_default);
            let value = if self.element.array {
                Value::Array(values.collect())
            } else {
                values.next().unwrap_or_default()
            };
            object.insert(name, value);
        }
    }
}

/// The JSON of a primitive; text that is none of its type stays text, for the validator to tell.
fn primitive(kind: &str, text: &str) -> Value {
    let is_number = matches!(kind, "integer" | "positiveInt" | "unsignedInt" | "decimal");
    match (kind, text) {
        ("boolean", "true") => Value::Bool(true),
        ("boolean", "false") => Value::Bool(false),
        _ if is_number => serde_json::from_str::<Number>(text)
            .map_or_else(|_| Value::String(text.to_owned()), Value::Number),
        _ => Value::String(text.to_owned()),
    }
}

/// The FHIRPath of an element, from the root; indices where an element repeats.
fn place(node: Node<'_, '_>) -> String {
    let mut parts = Vec::new();
    for step in node.ancestors().filter(Node::is_element) {
        let name = step.tag_name().name();
        let is_root = step.parent_element().is_none();
        // The name of a resource within another is no step of a path.
        if name.starts_with(|c: char| c.is_ascii_uppercase()) && !is_root {
            continue;
        }
        let same = |other: &Node<'_, '_>| other.tag_name() == step.tag_name();
        let before = step.prev_siblings().skip(1).filter(same).count();
        let more = before > 0 || step.next_siblings().skip(1).any(|other| same(&other));
        parts.push(if more { format!("{name}[{before}]") } else { name.to_owned() });
    }
    parts.reverse();
    parts.join(".")
}
