//! The files of an export: what was stored at one moment, a line for each resource.
//!
//! Every version is kept, so that what was current at a moment can be read while others write, and
//! again after a crash. The store is read a few hundred resources at a time: a view that is held long
//! would hold up those who write.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use serde_json::{Value, json};

use crate::access::Whose;
use crate::app::{App, Held};
use crate::bulk::Fault;
use crate::bulk::request::{Level, Request, Wanted};
use crate::consent;
use crate::definitions::compartment::Compartments;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Issue, Resource, ResourceType};
use crate::index;
use crate::repository::group::members;
use crate::repository::{self, Stored, key};
use crate::search::clause::Clause;
use crate::search::query::Summary;
use crate::search::read::Rows;
use crate::search::subset;
use crate::store::View;

/// How many resources are read in one view.
const TOGETHER: usize = 500;
/// How many lines a file has at most.
const LINES: u64 = 100_000;

/// A file that was written.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Output {
    /// What it holds; `Bundle` for deletions.
    pub kind: String,
    /// Its name.
    pub name: String,
    /// Its lines.
    pub count: u64,
    /// Whether it tells of deletions.
    pub deleted: bool,
}

/// What was written.
pub(super) struct Written {
    pub(super) outputs: Vec<Output>,
    /// What was passed over.
    pub(super) warnings: Vec<Issue>,
    /// Of whom the files tell; empty where nobody keeps account of it.
    pub(super) patients: BTreeSet<Id>,
    /// Who was left out, with the Consent that says so.
    pub(super) denied: BTreeMap<Id, Id>,
}

/// Writes the files of a request, as of that moment, into a directory. `told` hears how many of the
/// types are done, and says whether to go on.
///
/// # Errors
/// [`Fault`] when the store or the disk fails, or the export was broken off.
pub(super) fn write(
    app: &App,
    request: &Request,
    moment: Instant,
    directory: &Path,
    told: &dyn Fn(usize, usize) -> bool,
) -> Result<Written, Fault> {
    let held = app.held();
    let wanted = request.read(&held.rules, moment)?;
    let patients = patients(app, request, &wanted)?;
    let moment = wanted.until.map_or(moment, |until| until.min(moment));
    let denied = consent::denied(app, moment)?;
    let export = Export {
        app,
        held: &held,
        request,
        wanted: &wanted,
        patients,
        moment,
        directory,
        is_accounted: app.trail.is_some(),
        denied,
        left_out: RefCell::default(),
        given: RefCell::default(),
    };
    let kinds: Vec<ResourceType> = ResourceType::all().filter(|kind| export.takes(*kind)).collect();
    let mut outputs = Vec::new();
    for (done, kind) in kinds.iter().enumerate() {
        if !told(done, kinds.len()) {
            return Err(Fault::BrokenOff);
        }
        export.kind(*kind, &mut outputs)?;
    }
    let Export { left_out, given, .. } = export;
    let (denied, patients) = (left_out.into_inner(), given.into_inner());
    Ok(Written { outputs, warnings: wanted.warnings, patients, denied })
}

/// The patients whose records are wanted; none: all.
fn patients(app: &App, request: &Request, wanted: &Wanted) -> Result<Option<BTreeSet<Id>>, Fault> {
    let Level::Group(id) = &request.level else { return Ok(wanted.patients.clone()) };
    let view = app.store.view()?;
    let kind = ResourceType::parse("Group").ok_or(Error::UnknownType)?;
    let id = Id::parse(id).ok_or(Error::NotFound)?;
    let (mut ids, mut groups) = (BTreeSet::new(), BTreeSet::new());
    members(&*view, (kind, id), &mut ids, &mut groups)?;
    if groups.is_empty() {
        return Err(Error::NotFound.into());
    }
    Ok(Some(match &wanted.patients {
        Some(named) => ids.intersection(named).cloned().collect(),
        None => ids,
    }))
}

struct Export<'a> {
    app: &'a App,
    held: &'a Arc<Held>,
    request: &'a Request,
    wanted: &'a Wanted,
    patients: Option<BTreeSet<Id>>,
    moment: Instant,
    directory: &'a Path,
    /// Whether it is noted of whom the files tell.
    is_accounted: bool,
    /// The patients who must be left out.
    denied: BTreeMap<Id, Id>,
    /// Those who were.
    left_out: RefCell<BTreeMap<Id, Id>>,
    given: RefCell<BTreeSet<Id>>,
}

/// Where the lines of one type go: a file, and another when it is full.
struct Lines<'a> {
    directory: &'a Path,
    kind: &'static str,
    /// Whether they tell of deletions.
    deleted: bool,
    open: Option<(BufWriter<File>, Output)>,
    closed: Vec<Output>,
}

impl<'a> Lines<'a> {
    fn of(directory: &'a Path, kind: &'static str, deleted: bool) -> Self {
        Self { directory, kind, deleted, open: None, closed: Vec::new() }
    }

    fn write(&mut self, body: &[u8]) -> Result<(), Fault> {
        if self.open.as_ref().is_some_and(|(_, output)| output.count >= LINES) {
            self.close()?;
        }
        if self.open.is_none() {
            let stem =
                if self.deleted { format!("{}.deleted", self.kind) } else { self.kind.into() };
            let name = format!("{stem}.{}.ndjson", self.closed.len() + 1);
            let file = BufWriter::new(File::create(self.directory.join(&name))?);
            let kind = if self.deleted { "Bundle" } else { self.kind }.to_owned();
            self.open = Some((file, Output { kind, name, count: 0, deleted: self.deleted }));
        }
        if let Some((file, output)) = &mut self.open {
            file.write_all(body)?;
            file.write_all(b"\n")?;
            output.count += 1;
        }
        Ok(())
    }

    fn close(&mut self) -> Result<(), Fault> {
        if let Some((file, output)) = self.open.take() {
            file.into_inner().map_err(|error| error.into_error())?.sync_all()?;
            self.closed.push(output);
        }
        Ok(())
    }
}

impl Export<'_> {
    /// Whether resources of the type come into question.
    fn takes(&self, kind: ResourceType) -> bool {
        let Wanted { types, provenance, .. } = self.wanted;
        let along = *provenance && kind.as_str() == "Provenance";
        if !types.is_empty() && !types.contains(&kind) && !along {
            return false;
        }
        let in_compartment = |kind| {
            let patient = ResourceType::parse("Patient");
            patient.is_some_and(|of| !Compartments::standard().parameters(of, kind).is_empty())
        };
        self.request.level == Level::System
            || types.contains(&kind)
            || ["Binary", "Bundle", "Patient", "Provenance"].contains(&kind.as_str())
            || in_compartment(kind)
    }

    fn kind(&self, kind: ResourceType, outputs: &mut Vec<Output>) -> Result<(), Fault> {
        let mut last: Option<Id> = None;
        let mut lines = Lines::of(self.directory, kind.as_str(), false);
        let mut gone = Lines::of(self.directory, kind.as_str(), true);
        loop {
            let view = self.app.store.view()?;
            let range = match &last {
                None => key::current_range(kind),
                Some(id) => key::current_after(kind, id),
            };
            let damaged = || repository::Error::Damaged(key::CURRENT);
            let mut ids = Vec::with_capacity(TOGETHER);
            for row in view.scan(range).take(TOGETHER) {
                ids.push(key::current_id(&row?.key).ok_or_else(damaged)?);
            }
            let Some(end) = ids.last().cloned() else { break };
            for id in &ids {
                let then = repository::version_at(&*view, kind, id, self.moment)?;
                let Some(stored) = then else { continue };
                if self.wanted.since.is_some_and(|since| stored.last_updated <= since) {
                    continue;
                }
                match &stored.body {
                    Some(body) => match self.meets(&*view, &stored)? {
                        Some(cut) if self.may_leave(&*view, &stored)? => {
                            lines.write(cut.as_deref().unwrap_or(body))?;
                        }
                        _ => {}
                    },
                    None if self.wanted.since.is_some() && self.tells_deletions() => {
                        gone.write(deletion(&stored).to_string().as_bytes())?;
                    }
                    None => {}
                }
            }
            last = Some(end);
        }
        for mut lines in [lines, gone] {
            lines.close()?;
            outputs.append(&mut lines.closed);
        }
        Ok(())
    }

    /// Whether no Consent keeps the version from leaving; of whom it tells is noted.
    fn may_leave(&self, view: &dyn View, stored: &Stored) -> Result<bool, Fault> {
        if !self.is_accounted && self.denied.is_empty() {
            return Ok(true);
        }
        let Some(resource) = stored.content()? else { return Ok(false) };
        let found = RefCell::new(BTreeSet::new());
        let note = |id: &Id| {
            found.borrow_mut().insert(id.clone());
            true
        };
        let own = (stored.kind, &stored.id);
        // The rows are those of the current version, which it mostly is.
        let current = repository::current(view, stored.kind, &stored.id)?;
        let rows = if current.is_some_and(|current| current.version == stored.version) {
            Rows::read(view, stored.kind, &stored.id)?
        } else {
            let entries = index::entries(&self.held.rules, &resource);
            Rows::of_value(view, own, resource.value(), entries)
        };
        Whose::new(self.held).concerns(view, own, &rows, &resource, &note)?;
        let found = found.into_inner();
        let denied = found.iter().find_map(|id| self.denied.get_key_value(id));
        if let Some((patient, consent)) = denied {
            self.left_out.borrow_mut().insert(patient.clone(), consent.clone());
            return Ok(false);
        }
        self.given.borrow_mut().extend(found);
        Ok(true)
    }

    /// Of whom something was that is gone can be told only where all records are asked for.
    fn tells_deletions(&self) -> bool {
        self.request.level == Level::System && self.wanted.filters.is_empty()
    }

    /// Whether the version is wanted, and what is left of it where not all of it is.
    #[expect(clippy::option_option, reason = "wanted or not, and cut or as it is")]
    fn meets(&self, view: &dyn View, stored: &Stored) -> Result<Option<Option<Vec<u8>>>, Fault> {
        let filters = self.wanted.filters.get(&stored.kind);
        let by_patient = self.request.level != Level::System || self.patients.is_some();
        let along = self.wanted.provenance
            && stored.kind.as_str() == "Provenance"
            && !self.wanted.types.is_empty()
            && !self.wanted.types.contains(&stored.kind);
        let elements = self.elements(stored.kind);
        if filters.is_none() && !by_patient && !along && elements.is_empty() {
            return Ok(Some(None));
        }
        let Some(mut resource) = stored.content()? else { return Ok(None) };
        let entries = index::entries(&self.held.rules, &resource);
        let content = resource.clone();
        let rows = Rows::of_value(view, (stored.kind, &stored.id), content.value(), entries);
        if let Some(filters) = filters {
            let mut any = false;
            for clauses in filters {
                let clauses: Vec<&Clause> = clauses.iter().collect();
                any = any || rows.hold(&clauses)?;
            }
            if !any {
                return Ok(None);
            }
        }
        if along && !self.is_about_exported(&resource) {
            return Ok(None);
        }
        if by_patient {
            let is_own =
                |id: &Id| self.patients.as_ref().is_none_or(|patients| patients.contains(id));
            let own = (stored.kind, &stored.id);
            if !Whose::new(self.held).concerns(view, own, &rows, &content, &is_own)? {
                return Ok(None);
            }
        }
        if elements.is_empty() {
            return Ok(Some(None));
        }
        subset(&self.held.standard.model, &mut resource, Summary::False, &elements);
        Ok(Some(Some(resource.to_bytes())))
    }

    /// The elements that are wanted of a type; empty: all.
    fn elements(&self, kind: ResourceType) -> Vec<String> {
        let own = self.wanted.elements.iter();
        let own = own.filter(|(of, _)| of.is_none_or(|of| of == kind));
        own.map(|(_, element)| element.clone()).collect()
    }

    /// Whether a Provenance is of something whose type is exported.
    fn is_about_exported(&self, provenance: &Resource) -> bool {
        let targets = provenance.value().at("target").as_array().into_iter().flatten();
        let mut kinds = targets.filter_map(|target| {
            let reference = crate::fhir::Reference::parse(target.at("reference").as_str()?);
            reference.target().map(|(kind, _)| kind)
        });
        kinds.any(|kind| self.wanted.types.contains(&kind))
    }
}

/// The entry that tells of a deletion, in a Bundle of its own.
fn deletion(stored: &Stored) -> Value {
    let url = format!("{}/{}", stored.kind, stored.id);
    json!({
        "resourceType": "Bundle",
        "meta": { "lastUpdated": stored.last_updated.to_string() },
        "type": "transaction",
        "entry": [{ "request": { "method": "DELETE", "url": url } }],
    })
}
