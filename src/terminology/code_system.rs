//! One code system: what it is, and its concepts.
//!
//! Source: <http://hl7.org/fhir/R4/codesystem.html>.

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::TerminologyError;
use super::bytes::{Reader, Writer, damaged};
use super::concepts::{Builder, Concept, Concepts, PropertyType};

/// A code system that is held, wholly or in part.
pub struct CodeSystem {
    /// Its canonical URL, the `system` of codings.
    pub url: String,
    /// Its version, if it says one.
    pub version: Option<String>,
    /// Its name for people: the title where it has no name, the URL where it has neither.
    pub name: String,
    /// The language of its displays, if it says one.
    pub language: Option<String>,
    /// The value set of all its codes, if it names one.
    pub value_set: Option<String>,
    /// What being below means (`is-a`, `part-of`, …), if it says so.
    pub hierarchy_meaning: Option<String>,
    /// Whether `A` and `a` are two codes.
    pub case_sensitive: bool,
    /// How much of it is held, in the words of the standard; `complete` where it says nothing.
    content: String,
    declared: Vec<String>,
    concepts: Concepts,
}

/// The first line of the kept form, with its version.
pub(super) const KEPT: &str = "spondyl code system 1\n";

/// The URIs of the standard's own properties (<http://hl7.org/fhir/R4/codesystem-concept-properties.html>).
const STANDARD_PROPERTIES: &str = "http://hl7.org/fhir/concept-properties#";

impl CodeSystem {
    /// Reads a CodeSystem resource, whole or shortened to its codes.
    ///
    /// # Errors
    /// [`TerminologyError`] for one without `url`, and for a concept above itself.
    pub fn read(value: &Value) -> Result<Self, TerminologyError> {
        let text = |key: &str| value[key].as_str().map(str::to_owned);
        let url = text("url").ok_or(TerminologyError::invalid("CodeSystem.url is missing"))?;
        let name = text("name").or_else(|| text("title")).unwrap_or_else(|| url.clone());
        let case_sensitive = value["caseSensitive"] != false;
        let mut builder = Builder::default();
        if !case_sensitive {
            builder.ignore_case();
        }
        let meanings = Meanings::read(&value["property"]);
        add(&mut builder, &meanings, &value["concept"], None);
        let concepts = builder
            .finish()
            .map_err(|e| TerminologyError::new(e.kind, format!("CodeSystem {url}: {e}")))?;
        Ok(Self {
            version: text("version"),
            language: text("language"),
            value_set: text("valueSet"),
            hierarchy_meaning: text("hierarchyMeaning"),
            content: text("content").unwrap_or_else(|| "complete".to_owned()),
            declared: meanings.declared,
            url,
            name,
            case_sensitive,
            concepts,
        })
    }

    /// Adds what a resource, such as a supplement, says of concepts that are there already.
    pub(super) fn read_concepts(&self, builder: &mut Builder, resource: &Value) {
        fn known(held: &CodeSystem, list: &Value, found: &mut Vec<Value>) {
            for value in list.as_array().into_iter().flatten() {
                let mut own = value.clone();
                if let Some(own) = own.as_object_mut() {
                    own.remove("concept");
                    own.remove("display");
                }
                if value["code"].as_str().is_some_and(|code| held.contains(code)) {
                    found.push(own);
                }
                known(held, &value["concept"], found);
            }
        }
        let mut found = Vec::new();
        known(self, &resource["concept"], &mut found);
        add(builder, &Meanings::read(&resource["property"]), &Value::Array(found), None);
    }

    /// The same system with other concepts.
    pub(super) fn with_concepts(&self, concepts: Concepts) -> Self {
        Self {
            url: self.url.clone(),
            version: self.version.clone(),
            name: self.name.clone(),
            language: self.language.clone(),
            value_set: self.value_set.clone(),
            hierarchy_meaning: self.hierarchy_meaning.clone(),
            case_sensitive: self.case_sensitive,
            content: self.content.clone(),
            declared: self.declared.clone(),
            concepts,
        }
    }

    /// The kept form: a line that says so, a line with all but the concepts, the concepts, and a
    /// digest of it all.
    pub fn to_bytes(&self) -> Vec<u8> {
        let header = json!({
            "url": self.url, "version": self.version, "name": self.name,
            "language": self.language, "valueSet": self.value_set,
            "hierarchyMeaning": self.hierarchy_meaning, "caseSensitive": self.case_sensitive,
            "content": self.content, "property": self.declared, "count": self.concepts.len(),
        });
        let mut writer = Writer::default();
        writer.raw(KEPT.as_bytes());
        writer.raw(header.to_string().as_bytes());
        writer.raw(b"\n");
        self.concepts.write(&mut writer);
        let mut bytes = writer.finish();
        let digest = Sha256::digest(&bytes);
        bytes.extend_from_slice(&digest);
        bytes
    }

    /// Reads the kept form.
    ///
    /// # Errors
    /// [`TerminologyError`] for bytes of another form or version of it, and for damaged ones.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, TerminologyError> {
        let (bytes, digest) = bytes.split_last_chunk::<32>().ok_or_else(damaged)?;
        let rest = bytes.strip_prefix(KEPT.as_bytes()).ok_or_else(|| {
            TerminologyError::invalid("it is no code system in the kept form of this version")
        })?;
        if Sha256::digest(bytes).as_slice() != digest {
            return Err(damaged());
        }
        let end = rest.iter().position(|byte| *byte == b'\n').ok_or_else(damaged)?;
        let (header, rest) = rest.split_at_checked(end).ok_or_else(damaged)?;
        let header: &Value = &serde_json::from_slice(header).map_err(|_| damaged())?;
        let concepts = Concepts::read(&mut Reader::new(rest.get(1..).unwrap_or_default()))?;
        let text = |key: &str| header[key].as_str().map(str::to_owned);
        let declared = header["property"].as_array().into_iter().flatten();
        Ok(Self {
            url: text("url").ok_or_else(damaged)?,
            version: text("version"),
            name: text("name").ok_or_else(damaged)?,
            language: text("language"),
            value_set: text("valueSet"),
            hierarchy_meaning: text("hierarchyMeaning"),
            case_sensitive: header["caseSensitive"] == true,
            content: text("content").ok_or_else(damaged)?,
            declared: declared.filter_map(|name| name.as_str().map(str::to_owned)).collect(),
            concepts,
        })
    }

    /// A complete system of that table, as from a release of its publisher.
    pub fn of(url: &str, name: &str, version: Option<&str>, concepts: Concepts) -> Self {
        Self {
            url: url.to_owned(),
            version: version.map(str::to_owned),
            name: name.to_owned(),
            language: None,
            value_set: None,
            hierarchy_meaning: Some("is-a".to_owned()),
            case_sensitive: true,
            content: "complete".to_owned(),
            declared: Vec::new(),
            concepts,
        }
    }

    /// Its concepts.
    pub fn concepts(&self) -> &Concepts {
        &self.concepts
    }

    /// Whether the system has the code.
    pub fn contains(&self, code: &str) -> bool {
        self.concept(code).is_some()
    }

    /// The concept of that code; the case of letters counts unless the system says it does not.
    pub fn concept(&self, code: &str) -> Option<Concept<'_>> {
        let found = self.concepts.find(code);
        if self.case_sensitive {
            found
        } else {
            found.or_else(|| self.concepts.find_any_case(code))
        }
    }

    /// Whether all codes of the system are held. A fragment or an example says nothing of the codes
    /// that it lacks.
    pub fn is_complete(&self) -> bool {
        self.content == "complete"
    }

    /// That an answer would need codes which are not held.
    pub(super) fn missing(&self) -> TerminologyError {
        if self.content == "not-present" {
            let message = format!("the codes of the code system {} are not held here", self.url);
            return TerminologyError::not_found(message);
        }
        let message =
            format!("the code system {} is held only in part ({})", self.url, self.content);
        TerminologyError::incomplete(message)
    }

    /// Whether `code` is `ancestor` or below it.
    pub fn is_a(&self, code: &str, ancestor: &str) -> bool {
        match (self.concept(code), self.concept(ancestor)) {
            (Some(concept), Some(ancestor)) => concept.is_a(ancestor),
            _ => false,
        }
    }

    /// Whether the code has the property with that value.
    pub fn has_property(&self, code: &str, name: &str, value: &str) -> bool {
        self.concept(code).is_some_and(|concept| has_property(concept, name, value))
    }

    /// Whether the system knows a property of that name: the standard's own, one it declares, or
    /// one that a concept has.
    pub fn knows_property(&self, name: &str) -> bool {
        let own = ["code", "concept", "display", "definition", "parent", "child", "inactive"];
        own.contains(&name)
            || name == "notSelectable"
            || self.declared.iter().any(|declared| declared == name)
            || self.concepts.uses_property(name)
    }

    /// The names of the properties that it declares or that its concepts have.
    pub fn property_names(&self) -> Vec<&str> {
        let used =
            self.concepts.property_names().filter(|name| !self.declared.iter().any(|d| d == name));
        self.declared.iter().map(String::as_str).chain(used).collect()
    }

    /// Whether being below means being a kind of.
    pub fn hierarchy_meaning_is_kind(&self) -> bool {
        self.hierarchy_meaning.as_deref().is_none_or(|meaning| meaning == "is-a")
    }

    /// Its canonical with version, as far as known.
    pub fn canonical(&self) -> String {
        match &self.version {
            Some(version) => format!("{}|{version}", self.url),
            None => self.url.clone(),
        }
    }
}

/// Whether the concept has the property with that value; what the standard defines for every
/// system counts as a property too.
pub(super) fn has_property(concept: Concept<'_>, name: &str, value: &str) -> bool {
    let stored = || concept.properties().any(|p| p.name == name && p.matches(value));
    match name {
        "code" | "concept" => concept.code() == value,
        "parent" => concept.parents().any(|parent| parent.code() == value),
        "child" => concept.children().any(|child| child.code() == value),
        "display" => concept.display() == Some(value),
        "definition" => concept.definition() == Some(value),
        "inactive" => concept.is_inactive().to_string() == value,
        "notSelectable" => concept.is_abstract().to_string() == value,
        _ => stored(),
    }
}

/// What the properties of a system mean, by their code.
struct Meanings {
    declared: Vec<String>,
    /// Code and standard meaning.
    standard: Vec<(String, String)>,
}

impl Meanings {
    fn read(list: &Value) -> Self {
        let mut meanings = Self { declared: Vec::new(), standard: Vec::new() };
        for property in list.as_array().into_iter().flatten() {
            let Some(code) = property["code"].as_str() else { continue };
            meanings.declared.push(code.to_owned());
            let uri =
                property["uri"].as_str().and_then(|uri| uri.strip_prefix(STANDARD_PROPERTIES));
            if let Some(meaning) = uri {
                meanings.standard.push((code.to_owned(), meaning.to_owned()));
            }
        }
        meanings
    }

    fn of<'a>(&'a self, code: &'a str) -> &'a str {
        let found = self.standard.iter().find(|(name, _)| name == code);
        found.map_or(code, |(_, meaning)| meaning.as_str())
    }
}

fn add(builder: &mut Builder, meanings: &Meanings, list: &Value, parent: Option<u32>) {
    for value in list.as_array().into_iter().flatten() {
        let Some(code) = value["code"].as_str() else { continue };
        let number = builder.concept(code);
        if let Some(parent) = parent {
            builder.nest(number, parent);
        }
        if let Some(display) = value["display"].as_str() {
            builder.display(display);
        }
        if let Some(definition) = value["definition"].as_str() {
            builder.definition(definition);
        }
        for property in value["property"].as_array().into_iter().flatten() {
            add_property(builder, meanings, property);
        }
        for designation in value["designation"].as_array().into_iter().flatten() {
            if let Some(text) = designation["value"].as_str() {
                let language = designation["language"].as_str();
                builder.designation(language, designation.get("use"), text);
            }
        }
        add(builder, meanings, &value["concept"], Some(number));
    }
}

fn add_property(builder: &mut Builder, meanings: &Meanings, property: &Value) {
    let (Some(name), Some((kind, text))) = (property["code"].as_str(), property_value(property))
    else {
        return;
    };
    match (meanings.of(name), text.as_str()) {
        ("parent" | "subsumedBy", _) => return builder.parent(&text),
        ("child", _) => return builder.child(&text),
        ("inactive", "true") | ("status", "retired" | "inactive") => builder.inactive(),
        ("notSelectable" | "abstract", "true") => builder.not_selectable(),
        _ => {}
    }
    builder.property(name, kind, &text);
}

fn property_value(property: &Value) -> Option<(PropertyType, String)> {
    let types = [
        ("valueCode", PropertyType::Code),
        ("valueString", PropertyType::String),
        ("valueDateTime", PropertyType::DateTime),
        ("valueCoding", PropertyType::Coding),
        ("valueInteger", PropertyType::Integer),
        ("valueBoolean", PropertyType::Boolean),
        ("valueDecimal", PropertyType::Decimal),
    ];
    let found = types.iter().find_map(|(name, kind)| Some((*kind, property.get(*name)?)));
    let (kind, value) = found?;
    match value {
        Value::String(text) => Some((kind, text.clone())),
        Value::Object(_) | Value::Number(_) | Value::Bool(_) => Some((kind, value.to_string())),
        _ => None,
    }
}
