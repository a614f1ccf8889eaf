//! Searches over the store in memory: the worked tables of the standard, pages, refusals.

use std::sync::Arc;

use serde_json::{Value, json};

use super::query::Limits;
use super::*;
use crate::definitions::Definitions;
use crate::definitions::model::Model;
use crate::definitions::search_parameter::SearchParameters;
use crate::fhir::{Id, Instant, Resource, ResourceType};
use crate::index::{self, Rules};
use crate::repository::{Change, Method, batch, current};
use crate::store::{MemoryStore, Store};

const BASE: &str = "https://me.example/fhir";

/// A store with the rules that it is searched by.
struct Clinic {
    store: MemoryStore,
    rules: Rules,
    clock: std::cell::Cell<i64>,
}

impl Clinic {
    fn new() -> Self {
        let parameters = SearchParameters::load(&Definitions::embedded().unwrap()).unwrap();
        let model = Arc::new(Model::standard().unwrap());
        let rules = Rules::new(model, parameters, Some(BASE.to_owned()));
        let start = Instant::parse("2026-03-02T08:00:00Z").unwrap();
        Self { store: MemoryStore::new(), rules, clock: start.millis().into() }
    }

    /// Each write is a second later than the one before.
    fn put(&self, value: Value) {
        let resource = Resource::from_value(value).unwrap();
        let id = Id::parse(resource.id_text().unwrap()).unwrap();
        self.clock.set(self.clock.get() + 1000);
        let batch = {
            let view = self.store.view().unwrap();
            let now = current(&*view, resource.kind(), &id).unwrap();
            let at = Instant::from_millis(self.clock.get());
            let entries = |resource: &Resource| index::entries(&self.rules, resource);
            let change = Change::write(now.as_ref(), Method::Put, id, resource, at, entries);
            batch(&*view, &[change]).unwrap()
        };
        self.store.commit(batch).unwrap();
    }

    fn delete(&self, kind: &str, id: &str) {
        let batch = {
            let view = self.store.view().unwrap();
            let kind = ResourceType::parse(kind).unwrap();
            let now = current(&*view, kind, &Id::parse(id).unwrap()).unwrap().unwrap();
            batch(&*view, &[Change::delete(&now, Instant::from_millis(self.clock.get()))]).unwrap()
        };
        self.store.commit(batch).unwrap();
    }

    fn query(&self, url: &str, strict: bool) -> Result<Query, Error> {
        let (kind, text) = url.split_once('?').unwrap();
        let pairs: Vec<(String, String)> = text
            .split('&')
            .filter_map(|pair| pair.split_once('='))
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .collect();
        let now = Instant::parse("2026-03-02T00:00:00Z").unwrap();
        let setting = Setting { rules: &self.rules, now, strict, limits: Limits::default() };
        Query::parse(&setting, ResourceType::parse(kind).unwrap(), &pairs)
    }

    fn page(&self, url: &str, cursor: Option<&Cursor>) -> Result<Page, Error> {
        let view = self.store.view().unwrap();
        run(&*view, &self.rules, &self.query(url, true)?, cursor)
    }

    /// The ids of a page, joined by blanks.
    fn ids(&self, url: &str) -> String {
        show(&self.page(url, None).unwrap_or_else(|error| panic!("{url}: {error}")))
    }

    fn check(&self, url: &str, expected: &str) {
        assert_eq!(self.ids(url), expected, "{url}");
    }
}

fn show(page: &Page) -> String {
    let ids: Vec<_> = page.matches.iter().map(|found| found.id.to_string()).collect();
    ids.join(" ")
}

/// One Observation for each value; the ids are those given.
fn observations(values: &[(&str, Value)]) -> Clinic {
    let clinic = Clinic::new();
    for (id, members) in values {
        let mut value = json!({ "resourceType": "Observation", "id": id, "status": "final" });
        value.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
        clinic.put(value);
    }
    clinic
}

/// The examples of <http://hl7.org/fhir/R4/search.html#prefix> and
/// <http://hl7.org/fhir/R4/search.html#date>.
#[test]
fn dates_as_published() {
    let clinic = observations(&[
        ("day", json!({ "effectiveDateTime": "2013-01-14" })),
        ("hour10", json!({ "effectiveDateTime": "2013-01-14T10:00:00Z" })),
        ("midnight", json!({ "effectiveDateTime": "2013-01-14T00:00:00Z" })),
        ("next", json!({ "effectiveDateTime": "2013-01-15T00:00:00Z" })),
        ("mar15", json!({ "effectiveDateTime": "2013-03-15" })),
        ("open", json!({ "effectivePeriod": { "start": "2013-01-21" } })),
        ("until", json!({ "effectivePeriod": { "start": "2013-01-01", "end": "2013-03-10" } })),
        ("within", json!({ "effectivePeriod": { "start": "2013-03-14", "end": "2013-03-14" } })),
    ]);
    for (value, expected) in [
        ("eq2013-01-14", "day hour10 midnight"),
        ("2013-01-14", "day hour10 midnight"),
        ("ne2013-01-14", "mar15 next open until within"),
        ("lt2013-01-14T10:00", "day midnight until"),
        ("gt2013-01-14T10:00", "day mar15 next open until within"),
        ("ge2013-03-14", "mar15 open within"),
        ("le2013-03-14", "day hour10 midnight next open until within"),
        ("sa2013-03-14", "mar15"),
        ("eb2013-03-14", "day hour10 midnight next until"),
        ("ap2013-03-14", "day hour10 mar15 midnight next open until within"),
    ] {
        clinic.check(&format!("Observation?date={value}"), expected);
    }
    // Two bounds ask that a period reaches into what lies between them.
    let between = "Observation?date=ge2013-01-14&date=le2013-01-15";
    clinic.check(between, "day hour10 midnight next until");
    clinic.check("Observation?date=2013-01-15T02:00:00 02:00", "next");
}

/// The examples of <http://hl7.org/fhir/R4/search.html#token>.
#[test]
fn tokens_as_published() {
    let clinic = Clinic::new();
    let loinc = json!({ "coding": [{ "system": "http://loinc.org", "code": "1234-5", "display": "Pain now" }] });
    let both = json!({ "coding": [
        { "system": "http://loinc.org", "code": "1234-5" }, { "code": "local" }], "text": "Neck pain" });
    for (id, code) in [
        ("loinc", loinc),
        ("both", both),
        ("local", json!({ "coding": [{ "code": "1234-5" }] })),
        ("other", json!({ "coding": [{ "system": "http://a.example", "code": "1234-5" }] })),
        ("unit", json!({ "coding": [{ "system": "http://unitsofmeasure.org", "code": "mG" }] })),
    ] {
        clinic.put(
            json!({ "resourceType": "Observation", "id": id, "status": "final", "code": code }),
        );
    }
    for (query, expected) in [
        ("code=1234-5", "both local loinc other"),
        ("code=http://loinc.org|1234-5", "both loinc"),
        ("code=|1234-5", "local"),
        ("code=http://loinc.org|", "both loinc"),
        ("code=LOCAL", "both"),
        ("code:not=http://loinc.org|1234-5", "local other unit"),
        ("code:text=pain", "loinc"),
        ("code:text=neck", "both"),
        ("code=http://unitsofmeasure.org|mG", "unit"),
        ("code=http://unitsofmeasure.org|mg", ""),
        ("status=final&code=local", "both"),
        ("status=http://hl7.org/fhir/observation-status|final&code=local", "both"),
        ("status=http://other.example|final", ""),
        ("code=none,local", "both"),
        (r"code=a\,b", ""),
        ("code:missing=true", ""),
        ("subject:missing=true&code=local", "both"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#token>: `:of-type`; `:text` finds the type of an identifier.
#[test]
fn identifiers_by_their_type() {
    let clinic = Clinic::new();
    let kind = json!({ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR" }],
        "text": "Record" });
    clinic.put(json!({ "resourceType": "Patient", "id": "p",
        "identifier": [{ "type": kind, "system": "urn:a", "value": "446053" }] }));
    let of_type = "Patient?identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203";
    clinic.check(&format!("{of_type}|MR|446053"), "p");
    clinic.check(&format!("{of_type}|SS|446053"), "");
    clinic.check("Patient?identifier:text=rec", "p");
}

/// The examples of <http://hl7.org/fhir/R4/search.html#string>.
#[test]
fn strings_as_published() {
    let clinic = Clinic::new();
    for (id, given) in
        [("eve", "Eve"), ("evelyn", "Evelyn"), ("severine", "Severine"), ("accent", "Éve")]
    {
        clinic.put(json!({ "resourceType": "Patient", "id": id, "name": [{ "given": [given] }] }));
    }
    for (query, expected) in [
        ("given=eve", "accent eve evelyn"),
        ("given:contains=eve", "accent eve evelyn severine"),
        ("given:exact=Eve", "eve"),
        ("given:exact=eve", ""),
        ("name=EVE", "accent eve evelyn"),
        ("given=sev,evel", "evelyn severine"),
    ] {
        clinic.check(&format!("Patient?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#reference> and
/// <http://hl7.org/fhir/R4/search.html#chaining>, <http://hl7.org/fhir/R4/search.html#has>.
#[test]
fn references_as_published() {
    let clinic = observations(&[
        ("relative", json!({ "subject": { "reference": "Patient/23" } })),
        ("absolute", json!({ "subject": { "reference": format!("{BASE}/Patient/23") } })),
        ("versioned", json!({ "subject": { "reference": "Patient/23/_history/2" } })),
        ("elsewhere", json!({ "subject": { "reference": "http://b.example/Patient/23" } })),
        ("group", json!({ "subject": { "reference": "Group/23" } })),
        ("logical", json!({ "subject": { "identifier": { "system": "urn:s", "value": "v" } } })),
    ]);
    clinic.put(json!({ "resourceType": "Patient", "id": "23", "gender": "female",
        "generalPractitioner": [{ "reference": "Practitioner/x" }] }));
    clinic.put(json!({ "resourceType": "Practitioner", "id": "x", "active": true }));
    for (query, expected) in [
        ("Observation?subject=23", "absolute group relative versioned"),
        ("Observation?subject=Patient/23", "absolute relative versioned"),
        ("Observation?subject:Patient=23", "absolute relative versioned"),
        ("Observation?subject=https://me.example/fhir/Patient/23", "absolute relative versioned"),
        ("Observation?subject=http://b.example/Patient/23", "elsewhere"),
        ("Observation?subject=Patient/23/_history/2", "versioned"),
        ("Observation?patient=23", "absolute relative versioned"),
        ("Observation?subject:identifier=urn:s|v", "logical"),
        (
            "Observation?subject:missing=false",
            "absolute elsewhere group logical relative versioned",
        ),
        ("Observation?subject:Patient.gender=female", "absolute relative versioned"),
        ("Observation?subject.gender=male", ""),
        ("Observation?patient.general-practitioner.active=true", "absolute relative versioned"),
        ("Patient?_has:Observation:patient:status=final", "23"),
        ("Patient?_has:Observation:patient:status=amended", ""),
        (
            "Practitioner?_has:Patient:general-practitioner:_has:Observation:patient:status=final",
            "x",
        ),
    ] {
        clinic.check(query, expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#quantity> and
/// <http://hl7.org/fhir/R4/search.html#composite>.
#[test]
fn quantities_and_composites() {
    let ucum = "http://unitsofmeasure.org";
    let quantity = |value: f64, code: &str| json!({ "value": value, "unit": format!("{code} read"), "system": ucum, "code": code });
    let code = |code: &str| json!({ "coding": [{ "system": "urn:c", "code": code }] });
    let component = |name: &str, value: f64| json!({ "code": code(name), "valueQuantity": quantity(value, "deg") });
    let clinic = observations(&[
        ("a", json!({ "code": code("x"), "valueQuantity": quantity(5.4, "mg") })),
        ("b", json!({ "code": code("y"), "valueQuantity": quantity(5.4, "g") })),
        (
            "c",
            json!({ "code": code("x"), "valueQuantity":
            { "value": 5, "comparator": "<", "system": ucum, "code": "mg" } }),
        ),
        (
            "d",
            json!({ "code": code("z"), "component": [component("left", 40.0), component("right", 60.0)] }),
        ),
    ]);
    for (query, expected) in [
        ("value-quantity=5.4", "a b"),
        ("value-quantity=5.4|http://unitsofmeasure.org|mg", "a"),
        ("value-quantity=5.4||mg", "a"),
        ("value-quantity=5.4||mg read", "a"),
        ("value-quantity=5.40", "a b"),
        ("value-quantity=5.41", ""),
        ("value-quantity=5", "a b"),
        ("value-quantity=lt5.4|http://unitsofmeasure.org|mg", "c"),
        ("value-quantity=eb5.4|http://unitsofmeasure.org|mg", "c"),
        ("value-quantity=ge5|http://unitsofmeasure.org|mg", "a"),
        ("code-value-quantity=urn:c|x$ge5.4", "a"),
        ("code-value-quantity=x$5.4||mg", "a"),
        ("component-code-value-quantity=urn:c|left$gt50", ""),
        ("component-code-value-quantity=urn:c|right$gt50", "d"),
        ("combo-code-value-quantity=urn:c|right$gt50,urn:c|y$5.4", "b d"),
        ("combo-code=left", "d"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#uri>
#[test]
fn uris_as_published() {
    let clinic = Clinic::new();
    for (id, url) in [
        ("a", "http://acme.org/fhir/ValueSet/123"),
        ("b", "http://acme.org/fhir"),
        ("c", "urn:oid:1.2"),
    ] {
        clinic.put(json!({ "resourceType": "ValueSet", "id": id, "status": "active", "url": url }));
    }
    for (query, expected) in [
        ("url=http://acme.org/fhir/ValueSet/123", "a"),
        ("url=http://acme.org/fhir", "b"),
        ("url:below=http://acme.org/fhir", "a b"),
        ("url:above=http://acme.org/fhir/ValueSet/123/_history/5", "a b"),
        ("url=urn:oid:1.2", "c"),
        ("url=HTTP://acme.org/fhir", ""),
    ] {
        clinic.check(&format!("ValueSet?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#sort>: missing values last, ties by id, the earliest of many.
#[test]
fn order() {
    let clinic = observations(&[
        ("a", json!({ "effectiveDateTime": "2026-01-02" })),
        ("b", json!({ "effectivePeriod": { "start": "2026-01-01", "end": "2026-01-09" } })),
        ("c", json!({})),
        ("d", json!({ "effectiveDateTime": "2026-01-02", "status": "amended" })),
    ]);
    for (sort, expected) in [
        ("date", "b a d c"),
        ("-date", "b a d c"),
        ("-_id", "d c b a"),
        ("date,-_id", "b d a c"),
        ("-_lastUpdated", "d c b a"),
        ("status,-date", "d b a c"),
    ] {
        clinic.check(&format!("Observation?_sort={sort}"), expected);
    }
}

/// What is written between two pages neither repeats nor hides a match
/// (<http://hl7.org/fhir/R4/http.html#paging>).
#[test]
fn pages_hold_still_while_others_write() {
    for sort in
        ["", "&_sort=_lastUpdated", "&_sort=-_lastUpdated", "&_sort=date", "&_sort=-date,-_id"]
    {
        let clinic = Clinic::new();
        let put = |number: usize, day: usize| {
            clinic.put(json!({ "resourceType": "Observation", "id": format!("o{number:02}"),
                "status": "final", "effectiveDateTime": format!("2026-01-{day:02}") }));
        };
        (1..=20).for_each(|number| put(number, 21 - number));
        let url = format!("Observation?status=final&_count=3{sort}");
        let (mut seen, mut cursor, mut round) = (Vec::new(), None::<Cursor>, 0);
        loop {
            let page = clinic.page(&url, cursor.as_ref()).unwrap();
            seen.extend(page.matches.iter().map(|found| found.id.to_string()));
            let text = page.next.map(|next| next.to_text());
            let Some(text) = text else { break };
            cursor = Some(Cursor::parse(&text).unwrap());
            // One moves to either end, one is new, one goes.
            round += 1;
            put(round, 28);
            put(20 - round, 1);
            put(40 + round, 14);
            if round == 2 {
                clinic.delete("Observation", "o10");
            }
        }
        let mut stayed: Vec<_> = seen.iter().map(String::as_str).filter(|id| *id < "o21" && *id != "o10").collect();
        stayed.sort();
        let expected: Vec<_> = (1..=20).filter(|n| *n != 10).map(|n| format!("o{n:02}")).collect();
        assert_eq!(stayed, expected, "{sort}: {seen:?}");
    }
}

#[test]
fn pages_go_back_the_way_they_came() {
    let clinic = observations(&["a", "b", "c", "d", "e"].map(|id| (id, json!({}))));
    for sort in ["", "&_sort=-_id", "&_sort=-_lastUpdated"] {
        let url = format!("Observation?_count=2{sort}");
        let first = clinic.page(&url, None).unwrap();
        assert!(first.previous.is_none() && first.total == Some(5));
        let second = clinic.page(&url, first.next.as_ref()).unwrap();
        let third = clinic.page(&url, second.next.as_ref()).unwrap();
        assert!(third.next.is_none());
        let back = clinic.page(&url, third.previous.as_ref()).unwrap();
        assert_eq!(show(&back), show(&second), "{sort}");
        let start = clinic.page(&url, back.previous.as_ref()).unwrap();
        assert_eq!(show(&start), show(&first), "{sort}");
        assert!(start.previous.is_none() && start.next.is_some());
    }
}

#[test]
fn only_what_is_current_and_alive() {
    let clinic = observations(&[("a", json!({ "code": { "text": "old" } })), ("b", json!({}))]);
    clinic.check("Observation?code:text=old", "a");
    clinic.put(json!({ "resourceType": "Observation", "id": "a", "status": "amended" }));
    clinic.check("Observation?code:text=old", "");
    clinic.check("Observation?status=amended", "a");
    clinic.delete("Observation", "a");
    for query in ["status=amended", "_id=a", "status:not=final", "_lastUpdated=gt2000"] {
        let expected = if query.starts_with("_last") { "b" } else { "" };
        clinic.check(&format!("Observation?{query}"), expected);
    }
    clinic.check("Observation?_id=a,b,B", "b");
    assert_eq!(clinic.page("Observation?_count=0", None).unwrap().total, Some(1));
    assert_eq!(clinic.page("Observation?_summary=count", None).unwrap().total, Some(1));
    assert_eq!(clinic.page("Observation?_total=none", None).unwrap().total, None);
}

/// Ours work like the standard's.
#[test]
fn own_parameters() {
    let clinic = observations(&[(
        "a",
        json!({ "bodySite": { "coding": [{ "system": "urn:site", "code": "C5-C6" }] },
            "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
                "valueReference": { "reference": "EpisodeOfCare/e" } }] }),
    )]);
    clinic.check("Observation?body-site=urn:site|c5-c6", "a");
    clinic.check("Observation?episode-of-care=e", "a");
    clinic.check("Observation?episode-of-care=EpisodeOfCare/f", "");
}

/// <http://hl7.org/fhir/R4/search.html#errors>, <http://hl7.org/fhir/R4/search.html#modifiers>
#[test]
fn refusals_name_the_parameter() {
    let clinic = Clinic::new();
    let many = vec!["a"; 1001].join(",");
    for (url, name, what) in [
        ("Patient?name:fuzzy=x", "name:fuzzy", "no modifier"),
        ("Patient?birthdate:exact=2000", "birthdate:exact", "no modifier"),
        ("Patient?birthdate=23 May", "birthdate", "date or time"),
        ("Patient?birthdate=zz2000", "birthdate", "date or time"),
        ("Patient?nonsense=1", "nonsense", "no search parameter"),
        ("Patient?_count=-1", "_count", "whole number"),
        ("Patient?_count=1&_count=2", "_count", "more than once"),
        ("Patient?_total=some", "_total", "accurate"),
        ("Patient?_sort=nonsense", "_sort", "cannot be sorted"),
        ("Patient?active=maybe", "active", "true or false"),
        ("Patient?active=x|true", "active", "no system"),
        ("Patient?identifier=a|b|c", "identifier", "two parts"),
        ("Patient?identifier:of-type=a|b", "identifier:of-type", "three parts"),
        ("Patient?gender:in=http://x", "gender:in", "not supported"),
        ("Patient?gender:missing=yes", "gender:missing", "true or false"),
        ("Patient?general-practitioner:Nobody=x", "general-practitioner:Nobody", "no modifier"),
        ("Patient?general-practitioner=a/b/c", "general-practitioner", "Type/id"),
        (r"Patient?family=a\b", "family", "backslash"),
        ("Patient?family=...", "family", "letter or digit"),
        ("Patient?_include=Patient:organization", "_include", "not supported"),
        ("Patient?_query=x", "_query", "not supported"),
        ("Patient?_text=x", "_text", "not supported"),
        ("Patient?_has:Observation=x", "_has:Observation", "_has:Type"),
        ("Patient?_has:Observation:code:status=x", "_has:Observation:code:status", "reference"),
        (
            "Patient?_has:Observation:encounter:status=x",
            "_has:Observation:encounter:status",
            "never",
        ),
        ("Patient?birthdate.name=x", "birthdate.name", "reference"),
        ("Patient?organization.nonsense=x", "organization.nonsense", "no search parameter"),
        ("RiskAssessment?probability=x", "probability", "decimal"),
        ("Observation?value-quantity=1|mg", "value-quantity", "three"),
        ("Observation?code-value-quantity=x", "code-value-quantity", "component"),
        (&format!("Patient?family={many}"), "family", "1000 values"),
    ] {
        let error = clinic.query(url, true).err().unwrap_or_else(|| panic!("{url} is accepted"));
        assert_eq!(error.expression(), Some(format!("http.{name}")), "{url}");
        assert!(error.to_string().contains(what), "{url}: {error}");
    }
}

#[test]
fn what_is_not_known_is_told() {
    let clinic = Clinic::new();
    let query =
        clinic.query("Patient?nonsense=1&gender=&family=a&_sort=odd,-birthdate", false).unwrap();
    let used: Vec<_> = query.used.iter().map(|(name, value)| format!("{name}={value}")).collect();
    assert_eq!(used, ["family=a", "_sort=-birthdate", "_count=20"]);
    let ignored: Vec<_> =
        query.ignored.iter().map(|issue| issue.expression.clone().unwrap()).collect();
    assert_eq!(ignored, ["http.nonsense", "http._sort"]);
}

#[test]
fn plans_ask_the_narrowest_first() {
    let clinic = Clinic::new();
    let url = "Observation?status:not=final&date=ge2026&code=urn:c|x&patient=p&_sort=-date";
    let plan = Plan::new(&clinic.query(url, true).unwrap()).to_string();
    let expected = "candidates: patient: equal, 1 alternatives, rows of subject\n\
        or, if fewer: code: equal, 1 alternatives, rows of code\n\
        or, if fewer: date: within a range, 1 alternatives, rows of date\n\
        without: status:not: within a range, 1 alternatives, rows of status\n\
        order: -date, _id\n";
    assert_eq!(plan, expected);
}
