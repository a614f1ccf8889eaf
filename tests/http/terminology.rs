//! The operations of terminology: <http://hl7.org/fhir/R4/terminology-service.html>.

use serde_json::{Value, json};

use crate::client::{Server, with_id};

const OWN: &str = "https://spondyl.example/fhir";

fn part(parameters: &Value, name: &str) -> Value {
    let list = parameters["parameter"].as_array().unwrap();
    let found = list.iter().find(|parameter| parameter["name"] == name);
    let found = found.and_then(|p| p.as_object()?.iter().find(|(key, _)| key.starts_with("value")));
    found.map_or(Value::Null, |(_, value)| value.clone())
}

fn codes(set: &Value) -> Vec<&str> {
    let list = set["expansion"]["contains"].as_array();
    list.into_iter().flatten().map(|item| item["code"].as_str().unwrap()).collect()
}

fn colours() -> Value {
    json!({ "resourceType": "CodeSystem", "url": "http://a.example/colours", "version": "1",
        "name": "Colours", "status": "active", "content": "complete", "concept": [
            { "code": "red", "display": "Red", "concept": [{ "code": "rose", "display": "Rose" }] },
            { "code": "blue", "display": "Blue" } ] })
}

fn parameters(list: Value) -> Value {
    json!({ "resourceType": "Parameters", "parameter": list })
}

/// <http://hl7.org/fhir/R4/valueset-operation-expand.html>, by GET and POST, type and instance.
#[actix_web::test]
async fn expand() {
    let server = Server::start();
    let gender = "url=http://hl7.org/fhir/ValueSet/administrative-gender";
    let all = server.get(&format!("/ValueSet/$expand?{gender}")).await.has_status(200).json();
    assert_eq!(codes(&all), ["male", "female", "other", "unknown"]);
    assert_eq!(all["status"], "active");
    let page = format!("/ValueSet/$expand?{gender}&filter=male&count=1&offset=1&_format=json");
    let page = server.get(&page).await.has_status(200).json();
    assert_eq!((codes(&page), &page["expansion"]["total"]), (vec!["female"], &json!(2)));
    let echoed = page["expansion"]["parameter"].as_array().unwrap();
    assert!(echoed.iter().any(|p| p["name"] == "filter" && p["valueString"] == "male"), "{page}");
    let none = format!("/ValueSet/$expand?{gender}&count=0");
    let none = server.get(&none).await.has_status(200).json();
    assert_eq!((codes(&none).len(), &none["expansion"]["total"]), (0, &json!(4)));
    let segments = format!("/ValueSet/$expand?url={OWN}/ValueSet/motion-segment&filter=c5");
    assert_eq!(codes(&server.get(&segments).await.has_status(200).json()), ["C4-C5", "C5-C6"]);
    let inline = json!({ "resourceType": "ValueSet", "status": "draft", "compose": { "include": [
        { "system": "http://hl7.org/fhir/administrative-gender", "filter":
            [{ "property": "code", "op": "regex", "value": ".*male" }] }] } });
    let body = parameters(json!([{ "name": "valueSet", "resource": inline }]));
    for body in [&body, &inline] {
        let expanded = server.post("/ValueSet/$expand", body).await.has_status(200).json();
        assert_eq!(codes(&expanded), ["male", "female"]);
    }
    server.put("/ValueSet/genders", &with_id(inline, "genders")).await.has_status(201);
    let stored = server.get("/ValueSet/genders/$expand?excludeNested=true").await.has_status(200);
    assert_eq!(codes(&stored.json()), ["male", "female"]);
    server.get("/ValueSet/none/$expand").await.is_error(404, "not-found");
}

/// What cannot be expanded is told, never half a list.
#[actix_web::test]
async fn no_silent_part() {
    let server = Server::start();
    let get = async |query: &str| server.get(&format!("/ValueSet/$expand?{query}")).await;
    get("").await.is_error(400, "required");
    get("url=http://a.example/none").await.is_error(404, "not-found");
    get("url=http://hl7.org/fhir/ValueSet/administrative-gender&count=many")
        .await
        .is_error(400, "invalid");
    get("url=http://hl7.org/fhir/ValueSet/administrative-gender&context=a")
        .await
        .is_error(400, "not-supported");
    get("url=http://loinc.org/vs").await.is_error(404, "not-found");
    get("url=http://hl7.org/fhir/ValueSet/all-languages").await.is_error(422, "too-costly");
    let part = json!({ "resourceType": "CodeSystem", "url": "http://a.example/part",
        "status": "active", "content": "fragment", "concept": [{ "code": "a" }] });
    let body = json!({ "resourceType": "Patient" });
    server.post("/ValueSet/$expand", &body).await.is_error(400, "invalid");
    server.post("/ValueSet/$expand", &part).await.is_error(400, "invalid");
    server.send("DELETE", "/ValueSet/$expand", &[], "").await.is_error(405, "not-supported");
    server.get("/CodeSystem/$expand").await.is_error(404, "not-found");
}

/// <http://hl7.org/fhir/R4/valueset-operation-validate-code.html>: "no" is an answer, with 200.
#[actix_web::test]
async fn validate_code_in_a_set() {
    let server = Server::start();
    let ask = async |query: &str| {
        let url = "url=http://hl7.org/fhir/ValueSet/administrative-gender";
        server.get(&format!("/ValueSet/$validate-code?{url}&{query}")).await
    };
    let system = "system=http://hl7.org/fhir/administrative-gender";
    let good = ask(&format!("{system}&code=male")).await.has_status(200).json();
    assert_eq!((part(&good, "result"), part(&good, "display")), (json!(true), json!("Male")));
    let bad = ask(&format!("{system}&code=m")).await.has_status(200).json();
    assert_eq!(part(&bad, "result"), false);
    assert!(part(&bad, "message").is_string());
    let named = ask(&format!("{system}&code=male&display=Man")).await.has_status(200).json();
    assert_eq!(part(&named, "result"), false);
    assert!(part(&named, "message").as_str().unwrap().contains("\"Male\""));
    ask("code=male").await.is_error(400, "required");
    ask("").await.is_error(400, "required");
    let concept = json!({ "coding": [{ "system": "http://a.example", "code": "x" },
        { "system": "http://hl7.org/fhir/administrative-gender", "code": "other" }] });
    let body = parameters(json!([{ "name": "codeableConcept", "valueCodeableConcept": concept },
        { "name": "url", "valueUri": "http://hl7.org/fhir/ValueSet/administrative-gender" }]));
    let found = server.post("/ValueSet/$validate-code", &body).await.has_status(200).json();
    assert_eq!(part(&found, "result"), true);
    let unknown = "url=http://hl7.org/fhir/ValueSet/none&system=s&code=c";
    let unknown = server.get(&format!("/ValueSet/$validate-code?{unknown}")).await;
    unknown.is_error(404, "not-found");
}

/// <http://hl7.org/fhir/R4/codesystem-operation-validate-code.html>: the parameter is `url`.
#[actix_web::test]
async fn validate_code_in_a_system() {
    let server = Server::start();
    let get = async |query: &str| server.get(&format!("/CodeSystem/$validate-code?{query}")).await;
    let url = "url=http://terminology.hl7.org/CodeSystem/v2-0136";
    let good = get(&format!("{url}&code=Y")).await.has_status(200).json();
    assert_eq!((part(&good, "result"), part(&good, "display")), (json!(true), json!("Yes")));
    assert_eq!(part(&get(&format!("{url}&code=maybe")).await.json(), "result"), false);
    let unit = get("url=http://unitsofmeasure.org&code=mm%5BHg%5D").await.has_status(200).json();
    assert_eq!(part(&unit, "result"), true);
    get("system=http://terminology.hl7.org/CodeSystem/v2-0136&code=Y")
        .await
        .is_error(400, "not-supported");
    get("url=http://a.example/none&code=Y").await.is_error(404, "not-found");
    server.put("/CodeSystem/colours", &with_id(colours(), "colours")).await.has_status(201);
    for (code, expected) in [("rose", true), ("green", false)] {
        let path = format!("/CodeSystem/colours/$validate-code?code={code}");
        assert_eq!(part(&server.get(&path).await.has_status(200).json(), "result"), expected);
    }
}

/// <http://hl7.org/fhir/R4/codesystem-operation-lookup.html>: type level only.
#[actix_web::test]
async fn lookup() {
    let server = Server::start();
    let get = async |query: &str| server.get(&format!("/CodeSystem/$lookup?{query}")).await;
    let system = "system=http://terminology.hl7.org/CodeSystem/v3-ActCode";
    let found = get(&format!("{system}&code=AMB")).await.has_status(200).json();
    assert_eq!(
        (part(&found, "name"), part(&found, "display")),
        (json!("v3.ActCode"), json!("ambulatory"))
    );
    let own = get(&format!("system={OWN}/CodeSystem/motion-segment&code=C5-C6")).await;
    let own = own.has_status(200).json();
    assert_eq!(part(&own, "name"), "MotionSegmentCodes");
    let coding = json!({ "system": "http://terminology.hl7.org/CodeSystem/v2-0136", "code": "N" });
    let body = parameters(json!([{ "name": "coding", "valueCoding": coding }]));
    let found = server.post("/CodeSystem/$lookup", &body).await.has_status(200).json();
    assert_eq!(part(&found, "display"), "No");
    get(&format!("{system}&code=none")).await.is_error(404, "not-found");
    get("code=AMB").await.is_error(400, "required");
    get(&format!("{system}&code=AMB&code=IMP")).await.is_error(400, "invalid");
    server.put("/CodeSystem/colours", &with_id(colours(), "colours")).await.has_status(201);
    server.get("/CodeSystem/colours/$lookup?code=red").await.is_error(404, "not-found");
}

/// <http://hl7.org/fhir/R4/codesystem-operation-subsumes.html>.
#[actix_web::test]
async fn subsumes() {
    let server = Server::start();
    server.put("/CodeSystem/colours", &with_id(colours(), "colours")).await.has_status(201);
    let pairs = [
        ("red", "rose", "subsumes"),
        ("rose", "red", "subsumed-by"),
        ("red", "red", "equivalent"),
        ("rose", "blue", "not-subsumed"),
    ];
    for (a, b, expected) in pairs {
        let path = format!("/CodeSystem/colours/$subsumes?codeA={a}&codeB={b}");
        assert_eq!(part(&server.get(&path).await.has_status(200).json(), "outcome"), expected);
    }
    let get = async |query: &str| server.get(&format!("/CodeSystem/$subsumes?{query}")).await;
    let system = format!("system={OWN}/CodeSystem/motion-segment");
    let found = get(&format!("{system}&codeA=cervical&codeB=C5-C6")).await.has_status(200).json();
    assert_eq!(part(&found, "outcome"), "subsumes");
    get(&format!("{system}&codeA=cervical&codeB=none")).await.is_error(404, "not-found");
    get(&format!("{system}&codeA=cervical")).await.is_error(400, "required");
    get("codeA=a&codeB=b").await.is_error(400, "required");
    let coding = |code: &str| json!({ "system": "http://b.example", "code": code });
    let body = parameters(json!([{ "name": "codingA", "valueCoding": coding("red") },
        { "name": "codingB", "valueCoding": coding("rose") }]));
    server.post("/CodeSystem/colours/$subsumes", &body).await.is_error(400, "invalid");
}

/// <http://hl7.org/fhir/R4/conceptmap-operation-translate.html>, over our own maps too.
#[actix_web::test]
async fn translate() {
    let server = Server::start();
    let get = async |query: &str| server.get(&format!("/ConceptMap/$translate?{query}")).await;
    let grade = format!("system={OWN}/CodeSystem/mobility-grade&code=2");
    let map = format!("url={OWN}/ConceptMap/mobility-grade-to-mobility-class&{grade}");
    for query in [map, format!("{grade}&targetsystem={OWN}/CodeSystem/mobility-class")] {
        let answer = get(&query).await.has_status(200).json();
        assert_eq!(part(&answer, "result"), true, "{answer}");
        let list = answer["parameter"].as_array().unwrap();
        let parts = list.iter().find(|p| p["name"] == "match").unwrap()["part"].clone();
        let concept = parts.as_array().unwrap().iter().find(|p| p["name"] == "concept").unwrap();
        assert_eq!(concept["valueCoding"]["code"], "hypomobile");
    }
    get("url=http://a.example/none&system=s&code=c").await.is_error(404, "not-found");
    get("code=2").await.is_error(400, "required");
    let map = json!({ "resourceType": "ConceptMap", "id": "m", "status": "draft", "group": [{
        "source": "http://a.example/colours", "target": "http://b.example", "element": [{
            "code": "red", "target": [{ "code": "r", "equivalence": "equivalent" }] }] }] });
    server.put("/ConceptMap/m", &map).await.has_status(201);
    let query = "system=http://a.example/colours&code=red";
    let answer = server.get(&format!("/ConceptMap/m/$translate?{query}")).await.has_status(200);
    assert_eq!(part(&answer.json(), "result"), true);
    let back = "/ConceptMap/m/$translate?system=http://b.example&code=r&reverse=true";
    assert_eq!(part(&server.get(back).await.has_status(200).json(), "result"), true);
}

/// <http://hl7.org/fhir/R4/http.html#capabilities>: what is offered is told.
#[actix_web::test]
async fn capabilities() {
    let server = Server::start();
    let statement = server.get("/metadata").await.has_status(200).json();
    let of = |kind: &str| {
        let resources = statement["rest"][0]["resource"].as_array().unwrap();
        let resource = resources.iter().find(|resource| resource["type"] == kind).unwrap();
        let list = resource["operation"].as_array().unwrap().iter();
        list.map(|operation| operation["name"].as_str().unwrap()).collect::<Vec<_>>()
    };
    for (kind, names) in [
        ("ValueSet", &["expand", "validate-code"][..]),
        ("CodeSystem", &["lookup", "subsumes", "validate-code"]),
        ("ConceptMap", &["translate"]),
    ] {
        assert!(names.iter().all(|name| of(kind).contains(name)), "{kind}: {:?}", of(kind));
    }
    let terminology = server.get("/metadata?mode=terminology").await.has_status(200).json();
    assert_eq!(terminology["resourceType"], "TerminologyCapabilities");
    let validated = server.post("/TerminologyCapabilities/$validate", &terminology).await;
    let outcome = validated.has_status(200).json();
    let issues = outcome["issue"].as_array().unwrap().iter();
    let errors: Vec<_> = issues.filter(|issue| issue["severity"] == "error").collect();
    assert!(errors.is_empty(), "{errors:#?}");
    server.get("/metadata?mode=nonsense").await.is_error(400, "invalid");
}
