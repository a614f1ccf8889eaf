//! Expressions of view definitions: what the other modules see of the engine.
//!
//! A view evaluates many small expressions on one resource, each on an element that another has
//! found. An element is a [`Focus`], an expression a [`Path`], and what both stand in a [`Scope`].
//! Source: <https://sql-on-fhir.org/ig/StructureDefinition-ViewDefinition.html>.

use serde_json::{Number, Value, json};

use super::item::Atom;
use super::temporal::{Form, Temporal};
use super::{Element, Env, Expression, Fault, Item, Kind, Node, Work};
use crate::terminology::ucum;
use crate::validation::locate::Alone;

/// An expression of a view definition.
#[derive(Debug)]
pub struct Path(Expression);

/// An element of a resource, or a value that was computed.
#[derive(Clone, Debug)]
pub struct Focus<'v>(Item<'v>);

/// A constant of a view definition.
#[derive(Clone, Debug)]
pub struct Constant {
    name: String,
    item: Item<'static>,
}

/// Where an expression of a view stands.
#[derive(Clone, Copy, Debug)]
pub struct Scope<'v> {
    /// The resource that rows are made of.
    pub resource: &'v Value,
    /// The constants of the view.
    pub constants: &'v [Constant],
    /// What the expressions may cost.
    pub work: &'v Work,
}

/// What values of a type are in JSON.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Shape {
    /// true or false.
    Boolean,
    /// A whole number of 32 bits.
    Integer,
    /// A number.
    Decimal,
    /// A text.
    Text,
    /// An object.
    Object,
}

impl Shape {
    /// That of the type of that name, or of the element of that path; none where R4 has none.
    pub fn of(name: &str) -> Option<Self> {
        let kind = Kind::of(name)?;
        let (is, primitive) = (|name: &str| kind.is(name), kind.is_primitive());
        Some(match () {
            () if !primitive => Self::Object,
            () if is("boolean") => Self::Boolean,
            () if is("integer") => Self::Integer,
            () if is("decimal") => Self::Decimal,
            () => Self::Text,
        })
    }
}

impl Constant {
    /// The constant of that name with a value of that type.
    ///
    /// # Errors
    /// A sentence where the value is not of the type.
    pub fn new(name: &str, kind: &str, value: &Value) -> Result<Self, String> {
        let wrong = || format!("The value is not of the type {kind}.");
        let form = match kind {
            "date" => Some(Form::Date),
            "dateTime" | "instant" => Some(Form::DateTime),
            "time" => Some(Form::Time),
            _ => None,
        };
        let item = match (Shape::of(kind), value) {
            (Some(Shape::Boolean), Value::Bool(value)) => Item::Bool(*value),
            (Some(Shape::Integer), Value::Number(number)) => {
                Item::Integer(number.as_str().parse().map_err(|_| wrong())?)
            }
            (Some(Shape::Decimal), Value::Number(number)) => {
                Item::Decimal(super::item::decimal(number.as_str()).ok_or_else(wrong)?)
            }
            (Some(Shape::Text), Value::String(text)) => match form {
                Some(form) => Item::Temporal(Temporal::parse(text, form).ok_or_else(wrong)?),
                None => Item::Text(text.clone().into()),
            },
            _ => return Err(wrong()),
        };
        Ok(Self { name: name.to_owned(), item })
    }

    /// The name without the sign.
    pub fn name(&self) -> &str {
        &self.name
    }

    pub(super) fn is(&self, name: &str) -> bool {
        self.name == name
    }

    pub(super) fn item(&self) -> Item<'_> {
        match &self.item {
            Item::Text(text) => Item::Text(text.as_ref().into()),
            other => other.clone(),
        }
    }
}

impl Path {
    /// Reads an expression.
    ///
    /// # Errors
    /// What is wrong with it, as a sentence.
    pub fn parse(text: &str) -> Result<Self, String> {
        let root = super::parse::parse(text, true).map_err(|fault| told(&fault))?;
        Ok(Self(Expression { root }))
    }

    /// The names after `%` in it that the language does not have itself.
    pub fn constants(&self) -> Vec<&str> {
        let mut found = Vec::new();
        constants(&self.0.root, &mut found);
        found
    }

    /// Whether it is nothing but `%rowIndex`.
    pub fn is_row_index(&self) -> bool {
        matches!(&self.0.root, Node::Constant(name) if name == ROW_INDEX)
    }

    /// What it finds at the element, in the row of that number.
    ///
    /// # Errors
    /// A sentence where it cannot be evaluated.
    pub fn evaluate<'v>(
        &'v self,
        at: &Focus<'v>,
        scope: Scope<'v>,
        row: usize,
    ) -> Result<Vec<Focus<'v>>, String> {
        let resource = Some(Focus::resource(scope.resource).0);
        let env = Env {
            root_resource: resource.clone(),
            resource,
            work: Some(scope.work),
            constants: scope.constants,
            row: Some(row),
            ..Env::new(at.0.clone(), &Alone)
        };
        let found = self.0.evaluate(&env).map_err(|fault| told(&fault))?;
        Ok(found.into_iter().map(Focus).collect())
    }
}

/// The constants of the language and of FHIR, which no view may define anew.
pub(super) const OWN: [&str; 7] =
    ["context", "resource", "rootResource", "ucum", "sct", "loinc", ROW_INDEX];

const ROW_INDEX: &str = "rowIndex";

impl Constant {
    /// Whether a view must not have a constant of that name, because the language has one.
    pub fn is_taken(name: &str) -> bool {
        OWN.contains(&name)
    }
}

fn constants<'n>(node: &'n Node, found: &mut Vec<&'n str>) {
    match node {
        Node::Constant(name) => {
            let is_url = name.starts_with("vs-") || name.starts_with("ext-");
            if !is_url && !OWN.contains(&name.as_str()) {
                found.push(name);
            }
        }
        Node::Member(inner, _) | Node::Type(inner, ..) | Node::Negate(inner) => {
            constants(inner, found);
        }
        Node::At(left, right) | Node::Pair(left, _, right) => {
            constants(left, found);
            constants(right, found);
        }
        Node::Call(left, _, arguments) => {
            constants(left, found);
            arguments.iter().for_each(|argument| constants(argument, found));
        }
        Node::This
        | Node::Index
        | Node::Total
        | Node::Nothing
        | Node::Literal(_)
        | Node::Head(_) => {}
    }
}

/// A fault as a sentence.
pub(super) fn told(fault: &Fault) -> String {
    let text = fault.to_string();
    let mut letters = text.chars();
    let first = letters.next().map(|letter| letter.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

impl<'v> Focus<'v> {
    /// A resource.
    pub fn resource(value: &'v Value) -> Self {
        Self(Item::Element(Element::resource(value)))
    }

    /// Whether it is true or false; none where it is no boolean.
    pub fn truth(&self) -> Option<bool> {
        match self.0.atom() {
            Some(Atom::Bool(value)) => Some(value),
            _ => None,
        }
    }

    /// Whether it may stand where a value of that type is told: an element of another type may not,
    /// unless both are texts.
    pub fn is_of(&self, name: &str) -> bool {
        match &self.0 {
            Item::Element(element) => {
                element.kind.is_none_or(|kind| kind.is(name) || kind.is_primitive())
            }
            Item::Quantity(_) => name == "Quantity",
            _ => true,
        }
    }

    /// The value in JSON; numbers keep their digits. None for an element that has extensions only.
    pub fn value(&self) -> Option<Value> {
        Some(match &self.0 {
            Item::Element(element) => element.value?.clone(),
            Item::Bool(value) => Value::Bool(*value),
            Item::Integer(value) => Value::from(*value),
            Item::Decimal(value) => number(&value.to_string())?,
            Item::Text(text) => Value::String(text.as_ref().to_owned()),
            Item::Temporal(moment) => Value::String(moment.to_string()),
            Item::Quantity(quantity) => {
                let (value, unit) = (number(&quantity.value.to_string())?, quantity.unit.text());
                json!({ "value": value, "unit": unit, "system": ucum::SYSTEM, "code": unit })
            }
            Item::Type { space, name } => Value::String(format!("{space}.{name}")),
        })
    }
}

fn number(digits: &str) -> Option<Value> {
    digits.parse::<Number>().ok().map(Value::Number)
}
