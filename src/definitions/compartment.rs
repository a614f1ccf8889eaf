//! Compartments: which resources belong to a patient, an encounter, a practitioner and so on.
//!
//! A resource belongs to a compartment when one of certain reference parameters points to the
//! resource that the compartment is of, or when it is that resource itself.
//! Source: <http://hl7.org/fhir/R4/compartmentdefinition.html>.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde_json::{Value, json};

use crate::definitions::embedded;
use crate::fhir::ResourceType;

/// Where the definitions stand that are built into the program.
const FILE: &str = "compartment/r4.ndjson";

/// The compartments of R4.
#[derive(Clone, Default, Debug)]
pub struct Compartments {
    parameters: BTreeMap<(ResourceType, ResourceType), Vec<String>>,
}

impl Compartments {
    /// Those built into the program, read when first asked for: only the standard can define
    /// compartments. Empty if they were damaged before the build, which the tests of this file
    /// would tell.
    pub fn standard() -> &'static Self {
        static STANDARD: LazyLock<Compartments> = LazyLock::new(|| {
            let definitions = embedded::text(FILE).unwrap_or_default();
            let lines = definitions.as_bytes().split(|byte| *byte == b'\n');
            Compartments::read(lines).unwrap_or_default()
        });
        &STANDARD
    }

    /// Reads what [`compile`] wrote. Lines of types that R4 does not have are passed over.
    ///
    /// # Errors
    /// The parser's message for a line that is not JSON.
    fn read<'a>(lines: impl Iterator<Item = &'a [u8]>) -> Result<Self, String> {
        let mut parameters = BTreeMap::new();
        for line in lines {
            if line.is_empty() {
                continue;
            }
            let row: Value = serde_json::from_slice(line).map_err(|error| error.to_string())?;
            let of = row.get("code").and_then(Value::as_str).and_then(ResourceType::parse);
            let types = row.get("resource").and_then(Value::as_object).into_iter().flatten();
            for (kind, codes) in types {
                let codes = codes.as_array().into_iter().flatten().filter_map(Value::as_str);
                if let (Some(of), Some(kind)) = (of, ResourceType::parse(kind)) {
                    parameters.insert((of, kind), codes.map(str::to_owned).collect());
                }
            }
        }
        Ok(Self { parameters })
    }

    /// Whether there are compartments of resources of that type.
    pub fn has(&self, of: ResourceType) -> bool {
        self.parameters.keys().any(|(own, _)| *own == of)
    }

    /// The parameters by which resources of type `kind` belong to a compartment of type `of`;
    /// empty when they never do.
    pub fn parameters(&self, of: ResourceType, kind: ResourceType) -> &[String] {
        self.parameters.get(&(of, kind)).map(Vec::as_slice).unwrap_or_default()
    }
}

/// Compiles `CompartmentDefinition`s to the lines of [`Compartments`], one a compartment.
pub fn compile(definitions: &[Value]) -> String {
    let mut lines = BTreeMap::new();
    for definition in definitions {
        let text = |key: &str| definition.get(key).and_then(Value::as_str).unwrap_or_default();
        let (url, code) = (text("url"), text("code"));
        // The specification also carries an example, under the code of another.
        let own_name = url.rsplit('/').next().unwrap_or_default();
        if !own_name.eq_ignore_ascii_case(code) {
            continue;
        }
        let rows = definition.get("resource").and_then(Value::as_array).into_iter().flatten();
        let types: BTreeMap<&str, &Value> =
            rows.filter_map(|row| Some((row.get("code")?.as_str()?, row.get("param")?))).collect();
        lines.insert(url, json!({ "url": url, "code": code, "resource": types }));
    }
    let mut text = String::new();
    for line in lines.values() {
        text.push_str(&line.to_string());
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// <http://hl7.org/fhir/R4/compartmentdefinition-patient.html>
    #[test]
    fn the_five_of_the_standard() {
        let lines = embedded::text(FILE).unwrap().lines().map(str::as_bytes);
        let all = Compartments::read(lines).unwrap();
        let kind = |name| ResourceType::parse(name).unwrap();
        let of: Vec<_> = ResourceType::all().filter(|kind| all.has(*kind)).collect();
        let expected = ["Device", "Encounter", "Patient", "Practitioner", "RelatedPerson"];
        assert_eq!(of, expected.map(kind));
        let patient = |name| all.parameters(kind("Patient"), kind(name)).join(" ");
        assert_eq!(patient("Observation"), "subject performer");
        assert_eq!(patient("Task"), "");
        assert_eq!(all.parameters.keys().filter(|(of, _)| *of == kind("Patient")).count(), 66);
        assert_eq!(Compartments::standard().parameters, all.parameters);
    }
}
