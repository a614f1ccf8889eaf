//! The rules of `schemas/`, applied to a resource.
//!
//! Answers issues, never a failure: a resource is held to its type's schema, to every known profile
//! that it claims, and so is each resource inside it. Schemas are compiled on first use and kept.
//! Nothing here reads the store: whether a reference's target exists is another question.
//! Source: <http://hl7.org/fhir/R4/validation.html>.

use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

use crate::definitions::Definitions;
use crate::fhir::{Issue, IssueType, Message, Resource, ResourceType};
use crate::terminology::Terminology;

mod catalog;
mod definition;
mod fhirpath;
mod finding;
mod keyword;
pub mod locate;
mod message;
mod narrative;
mod placement;
pub mod policy;
mod quick;
mod resolve;
mod resource;
mod scope;
mod standing;
mod sight;
mod untold;
mod usage;
mod verdicts;
mod whole;

use catalog::Catalog;
pub use fhirpath::{Constant, Focus, Path, Scope as Frame, Shape, Transition};
pub use policy::Policy;
pub use resolve::Outside;
use resource::Place;
pub use scope::Around;

/// A profile that is not held, so that nothing can be said of it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("the profile {0} is not known here")]
pub struct UnknownProfile(pub String);

/// Holds resources to the definitions; a clone shares all that was made ready.
#[derive(Clone)]
pub struct Validator {
    catalog: Arc<Catalog>,
}

impl Validator {
    /// Over those definitions; nothing is compiled yet.
    pub fn new(definitions: Arc<Definitions>) -> Self {
        let terminology = Arc::new(Terminology::new(Arc::clone(&definitions)));
        Self::over(definitions, terminology)
    }

    /// Over those definitions, with the codes of that terminology.
    pub fn over(definitions: Arc<Definitions>, terminology: Arc<Terminology>) -> Self {
        Self { catalog: Arc::new(Catalog::new(definitions, terminology)) }
    }

    /// Over definitions that differ from these in the `changed` profiles alone (canonicals without
    /// version, with all that rests on them); what is compiled of the others is shared.
    #[must_use]
    pub fn next(
        &self,
        definitions: Arc<Definitions>,
        terminology: Arc<Terminology>,
        changed: &BTreeSet<String>,
    ) -> Self {
        Self { catalog: Arc::new(self.catalog.next(definitions, terminology, changed)) }
    }

    /// What keeps the profile of that canonical from being used; nothing, if it can be.
    ///
    /// # Errors
    /// [`UnknownProfile`] if no such profile is held.
    pub fn fault(&self, canonical: &str) -> Result<Option<String>, UnknownProfile> {
        let profile = self.catalog.profile(canonical);
        let profile = profile.ok_or_else(|| UnknownProfile(canonical.to_owned()))?;
        Ok(scope::enter(&self.catalog, None, Around::default(), |scope| {
            scope.catalog.compiled(profile).err().map(str::to_owned)
        }))
    }

    /// Everything that is wrong with the resource, by its type and by the profiles that it claims;
    /// errors first, each cause once. Nothing, where all is well.
    pub fn check(&self, resource: &Resource) -> Vec<Issue> {
        self.check_around(resource, Around::default())
    }

    /// The same, with a way to look at what is outside the resource.
    pub fn check_around(&self, resource: &Resource, around: Around) -> Vec<Issue> {
        let value = resource.value();
        scope::enter(&self.catalog, Some(resource.shared()), around, |scope| {
            if resource::is_valid(scope, value, Place::Root) {
                let noted = scope.take_untold();
                if noted.is_empty() {
                    return Vec::new();
                }
                let found = untold::findings(scope, value, noted);
                return finding::issues(resource.kind().as_str(), found);
            }
            let found = resource::findings(scope, value, Place::Root);
            finding::issues(resource.kind().as_str(), found)
        })
    }

    /// The same, and what the profile of that canonical says besides.
    ///
    /// # Errors
    /// [`UnknownProfile`] if no such profile is held.
    pub fn check_profile(
        &self,
        resource: &Resource,
        canonical: &str,
    ) -> Result<Vec<Issue>, UnknownProfile> {
        self.check_profile_around(resource, canonical, Around::default())
    }

    /// The same, with a way to look at what is outside the resource.
    ///
    /// # Errors
    /// [`UnknownProfile`] if no such profile is held.
    pub fn check_profile_around(
        &self,
        resource: &Resource,
        canonical: &str,
        around: Around,
    ) -> Result<Vec<Issue>, UnknownProfile> {
        let profile = self.catalog.profile(canonical);
        let profile = profile.ok_or_else(|| UnknownProfile(canonical.to_owned()))?;
        let value = resource.value();
        Ok(scope::enter(&self.catalog, Some(resource.shared()), around, |scope| {
            let mut found = resource::findings(scope, value, Place::Root);
            found.extend(resource::profile_findings(scope, profile, value));
            finding::issues(resource.kind().as_str(), found)
        }))
    }

    /// Those issues, and what profiles say that this server asks for whatever the resource claims.
    /// One that is not held is an error: what was asked for cannot be promised.
    pub fn require<'a>(
        &self,
        resource: &Resource,
        required: impl Iterator<Item = &'a str>,
        around: &Around,
        mut issues: Vec<Issue>,
    ) -> Vec<Issue> {
        let claimed: Vec<&str> = resource.profiles().collect();
        for canonical in required.filter(|canonical| !claimed.contains(canonical)) {
            if self.meets(resource, canonical, around) {
                continue;
            }
            let more = self.check_profile_around(resource, canonical, around.clone());
            let more = more.unwrap_or_else(|unknown| {
                let text = "The server is set to require a profile that it does not hold.";
                let issue = Issue::error(IssueType::NotFound, text).rule(unknown.0);
                vec![issue.at(resource.kind().as_str()).message(Message::ProfileRequired)]
            });
            // What the type itself asks has been told, and so has what another profile asks too.
            let told: HashSet<_> = issues.iter().map(cause).collect();
            let new: Vec<Issue> =
                more.into_iter().filter(|issue| !told.contains(&cause(issue))).collect();
            issues.extend(new);
        }
        issues
    }

    /// Whether the profile of that canonical is held.
    pub fn holds(&self, canonical: &str) -> bool {
        self.catalog.profile(canonical).is_some()
    }

    /// Whether the resource meets that profile: the quick way through for sound resources.
    fn meets(&self, resource: &Resource, canonical: &str, around: &Around) -> bool {
        let value = resource.value();
        scope::enter(&self.catalog, Some(resource.shared()), around.clone(), |scope| {
            resource::is_claim_met(scope, value, canonical)
        })
    }

    /// What good practice asks beyond the rules, as warnings: for now a narrative (dom-6). Kept
    /// apart, because no content is ever refused for it and most systems send none.
    pub fn advice(&self, resource: &Resource) -> Vec<Issue> {
        finding::issues(resource.kind().as_str(), resource::advice(resource.value()))
    }

    /// Compiles the schemas of those resource types and of the data types in them, so that no
    /// request has to wait for it.
    pub fn warm(&self, kinds: impl Iterator<Item = ResourceType>) {
        scope::enter(&self.catalog, None, Around::default(), |scope| {
            kinds.for_each(|kind| scope.catalog.warm(kind.as_str()));
        });
    }

    /// Compiles everything that is held; what cannot be compiled is told with its place.
    pub fn faults(&self) -> Vec<String> {
        scope::enter(&self.catalog, None, Around::default(), |scope| scope.catalog.faults())
    }
}

/// What an issue says, and of which element.
pub fn cause(issue: &Issue) -> (Option<&str>, &str) {
    (issue.expression.as_deref(), &issue.diagnostics)
}
