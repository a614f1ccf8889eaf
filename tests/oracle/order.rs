//! Where a value stands in an order: <http://hl7.org/fhir/R4/search.html#sort>.
//!
//! The standard leaves what numbers of different units are to each other; here they are compared in
//! base units, those without such as they stand.

use rust_decimal::Decimal;
use serde_json::Value;
use spondyl::definitions::search_parameter::ParameterType;

use crate::compare;

/// A value as it is compared with others of its parameter.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Place {
    Text(String),
    Moment(i64),
    /// None: open below.
    Amount(Option<Decimal>),
}

/// The places of a value: one for each text or code that it has.
pub(crate) fn of(value: &Value, kind: ParameterType, code: &str, descending: bool) -> Vec<Place> {
    match kind {
        ParameterType::String => {
            let folded = compare::strings(value).into_iter().map(|text| compare::fold(&text));
            folded.map(Place::Text).collect()
        }
        ParameterType::Token => {
            let codes = compare::tokens(value, code).into_iter();
            let codes =
                codes.map(|token| token.code.to_lowercase()).filter(|code| !code.is_empty());
            codes.map(Place::Text).collect()
        }
        ParameterType::Reference => match compare::points(value["reference"].as_str()) {
            compare::Points::Here(_, id, _) => vec![Place::Text(id)],
            compare::Points::Elsewhere(url) => {
                vec![Place::Text(url.rsplit('/').next().unwrap().to_owned())]
            }
            compare::Points::Nowhere => Vec::new(),
        },
        ParameterType::Uri => {
            let text = value.as_str().unwrap();
            vec![Place::Text(text.split('|').next().unwrap().to_owned())]
        }
        ParameterType::Date => {
            let (low, high) = compare::bounds(value);
            let moment =
                if descending { high.unwrap_or(i64::MAX) } else { low.unwrap_or(i64::MIN) };
            vec![Place::Moment(moment)]
        }
        ParameterType::Number => vec![Place::Amount(Some(compare::decimal(value)))],
        ParameterType::Quantity => {
            let amount = Some(compare::in_base_units(value));
            vec![Place::Amount(amount.filter(|_| value["comparator"] != "<"))]
        }
        ParameterType::Composite | ParameterType::Special => panic!("{code} has no order"),
    }
}
