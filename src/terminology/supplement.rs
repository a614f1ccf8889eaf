//! Supplements: designations and properties that are added to the concepts of another code system.
//!
//! A supplement has no codes of its own; what it says of codes that its system lacks is left out.
//! It applies to the system that it names, in the version that it names if it names one, whichever
//! of the two was added first.
//! Source: <http://hl7.org/fhir/R4/codesystem.html#supplements>.

use std::collections::HashMap;
use std::sync::Arc;

use serde_json::Value;

use super::concepts::Builder;
use super::{CodeSystem, Terminology, TerminologyError, held, plain};

/// A CodeSystem resource that supplements another.
#[derive(Clone)]
pub(super) struct Supplement {
    /// Its own canonical, without version.
    pub(super) url: String,
    /// The canonical of the system that it adds to.
    system: String,
    resource: Arc<Value>,
}

impl Supplement {
    /// One, if the resource is one.
    pub(super) fn read(resource: &Value) -> Option<Self> {
        let text = |key: &str| resource[key].as_str().map(str::to_owned);
        let is_supplement = resource["content"] == "supplement";
        let (url, system) = (text("url")?, text("supplements")?);
        is_supplement.then(|| Self { url, system, resource: Arc::new(resource.clone()) })
    }

    fn fits(&self, system: &CodeSystem) -> bool {
        let wanted = self.system.split_once('|').map(|(_, version)| version);
        plain(&self.system) == system.url
            && match (wanted, system.version.as_deref()) {
                (Some(wanted), Some(held)) => held::same_version(wanted, held),
                _ => true,
            }
    }
}

impl Terminology {
    /// Adds a supplement, in the place of one of the same URL.
    pub(super) fn add_supplement(
        &mut self,
        supplement: Supplement,
    ) -> Result<(), TerminologyError> {
        let mut supplements = self.supplements.clone();
        supplements.retain(|held| held.url != supplement.url);
        supplements.push(supplement);
        self.supplemented = self.merge(&supplements)?;
        self.supplements = supplements;
        Ok(())
    }

    /// Applies all supplements anew.
    pub(super) fn supplement(&mut self) -> Result<(), TerminologyError> {
        self.supplemented = self.merge(&self.supplements)?;
        Ok(())
    }

    fn merge(
        &self,
        supplements: &[Supplement],
    ) -> Result<HashMap<String, Arc<CodeSystem>>, TerminologyError> {
        let mut merged = HashMap::new();
        let is_wanted = |key: &&String| supplements.iter().any(|s| plain(&s.system) == plain(key));
        for key in self.systems.keys().filter(is_wanted) {
            let Some(Ok(system)) = self.original(key) else { continue };
            let own: Vec<&Supplement> = supplements.iter().filter(|s| s.fits(system)).collect();
            if !own.is_empty() {
                merged.insert(key.clone(), Arc::new(with(system, &own)?));
            }
        }
        Ok(merged)
    }
}

fn with(system: &CodeSystem, supplements: &[&Supplement]) -> Result<CodeSystem, TerminologyError> {
    let mut builder = Builder::default();
    if !system.case_sensitive {
        builder.ignore_case();
    }
    system.concepts().iter().for_each(|concept| builder.concept_of(concept));
    for supplement in supplements {
        system.read_concepts(&mut builder, &supplement.resource);
    }
    Ok(system.with_concepts(builder.finish()?))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::tests::held;
    use super::*;

    fn supplement(version: Option<&str>) -> Value {
        let system = version.map_or("s".to_owned(), |version| format!("s|{version}"));
        json!({ "resourceType": "CodeSystem", "url": "more", "content": "supplement",
            "supplements": system, "concept": [
                { "code": "a1", "designation": [{ "language": "fr", "value": "A un" }],
                  "property": [{ "code": "weight", "valueInteger": 3 }] },
                { "code": "not-there", "display": "Nothing" } ] })
    }

    fn names(held: &Terminology) -> Vec<&str> {
        let concept = held.code_system("s").unwrap().concept("a1").unwrap();
        concept.designations().map(|name| name.value).collect()
    }

    #[test]
    fn what_a_supplement_adds_and_what_it_does_not() {
        let mut terminology = held();
        terminology.add(&supplement(None)).unwrap();
        assert_eq!(names(&terminology), ["A un"]);
        let system = terminology.code_system("s").unwrap();
        assert!(system.has_property("a1", "weight", "3") && system.is_a("a1", "a"));
        assert_eq!(system.concept("a1").unwrap().display(), Some("A one"));
        assert!(!system.contains("not-there"));
        assert_eq!(system.concepts().len(), held().code_system("s").unwrap().concepts().len());
        terminology.remove("more");
        assert_eq!(names(&terminology), [""; 0]);
    }

    #[test]
    fn in_any_order_and_for_its_version_only() {
        let mut terminology = held();
        terminology.add(&supplement(Some("2"))).unwrap();
        assert_eq!(names(&terminology), [""; 0], "version 1 is held");
        let two = json!({ "resourceType": "CodeSystem", "url": "s", "version": "2",
            "content": "complete", "concept": [{ "code": "a1" }] });
        terminology.add(&two).unwrap();
        assert_eq!(names(&terminology), ["A un"]);
        terminology.remove("s");
        assert!(terminology.code_system("s").is_none());
    }
}
