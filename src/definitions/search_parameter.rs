//! SearchParameter: by which values resources can be searched.
//!
//! Read from the compiled file of the standard's own, or from SearchParameter resources of anyone;
//! both have the same members. What an expression means is the index's business, not told here.
//! Source: <http://hl7.org/fhir/R4/searchparameter.html>,
//! <http://hl7.org/fhir/R4/searchparameter-registry.html>.

use std::collections::{BTreeMap, HashMap};
use std::fmt;
use std::sync::Arc;

use serde_json::{Map, Value};

use crate::definitions::{Definitions, embedded};
use crate::fhir::ResourceType;

/// The types of search parameter (<http://hl7.org/fhir/R4/valueset-search-param-type.html>).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
#[allow(missing_docs, reason = "each variant is the code of the standard")]
pub enum ParameterType {
    Number,
    Date,
    String,
    Token,
    Reference,
    Composite,
    Quantity,
    Uri,
    Special,
}

impl ParameterType {
    /// The type of that code.
    pub fn parse(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == code)
    }

    /// The code of the standard.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Number => "number",
            Self::Date => "date",
            Self::String => "string",
            Self::Token => "token",
            Self::Reference => "reference",
            Self::Composite => "composite",
            Self::Quantity => "quantity",
            Self::Uri => "uri",
            Self::Special => "special",
        }
    }

    const ALL: [Self; 9] = [
        Self::Number,
        Self::Date,
        Self::String,
        Self::Token,
        Self::Reference,
        Self::Composite,
        Self::Quantity,
        Self::Uri,
        Self::Special,
    ];
}

/// One search parameter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SearchParameter {
    /// Its canonical URL.
    pub url: String,
    /// Its name in a query.
    pub code: String,
    /// The types that it applies to; `Resource` and `DomainResource` stand for many.
    pub base: Vec<String>,
    /// Its type.
    pub kind: ParameterType,
    /// The FHIRPath that finds the values; none for the few that no path describes.
    pub expression: Option<String>,
    /// For references: the types that may be pointed to.
    pub target: Vec<String>,
    /// For composites: the parts, in the order in which a value gives them.
    pub components: Vec<Component>,
    /// The comparators that the definition limits itself to; empty: all.
    pub comparators: Vec<String>,
    /// The modifiers that the definition limits itself to; empty: all.
    pub modifiers: Vec<String>,
    /// Whether the standard itself defines it.
    pub standard: bool,
}

/// One part of a composite.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Component {
    /// The canonical URL of the parameter that gives the type of the part.
    pub definition: String,
    /// The FHIRPath from a value of the composite to the part.
    pub expression: String,
}

/// Why a definition cannot be used.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the search parameter {url} cannot be used: {message}")]
pub struct Unusable {
    /// The element that is missing or wrong, as a path below SearchParameter.
    pub element: String,
    /// The parameter's canonical, as far as it has one.
    pub url: String,
    /// What is missing or wrong; the element is named.
    pub message: String,
}

const CORE: &str = "http://hl7.org/fhir/SearchParameter/";

impl SearchParameter {
    /// Reads a SearchParameter resource, or a row of the compiled file.
    ///
    /// # Errors
    /// [`Unusable`] when a member that search needs is missing or wrong.
    pub fn from_value(value: &Value) -> Result<Self, Unusable> {
        let url = member(value, "url").unwrap_or_default();
        let unusable = |element: &str, message: &str| Unusable {
            element: element.to_owned(),
            url: url.clone(),
            message: message.to_owned(),
        };
        if url.is_empty() {
            return Err(unusable("url", "it has no url"));
        }
        let code = member(value, "code").ok_or_else(|| unusable("code", "it has no code"))?;
        let legal = |c: char| c.is_ascii_alphanumeric() || "-_".contains(c);
        if code.is_empty() || !code.chars().all(legal) {
            return Err(unusable("code", "its code may hold letters, digits, '-' and '_' only"));
        }
        let kind = member(value, "type").and_then(|code| ParameterType::parse(&code));
        let kind = kind.ok_or_else(|| unusable("type", "its type is not one of the standard's"))?;
        let base = list(value, "base");
        if base.is_empty() {
            return Err(unusable("base", "it has no base"));
        }
        let rows = value.get("component").and_then(Value::as_array).into_iter().flatten();
        let components = rows.enumerate().map(|(at, row)| {
            let part = |name: &str| {
                member(row, name).ok_or_else(|| {
                    let message = "a component needs definition and expression";
                    unusable(&format!("component[{at}].{name}"), message)
                })
            };
            Ok(Component { definition: part("definition")?, expression: part("expression")? })
        });
        let components = components.collect::<Result<Vec<_>, _>>()?;
        if kind == ParameterType::Composite && components.is_empty() {
            return Err(unusable("component", "a composite needs components"));
        }
        Ok(Self {
            standard: url.starts_with(CORE),
            code,
            base,
            kind,
            expression: member(value, "expression"),
            target: list(value, "target"),
            components,
            comparators: list(value, "comparator"),
            modifiers: list(value, "modifier"),
            url,
        })
    }

    /// Whether it applies to resources of that type.
    pub fn applies_to(&self, kind: ResourceType) -> bool {
        let name = kind.as_str();
        let abstract_base = |base: &str| {
            base == "Resource" || base == "DomainResource" && !NO_DOMAIN_RESOURCE.contains(&name)
        };
        self.base.iter().any(|base| base == name || abstract_base(base))
    }
}

/// The concrete types that do not specialise `DomainResource`.
const NO_DOMAIN_RESOURCE: [&str; 3] = ["Binary", "Bundle", "Parameters"];

fn member(value: &Value, key: &str) -> Option<String> {
    value.get(key).and_then(Value::as_str).map(str::to_owned)
}

fn list(value: &Value, key: &str) -> Vec<String> {
    let items = value.get(key).and_then(Value::as_array).into_iter().flatten();
    items.filter_map(Value::as_str).map(str::to_owned).collect()
}

/// All search parameters at hand, by resource type and code.
#[derive(Clone, Default, Debug)]
pub struct SearchParameters {
    by_type: HashMap<ResourceType, BTreeMap<String, Arc<SearchParameter>>>,
    by_url: BTreeMap<String, Arc<SearchParameter>>,
}

impl SearchParameters {
    /// The standard's own, as built into the program.
    ///
    /// # Errors
    /// [`Unusable`] if the file was damaged before the build.
    pub fn standard() -> Result<Self, Unusable> {
        Self::parse(embedded::text("search-parameter/r4.ndjson").unwrap_or_default())
    }

    /// Those among the definitions: compiled files under `search-parameter/`, and the
    /// SearchParameter resources that were authored beside profiles.
    ///
    /// # Errors
    /// [`Unusable`] for one that cannot be used.
    pub fn load(definitions: &Definitions) -> Result<Self, Unusable> {
        let mut all = Self::default();
        for (path, bytes) in definitions.others() {
            let unusable = |error: &dyn fmt::Display| Unusable {
                element: String::new(),
                url: path.into(),
                message: error.to_string(),
            };
            if path.starts_with("search-parameter/") {
                let text = std::str::from_utf8(bytes).map_err(|error| unusable(&error))?;
                all.add_lines(text)?;
            } else if path.starts_with("profile/") {
                let value: Value =
                    serde_json::from_slice(bytes).map_err(|error| unusable(&error))?;
                if member(&value, "resourceType").as_deref() == Some("SearchParameter") {
                    all.add(SearchParameter::from_value(&value)?);
                }
            }
        }
        Ok(all)
    }

    /// Reads what [`compile`] wrote.
    ///
    /// # Errors
    /// [`Unusable`] for a line that is no search parameter.
    pub fn parse(text: &str) -> Result<Self, Unusable> {
        let mut all = Self::default();
        all.add_lines(text)?;
        Ok(all)
    }

    fn add_lines(&mut self, text: &str) -> Result<(), Unusable> {
        for (at, line) in text.lines().enumerate() {
            let value: Value = serde_json::from_str(line).map_err(|error| Unusable {
                element: String::new(),
                url: format!("on line {}", at + 1),
                message: error.to_string(),
            })?;
            self.add(SearchParameter::from_value(&value)?);
        }
        Ok(())
    }

    /// Adds one; one of the same canonical gives way, and so does, for each type, one of the same
    /// code.
    pub fn add(&mut self, parameter: SearchParameter) {
        self.remove(&parameter.url);
        let parameter = Arc::new(parameter);
        for kind in ResourceType::all().filter(|kind| parameter.applies_to(*kind)) {
            let of_type = self.by_type.entry(kind).or_default();
            of_type.insert(parameter.code.clone(), Arc::clone(&parameter));
        }
        self.by_url.insert(parameter.url.clone(), parameter);
    }

    /// Adds one where no other has its code for the type; one of the same canonical gives way.
    pub fn add_where_free(&mut self, parameter: SearchParameter) {
        self.remove(&parameter.url);
        let parameter = Arc::new(parameter);
        for kind in ResourceType::all().filter(|kind| parameter.applies_to(*kind)) {
            let of_type = self.by_type.entry(kind).or_default();
            of_type.entry(parameter.code.clone()).or_insert_with(|| Arc::clone(&parameter));
        }
        self.by_url.insert(parameter.url.clone(), parameter);
    }

    /// Takes the one of that canonical away.
    pub fn remove(&mut self, url: &str) {
        if self.by_url.remove(url).is_some() {
            for of_type in self.by_type.values_mut() {
                of_type.retain(|_, parameter| parameter.url != url);
            }
        }
    }

    /// The parameter of that code for that type, those of `Resource` included.
    pub fn get(&self, kind: ResourceType, code: &str) -> Option<&Arc<SearchParameter>> {
        self.by_type.get(&kind)?.get(code)
    }

    /// The parameter of that canonical.
    pub fn by_url(&self, url: &str) -> Option<&Arc<SearchParameter>> {
        self.by_url.get(url)
    }

    /// All parameters for that type, in the order of their codes.
    pub fn for_type(&self, kind: ResourceType) -> impl Iterator<Item = &Arc<SearchParameter>> {
        self.by_type.get(&kind).into_iter().flat_map(BTreeMap::values)
    }

    /// All parameters, in the order of their canonicals.
    pub fn all(&self) -> impl Iterator<Item = &Arc<SearchParameter>> {
        self.by_url.values()
    }
}

/// What a row of the compiled file holds, in this order; no descriptive text.
const MEMBERS: [&str; 9] =
    ["url", "code", "base", "type", "expression", "target", "component", "comparator", "modifier"];

/// Compiles SearchParameter definitions to the text that [`SearchParameters::parse`] reads: one a
/// line, in the order of their canonicals.
pub fn compile(definitions: &[Value]) -> String {
    let mut rows = BTreeMap::new();
    for definition in definitions {
        let members = MEMBERS.iter().filter_map(|key| Some((*key, definition.get(*key)?.clone())));
        let row: Map<String, Value> = members.map(|(key, value)| (key.to_owned(), value)).collect();
        rows.insert(member(definition, "url").unwrap_or_default(), Value::Object(row));
    }
    let mut text = String::new();
    for row in rows.values() {
        text.push_str(&row.to_string());
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn codes(all: &SearchParameters, kind: &str) -> Vec<String> {
        let kind = ResourceType::parse(kind).unwrap();
        all.for_type(kind).map(|parameter| parameter.code.clone()).collect()
    }

    /// <http://hl7.org/fhir/R4/searchparameter-registry.html>
    #[test]
    fn every_type_has_its_own_and_the_common_ones() {
        let all = SearchParameters::standard().unwrap();
        assert_eq!(all.all().count(), 1375);
        let of_episode = codes(&all, "EpisodeOfCare");
        let expected = [
            "_content",
            "_id",
            "_lastUpdated",
            "_profile",
            "_query",
            "_security",
            "_source",
            "_tag",
            "_text",
            "care-manager",
            "condition",
            "date",
            "identifier",
            "incoming-referral",
            "organization",
            "patient",
            "status",
            "type",
        ];
        assert_eq!(of_episode, expected);
        assert!(!codes(&all, "Bundle").contains(&"_text".to_owned()), "not a DomainResource");
    }

    /// Ours are there, and no code of the standard gives way to one.
    #[test]
    fn ours_stand_beside_the_standards() {
        let all = SearchParameters::load(&Definitions::embedded().unwrap()).unwrap();
        let ours: Vec<_> = all.all().filter(|parameter| !parameter.standard).collect();
        assert!(ours.iter().any(|parameter| parameter.code == "body-site"));
        let standard = SearchParameters::standard().unwrap();
        for kind in ResourceType::all() {
            for parameter in standard.for_type(kind) {
                assert_eq!(all.get(kind, &parameter.code), Some(parameter));
            }
        }
    }

    #[test]
    fn one_of_ours_joins_and_leaves() {
        let mut all = SearchParameters::standard().unwrap();
        let ours = json!({
            "resourceType": "SearchParameter", "url": "https://a.example/sp", "code": "body-site",
            "base": ["Observation", "Procedure"], "type": "token",
            "expression": "Observation.bodySite | Procedure.bodySite",
        });
        all.add(SearchParameter::from_value(&ours).unwrap());
        assert!(codes(&all, "Procedure").contains(&"body-site".to_owned()));
        all.remove("https://a.example/sp");
        assert!(!codes(&all, "Procedure").contains(&"body-site".to_owned()));
    }

    #[test]
    fn what_cannot_be_used() {
        let good = json!({ "url": "u", "code": "c", "base": ["Patient"], "type": "token" });
        for (key, value, message) in [
            ("url", json!(null), "no url"),
            ("code", json!("a:b"), "letters, digits"),
            ("type", json!("text"), "type"),
            ("base", json!([]), "no base"),
            ("type", json!("composite"), "needs components"),
            ("component", json!([{}]), "needs definition"),
        ] {
            let mut bad = good.clone();
            bad[key] = value;
            let fault = SearchParameter::from_value(&bad).unwrap_err();
            assert!(fault.message.contains(message), "{key}: {}", fault.message);
        }
    }
}
