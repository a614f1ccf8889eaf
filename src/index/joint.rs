//! Joint rows: the values of several parameters in one key, in an order of their own.
//!
//! Key: the parts of the keys of each parameter in turn, one row for each combination that the
//! resource has; empty parts for a parameter after the first of which it has no value. So a resource
//! has a row within the bounds exactly when it has a value within those of each parameter, and has
//! one within the bounds of the first few whatever it has of the others. Nothing stands beside the key. Which parameters are joined is told by
//! [`Joint`].

use std::collections::BTreeMap;

use super::{Rules, composite};
use crate::definitions::joint::Joint;
use crate::fhir::ResourceType;

/// The rows of a resource so far: name and parts, with what stands beside.
pub(super) type Rows = BTreeMap<(String, Vec<Vec<u8>>), Vec<u8>>;

/// The names and parts of the joint rows of a resource with those other rows.
pub(super) fn keys(rules: &Rules, kind: ResourceType, rows: &Rows) -> Vec<(String, Vec<Vec<u8>>)> {
    let own = Joint::of(kind).filter(|joint| joint.composite().is_none());
    own.flat_map(|joint| {
        let name = joint.source();
        combined(rules, kind, (joint, rows)).into_iter().map(move |parts| (name.clone(), parts))
    })
    .collect()
}

fn combined(
    rules: &Rules,
    kind: ResourceType,
    (joint, rows): (&Joint, &Rows),
) -> Vec<Vec<Vec<u8>>> {
    let mut combined = vec![Vec::new()];
    for (place, parameter) in joint.parameters.iter().enumerate() {
        let from = (parameter.clone(), Vec::new());
        let own = rows.range(from..).take_while(|((name, _), _)| name == parameter);
        let mut own: Vec<&Vec<Vec<u8>>> = own.map(|((_, parts), _)| parts).collect();
        let nothing = vec![Vec::new(); rules.arity(kind, parameter)];
        if own.is_empty() && place > 0 {
            own.push(&nothing);
        }
        let longer = |head: &Vec<Vec<u8>>| {
            let with = |parts: &&Vec<Vec<u8>>| [head.as_slice(), parts.as_slice()].concat();
            own.iter().map(with).collect::<Vec<_>>()
        };
        combined = combined.iter().flat_map(longer).collect();
    }
    combined
}

impl Rules {
    /// How many parts the keys of a parameter that is joined have.
    fn arity(&self, kind: ResourceType, code: &str) -> usize {
        let found = self.of_type(kind).and_then(|parameters| parameters.get(code));
        found.and_then(|found| composite::arity(found.definition.kind)).unwrap_or_default()
    }

    /// The joints of that type whose rows are complete.
    pub fn joints(&self, kind: ResourceType) -> impl Iterator<Item = &'static Joint> {
        Joint::of(kind).filter(move |joint| {
            let is_complete = |code: &str| !self.is_pending(kind, code);
            is_complete(&joint.source()) && joint.parameters.iter().all(|code| is_complete(code))
        })
    }
}
