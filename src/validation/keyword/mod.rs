//! The keywords of our own: the kinds of rule that draft 2020-12 cannot say.
//!
//! The set is small and closed; rules are data in the schemas. To add one: a file with its
//! [`Rule`], and a line in [`KEYWORDS`].

use std::sync::Arc;

use jsonschema::paths::Location;
use jsonschema::{Draft, Keyword, PatternOptions, ValidationError, ValidationOptions};
use serde_json::{Map, Value};

use super::catalog::Context;
use super::fhirpath::Kind;
use super::finding::Finding;
use super::message;
use super::scope::{self, Scope};

mod beside;
mod binding;
mod calendar;
mod choice;
mod code;
mod choice_type;
mod element;
mod extension;
mod fixed;
mod form;
mod integer;
pub(super) mod invariant;
mod limit;
mod narrative;
mod profile;
mod reference;
mod reference_target;
mod required;
mod resource;
mod slice;
mod target;
mod type_;
mod unit;

pub(super) use code::untold_code;

/// One rule at one place of a schema.
trait Rule: Send + Sync {
    /// Whether [`Rule::findings`] would find nothing.
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        self.findings(scope, value).is_empty()
    }

    /// What is wrong with the value.
    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding>;
}

/// Where a rule stands: the schema around it and the document's context.
#[derive(Clone, Copy)]
struct Site<'a> {
    context: &'a Arc<Context>,
    parent: &'a Map<String, Value>,
    /// The type of the value, or of the items of the array, where it is known.
    kind: Option<Kind>,
    /// Whether the value is that of the whole document.
    is_root: bool,
}

impl Site<'_> {
    /// The context for schemas inside this one, which speak of the same value or of its items.
    fn inner(&self) -> Arc<Context> {
        let mut context = Context::clone(self.context);
        context.start = self.kind;
        Arc::new(context)
    }
}

/// Makes a rule from the keyword's value; the error says what the value should be.
type Factory = fn(Site<'_>, &Value) -> Result<Box<dyn Rule>, String>;

const KEYWORDS: &[(&str, Factory)] = &[
    ("x-beside", beside::rule),
    ("x-binding", binding::rule),
    ("x-choice", choice::rule),
    ("x-choice-type", choice_type::rule),
    ("x-code", code::rule),
    ("x-element", element::rule),
    ("x-extension", extension::rule),
    ("x-extension-list", extension::list),
    ("x-fixed", fixed::fixed),
    ("x-pattern", fixed::pattern),
    ("x-integer", integer::rule),
    ("x-invariant", invariant::rule),
    ("x-minimum", limit::minimum),
    ("x-maximum", limit::maximum),
    ("x-narrative", narrative::rule),
    ("x-profile", profile::rule),
    ("x-reference", reference::rule),
    ("x-reference-target", reference_target::rule),
    ("x-required", required::rule),
    ("x-resource", resource::rule),
    ("x-slice", slice::rule),
    ("x-target", target::is),
    ("x-target-profile", target::profile),
    ("x-text", form::text),
    ("x-type", type_::rule),
    ("x-unit", unit::rule),
    ("x-urn", form::urn),
];

/// How schemas are compiled: draft 2020-12, our keywords, regular expressions in linear time.
pub(super) fn options(context: &Arc<Context>) -> ValidationOptions<'static> {
    let mut options = jsonschema::options()
        .with_draft(Draft::Draft202012)
        .with_pattern_options(PatternOptions::regex())
        .should_validate_formats(true)
        .with_format("x-base64", form::is_base64)
        .with_format("x-calendar", calendar::exists);
    for (name, factory) in KEYWORDS {
        let context = Arc::clone(context);
        options = options.with_keyword(*name, move |parent, value, path| {
            let kind = context.kind_at(path.as_str());
            let is_root = !path.as_str().contains("/properties/");
            let site = Site { context: &context, parent, kind, is_root };
            keyword(name, (*factory)(site, value), &path)
        });
    }
    options
}

fn keyword<'a>(
    name: &'static str,
    rule: Result<Box<dyn Rule>, String>,
    path: &Location,
) -> Result<Box<dyn for<'i> Keyword<'i>>, ValidationError<'a>> {
    match rule {
        Ok(rule) => Ok(Box::new(OwnKeyword { name, rule })),
        Err(message) => Err(ValidationError::schema(format!("{path}: {message}"))),
    }
}

/// A rule as jsonschema wants it.
struct OwnKeyword {
    name: &'static str,
    rule: Box<dyn Rule>,
}

impl<'i> Keyword<'i> for OwnKeyword {
    fn validate(&self, instance: &'i Value) -> Result<(), ValidationError<'i>> {
        self.iter_errors(instance).next().map_or(Ok(()), Err)
    }

    fn is_valid(&self, instance: &'i Value) -> bool {
        scope::with(true, |scope| self.rule.holds(scope, instance))
    }

    fn iter_errors(
        &self,
        instance: &'i Value,
    ) -> Box<dyn Iterator<Item = ValidationError<'i>> + 'i> {
        let errors = scope::with(None, |scope| {
            let mut found = self.rule.findings(scope, instance);
            for Finding { issue, .. } in &mut found {
                issue.message = issue.message.or_else(|| message::of_keyword(self.name, issue));
            }
            // One error for all of them: with each comes a copy of the value, which may be a whole
            // resource with hundreds of findings.
            (!found.is_empty()).then(|| ValidationError::custom(scope.keep(found)))
        });
        Box::new(errors.into_iter())
    }
}

/// The texts of a JSON array.
fn texts(value: &Value) -> Option<Vec<String>> {
    value.as_array()?.iter().map(|text| text.as_str().map(str::to_owned)).collect()
}
