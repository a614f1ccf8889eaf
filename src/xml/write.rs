//! From the JSON of a resource to XML.

use std::borrow::Cow;
use std::io;

use quick_xml::Writer;
use quick_xml::events::attributes::Attribute;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};
use quick_xml::name::QName;
use roxmltree::{Document, Node};
use serde_json::{Map, Value};

use super::{NAMESPACE, NARRATIVE, XHTML};
use crate::definitions::model::{Kind, Model};
use crate::fhir::json::{At, Malformed};

/// Writes a resource in XML.
///
/// # Errors
/// [`Malformed`] with the place of what XML has no way to say: a member that R4 does not have, a
/// wrong JSON type, a narrative that is not well-formed. Content that passed the validator has
/// none of those.
pub fn write(model: &Model, value: &Value, pretty: bool) -> Result<Vec<u8>, Malformed> {
    let out =
        if pretty { Writer::new_with_indent(Vec::new(), b' ', 2) } else { Writer::new(Vec::new()) };
    let mut print = Print { model, out, path: Vec::new() };
    print.event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    print.resource(value, true)?;
    Ok(print.out.into_inner())
}

struct Print<'m> {
    model: &'m Model,
    out: Writer<Vec<u8>>,
    path: Vec<String>,
}

impl Print<'_> {
    fn fault(&self, message: impl Into<String>) -> Malformed {
        Malformed { message: message.into(), position: None, path: Some(self.path.join(".")) }
    }

    fn event(&mut self, event: Event<'_>) -> Result<(), Malformed> {
        self.out.write_event(event).map_err(|_: io::Error| self.fault("Nothing can be written."))
    }

    fn end(&mut self, name: &str) -> Result<(), Malformed> {
        self.event(Event::End(BytesEnd::new(name)))
    }

    fn resource(&mut self, value: &Value, is_root: bool) -> Result<(), Malformed> {
        let name = value.at("resourceType").as_str().unwrap_or_default();
        let known = self.model.get(name).is_some_and(|found| found.kind == Kind::Resource);
        let Some(object) = value.as_object().filter(|_| known) else {
            return Err(self.fault("A resource is expected here."));
        };
        if is_root {
            self.path.push(name.to_owned());
        }
        let mut start = BytesStart::new(name);
        if is_root {
            start.push_attribute(("xmlns", NAMESPACE));
        }
        self.event(Event::Start(start))?;
        self.members(object, name)?;
        self.end(name)
    }

    /// The elements of an object of that type, in the order of the standard.
    fn members(&mut self, object: &Map<String, Value>, kind: &str) -> Result<(), Malformed> {
        let model = self.model;
        let Some(found) = model.get(kind) else { return Err(self.fault("The type is not known.")) };
        let is_resource = found.kind == Kind::Resource;
        let mut written = usize::from(is_resource);
        for element in &found.elements {
            for (name, own) in element.json_names() {
                let is_attribute = (name == "id" && !is_resource)
                    || (name == "url" && kind == "Extension")
                    || (name == "value" && found.kind == Kind::Primitive);
                let beside = format!("_{name}");
                let (value, beside) = (object.get(&name), object.get(&beside));
                written += usize::from(value.is_some()) + usize::from(beside.is_some());
                if is_attribute || (value.is_none() && beside.is_none()) {
                    continue;
                }
                self.path.push(name.clone());
                self.element(&name, &own.code, element.array, [value, beside])?;
                self.path.pop();
            }
        }
        if written < object.len() {
            return Err(self.fault("There is a member that R4 does not have."));
        }
        Ok(())
    }

    /// All repeats of an element; `values` are the member and the one with the underscore.
    fn element(
        &mut self,
        name: &str,
        kind: &str,
        repeats: bool,
        values: [Option<&Value>; 2],
    ) -> Result<(), Malformed> {
        if !repeats {
            return self.one(name, kind, values);
        }
        let lists = values.map(|value| value.map(|value| value.as_array().ok_or(())).transpose());
        let [Ok(value), Ok(beside)] = lists else {
            return Err(self.fault("An array is expected here."));
        };
        let [value, beside] = [value, beside].map(|list| list.map_or(&[][..], Vec::as_slice));
        for at in 0..value.len().max(beside.len()) {
            let repeat = [value, beside].map(|list| list.get(at).filter(|one| !one.is_null()));
            self.one(name, kind, repeat)?;
        }
        Ok(())
    }

    fn one(
        &mut self,
        name: &str,
        kind: &str,
        [value, beside]: [Option<&Value>; 2],
    ) -> Result<(), Malformed> {
        let family = self.model.get(kind).map(|found| found.kind);
        if kind == NARRATIVE {
            let div = value.and_then(Value::as_str).unwrap_or_default();
            return self.div(div);
        }
        if family == Some(Kind::Resource) {
            self.event(Event::Start(BytesStart::new(name)))?;
            self.resource(value.unwrap_or(&Value::Null), false)?;
            return self.end(name);
        }
        let is_primitive = family == Some(Kind::Primitive);
        let content = if is_primitive { beside } else { value };
        let object = match content {
            Some(Value::Object(object)) => Some(object),
            None if is_primitive => None,
            _ => return Err(self.fault("An object is expected here.")),
        };
        let mut start = BytesStart::new(name);
        for key in ["id", "url"] {
            let text = object.and_then(|object| object.get(key)).and_then(Value::as_str);
            if let Some(text) = text.filter(|_| key == "id" || kind == "Extension") {
                start.push_attribute(attribute(key, text));
            }
        }
        if is_primitive {
            let text = match value {
                Some(Value::String(text)) => Some(text.clone()),
                Some(other @ (Value::Number(_) | Value::Bool(_))) => Some(other.to_string()),
                None => None,
                Some(_) => return Err(self.fault("A primitive is expected here.")),
            };
            if let Some(text) = text {
                start.push_attribute(attribute("value", &text));
            }
        }
        let attributes = |object: &Map<String, Value>| {
            usize::from(object.contains_key("id"))
                + usize::from(kind == "Extension" && object.contains_key("url"))
        };
        match object.filter(|object| object.len() > attributes(object)) {
            None => self.event(Event::Empty(start)),
            Some(object) => {
                self.event(Event::Start(start))?;
                self.members(object, kind)?;
                self.end(name)
            }
        }
    }

    /// The narrative, as it is in JSON too.
    fn div(&mut self, div: &str) -> Result<(), Malformed> {
        let document = Document::parse(div);
        let well = document.is_ok_and(|document| {
            let name = document.root_element().tag_name();
            name.name() == "div" && name.namespace() == Some(XHTML)
        });
        if !well {
            return Err(self.fault("The narrative is not a well-formed div."));
        }
        self.event(Event::Text(BytesText::from_escaped(div)))
    }
}

/// An attribute whose white space survives reading (XML 1.0, 3.3.3).
fn attribute<'a>(name: &'a str, text: &str) -> Attribute<'a> {
    let mut value = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => value.push_str("&amp;"),
            '<' => value.push_str("&lt;"),
            '>' => value.push_str("&gt;"),
            '"' => value.push_str("&quot;"),
            '\n' => value.push_str("&#10;"),
            '\r' => value.push_str("&#13;"),
            '\t' => value.push_str("&#9;"),
            c => value.push(c),
        }
    }
    Attribute { key: QName(name), value: Cow::Owned(value) }
}

/// A narrative whose namespaces are declared further out, so that it can stand alone.
pub(super) fn narrative(div: Node<'_, '_>) -> String {
    let mut text = String::new();
    alone(div, true, &mut text);
    text
}

fn alone(node: Node<'_, '_>, is_root: bool, text: &mut String) {
    if let Some(content) = node.text().filter(|_| node.is_text()) {
        text.push_str(&quick_xml::escape::partial_escape(content));
    }
    if !node.is_element() {
        return;
    }
    let name = node.tag_name().name();
    text.push('<');
    text.push_str(name);
    if is_root {
        text.extend([" xmlns=\"", XHTML, "\""]);
    }
    for found in node.attributes() {
        // The one prefix that needs no declaration.
        let prefix = if found.namespace().is_some() { "xml:" } else { "" };
        let value = attribute("value", found.value()).value;
        text.extend([" ", prefix, found.name(), "=\"", &value, "\""]);
    }
    if node.has_children() {
        text.push('>');
        node.children().for_each(|child| alone(child, false, text));
        text.extend(["</", name, ">"]);
    } else {
        text.push_str("/>");
    }
}
