//! `x-type`: the value is of another type, named; `x-nullable` beside it lets null pass.
//!
//! Stands in the compiled schema for `$ref` to another document, so that each document is compiled
//! once. `x-at` beside it says which element the value is, for what depends on that.

use serde_json::Value;

use super::{Rule, Site};
use crate::fhir::json::At;
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::{Frame, Scope};
use crate::validation::standing::{Standing, standing};
use crate::validation::usage::url_key;

struct Type {
    at: usize,
    nullable: bool,
    standing: Option<&'static Standing>,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let name = value.as_str().ok_or("the name of a type is expected")?;
    let at = site.context.type_at(name).ok_or_else(|| format!("there is no type {name}"))?;
    let nullable = site.parent.contains_key("x-nullable");
    let standing = site.parent.get("x-at").and_then(standing);
    Ok(Box::new(Type { at, nullable, standing }))
}

impl Type {
    fn at<R>(&self, scope: &Scope, value: &Value, work: impl FnOnce() -> R) -> R {
        let Some(standing) = self.standing else { return work() };
        let is_extension = standing.kind == "Extension";
        let url = if is_extension { value.at("url").as_str().map_or(0, url_key) } else { 0 };
        scope.on_the_way(Frame { standing, url }, work)
    }
}

impl Rule for Type {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        if self.nullable && value.is_null() {
            return true;
        }
        scope
            .catalog
            .compiled(self.at)
            .is_ok_and(|compiled| self.at(scope, value, || compiled.validator.is_valid(value)))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.nullable && value.is_null() {
            return Vec::new();
        }
        match scope.catalog.compiled(self.at) {
            Ok(compiled) => self
                .at(scope, value, || collect(scope, &compiled.validator, &compiled.context, value)),
            Err(fault) => vec![broken(fault)],
        }
    }
}
