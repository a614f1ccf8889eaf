//! Fingerprints of search parameters: what their rows are made by.
//!
//! A store keeps those of the program that made its rows. Where another program says another, the
//! rows of that parameter are made anew; until then searches by it are refused. So a change of a
//! definition tells of itself; a change of what rows look like is told by `version`.
//! To change what rows look like: raise the number of the parameter's type.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

use super::CONTAINED;
use crate::definitions::joint::Joint;
use crate::definitions::search_parameter::{ParameterType, SearchParameter, SearchParameters};
use crate::fhir::{ResourceType, hex};

/// The fingerprint of each parameter by its canonical, and that of the rows that tell what is
/// contained, by the name of these.
pub type Fingerprints = BTreeMap<String, String>;

/// Which edition the rows of parameters of that type are.
const fn version(kind: ParameterType) -> u8 {
    match kind {
        ParameterType::Number
        | ParameterType::Date
        | ParameterType::String
        | ParameterType::Token
        | ParameterType::Reference
        | ParameterType::Composite
        | ParameterType::Quantity
        | ParameterType::Uri
        | ParameterType::Special => 1,
    }
}

/// Which edition the rows are that tell what is contained.
const CONTAINED_VERSION: &str = "1";

/// Which edition the rows of joints are.
const JOINT_VERSION: &str = "1";

/// The fingerprints of all of these.
pub fn fingerprints(parameters: &SearchParameters) -> Fingerprints {
    let each = parameters.all().map(|own| (own.url.clone(), fingerprint(own, parameters)));
    let contained = (CONTAINED.to_owned(), CONTAINED_VERSION.to_owned());
    let joints =
        Joint::standard().iter().map(|joint| (joint_name(joint), of_joint(joint, parameters)));
    each.chain([contained]).chain(joints).collect()
}

/// The name of a joint among the fingerprints.
pub fn joint_name(joint: &Joint) -> String {
    format!("{} {}", joint.type_name(), joint.source())
}

/// What the rows of a joint are made by: its edition, and whatever makes those of its parameters.
fn of_joint(joint: &Joint, all: &SearchParameters) -> String {
    let kind = ResourceType::parse(joint.type_name());
    let own = kind.into_iter().flat_map(|kind| all.for_type(kind));
    let own = own.filter(|own| joint.parameters.contains(&own.code));
    let mut parts = vec![JOINT_VERSION.to_owned()];
    parts.extend(own.map(|own| fingerprint(own, all)));
    digest(&parts)
}

/// All that bears on which rows there are, as a short digest.
fn fingerprint(own: &SearchParameter, all: &SearchParameters) -> String {
    let mut parts = vec![own.code.clone(), own.kind.as_str().to_owned()];
    parts.push(version(own.kind).to_string());
    parts.push(own.expression.clone().unwrap_or_default());
    parts.push(own.base.join(" "));
    for component in &own.components {
        let kind = all.by_url(&component.definition).map(|found| found.kind);
        parts.push(component.expression.clone());
        parts.extend(kind.map(|kind| format!("{} {}", kind.as_str(), version(kind))));
    }
    digest(&parts)
}

fn digest(parts: &[String]) -> String {
    let digest = Sha256::digest(parts.join("\n").as_bytes());
    digest.get(..8).map(hex).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn each_change_tells_of_itself() {
        let all = SearchParameters::standard().unwrap();
        let one = |code: &str| {
            let url = format!("http://hl7.org/fhir/SearchParameter/{code}");
            (**all.by_url(&url).unwrap()).clone()
        };
        let own = one("Observation-code-value-quantity");
        let others = [
            SearchParameter { code: "other".into(), ..own.clone() },
            SearchParameter { expression: Some("Observation.component".into()), ..own.clone() },
            SearchParameter { base: vec!["Procedure".into()], ..own.clone() },
            SearchParameter { kind: ParameterType::String, ..own.clone() },
            SearchParameter { components: Vec::new(), ..own.clone() },
            own,
        ];
        let prints: BTreeSet<_> = others.iter().map(|one| fingerprint(one, &all)).collect();
        assert_eq!(prints.len(), others.len());
        assert_eq!(fingerprints(&all), fingerprints(&all));
        assert_eq!(fingerprints(&all).len(), all.all().count() + 1 + Joint::standard().len());
    }
}
