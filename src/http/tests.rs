//! Every route with every kind of token: what is answered.
//!
//! The rows are by route: a new route needs one before this compiles.

use std::net::SocketAddr;
use std::sync::Arc;

use actix_web::web;
use reqwest::Client;
use serde_json::json;

use crate::access::link::{Link, Links};
use crate::access::session::Sessions;
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

/// A link that nobody was given, and an export that nobody began.
const LINK: &str = "/shared/0123456789abcdef0123456789abcdef0123456789a";
const EXPORT: &str = "/fhir/exports/0123456789abcdef0123456789abcdef";

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
        // A program has no pages from which to share; a person's form must be of their session.
        Route::Links => vec![Row("POST", "/episodes/e/letters/c/links", 400, 400, 400)],
        Route::LinkEnd => vec![Row("POST", "/episodes/e/letters/c/links/l", 400, 400, 400)],
        // These are for whoever has no session yet, or a link.
        Route::SignIn => vec![open("/sign-in", 400)],
        Route::SignInBack => vec![open("/sign-in/back?code=c&state=s", 400)],
        Route::SignOut => vec![Row("POST", "/sign-out", 200, 200, 200)],
        Route::SharedLink => vec![open(LINK, 410), Row("POST", LINK, 410, 410, 410)],
        Route::SharedLetter => vec![open("/shared", 410)],
        Route::SharedForm => vec![
            open("/shared/letter/page", 410),
            open("/shared/letter/pdf", 410),
            open("/shared/letter/document", 410),
        ],
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
        Route::Export => {
            vec![Row("GET", EXPORT, 404, 404, 404), Row("DELETE", EXPORT, 404, 404, 404)]
        }
        Route::ExportFile => {
            vec![Row("GET", "/fhir/exports/0123456789abcdef0123456789abcdef/x", 404, 404, 404)]
        }
        Route::Compartment => vec![Row("GET", "/fhir/Patient/p/EpisodeOfCare", 403, 200, 200)],
        Route::CompartmentSearch => {
            vec![Row("POST", "/fhir/Patient/p/EpisodeOfCare/_search", 403, 200, 200)]
        }
    }
}

/// Headers of a request.
type Headers = Vec<(&'static str, String)>;

/// What is answered to a browser in which a link was opened, where that is more than to anyone.
fn with_link(path: &str) -> Option<u16> {
    let own = ["/shared", "/shared/letter/page", "/shared/letter/document"];
    // The letter of the test has no PDF.
    if path == "/shared/letter/pdf" { Some(404) } else { own.contains(&path).then_some(200) }
}

/// What is answered to a person with the right scopes, where it differs from what a program gets.
fn with_session(route: Route) -> Option<u16> {
    match route {
        // The form lacks what only a page of the session has.
        Route::Links | Route::LinkEnd | Route::SignOut => Some(403),
        _ => None,
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
    /// The cookie of a session with the scopes of the right token, and what its pages send.
    session: [(&'static str, String); 2],
    /// The cookie of a browser in which a link was opened, and the text of the link.
    link: [String; 2],
}

impl Running {
    fn start() -> (Self, actix_web::dev::Server) {
        let config = Config { access: Authorisation::Smart, ..Config::default() };
        let standard = Arc::new(Standard::embedded().unwrap());
        let app = App::on(config, Box::new(MemoryStore::new()), standard).unwrap();
        let patient = |id: &str| json!({ "resourceType": "Patient", "id": id });
        let binary = json!({ "resourceType": "Binary", "id": "b", "contentType": "text/html",
            "data": "PGgxPkE8L2gxPg==" });
        let bundle = json!({ "resourceType": "Bundle", "id": "b", "type": "collection" });
        let mut all = vec![patient("p"), patient("q"), episode(), binary, bundle];
        all.extend(letter());
        for value in all {
            let resource = Resource::from_value(value).unwrap();
            let id = Id::parse(resource.id_text().unwrap()).unwrap();
            let now = Instant::from_millis(1);
            let none = Preconditions::default();
            update::update(&app, &Subject::Id(id), &resource, &none, now).unwrap();
        }
        let (session, link) = (begun(&app), opened(&app));
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
        let running =
            Self { address: serving.address, client: Client::new(), tokens, session, link };
        (running, serving.server)
    }

    /// What a token adds to a request.
    fn bearer(token: &str) -> Headers {
        if token.is_empty() { vec![] } else { vec![("Authorization", format!("Bearer {token}"))] }
    }

    /// What a browser adds to one that comes from a page of this server.
    fn of_a_page(&self) -> [(&'static str, String); 2] {
        [
            ("Origin", format!("http://{}", self.address)),
            ("Sec-Fetch-Site", "same-origin".to_owned()),
        ]
    }

    async fn status(&self, verb: &str, path: &str, more: &[(&'static str, String)]) -> u16 {
        let url = format!("http://{}{path}", self.address);
        let mut request = self.client.request(verb.parse().unwrap(), url);
        for (name, value) in more {
            request = request.header(*name, value);
        }
        let forms = ["/auth/", "_search", "/links", "/sign-out", "/shared/"];
        let is_form = forms.iter().any(|part| path.contains(part));
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

/// A signed letter of two forms.
fn letter() -> Vec<serde_json::Value> {
    let form = |id: &str, media: &str, url: &str| {
        json!({ "resourceType": "DocumentReference", "id": id, "status": "current",
            "subject": { "reference": "Patient/p" },
            "content": [{ "attachment": { "contentType": media, "url": url } }] })
    };
    let composition = json!({ "resourceType": "Composition", "id": "c", "status": "final",
        "type": { "text": "Letter" }, "subject": { "reference": "Patient/p" }, "title": "Letter",
        "date": "2026-03-02", "author": [{ "display": "Ilse" }] });
    vec![
        composition,
        form("d-1", "text/html", "Binary/b"),
        form("d-2", "application/fhir+json", "Bundle/b"),
    ]
}

/// A session of a person with the scopes of the right token.
fn begun(app: &App) -> [(&'static str, String); 2] {
    let sessions = Sessions::of(Arc::clone(&app.store), (i64::MAX, i64::MAX));
    let access = Access {
        client: "person/ilse".to_owned(),
        scopes: Scope::all("patient/*.cruds"),
        patient: Id::parse("p"),
        user: None,
    };
    let now = super::now();
    let text = sessions.begin(&access, "Ilse", now).unwrap();
    let csrf = sessions.find(&text, now).unwrap().unwrap().session.csrf.clone();
    [("Cookie", format!("spondyl-session={text}")), ("X-CSRF-Token", csrf)]
}

/// A link that was opened: the cookie of who did, and the text of the link.
fn opened(app: &App) -> [String; 2] {
    let links = Links::of(Arc::clone(&app.store));
    let parts = ["Composition/c", "DocumentReference/d-1", "DocumentReference/d-2", "Binary/b"];
    let link = Link {
        recipient: "Dr Iva".to_owned(),
        letter: "c".to_owned(),
        parts: parts.into_iter().chain(["Bundle/b"]).map(str::to_owned).collect(),
        language: None,
        made: 0,
        by: ("Practitioner/ilse".to_owned(), "Ilse".to_owned()),
        ends: i64::MAX,
        most: 1,
        uses: Vec::new(),
        revoked: None,
    };
    let now = super::now();
    let (text, _) = links.make(&link, now).unwrap();
    let (reading, _) = links.open(&text, now).unwrap().unwrap();
    [format!("spondyl-letter={reading}"), text]
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
            let mut asked: Vec<(&str, Headers, u16)> = Vec::new();
            for ((name, token), expected) in running.tokens.iter().zip(expected) {
                asked.push((name, Running::bearer(token), expected));
            }
            let [cookie, csrf] = &running.session;
            let [origin, site] = running.of_a_page();
            let whole = vec![cookie.clone(), csrf.clone(), origin.clone(), site.clone()];
            let with_session = with_session(*route).unwrap_or(right);
            asked.push(("session", whole, with_session));
            let foreign = if verb == "GET" || is_open(*route) && *route != Route::SignOut {
                right
            } else {
                403
            };
            asked.push(("session without its token", vec![cookie.clone(), origin, site], foreign));
            asked.push(("session from nowhere", vec![cookie.clone(), csrf.clone()], foreign));
            let elsewhere = [("Origin", "https://evil.example".to_owned())];
            let elsewhere = [cookie.clone(), csrf.clone()].into_iter().chain(elsewhere).collect();
            asked.push(("session from elsewhere", elsewhere, foreign));
            let value = cookie.1.trim_start_matches("spondyl-session=");
            asked.push(("session as a token", Running::bearer(value), without));
            asked.push((
                "session that never was",
                vec![("Cookie", "spondyl-session=x".to_owned())],
                without,
            ));
            let [reading, link] = &running.link;
            let with_link = with_link(path).unwrap_or(without);
            asked.push(("link", vec![("Cookie", reading.clone())], with_link));
            asked.push(("link as a token", Running::bearer(link), without));
            for (name, more, expected) in asked {
                let told = running.status(verb, path, &more).await;
                if told != expected {
                    faults.push(format!("{verb} {path}, {name}: {told}, not {expected}"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
