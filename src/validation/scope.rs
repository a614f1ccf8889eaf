//! What a keyword can see beyond the value that it is given: the catalog, and the resource around.
//!
//! A keyword of jsonschema gets a value and nothing else. References between definitions and to
//! contained resources need more, so the check that is running on this thread keeps it here. A
//! scope lasts for one check and is never seen from another thread.

use std::cell::{Cell, RefCell};
use std::sync::Arc;

use super::catalog::Catalog;
use super::finding::Finding;

thread_local! {
    static CURRENT: RefCell<Option<Scope>> = const { RefCell::new(None) };
}

/// One check in progress.
pub(super) struct Scope {
    pub(super) catalog: Arc<Catalog>,
    /// For each resource around the current value, outermost first: ids and types of what it
    /// contains.
    pub(super) contained: RefCell<Vec<Vec<(String, String)>>>,
    /// What keywords found, to be fetched by its number.
    findings: RefCell<Vec<Finding>>,
    depth: Cell<usize>,
    /// Whether a code was met of which nothing can be said.
    untold: Cell<bool>,
    codes_only: Cell<bool>,
}

/// How deep resources may lie inside one another.
const MAX_DEPTH: usize = 16;

impl Scope {
    /// Keeps a finding; the answer stands for it in an error of jsonschema.
    pub(super) fn keep(&self, finding: Finding) -> String {
        let mut findings = self.findings.borrow_mut();
        findings.push(finding);
        (findings.len() - 1).to_string()
    }

    /// The finding behind a number that [`Scope::keep`] gave.
    pub(super) fn kept(&self, number: &str) -> Option<Finding> {
        let number: usize = number.parse().ok()?;
        self.findings.borrow().get(number).cloned()
    }

    /// That a code was met of which nothing can be said.
    pub(super) fn note_untold(&self) {
        self.untold.set(true);
    }

    /// Whether there was one.
    pub(super) fn has_untold(&self) -> bool {
        self.untold.get()
    }

    /// From here on only what codes say is asked; all else is known to be well.
    pub(super) fn want_codes_only(&self) {
        self.codes_only.set(true);
    }

    /// Whether that is so.
    pub(super) fn wants_codes_only(&self) -> bool {
        self.codes_only.get()
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

/// Runs a check. Checks do not nest: what a check calls uses [`with`].
pub(super) fn enter<R>(catalog: &Arc<Catalog>, work: impl FnOnce(&Scope) -> R) -> R {
    let scope = Scope {
        catalog: Arc::clone(catalog),
        contained: RefCell::default(),
        findings: RefCell::default(),
        depth: Cell::new(0),
        untold: Cell::new(false),
        codes_only: Cell::new(false),
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
