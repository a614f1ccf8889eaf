//! `x-type`: the value is of another type, named; `x-nullable` beside it lets null pass.
//!
//! Stands in the compiled schema for `$ref` to another document, so that each document is compiled
//! once.

use serde_json::Value;

use super::{Rule, Site};
use crate::validation::finding::{Finding, collect};
use crate::validation::resource::broken;
use crate::validation::scope::Scope;

struct Type {
    at: usize,
    nullable: bool,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let name = value.as_str().ok_or("the name of a type is expected")?;
    let at = site.context.type_at(name).ok_or_else(|| format!("there is no type {name}"))?;
    Ok(Box::new(Type { at, nullable: site.parent.contains_key("x-nullable") }))
}

impl Rule for Type {
    fn holds(&self, scope: &Scope, value: &Value) -> bool {
        if self.nullable && value.is_null() {
            return true;
        }
        scope.catalog.compiled(self.at).is_ok_and(|compiled| compiled.validator.is_valid(value))
    }

    fn is_about_codes(&self) -> bool {
        true
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        if self.nullable && value.is_null() {
            return Vec::new();
        }
        match scope.catalog.compiled(self.at) {
            Ok(compiled) => collect(scope, &compiled.validator, &compiled.context, value),
            Err(fault) => vec![broken(fault)],
        }
    }
}
