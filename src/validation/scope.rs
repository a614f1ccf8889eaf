//! What a keyword can see beyond the value that it is given: the catalog, and the resource around.
//!
//! A keyword of jsonschema gets a value and nothing else. References between definitions and
//! between resources need more, so the check that is running on this thread keeps it here. A
//! scope lasts for one check and is never seen from another thread.

use std::cell::{Cell, Ref, RefCell};
use std::collections::HashMap;
use std::rc::Rc;
use std::sync::Arc;

use serde_json::Value;

use super::catalog::Catalog;
use super::finding::Finding;
use super::resolve::{Document, Outside, Resolved, Target};
use super::standing::Standing;
use super::verdicts::{self, Question};
use crate::fhir::Instant;

thread_local! {
    static CURRENT: RefCell<Option<Scope>> = const { RefCell::new(None) };
}

/// What a check may use besides the resource and the definitions.
#[derive(Clone, Default)]
pub struct Around {
    /// Finds resources that are not inside the one that is checked.
    pub outside: Option<Arc<Outside>>,
    /// The moment that `now()` and `today()` of invariants mean.
    pub now: Option<Instant>,
}

/// One element on the way to the current value.
#[derive(Clone, Copy)]
pub(super) struct Frame {
    pub(super) standing: &'static Standing,
    /// The url of an extension, in short; 0 for everything else.
    pub(super) url: u64,
}

/// An extension that can only be judged with the whole resource in sight.
pub(super) struct Pending {
    /// Where it lies in memory.
    pub(super) address: usize,
    /// Whether a path or type allows it there already.
    pub(super) at_home: bool,
}

/// One check in progress.
pub(super) struct Scope {
    pub(super) catalog: Arc<Catalog>,
    pub(super) around: Around,
    /// The resources around the current value, outermost first.
    resources: RefCell<Vec<Target>>,
    /// What was looked for outside.
    fetched: RefCell<HashMap<String, Option<Rc<Document>>>>,
    /// Which resources meet which profiles; none while that is being found out.
    met: RefCell<HashMap<(usize, usize), Option<bool>>>,
    /// What keywords found, to be fetched by its number.
    findings: RefCell<Vec<Vec<Finding>>>,
    depth: Cell<usize>,
    /// The elements around the current value that have a type of their own, in this resource.
    way: RefCell<Vec<Frame>>,
    /// Extensions to be looked at again once the resource has been gone through.
    pending: RefCell<Vec<Pending>>,
    /// Where codes lie in memory of which nothing can be said.
    untold: RefCell<Vec<usize>>,
}

/// How deep resources may lie inside one another.
const MAX_DEPTH: usize = 16;

/// How many resources are looked for outside in one check.
const MAX_FETCHES: usize = 10_000;

impl Scope {
    /// Keeps findings; the answer stands for them in an error of jsonschema.
    pub(super) fn keep(&self, found: Vec<Finding>) -> String {
        let mut findings = self.findings.borrow_mut();
        findings.push(found);
        (findings.len() - 1).to_string()
    }

    /// The findings behind a number that [`Scope::keep`] gave, which are fetched once.
    pub(super) fn kept(&self, number: &str) -> Vec<Finding> {
        let number: Option<usize> = number.parse().ok();
        let mut findings = self.findings.borrow_mut();
        number.and_then(|number| findings.get_mut(number)).map(std::mem::take).unwrap_or_default()
    }

    /// That nothing can be said of the code of that value.
    pub(super) fn note_untold(&self, value: &Value) {
        self.untold.borrow_mut().push(std::ptr::from_ref(value).addr());
    }

    /// Where the values lie of which that was said.
    pub(super) fn take_untold(&self) -> Vec<usize> {
        self.untold.take()
    }

    /// The answer to a question to the terminology, by `ask` where it has not been given before.
    pub(super) fn answer(&self, question: &Question<'_>, ask: impl FnOnce() -> u8) -> u8 {
        verdicts::answer(self.catalog.generation, question, ask)
    }

    /// Runs `work` one resource deeper; none where resources nest without end.
    pub(super) fn deeper<R>(&self, work: impl FnOnce() -> R) -> Option<R> {
        if self.depth.get() >= MAX_DEPTH {
            return None;
        }
        self.depth.set(self.depth.get() + 1);
        let answer = work();
        self.depth.set(self.depth.get() - 1);
        Some(answer)
    }

    /// Runs `work` one element further.
    pub(super) fn on_the_way<R>(&self, frame: Frame, work: impl FnOnce() -> R) -> R {
        self.way.borrow_mut().push(frame);
        let answer = work();
        self.way.borrow_mut().pop();
        answer
    }

    /// The elements around the current value, outermost first.
    pub(super) fn way(&self) -> Ref<'_, [Frame]> {
        Ref::map(self.way.borrow(), Vec::as_slice)
    }

    /// Keeps an extension in mind, of which the whole resource must be seen.
    pub(super) fn look_again(&self, extension: &Value, at_home: bool) {
        let address = std::ptr::from_ref(extension).addr();
        self.pending.borrow_mut().push(Pending { address, at_home });
    }

    /// The extensions kept in mind since `work` began, and its answer.
    pub(super) fn pending<R>(&self, work: impl FnOnce() -> R) -> (R, Vec<Pending>) {
        let before = self.pending.take();
        let answer = work();
        (answer, self.pending.replace(before))
    }

    /// The resource that the current value is in.
    pub(super) fn here(&self) -> Option<Target> {
        self.resources.borrow().last().cloned()
    }

    /// Runs `work` with `value`, a resource inside the current one, as the current one.
    pub(super) fn within<R>(&self, value: &Value, work: impl FnOnce() -> R) -> R {
        let here = self.here();
        let target = here.map(|here| here.inside(value));
        let target =
            target.unwrap_or_else(|| Target::whole(Document::new(Arc::new(value.clone()))));
        self.at(target, work)
    }

    /// Runs `work` with the resource `target` as the current one.
    pub(super) fn at<R>(&self, target: Target, work: impl FnOnce() -> R) -> R {
        self.resources.borrow_mut().push(target);
        let way = self.way.take();
        let answer = work();
        self.way.replace(way);
        self.resources.borrow_mut().pop();
        answer
    }

    /// What the text of `Reference.reference`, in the current resource, leads to.
    pub(super) fn resolve(&self, text: &str) -> Resolved {
        match self.here() {
            Some(here) => self.resolve_from(&here, text),
            None => Resolved::Unknown,
        }
    }

    /// The same, in the resource `from`.
    pub(super) fn resolve_from(&self, from: &Target, text: &str) -> Resolved {
        match from.resolve(text) {
            Resolved::Unknown => match self.fetch(text) {
                Some(found) => Resolved::Found(Target::whole(found)),
                None => Resolved::Unknown,
            },
            known => known,
        }
    }

    /// The resource of that reference or URL outside the one that is checked.
    pub(super) fn fetch(&self, text: &str) -> Option<Rc<Document>> {
        let outside = self.around.outside.as_ref()?;
        if let Some(known) = self.fetched.borrow().get(text) {
            return known.clone();
        }
        if self.fetched.borrow().len() >= MAX_FETCHES {
            return None;
        }
        let found = outside(text).map(Document::new);
        self.fetched.borrow_mut().insert(text.to_owned(), found.clone());
        found
    }

    /// The definition that a canonical in the current resource leads to: contained, in the Bundle
    /// around, held, or outside.
    pub(super) fn definition(&self, canonical: &str) -> Option<Target> {
        let near = self.here().and_then(|here| here.definition(canonical));
        near.or_else(|| {
            let held = self.catalog.artefact(canonical).map(Document::new);
            held.or_else(|| self.fetch(canonical)).map(Target::whole)
        })
    }

    /// Whether the resource meets the profile at that position of the catalog. Resources that
    /// refer to one another in a circle meet it unless something else is wrong with one of them.
    pub(super) fn meets(&self, target: &Target, profile: usize) -> bool {
        let value = target.value();
        let key = (std::ptr::from_ref(value).addr(), profile);
        if let Some(known) = self.met.borrow().get(&key) {
            return known.unwrap_or(true);
        }
        self.met.borrow_mut().insert(key, None);
        let met = self.deeper(|| {
            self.at(target.clone(), || {
                self.catalog.compiled(profile).is_ok_and(|held| {
                    held.is_for(value.get("resourceType").and_then(Value::as_str))
                        && held.validator.is_valid(value)
                })
            })
        });
        let met = met.unwrap_or(true);
        self.met.borrow_mut().insert(key, Some(met));
        met
    }
}

/// Ends the scope of a check, however the check ends.
struct Leave;

impl Drop for Leave {
    fn drop(&mut self) {
        CURRENT.with(|current| {
            if let Ok(mut current) = current.try_borrow_mut() {
                *current = None;
            }
        });
    }
}

/// Runs a check of the resource. Checks do not nest: what a check calls uses [`with`].
pub(super) fn enter<R>(
    catalog: &Arc<Catalog>,
    resource: Option<Arc<Value>>,
    around: Around,
    work: impl FnOnce(&Scope) -> R,
) -> R {
    let root = resource.map(|value| Target::whole(Document::new(value)));
    let scope = Scope {
        catalog: Arc::clone(catalog),
        around,
        resources: RefCell::new(root.into_iter().collect()),
        fetched: RefCell::default(),
        met: RefCell::default(),
        findings: RefCell::default(),
        depth: Cell::new(0),
        way: RefCell::default(),
        pending: RefCell::default(),
        untold: RefCell::default(),
    };
    CURRENT.with(|current| *current.borrow_mut() = Some(scope));
    let _leave = Leave;
    CURRENT.with(|current| {
        let current = current.borrow();
        #[expect(clippy::expect_used, reason = "set four lines above, on this thread")]
        work(current.as_ref().expect("the scope of this check"))
    })
}

/// What the running check can see; `absent` where no check is running.
pub(super) fn with<R>(absent: R, work: impl FnOnce(&Scope) -> R) -> R {
    CURRENT.with(|current| match current.borrow().as_ref() {
        Some(scope) => work(scope),
        None => absent,
    })
}
