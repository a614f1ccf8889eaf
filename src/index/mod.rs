//! Index entries of resources, driven by SearchParameter definitions.
//!
//! Pure: from a resource to the rows by which search finds it. Each search parameter is compiled
//! for a type once, when the type is first met. What a row's key and value hold is told by the
//! file of the parameter's type; each encoding keeps the order of the values.
//! Source: <http://hl7.org/fhir/R4/search.html>, <http://hl7.org/fhir/R4/searchparameter.html>.

pub mod composite;
pub mod date;
mod fhirpath;
pub mod form;
pub mod format;
mod joint;
pub mod key;
pub mod near;
pub mod number;
pub mod parameter;
pub mod quantity;
pub mod reference;
pub mod route;
pub mod string;
pub mod token;
mod truth;
pub mod uri;
pub mod words;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::{Arc, OnceLock};

use crate::definitions::model::Model;
use crate::definitions::search_parameter::{ParameterType, SearchParameter, SearchParameters};
use crate::fhir::{Resource, ResourceType};
use crate::terminology::Terminology;

pub use form::Form;
pub use parameter::Parameter;

/// The name under which a row says of which type a resource contains another. No code may have it.
pub const CONTAINED: &str = "#";

/// One row of the index: that a resource has a value for a search parameter.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Entry {
    /// The parameter's code.
    pub parameter: String,
    /// The value, encoded so that byte order is its order, part by part.
    pub parts: Vec<Vec<u8>>,
    /// What is kept beside the key, such as the text before it was folded.
    pub value: Vec<u8>,
}

/// What resources are indexed by: the search parameters, compiled for each type when first used.
pub struct Rules {
    model: Arc<Model>,
    definitions: SearchParameters,
    own_base: Option<String>,
    terminology: Option<Arc<Terminology>>,
    by_type: HashMap<ResourceType, Compiled>,
    pending: Pending,
}

/// The parameters of a type, compiled when first used; shared by all rules that have the same.
type Compiled = Arc<OnceLock<BTreeMap<String, Parameter>>>;

/// For each type the codes of the parameters whose rows are not complete yet.
pub type Pending = BTreeMap<ResourceType, BTreeSet<String>>;

impl Rules {
    /// The rules of these parameters. `own_base` is the server's base URL without a slash at its
    /// end; absolute references that begin with it are the server's own.
    pub fn new(model: Arc<Model>, definitions: SearchParameters, own_base: Option<String>) -> Self {
        let by_type = ResourceType::all().map(|kind| (kind, Compiled::default())).collect();
        Self { model, definitions, own_base, terminology: None, by_type, pending: Pending::new() }
    }

    /// The rules of other parameters; what is compiled for types that are not `changed` is shared.
    #[must_use]
    pub fn with(
        &self,
        definitions: SearchParameters,
        changed: impl Fn(ResourceType) -> bool,
    ) -> Self {
        let by_type = self.by_type.iter().map(|(kind, compiled)| {
            let shared = || Arc::clone(compiled);
            (*kind, if changed(*kind) { Compiled::default() } else { shared() })
        });
        Self {
            model: Arc::clone(&self.model),
            own_base: self.own_base.clone(),
            terminology: self.terminology.clone(),
            by_type: by_type.collect(),
            pending: self.pending.clone(),
            definitions,
        }
    }

    /// The same rules while the rows of those parameters are being made.
    #[must_use]
    pub fn awaiting(&self, pending: Pending) -> Self {
        Self { pending, ..self.with(self.definitions.clone(), |_| false) }
    }

    /// The parameters whose rows are not complete yet.
    pub fn pending(&self) -> &Pending {
        &self.pending
    }

    /// Whether resources that were there before are still being indexed for that parameter, so that
    /// a search by it would miss some.
    pub fn is_pending(&self, kind: ResourceType, code: &str) -> bool {
        self.pending.get(&kind).is_some_and(|codes| codes.contains(code))
    }

    /// Whether rows of references of that type are still being made, so that what points to something
    /// would be told in part.
    pub fn awaits_references(&self, kind: ResourceType) -> bool {
        let Some(codes) = self.pending.get(&kind) else { return false };
        let mut parameters = self.parameters(kind).map(|parameter| &parameter.definition);
        parameters.any(|own| own.kind == ParameterType::Reference && codes.contains(&own.code))
    }

    /// The parameters of a type that need rows which the older rules did not make, and those that
    /// are searched through them.
    pub fn fresh(&self, older: &Self, kind: ResourceType) -> BTreeSet<String> {
        let is_new = |parameter: &&Parameter| {
            let code = &parameter.definition.code;
            let held = older.of_type(kind).and_then(|held| held.get(code));
            parameter.is_stored()
                && held
                    .is_none_or(|held| !held.is_stored() || held.definition != parameter.definition)
        };
        self.through(kind, is_new)
    }

    /// The parameters of a type whose rows may be others when those are that changed, and those that
    /// are searched through them.
    pub fn changed(
        &self,
        kind: ResourceType,
        is_changed: impl Fn(&SearchParameter) -> bool,
    ) -> BTreeSet<String> {
        self.through(kind, |parameter| parameter.is_stored() && is_changed(&parameter.definition))
    }

    fn through(
        &self,
        kind: ResourceType,
        is_new: impl Fn(&&Parameter) -> bool,
    ) -> BTreeSet<String> {
        let new: BTreeSet<String> =
            self.parameters(kind).filter(is_new).map(|p| p.definition.code.clone()).collect();
        let through = |parameter: &&Parameter| parameter.sources.iter().any(|s| new.contains(s));
        self.parameters(kind).filter(through).map(|p| p.definition.code.clone()).collect()
    }

    /// The same rules, with the codes that searches by value set and hierarchy are answered from.
    #[must_use]
    pub fn with_terminology(self, terminology: Arc<Terminology>) -> Self {
        Self { terminology: Some(terminology), ..self }
    }

    /// Whether the definition can be used with these rules, for each type it applies to.
    ///
    /// # Errors
    /// A sentence about the expression that cannot be used.
    pub fn check(&self, definition: &SearchParameter) -> Result<(), String> {
        let definition = Arc::new(definition.clone());
        for kind in ResourceType::all().filter(|kind| definition.applies_to(*kind)) {
            parameter::compile(&definition, &self.definitions, &self.model, kind)?;
        }
        Ok(())
    }

    /// The definitions.
    pub fn definitions(&self) -> &SearchParameters {
        &self.definitions
    }

    /// The codes that are held, if any are at hand.
    pub fn terminology(&self) -> Option<&Terminology> {
        self.terminology.as_deref()
    }

    /// The element model.
    pub fn model(&self) -> &Model {
        &self.model
    }

    /// The server's own base URL.
    pub fn own_base(&self) -> Option<&str> {
        self.own_base.as_deref()
    }

    /// Whether a reference of that base leads to a resource of this server: it has none, or ours by
    /// either protocol.
    pub fn is_own(&self, base: Option<&str>) -> bool {
        let own = self.own_base().map(reference::without_scheme);
        base.is_none_or(|base| Some(reference::without_scheme(base)) == own)
    }

    /// The parameter of that code for that type, to be searched by. One whose definition cannot be
    /// used is none.
    pub fn parameter(&self, kind: ResourceType, code: &str) -> Option<&Parameter> {
        let found = self.of_type(kind).and_then(|parameters| parameters.get(code));
        found.filter(|_| !self.is_pending(kind, code))
    }

    /// The names under which rows of that parameter stand; none where it cannot be searched by.
    pub fn sources(&self, kind: ResourceType, code: &str) -> &[String] {
        self.parameter(kind, code).map_or(&[], |parameter| &parameter.sources)
    }

    /// All parameters of that type, in the order of their codes.
    pub fn parameters(&self, kind: ResourceType) -> impl Iterator<Item = &Parameter> {
        self.of_type(kind).into_iter().flat_map(BTreeMap::values)
    }

    fn of_type(&self, kind: ResourceType) -> Option<&BTreeMap<String, Parameter>> {
        self.by_type.get(&kind).map(|cell| cell.get_or_init(|| self.compile(kind)))
    }

    /// The standard's parameters come first, so that no one else's can change where their values
    /// stand; among them those with fewer origins, so that the wider can be put together of them.
    fn compile(&self, kind: ResourceType) -> BTreeMap<String, Parameter> {
        let compile = |definition: &Arc<SearchParameter>| {
            parameter::compile(definition, &self.definitions, &self.model, kind)
                .inspect_err(|message| {
                    tracing::warn!(url = definition.url, message, "a search parameter is left out");
                })
                .ok()
        };
        let mut parameters: Vec<_> = self.definitions.for_type(kind).filter_map(compile).collect();
        parameters.sort_by_key(|parameter| {
            let definition = &parameter.definition;
            (!definition.standard, parameter.size(), definition.code.clone())
        });
        let mut stored: Vec<Parameter> = Vec::new();
        let mut all = BTreeMap::new();
        for mut parameter in parameters {
            parameter.derive(&stored);
            if parameter.is_stored() {
                stored.push(parameter.clone());
            }
            all.insert(parameter.definition.code.clone(), parameter);
        }
        all
    }
}

/// What a FHIRPath expression finds in a resource; nothing where it cannot be evaluated.
///
/// # Errors
/// The parser's message for an expression that cannot be read.
pub fn values_at(
    expression: &str,
    resource: &serde_json::Value,
) -> Result<Vec<serde_json::Value>, String> {
    let expression = fhirpath::prepare(fhirpath::parse(expression)?);
    Ok(fhirpath::values(&expression, resource).into_iter().map(|(_, value)| value).collect())
}

/// The rows of a resource that carries its id and meta: one for each distinct value.
pub fn entries(rules: &Rules, resource: &Resource) -> Vec<Entry> {
    let mut rows = joint::Rows::new();
    for parameter in rules.parameters(resource.kind()).filter(|parameter| parameter.is_stored()) {
        for key in parameter.keys(rules, resource.value()) {
            let name = format!("{}{}", parameter.definition.code, key.suffix);
            let merge = |value: &[u8]| match parameter.components.len() {
                0 => key::merge(value, &key.value),
                components => composite::merge(value, &key.value, components),
            };
            rows.entry((name, key.parts))
                .and_modify(|value| *value = merge(value))
                .or_insert_with(|| key.value.clone());
        }
    }
    let joint = joint::keys(rules, resource.kind(), &rows);
    rows.extend(joint.into_iter().map(|key| (key, Vec::new())));
    let contained = resource.value().get("contained").and_then(serde_json::Value::as_array);
    for inner in contained.into_iter().flatten() {
        if let Some(kind) = inner.get("resourceType").and_then(serde_json::Value::as_str) {
            let parts = vec![kind.as_bytes().to_vec()];
            rows.insert((CONTAINED.to_owned(), parts), Vec::new());
        }
    }
    let rows = rows.into_iter();
    rows.map(|((parameter, parts), value)| Entry { parameter, parts, value }).collect()
}

#[cfg(test)]
mod tests;
