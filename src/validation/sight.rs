//! What an invariant can ask of the world: references, terminology, profiles, the time.
//!
//! Made for one evaluation, in the scope of the check that is running.

use std::cell::{Cell, OnceCell};

use serde_json::Value;

use super::fhirpath::{Element, Env, Host, Item};
use super::resolve::Target;
use super::scope::Scope;
use crate::definitions::element::canonical_tail;
use crate::fhir::{Instant, Severity, narrative};
use crate::terminology::Membership;
use crate::terminology::subsumes::{self, Outcome};

/// The world as one evaluation sees it.
pub(super) struct Sight<'s> {
    scope: &'s Scope,
    here: Option<Target>,
    targets: Targets,
}

/// Resources that were found, kept where they are as long as the evaluation lasts.
#[derive(Default)]
struct Targets {
    first: OnceCell<Box<Kept>>,
    count: Cell<usize>,
}

struct Kept {
    target: Target,
    next: OnceCell<Box<Kept>>,
}

/// How many resources one evaluation may look at.
const MAX_TARGETS: usize = 4_000;

impl Targets {
    fn iter(&self) -> impl Iterator<Item = &Target> {
        let first = self.first.get();
        std::iter::successors(first, |kept| kept.next.get()).map(|kept| &kept.target)
    }

    /// Keeps it, unless there are too many.
    fn keep(&self, target: Target) -> Option<&Target> {
        if let Some(known) = self.iter().find(|known| known.is(&target)) {
            return Some(known);
        }
        if self.count.get() >= MAX_TARGETS {
            return None;
        }
        self.count.set(self.count.get() + 1);
        let mut place = &self.first;
        while let Some(kept) = place.get() {
            place = &kept.next;
        }
        Some(&place.get_or_init(|| Box::new(Kept { target, next: OnceCell::new() })).target)
    }
}

impl Drop for Targets {
    fn drop(&mut self) {
        // One after the other: a long chain would otherwise be dropped by recursion.
        let mut next = self.first.take();
        while let Some(mut kept) = next {
            next = kept.next.take();
        }
    }
}

impl<'s> Sight<'s> {
    /// From the resource that the scope is at, or from that one inside it.
    pub(super) fn new(scope: &'s Scope, resource: Option<&Value>) -> Self {
        let here = match (scope.here(), resource) {
            (Some(here), Some(resource)) => Some(here.inside(resource)),
            (here, _) => here,
        };
        Self { scope, here, targets: Targets::default() }
    }

    /// `%resource`.
    pub(super) fn resource(&self) -> Option<Item<'_>> {
        self.here.as_ref().map(|here| Item::Element(Element::resource(here.value())))
    }

    /// `%rootResource`.
    pub(super) fn root_resource(&self) -> Option<Item<'_>> {
        let here = self.here.as_ref()?;
        if !here.is_contained() {
            return self.resource();
        }
        let container = self.targets.keep(here.container())?;
        Some(Item::Element(Element::resource(container.value())))
    }

    /// What an expression on that element sees.
    pub(super) fn env<'v>(&'v self, focus: Element<'v>) -> Env<'v> {
        let (resource, root_resource) = (self.resource(), self.root_resource());
        Env { resource, root_resource, ..Env::new(Item::Element(focus), self) }
    }

    /// The resource that lies there.
    fn locate(&self, value: &Value) -> Option<Target> {
        let known = self.here.iter().chain(self.targets.iter());
        known.into_iter().find_map(|target| target.find(value))
    }
}

impl Host for Sight<'_> {
    fn resolve<'v>(&'v self, from: Option<&Value>, text: &str) -> Option<&'v Value> {
        let from = match from {
            Some(value) => self.locate(value)?,
            None => self.here.clone()?,
        };
        let found = self.scope.resolve_from(&from, text).found()?;
        // What lies in the same document needs not be kept.
        match self.here.as_ref().and_then(|here| here.same_document(&found)) {
            Some(value) => Some(value),
            None => Some(self.targets.keep(found)?.value()),
        }
    }

    fn member_of(&self, value_set: &str, system: Option<&str>, code: &str) -> Membership {
        self.scope.catalog.terminology.membership(value_set, system, code)
    }

    fn conforms(&self, value: &Value, canonical: &str) -> Option<bool> {
        let catalog = &self.scope.catalog;
        let kind = value.get("resourceType").and_then(Value::as_str);
        let at = if let Some(at) = catalog.profile(canonical) {
            at
        } else {
            let at = catalog.resource(canonical_tail(canonical))?;
            if kind != Some(catalog.name(at)) {
                return Some(false);
            }
            at
        };
        let compiled = catalog.compiled(at).ok()?;
        if kind.is_some() && compiled.kind.is_some() && kind != compiled.kind.as_deref() {
            return Some(false);
        }
        let target = kind.and_then(|_| self.locate(value));
        self.scope.deeper(|| match target {
            Some(target) => self.scope.at(target, || compiled.validator.is_valid(value)),
            None => compiled.validator.is_valid(value),
        })
    }

    fn subsumes(&self, system: &str, general: &str, special: &str) -> Option<bool> {
        let held = self.scope.catalog.terminology.code_system(system)?;
        let outcome = subsumes::compare(held, general, special).ok()?;
        Some(matches!(outcome, Outcome::Subsumes | Outcome::Equivalent))
    }

    fn is_narrative(&self, text: &str) -> bool {
        narrative::check(text).iter().all(|fault| fault.severity < Severity::Error)
    }

    fn now(&self) -> Option<Instant> {
        self.scope.around.now
    }
}
