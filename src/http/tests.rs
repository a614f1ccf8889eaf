//! Every route with every kind of token: what is answered.
//!
//! The rows are by route: a new route needs one before this compiles.

use std::net::SocketAddr;
use std::sync::Arc;

use actix_web::web;
use reqwest::Client;
use serde_json::json;

use crate::access::token::Tokens;
use crate::app::{App, Standard};
use crate::config::{Authorisation, Config};
use crate::fhir::{Id, Instant, Resource};
use crate::http::route::Route;
use crate::http::{BASE, serve};
use crate::interaction::precondition::Preconditions;
use crate::interaction::{Subject, update};
use crate::smart::{Access, Scope};
use crate::store::MemoryStore;

/// One request to a route: verb, path, and what is answered to a token of another scope, to one of
/// another patient, and to one that permits it.
struct Row(&'static str, &'static str, u16, u16, u16);

/// What is open to all answers them alike.
const fn open(path: &'static str, status: u16) -> Row {
    Row("GET", path, status, status, status)
}

fn rows(route: Route) -> Vec<Row> {
    match route {
        Route::Icon => vec![open("/favicon.ico", 204)],
        Route::Script => vec![open("/form.js", 200)],
        Route::Live => vec![open("/health/live", 200)],
        Route::Ready => vec![open("/health/ready", 200)],
        // From this machine.
        Route::Metrics => vec![open("/metrics", 200)],
        Route::OpenApi => vec![
            open("/fhir/openapi.json?_type=Patient", 200),
            open("/openapi.json?_type=Patient", 200),
        ],
        Route::Metadata => vec![open("/fhir/metadata?mode=terminology", 200)],
        Route::SmartConfiguration => vec![open("/fhir/.well-known/smart-configuration", 200)],
        // These ask who is there in their own way.
        Route::Token => vec![Row("POST", "/fhir/auth/token", 400, 400, 400)],
        Route::Introspect => vec![Row("POST", "/fhir/auth/introspect", 400, 400, 400)],
        Route::Revoke => vec![Row("POST", "/fhir/auth/revoke", 400, 400, 400)],
        // Pages show what may be seen.
        Route::Audit => vec![Row("GET", "/audit", 200, 200, 200)],
        // Cases are shown only where a setting allows.
        Route::AuditCases => vec![Row("GET", "/audit/cases", 400, 400, 400)],
        Route::Index => vec![Row("GET", "/", 200, 200, 200)],
        Route::Episode => vec![Row("GET", "/episodes/e", 404, 404, 200)],
        Route::Visit => vec![Row("GET", "/episodes/e/visit", 404, 404, 200)],
        Route::Letters => vec![Row("GET", "/episodes/e/letters", 404, 404, 200)],
        Route::Patient => vec![Row("GET", "/patients/p", 404, 404, 200)],
        // A Bundle is carried out entry by entry.
        Route::System => vec![
            Row("GET", "/fhir?_type=Patient&_id=p", 200, 200, 200),
            Row("POST", "/fhir", 403, 403, 200),
        ],
        Route::SystemSearch => {
            vec![Row("POST", "/fhir/_search?_type=Patient&_id=p", 200, 200, 200)]
        }
        Route::SystemHistory => vec![Row("GET", "/fhir/_history", 200, 200, 200)],
        Route::Type => vec![
            Row("GET", "/fhir/EpisodeOfCare", 403, 200, 200),
            Row("POST", "/fhir/EpisodeOfCare", 403, 403, 201),
            Row("PUT", "/fhir/EpisodeOfCare?_id=e", 403, 403, 200),
            Row("DELETE", "/fhir/EpisodeOfCare?_id=none", 403, 204, 204),
        ],
        Route::TypeSearch => {
            vec![Row("POST", "/fhir/EpisodeOfCare/_search?status=active", 403, 200, 200)]
        }
        Route::TypeHistory => vec![Row("GET", "/fhir/EpisodeOfCare/_history", 403, 200, 200)],
        Route::Instance => vec![
            Row("GET", "/fhir/EpisodeOfCare/e", 403, 404, 200),
            Row("PUT", "/fhir/EpisodeOfCare/e", 403, 403, 200),
            Row("DELETE", "/fhir/EpisodeOfCare/none", 403, 204, 204),
        ],
        Route::InstanceHistory => vec![Row("GET", "/fhir/EpisodeOfCare/e/_history", 403, 404, 200)],
        Route::Version => vec![Row("GET", "/fhir/EpisodeOfCare/e/_history/1", 403, 404, 200)],
        Route::Operation => vec![
            Row("GET", "/fhir/EpisodeOfCare/e/$episode-summary", 403, 404, 200),
            Row("GET", "/fhir/Patient/p/$everything", 403, 404, 200),
        ],
        // Whose an export is, is for the export to say; nobody has begun this one.
        Route::Export => vec![
            Row("GET", "/fhir/exports/0123456789abcdef0123456789abcdef", 404, 404, 404),
            Row("DELETE", "/fhir/exports/0123456789abcdef0123456789abcdef", 404, 404, 404),
        ],
        Route::ExportFile => {
            vec![Row("GET", "/fhir/exports/0123456789abcdef0123456789abcdef/x", 404, 404, 404)]
        }
        Route::Compartment => vec![Row("GET", "/fhir/Patient/p/EpisodeOfCare", 403, 200, 200)],
        Route::CompartmentSearch => {
            vec![Row("POST", "/fhir/Patient/p/EpisodeOfCare/_search", 403, 200, 200)]
        }
    }
}

/// Whether the route answers without a token.
fn is_open(route: Route) -> bool {
    use super::admit::Needed;
    use super::route::Verb;
    Needed::of(route, Verb::Get) == Needed::Nothing
}

fn episode() -> serde_json::Value {
    json!({ "resourceType": "EpisodeOfCare", "id": "e", "status": "active",
        "patient": { "reference": "Patient/p" } })
}

struct Running {
    address: SocketAddr,
    client: Client,
    tokens: [(&'static str, String); 6],
}

impl Running {
    fn start() -> (Self, actix_web::dev::Server) {
        let config = Config { access: Authorisation::Smart, ..Config::default() };
        let standard = Arc::new(Standard::embedded().unwrap());
        let app = App::on(config, Box::new(MemoryStore::new()), standard).unwrap();
        let patient = |id: &str| json!({ "resourceType": "Patient", "id": id });
        for value in [patient("p"), patient("q"), episode()] {
            let resource = Resource::from_value(value).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            let now = Instant::from_millis(1);
            let none = Preconditions::default();
            update::update(&app, &Subject::Id(id), &resource, &none, now).unwrap();
        }
        let tokens = Tokens::of(Arc::clone(&app.store));
        let token = |scope: &str, patient: &str, ends: i64| {
            let access = Access {
                client: "matrix".to_owned(),
                scopes: Scope::all(scope),
                patient: Id::parse(patient),
                user: None,
            };
            tokens.issue(&access, Instant::from_millis(0), Instant::from_millis(ends)).unwrap()
        };
        let tokens = [
            ("none", String::new()),
            ("expired", token("system/*.cruds", "p", 1)),
            ("another audience", "a.b.c".to_owned()),
            ("another scope", token("system/Basic.cruds", "p", i64::MAX)),
            ("another patient", token("patient/*.cruds", "q", i64::MAX)),
            ("right", token("patient/*.cruds", "p", i64::MAX)),
        ];
        let serving = serve(web::Data::new(app), SocketAddr::from(([127, 0, 0, 1], 0))).unwrap();
        (Self { address: serving.address, client: Client::new(), tokens }, serving.server)
    }

    async fn status(&self, verb: &str, path: &str, token: &str) -> u16 {
        let url = format!("http://{}{path}", self.address);
        let request = self.client.request(verb.parse().unwrap(), url);
        let request = if token.is_empty() { request } else { request.bearer_auth(token) };
        let is_form = path.contains("/auth/") || path.contains("_search");
        let body = if verb == "POST" && path == BASE {
            json!({ "resourceType": "Bundle", "type": "transaction", "entry": [{
                "request": { "method": "PUT", "url": "EpisodeOfCare/e" }, "resource": episode() }] })
        } else {
            episode()
        };
        let request = match verb {
            "POST" if is_form => {
                request.header("Content-Type", "application/x-www-form-urlencoded").body("")
            }
            "POST" | "PUT" => {
                request.header("Content-Type", "application/fhir+json").body(body.to_string())
            }
            _ => request,
        };
        request.send().await.unwrap().status().as_u16()
    }
}

/// RFC 6750, section 3.1: 401 without a token that holds, 403 where it does not suffice; what one
/// may not see looks as if it were not there.
#[actix_web::test]
async fn every_route_with_every_kind_of_token() {
    let (running, server) = Running::start();
    actix_web::rt::spawn(server);
    let mut faults = Vec::new();
    for route in Route::ALL {
        for Row(verb, path, other_scope, other_patient, right) in rows(*route) {
            let without = if is_open(*route) { right } else { 401 };
            let expected = [without, without, without, other_scope, other_patient, right];
            for ((name, token), expected) in running.tokens.iter().zip(expected) {
                let told = running.status(verb, path, token).await;
                if told != expected {
                    faults.push(format!("{verb} {path}, {name}: {told}, not {expected}"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
