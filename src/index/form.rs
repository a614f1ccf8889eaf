//! The data types, by how search looks at their values.
//!
//! Source: the table at <http://hl7.org/fhir/R4/search.html#table>.

use crate::definitions::model::{Kind, Model};
use crate::definitions::search_parameter::ParameterType;

/// What a value is to search.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
#[allow(missing_docs, reason = "each variant is a data type of the standard, or several alike")]
pub enum Form {
    Address,
    Boolean,
    Canonical,
    Code,
    CodeableConcept,
    Coding,
    ContactPoint,
    /// `date` and `dateTime`.
    Date,
    HumanName,
    Identifier,
    Instant,
    Money,
    /// `decimal` and the integers.
    Number,
    /// Whatever search cannot look into.
    Other,
    Period,
    /// `Quantity` and its specialisations.
    Quantity,
    Range,
    Reference,
    Resource,
    /// `string`, `markdown`, `id`.
    Text,
    Timing,
    /// `uri`, `url`, `oid`, `uuid`.
    Uri,
}

impl Form {
    /// The form of a type of the model.
    pub fn of(model: &Model, kind: &str) -> Self {
        match kind {
            "Address" => Self::Address,
            "boolean" => Self::Boolean,
            "canonical" => Self::Canonical,
            "code" => Self::Code,
            "CodeableConcept" => Self::CodeableConcept,
            "Coding" => Self::Coding,
            "ContactPoint" => Self::ContactPoint,
            "date" | "dateTime" => Self::Date,
            "HumanName" => Self::HumanName,
            "Identifier" => Self::Identifier,
            "instant" => Self::Instant,
            "Money" => Self::Money,
            "decimal" | "integer" | "positiveInt" | "unsignedInt" => Self::Number,
            "Period" => Self::Period,
            "Range" => Self::Range,
            "Reference" => Self::Reference,
            "string" | "markdown" | "id" => Self::Text,
            "Timing" => Self::Timing,
            "uri" | "url" | "oid" | "uuid" => Self::Uri,
            _ if model.is_a(kind, "Quantity") => Self::Quantity,
            _ if model.get(kind).is_some_and(|found| found.kind == Kind::Resource) => {
                Self::Resource
            }
            _ => Self::Other,
        }
    }

    /// Whether parameters of that type find values of this form.
    pub fn suits(self, kind: ParameterType) -> bool {
        use Form::{
            Address, Boolean, Canonical, Code, CodeableConcept, Coding, ContactPoint, Date,
            HumanName, Identifier, Instant, Money, Number, Period, Quantity, Range, Reference,
            Resource, Text, Timing, Uri,
        };
        match kind {
            ParameterType::Number => matches!(self, Number),
            ParameterType::Date => matches!(self, Date | Instant | Period | Timing),
            ParameterType::String => matches!(self, Text | HumanName | Address | Code | Uri),
            ParameterType::Token => matches!(
                self,
                Boolean
                    | Code
                    | CodeableConcept
                    | Coding
                    | ContactPoint
                    | Identifier
                    | Number
                    | Text
                    | Uri
                    | Canonical
            ),
            ParameterType::Reference => matches!(self, Reference | Resource | Canonical | Uri),
            ParameterType::Quantity => matches!(self, Quantity | Money | Range),
            ParameterType::Uri => matches!(self, Uri | Canonical),
            ParameterType::Composite | ParameterType::Special => false,
        }
    }
}
