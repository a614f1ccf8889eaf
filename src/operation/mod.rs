//! The operations, one file each.
//!
//! To add one: a file with its [`Operation`] and what it does, a line in [`ALL`], its definition
//! under `schemas/operation/` unless the standard has it, and a test that calls it.
//! Source: <http://hl7.org/fhir/R4/operations.html>.

mod audit;
mod collect_data;
mod consistency;
mod document;
pub mod episode;
pub mod episode_summary;
mod everything;
mod evaluate_measure;
pub mod export;
pub mod facts;
mod finalize_letter;
mod label;
mod lastn;
pub mod letters;
mod meta;
mod pages;
pub mod parameters;
mod stats;
mod subscription_events;
mod subscription_status;
pub mod terminology;
mod validate;
mod viewdefinition_run;

use serde_json::Value;

use crate::app::App;
use crate::error::Error;
use crate::fhir::{Id, Instant, Resource, ResourceType, VersionId};
use crate::repository::Stored;
use crate::view_definition::table;
use parameters::Parameters;

/// Every operation.
pub const ALL: &[&Operation] = &[
    &validate::OPERATION,
    &episode_summary::OPERATION,
    &consistency::OPERATION,
    &finalize_letter::OPERATION,
    &document::OPERATION,
    &lastn::OPERATION,
    &stats::OPERATION,
    &meta::META,
    &meta::ADD,
    &meta::DELETE,
    &everything::PATIENT,
    &everything::ENCOUNTER,
    &everything::GROUP,
    &everything::EPISODE,
    &evaluate_measure::OPERATION,
    &export::SYSTEM,
    &export::PATIENT,
    &export::GROUP,
    &collect_data::OPERATION,
    &terminology::EXPAND,
    &terminology::VALUE_SET_VALIDATE_CODE,
    &terminology::CODE_SYSTEM_VALIDATE_CODE,
    &terminology::LOOKUP,
    &terminology::SUBSUMES,
    &terminology::TRANSLATE,
    &viewdefinition_run::OPERATION,
    &subscription_status::OPERATION,
    &subscription_events::OPERATION,
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

impl Operation {
    /// Whether resources of that type have it.
    pub fn is_of(&self, kind: ResourceType) -> bool {
        self.types.is_empty() || self.types.contains(&kind.as_str())
    }

    /// Whether it answers with a table.
    pub fn is_table(&self) -> bool {
        self.definition == viewdefinition_run::OPERATION.definition
    }
}

/// Where an operation is called.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Level {
    /// `[base]/$name`.
    System,
    /// `[base]/[type]/$name`.
    Type,
    /// `[base]/[type]/[id]/$name`.
    Instance,
    /// `[base]/[type]/[id]/_history/[version]/$name`.
    Version,
}

/// One call.
pub struct Call<'a> {
    /// The application.
    pub app: &'a App,
    /// The server's base URL.
    pub base: &'a str,
    /// The time of the request.
    pub now: Instant,
    /// What it is called on.
    pub place: Place,
    /// What it is called with.
    pub parameters: Parameters,
    /// The body as it came; empty where there was none.
    pub text: &'a [u8],
    /// The form that the answer is wanted in.
    pub form: Form,
    /// How it writes.
    pub writes: &'a dyn Writes,
}

impl Call<'_> {
    /// The type in the URL.
    ///
    /// # Errors
    /// [`Error::UnknownRoute`] where there is none.
    pub fn kind(&self) -> Result<ResourceType, Error> {
        self.place.kind.ok_or(Error::UnknownRoute)
    }

    /// The id in the URL, at the levels of instances and versions.
    pub fn id(&self) -> Option<&Id> {
        self.place.id.as_ref()
    }
}

/// What an operation is called on, as the URL says; nothing: on the whole system.
#[derive(Clone, PartialEq, Eq, Default, Debug)]
pub struct Place {
    /// The type.
    pub kind: Option<ResourceType>,
    /// The id of the resource.
    pub id: Option<Id>,
    /// The version of it.
    pub version: Option<VersionId>,
}

impl Place {
    /// The level.
    pub fn level(&self) -> Level {
        match (&self.kind, &self.id, &self.version) {
            (None, ..) => Level::System,
            (_, None, _) => Level::Type,
            (.., None) => Level::Instance,
            _ => Level::Version,
        }
    }
}

/// How operations write: by the interactions, which hold what is written to all rules.
pub trait Writes {
    /// Stores what the function makes of the current version as the next one; none: it stays as it
    /// is. What is current is the answer.
    ///
    /// # Errors
    /// Those of the function, and of an update.
    fn amend(
        &self,
        target: (ResourceType, &Id),
        change: &dyn Fn(&Resource) -> Result<Option<Resource>, Error>,
    ) -> Result<Stored, Error>;

    /// Stores the resource under a new id, unless one is there that meets the criteria; what is there
    /// then is the answer.
    ///
    /// # Errors
    /// Those of a conditional create.
    fn create(&self, resource: &Resource, if_none_exist: &str) -> Result<Stored, Error>;
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
    /// A table.
    Table(table::Format),
}

/// What an operation answers with.
#[derive(Clone, PartialEq, Debug)]
pub enum Output {
    /// A resource.
    Resource(Value),
    /// A resource as JSON text.
    Text(Vec<u8>),
    /// A resource that is stored; the answer says where.
    Stored(Box<Stored>),
    /// A page.
    Html(String),
    /// A printed document.
    Pdf(Vec<u8>),
    /// A table.
    Table {
        /// Its form.
        format: table::Format,
        /// What it is.
        bytes: Vec<u8>,
    },
}

/// The operation of that name for that place.
///
/// # Errors
/// [`Error::UnknownRoute`] if there is none.
pub fn find(name: &str, place: &Place) -> Result<&'static Operation, Error> {
    let fits = |operation: &&Operation| {
        operation.name == name
            && operation.levels.contains(&place.level())
            && place.kind.is_none_or(|kind| operation.is_of(kind))
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
            let list = value["resource"].as_array().into_iter().flatten();
            let types: Vec<&str> = list.filter_map(Value::as_str).collect();
            // A definition in R4 can name types of R4 only.
            let known = operation.types.iter().filter(|name| ResourceType::parse(name).is_some());
            assert_eq!(types, known.copied().collect::<Vec<_>>());
            assert_eq!(value["system"], operation.levels.contains(&Level::System));
            assert!(!operation.by_get || value["affectsState"] == false);
            defined.push(url.to_owned());
        }
        for operation in ALL.iter().filter(|operation| operation.definition.starts_with(OWN)) {
            assert!(defined.iter().any(|url| url == operation.definition), "{}", operation.name);
        }
    }
}
