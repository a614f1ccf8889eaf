//! Reading a definition, with all its rules.
//!
//! Source: <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition-definitions.html> (the
//! elements and the invariants sql-name and sql-expressions), and "Validate Columns" of
//! <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition-notes.html>.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use super::{Column, Expression, Fault, Foci, Select, ViewDefinition};
use crate::fhir::ResourceType;
use crate::validation::{Constant, Path, Shape};

/// How deep selections may stand in each other.
const MAX_DEPTH: usize = 32;

/// The elements of a definition: those that are read here, and what any definition says of itself.
const TOP: [&str; 33] = [
    "resourceType",
    "id",
    "meta",
    "implicitRules",
    "language",
    "text",
    "contained",
    "url",
    "identifier",
    "version",
    "versionAlgorithmString",
    "versionAlgorithmCoding",
    "name",
    "title",
    "status",
    "experimental",
    "date",
    "publisher",
    "contact",
    "description",
    "useContext",
    "jurisdiction",
    "purpose",
    "copyright",
    "copyrightLabel",
    "resource",
    "profile",
    "fhirVersion",
    "constant",
    "select",
    "where",
    "extension",
    "modifierExtension",
];

const SELECT: [&str; 7] =
    ["column", "select", "forEach", "forEachOrNull", "repeat", "unionAll", "id"];

const COLUMN: [&str; 7] = ["path", "name", "description", "collection", "type", "tag", "id"];

/// The types that a constant can have, as `value[x]` names them.
const CONSTANTS: [&str; 19] = [
    "base64Binary",
    "boolean",
    "canonical",
    "code",
    "date",
    "dateTime",
    "decimal",
    "id",
    "instant",
    "integer",
    "integer64",
    "oid",
    "string",
    "positiveInt",
    "time",
    "unsignedInt",
    "uri",
    "url",
    "uuid",
];

type Object = Map<String, Value>;

pub(super) fn read(value: &Value) -> Result<ViewDefinition, Vec<Fault>> {
    let mut reader = Reader::default();
    let view = reader.view(value);
    match view.filter(|_| reader.faults.is_empty()) {
        Some(view) => Ok(view),
        None => Err(reader.faults),
    }
}

/// Whether the name can be that of a column in any database: invariant sql-name.
fn is_name(name: &str) -> bool {
    name.starts_with(|c: char| c.is_ascii_alphabetic())
        && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

const NAME: &str = "A name is made of letters, digits and underscores, and starts with a letter.";

#[derive(Default)]
struct Reader {
    faults: Vec<Fault>,
    /// The constants that there are.
    known: BTreeSet<String>,
    depth: usize,
}

impl Reader {
    fn fault(&mut self, place: impl Into<String>, rule: impl Into<String>) {
        self.faults.push(Fault::new(place, rule));
    }

    fn view(&mut self, value: &Value) -> Option<ViewDefinition> {
        const PLACE: &str = "ViewDefinition";
        let object = self.object(value, PLACE, &TOP)?;
        if object.get("resourceType").is_some_and(|kind| kind != PLACE) {
            self.fault("resourceType", "The resource is a ViewDefinition.");
        }
        let name = self.text(object, PLACE, "name");
        if name.as_deref().is_some_and(|name| !is_name(name)) {
            self.fault(format!("{PLACE}.name"), NAME);
        }
        let constants = self.constants(object);
        let mut conditions = Vec::new();
        for (place, item) in self.list(object, PLACE, "where") {
            let Some(item) = self.object(item, &place, &["path", "description", "id"]) else {
                continue;
            };
            conditions.extend(self.expression(item, &place, "path"));
        }
        let selects = self.selects(object, PLACE, "select");
        if selects.is_empty() {
            self.fault(format!("{PLACE}.select"), "A view has at least one select.");
        }
        let place = PLACE.to_owned();
        let (columns, unions) = (Vec::new(), Vec::new());
        let root = Select { place, foci: Foci::Here, columns, selects, unions };
        let columns = self.columns(&root, &mut BTreeSet::new());
        if columns.is_empty() && self.faults.is_empty() {
            self.fault(format!("{PLACE}.select"), "A view has at least one column.");
        }
        let resource = self.resource(object)?;
        Some(ViewDefinition { name, resource, constants, conditions, root, columns })
    }

    fn resource(&mut self, object: &Object) -> Option<ResourceType> {
        let name = self.required(object, "ViewDefinition", "resource")?;
        let kind = ResourceType::parse(&name);
        if kind.is_none() {
            let rule = "R4 has no resource type of that name; names are case-sensitive.";
            self.fault("ViewDefinition.resource", rule);
        }
        kind
    }

    fn constants(&mut self, object: &Object) -> Vec<Constant> {
        let mut constants: Vec<Constant> = Vec::new();
        for (place, item) in self.list(object, "ViewDefinition", "constant") {
            let Some(item) = item.as_object() else {
                self.fault(place, "A constant is an object.");
                continue;
            };
            let Some(name) = self.required(item, &place, "name") else { continue };
            let rule = match name.as_str() {
                name if !is_name(name) => Some(NAME),
                name if Constant::is_taken(name) => {
                    Some("The language has a constant of that name.")
                }
                name if self.known.contains(name) => {
                    Some("There is a constant of that name already.")
                }
                _ => None,
            };
            if let Some(rule) = rule {
                self.fault(format!("{place}.name"), rule);
            }
            self.known.insert(name.clone());
            constants.extend(self.constant(item, &place, &name));
        }
        constants
    }

    fn constant(&mut self, item: &Object, place: &str, name: &str) -> Option<Constant> {
        let mut values = item.iter().filter(|(key, _)| key.starts_with("value"));
        let place = format!("{place}.value[x]");
        let (Some((key, value)), None) = (values.next(), values.next()) else {
            self.fault(place, "A constant has one value.");
            return None;
        };
        let said = key.strip_prefix("value").unwrap_or_default();
        let Some(kind) = CONSTANTS.iter().find(|kind| {
            kind.get(..1).is_some_and(|first| said.starts_with(&first.to_ascii_uppercase()))
                && kind.get(1..) == said.get(1..)
        }) else {
            self.fault(place, format!("A constant cannot have the type {said}."));
            return None;
        };
        // R4 has no type for whole numbers of 64 bits; those of expressions have as many.
        let kind = if *kind == "integer64" { "integer" } else { *kind };
        match Constant::new(name, kind, value) {
            Ok(constant) => Some(constant),
            Err(rule) => {
                self.fault(place, rule);
                None
            }
        }
    }

    fn selects(&mut self, object: &Object, place: &str, name: &str) -> Vec<Select> {
        if self.depth == MAX_DEPTH {
            self.fault(place, format!("Selections stand at most {MAX_DEPTH} deep in each other."));
            return Vec::new();
        }
        self.depth += 1;
        let list = self.list(object, place, name);
        let read = list.into_iter().filter_map(|(place, item)| self.select(item, &place)).collect();
        self.depth -= 1;
        read
    }

    fn select(&mut self, item: &Value, place: &str) -> Option<Select> {
        let object = self.object(item, place, &SELECT)?;
        let foci = self.foci(object, place);
        let mut columns = Vec::new();
        for (place, item) in self.list(object, place, "column") {
            columns.extend(self.column(item, &place));
        }
        let selects = self.selects(object, place, "select");
        let unions = self.selects(object, place, "unionAll");
        Some(Select { place: place.to_owned(), foci: foci?, columns, selects, unions })
    }

    fn foci(&mut self, object: &Object, place: &str) -> Option<Foci> {
        let names = ["forEach", "forEachOrNull", "repeat"];
        let said: Vec<&str> = names.into_iter().filter(|name| object.contains_key(*name)).collect();
        match said.as_slice() {
            [] => Some(Foci::Here),
            ["forEach"] => self.expression(object, place, "forEach").map(Foci::Each),
            ["forEachOrNull"] => {
                self.expression(object, place, "forEachOrNull").map(Foci::EachOrNull)
            }
            ["repeat"] => {
                let mut found = Vec::new();
                for (place, item) in self.list(object, place, "repeat") {
                    found.extend(self.path(item, place));
                }
                if found.is_empty() {
                    self.fault(format!("{place}.repeat"), "There is at least one path to repeat.");
                }
                Some(Foci::Repeat(found))
            }
            _ => {
                let rule = "At most one of forEach, forEachOrNull and repeat is said.";
                self.fault(place, rule);
                None
            }
        }
    }

    fn column(&mut self, item: &Value, place: &str) -> Option<(Column, Expression)> {
        let object = self.object(item, place, &COLUMN)?;
        let name = self.required(object, place, "name");
        if name.as_deref().is_some_and(|name| !is_name(name)) {
            self.fault(format!("{place}.name"), NAME);
        }
        let path = self.expression(object, place, "path");
        let collection = match object.get("collection") {
            None => false,
            Some(Value::Bool(value)) => *value,
            Some(_) => {
                self.fault(format!("{place}.collection"), "It is true or false.");
                false
            }
        };
        let kind = self.text(object, place, "type");
        let (kind, shape) = self.kind(kind, place);
        let mut tags = Vec::new();
        for (place, item) in self.list(object, place, "tag") {
            let Some(tag) = self.object(item, &place, &["name", "value", "id"]) else { continue };
            let (name, value) =
                (self.required(tag, &place, "name"), self.required(tag, &place, "value"));
            tags.extend(name.zip(value));
        }
        Some((Column { name: name?, kind, shape, collection, tags }, path?))
    }

    /// The type that a column says, without the prefix that it may have, and its shape.
    fn kind(&mut self, said: Option<String>, place: &str) -> (Option<String>, Option<Shape>) {
        let Some(said) = said else { return (None, None) };
        let name = said.strip_prefix("http://hl7.org/fhir/StructureDefinition/").unwrap_or(&said);
        let shape = Shape::of(name);
        if shape.is_none() {
            self.fault(format!("{place}.type"), format!("R4 has no type {name}."));
        }
        (Some(name.to_owned()), shape)
    }

    /// The columns of a selection, each name once; the branches of a union give the same.
    fn columns(&mut self, select: &Select, taken: &mut BTreeSet<String>) -> Vec<Column> {
        let mut found = Vec::new();
        for (at, (column, _)) in select.columns.iter().enumerate() {
            if !taken.insert(column.name.clone()) {
                let rule = format!("There is a column {} already.", column.name);
                self.fault(format!("{}.column[{at}].name", select.place), rule);
            }
            found.push(column.clone());
        }
        for inner in &select.selects {
            found.extend(self.columns(inner, taken));
        }
        let before = taken.clone();
        let mut first: Option<Vec<Column>> = None;
        for branch in &select.unions {
            let mut own = before.clone();
            let columns = self.columns(branch, &mut own);
            taken.extend(own);
            match &first {
                None => first = Some(columns),
                Some(first) => {
                    if let Some(rule) = mismatch(first, &columns) {
                        self.fault(&branch.place, rule);
                    }
                }
            }
        }
        found.extend(first.unwrap_or_default());
        found
    }

    /// The object of that place, without elements that it cannot have.
    fn object<'v>(&mut self, value: &'v Value, place: &str, known: &[&str]) -> Option<&'v Object> {
        let Some(object) = value.as_object() else {
            self.fault(place, "It is an object.");
            return None;
        };
        for name in object.keys() {
            let plain = name.trim_start_matches('_');
            if plain != "extension" && !known.contains(&plain) {
                let names = known.iter().filter(|name| **name != "id").copied();
                let names: Vec<&str> = names.collect();
                let rule = match known.len() > COLUMN.len() {
                    true => "A ViewDefinition has no such element.".to_owned(),
                    false => {
                        format!("There is no such element here; there are {}.", names.join(", "))
                    }
                };
                self.fault(format!("{place}.{name}"), rule);
            }
        }
        Some(object)
    }

    /// The items of a list, each with its place.
    fn list<'v>(
        &mut self,
        object: &'v Object,
        place: &str,
        name: &str,
    ) -> Vec<(String, &'v Value)> {
        match object.get(name) {
            None => Vec::new(),
            Some(Value::Array(list)) => {
                let items = list.iter().enumerate();
                items.map(|(at, item)| (format!("{place}.{name}[{at}]"), item)).collect()
            }
            Some(_) => {
                self.fault(format!("{place}.{name}"), "It is a list.");
                Vec::new()
            }
        }
    }

    fn text(&mut self, object: &Object, place: &str, name: &str) -> Option<String> {
        match object.get(name)? {
            Value::String(text) if !text.trim().is_empty() => Some(text.clone()),
            _ => {
                self.fault(format!("{place}.{name}"), "It is a text.");
                None
            }
        }
    }

    fn required(&mut self, object: &Object, place: &str, name: &str) -> Option<String> {
        if !object.contains_key(name) {
            self.fault(format!("{place}.{name}"), "The element is required.");
        }
        self.text(object, place, name)
    }

    fn expression(&mut self, object: &Object, place: &str, name: &str) -> Option<Expression> {
        let place = format!("{place}.{name}");
        let Some(value) = object.get(name) else {
            self.fault(place, "The element is required.");
            return None;
        };
        self.path(value, place)
    }

    fn path(&mut self, value: &Value, place: String) -> Option<Expression> {
        let Some(text) = value.as_str() else {
            self.fault(place, "It is a FHIRPath expression, as a text.");
            return None;
        };
        match Path::parse(text) {
            Ok(path) => {
                for name in path.constants() {
                    if !self.known.contains(name) {
                        self.faults
                            .push(Fault::new(&place, format!("There is no constant %{name}.")));
                    }
                }
                Some(Expression { place, path })
            }
            Err(rule) => {
                self.fault(place, format!("It is no FHIRPath expression: {rule}"));
                None
            }
        }
    }
}

/// How the columns of a branch of a union differ from those of the first.
fn mismatch(first: &[Column], other: &[Column]) -> Option<String> {
    let names = |columns: &[Column]| {
        columns.iter().map(|column| column.name.clone()).collect::<Vec<_>>().join(", ")
    };
    if first.len() != other.len() || first.iter().zip(other).any(|(a, b)| a.name != b.name) {
        return Some(format!(
            "The branches of a unionAll have the same columns in the same order; the first has {}, \
             this one {}.",
            names(first),
            names(other)
        ));
    }
    let differs = |(a, b): &(&Column, &Column)| a.kind != b.kind || a.collection != b.collection;
    first.iter().zip(other).find(differs).map(|(column, _)| {
        format!("The column {} has another type than in the first branch.", column.name)
    })
}
