//! `$collect-data`: the data that the evaluation of a Measure rests on.
//!
//! A `MeasureReport` of the type `data-collection`, which tells no counts, and every resource that
//! the facts of the cases in the initial population come from, in the version that was read. Where
//! `lastReceivedOn` is given for a patient, only what was changed since that day is sent. The data
//! are those of single patients, whatever the server withholds of counts.
//! Source: <http://hl7.org/fhir/R4/measure-operation-collect-data.html>.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::audit::report::{Frame, Kind, report};
use crate::audit::{Facts, Population, Suppression, evaluate};
use crate::clinical::element::text;
use crate::clinical::source::Day;
use crate::error::Error;
use crate::fhir::{Instant, Reference};
use crate::operation::audit::{Asked, Cohort};
use crate::operation::evaluate_measure::{indicator, period};
use crate::operation::facts::{self, Case};
use crate::operation::parameters::Parameters;
use crate::operation::{Call, Level, Operation, Output, pages};
use crate::repository::{self, feed};
use crate::statistics::Confidence;
use crate::store::View;

pub(super) const OPERATION: Operation = Operation {
    name: "collect-data",
    definition: "http://hl7.org/fhir/OperationDefinition/Measure-collect-data",
    levels: &[Level::Type, Level::Instance],
    types: &["Measure"],
    by_get: true,
    document: false,
    run,
};

/// How many resources one answer holds.
const MOST: usize = 20_000;

const KNOWN: [&str; 6] =
    ["periodStart", "periodEnd", "measure", "subject", "practitioner", "lastReceivedOn"];

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let parameters = &call.parameters;
    parameters.only(&KNOWN)?;
    let (first, last) = period(parameters)?;
    let (subject, practitioner) = (parameters.text("subject")?, parameters.text("practitioner")?);
    let since = last_received(parameters, subject.as_deref())?;
    let (report, resources) = facts::asked(call.app, |view, ledger| {
        let indicator = indicator(call, &*view)?;
        let cohort = Cohort::read(&*view, subject, practitioner)?;
        let (app, now, period) = (call.app, call.now, (first.0, last.0));
        let all = Asked { app, now, period, cohort: &cohort }.computed(&*view, ledger)?;
        let facts: Vec<&Facts> = all.iter().map(|case| &case.facts).collect();
        let evaluation = evaluate(&indicator, &facts, Confidence::USUAL);
        let initial =
            evaluation.groups.iter().filter_map(|g| g.whole.members.get(&Population::Initial));
        let initial: BTreeSet<usize> = initial.flatten().copied().collect();
        let counted = initial.iter().filter_map(|at| all.get(*at));
        let (evidence, resources) = collected(&*view, counted, since)?;
        let frame = Frame {
            kind: Kind::DataCollection,
            subject: cohort.subject.as_deref(),
            period: (&first.1, &last.1),
            now: call.now,
            commit: feed::last(&*view)?,
            confidence: Confidence::USUAL,
            suppression: Suppression { least: 0 },
            evidence: &evidence,
        };
        Ok((report(&indicator, &evaluation, &facts, &frame), resources))
    })?;
    let parts = [json!({ "name": "measureReport", "resource": report })].into_iter();
    let parts = parts.chain(
        resources.into_iter().map(|resource| json!({ "name": "resource", "resource": resource })),
    );
    let parts: Vec<Value> = parts.collect();
    Ok(Output::Resource(json!({ "resourceType": "Parameters", "parameter": parts })))
}

/// The day after which what was changed is sent, where it is given.
fn last_received(parameters: &Parameters, subject: Option<&str>) -> Result<Option<Day>, Error> {
    let Some(given) = parameters.text("lastReceivedOn")? else { return Ok(None) };
    if !subject.is_some_and(|subject| subject.starts_with("Patient/")) {
        let rule = "The parameter is for the data of one patient: subject names a Patient.";
        return Err(Error::request("http.lastReceivedOn", rule));
    }
    let rule = "The parameter is a day or a moment, such as 2026-03-31.";
    let day = Day::parse(&given).filter(|_| given.len() == 10 || Instant::parse(&given).is_some());
    day.map(Some).ok_or_else(|| Error::request("http.lastReceivedOn", rule))
}

/// The versions that the cases come from, and what they say, in order of type and id.
fn collected<'c>(
    view: &dyn View,
    cases: impl Iterator<Item = &'c Case>,
    since: Option<Day>,
) -> Result<(Vec<String>, Vec<Value>), Error> {
    let named: BTreeSet<String> =
        cases.flat_map(|case| &case.sources).map(ToString::to_string).collect();
    if named.len() > MOST {
        let message =
            format!("more than {MOST} resources; ask for a shorter period or one subject");
        return Err(pages::too_costly(message));
    }
    let (mut evidence, mut resources) = (Vec::new(), Vec::new());
    for name in named {
        let Some(resource) = versioned(view, &name)? else { continue };
        let updated = text(&resource, "/meta/lastUpdated").and_then(Day::parse);
        // A change on the day itself may have come after what was received.
        if since.is_some_and(|since| updated.is_some_and(|updated| updated < since)) {
            continue;
        }
        evidence.push(name);
        resources.push(resource);
    }
    Ok((evidence, resources))
}

/// The version of a versioned reference.
fn versioned(view: &dyn View, name: &str) -> Result<Option<Value>, Error> {
    let Reference::Resource { kind, id, version, .. } = Reference::parse(name) else {
        return Ok(None);
    };
    let found = match version {
        Some(version) => repository::version(view, kind, &id, version)?,
        None => repository::current(view, kind, &id)?,
    };
    let content = found.map(|stored| stored.content()).transpose()?.flatten();
    Ok(content.map(|resource| resource.into_value()))
}
