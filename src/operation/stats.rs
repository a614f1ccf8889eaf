//! `$stats`: statistics of measurements.
//!
//! Of each code that is asked for, and of each code that a panel of it measures, one Observation
//! whose components are the statistics. Measured is what has a Quantity with a UCUM unit and no
//! comparator, in the period that is asked for; the rest is counted in the total only, what was
//! entered in error not at all. Values are brought to the unit of the newest. Where units cannot be
//! converted into each other (points and per cent of a questionnaire) nothing is mixed: each kind
//! of unit gets an Observation of its own, which says so. Grades and other values that are no
//! Quantity have no mean, and are refused.
//! Source: <http://hl7.org/fhir/R4/observation-operation-stats.html>.

mod figure;
mod gather;
mod told;

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;
use serde_json::{Value, json};

use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Instant, Issue, IssueType, Reference};
use crate::index::date::Interval;
use crate::operation::pages::{missing, whole, wrong};
use crate::operation::{Call, Level, Operation, Output};
use figure::Statistic;

pub(super) const OPERATION: Operation = Operation {
    name: "stats",
    definition: "http://hl7.org/fhir/OperationDefinition/Observation-stats",
    levels: &[Level::Type],
    types: &["Observation"],
    by_get: true,
    document: false,
    run,
};

const KNOWN: [&str; 9] =
    ["subject", "code", "system", "coding", "duration", "period", "statistic", "include", "limit"];

/// A code with its system.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Code {
    system: String,
    code: String,
}

/// The time that is asked about.
#[derive(Clone, PartialEq, Debug)]
struct Period {
    /// As the answer tells it.
    told: Value,
    start: i64,
    end: i64,
}

/// What is asked.
struct Asked {
    /// `Type/id`.
    subject: String,
    codes: Vec<Code>,
    period: Period,
    statistics: Vec<&'static Statistic>,
    /// How many of the Observations behind the statistics are told.
    sources: usize,
}

fn run(call: &Call<'_>) -> Result<Output, Error> {
    let asked = Asked::read(call)?;
    let gathered = {
        let held = call.app.held();
        let view = call.app.store.view()?;
        gather::gather(call, &held, &*view, &asked)?
    };
    let mut parameters = Vec::new();
    for group in &gathered.groups {
        for observation in told::statistics(group, &asked)? {
            parameters.push(json!({ "name": "statistics", "resource": observation }));
        }
    }
    let sources = gathered.sources.into_iter().take(asked.sources);
    parameters.extend(sources.map(|source| json!({ "name": "source", "resource": source })));
    Ok(Output::Resource(json!({ "resourceType": "Parameters", "parameter": parameters })))
}

impl Asked {
    fn read(call: &Call<'_>) -> Result<Self, Error> {
        let parameters = &call.parameters;
        parameters.only(&KNOWN)?;
        let include = parameters.flag("include")?;
        Ok(Self {
            subject: subject(call)?,
            codes: codes(call)?,
            period: period(call)?,
            statistics: statistics(call)?,
            sources: if include { whole(call, "limit")?.unwrap_or(usize::MAX) } else { 0 },
        })
    }
}

fn subject(call: &Call<'_>) -> Result<String, Error> {
    let text = call.parameters.text("subject")?;
    let text = text.ok_or_else(|| missing("subject", "The parameter subject says whose."))?;
    match Reference::parse(&text) {
        Reference::Resource { base: Some(base), .. } if base != call.base => {
            let text = "Only Observations of this server can be asked about.";
            Err(Error::not_supported("http.subject", text))
        }
        Reference::Resource { kind, id, version: None, .. } => Ok(format!("{kind}/{id}")),
        _ => Err(wrong("subject", "It is a reference such as Patient/123.")),
    }
}

fn codes(call: &Call<'_>) -> Result<Vec<Code>, Error> {
    let (names, system) = (call.parameters.texts("code")?, call.parameters.text("system")?);
    let codings = call.parameters.values("coding", "valueCoding")?;
    let mut codes: Vec<Code> = Vec::new();
    match (&system, names.is_empty()) {
        (None, false) => {
            return Err(missing(
                "system",
                "The parameter system says of which system the codes are.",
            ));
        }
        (Some(_), true) => return Err(missing("code", "With a system there is a code.")),
        _ => {}
    }
    for code in names {
        note(&mut codes, Code { system: system.clone().unwrap_or_default(), code });
    }
    for coding in codings {
        let text = |name: &str| coding.at(name).as_str().map(str::to_owned);
        let rule = "A coding has a system and a code.";
        let (system, code) =
            text("system").zip(text("code")).ok_or_else(|| wrong("coding", rule))?;
        note(&mut codes, Code { system, code });
    }
    if codes.is_empty() {
        let text = "Which Observations: code with system, or coding, is needed.";
        return Err(missing("code", text));
    }
    if codes.iter().any(|code| code.code.is_empty()) {
        return Err(wrong("code", "A code has characters."));
    }
    Ok(codes)
}

/// Notes a code, once.
fn note(codes: &mut Vec<Code>, code: Code) {
    if !codes.contains(&code) {
        codes.push(code);
    }
}

fn statistics(call: &Call<'_>) -> Result<Vec<&'static Statistic>, Error> {
    let mut found: Vec<&'static Statistic> = Vec::new();
    for code in call.parameters.texts("statistic")? {
        let statistic = figure::ALL.iter().find(|statistic| statistic.code == code);
        let rule = "It is a code of http://terminology.hl7.org/CodeSystem/observation-statistics.";
        let unknown =
            || Error::Request(Issue::error(IssueType::CodeInvalid, rule).at("http.statistic"));
        let statistic = statistic.ok_or_else(unknown)?;
        if !found.contains(&statistic) {
            found.push(statistic);
        }
    }
    if found.is_empty() {
        return Err(missing("statistic", "The parameter statistic says what is computed."));
    }
    Ok(found)
}

fn period(call: &Call<'_>) -> Result<Period, Error> {
    let duration = call.parameters.text("duration")?;
    let periods = call.parameters.values("period", "valuePeriod");
    match (duration, periods) {
        // A period is no primitive: told only where there is no duration either.
        (Some(text), Ok(periods)) if periods.is_empty() => last_hours(call.now, &text),
        (Some(_), _) => Err(wrong("duration", "There is either duration or period.")),
        (None, Err(error)) => Err(error),
        (None, Ok(periods)) => match periods.as_slice() {
            [] => Err(missing("period", "When: duration or period is needed.")),
            [period] => between(period),
            _ => Err(wrong("period", "The parameter may be given once only.")),
        },
    }
}

/// The last hours until now.
fn last_hours(now: Instant, text: &str) -> Result<Period, Error> {
    let rule = "It is a number of hours above 0.";
    let hours = Decimal::from_str_exact(text).ok().filter(|hours| *hours > Decimal::ZERO);
    let millis = hours.and_then(|hours| hours.checked_mul(Decimal::from(3_600_000))?.to_i64());
    let start = millis.and_then(|millis| now.millis().checked_sub(millis));
    let start = start.filter(|start| *start > YEAR_ONE).ok_or_else(|| wrong("duration", rule))?;
    let told = json!({ "start": Instant::from_millis(start).to_string(), "end": now.to_string() });
    Ok(Period { told, start, end: now.millis() })
}

/// The first moment that an instant can tell, 0001-01-01.
const YEAR_ONE: i64 = -62_135_596_800_000;

fn between(period: &Value) -> Result<Period, Error> {
    let rule = "It is a Period with start, end or both, as dates or moments.";
    let bound = |name: &str| -> Result<Option<Interval>, Error> {
        let Some(value) = period.get(name) else { return Ok(None) };
        let read = value.as_str().and_then(Interval::parse);
        read.map(Some).ok_or_else(|| wrong("period", rule))
    };
    let (start, end) = (bound("start")?, bound("end")?);
    if start.is_none() && end.is_none() {
        return Err(wrong("period", rule));
    }
    if start.zip(end).is_some_and(|(start, end)| end.end < start.start) {
        return Err(wrong("period", "The end is not before the start."));
    }
    let told = ["start", "end"]
        .into_iter()
        .filter_map(|name| period.get(name).map(|value| (name.to_owned(), value.clone())));
    Ok(Period {
        told: Value::Object(told.collect()),
        start: start.map_or(i64::MIN, |start| start.start),
        end: end.map_or(i64::MAX, |end| end.end),
    })
}
