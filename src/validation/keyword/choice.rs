//! `x-choice`: of the JSON names of a choice element, at most one is there.
//!
//! Source: <http://hl7.org/fhir/R4/formats.html#choice>.

use serde_json::Value;

use super::{Rule, Site, texts};
use crate::fhir::IssueType;
use crate::validation::finding::Finding;
use crate::validation::scope::Scope;

struct Choice(Vec<(String, Vec<String>)>);

pub(super) fn rule(_: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let expected = "an object of arrays of names is expected";
    let choices = value.as_object().ok_or(expected)?.iter();
    let choices = choices.map(|(base, names)| Some((base.clone(), texts(names)?)));
    Ok(Box::new(Choice(choices.collect::<Option<_>>().ok_or(expected)?)))
}

/// Whether more than one of the names is there; a value and its sibling are one.
fn is_ambiguous(value: &Value, base: &str, names: &[String]) -> bool {
    let Some(object) = value.as_object() else { return false };
    let mut first: Option<&str> = None;
    for key in object.keys() {
        let name = key.strip_prefix('_').unwrap_or(key);
        if !name.starts_with(base) || !names.iter().any(|known| known == name) {
            continue;
        }
        match first {
            Some(held) if held != name => return true,
            _ => first = Some(name),
        }
    }
    false
}

impl Rule for Choice {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        !self.0.iter().any(|(base, names)| is_ambiguous(value, base, names))
    }

    fn findings(&self, _: &Scope, value: &Value) -> Vec<Finding> {
        let ambiguous = self.0.iter().filter(|(base, names)| is_ambiguous(value, base, names));
        let say = |base: &str| {
            let text = format!("The element {base}[x] must have one value of one type.");
            Finding::error(IssueType::Structure, text).below(&format!(".{base}"))
        };
        ambiguous.map(|(base, _)| say(base)).collect()
    }
}
