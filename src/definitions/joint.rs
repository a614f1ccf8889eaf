//! Joint indexes: parameters that are often asked together, and whose values stand in one row.
//!
//! Which these are is a matter of how a clinic asks, not of the standard; so it is told by the files
//! of `schemas/joint/`. A joint says nothing about what is found, only how soon.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::definitions::embedded;
use crate::fhir::ResourceType;

/// Where the joints stand that are built into the program.
const FILES: [&str; 1] = ["joint/observation.json"];

/// Parameters of one type whose values stand in one row, in this order.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
pub struct Joint {
    /// The type's name.
    #[serde(rename = "type")]
    type_name: String,
    /// The codes of the parameters, each with rows of its own as well.
    pub parameters: Vec<String>,
    /// The composite of the standard whose rows are the same; none: the joint has rows of its own.
    #[serde(default)]
    rows: Option<String>,
    /// The parameters of which a resource has at most one value, so that all that is asked of one is
    /// asked of the same row.
    #[serde(default)]
    once: Vec<String>,
}

impl Joint {
    /// Those built into the program, read when first asked for. None if the files were damaged
    /// before the build, which the tests of this file would tell.
    pub fn standard() -> &'static [Self] {
        static STANDARD: LazyLock<Vec<Joint>> = LazyLock::new(|| {
            let texts = FILES.iter().filter_map(|file| embedded::text(file));
            let read = |text| serde_json::from_str::<Vec<Joint>>(text).unwrap_or_default();
            texts.flat_map(read).collect()
        });
        &STANDARD
    }

    /// Those of resources of that type.
    pub fn of(kind: ResourceType) -> impl Iterator<Item = &'static Self> {
        Self::standard().iter().filter(move |joint| joint.type_name == kind.as_str())
    }

    /// The name under which the rows stand. That of a joint with rows of its own begins as no code
    /// may.
    pub fn source(&self) -> String {
        self.rows.clone().unwrap_or_else(|| format!("#{}", self.parameters.join("+")))
    }

    /// The type's name.
    pub fn type_name(&self) -> &str {
        &self.type_name
    }

    /// The composite of the standard whose rows are those of the joint.
    pub fn composite(&self) -> Option<&str> {
        self.rows.as_deref()
    }

    /// Whether a resource has at most one value for that parameter.
    pub fn has_once(&self, parameter: &str) -> bool {
        self.once.iter().any(|own| own == parameter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_is_read() {
        let files = embedded::files().filter(|(path, _)| path.starts_with("joint/"));
        let mut files: Vec<_> = files.map(|(path, _)| path).collect();
        files.sort_unstable();
        assert_eq!(files, FILES);
        for (file, content) in FILES.iter().map(|file| (file, embedded::text(file).unwrap())) {
            let own: Vec<Joint> = serde_json::from_str(content).unwrap();
            assert!(!own.is_empty(), "{file}");
            for joint in own {
                let kind = ResourceType::parse(&joint.type_name).unwrap();
                assert!(Joint::of(kind).any(|read| *read == joint), "{file}");
            }
        }
    }
}
