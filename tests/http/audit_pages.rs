//! The pages of the audit: figures are those of the request that they show, what is withheld stays so,
//! cases are listed only where that is allowed, bad input is explained.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{Answer, Server};
use crate::summary::load_clinic;

const BROWSER: &str = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";
const YEAR: &str = "periodStart=2025-01-01&periodEnd=2025-12-31";

/// An invented practice: who treated, how many episodes ended in 2025, how many as drop-outs.
const PRACTICE: [(&str, &str, u32, u32); 6] = [
    ("ambrel", "Ina Ambrel", 40, 6),
    ("brisk", "Tomas Brisk", 36, 5),
    ("calder", "Oda Calder", 30, 5),
    ("dunmere", "Pell Dunmere", 44, 26),
    ("elstow", "Runa Elstow", 18, 5),
    ("farrow", "=Farrow()", 6, 1),
];

async fn browse(server: &Server, path: &str) -> Answer {
    let url = format!("{}{path}", server.base().replace("/fhir", ""));
    server.send("GET", &url, &[("Accept", BROWSER)], "").await
}

async fn practice(config: Config) -> Server {
    let server = Server::published(config);
    let put = |resource: Value| {
        let url = format!(
            "{}/{}",
            resource["resourceType"].as_str().unwrap(),
            resource["id"].as_str().unwrap()
        );
        json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
    };
    let mut entries = Vec::new();
    for (id, name, all, dropped) in PRACTICE {
        entries.push(put(
            json!({ "resourceType": "Practitioner", "id": id, "name": [{ "text": name }] }),
        ));
        for at in 0..all {
            let reason = if at < dropped { "did-not-attend" } else { "goals-met" };
            let end = format!("2025-{:02}-15", at % 12 + 1);
            entries.push(put(json!({
                "resourceType": "EpisodeOfCare",
                "id": format!("{id}-{at}"),
                "extension": [{
                    "url": "https://spondyl.example/fhir/StructureDefinition/episode-end-reason",
                    "valueCodeableConcept": { "coding": [{
                        "system": "https://spondyl.example/fhir/CodeSystem/episode-end-reason",
                        "code": reason,
                    }] },
                }],
                "status": "finished",
                "patient": { "reference": format!("Patient/{id}-{at}") },
                "careManager": { "reference": format!("Practitioner/{id}") },
                "period": { "start": "2025-01-01", "end": end },
            })));
        }
    }
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    server.post("", &bundle).await.has_status(200);
    server
}

fn with_cases() -> Config {
    Config { audit_cases: true, ..Config::default() }
}

fn values<'a>(page: &'a str, attribute: &str) -> Vec<&'a str> {
    let start = format!(" {attribute}=\"");
    page.split(&start).skip(1).map(|rest| rest.split('"').next().unwrap()).collect()
}

/// Ids once, links within the page lead somewhere, no number is none, no key stands for itself.
#[track_caller]
fn well_made(told: &str, page: &str) {
    let ids = values(page, "id");
    let once: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), once.len(), "{told}: an id stands twice");
    for link in values(page, "href").into_iter().filter_map(|link| link.strip_prefix('#')) {
        assert!(once.contains(link), "{told}: {link}");
    }
    for name in values(page, "aria-labelledby").into_iter().flat_map(str::split_whitespace) {
        assert!(once.contains(name), "{told}: {name}");
    }
    assert!(values(page, "style").is_empty(), "{told}");
    let text = page.split("</style>").nth(1).unwrap();
    for nothing in ["NaN", "nan ", ">inf", "-inf", ">audit.", "\"audit.", "{n}", "<script"] {
        assert!(!text.contains(nothing), "{told}: {nothing}");
    }
}

/// A number of a FHIR report, as text.
fn share(value: &Value) -> String {
    let share: f64 = value.to_string().parse().unwrap();
    format!("{:.1}\u{a0}%", share * 100.0)
}

#[actix_web::test]
async fn a_figure_is_that_of_the_request_beside_it() {
    let server = practice(Config::default()).await;
    let path = format!("/audit?measure=drop-out&{YEAR}&stratifier=practitioner");
    let answer = browse(&server, &path).await.has_status(200);
    let policy = answer.header("Content-Security-Policy");
    assert!(policy.contains("form-action 'self'") && !policy.contains("script-src"), "{policy}");
    let page = answer.text;
    well_made(&path, &page);

    let request = values(&page, "href").into_iter().find(|link| link.contains("$evaluate-measure"));
    let request = request.unwrap().replace("&amp;", "&");
    let report = server.get(request.trim_start_matches("/fhir")).await.has_status(200).json();
    let group = &report["group"][0];
    assert!(page.contains(&share(&group["measureScore"]["value"])), "the share of all");
    assert!(page.contains("48 of 174 known cases"));
    let code = |split: &&Value| split["code"][0]["coding"][0]["code"] == "practitioner";
    let split = group["stratifier"].as_array().unwrap().iter().find(code).unwrap();
    let strata = split["stratum"].as_array().unwrap();
    assert_eq!(strata.len(), PRACTICE.len());
    for stratum in strata {
        let who = stratum["value"]["text"].as_str().unwrap();
        let who = who.trim_start_matches("Practitioner/");
        let (_, name, all, _) = PRACTICE.into_iter().find(|(id, ..)| *id == who).unwrap();
        let row = page.split("<tr").find(|row| row.contains(&format!("<th scope=\"row\">{name}")));
        let row = row.unwrap();
        match stratum.get("measureScore") {
            Some(score) => {
                assert!(row.contains(&share(&score["value"])), "{name}: {row}");
                assert!(row.contains(&format!("of {all}")), "{name}: {row}");
            }
            None => assert!(row.contains(">withheld<"), "{name}: {row}"),
        }
    }
}

/// 26 of 44 beside 48 of 174 in all: by the binomial formula, summed in another language, that many or
/// more have a probability of 1.2e-5; 5 or fewer of 30 have 0.13. The smallest group, and the next with
/// it, are withheld.
#[actix_web::test]
async fn an_outlier_stands_out_in_shape_and_words() {
    let server = practice(Config::default()).await;
    let path = format!("/audit?measure=drop-out&{YEAR}&stratifier=practitioner");
    let page = browse(&server, &path).await.has_status(200).text;
    assert!(page.contains("Beyond the limits: Pell Dunmere (beyond the 99.8 % limits)."), "{page}");
    let point = |name: &str| {
        let label = format!("aria-label=\"{name}: ");
        let rest = page.split(&label).nth(1).map(|rest| rest.split("</a>").next().unwrap());
        rest.map(str::to_owned)
    };
    let outlier = point("Pell Dunmere").unwrap();
    assert!(outlier.contains("class=\"dot far\"") && outlier.contains("beyond the 99.8 % limits"));
    assert!(point("Oda Calder").unwrap().contains("<circle class=\"dot\""));
    assert!(point("Runa Elstow").is_none() && point("=Farrow()").is_none());
    assert!(page.contains("Many looks:") && page.contains("4 groups are shown"), "{page}");
    let request = format!("{path}&_format=json");
    let rows = browse(&server, &request).await.has_status(200).json();
    assert_eq!(rows.as_array().unwrap().len(), 1 + PRACTICE.len());
}

/// With less than five cases a number is told nowhere: not in the table, the chart or the file.
#[actix_web::test]
async fn what_is_withheld_is_withheld_everywhere() {
    let server = practice(Config::default()).await;
    let path = format!("/audit?measure=drop-out&{YEAR}&stratifier=practitioner");
    let page = browse(&server, &path).await.has_status(200).text;
    assert!(page.contains("Counts below 5 are withheld"));
    assert!(!page.contains("1 of 6") && !page.contains("aria-label=\"=Farrow(): 16.7"));
    assert!(!page.contains("/audit/cases"), "no way to the cases");
    let csv = browse(&server, &format!("{path}&_format=csv")).await.has_status(200);
    let mut lines = csv::Reader::from_reader(csv.text.as_bytes());
    let names = lines.headers().unwrap().clone();
    let at = |name: &str| names.iter().position(|own| own == name).unwrap();
    let records: Vec<csv::StringRecord> = lines.records().map(Result::unwrap).collect();
    let farrow = records.iter().find(|record| &record[at("stratum")] == "Practitioner/farrow");
    let farrow = farrow.unwrap();
    assert_eq!(&farrow[at("name")], "'=Farrow()", "a spreadsheet computes nothing");
    assert_eq!(&farrow[at("withheld")], "true");
    for column in ["count", "of", "score", "low", "high", "missing", "ifNone", "ifEach"] {
        assert_eq!(&farrow[at(column)], "", "{column}");
    }
    let refused = browse(&server, &format!("/audit/cases?measure=drop-out&{YEAR}")).await;
    assert_eq!(refused.status, 400, "{}", refused.text);
    assert!(refused.text.contains("--audit-cases"));
}

#[actix_web::test]
async fn downloads_are_the_table_unrounded() {
    let server = practice(Config { audit_least: 0, ..Config::default() }).await;
    let path = format!("/audit?measure=drop-out&{YEAR}&stratifier=practitioner");
    let get = |form: &str| format!("{path}&_format={form}");
    let json = browse(&server, &get("json")).await.has_status(200);
    assert_eq!(json.header("Content-Type"), "application/json;charset=utf-8");
    let name = "audit-drop-out-practitioner-2025-01-01-2025-12-31.json";
    assert_eq!(json.header("Content-Disposition"), format!("attachment; filename=\"{name}\""));
    let rows = json.json();
    let lines = browse(&server, &get("ndjson")).await.has_status(200);
    assert_eq!(lines.header("Content-Type"), "application/x-ndjson;charset=utf-8");
    let lines: Vec<Value> =
        lines.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(Value::from(lines), rows);
    let csv = browse(&server, &get("csv")).await.has_status(200);
    assert_eq!(csv.header("Content-Type"), "text/csv;charset=utf-8;header=present");
    let mut csv = csv::Reader::from_reader(csv.text.as_bytes());
    let names: Vec<String> = csv.headers().unwrap().iter().map(str::to_owned).collect();
    for (record, row) in csv.records().zip(rows.as_array().unwrap()) {
        let record = record.unwrap();
        for (name, cell) in names.iter().zip(record.iter()) {
            let expected = match &row[name] {
                Value::Null => String::new(),
                Value::String(text) => text.clone(),
                other => other.to_string(),
            };
            assert_eq!(cell.trim_start_matches('\''), expected, "{name}");
        }
    }
    let found: Vec<(String, u64, u64)> = rows.as_array().unwrap()[1..]
        .iter()
        .map(|row| {
            let who = row["stratum"].as_str().unwrap().trim_start_matches("Practitioner/");
            (who.to_owned(), row["of"].as_u64().unwrap(), row["count"].as_u64().unwrap())
        })
        .collect();
    let expected =
        PRACTICE.map(|(id, _, all, dropped)| (id.to_owned(), all.into(), dropped.into()));
    assert_eq!(found, expected);
}

#[actix_web::test]
async fn cases_lead_to_their_records_where_that_is_allowed() {
    let server = practice(with_cases()).await;
    let path = format!("/audit?measure=drop-out&{YEAR}&stratifier=practitioner");
    let page = browse(&server, &path).await.has_status(200).text;
    let link = values(&page, "href")
        .into_iter()
        .find(|link| link.contains("stratum=Practitioner/dunmere"));
    let link = link.unwrap().replace("&amp;", "&");
    let cases = browse(&server, &link).await.has_status(200).text;
    well_made(&link, &cases);
    let episodes = values(&cases, "href").into_iter().filter(|link| link.starts_with("/episodes/"));
    let episodes: BTreeSet<&str> = episodes.collect();
    assert_eq!(episodes.len(), 44);
    assert!(episodes.iter().all(|link| link.starts_with("/episodes/dunmere-")));
    assert_eq!(cases.matches(">with the trait<").count(), 26);
    assert_eq!(cases.matches(">without the trait<").count(), 18);
    for episode in episodes.iter().take(2) {
        browse(&server, episode).await.has_status(200);
    }
    // The summary withholds as before: it is what is passed on.
    assert!(page.contains(">withheld<"));
    let all = browse(&server, &format!("/audit/cases?measure=drop-out&{YEAR}")).await;
    assert_eq!(all.has_status(200).text.matches("href=\"/episodes/").count(), 174);
    let unknown = format!("/audit/cases?measure=drop-out&{YEAR}&stratifier=site&stratum=UNK");
    let unknown = browse(&server, &unknown).await.has_status(200).text;
    assert!(unknown.contains("Site: not recorded"));
    let none = format!("/audit/cases?measure=drop-out&{YEAR}&stratum=Practitioner/nobody");
    let none = browse(&server, &none).await.has_status(400).text;
    assert!(none.contains("http.stratum"));
}

/// A browser is told on the page that it asked with; anyone else by an outcome.
#[actix_web::test]
async fn bad_input_is_told_beside_the_form() {
    let server = practice(Config::default()).await;
    for (query, place) in [
        ("measure=drop-out&periodStart=2025-12-31&periodEnd=2025-01-01", "http.periodEnd"),
        ("measure=drop-out&periodStart=2025-13-01&periodEnd=2025-12-31", "http.periodStart"),
        ("measure=drop-out&periodStart=x%22%3E&periodEnd=2025-12-31", "http.periodStart"),
        ("measure=no-such&periodStart=2025-01-01&periodEnd=2025-12-31", "http.measure"),
        ("measure=../Patient&periodStart=2025-01-01&periodEnd=2025-12-31", "http.measure"),
        ("measure=drop-out&stratifier=weather", "http.stratifier"),
        ("measure=drop-out&measure=drop-out", "http.measure"),
    ] {
        let path = format!("/audit?{query}");
        let page = browse(&server, &path).await.has_status(400).text;
        well_made(&path, &page);
        assert!(page.contains("role=\"alert\"") && page.contains(place), "{path}");
        let field = place.trim_start_matches("http.");
        let tag = page.split(&format!(" id=\"{field}\"")).nth(1).unwrap();
        let tag = tag.split('>').next().unwrap();
        assert!(tag.contains("aria-invalid=\"true\""), "{path}: {tag}");
        let url = format!("{}{path}", server.base().replace("/fhir", ""));
        let plain = server.send("GET", &url, &[("Accept", "*/*")], "").await.has_status(400);
        assert_eq!(plain.json()["issue"][0]["expression"][0], place, "{path}");
        let file = browse(&server, &format!("{path}&_format=csv")).await;
        assert_eq!(file.status, 400, "{path}");
    }
    let file = browse(&server, "/audit?_format=csv").await.has_status(400);
    assert!(file.text.contains("http.measure"));
    browse(&server, "/audit?_format=pdf").await.has_status(406);
    browse(&server, "/audit?language=xx").await.has_status(400);
}

/// Nobody, nothing known, one case, equal values: explained, and never a number that is none.
#[actix_web::test]
async fn thin_cohorts_are_explained() {
    let server = practice(Config { audit_least: 0, ..Config::default() }).await;
    let page = async |measure: &str, period: &str, by: &str| {
        let path = format!("/audit?measure={measure}&{period}&stratifier={by}");
        let page = browse(&server, &path).await.has_status(200).text;
        well_made(&path, &page);
        page
    };
    let nobody = "periodStart=2031-01-01&periodEnd=2031-01-31";
    for measure in ["drop-out", "pain-change", "adverse-events-per-visit", "days-per-episode"] {
        let empty = page(measure, nobody, "practitioner").await;
        assert!(empty.contains("No episode ended in this period"), "{measure}");
        assert!(empty.contains("No chart: there is no known case."), "{measure}");
    }
    let missing = page("disability-improved", YEAR, "practitioner").await;
    assert!(missing.contains("No known case: the record does not say enough of any."));
    assert!(missing.contains("<dd>174"), "all are missing");
    // Each month has 14 or 15 cases that began on one day: within a month all values are equal.
    let equal =
        page("days-per-episode", "periodStart=2025-03-01&periodEnd=2025-03-31", "site").await;
    assert!(equal.contains("73.0\u{a0}days"), "{equal}");
    let one = practice_of_one().await;
    for measure in ["drop-out", "days-per-episode", "visits-per-episode"] {
        let path = format!("/audit?measure={measure}&{YEAR}&stratifier=practitioner");
        let page = browse(&one, &path).await.has_status(200).text;
        well_made(&path, &page);
    }
}

async fn practice_of_one() -> Server {
    let server = Server::published(Config { audit_least: 0, ..Config::default() });
    let episode = json!({ "resourceType": "EpisodeOfCare", "id": "one", "status": "finished",
        "patient": { "reference": "Patient/one" },
        "careManager": { "reference": "Practitioner/one" },
        "period": { "start": "2025-01-01", "end": "2025-02-01" } });
    server.put("/EpisodeOfCare/one", &episode).await.has_status(201);
    server
}

/// Every indicator over the demo clinic, by each stratifier, in both languages.
#[actix_web::test]
async fn every_indicator_has_a_page() {
    let server = Server::published(Config { audit_least: 0, ..with_cases() });
    load_clinic(&server).await;
    let start = browse(&server, "/audit").await.has_status(200).text;
    well_made("/audit", &start);
    let links =
        values(&start, "href").into_iter().filter(|link| link.starts_with("/audit?measure="));
    let ids: BTreeSet<String> =
        links.map(|link| link.split(['=', '&']).nth(1).unwrap().to_owned()).collect();
    assert!(ids.len() >= 20, "{ids:?}");
    let splits = [
        "age-band",
        "sex",
        "baseline-severity",
        "referral-source",
        "practitioner",
        "site",
        "month",
    ];
    let period = "periodStart=2026-01-01&periodEnd=2026-12-31";
    for (at, id) in ids.iter().enumerate() {
        let by = splits[at % splits.len()];
        for language in ["en", "de"] {
            let path = format!("/audit?measure={id}&{period}&stratifier={by}&language={language}");
            let page = browse(&server, &path).await.has_status(200).text;
            well_made(&path, &page);
            assert!(page.contains(&format!("<html lang=\"{language}\">")), "{path}");
            assert_eq!(page.contains("Please note"), language == "en", "{path}");
            assert!(page.contains("<table class=\"audit\">"), "{path}");
        }
    }
    let first = browse(&server, "/").await.has_status(200).text;
    assert!(first.contains("href=\"/audit\""));
}
