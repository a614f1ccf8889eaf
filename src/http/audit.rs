//! The pages of an audit: `/audit`, the table of it as a file, `/audit/cases`.
//!
//! A page asks `Measure/$evaluate-measure` by the very request that it shows, and shows what that
//! answers. Names of practitioners and sites, and what is said of a case, are read beside it. The
//! cases are listed only where the settings allow it.

use std::collections::BTreeMap;

use actix_web::HttpResponse;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use serde_json::Value;
use time::Duration;

use crate::app::App;
use crate::audit::table::{Row, Table};
use crate::audit::{Indicator, STRATIFIERS};
use crate::clinical::element::{Target, code_in, text};
use crate::clinical::people::Party;
use crate::error::Error;
use crate::fhir::{Id, Instant, Issue, IssueType, Resource, ResourceType, json};
use crate::http::format::Format;
use crate::http::operation::Entries;
use crate::http::reply::Policy;
use crate::http::route::{Answer, Call};
use crate::http::{BASE, block, extract, journal, now, page as pages, reply};
use crate::interaction::batch::{Asked as Called, Operations as _};
use crate::interaction::precondition::Preconditions;
use crate::operation::episode_summary::head_of;
use crate::operation::parameters::Parameters;
use crate::page::{self, Asked, Case, DownloadForm, Episode, Listed, Told, UNKNOWN_STRATUM};
use crate::repository::{self, key, read};
use crate::store::View;

/// How many cases one page shows.
const CASES: usize = 500;
/// The days before today that are asked for where no period is named.
const DAYS: i64 = 365;
const MEASURE_TYPE: &str = "http://terminology.hl7.org/CodeSystem/measure-type";

/// `GET /audit`.
pub(super) async fn audit(call: Call) -> Answer {
    let parameters = extract::parameters(&call.request);
    let named = parameters.iter().find(|(name, _)| name == "_format").map(|(_, value)| value);
    if let Some(form) = named.and_then(|name| DownloadForm::parse(name)) {
        return file(call, parameters, form).await;
    }
    let words = pages::words(&call)?;
    // A browser is told of a fault on the page that it asked with, anyone else as ever.
    let is_page = Format::is_page(&call.request);
    let base = extract::base(&call.app, &call.request);
    let app = call.app;
    let made = block(move || {
        let now = now();
        let measures = measures(&app)?;
        let read = asked_by(&parameters, now);
        let asked = match &read {
            Ok(asked) => asked.clone(),
            Err((asked, _)) => (**asked).clone(),
        };
        let answer = read.map_err(|(_, error)| error).and_then(|asked| {
            let Some(id) = &asked.measure else { return Ok(None) };
            Answered::of((&app, &base, now), &asked, id, "population").map(Some)
        });
        let (answer, fault) = match answer {
            Ok(answer) => (answer, None),
            Err(error) if is_page && (400..500).contains(&error.status()) => (None, Some(error)),
            Err(error) => return Err(error),
        };
        let issues = fault.as_ref().map(Error::issues).unwrap_or_default();
        let shown = page::Audit {
            api: BASE,
            asked: &asked,
            measures: &measures,
            told: answer.as_ref().map(Answered::told),
            issues: &issues,
            may_list: app.config.audit_cases,
            least: app.config.audit_least,
        };
        Ok((page::audit(&shown, words), fault.map_or(200, |error| error.status())))
    });
    let (page, status) = made.await?;
    Ok(reply::page_of(status, page, Policy::Asking))
}

/// The table of `GET /audit` as a file.
async fn file(call: Call, parameters: Vec<(String, String)>, form: DownloadForm) -> Answer {
    let base = extract::base(&call.app, &call.request);
    let app = call.app;
    let made = block(move || {
        let now = now();
        let asked = asked_by(&parameters, now).map_err(|(_, error)| error)?;
        let id = asked.measure.clone().ok_or_else(no_measure)?;
        let answer = Answered::of((&app, &base, now), &asked, &id, "population")?;
        let bytes = page::download(&asked, answer.told(), form);
        let bytes = bytes.map_err(|error| Error::Internal(Box::new(error)))?;
        let by = asked.stratifier.as_deref().unwrap_or("all");
        let name = format!("audit-{id}-{by}-{}-{}.{}", asked.start, asked.end, form.code());
        Ok((bytes, name))
    });
    let (bytes, name) = made.await?;
    let mut builder = reply::status(200);
    let disposition = format!("attachment; filename=\"{name}\"");
    builder.insert_header((CONTENT_TYPE, form.media()));
    Ok(builder.insert_header((CONTENT_DISPOSITION, disposition)).body(bytes))
}

/// `GET /audit/cases`.
pub(super) async fn cases(call: Call) -> Result<HttpResponse, Error> {
    let words = pages::words(&call)?;
    if !call.app.config.audit_cases {
        let text = "This server lists no cases of an audit (--audit-cases).";
        return Err(Error::not_supported("http.url", text));
    }
    let parameters = extract::parameters(&call.request);
    let base = extract::base(&call.app, &call.request);
    let Call { app, request, .. } = call;
    let made = block(move || {
        let now = now();
        let asked = asked_by(&parameters, now).map_err(|(_, error)| error)?;
        let id = asked.measure.clone().ok_or_else(no_measure)?;
        let stratum = Parameters::new(parameters, None).text("stratum")?;
        let answer = Answered::of((&app, &base, now), &asked, &id, "subject-list")?;
        let row = answer.row(&asked, stratum.as_deref())?;
        let (cases, more) = listed(&app, row, now)?;
        let shown = page::Cases {
            api: BASE,
            asked: &asked,
            title: text(&answer.measure, "/title").unwrap_or(id.as_str()),
            is_stratum: stratum.is_some(),
            row,
            names: &answer.names,
            cases: &cases,
            more,
        };
        let episodes: Vec<String> = cases.iter().map(|case| case.reference.clone()).collect();
        Ok((page::cases(&shown, words), episodes))
    });
    let (made, episodes) = made.await?;
    journal::of_urls(&request, &episodes);
    Ok(reply::page(made, Policy::Reading))
}

fn no_measure() -> Error {
    Error::request("http.measure", "The parameter names a Measure of this server by its id.")
}

/// What the parameters ask for, with what is usual where they do not say; what is typed wrong stays
/// in the form, beside the fault.
fn asked_by(parameters: &[(String, String)], now: Instant) -> Result<Asked, (Box<Asked>, Error)> {
    let today = now.to_utc().date();
    let year_ago = today.checked_sub(Duration::days(DAYS)).unwrap_or(today);
    let usual = Asked {
        measure: None,
        start: year_ago.to_string(),
        end: today.to_string(),
        stratifier: Some("practitioner".to_owned()),
    };
    let given = Parameters::new(parameters.to_vec(), None);
    let one = |name: &str| match given.text(name) {
        Ok(text) => Ok(text.filter(|text| !text.is_empty())),
        Err(error) => Err((Box::new(usual.clone()), error)),
    };
    let asked = Asked {
        measure: one("measure")?,
        start: one("periodStart")?.unwrap_or(usual.start.clone()),
        end: one("periodEnd")?.unwrap_or(usual.end.clone()),
        stratifier: one("stratifier")?.or(usual.stratifier.clone()),
    };
    let known = |code: &str| STRATIFIERS.iter().any(|known| known.code == code);
    if asked.measure.as_deref().is_some_and(|id| Id::parse(id).is_none()) {
        return Err((Box::new(asked), no_measure()));
    }
    if !asked.stratifier.as_deref().is_some_and(known) {
        let rule = "The stratifier is a code of CodeSystem/audit-stratifier.";
        return Err((Box::new(asked), Error::request("http.stratifier", rule)));
    }
    Ok(asked)
}

/// What the operation answered, with what is needed to tell it.
struct Answered {
    measure: Value,
    table: Table,
    names: BTreeMap<String, String>,
}

impl Answered {
    fn of(
        (app, base, now): (&App, &str, Instant),
        asked: &Asked,
        id: &str,
        kind: &str,
    ) -> Result<Self, Error> {
        let measure = measure(app, id)?;
        let indicator = Indicator::of(measure.value()).map_err(|fault| {
            let issue = Issue::error(IssueType::NotSupported, fault.rule);
            Error::Invalid(vec![issue.at(fault.place)])
        })?;
        let (path, query) = asked.operation(kind);
        let entries = Entries { app, base, now };
        let called = Called { path, query, by_post: false, resource: None };
        let report = entries.call(called, &Preconditions::default())?;
        let report = json::parse(&report, json::MAX_DEPTH).map_err(Error::Malformed)?;
        let table = Table::of(&report, indicator.scoring);
        let split = asked.stratifier.as_deref();
        let splits = table.parts.iter().flat_map(|part| &part.splits);
        let rows = splits.filter(|one| Some(one.code.as_str()) == split).flat_map(|one| &one.rows);
        let view = app.store.view()?;
        let mut names = BTreeMap::new();
        for reference in rows.filter_map(|row| row.value.as_deref()) {
            names.extend(name(&*view, reference)?.map(|name| (reference.to_owned(), name)));
        }
        drop(view);
        Ok(Self { measure: measure.value().clone(), table, names })
    }

    fn told(&self) -> Told<'_> {
        Told { measure: &self.measure, table: &self.table, names: &self.names }
    }

    /// The row of a stratum, of the first group; without one, that of all cases.
    fn row(&self, asked: &Asked, stratum: Option<&str>) -> Result<&Row, Error> {
        let part = self.table.parts.first().ok_or(Error::NotFound)?;
        let Some(stratum) = stratum else { return Ok(&part.whole) };
        let wanted = Some(stratum).filter(|stratum| *stratum != UNKNOWN_STRATUM);
        let split = part.split(asked.stratifier.as_deref().unwrap_or_default());
        let found =
            split.and_then(|split| split.rows.iter().find(|row| row.value.as_deref() == wanted));
        let rule = "There is no such stratum among the cases of the period.";
        found.ok_or_else(|| Error::request("http.stratum", rule))
    }
}

/// The Measure of an id.
fn measure(app: &App, id: &str) -> Result<Resource, Error> {
    let kind = ResourceType::parse("Measure").ok_or(Error::UnknownType)?;
    let id = Id::parse(id).ok_or(Error::NotFound)?;
    let view = app.store.view()?;
    let missing = || Error::request("http.measure", "There is no such Measure on this server.");
    let stored = repository::current(&*view, kind, &id)?.ok_or_else(missing)?;
    stored.content()?.ok_or_else(missing)
}

/// The Measures that count episodes by our criteria, by what they are about and by title.
fn measures(app: &App) -> Result<Vec<Listed>, Error> {
    let kind = ResourceType::parse("Measure").ok_or(Error::UnknownType)?;
    let view = app.store.view()?;
    let mut listed = Vec::new();
    for row in view.scan(key::current_range(kind)) {
        let row = row?;
        let (_, deleted) = read::parse_current(&row.value)?;
        let Some(id) = key::current_id(&row.key).filter(|_| !deleted) else { continue };
        let content = repository::current(&*view, kind, &id)?.map(|stored| stored.content());
        let Some(measure) = content.transpose()?.flatten() else { continue };
        let value = measure.value();
        if let Ok(indicator) = Indicator::of(value) {
            let about = value.pointer("/type/0").and_then(|kind| code_in(kind, MEASURE_TYPE));
            listed.push(Listed {
                title: if indicator.title.is_empty() { id.to_string() } else { indicator.title },
                id: id.to_string(),
                description: text(value, "/description").unwrap_or_default().to_owned(),
                kind: about.unwrap_or_default().to_owned(),
            });
        }
    }
    listed.sort_by(|a, b| (&a.kind, &a.title).cmp(&(&b.kind, &b.title)));
    Ok(listed)
}

/// The name of who or what a reference of this server means; none for codes and for what is not here.
fn name(view: &dyn View, reference: &str) -> Result<Option<String>, Error> {
    let Some(target) = Target::of(reference) else { return Ok(None) };
    let Some(id) = Id::parse(&target.id) else { return Ok(None) };
    let stored = repository::current(view, target.kind, &id)?;
    let content = stored.map(|stored| stored.content()).transpose()?.flatten();
    let party = content.as_ref().and_then(Party::of);
    Ok(party.map(|party| party.name).filter(|name| !name.is_empty()))
}

/// The cases of a row with what is said of them, and how many more there are.
fn listed(app: &App, row: &Row, now: Instant) -> Result<(Vec<Case>, usize), Error> {
    let all = row.members.get(&crate::audit::Population::Initial).map_or(&[][..], Vec::as_slice);
    let mut cases = Vec::new();
    for reference in all.iter().take(CASES) {
        let id = Target::of(reference).and_then(|target| Id::parse(&target.id));
        let Some(id) = id else { continue };
        let head = head_of(app, id, now)?;
        cases.push(Case {
            reference: reference.clone(),
            episode: Episode::of(head.0.as_str(), &head.1),
        });
    }
    Ok((cases, all.len().saturating_sub(CASES)))
}
