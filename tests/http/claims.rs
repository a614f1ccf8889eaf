//! What the CapabilityStatement claims, by calling it; and what it does not claim, by trying it.
//!
//! The statement is the list of cases: a claim of a kind that is not tried here fails the test.
//! Source: <http://hl7.org/fhir/R4/http.html#capabilities>,
//! <http://hl7.org/fhir/R4/capabilitystatement.html>.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use spondyl::config::Config;

use crate::client::{JSON, Server};

/// Interactions are the same whatever the content is; so content is not checked here, and the
/// smallest resource of each type does.
fn lenient() -> Server {
    Server::with(Config { validation: vec!["*=off".to_owned()], ..Config::default() })
}

async fn statement(server: &Server) -> Value {
    server.get("/metadata").await.has_status(200).json()
}

fn list<'a>(value: &'a Value, name: &str) -> &'a [Value] {
    value[name].as_array().map(Vec::as_slice).unwrap_or_default()
}

fn texts(value: &Value, name: &str, member: &str) -> BTreeSet<String> {
    list(value, name).iter().map(|item| item[member].as_str().unwrap().to_owned()).collect()
}

const AS_JSON: (&str, &str) = ("Accept", "application/fhir+json");

/// One type, with what the statement says of it.
struct Stated<'a> {
    server: &'a Server,
    kind: &'a str,
    claims: &'a Value,
}

impl Stated<'_> {
    fn body(&self, id: &str) -> Value {
        json!({ "resourceType": self.kind, "id": id, "language": "en" })
    }

    async fn put(&self, id: &str, status: u16) {
        let path = format!("/{}/{id}", self.kind);
        self.server.put(&path, &self.body(id)).await.has_status(status);
    }

    async fn call(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> u16 {
        let path = format!("/{}{path}", self.kind);
        let answer = self.server.send(method, &path, headers, body.to_owned()).await;
        let told = format!("{method} {path} {headers:?}: {}", answer.text);
        assert!(answer.status < 500, "{told}");
        answer.status
    }

    /// Each interaction that is named; `a` is there in one version when it is tried.
    async fn interactions(&self) {
        let claimed = texts(self.claims, "interaction", "code");
        assert!(!claimed.is_empty());
        for code in &claimed {
            let kind = self.kind;
            let body = self.body("a").to_string();
            let patch = r#"[{"op":"replace","path":"/language","value":"de"}]"#;
            let json_patch = [("Content-Type", "application/json-patch+json")];
            let (status, expected) = match code.as_str() {
                "read" => (self.call("GET", "/a", &[AS_JSON], "").await, 200),
                "vread" => (self.call("GET", "/a/_history/1", &[AS_JSON], "").await, 200),
                "update" => (self.call("PUT", "/a", &[JSON], &body).await, 200),
                "patch" => (self.call("PATCH", "/a", &json_patch, patch).await, 200),
                "delete" => {
                    self.put("gone", 201).await;
                    let status = self.call("DELETE", "/gone", &[], "").await;
                    assert_eq!(self.call("GET", "/gone", &[AS_JSON], "").await, 410, "{kind}");
                    (status, 204)
                }
                "history-instance" => (self.call("GET", "/a/_history", &[], "").await, 200),
                "history-type" => (self.call("GET", "/_history", &[], "").await, 200),
                "create" => (self.call("POST", "", &[JSON], &body).await, 201),
                "search-type" => {
                    let form = [("Content-Type", "application/x-www-form-urlencoded")];
                    let posted = self.call("POST", "/_search", &form, "_id=a").await;
                    assert_eq!(posted, 200, "{kind}");
                    (self.call("GET", "?_id=a", &[], "").await, 200)
                }
                other => panic!("{other} is claimed but not tried"),
            };
            assert_eq!(status, expected, "{kind} {code}");
        }
    }

    /// Each of the claims beside interactions.
    async fn conduct(&self) {
        let kind = self.kind;
        self.put("b", 201).await;
        for (name, value) in self.claims.as_object().unwrap() {
            let body = self.body("b").to_string();
            match (name.as_str(), value) {
                ("type" | "profile" | "interaction" | "searchParam" | "operation", _) => {}
                ("extension", Value::Array(topics)) => {
                    assert!(
                        !topics.is_empty() && kind == "Subscription",
                        "shown by tests/http/notify.rs"
                    );
                }
                // The guide's own profile is not held; what it asks is shown by tests/http/notify.rs.
                ("supportedProfile", _) if kind == "Subscription" => {}
                ("versioning", Value::String(code)) => {
                    // Only a server that requires If-Match may claim more.
                    assert_eq!(code, "versioned");
                    let stale = [JSON, ("If-Match", "W/\"77\"")];
                    assert_eq!(self.call("PUT", "/b", &stale, &body).await, 412, "{kind}");
                }
                ("readHistory", Value::Bool(true)) => {
                    self.put("b", 200).await;
                    let first = self.call("GET", "/b/_history/1", &[AS_JSON], "").await;
                    assert_eq!(first, 200, "{kind}");
                }
                ("updateCreate", Value::Bool(true)) => self.put("chosen", 201).await,
                ("conditionalCreate", Value::Bool(true)) => {
                    let there = [JSON, ("If-None-Exist", "_id=b")];
                    assert_eq!(self.call("POST", "", &there, &body).await, 200, "{kind}");
                    let none = [JSON, ("If-None-Exist", "_id=none")];
                    assert_eq!(self.call("POST", "", &none, &body).await, 201, "{kind}");
                }
                ("conditionalRead", Value::String(code)) => {
                    assert_eq!(code, "full-support");
                    for known in [
                        ("If-None-Match", "*"),
                        ("If-Modified-Since", "Thu, 01 Jan 2099 00:00:00 GMT"),
                    ] {
                        assert_eq!(
                            self.call("GET", "/b", &[AS_JSON, known], "").await,
                            304,
                            "{kind}"
                        );
                    }
                }
                ("conditionalUpdate", Value::Bool(true)) => {
                    assert_eq!(self.call("PUT", "?_id=b", &[JSON], &body).await, 200, "{kind}");
                }
                ("conditionalDelete", Value::String(code)) => {
                    assert_eq!(code, "single");
                    self.put("c", 201).await;
                    let several = self.call("DELETE", "?_id=b,c", &[], "").await;
                    assert_eq!(several, 412, "{kind}");
                    assert_eq!(self.call("DELETE", "?_id=c", &[], "").await, 204, "{kind}");
                }
                ("supportedProfile", Value::Array(profiles)) => {
                    for profile in profiles {
                        let path = format!("/$validate?profile={}", profile.as_str().unwrap());
                        let status = self.call("POST", &path, &[JSON], &body).await;
                        assert_eq!(status, 200, "{kind} {profile}");
                    }
                }
                ("referencePolicy", Value::Array(codes)) => {
                    assert_eq!(*codes, ["literal", "logical"], "shown by tests/http/policy.rs");
                }
                other => panic!("{other:?} is claimed but not tried"),
            }
        }
    }

    /// Each format and each format of patches.
    async fn formats(&self, statement: &Value) {
        for format in list(statement, "format") {
            let format = format.as_str().unwrap();
            let path = format!("/{}/a?_format={}", self.kind, format.replace('+', "%2B"));
            let answer = self.server.get(&path).await.has_status(200);
            let short = format.rsplit(['/', '+']).next().unwrap();
            let sent = answer.header("Content-Type");
            assert_eq!(sent, format!("application/fhir+{short};charset=utf-8"), "{path}");
            let kind = format!("application/fhir+{short};charset=utf-8");
            let headers = [("Content-Type", kind.as_str()), AS_JSON];
            assert_eq!(self.call("PUT", "/a", &headers, &answer.text).await, 200);
        }
        for format in list(statement, "patchFormat") {
            let format = format.as_str().unwrap();
            let parameters = json!({ "resourceType": "Parameters", "parameter": [
                { "name": "operation", "part": [
                    { "name": "type", "valueCode": "replace" },
                    { "name": "path", "valueString": format!("{}.language", self.kind) },
                    { "name": "value", "valueCode": "fr" },
            ] }] });
            let body = match format {
                "application/json-patch+json" => {
                    r#"[{"op":"replace","path":"/language","value":"fr"}]"#.to_owned()
                }
                "application/fhir+json" => parameters.to_string(),
                "application/fhir+xml" => {
                    let model = spondyl::definitions::model::Model::shared().unwrap();
                    let text = spondyl::xml::write(model, &parameters, false).unwrap();
                    String::from_utf8(text).unwrap()
                }
                other => panic!("{other} is claimed but not tried"),
            };
            self.put("a", 200).await;
            let headers = [("Content-Type", format)];
            assert_eq!(
                self.call("PATCH", "/a", &headers, &body).await,
                200,
                "{} {format}",
                self.kind
            );
            let read = self.server.send("GET", &format!("/{}/a", self.kind), &[AS_JSON], "").await;
            assert_eq!(read.json()["language"], "fr", "{} {format}", self.kind);
        }
    }

    /// Each operation is known somewhere; those of other types are not.
    async fn operations(&self, all: &BTreeSet<String>) {
        let claimed = texts(self.claims, "operation", "name");
        for name in all {
            let mut known = Vec::new();
            for path in [format!("/${name}"), format!("/a/${name}")] {
                let answer = self.call("OPTIONS", &path, &[], "").await;
                assert!([204, 404].contains(&answer), "{} {path}", self.kind);
                known.extend((answer == 204).then_some(path));
            }
            assert_eq!(!known.is_empty(), claimed.contains(name), "{} {name}", self.kind);
            for path in known {
                let body = json!({ "resourceType": "Parameters" }).to_string();
                let status = self.call("POST", &path, &[JSON], &body).await;
                assert!(![405, 415].contains(&status), "{} {path}: {status}", self.kind);
            }
        }
    }
}

/// Every type with every interaction, condition, format and operation that the statement claims.
#[actix_web::test]
async fn claims_about_types_hold() {
    let server = lenient();
    let statement = statement(&server).await;
    let resources = list(&statement["rest"][0], "resource");
    let all = resources.iter().flat_map(|claims| texts(claims, "operation", "name")).collect();
    for claims in resources {
        let kind = claims["type"].as_str().unwrap();
        let claims = Stated { server: &server, kind, claims };
        claims.put("a", 201).await;
        claims.interactions().await;
        claims.conduct().await;
        claims.formats(&statement).await;
        claims.operations(&all).await;
    }
}

/// What the statement says of the whole.
#[actix_web::test]
async fn claims_about_the_system_hold() {
    let server = Server::start();
    let statement = statement(&server).await;
    let rest = &statement["rest"][0];
    for code in texts(rest, "interaction", "code") {
        let bundle = |kind: &str| {
            json!({ "resourceType": "Bundle", "type": kind, "entry": [{
                "request": { "method": "GET", "url": "Patient" } }] })
        };
        let answer = match code.as_str() {
            "transaction" | "batch" => server.post("", &bundle(&code)).await,
            "history-system" => server.get("/_history").await,
            "search-system" => server.get("?_type=Patient").await,
            other => panic!("{other} is claimed but not tried"),
        };
        assert_eq!(answer.has_status(200).json()["resourceType"], "Bundle", "{code}");
    }
    for operation in list(rest, "operation") {
        let path = format!("/${}", operation["name"].as_str().unwrap());
        server.send("OPTIONS", &path, &[], "").await.has_status(204);
    }
    let plain =
        Server::with(Config { cors_origin: vec!["http://a.example".into()], ..Config::default() });
    for (server, claimed) in [(&server, false), (&plain, true)] {
        let origin = [("Origin", "http://a.example")];
        let answer = server.send("GET", "/metadata", &origin, "").await.has_status(200);
        assert_eq!(answer.json()["rest"][0]["security"]["cors"], claimed);
        let allowed = answer.header("Access-Control-Allow-Origin");
        assert_eq!(allowed == "http://a.example", claimed);
    }
}

/// Values to search by, one of which a parameter of that type takes.
fn values(kind: &str) -> Vec<String> {
    let simple = ["x", "2026-01-01", "1", "Patient/1", "http://a.example"];
    let own: &[&str] = match kind {
        "date" => &["2026-01-01"],
        "number" | "quantity" => &["1"],
        "reference" => &["Patient/1"],
        "uri" => &["http://a.example"],
        "token" => &["x", "true"],
        "string" => &["x"],
        "special" => &["x", "1.0|2.0|3|km"],
        "composite" => {
            let two = simple.iter().flat_map(|a| simple.map(|b| format!("{a}${b}")));
            let three = simple.iter().map(|a| format!("{a}$1$1"));
            return two.chain(three).collect();
        }
        other => panic!("{other} is no type of parameter"),
    };
    own.iter().map(|value| (*value).to_owned()).collect()
}

/// Every search parameter of every type answers where it is claimed; where it is not, it is refused.
#[actix_web::test]
async fn claims_about_parameters_hold() {
    let server = Server::start();
    let statement = statement(&server).await;
    let resources = list(&statement["rest"][0], "resource");
    let all: Vec<String> =
        resources.iter().flat_map(|claims| texts(claims, "searchParam", "name")).collect();
    let all: Vec<String> = all.into_iter().collect::<BTreeSet<_>>().into_iter().collect();
    let strict = [("Prefer", "handling=strict")];
    let mut called = 0;
    for (place, claims) in resources.iter().enumerate() {
        let kind = claims["type"].as_str().unwrap();
        for parameter in list(claims, "searchParam") {
            let name = parameter["name"].as_str().unwrap();
            let mut answers = Vec::new();
            for value in values(parameter["type"].as_str().unwrap()) {
                let path = format!("/{kind}?{name}={value}");
                let answer = server.send("GET", &path, &strict, "").await;
                answers.push(answer.status);
                if answer.status == 200 {
                    let told = answer.json()["link"][0]["url"].as_str().unwrap().to_owned();
                    assert!(told.contains(&format!("{name}=")), "{path} was not used: {told}");
                    break;
                }
            }
            assert_eq!(answers.last(), Some(&200), "{kind} {name}");
            called += 1;
        }
        // Of the codes that this type has not, some: others for each type.
        let claimed = texts(claims, "searchParam", "name");
        let others = all.iter().filter(|name| !claimed.contains(*name));
        for name in others.skip(place % 50).step_by(50).chain(["no-such".to_owned()].iter()) {
            let path = format!("/{kind}?{name}=1");
            server.send("GET", &path, &strict, "").await.is_error(400, "invalid");
        }
    }
    assert!(called > 1500, "{called}");
}

/// What is not claimed is not there: types, formats, formats of patches.
#[actix_web::test]
async fn what_is_not_claimed_is_refused() {
    let server = Server::start();
    let statement = statement(&server).await;
    let claimed = texts(&statement["rest"][0], "resource", "type");
    for name in ["Resource", "DomainResource", "SubscriptionTopic", "ActorDefinition", "patient"] {
        assert!(!claimed.contains(name));
        for path in [format!("/{name}"), format!("/{name}/1"), format!("/{name}/_history")] {
            server.get(&path).await.is_error(404, "not-supported");
        }
    }
    server
        .send("GET", "/Patient", &[("Accept", "text/turtle")], "")
        .await
        .is_error(406, "not-supported");
    for kind in ["text/turtle", "application/x-ndjson", "text/plain"] {
        let headers = [("Content-Type", kind)];
        server.send("POST", "/Patient", &headers, "x").await.is_error(415, "not-supported");
    }
    for kind in ["application/xml-patch+xml", "application/merge-patch+json"] {
        let headers = [("Content-Type", kind)];
        server.send("PATCH", "/Patient/1", &headers, "x").await.is_error(415, "not-supported");
    }
}
