//! `x-slice`: the items of an array, told apart, each kind with its own number and rules.
//!
//! Each item belongs to the first slice whose `match` it meets, and is held to that slice's
//! `schema`. In a closed slicing every item belongs to one.
//! Source: <http://hl7.org/fhir/R4/profiling.html#slicing>.

use std::sync::Arc;

use jsonschema::Validator;
use serde_json::Value;

use super::{Rule, Site, options};
use crate::fhir::IssueType;
use crate::fhir::json::At;
use crate::validation::catalog::Context;
use crate::validation::finding::{Finding, collect};
use crate::validation::scope::Scope;

struct Slicing {
    slices: Vec<Slice>,
    closed: bool,
    open_at_end: bool,
    ordered: bool,
    context: Arc<Context>,
}

struct Slice {
    name: String,
    min: u64,
    max: Option<u64>,
    is_member: Validator,
    rules: Validator,
}

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    let list = value.at("slices").as_array().ok_or("slices are expected")?;
    let slices = list.iter().map(|slice| Slice::new(site, slice)).collect::<Result<_, _>>()?;
    Ok(Box::new(Slicing {
        slices,
        closed: value.at("rules") == "closed",
        open_at_end: value.at("rules") == "openAtEnd",
        ordered: value.at("ordered") == true,
        context: Arc::clone(site.context),
    }))
}

impl Slice {
    fn new(site: Site<'_>, value: &Value) -> Result<Self, String> {
        let name = value.at("name").as_str().ok_or("a slice has a name")?.to_owned();
        let options = options(&site.inner());
        let build = |key: &str| {
            let built = options.build(value.at(key));
            built.map_err(|error| format!("slice {name}: {key}: {}", error.masked()))
        };
        let (is_member, rules) = (build("match")?, build("schema")?);
        let (min, max) = (value.at("min").as_u64().unwrap_or(0), value.at("max").as_u64());
        Ok(Self { name, min, max, is_member, rules })
    }

    fn finding(&self, count: u64) -> Option<Finding> {
        let name = &self.name;
        if count < self.min {
            let text = format!("At least {} of the slice {name} is required here.", self.min);
            return Some(Finding::error(IssueType::Required, text));
        }
        let max = self.max.filter(|max| count > *max)?;
        let text = if max == 0 {
            format!("The slice {name} is not allowed here.")
        } else {
            format!("At most {max} of the slice {name} is allowed here.")
        };
        Some(Finding::error(IssueType::Structure, text))
    }
}

impl Slicing {
    /// For each item, the slice that it belongs to.
    fn members(&self, items: &[Value]) -> Vec<Option<usize>> {
        let slice = |item| self.slices.iter().position(|slice| slice.is_member.is_valid(item));
        items.iter().map(slice).collect()
    }

    fn strays(&self, members: &[Option<usize>]) -> Vec<Finding> {
        let mut found = Vec::new();
        let last = members.iter().rposition(Option::is_some).unwrap_or(0);
        let mut highest = 0;
        for (at, member) in members.iter().enumerate() {
            let text = match member {
                None if self.closed => "The item belongs to none of the slices that are allowed.",
                None if self.open_at_end && at < last => {
                    "Items that belong to no slice must stand at the end."
                }
                Some(slice) if self.ordered && *slice < highest => {
                    "The items must stand in the order of their slices."
                }
                _ => "",
            };
            highest = highest.max(member.unwrap_or(0));
            if !text.is_empty() {
                found.push(Finding::error(IssueType::Structure, text).below(&format!("[{at}]")));
            }
        }
        found
    }
}

impl Rule for Slicing {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        let Some(items) = value.as_array() else { return true };
        let members = self.members(items);
        let counted = self
            .slices
            .iter()
            .enumerate()
            .all(|(at, slice)| slice.finding(count(&members, at)).is_none());
        counted
            && self.strays(&members).is_empty()
            && items.iter().zip(&members).all(|(item, member)| {
                let slice = member.and_then(|at| self.slices.get(at));
                slice.is_none_or(|slice| slice.rules.is_valid(item))
            })
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        let Some(items) = value.as_array() else { return Vec::new() };
        let members = self.members(items);
        let mut found = Vec::new();
        for (at, slice) in self.slices.iter().enumerate() {
            found.extend(slice.finding(count(&members, at)));
        }
        found.extend(self.strays(&members));
        for (at, (item, member)) in items.iter().zip(&members).enumerate() {
            if let Some(slice) = member.and_then(|at| self.slices.get(at)) {
                let broken = collect(scope, &slice.rules, &self.context, item);
                found.extend(broken.into_iter().map(|f| f.below(&format!("[{at}]"))));
            }
        }
        found
    }
}

fn count(members: &[Option<usize>], slice: usize) -> u64 {
    let count = members.iter().filter(|member| **member == Some(slice)).count();
    u64::try_from(count).unwrap_or(u64::MAX)
}
