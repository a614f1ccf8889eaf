//! What a server makes of what the rules say: which profiles it holds types to, what a claim of an
//! unknown profile is worth, and whether content that breaks rules is refused, stored with a tag, or
//! not asked at all.
//!
//! Old records break rules, and refusing them loses them
//! (<http://hl7.org/fhir/R4/validation.html>), so the level can be set for each type. Content that
//! cannot be read as its type, and narratives that could harm who looks at them, are refused at
//! every level.

use std::collections::HashMap;

use serde_json::{Value, json};

use crate::fhir::json::At;
use crate::fhir::{Issue, Message, Resource, ResourceType, Severity};

/// The code system of the tag.
pub const TAG_SYSTEM: &str = "https://spondyl.example/fhir/CodeSystem/validation-state";
/// The code of the tag of content that was stored although it breaks rules.
pub const TAG_CODE: &str = "not-valid";

/// What becomes of content that breaks rules.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Level {
    /// It is refused.
    #[default]
    Refuse,
    /// It is stored with a tag; what is wrong is told as warnings.
    Tag,
    /// It is stored, and nothing is told.
    Off,
}

/// What a server is set to.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Policy {
    levels: HashMap<ResourceType, Level>,
    other: Level,
    required: Vec<Required>,
    refuse_unknown_profiles: bool,
}

/// A profile that resources of a type must meet, whatever they claim.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Required {
    kind: ResourceType,
    /// The coded element that must have that code, for the profile to be asked.
    only: Option<Only>,
    profile: String,
}

#[derive(Clone, PartialEq, Eq, Debug)]
struct Only {
    element: String,
    system: Option<String>,
    code: String,
}

/// A setting that cannot be read.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Unreadable {
    /// A level.
    #[error(
        "the validation level {0} cannot be read; it is TYPE=LEVEL or *=LEVEL with the level \
         refuse, tag or off, such as Observation=tag"
    )]
    Level(String),
    /// A required profile.
    #[error(
        "the required profile {0} cannot be read; it is TYPE=CANONICAL or \
         TYPE?ELEMENT=CODE=CANONICAL, such as Observation?category=exam=https://a.example/p"
    )]
    Required(String),
}

impl Policy {
    /// Reads the settings: levels such as `Observation=tag` or `*=refuse`; required profiles such as
    /// `Patient=https://a.example/p` or `Observation?code=http://loinc.org|8867-4=https://a.example/p`;
    /// whether a claim of an unknown profile is refused.
    ///
    /// # Errors
    /// [`Unreadable`] names the setting that has another form.
    pub fn read(
        levels: &[String],
        required: &[String],
        refuse_unknown_profiles: bool,
    ) -> Result<Self, Unreadable> {
        let mut policy = Self { refuse_unknown_profiles, ..Self::default() };
        for text in levels {
            let unreadable = || Unreadable::Level(text.clone());
            let (kind, level) = text.split_once('=').ok_or_else(unreadable)?;
            let level = match level {
                "refuse" => Level::Refuse,
                "tag" => Level::Tag,
                "off" => Level::Off,
                _ => return Err(unreadable()),
            };
            match kind {
                "*" => policy.other = level,
                name => {
                    let kind = ResourceType::parse(name).ok_or_else(unreadable)?;
                    policy.levels.insert(kind, level);
                }
            }
        }
        let read =
            |text: &String| Required::read(text).ok_or_else(|| Unreadable::Required(text.clone()));
        policy.required = required.iter().map(read).collect::<Result<_, _>>()?;
        Ok(policy)
    }

    /// The canonicals of the profiles that the resource must meet.
    pub fn required<'a>(&'a self, resource: &'a Resource) -> impl Iterator<Item = &'a str> {
        let asked = self.required.iter().filter(|required| required.is_for(resource));
        asked.map(|required| required.profile.as_str())
    }

    /// What becomes of content of that type.
    pub fn level(&self, kind: ResourceType) -> Level {
        self.levels.get(&kind).copied().unwrap_or(self.other)
    }

    /// The issues as this server weighs claims of unknown profiles.
    pub fn weigh(&self, mut issues: Vec<Issue>) -> Vec<Issue> {
        if self.refuse_unknown_profiles {
            for issue in issues.iter_mut().filter(|issue| is_unknown_claim(issue)) {
                issue.severity = Severity::Error;
            }
        }
        issues
    }

    /// The issues as the level of the type leaves them, and whether the content is to be tagged.
    /// What is an error after this is refused.
    pub fn lenient(&self, kind: ResourceType, mut issues: Vec<Issue>) -> (Vec<Issue>, bool) {
        let level = self.level(kind);
        let is_lasting = |issue: &Issue| issue.told().is_unreadable() || issue.told().is_unsafe();
        if level == Level::Refuse || !issues.iter().any(Issue::is_error) {
            return (issues, false);
        }
        if level == Level::Off {
            issues.retain(is_lasting);
            return (issues, false);
        }
        for issue in issues.iter_mut().filter(|issue| issue.is_error() && !is_lasting(issue)) {
            issue.severity = Severity::Warning;
        }
        (issues, true)
    }
}

fn is_unknown_claim(issue: &Issue) -> bool {
    let place = issue.expression.as_deref().unwrap_or_default();
    issue.told() == Message::ProfileUnknown && place.contains(".meta.profile[")
}

impl Required {
    fn read(text: &str) -> Option<Self> {
        let (left, right) = text.split_once('=')?;
        let Some((name, element)) = left.split_once('?') else {
            let kind = ResourceType::parse(left)?;
            let profile = Some(right).filter(|profile| !profile.is_empty())?.to_owned();
            return Some(Self { kind, only: None, profile });
        };
        let (token, profile) = right.split_once('=')?;
        let (system, code) = match token.split_once('|') {
            Some((system, code)) => (Some(system.to_owned()), code),
            None => (None, token),
        };
        let is_whole = ![element, code, profile].contains(&"");
        let only = Only { element: element.to_owned(), system, code: code.to_owned() };
        let kind = ResourceType::parse(name)?;
        is_whole.then(|| Self { kind, only: Some(only), profile: profile.to_owned() })
    }

    fn is_for(&self, resource: &Resource) -> bool {
        let has = |only: &Only| only.is_in(resource.value().at(&only.element));
        self.kind == resource.kind() && self.only.as_ref().is_none_or(has)
    }
}

impl Only {
    /// Whether the code, Coding or CodeableConcept, or one of several, is that.
    fn is_in(&self, value: &Value) -> bool {
        match value {
            Value::String(code) => self.system.is_none() && *code == self.code,
            Value::Array(list) => list.iter().any(|item| self.is_in(item)),
            Value::Object(object) if object.contains_key("coding") => {
                self.is_in(value.at("coding"))
            }
            Value::Object(_) => {
                let system = value.at("system").as_str();
                value.at("code") == self.code.as_str()
                    && self.system.as_deref().is_none_or(|wanted| system == Some(wanted))
            }
            _ => false,
        }
    }
}

/// Sets the tag of content that breaks rules, or takes it off: it is the server's to set.
pub fn mark(resource: &mut Resource, not_valid: bool) {
    let is_ours = |tag: &Value| tag.at("system") == TAG_SYSTEM && tag.at("code") == TAG_CODE;
    let tags = resource.value().at("meta").at("tag").as_array();
    let is_marked = tags.is_some_and(|tags| tags.iter().any(is_ours));
    let Some(object) = resource.value_mut().as_object_mut() else { return };
    if is_marked == not_valid {
        return;
    }
    let meta = object.entry("meta").or_insert_with(|| json!({}));
    let Some(meta) = meta.as_object_mut() else { return };
    let tags = meta.entry("tag").or_insert_with(|| json!([]));
    let Some(list) = tags.as_array_mut() else { return };
    if not_valid {
        list.push(json!({ "system": TAG_SYSTEM, "code": TAG_CODE }));
        return;
    }
    list.retain(|tag| !is_ours(tag));
    if list.is_empty() {
        meta.shift_remove("tag");
    }
    if meta.is_empty() {
        object.shift_remove("meta");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::IssueType;

    fn texts(list: &[&str]) -> Vec<String> {
        list.iter().map(|text| (*text).to_owned()).collect()
    }

    fn resource(value: Value) -> Resource {
        Resource::from_value(value).unwrap()
    }

    #[test]
    fn settings_are_read() {
        let patient = ResourceType::parse("Patient").unwrap();
        let policy = |levels: &[&str]| Policy::read(&texts(levels), &[], false);
        assert_eq!(policy(&[]).unwrap().level(patient), Level::Refuse);
        assert_eq!(policy(&["*=tag"]).unwrap().level(patient), Level::Tag);
        assert_eq!(policy(&["Patient=off", "*=tag"]).unwrap().level(patient), Level::Off);
        for broken in ["", "Patient", "Patient=none", "patient=tag", "=tag"] {
            assert!(policy(&[broken]).is_err(), "{broken}");
        }
        for broken in
            ["", "Patient", "Patient=", "X=p", "Patient?x=p", "Patient?=c=p", "Patient?e==p"]
        {
            assert!(Policy::read(&[], &texts(&[broken]), false).is_err(), "{broken}");
        }
    }

    #[test]
    fn profiles_are_asked_of_what_they_are_for() {
        let required =
            texts(&["Patient=p", "Observation?category=exam=e", "Observation?code=s|c=f"]);
        let policy = Policy::read(&[], &required, false).unwrap();
        let check = |value: Value, expected: &[&str]| {
            let resource = resource(value);
            assert_eq!(policy.required(&resource).collect::<Vec<_>>(), expected);
        };
        check(json!({ "resourceType": "Patient" }), &["p"]);
        check(json!({ "resourceType": "Observation" }), &[]);
        let exam = json!([{ "text": "x" }, { "coding": [{ "code": "exam" }] }]);
        let code = json!({ "coding": [{ "system": "s", "code": "c" }] });
        check(
            json!({ "resourceType": "Observation", "category": exam, "code": code }),
            &["e", "f"],
        );
        let other = json!({ "coding": [{ "system": "t", "code": "c" }] });
        check(json!({ "resourceType": "Observation", "code": other }), &[]);
    }

    #[test]
    fn levels() {
        const E: Severity = Severity::Error;
        const W: Severity = Severity::Warning;
        let patient = ResourceType::parse("Patient").unwrap();
        let issue = |message| Issue::error(IssueType::Value, "x").message(message);
        let all = [Message::Format, Message::NarrativeActive, Message::ElementUnknown];
        let check = |level: &str, expected: &[Severity], tagged: bool| {
            let policy = Policy::read(&texts(&[&format!("*={level}")]), &[], false).unwrap();
            let (issues, tag) = policy.lenient(patient, all.map(issue).to_vec());
            let severities: Vec<_> = issues.iter().map(|issue| issue.severity).collect();
            assert_eq!((severities.as_slice(), tag), (expected, tagged), "{level}");
        };
        check("refuse", &[E, E, E], false);
        check("tag", &[W, E, E], true);
        check("off", &[E, E], false);
    }

    #[test]
    fn the_tag_is_the_servers() {
        let bare = resource(json!({ "resourceType": "Patient" }));
        let mut marked = bare.clone();
        mark(&mut marked, true);
        assert_eq!(marked.value()["meta"]["tag"][0]["code"], TAG_CODE);
        let once = marked.clone();
        mark(&mut marked, true);
        assert_eq!(marked, once);
        mark(&mut marked, false);
        assert_eq!(marked, bare);
        let mut odd = resource(json!({ "resourceType": "Patient", "meta": [] }));
        mark(&mut odd, true);
        assert_eq!(odd.value()["meta"], json!([]));
    }
}
