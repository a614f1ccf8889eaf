//! Topics: what is told, on which changes, and by what it can be narrowed.
//!
//! One file for each in `schemas/topic/`, a `SubscriptionTopic` of R5 in JSON; there is no such type in
//! R4. What this server cannot obey is refused when the file is read, never passed over.
//! Source: <http://hl7.org/fhir/R5/subscriptiontopic.html>.

use std::sync::OnceLock;

use serde::Deserialize;
use serde_json::{Value, json};

use crate::definitions::embedded;
use crate::fhir::ResourceType;

/// The event of a topic that follows from what `$consistency` finds.
pub const FINDING: &str = "consistency-finding";

/// The place of a type's definition.
const STRUCTURE: &str = "http://hl7.org/fhir/StructureDefinition/";

/// All topics.
pub struct Topics(Vec<Topic>);

/// A topic.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub struct Topic {
    #[serde(rename = "resourceType")]
    _type: String,
    /// Its id.
    pub id: String,
    /// Its canonical.
    pub url: String,
    /// Its version.
    pub version: String,
    /// What people call it.
    pub title: String,
    #[serde(rename = "status")]
    _status: String,
    #[serde(rename = "date")]
    _date: String,
    #[serde(rename = "publisher")]
    _publisher: String,
    /// What it tells.
    pub description: String,
    #[serde(default)]
    pub(super) resource_trigger: Vec<ResourceTrigger>,
    #[serde(default)]
    pub(super) event_trigger: Vec<EventTrigger>,
    pub(super) can_filter_by: Vec<Filter>,
    #[serde(default)]
    pub(super) notification_shape: Vec<Shape>,
}

/// A change of a resource that is an event.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub(super) struct ResourceTrigger {
    #[serde(rename = "description")]
    _description: String,
    resource: String,
    pub(super) supported_interaction: Vec<Interaction>,
    pub(super) query_criteria: Option<Criteria>,
    pub(super) fhir_path_criteria: Option<String>,
}

/// What a change does.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Interaction {
    /// There was no such resource before.
    Create,
    /// There was.
    Update,
    /// There is none any more.
    Delete,
}

/// What is asked of a resource before and after a change.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub(super) struct Criteria {
    pub(super) previous: Option<String>,
    pub(super) result_for_create: Option<ForMissing>,
    pub(super) current: Option<String>,
    pub(super) result_for_delete: Option<ForMissing>,
    #[serde(default)]
    pub(super) require_both: bool,
}

/// What a test comes to where there is nothing to test.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum ForMissing {
    /// It passes.
    TestPasses,
    /// It fails.
    TestFails,
}

/// An event that is no change of its focus.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub(super) struct EventTrigger {
    #[serde(rename = "description")]
    _description: String,
    event: Value,
    resource: String,
}

/// A parameter to narrow by.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub(super) struct Filter {
    #[serde(rename = "description")]
    _description: String,
    pub(super) resource: String,
    #[serde(rename = "filterParameter")]
    pub(super) parameter: String,
    #[serde(default)]
    pub(super) comparator: Vec<String>,
    #[serde(default)]
    pub(super) modifier: Vec<String>,
}

/// What is told beside a focus of a type.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase", deny_unknown_fields)]
pub(super) struct Shape {
    resource: String,
    include: Vec<String>,
}

impl Topics {
    /// Those that ship with the server. A file that cannot be read is left out; the tests of this
    /// module read each of them.
    pub fn shipped() -> &'static Self {
        static TOPICS: OnceLock<Topics> = OnceLock::new();
        TOPICS.get_or_init(|| {
            let read = files().filter_map(|bytes| serde_json::from_slice(bytes).ok());
            Self(read.collect())
        })
    }

    /// Each, by id.
    pub fn iter(&self) -> impl Iterator<Item = &Topic> {
        self.0.iter()
    }

    /// The topic of a canonical, with or without its version.
    pub fn find(&self, canonical: &str) -> Option<&Topic> {
        let (url, version) = match canonical.split_once('|') {
            Some((url, version)) => (url, Some(version)),
            None => (canonical, None),
        };
        let is_it = |topic: &&Topic| {
            topic.url == url && version.is_none_or(|version| version == topic.version)
        };
        self.0.iter().find(is_it)
    }
}

fn files() -> impl Iterator<Item = &'static [u8]> {
    embedded::files().filter(|(path, _)| path.starts_with("topic/")).map(|(_, bytes)| bytes)
}

/// The published topics as resources of R4: a Basic each, with the elements of R5 as extensions.
/// Source: <http://hl7.org/fhir/R5/versions.html#extensions>.
pub fn resources() -> Vec<Value> {
    files()
        .filter_map(|bytes| serde_json::from_slice(bytes).ok())
        .map(|topic| basic(&topic))
        .collect()
}

/// Elements of a topic by name, with the end of `value[x]`.
const ELEMENTS: [(&str, &str); 18] = [
    ("url", "Uri"),
    ("version", "String"),
    ("title", "String"),
    ("status", "Code"),
    ("date", "DateTime"),
    ("publisher", "String"),
    ("description", "Markdown"),
    ("resource", "Uri"),
    ("supportedInteraction", "Code"),
    ("previous", "String"),
    ("current", "String"),
    ("resultForCreate", "Code"),
    ("resultForDelete", "Code"),
    ("requireBoth", "Boolean"),
    ("fhirPathCriteria", "String"),
    ("filterParameter", "String"),
    ("include", "String"),
    ("event", "CodeableConcept"),
];
/// The same where the name alone does not tell.
const CODES: [&str; 2] = ["comparator", "modifier"];

fn basic(topic: &Value) -> Value {
    const OF: &str = "http://hl7.org/fhir/5.0/StructureDefinition/extension-SubscriptionTopic.";
    let members = topic.as_object().into_iter().flatten();
    let told = members.filter(|(name, _)| !["resourceType", "id"].contains(&name.as_str()));
    let extensions = told.flat_map(|(name, value)| extensions(&format!("{OF}{name}"), name, value));
    json!({
        "resourceType": "Basic",
        "id": topic.get("id"),
        "extension": extensions.collect::<Vec<_>>(),
        "code": { "coding": [{
            "system": "http://hl7.org/fhir/fhir-types", "code": "SubscriptionTopic" }] },
    })
}

fn extensions(url: &str, name: &str, value: &Value) -> Vec<Value> {
    match value {
        Value::Array(items) => items.iter().flat_map(|item| extensions(url, name, item)).collect(),
        Value::Object(members) if name != "event" => {
            let inner = members.iter().flat_map(|(name, value)| extensions(name, name, value));
            vec![json!({ "url": url, "extension": inner.collect::<Vec<_>>() })]
        }
        value => {
            let known = ELEMENTS.iter().find(|(own, _)| *own == name).map(|(_, kind)| *kind);
            let kind = known.or(CODES.contains(&name).then_some("Code"));
            let told = kind.map(|kind| {
                let mut extension = json!({ "url": url });
                if let Some(object) = extension.as_object_mut() {
                    object.insert(format!("value{kind}"), value.clone());
                }
                extension
            });
            told.into_iter().collect()
        }
    }
}

impl ResourceTrigger {
    /// Whether it is about resources of that type.
    pub(super) fn is_about(&self, kind: ResourceType) -> bool {
        let name = self.resource.strip_prefix(STRUCTURE);
        name.is_some_and(|name| name == "Resource" || name == kind.as_str())
    }
}

impl Topic {
    /// Whether changes of resources of that type may be events.
    pub fn is_about(&self, kind: ResourceType) -> bool {
        self.resource_trigger.iter().any(|trigger| trigger.is_about(kind))
    }

    /// Whether it is about any type, so that a Subscription must name those that it is for.
    pub fn is_open(&self) -> bool {
        let any = |trigger: &ResourceTrigger| trigger.resource.ends_with("/Resource");
        self.resource_trigger.iter().any(any)
    }

    /// The one type that it is about.
    pub(super) fn kind(&self) -> Option<ResourceType> {
        let mut named = self
            .resource_trigger
            .iter()
            .map(|trigger| &trigger.resource)
            .chain(self.event_trigger.iter().map(|trigger| &trigger.resource));
        let first = named.next()?;
        let name = first.strip_prefix(STRUCTURE)?;
        named.all(|other| other == first).then(|| ResourceType::parse(name)).flatten()
    }

    /// Whether that event is one of its own.
    pub fn has_event(&self, code: &str) -> bool {
        self.event_trigger.iter().any(|trigger| {
            trigger.event.pointer("/coding/0/code").and_then(Value::as_str) == Some(code)
        })
    }

    /// The references to tell along with a focus of that type, by search parameter.
    pub fn includes(&self, kind: ResourceType) -> impl Iterator<Item = &str> {
        let shapes = self.notification_shape.iter();
        let shapes = shapes.filter(move |shape| shape.resource == kind.as_str());
        let paths = shapes.flat_map(|shape| &shape.include);
        paths.filter_map(|path| path.split_once(':').map(|(_, parameter)| parameter))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::Standard;
    use crate::fhir::Resource;
    use crate::index::Rules;
    use crate::subscription::{filter, trigger};

    /// Each file is read whole, names what there is, and can be obeyed.
    #[test]
    fn topics_can_be_obeyed() {
        let standard = Standard::embedded().unwrap();
        let rules = Rules::new(standard.model.clone(), standard.parameters.clone(), None);
        let count = files().count();
        assert!(count >= 7, "{count}");
        for bytes in files() {
            let topic: Topic = serde_json::from_slice(bytes).unwrap();
            assert_eq!(
                topic.url,
                format!("https://spondyl.example/fhir/SubscriptionTopic/{}", topic.id)
            );
            assert!(Topics::shipped().find(&format!("{}|{}", topic.url, topic.version)).is_some());
            assert!(topic.is_open() || topic.kind().is_some(), "{}", topic.id);
            for filter in topic.can_filter_by.iter().filter(|_| !topic.is_open()) {
                let kind = ResourceType::parse(&filter.resource).unwrap();
                let found = rules.parameter(kind, &filter.parameter);
                assert!(found.is_some(), "{}: {}", topic.id, filter.parameter);
            }
            for trigger in &topic.resource_trigger {
                let kind = topic.kind().or(ResourceType::parse("Patient")).unwrap();
                trigger::check(trigger, &rules, kind).unwrap();
            }
            for include in topic.kind().into_iter().flat_map(|kind| topic.includes(kind)) {
                assert!(rules.parameter(topic.kind().unwrap(), include).is_some(), "{include}");
            }
        }
        let assessments = "https://spondyl.example/fhir/SubscriptionTopic/assessment-recorded";
        let topic = Topics::shipped().find(assessments).unwrap();
        let read = |text: &str| filter::read(topic, &rules, text).is_ok();
        assert!(read("Observation?patient=Patient/1") && read("patient=Patient/1&code:not=x"));
        for text in [
            "value-quantity=3",
            "Procedure?patient=1",
            "code:text=x",
            "patient.name=x",
            "",
            "nonsense=1",
        ] {
            assert!(!read(text), "{text}");
        }
        assert!(read("date=ge2026-01-01") && !read("date=sa2026-01-01"));
    }

    #[test]
    fn topics_are_resources_of_r4() {
        let standard = Standard::embedded().unwrap();
        for value in resources() {
            let resource = Resource::from_value(value).unwrap();
            let issues = standard.validator.check(&resource);
            let errors: Vec<_> = issues.iter().filter(|issue| issue.is_error()).collect();
            assert!(errors.is_empty(), "{errors:?}");
        }
    }
}
