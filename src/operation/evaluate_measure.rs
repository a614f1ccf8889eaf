//! `$evaluate-measure`: an indicator over the episodes that ended in a period.
//!
//! Both days of the period count as a whole. The report says as of which commit it is, and tells what
//! the records said then: facts that were kept earlier are brought up to that commit first. It is not
//! stored: a client that wants to keep it creates it.
//! Source: <http://hl7.org/fhir/R4/measure-operation-evaluate-measure.html>.

use std::collections::BTreeSet;

use crate::audit::report::{Frame, Kind, report};
use crate::audit::{Facts, Indicator, Suppression, evaluate};
use crate::clinical::source::Day;
use crate::error::Error;
use crate::fhir::{Issue, IssueType, Resource, ResourceType};
use crate::operation::audit::{Asked, Cohort};
use crate::operation::facts::{self, Case};
use crate::operation::parameters::Parameters;
use crate::operation::{Call, Level, Operation, Output, episode};
use crate::repository::feed;
use crate::statistics::Confidence;
use crate::store::View;

pub(super) const OPERATION: Operation = Operation {
    name: "evaluate-measure",
    definition: "http://hl7.org/fhir/OperationDefinition/Measure-evaluate-measure",
    levels: &[Level::Type, Level::Instance],
    types: &["Measure"],
    by_get: true,
    document: false,
    run,
};

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let parameters = &call.parameters;
    let (first, last) = period(parameters)?;
    if parameters.text("lastReceivedOn")?.is_some() {
        let rule = "Data are never submitted for a single Measure here, so there is no such day.";
        return Err(Error::request("http.lastReceivedOn", rule));
    }
    let (subject, practitioner) = (parameters.text("subject")?, parameters.text("practitioner")?);
    let kind = kind(parameters, subject.as_deref())?;
    let report = facts::asked(call.app, |view, ledger| {
        let indicator = indicator(call, &*view)?;
        let cohort = Cohort::read(&*view, subject, practitioner)?;
        let (app, now, period) = (call.app, call.now, (first.0, last.0));
        let asked = Asked { app, now, period, cohort: &cohort };
        let cases;
        let facts: Vec<&Facts> = if let Some(ledger) = ledger.filter(|_| kind == Kind::Summary) {
            cases = Vec::new();
            asked.kept(ledger)
        } else {
            cases = asked.computed(&*view, ledger)?;
            cases.iter().map(|case| &case.facts).collect()
        };
        let commit = feed::last(&*view)?;
        drop(view);
        let confidence = Confidence::USUAL;
        let evaluation = evaluate(&indicator, &facts, confidence);
        // Who may have the cases listed has nothing withheld from: the lists tell every count.
        let least = if kind == Kind::Summary { call.app.config.audit_least } else { 0 };
        let frame = Frame {
            kind,
            subject: cohort.subject.as_deref(),
            period: (&first.1, &last.1),
            now: call.now,
            commit,
            confidence,
            suppression: Suppression { least },
            evidence: &evidence(kind, &cases),
        };
        Ok(report(&indicator, &evaluation, &facts, &frame))
    });
    Ok(Output::Resource(report?))
}

/// The versions that a report rests on, where it tells of single cases.
fn evidence(kind: Kind, cases: &[Case]) -> Vec<String> {
    let counted = cases.iter().filter(|_| kind != Kind::Summary);
    let all: BTreeSet<String> =
        counted.flat_map(|case| &case.sources).map(ToString::to_string).collect();
    all.into_iter().collect()
}

/// The first and the last day, each with its text.
pub(super) fn period(parameters: &Parameters) -> Result<(Given, Given), Error> {
    let (first, last) = (day(parameters, "periodStart")?, day(parameters, "periodEnd")?);
    if last.0 < first.0 {
        let rule = "The period ends before it starts.";
        return Err(Error::request("http.periodEnd", rule));
    }
    Ok((first, last))
}

/// A day, and how it was written.
type Given = (Day, String);

/// A day that must be given, with its text.
fn day(parameters: &Parameters, name: &str) -> Result<Given, Error> {
    let rule = "The parameter is a day, such as 2026-03-31.";
    let wrong = || Error::request(format!("http.{name}"), rule);
    let text = parameters.text(name)?.ok_or_else(wrong)?;
    let day = Day::parse(&text).filter(|_| text.len() == 10).ok_or_else(wrong)?;
    Ok((day, text))
}

/// The kind of report: by default that of the subject, where there is one.
fn kind(parameters: &Parameters, subject: Option<&str>) -> Result<Kind, Error> {
    let of_patient = subject.is_some_and(|subject| subject.starts_with("Patient/"));
    match parameters.text("reportType")?.as_deref() {
        None | Some("subject") if of_patient => Ok(Kind::Individual),
        None | Some("population") => Ok(Kind::Summary),
        Some("subject-list") => Ok(Kind::SubjectList),
        Some("subject") => {
            let rule = "A report of the type subject names a Patient as its subject.";
            Err(Error::request("http.subject", rule))
        }
        Some(_) => {
            let rule = "The type is subject, subject-list or population.";
            Err(Error::request("http.reportType", rule))
        }
    }
}

/// The indicator of the Measure in the URL, or of the one that a parameter names.
pub(super) fn indicator(call: &Call<'_>, view: &dyn View) -> Result<Indicator, Error> {
    let named = call.parameters.text("measure")?;
    let measure = match (call.id(), named) {
        (Some(_), Some(_)) => {
            let rule = "The URL names the Measure already.";
            return Err(Error::request("http.measure", rule));
        }
        (Some(id), None) => episode::live(view, call.kind()?, id)?,
        (None, Some(named)) => by_canonical(call, view, &named)?,
        (None, None) => {
            let rule = "The parameter names a Measure by its canonical URL.";
            return Err(Error::request("http.measure", rule));
        }
    };
    Indicator::of(measure.value()).map_err(|fault| {
        let issue = Issue::error(IssueType::NotSupported, fault.rule);
        Error::Invalid(vec![issue.at(fault.place)])
    })
}

/// The one Measure of a canonical.
fn by_canonical(call: &Call<'_>, view: &dyn View, named: &str) -> Result<Resource, Error> {
    let kind = ResourceType::parse("Measure").ok_or(Error::UnknownType)?;
    let mut found = episode::by_canonical(&call.app.held(), view, call.now, kind, named)?;
    match found.len() {
        1 => found.pop().ok_or(Error::NotFound),
        0 => Err(Error::request("http.measure", "There is no such Measure on this server.")),
        _ => Err(Error::request("http.measure", "Several Measures have this URL; add |version.")),
    }
}
