//! One form of answer, whatever is refused and wherever it came from:
//! <http://hl7.org/fhir/R4/operationoutcome.html>.

use std::num::NonZeroUsize;

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{Answer, JSON, Server, told as with_text};

/// Message id, expression, line and column of an issue.
type Told = (String, String, Option<(u64, u64)>);

fn told(answer: &Answer) -> Vec<Told> {
    let outcome = answer.json();
    let issues = outcome["issue"].as_array().unwrap().iter();
    let each = issues.map(|issue| {
        let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
        let number = |name: &str| {
            let mut parts = issue["extension"].as_array()?.iter();
            parts.find(|part| part["url"].as_str().unwrap().ends_with(name))?["valueInteger"]
                .as_u64()
        };
        let place = number("issue-line").zip(number("issue-col"));
        let location = place.map(|(line, column)| format!("line {line}, column {column}"));
        assert_eq!(issue["location"][0].as_str(), location.as_deref());
        let coding = &issue["details"]["coding"][0];
        assert_eq!(coding["system"], "https://spondyl.example/fhir/CodeSystem/message-id");
        (text(&coding["code"]), text(&issue["expression"][0]), place)
    });
    each.collect()
}

const BAD: &str = "{\n  \"resourceType\": \"Patient\",\n  \"id\": \"p1\",\n  \"gender\": \"x\",\n  \
                   \"birthDate\": \"2023-02-30\"\n}";

fn expected(prefix: &str, lines: (u64, u64), columns: (u64, u64)) -> Vec<Told> {
    let one =
        |id: &str, name: &str, place| (id.to_owned(), format!("{prefix}.{name}"), Some(place));
    vec![
        one("binding-required", "gender", (lines.0, columns.0)),
        one("no-such-day", "birthDate", (lines.1, columns.1)),
    ]
}

#[actix_web::test]
async fn the_same_from_every_door() {
    let server = Server::start();
    let sorted = |answer: Answer| {
        let mut told = told(&answer);
        // Good practice is told by $validate only.
        told.retain(|(id, _, _)| id != "narrative-missing");
        told.sort_by_key(|(_, _, place)| *place);
        told
    };
    let here = expected("Patient", (4, 5), (3, 3));
    for (method, path, status) in [
        ("POST", "/Patient", 422),
        ("PUT", "/Patient/p1", 422),
        ("POST", "/Patient/$validate", 200),
    ] {
        let answer = server.send(method, path, &[JSON], BAD).await.has_status(status);
        assert_eq!(sorted(answer), here, "{path}");
    }
    let transaction = format!(
        "{{\"resourceType\":\"Bundle\",\"type\":\"transaction\",\"entry\":[\n{{\"request\":{{\"method\":\
         \"DELETE\",\"url\":\"Patient/a\"}}}},\n{{\"resource\":{BAD},\n\"request\":{{\"method\":\"PUT\",\
         \"url\":\"Patient/p1\"}}}}]}}"
    );
    let answer = server.send("POST", "", &[JSON], transaction).await.has_status(422);
    assert_eq!(sorted(answer), expected("Bundle.entry[1].resource", (6, 7), (3, 3)));
    assert_eq!(server.versions().await, 0);
}

/// Warnings of what was stored have their places too.
#[actix_web::test]
async fn warnings_of_a_write() {
    let server = Server::start();
    let body = "{\"resourceType\":\"Patient\",\n\"name\":[{\"family\":\" \"}]}";
    let prefer = ("Prefer", "return=OperationOutcome");
    let answer = server.send("POST", "/Patient", &[JSON, prefer], body).await.has_status(201);
    let expected = ("text-blank".to_owned(), "Patient.name[0].family".to_owned(), Some((2, 10)));
    assert_eq!(told(&answer), [expected]);
    let good = "{\"resourceType\":\"Patient\",\"active\":true}";
    let answer = server.send("POST", "/Patient", &[JSON, prefer], good).await.has_status(201);
    assert_eq!(told(&answer), [("all-well".to_owned(), "-".to_owned(), None)]);
}

/// What cannot be read has one issue, with the place where reading stopped.
#[actix_web::test]
async fn what_cannot_be_read() {
    let server = Server::start();
    for (body, expected) in [
        ("{\"resourceType\":\"Patient\",\n \"name\":[{]}", ("malformed", "name[0]", Some((2, 11)))),
        ("{\"resourceType\":\n\"Hat\"}", ("not-a-resource", "resourceType", Some((1, 1)))),
    ] {
        let answer = server.send("POST", "/Patient", &[JSON], body).await.has_status(400);
        let (id, place, position) = expected;
        assert_eq!(told(&answer), [(id.to_owned(), place.to_owned(), position)]);
    }
}

/// The worst are told first, and how many are left out.
#[actix_web::test]
async fn not_more_than_configured() {
    let server =
        Server::with(Config { max_issues: NonZeroUsize::new(3).unwrap(), ..Config::default() });
    let names: Vec<Value> = (0..10).map(|_| json!({ "family": " ", "use": "x" })).collect();
    let body = json!({ "resourceType": "Patient", "name": names });
    for (path, status) in [("/Patient", 422), ("/Patient/$validate", 200)] {
        let body = with_text(body.clone());
        let answer = server.post(path, &body).await.has_status(status);
        let ids: Vec<String> = told(&answer).into_iter().map(|(id, _, _)| id).collect();
        let worst = "binding-required";
        assert_eq!(ids, [worst, worst, worst, "issues-left-out"], "{path}");
        let last = answer.json()["issue"][3]["diagnostics"].as_str().unwrap().to_owned();
        assert_eq!(last, "17 more issues are left out, of them 7 errors.");
    }
}

/// The ids are a code system that the server has.
#[actix_web::test]
async fn ids_are_codes() {
    let server = Server::start();
    let answer = server.send("POST", "/Patient", &[JSON], BAD).await.has_status(422);
    let outcome = answer.json();
    let check = server.post("/OperationOutcome/$validate", &outcome).await.has_status(200);
    let errors = check.json()["issue"].as_array().unwrap().iter().any(|i| i["severity"] == "error");
    assert!(!errors, "{}", check.text);
    let mut other = outcome.clone();
    other["issue"][0]["details"]["coding"][0]["code"] = json!("no-such-id");
    let check = server.post("/OperationOutcome/$validate", &other).await.has_status(200);
    assert!(check.text.contains("code-unknown"), "{}", check.text);
}

/// Places are told in XML, in patches, and in each entry of a batch as well.
#[actix_web::test]
async fn places_in_all_that_is_sent() {
    let server = Server::start();
    let json = ("Accept", "application/fhir+json");
    let place = |answer: Value, path: &str| {
        let issue = answer.pointer(path).unwrap_or_else(|| panic!("{answer}")).clone();
        (issue["expression"][0].as_str().unwrap().to_owned(), issue["location"][0].clone())
    };
    let xml = "<Patient xmlns=\"http://hl7.org/fhir\">\n <name><family value=\"A\"/></name>\n  \
               <gender value=\"x\"/></Patient>";
    let kind = ("Content-Type", "application/fhir+xml");
    let answer =
        server.send("POST", "/Patient", &[kind, json], xml).await.is_error(422, "code-invalid");
    let expected = ("Patient.gender".to_owned(), json!("line 3, column 3"));
    assert_eq!(place(answer.json(), "/issue/0"), expected);
    let checked =
        server.send("POST", "/Patient/$validate", &[kind, json], xml).await.has_status(200);
    let issues = checked.json();
    let found = issues["issue"].as_array().unwrap().iter().position(|i| i["severity"] == "error");
    assert_eq!(place(issues.clone(), &format!("/issue/{}", found.unwrap())), expected);

    server
        .put("/Patient/p1", &json!({ "resourceType": "Patient", "id": "p1" }))
        .await
        .has_status(201);
    let kind = ("Content-Type", "application/json-patch+json");
    for (patch, status, code) in [
        (
            "[{\"op\":\"add\",\"path\":\"/active\",\"value\":true},\n {\"op\":\"remove\",\"path\":\"/x\"}]",
            422,
            "processing",
        ),
        (
            "[{\"op\":\"add\",\"path\":\"/active\",\"value\":true},\n {\"op\":\"test\",\"path\":\"/active\",\"value\":1}]",
            409,
            "conflict",
        ),
        (
            "[{\"op\":\"add\",\"path\":\"/active\",\"value\":true},\n {\"op\":\"turn\"}]",
            400,
            "invalid",
        ),
    ] {
        let answer = server.send("PATCH", "/Patient/p1", &[kind, json], patch).await;
        let answer = answer.is_error(status, code).json();
        assert_eq!(place(answer, "/issue/0"), ("patch[1]".to_owned(), json!("line 2, column 2")));
    }
    // The element at fault is none of the patch's.
    let wrong = "[{\"op\":\"add\",\"path\":\"/gender\",\"value\":\"x\"}]";
    let answer = server.send("PATCH", "/Patient/p1", &[kind, json], wrong).await;
    let answer = answer.is_error(422, "code-invalid").json();
    assert!(answer["issue"][0].get("location").is_none(), "{answer}");

    let batch = "{\"resourceType\":\"Bundle\",\"type\":\"batch\",\"entry\":[\n {\"resource\":{\"resourceType\":\"Patient\",\n\
                 \"gender\":\"x\"},\"request\":{\"method\":\"POST\",\"url\":\"Patient\"}},\n\
                 {\"request\":{\"method\":\"GET\",\n\"url\":\"no/such/thing/at/all\"}}]}";
    let answer = server.send("POST", "", &[JSON], batch).await.has_status(200).json();
    let first = place(answer.clone(), "/entry/0/response/outcome/issue/0");
    assert_eq!(first, ("Patient.gender".to_owned(), json!("line 3, column 1")));
    let second = place(answer, "/entry/1/response/outcome/issue/0");
    assert_eq!(second, ("entry.request.url".to_owned(), json!("line 5, column 1")));
}
