//! What searching needs: the element model, the search parameters, the compartments.

use serde_json::Value;

use super::{Files, Source};
use crate::definitions::{compartment, model, search_parameter};

/// `model.json`: types and their elements.
pub(super) fn model(source: &Source) -> Files {
    let types: Vec<Value> =
        source.types.values().chain(source.resources.values()).cloned().collect();
    let value_sets: Vec<Value> = source.value_sets.values().cloned().collect();
    vec![("model.json".to_owned(), model::compile(&types, &value_sets))]
}

/// `search-parameter/r4.ndjson`: the search parameters of the standard.
pub(super) fn parameters(source: &Source) -> Files {
    let parameters: Vec<Value> = source.search_parameters.values().cloned().collect();
    let text = search_parameter::compile(&parameters);
    vec![("search-parameter/r4.ndjson".to_owned(), text)]
}

/// `compartment/r4.ndjson`: which parameters put resources into which compartments.
pub(super) fn compartments(source: &Source) -> Files {
    let compartments: Vec<Value> = source.compartments.values().cloned().collect();
    vec![("compartment/r4.ndjson".to_owned(), compartment::compile(&compartments))]
}
