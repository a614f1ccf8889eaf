//! The operations, one file each.
//!
//! To add one: a file with its [`Operation`] and what it does, a line in [`ALL`], its definition
//! under `schemas/operation/` unless the standard has it, and a test that calls it.
//! Source: <http://hl7.org/fhir/R4/operations.html>.

mod consistency;
pub mod episode;
pub mod episode_summary;
mod finalize_letter;
pub mod letters;
pub mod parameters;
pub mod terminology;
mod validate;

use serde_json::Value;

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, ResourceType};
use parameters::Parameters;

/// Every operation.
pub const ALL: &[&Operation] = &[
    &validate::OPERATION,
    &episode_summary::OPERATION,
    &consistency::OPERATION,
    &finalize_letter::OPERATION,
    &terminology::EXPAND,
    &terminology::VALUE_SET_VALIDATE_CODE,
    &terminology::CODE_SYSTEM_VALIDATE_CODE,
    &terminology::LOOKUP,
    &terminology::SUBSUMES,
    &terminology::TRANSLATE,
];

/// An operation of the API.
pub struct Operation {
    /// Its name, without the dollar sign.
    pub name: &'static str,
    /// The canonical of its definition.
    pub definition: &'static str,
    /// Where it can be called.
    pub levels: &'static [Level],
    /// The types that have it; none: all.
    pub types: &'static [&'static str],
    /// Whether all that it takes can stand in a URL, and nothing changes, so that GET calls it.
    pub by_get: bool,
    /// Whether it answers with a document, which can be had as HTML and PDF too.
    pub document: bool,
    /// What it does.
    pub run: fn(&Call<'_>) -> Result<Output, Error>,
}

/// Where an operation is called.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Level {
    /// `[base]/[type]/$name`.
    Type,
    /// `[base]/[type]/[id]/$name`.
    Instance,
}

/// One call.
pub struct Call<'a> {
    /// The application.
    pub app: &'a App,
    /// The server's base URL.
    pub base: &'a str,
    /// The time of the request.
    pub now: Instant,
    /// The type in the URL.
    pub kind: ResourceType,
    /// The id in the URL, at the level of an instance.
    pub id: Option<&'a Id>,
    /// What it is called with.
    pub parameters: Parameters,
    /// The body as it came; empty where there was none.
    pub text: &'a [u8],
    /// The form that the answer is wanted in.
    pub form: Form,
}

/// The form of an answer.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form {
    /// A resource in JSON.
    Resource,
    /// A page.
    Html,
    /// A printed document.
    Pdf,
}

/// What an operation answers with.
#[derive(Clone, PartialEq, Debug)]
pub enum Output {
    /// A resource.
    Resource(Value),
    /// A page.
    Html(String),
    /// A printed document.
    Pdf(Vec<u8>),
}

/// The operation of that name for that type and level.
///
/// # Errors
/// [`Error::UnknownRoute`] if there is none.
pub fn find(name: &str, kind: ResourceType, level: Level) -> Result<&'static Operation, Error> {
    let fits = |operation: &&Operation| {
        operation.name == name
            && operation.levels.contains(&level)
            && (operation.types.is_empty() || operation.types.contains(&kind.as_str()))
    };
    ALL.iter().copied().find(fits).ok_or(Error::UnknownRoute)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::definitions::Definitions;

    const OWN: &str = "https://spondyl.example/fhir/OperationDefinition/";

    /// What is called agrees with what is defined; every definition is of an operation that is
    /// there.
    #[test]
    fn own_operations_are_as_defined() {
        let definitions = Definitions::embedded().unwrap();
        let files = definitions.others().filter(|(path, _)| path.starts_with("operation/"));
        let mut defined: Vec<String> = Vec::new();
        for (path, bytes) in files {
            let value: Value = serde_json::from_slice(bytes).unwrap();
            let url = value["url"].as_str().unwrap();
            let found = ALL.iter().find(|operation| operation.definition == url);
            let operation = found.unwrap_or_else(|| panic!("{path} is of no operation"));
            assert_eq!(value["code"], operation.name);
            assert_eq!(value["type"], operation.levels.contains(&Level::Type));
            assert_eq!(value["instance"], operation.levels.contains(&Level::Instance));
            let types: Vec<&str> =
                value["resource"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
            assert_eq!(types, operation.types);
            assert!(!operation.by_get || value["affectsState"] == false);
            defined.push(url.to_owned());
        }
        for operation in ALL.iter().filter(|operation| operation.definition.starts_with(OWN)) {
            assert!(defined.iter().any(|url| url == operation.definition), "{}", operation.name);
        }
    }
}
