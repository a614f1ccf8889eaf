//! `x-slice`: the items of an array, told apart, each kind with its own number and rules.
//!
//! Each item belongs to the first slice whose `match` it meets, and is held to that slice's
//! `schema`; the items of a slice may be sliced again (`slicing`). In a closed slicing every item
//! belongs to one. A value that is no array is one item.
//! Source: <http://hl7.org/fhir/R4/profiling.html#slicing>.

use std::sync::Arc;

use jsonschema::Validator;
use serde_json::Value;

use super::{Rule, Site, options};
use crate::fhir::json::At;
use crate::fhir::{IssueType, Message};
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
    inner: Option<Slicing>,
}

/// An item and its place in the array; none for a value that is no array.
type Item<'v> = (Option<usize>, &'v Value);

pub(super) fn rule(site: Site<'_>, value: &Value) -> Result<Box<dyn Rule>, String> {
    Ok(Box::new(Slicing::new(site, value)?))
}

fn items(value: &Value) -> Vec<Item<'_>> {
    match value.as_array() {
        Some(items) => items.iter().enumerate().map(|(at, item)| (Some(at), item)).collect(),
        None => vec![(None, value)],
    }
}

/// The same finding, said of an item.
fn of_item(finding: Finding, at: Option<usize>) -> Finding {
    match at {
        Some(at) => finding.below(&format!("[{at}]")),
        None => finding,
    }
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
        let inner = value.get("slicing").map(|inner| Slicing::new(site, inner)).transpose()?;
        let (min, max) = (value.at("min").as_u64().unwrap_or(0), value.at("max").as_u64());
        Ok(Self { name, min, max, is_member, rules, inner })
    }

    fn finding(&self, count: u64) -> Option<Finding> {
        let name = &self.name;
        if count < self.min {
            let text = format!("At least {} of the slice {name} is required here.", self.min);
            return Some(Finding::error(IssueType::Required, text).message(Message::Slice));
        }
        let max = self.max.filter(|max| count > *max)?;
        let text = if max == 0 {
            format!("The slice {name} is not allowed here.")
        } else {
            format!("At most {max} of the slice {name} is allowed here.")
        };
        Some(Finding::error(IssueType::Structure, text).message(Message::Slice))
    }
}

impl Slicing {
    fn new(site: Site<'_>, value: &Value) -> Result<Self, String> {
        let list = value.at("slices").as_array().ok_or("slices are expected")?;
        let slices = list.iter().map(|slice| Slice::new(site, slice)).collect::<Result<_, _>>()?;
        Ok(Self {
            slices,
            closed: value.at("rules") == "closed",
            open_at_end: value.at("rules") == "openAtEnd",
            ordered: value.at("ordered") == true,
            context: Arc::clone(site.context),
        })
    }

    /// For each item, the slice that it belongs to.
    fn members(&self, items: &[Item<'_>]) -> Vec<Option<usize>> {
        let slice =
            |item: &Value| self.slices.iter().position(|slice| slice.is_member.is_valid(item));
        items.iter().map(|(_, item)| slice(item)).collect()
    }

    /// Why the item at `at` stands where it does not belong.
    fn stray(&self, members: &[Option<usize>], at: usize) -> Option<&'static str> {
        let member = members.get(at).copied().flatten();
        let before = members.get(..at).unwrap_or_default();
        let after = members.get(at + 1..).unwrap_or_default();
        match member {
            None if self.closed => Some("The item belongs to none of the slices that are allowed."),
            None if self.open_at_end && after.iter().any(Option::is_some) => {
                Some("Items that belong to no slice must stand at the end.")
            }
            Some(slice) if self.ordered && before.iter().flatten().any(|other| *other > slice) => {
                Some("The items must stand in the order of their slices.")
            }
            _ => None,
        }
    }

    /// The items that belong to a slice.
    fn of_slice<'v>(items: &[Item<'v>], members: &[Option<usize>], slice: usize) -> Vec<Item<'v>> {
        let pairs = items.iter().zip(members);
        pairs.filter(|(_, member)| **member == Some(slice)).map(|(item, _)| *item).collect()
    }

    fn hold(&self, items: &[Item<'_>]) -> bool {
        let members = self.members(items);
        let counted = self.slices.iter().enumerate().all(|(at, slice)| {
            slice.finding(count(&members, at)).is_none()
                && slice
                    .inner
                    .as_ref()
                    .is_none_or(|inner| inner.hold(&Self::of_slice(items, &members, at)))
        });
        let is_quick = !self.closed && !self.open_at_end && !self.ordered;
        counted
            && (is_quick || (0..items.len()).all(|at| self.stray(&members, at).is_none()))
            && items.iter().zip(&members).all(|((_, item), member)| {
                let slice = member.and_then(|at| self.slices.get(at));
                slice.is_none_or(|slice| slice.rules.is_valid(item))
            })
    }

    fn find(&self, scope: &Scope, items: &[Item<'_>]) -> Vec<Finding> {
        let members = self.members(items);
        let mut found = Vec::new();
        for (at, slice) in self.slices.iter().enumerate() {
            found.extend(slice.finding(count(&members, at)));
        }
        for (at, (place, item)) in items.iter().enumerate() {
            if let Some(text) = self.stray(&members, at) {
                let finding = Finding::error(IssueType::Structure, text).message(Message::Slice);
                found.push(of_item(finding, *place));
            }
            let member = members.get(at).copied().flatten();
            if let Some(slice) = member.and_then(|at| self.slices.get(at)) {
                let broken = collect(scope, &slice.rules, &self.context, item);
                found.extend(broken.into_iter().map(|finding| of_item(finding, *place)));
            }
        }
        for (at, slice) in self.slices.iter().enumerate() {
            if let Some(inner) = &slice.inner {
                found.extend(inner.find(scope, &Self::of_slice(items, &members, at)));
            }
        }
        found
    }
}

impl Rule for Slicing {
    fn holds(&self, _: &Scope, value: &Value) -> bool {
        self.hold(&items(value))
    }

    fn findings(&self, scope: &Scope, value: &Value) -> Vec<Finding> {
        self.find(scope, &items(value))
    }
}

fn count(members: &[Option<usize>], slice: usize) -> u64 {
    let count = members.iter().filter(|member| **member == Some(slice)).count();
    u64::try_from(count).unwrap_or(u64::MAX)
}
