//! Tables of resources, as HL7's SQL on FHIR describes them: a ViewDefinition says which columns and
//! rows a resource of its type makes.
//!
//! A definition is read once, and everything that can be wrong with it is told then, at its place.
//! Rows are made of one resource at a time, in the order of the standard's processing model; values
//! stay as they are in JSON, so decimals keep their digits. Nothing here reads a store or writes a
//! file: [`table`] turns rows into the bytes of CSV, JSON and Parquet.
//! Source: <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition.html>,
//! <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition-notes.html>.

mod read;
mod rows;
pub mod shipped;
pub mod table;

use serde_json::Value;

use crate::fhir::ResourceType;
use crate::validation::{Constant, Path, Shape};

/// A view, ready to make rows.
#[derive(Debug)]
pub struct ViewDefinition {
    /// Its name, which can be that of a table.
    pub name: Option<String>,
    /// The type of resource that it is over.
    pub resource: ResourceType,
    constants: Vec<Constant>,
    conditions: Vec<Expression>,
    root: Select,
    columns: Vec<Column>,
}

/// A column of the table.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// The type of FHIR that its values have, where the definition says one.
    pub kind: Option<String>,
    /// What the values are in JSON; none where no type is said: then any primitive.
    pub shape: Option<Shape>,
    /// Whether a value is a list.
    pub collection: bool,
    /// Name and value of the tags.
    pub tags: Vec<(String, String)>,
}

impl Column {
    /// The value of the tag of that name.
    pub fn tag(&self, name: &str) -> Option<&str> {
        self.tags.iter().find(|(own, _)| own == name).map(|(_, value)| value.as_str())
    }
}

/// The values of a row, in the order of the columns; null where there is none.
pub type Row = Vec<Value>;

/// What is wrong with a definition, or with what it makes of a resource.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{place}: {rule}")]
pub struct Fault {
    /// Where in the definition, such as `ViewDefinition.select[0].column[1].path`.
    pub place: String,
    /// The rule, in a sentence.
    pub rule: String,
    /// Whether it would only take too much.
    pub costly: bool,
}

impl Fault {
    fn new(place: impl Into<String>, rule: impl Into<String>) -> Self {
        Self { place: place.into(), rule: rule.into(), costly: false }
    }
}

/// An expression with its place in the definition.
#[derive(Debug)]
struct Expression {
    place: String,
    path: Path,
}

/// A selection of columns.
#[derive(Debug)]
struct Select {
    place: String,
    foci: Foci,
    columns: Vec<(Column, Expression)>,
    selects: Vec<Select>,
    /// Alternatives that give the same columns.
    unions: Vec<Select>,
}

/// The elements that a selection is made on.
#[derive(Debug)]
enum Foci {
    /// The one where it stands.
    Here,
    /// Each of those that are found.
    Each(Expression),
    /// The same; a row of nulls where none is found.
    EachOrNull(Expression),
    /// Those found by any of the expressions, and again from each of these.
    Repeat(Vec<Expression>),
}

impl ViewDefinition {
    /// Reads a definition.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn read(value: &Value) -> Result<Self, Vec<Fault>> {
        read::read(value)
    }

    /// The columns, in their order.
    pub fn columns(&self) -> &[Column] {
        &self.columns
    }

    /// The rows that a resource makes: none where it is of another type, or a condition does not
    /// hold.
    ///
    /// # Errors
    /// Where a column would have several values or one of another type, a condition is no boolean, or
    /// the rows would take too much.
    pub fn rows(&self, resource: &Value) -> Result<Vec<Row>, Fault> {
        rows::rows(self, resource)
    }
}
