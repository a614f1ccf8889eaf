//! What a token permits, over every path.
//!
//! Source: <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>,
//! <http://hl7.org/fhir/R4/compartmentdefinition-patient.html>.

use std::sync::mpsc;

use serde_json::{Value, json};
use spondyl::access::token::Tokens;
use spondyl::app::App;
use spondyl::config::{Authorisation, Config};
use spondyl::fhir::{Id, Instant, ResourceType};
use spondyl::smart::{Access, Scope};

use crate::client::{Answer, Server, patient, put, reference, with_id};

/// A server that asks for tokens, with tokens for those scopes: each for the patient and the user
/// that stand behind it, where there are any.
struct Guarded {
    server: Server,
    tokens: Vec<String>,
}

type Given<'a> = (&'a str, Option<&'a str>, Option<&'a str>);

impl Guarded {
    /// The first token is for everything.
    fn start(given: &[Given<'_>]) -> Self {
        Self::with(Config::default(), given)
    }

    /// Beside its own store in memory it keeps files there.
    fn in_directory(data: &std::path::Path, given: &[Given<'_>]) -> Self {
        Self::with(Config { data: data.to_owned(), ..Config::default() }, given)
    }

    fn with(config: Config, given: &[Given<'_>]) -> Self {
        let config = Config { access: Authorisation::Smart, ..config };
        let (tell, told) = mpsc::channel();
        let all = [("system/*.cruds", None, None)].iter().chain(given);
        let accesses: Vec<Access> = all.map(|given| access(*given)).collect();
        let server = Server::guarded(config, move |app: &App| {
            let tokens = Tokens::of(app.store.clone());
            for access in &accesses {
                let ends = Instant::from_millis(i64::MAX);
                tell.send(tokens.issue(access, Instant::from_millis(0), ends).unwrap()).unwrap();
            }
        });
        Self { server, tokens: told.iter().collect() }
    }

    async fn send(&self, who: usize, method: &str, path: &str, body: &Value) -> Answer {
        let bearer = format!("Bearer {}", self.tokens[who]);
        let headers = [("Authorization", bearer.as_str()), crate::client::JSON];
        let body = if body.is_null() { String::new() } else { body.to_string() };
        self.server.send(method, path, &headers, body).await
    }

    async fn get(&self, who: usize, path: &str) -> Answer {
        self.send(who, "GET", path, &Value::Null).await
    }

    /// As the one who may do everything.
    async fn put(&self, id: &str, value: &Value) {
        let path = format!("/{}/{id}", value["resourceType"].as_str().unwrap());
        let answer = self.send(0, "PUT", &path, &with_id(value.clone(), id)).await;
        assert!([200, 201].contains(&answer.status), "{}", answer.text);
    }
}

fn access((scopes, patient, user): Given<'_>) -> Access {
    let user = user.map(|user| {
        let (kind, id) = user.split_once('/').unwrap();
        (ResourceType::parse(kind).unwrap(), Id::parse(id).unwrap())
    });
    let patient = patient.map(|id| Id::parse(id).unwrap());
    Access { client: "test".to_owned(), scopes: Scope::all(scopes), patient, user }
}

fn observation(of: &str, code: &str, value: u32) -> Value {
    json!({
        "resourceType": "Observation", "status": "final",
        "category": [{ "coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam" }] }],
        "code": { "coding": [{ "system": "http://example.org/codes", "code": code }] },
        "subject": reference(&format!("Patient/{of}")),
        "encounter": reference(&format!("Encounter/{of}-visit")),
        "performer": [reference("Practitioner/hands")],
        "effectiveDateTime": format!("2026-03-{:02}", 1 + value % 28),
        "valueQuantity": { "value": value, "unit": "deg", "system": "http://unitsofmeasure.org", "code": "deg" },
        "note": [{ "text": format!("mark{of}") }]
    })
}

/// The records of a patient, under ids that begin with the patient's.
fn records(of: &str) -> Vec<(String, Value)> {
    let subject = reference(&format!("Patient/{of}"));
    let (episode, visit) = (format!("{of}-episode"), format!("{of}-visit"));
    let mut named = patient(&format!("Mark{of}"));
    named["generalPractitioner"] = json!([reference("Practitioner/hands")]);
    let mut all = vec![
        (of.to_owned(), named),
        (
            episode.clone(),
            json!({ "resourceType": "EpisodeOfCare", "status": "active",
            "patient": subject, "careManager": reference("Practitioner/hands") }),
        ),
        (
            visit.clone(),
            json!({ "resourceType": "Encounter", "status": "finished",
            "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
            "subject": subject, "episodeOfCare": [reference(&format!("EpisodeOfCare/{episode}"))] }),
        ),
        (
            format!("{of}-condition"),
            json!({ "resourceType": "Condition", "subject": subject,
            "code": { "text": format!("mark{of}") } }),
        ),
        (
            format!("{of}-procedure"),
            json!({ "resourceType": "Procedure", "status": "completed",
            "subject": subject, "encounter": reference(&format!("Encounter/{visit}")) }),
        ),
        (
            format!("{of}-flag"),
            json!({ "resourceType": "Flag", "status": "active",
            "code": { "text": format!("mark{of}") }, "subject": subject }),
        ),
        (
            format!("{of}-letter"),
            json!({ "resourceType": "Composition", "status": "final",
            "type": { "text": "letter" }, "subject": subject, "date": "2026-04-01",
            "author": [reference("Practitioner/hands")], "title": format!("mark{of}") }),
        ),
        (
            format!("{of}-binary"),
            json!({ "resourceType": "Binary", "contentType": "text/plain",
            "securityContext": subject, "data": "bWFyaw==" }),
        ),
        (
            format!("{of}-origin"),
            json!({ "resourceType": "Provenance",
            "target": [reference(&format!("Observation/{of}-o1"))], "recorded": "2026-04-01T00:00:00Z",
            "agent": [{ "who": reference("Practitioner/hands") }] }),
        ),
        (
            format!("{of}-list"),
            json!({ "resourceType": "List", "status": "current", "mode": "working",
            "subject": subject, "entry": [{ "item": reference(&format!("Observation/{of}-o1")) }] }),
        ),
    ];
    for number in 1..=6 {
        let code = ["flexion", "rotation", "pain"][number as usize % 3];
        all.push((format!("{of}-o{number}"), observation(of, code, number * 7)));
    }
    all
}

fn shared() -> Vec<(String, Value)> {
    vec![
        (
            "hands".to_owned(),
            json!({ "resourceType": "Practitioner", "name": [{ "family": "Hands" }] }),
        ),
        ("house".to_owned(), json!({ "resourceType": "Organization", "name": "House" })),
    ]
}

/// Numbers that look random and are the same each time.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % below as u64).unwrap()
    }

    fn pick<'a>(&mut self, from: &[&'a str]) -> &'a str {
        from[self.next(from.len())]
    }
}

const TYPES: [&str; 12] = [
    "Patient",
    "Observation",
    "Encounter",
    "EpisodeOfCare",
    "Condition",
    "Procedure",
    "Flag",
    "Composition",
    "Binary",
    "Provenance",
    "List",
    "Practitioner",
];

/// One request of a client that would like to know of both patients.
fn request(numbers: &mut Numbers) -> String {
    let (who, kind) = (numbers.pick(&["alba", "brun"]), numbers.pick(&TYPES));
    let id = match kind {
        "Patient" => who.to_owned(),
        "Practitioner" => "hands".to_owned(),
        "Observation" => format!("{who}-o{}", 1 + numbers.next(7)),
        _ => {
            let name = numbers.pick(&[
                "episode",
                "visit",
                "condition",
                "procedure",
                "flag",
                "letter",
                "binary",
                "origin",
                "list",
                "gone",
            ]);
            format!("{who}-{name}")
        }
    };
    let code = numbers.pick(&["flexion", "rotation", "pain", "none"]);
    let observation = [
        format!("code={code}"),
        format!("subject=Patient/{who}"),
        format!("patient={who}&code={code}&date=ge2026-03-05"),
        format!("subject:Patient.family=Mark{who}"),
        format!("patient.name=mark{who}&_include=Observation:subject"),
        format!("patient._has:Observation:patient:code={code}"),
        "value-quantity=gt10||deg&_sort=-date".to_owned(),
        format!("code:not={code}&_sort=date&_count=3"),
        format!("encounter.episode-of-care.patient={who}"),
        "_sort=-_lastUpdated&_count=4".to_owned(),
        format!("_id={who}-o1,{who}-o2,alba-o3"),
        format!("_list={who}-list"),
        "performer.name=hands&_include=Observation:*&_revinclude=*:*".to_owned(),
        format!("_has:Provenance:target:agent=Practitioner/hands&_text=mark{who}"),
        format!("_content=mark{who}"),
    ];
    let of_others = [
        format!("_has:Observation:patient:code={code}"),
        format!("_id={who}"),
        "_summary=count".to_owned(),
        "_total=accurate&_count=1".to_owned(),
        "_revinclude=Observation:subject&_revinclude=Provenance:target".to_owned(),
        "_include:iterate=*:*".to_owned(),
        format!("_lastUpdated=gt2020&_id:not={who}"),
        "_count=2&_sort=_id".to_owned(),
    ];
    let of_all = of_others[numbers.next(of_others.len())].clone();
    match numbers.next(14) {
        0 => format!("/{kind}/{id}"),
        1 => format!("/{kind}/{id}/_history"),
        2 => format!("/{kind}/{id}/_history/{}", 1 + numbers.next(3)),
        3 => format!("/{kind}?{of_all}"),
        4 => format!("/{kind}/_history?_count={}", 1 + numbers.next(9)),
        5 => format!(
            "/Patient/{who}/{}?_count=3",
            numbers.pick(&["*", "Observation", "Condition", "List"])
        ),
        6 => format!("/Practitioner/hands/{}", numbers.pick(&["Observation", "Composition"])),
        7 => format!("/Patient/{who}/$everything?_count={}", 3 + numbers.next(20)),
        8 => format!(
            "/EpisodeOfCare/{who}-episode/${}",
            numbers.pick(&["everything", "episode-summary", "consistency"])
        ),
        9 => format!("/Observation/$lastn?patient={who}&category=exam&max=2"),
        10 => format!(
            "/Observation/$stats?subject=Patient/{who}&code={code}&system=http://example.org/codes&statistic=count,maximum"
        ),
        11 => format!("?_type=Observation,Patient,Flag&_count={}&_sort=_id", 1 + numbers.next(30)),
        12 => format!("/Composition/{who}-letter/$document"),
        _ => format!("/Observation?{}", observation[numbers.next(observation.len())]),
    }
}

/// The answer without what differs between two servers: times, numbers of commits, their addresses.
fn plain(server: &Server, answer: &Answer) -> String {
    let uuids =
        regex::Regex::new("[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}").unwrap();
    let times = regex::Regex::new(r"20\d\d-\d\d-\d\dT[\d:.]+(Z|\+00:00)").unwrap();
    let text = answer.text.replace(&server.base(), "BASE");
    let text = uuids.replace_all(&text, "UUID");
    let text = times.replace_all(&text, "TIME").into_owned();
    let mut value: Value = serde_json::from_str(&text).unwrap_or(Value::String(text));
    strip(&mut value);
    format!("{} {value}", answer.status)
}

fn strip(value: &mut Value) {
    match value {
        Value::Object(object) => {
            for name in ["lastUpdated", "lastModified", "timestamp", "fullUrl"] {
                object.remove(name);
            }
            if object.get("relation").is_some_and(|relation| relation != "self") {
                object.remove("url");
            }
            if object.get("resourceType") == Some(&json!("Bundle")) {
                object.remove("id");
            }
            if object.contains_key("identifier") && object.get("type") == Some(&json!("document")) {
                object.remove("identifier");
            }
            object.values_mut().for_each(strip);
        }
        Value::Array(items) => items.iter_mut().for_each(strip),
        Value::String(text) if text.starts_with("_page=") => text.clear(),
        _ => {}
    }
}

/// Two servers: one has the records of two patients, of whom the client may see one; the other has
/// only those. Whatever is asked, both say the same: no mark, id or count of the other patient shows.
#[actix_web::test]
async fn as_if_the_other_patient_were_not_there() {
    let guarded = Guarded::start(&[("patient/*.rs", Some("alba"), None)]);
    let twin = Server::start();
    // Turn by turn, so that the two servers have the same order of times.
    for ((id, ours), (other_id, others)) in records("alba").into_iter().zip(records("brun")) {
        guarded.put(&other_id, &others).await;
        guarded.put(&id, &ours).await;
        put(&twin, &id, ours).await;
    }
    for (id, value) in shared() {
        guarded.put(&id, &value).await;
        put(&twin, &id, value).await;
    }
    let both = json!({ "resourceType": "Group", "type": "person", "actual": true, "member":
        [{ "entity": reference("Patient/alba") }, { "entity": reference("Patient/brun") }] });
    guarded.put("both", &both).await;
    for (kind, id) in [("Flag", "alba-gone"), ("Flag", "brun-gone")] {
        let of = id.split('-').next().unwrap();
        let flag = json!({ "resourceType": "Flag", "status": "active", "code": { "text": "x" },
            "subject": reference(&format!("Patient/{of}")) });
        guarded.put(id, &flag).await;
        guarded.send(0, "DELETE", &format!("/{kind}/{id}"), &Value::Null).await.has_status(204);
        if of == "alba" {
            put(&twin, id, flag).await;
            twin.delete(&format!("/{kind}/{id}")).await.has_status(204);
        }
    }
    let count =
        std::env::var("SPONDYL_LEAKS").ok().and_then(|text| text.parse().ok()).unwrap_or(1500);
    let mut numbers = Numbers(0x5EED);
    let mut good = 0;
    for _ in 0..count {
        let path = request(&mut numbers);
        let (seen, told) = (guarded.get(1, &path).await, twin.get(&path).await);
        let (left, right) = (plain(&guarded.server, &seen), plain(&twin, &told));
        assert_eq!(left, right, "{path}");
        let marked =
            seen.text.to_lowercase().replace(&path.to_lowercase(), "").contains("markbrun");
        assert!(!marked || path.to_lowercase().contains("markbrun"), "{path}: {}", seen.text);
        good += usize::from(seen.status == 200);
    }
    assert!(good * 2 > count, "only {good} of {count} were answered");
}

/// A version that was about another patient is that patient's.
#[actix_web::test]
async fn versions_are_judged_by_what_they_say() {
    let guarded = Guarded::start(&[
        ("patient/*.rs", Some("alba"), None),
        ("patient/*.rs", Some("brun"), None),
    ]);
    for id in ["alba", "brun"] {
        guarded.put(id, &patient(id)).await;
    }
    for of in ["brun", "alba"] {
        guarded.put("moved", &observation(of, "pain", 3)).await;
    }
    let version = |number: u32| format!("/Observation/moved/_history/{number}");
    guarded.get(1, &version(1)).await.is_error(404, "not-found");
    guarded.get(1, &version(2)).await.has_status(200);
    guarded.get(2, &version(1)).await.has_status(200);
    guarded.get(2, &version(2)).await.is_error(404, "not-found");
    guarded.get(2, "/Observation/moved").await.is_error(404, "not-found");
    for (who, count) in [(1, 1), (2, 1), (0, 2)] {
        let history = guarded.get(who, "/Observation/_history").await.json();
        assert_eq!(history["entry"].as_array().unwrap().len(), count, "{history}");
    }
    guarded.send(0, "DELETE", "/Observation/moved", &Value::Null).await.has_status(204);
    guarded.get(1, "/Observation/moved").await.is_error(410, "deleted");
    guarded.get(2, "/Observation/moved").await.is_error(404, "not-found");
}

/// The examples of "Scopes for requesting FHIR Resources" with criteria, and each letter.
#[actix_web::test]
async fn scopes_permit_what_they_say_and_no_more() {
    let category = "http://terminology.hl7.org/CodeSystem/observation-category";
    let exams = format!("system/Observation.rs?category={category}|exam");
    let guarded = Guarded::start(&[
        (&exams, None, None),
        ("system/Patient.r", None, None),
        ("system/Patient.s", None, None),
        ("system/Patient.c system/Patient.r", None, None),
        ("system/Patient.rud", None, None),
        ("patient/Observation.cruds", Some("alba"), None),
        ("user/*.rs", None, Some("Practitioner/hands")),
        ("openid", None, None),
    ]);
    for (id, value) in records("alba").into_iter().chain(shared()) {
        guarded.put(&id, &value).await;
    }
    let mut survey = observation("alba", "pain", 4);
    survey["category"][0]["coding"][0]["code"] = json!("survey");
    guarded.put("survey", &survey).await;
    guarded.put("cael", &patient("cael")).await;
    guarded.put("cael-o", &observation("cael", "pain", 2)).await;

    // Criteria.
    guarded.get(1, "/Observation/alba-o1").await.has_status(200);
    guarded.get(1, "/Observation/survey").await.is_error(404, "not-found");
    let all = guarded.get(1, "/Observation?_summary=count").await.json();
    assert_eq!(all["total"], 7);
    guarded.get(1, "/Patient/alba").await.is_error(403, "forbidden");
    // r and s.
    guarded.get(2, "/Patient/alba").await.has_status(200);
    guarded.get(2, "/Patient/alba/_history").await.has_status(200);
    guarded.get(2, "/Patient").await.is_error(403, "forbidden");
    guarded.get(3, "/Patient").await.has_status(200);
    guarded.get(3, "/Patient/alba").await.is_error(403, "forbidden");
    guarded.get(3, "/Patient/_history").await.has_status(200);
    // c.
    let fresh = patient("Fresh");
    guarded.send(4, "POST", "/Patient", &fresh).await.has_status(201);
    let path = "/Patient/alba";
    guarded.send(4, "PUT", path, &with_id(fresh.clone(), "alba")).await.is_error(403, "forbidden");
    guarded.send(4, "DELETE", path, &Value::Null).await.is_error(403, "forbidden");
    guarded.send(2, "POST", "/Patient", &fresh).await.is_error(403, "forbidden");
    // u and d, also in Bundles.
    guarded.send(5, "PUT", "/Patient/cael", &with_id(fresh.clone(), "cael")).await.has_status(200);
    let entry = |method: &str, url: &str, resource: &Value| json!({ "request": { "method": method, "url": url }, "resource": resource });
    let bundle = |kind: &str, entries: Vec<Value>| json!({ "resourceType": "Bundle", "type": kind, "entry": entries });
    let post = bundle("transaction", vec![entry("POST", "Patient", &fresh)]);
    guarded.send(5, "POST", "", &post).await.is_error(403, "forbidden");
    let get = bundle(
        "batch",
        vec![
            json!({ "request": { "method": "GET", "url": "Patient/alba" } }),
            json!({ "request": { "method": "GET", "url": "Patient?_id=alba" } }),
            json!({ "request": { "method": "GET", "url": "Observation/alba-o1" } }),
        ],
    );
    let answer = guarded.send(5, "POST", "", &get).await.has_status(200).json();
    let statuses: Vec<&str> = answer["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| e["response"]["status"].as_str().unwrap())
        .collect();
    assert_eq!(statuses.iter().map(|s| &s[..3]).collect::<Vec<_>>(), ["200", "403", "403"]);
    guarded.send(5, "DELETE", "/Patient/cael", &Value::Null).await.has_status(204);
    // A patient's own: nothing of another is written, or made another's.
    let own = observation("alba", "new", 1);
    guarded.send(6, "POST", "/Observation", &own).await.has_status(201);
    let others = observation("cael", "new", 1);
    guarded.send(6, "POST", "/Observation", &others).await.is_error(403, "forbidden");
    let away = with_id(others, "alba-o1");
    guarded.send(6, "PUT", "/Observation/alba-o1", &away).await.is_error(403, "forbidden");
    let taken = with_id(observation("alba", "new", 1), "cael-o");
    guarded.send(6, "PUT", "/Observation/cael-o", &taken).await.is_error(403, "forbidden");
    let unseen = guarded.send(6, "DELETE", "/Observation/cael-o", &Value::Null).await;
    assert!(unseen.status == 204 || unseen.status == 200, "{}", unseen.text);
    guarded.get(0, "/Observation/cael-o").await.has_status(200);
    // A practitioner sees the patients in their care.
    guarded.get(7, "/Flag/alba-flag").await.has_status(200);
    guarded.get(7, "/Patient/cael").await.is_error(404, "not-found");
    // What they recorded themselves is theirs to see (the practitioner's compartment).
    guarded.get(7, "/Observation/cael-o").await.has_status(200);
    // No scope about resources.
    guarded.get(8, "/Patient/alba").await.is_error(403, "forbidden");
}

/// RFC 6750, section 3: without a good token 401 with a challenge.
#[actix_web::test]
async fn without_a_good_token_nothing_is_told() {
    let guarded = Guarded::start(&[]);
    guarded.put("alba", &patient("Alba")).await;
    for headers in
        [vec![], vec![("Authorization", "Bearer none")], vec![("Authorization", "Basic eDp5")]]
    {
        for path in [
            "/Patient/alba",
            "/Patient",
            "/Patient/_history",
            "/Patient/alba/$everything",
            "?_id=alba",
        ] {
            let answer =
                guarded.server.send("GET", path, &headers, "").await.is_error(401, "login");
            assert!(answer.header("WWW-Authenticate").starts_with("Bearer"));
        }
        guarded.server.send("GET", "/metadata", &headers, "").await.has_status(200);
    }
}

/// An export has what the token permits, and is its client's (Bulk Data Access 3.0.0, "Security
/// Considerations").
#[actix_web::test]
async fn an_export_is_within_the_token_and_its_clients() {
    let data = tempfile::TempDir::new().unwrap();
    let guarded = Guarded::in_directory(data.path(), &[
        ("patient/*.rs", Some("alba"), None),
        ("system/Observation.rs", None, None),
    ]);
    for (id, value) in records("alba").into_iter().chain(records("brun")).chain(shared()) {
        guarded.put(&id, &value).await;
    }
    for (who, path, expected) in [
        (1, "/$export", vec!["Composition", "Observation", "Patient", "Practitioner"]),
        (1, "/Patient/$export", vec!["Composition", "Observation", "Patient"]),
        (2, "/$export", vec!["Observation"]),
    ] {
        let bearer = format!("Bearer {}", guarded.tokens[who]);
        let headers = [("Authorization", bearer.as_str()), ("Prefer", "respond-async")];
        let begun = guarded.server.send("GET", path, &headers, "").await.has_status(202);
        let url = begun.header("Content-Location").to_owned();
        let manifest = loop {
            let state = guarded.server.send("GET", &url, &headers, "").await;
            if state.status == 200 {
                break state.json();
            }
            state.has_status(202);
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        };
        assert_eq!(manifest["requiresAccessToken"], true);
        let mut kinds = Vec::new();
        for output in manifest["output"].as_array().unwrap() {
            kinds.push(output["type"].as_str().unwrap().to_owned());
            let file = output["url"].as_str().unwrap();
            let lines = guarded.server.send("GET", file, &headers, "").await.has_status(200).text;
            assert!(who == 2 || !lines.contains("brun"), "{lines}");
            guarded.server.get(file).await.is_error(401, "login");
        }
        assert!(expected.iter().all(|kind| kinds.iter().any(|own| own == kind)), "{kinds:?}");
        assert!(who != 2 || kinds == ["Observation"], "{kinds:?}");
    }
    // A client without any scope for Patient or Group.
    let bearer = format!("Bearer {}", guarded.tokens[2]);
    let headers = [("Authorization", bearer.as_str()), ("Prefer", "respond-async")];
    for path in ["/Patient/$export", "/Group/both/$export"] {
        guarded.server.send("GET", path, &headers, "").await.is_error(403, "forbidden");
    }
}

/// RFC 6585, section 4: 429 with `Retry-After`, for each client by itself.
#[actix_web::test]
async fn who_asks_too_often_is_told_to_wait() {
    let config = Config { rate: std::num::NonZeroU32::new(5), ..Config::default() };
    let server = Server::with(config);
    let mut refused = 0;
    for _ in 0..40 {
        let answer = server.get("/metadata?mode=terminology").await;
        if answer.status == 429 {
            assert!(!answer.header("Retry-After").is_empty());
            answer.is_error(429, "throttled");
            refused += 1;
        }
    }
    assert!(refused > 10, "{refused}");
}
