//! `$stats`: <http://hl7.org/fhir/R4/observation-operation-stats.html>.

use serde_json::{Value, json};

use crate::client::{Server, patient, with_id};

const UCUM: &str = "http://unitsofmeasure.org";
const LOINC: &str = "http://loinc.org";

fn quantity(value: f64, unit: &str) -> Value {
    json!({ "value": value, "unit": unit, "system": UCUM, "code": unit })
}

fn code(code: &str) -> Value {
    json!({ "coding": [{ "system": "http://x.example", "code": code }] })
}

fn observation(name: &str, time: &str, value: Value) -> Value {
    let mut observation = json!({ "resourceType": "Observation", "status": "final",
        "code": code(name), "subject": { "reference": "Patient/p1" }, "effectiveDateTime": time });
    if !value.is_null() {
        observation["valueQuantity"] = value;
    }
    observation
}

async fn put(server: &Server, id: &str, value: Value) {
    server.put(&format!("/Observation/{id}"), &with_id(value, id)).await.has_status(201);
}

async fn clinic() -> Server {
    let server = Server::start();
    server.put("/Patient/p1", &with_id(patient("A"), "p1")).await.has_status(201);
    server
}

/// The body of a call about a code, over the spring of 2026.
fn call(codes: &[&str], statistics: &[&str], more: Vec<Value>) -> Value {
    let mut list = vec![
        json!({ "name": "subject", "valueUri": "Patient/p1" }),
        json!({ "name": "system", "valueUri": "http://x.example" }),
        json!({ "name": "period", "valuePeriod": { "start": "2026-03-01", "end": "2026-05-31" } }),
    ];
    list.extend(codes.iter().map(|code| json!({ "name": "code", "valueString": code })));
    list.extend(statistics.iter().map(|code| json!({ "name": "statistic", "valueCode": code })));
    list.extend(more);
    json!({ "resourceType": "Parameters", "parameter": list })
}

async fn ask(server: &Server, body: &Value) -> Value {
    server.post("/Observation/$stats", body).await.has_status(200).json()
}

/// The results of that name.
fn results<'a>(answer: &'a Value, name: &str) -> Vec<&'a Value> {
    assert_eq!(answer["resourceType"], "Parameters");
    let list = answer["parameter"].as_array().map_or(&[][..], Vec::as_slice);
    let of_name = list.iter().filter(|parameter| parameter["name"] == name);
    of_name.map(|parameter| &parameter["resource"]).collect()
}

/// The figures of an Observation, each as code, value and unit; `-` where there is none.
fn figures(observation: &Value) -> Vec<String> {
    let components = observation["component"].as_array().unwrap().iter();
    let one = |component: &Value| {
        let coding = &component["code"]["coding"][0];
        assert_eq!(
            coding["system"],
            "http://terminology.hl7.org/CodeSystem/observation-statistics"
        );
        let code = coding["code"].as_str().unwrap();
        let value = &component["valueQuantity"];
        if value.is_null() {
            assert_eq!(component["dataAbsentReason"]["coding"][0]["code"], "not-applicable");
            return format!("{code} -");
        }
        format!("{code} {} {}", value["value"], value["unit"].as_str().unwrap_or("1"))
    };
    components.map(one).collect()
}

/// "a set of observations, one observation for each code, each containing one component for each
/// statistic … will also contain a subject, effectivePeriod, and code reflecting the input
/// parameters". The figures are worked by hand, percentiles by p (n + 1).
#[actix_web::test]
async fn all_statistics_of_the_standard() {
    let server = clinic().await;
    for (id, time, value) in [
        ("o1", "2026-03-01", 10.0),
        ("o2", "2026-03-02", 20.0),
        ("o3", "2026-03-03T12:00:00Z", 40.0),
        ("o4", "2026-03-04", 50.0),
        ("before", "2026-02-28", 999.0),
        ("after", "2026-06-01", 999.0),
    ] {
        put(&server, id, observation("rom", time, quantity(value, "deg"))).await;
    }
    let mut wrong = observation("rom", "2026-03-05", quantity(999.0, "deg"));
    wrong["status"] = json!("entered-in-error");
    put(&server, "error", wrong).await;
    let mut about = quantity(5.0, "deg");
    about["comparator"] = json!("<");
    put(&server, "less", observation("rom", "2026-03-05", about)).await;
    let mut asked = observation("rom", "2026-03-05", Value::Null);
    asked["dataAbsentReason"] = json!({ "coding": [{ "code": "not-performed",
        "system": "http://terminology.hl7.org/CodeSystem/data-absent-reason" }] });
    put(&server, "absent", asked).await;
    let plain = json!({ "value": 7, "unit": "degrees" });
    put(&server, "plain", observation("rom", "2026-03-06", plain)).await;
    let all = [
        "average",
        "maximum",
        "minimum",
        "count",
        "total-count",
        "median",
        "std-dev",
        "sum",
        "variance",
        "20-percent",
        "80-percent",
        "4-lower",
        "4-upper",
        "4-dev",
        "5-1",
        "5-2",
        "5-3",
        "5-4",
        "skew",
        "kurtosis",
        "regression",
    ];
    let answer = ask(&server, &call(&["rom"], &all, Vec::new())).await;
    let found = results(&answer, "statistics");
    assert_eq!(found.len(), 1);
    let expected = [
        "average 30 deg",
        "maximum 50 deg",
        "minimum 10 deg",
        "count 4 1",
        "total-count 7 1",
        "median 30 deg",
        "std-dev 18.2574185835 deg",
        "sum 120 deg",
        "variance 333.333333333 deg2",
        "20-percent 10 deg",
        "80-percent 50 deg",
        "4-lower 12.5 deg",
        "4-upper 47.5 deg",
        "4-dev 17.5 deg",
        "5-1 10 deg",
        "5-2 20 deg",
        "5-3 40 deg",
        "5-4 50 deg",
        "skew 0 1",
        "kurtosis 1.36 1",
        "regression 13.1868131868 deg/d",
        "regression 8.57142857143 deg",
    ];
    assert_eq!(figures(found[0]), expected);
    assert_eq!(found[0]["code"]["coding"][0]["code"], "rom");
    assert_eq!(found[0]["subject"]["reference"], "Patient/p1");
    assert_eq!(found[0]["effectivePeriod"], json!({ "start": "2026-03-01", "end": "2026-05-31" }));
    let valid = server.post("/Observation/$validate", found[0]).await.has_status(200).json();
    let errors = valid["issue"].as_array().unwrap().iter().filter(|i| i["severity"] == "error");
    assert_eq!(errors.count(), 0, "{valid:#}");
}

/// "This Statistic code will return both a gradient and an intercept value": y = 1 + 2 x, x in days
/// since the start of the period.
#[actix_web::test]
async fn a_line_over_days() {
    let server = clinic().await;
    for (id, time, value) in
        [("o1", "2026-03-01", 1.0), ("o2", "2026-03-03T12:00:00Z", 6.0), ("o3", "2026-03-11", 21.0)]
    {
        put(&server, id, observation("rom", time, quantity(value, "deg"))).await;
    }
    let answer = ask(&server, &call(&["rom"], &["regression"], Vec::new())).await;
    let found = results(&answer, "statistics");
    assert_eq!(figures(found[0]), ["regression 2 deg/d", "regression 1 deg"]);
    assert_eq!(found[0]["component"][0]["code"]["text"], "Regression, gradient");
}

/// Values are brought to the unit of the newest; what cannot be is not mixed, and told apart.
#[actix_web::test]
async fn units() {
    let server = clinic().await;
    put(&server, "w1", observation("weight", "2026-03-01", quantity(70500.0, "g"))).await;
    put(&server, "w2", observation("weight", "2026-03-02", quantity(71.5, "kg"))).await;
    put(&server, "n1", observation("ndi", "2026-03-01", quantity(20.0, "{score}"))).await;
    put(&server, "n2", observation("ndi", "2026-03-02", quantity(10.0, "{score}"))).await;
    put(&server, "n3", observation("ndi", "2026-03-03", quantity(12.0, "%"))).await;
    let body = call(&["weight", "ndi"], &["average", "count", "total-count"], Vec::new());
    let answer = ask(&server, &body).await;
    let found = results(&answer, "statistics");
    assert_eq!(found.len(), 3);
    assert_eq!(figures(found[0]), ["average 71 kg", "count 2 1", "total-count 2 1"]);
    assert!(found[0].get("note").is_none());
    assert_eq!(figures(found[1]), ["average 12 %", "count 1 1", "total-count 3 1"]);
    assert_eq!(figures(found[2]), ["average 15 {score}", "count 2 1", "total-count 3 1"]);
    let note = found[1]["note"][0]["text"].as_str().unwrap();
    assert!(note.starts_with("2 values of this code"), "{note}");
}

/// "evaluate all relevant Observations with this code in Observation.code and
/// Observation.component.code"; of panels "each of the individual panel measurements … recursively".
#[actix_web::test]
async fn components_and_panels() {
    let server = clinic().await;
    for (id, time, values) in
        [("b1", "2026-03-01", [120.0, 80.0]), ("b2", "2026-03-02", [130.0, 90.0])]
    {
        let component = |code: &str, value: f64| {
            json!({ "code": { "coding": [{
            "system": LOINC, "code": code, "display": "Invented" }] },
            "valueQuantity": quantity(value, "mm[Hg]") })
        };
        let mut pressure = observation("bp", time, Value::Null);
        pressure["component"] =
            json!([component("8480-6", values[0]), component("8462-4", values[1])]);
        put(&server, id, pressure).await;
    }
    let coding = |code: &str| {
        json!({ "name": "coding",
        "valueCoding": { "system": LOINC, "code": code } })
    };
    let both = ["average", "count"];
    let answer = ask(&server, &call(&["bp"], &both, Vec::new())).await;
    let found = results(&answer, "statistics");
    let of = |observation: &Value| observation["code"]["coding"][0]["code"].clone();
    assert_eq!(found.iter().map(|o| of(o)).collect::<Vec<_>>(), ["8480-6", "8462-4"]);
    assert_eq!(figures(found[0]), ["average 125 mm[Hg]", "count 2 1"]);
    assert_eq!(figures(found[1]), ["average 85 mm[Hg]", "count 2 1"]);
    // Asked for together with its panel, each is counted once, in the order of the question.
    let answer = ask(&server, &call(&["bp"], &both, vec![coding("8462-4")])).await;
    let found = results(&answer, "statistics");
    assert_eq!(found.iter().map(|o| of(o)).collect::<Vec<_>>(), ["8462-4", "8480-6"]);
    assert_eq!(figures(found[0]), ["average 85 mm[Hg]", "count 2 1"]);
    let mut panel = observation("panel", "2026-03-03", Value::Null);
    panel["hasMember"] = json!([{ "reference": "Observation/m1" }, { "reference": "Observation/inner" },
        { "reference": "Observation/none" }]);
    let mut inner = observation("inner", "2026-03-03", Value::Null);
    inner["hasMember"] =
        json!([{ "reference": "Observation/m2" }, { "reference": "Observation/outer" }]);
    put(&server, "m1", observation("rom", "2026-03-03", quantity(10.0, "deg"))).await;
    put(&server, "m2", observation("rom", "2026-03-03", quantity(30.0, "deg"))).await;
    put(&server, "inner", inner).await;
    put(&server, "outer", panel).await;
    let answer = ask(&server, &call(&["panel"], &both, Vec::new())).await;
    let found = results(&answer, "statistics");
    assert_eq!(
        (found.len(), figures(found[0])),
        (1, vec!["average 20 deg".into(), "count 2 1".into()])
    );
}

/// "include: Whether to return the observations on which the statistics are based"; "limit … SHALL be
/// ignored" without it; "duration: The time period of interest given as hours".
#[actix_web::test]
async fn sources_and_the_last_hours() {
    let server = clinic().await;
    for (id, time) in [("o1", "2026-03-01"), ("o2", "2026-03-02"), ("o3", "2026-03-03")] {
        put(&server, id, observation("rom", time, quantity(10.0, "deg"))).await;
    }
    let sources = async |more: Vec<Value>| {
        let answer = ask(&server, &call(&["rom"], &["count"], more)).await;
        let list = results(&answer, "source");
        list.iter().map(|o| o["id"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let include = |value: bool| json!({ "name": "include", "valueBoolean": value });
    let limit = json!({ "name": "limit", "valuePositiveInt": 2 });
    assert_eq!(sources(vec![]).await, [""; 0]);
    assert_eq!(sources(vec![include(true)]).await, ["o3", "o2", "o1"]);
    assert_eq!(sources(vec![include(true), limit.clone()]).await, ["o3", "o2"]);
    assert_eq!(sources(vec![include(false), limit]).await, [""; 0]);
    // By GET, all that it takes being primitive then; the last hour, and the last ten years.
    let path = |hours: &str| {
        format!(
            "/Observation/$stats?subject={}/Patient/p1&code=rom&system=\
        http://x.example&duration={hours}&statistic=count&statistic=average",
            server.base()
        )
    };
    let hour = server.get(&path("1")).await.has_status(200).json();
    assert_eq!(figures(results(&hour, "statistics")[0]), ["count 0 1", "average -"]);
    let years = server.get(&path("87600.5")).await.has_status(200).json();
    let found = results(&years, "statistics");
    assert_eq!(figures(found[0]), ["count 3 1", "average 10 deg"]);
    assert!(found[0]["effectivePeriod"]["end"].is_string());
}

#[actix_web::test]
async fn what_is_refused() {
    let server = clinic().await;
    let mut grade = observation("grade", "2026-03-01", Value::Null);
    grade["valueCodeableConcept"] = json!({ "text": "Invented" });
    put(&server, "g1", grade).await;
    // A mean of grades would be nonsense.
    let answer = server.post("/Observation/$stats", &call(&["grade"], &["average"], vec![])).await;
    let answer = answer.is_error(400, "not-supported").json();
    assert_eq!(answer["issue"][0]["expression"][0], "http.code");
    let base = "subject=Patient/p1&code=a&system=http://x.example&duration=1&statistic=count";
    server.get(&format!("/Observation/$stats?{base}")).await.has_status(200);
    let without = |name: &str| {
        let parts = base.split('&').filter(|part| !part.starts_with(&format!("{name}=")));
        parts.collect::<Vec<_>>().join("&")
    };
    let also = |name: &str, more: &str| format!("{}&{more}", without(name));
    for (query, code, place) in [
        (without("subject"), "required", "http.subject"),
        (without("code"), "required", "http.code"),
        (without("system"), "required", "http.system"),
        (without("duration"), "required", "http.period"),
        (without("statistic"), "required", "http.statistic"),
        (also("statistic", "statistic=mode"), "code-invalid", "http.statistic"),
        (also("subject", "subject=somebody"), "invalid", "http.subject"),
        (also("subject", "subject=http://o.example/Patient/1"), "not-supported", "http.subject"),
        (also("duration", "duration=-1"), "invalid", "http.duration"),
        (also("duration", "duration=0"), "invalid", "http.duration"),
        (also("duration", "duration=soon"), "invalid", "http.duration"),
        (also("duration", "duration=99999999999999999999"), "invalid", "http.duration"),
        (also("duration", "period=2026"), "invalid", "http.period"),
        (also("code", "coding=http://x.example|a"), "invalid", "http.coding"),
        (format!("{base}&include=perhaps"), "invalid", "http.include"),
        (format!("{base}&include=true&limit=0"), "invalid", "http.limit"),
        (format!("{base}&other=1"), "invalid", "http.other"),
    ] {
        let path = format!("/Observation/$stats?{query}");
        let answer = server.get(&path).await.is_error(400, code).json();
        assert_eq!(answer["issue"][0]["expression"][0], place, "{path}: {answer}");
    }
    for (more, place) in [
        (json!({ "name": "duration", "valueDecimal": 1 }), "http.duration"),
        (json!({ "name": "period", "valuePeriod": { "start": "2026" } }), "http.period"),
        (json!({ "name": "coding", "valueCoding": { "code": "a" } }), "http.coding"),
        (json!({ "name": "coding", "valueString": "a" }), "http.coding"),
    ] {
        let body = call(&["a"], &["count"], vec![more]);
        let answer =
            server.post("/Observation/$stats", &body).await.is_error(400, "invalid").json();
        assert_eq!(answer["issue"][0]["expression"][0], place, "{answer}");
    }
    for period in [json!({}), json!({ "start": "soon" }), json!({ "start": "2027", "end": "2026" })]
    {
        let mut body = call(&["a"], &["count"], Vec::new());
        body["parameter"][2]["valuePeriod"] = period;
        server.post("/Observation/$stats", &body).await.is_error(400, "invalid");
    }
}
