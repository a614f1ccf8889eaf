//! Sign-in of people, their sessions, and attacks on both.
//!
//! Source: <https://openid.net/specs/openid-connect-core-1_0.html>,
//! <https://www.rfc-editor.org/rfc/rfc9700>, <https://www.rfc-editor.org/rfc/rfc8725>,
//! <https://cheatsheetseries.owasp.org/cheatsheets/Session_Management_Cheat_Sheet.html>,
//! <https://cheatsheetseries.owasp.org/cheatsheets/Cross-Site_Request_Forgery_Prevention_Cheat_Sheet.html>.

use serde_json::json;
use spondyl::app::App;
use spondyl::config::{Authorisation, Config, SignIn};

use crate::client::{Server, patient};
use crate::oidc::{Browser, CLIENT, Clinic, Shown, THERAPIST};

const EPISODE: &str = "/episodes/demo-aldis-episode";

/// Whether somebody is signed in.
pub(crate) async fn is_in(browser: &mut Browser<'_>) -> bool {
    let page = browser.open("/").await;
    assert!([200, 303].contains(&page.status), "{}", page.text());
    page.status == 200
}

#[actix_web::test]
async fn a_person_signs_in_and_comes_back_to_the_page() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    let way = browser.open(&format!("{EPISODE}?language=de")).await;
    let way = way.leads();
    assert!(way.starts_with("/sign-in?to=") && way.ends_with("&language=de"), "{way}");
    let asked = browser.begin(&way).await;
    for (name, value) in
        [("response_type", "code"), ("client_id", CLIENT), ("scope", "openid fhirUser")]
    {
        assert_eq!(asked[name], value, "{name}");
    }
    let here = format!("http://{}", clinic.server.address());
    assert_eq!(asked["redirect_uri"], format!("{here}/sign-in/back"));
    // 256 bits each, in base64url.
    assert!(["state", "nonce", "code_challenge"].iter().all(|name| asked[*name].len() == 43));
    let token = clinic.provider.key.sign(&clinic.provider.claims(&asked["nonce"]));
    let answer = browser.come_back(&asked, token).await;
    assert_eq!(answer.leads(), format!("{EPISODE}?language=de"));
    let cookie = browser.set.iter().find(|cookie| cookie.starts_with("spondyl-session=")).unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Lax"), "{cookie}");
    assert!(cookie.contains("Path=/") && !cookie.contains("Domain"), "{cookie}");
    let gone = browser.set.iter().find(|cookie| cookie.starts_with("spondyl-sign-in=")).unwrap();
    assert!(gone.contains("Max-Age=0"), "{gone}");

    let page = browser.open(&format!("{EPISODE}?language=de")).await.has_status(200);
    assert!(page.text().contains("Angemeldet: Maren Tolquist"));
    // The API too, within what the person may see; what they may not is not there.
    browser.open("/fhir/Patient/demo-aldis").await.has_status(200);
    let other = json!({ "resourceType": "Patient", "id": "elsewhere" });
    clinic.program("PUT", "/Patient/elsewhere", other.to_string()).await.has_status(201);
    browser.open("/fhir/Patient/elsewhere").await.has_status(404);
    browser.open("/patients/elsewhere").await.has_status(404);
    let mut stranger = clinic.browser();
    stranger.sign_in("Practitioner/demo-physician-akerlow").await.leads();
    stranger.open("/").await.has_status(200);
}

/// Without a session a browser is sent to sign in; a program is told, as ever.
#[actix_web::test]
async fn only_browsers_are_sent_to_sign_in() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    for path in ["/", EPISODE, "/audit", "/fhir/Patient/demo-aldis"] {
        assert!(browser.open(path).await.leads().starts_with("/sign-in?to=/"), "{path}");
        let url = format!("http://{}{path}", clinic.server.address());
        clinic.server.send("GET", &url, &[], "").await.is_error(401, "login");
        let bearer = [("Authorization", "Bearer none"), ("Accept", "text/html")];
        assert_eq!(browser.send("GET", path, &bearer, String::new()).await.status, 401, "{path}");
    }
    let html = [("Accept", "text/html")];
    assert_eq!(browser.send("POST", "/fhir", &html, String::new()).await.status, 401);
    // Nobody is led to another site.
    for to in ["https://evil.example/", "//evil.example", "/\\evil.example"] {
        let asked = browser.begin(&format!("/sign-in?to={to}")).await;
        let token = clinic.provider.key.sign(&clinic.provider.claims(&asked["nonce"]));
        assert_eq!(browser.come_back(&asked, token).await.leads(), "/", "{to}");
    }
}

/// That nobody is signed in by it, and that it is told.
pub(crate) async fn refused(browser: &mut Browser<'_>, answer: Shown, status: u16, what: &str) {
    assert_eq!(answer.status, status, "{what}: {}", answer.text());
    assert!(!browser.set.iter().any(|cookie| cookie.starts_with("spondyl-session=")), "{what}");
    assert!(!is_in(browser).await, "{what}");
}

#[actix_web::test]
async fn who_is_nobody_here_is_told_so() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    for person in
        ["Practitioner/nobody", "Patient/demo-aldis", "https://a.example/Practitioner/x", ""]
    {
        let answer = browser.sign_in(person).await;
        assert!(answer.text().contains("no active practitioner"), "{person}");
        assert!(!answer.text().contains("Aldis"));
        refused(&mut browser, answer, 403, person).await;
    }
    // By the identifier, where the issuer names no resource.
    let path = format!("/{THERAPIST}");
    let mut person = clinic.program("GET", &path, String::new()).await.json();
    person["identifier"] = json!([{ "system": clinic.provider.url, "value": "t|1" }]);
    clinic.program("PUT", &path, person.to_string()).await.has_status(200);
    let asked = browser.begin("/sign-in?again=yes&language=de").await;
    assert_eq!(asked["prompt"], "login");
    let mut claims = clinic.provider.claims(&asked["nonce"]);
    claims.as_object_mut().unwrap().remove("fhirUser");
    browser.come_back(&asked, clinic.provider.key.sign(&claims)).await.leads();
    assert!(is_in(&mut browser).await);
    // Who has left the clinic cannot sign in any more.
    person["active"] = json!(false);
    clinic.program("PUT", &path, person.to_string()).await.has_status(200);
    let mut browser = clinic.browser();
    let answer = browser.sign_in(THERAPIST).await;
    refused(&mut browser, answer, 403, "not active").await;
}

/// A session is new at each sign-in, ends when it is signed out, and is worth nothing elsewhere.
#[actix_web::test]
async fn sessions() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    // Fixation: what an attacker put there is not what counts afterwards.
    browser.cookies.insert("spondyl-session".to_owned(), "chosen".to_owned());
    browser.sign_in(THERAPIST).await.leads();
    let first = browser.cookies["spondyl-session"].clone();
    assert_ne!(first, "chosen");
    assert!(is_in(&mut browser).await);
    browser.sign_in(THERAPIST).await.leads();
    let second = browser.cookies["spondyl-session"].clone();
    assert_ne!(first, second);
    for (value, is_one) in [("chosen", false), (first.as_str(), false), (second.as_str(), true)] {
        let mut other = clinic.browser();
        other.cookies.insert("spondyl-session".to_owned(), value.to_owned());
        assert_eq!(is_in(&mut other).await, is_one, "{value}");
    }
    // It is no token, a token is no session, and a name from another setting is none either.
    let bearer = format!("Bearer {second}");
    let path = "/Patient/demo-aldis";
    clinic.server.send("GET", path, &[("Authorization", &bearer)], "").await.is_error(401, "login");
    let mut other = clinic.browser();
    other.cookies.insert("__Host-spondyl-session".to_owned(), second.clone());
    assert!(!is_in(&mut other).await);
    // Signing out is for the page alone.
    let csrf = browser.open("/").await.csrf();
    let mut fields = vec![("csrf", csrf.as_str())];
    assert_eq!(browser.submit("/sign-out", &[]).await.status, 403);
    let foreign = [
        ("Content-Type", "application/x-www-form-urlencoded"),
        ("Sec-Fetch-Site", "cross-site"),
        ("Origin", "https://evil.example"),
    ];
    assert_eq!(
        browser.send("POST", "/sign-out", &foreign, format!("csrf={csrf}")).await.status,
        403
    );
    assert!(is_in(&mut browser).await);
    fields.push(("more", "ignored"));
    let page = browser.submit("/sign-out", &fields).await.has_status(200);
    assert_eq!(page.header("Clear-Site-Data"), "\"storage\"");
    assert!(!browser.cookies.contains_key("spondyl-session"));
    browser.cookies.insert("spondyl-session".to_owned(), second.clone());
    assert!(!is_in(&mut browser).await, "the cookie that was kept is worth nothing");
    let headers = [("Cookie", format!("spondyl-session={second}"))];
    let headers: Vec<(&str, &str)> =
        headers.iter().map(|(name, value)| (*name, value.as_str())).collect();
    clinic.server.send("GET", path, &headers, "").await.is_error(401, "login");
    // Signing out twice is well.
    browser.submit("/sign-out", &[]).await.has_status(200);
}

/// Reads may come by a link from elsewhere, but not from within another site; writes not at all.
#[actix_web::test]
async fn pages_of_other_sites_cannot_use_a_session() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    browser.sign_in(THERAPIST).await.leads();
    let csrf = browser.open("/").await.csrf();
    let get = |site: &'static str, mode: &'static str, dest: &'static str| {
        [("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", mode), ("Sec-Fetch-Dest", dest)]
    };
    for (headers, status) in [
        (get("cross-site", "navigate", "document"), 200),
        (get("same-origin", "cors", "empty"), 200),
        (get("cross-site", "navigate", "iframe"), 403),
        (get("cross-site", "no-cors", "script"), 403),
        (get("same-site", "cors", "empty"), 403),
    ] {
        let answer = browser.send("GET", "/fhir/Patient/demo-aldis", &headers, String::new()).await;
        assert_eq!(answer.status, status, "{headers:?}");
    }
    let own = format!("http://{}", clinic.server.address());
    let before = clinic.program("GET", "/_history?_summary=count", String::new()).await.json();
    let body = json!({ "resourceType": "Observation" }).to_string();
    for headers in [
        vec![("X-CSRF-Token", csrf.as_str())],
        vec![("Origin", own.as_str())],
        vec![("Origin", own.as_str()), ("X-CSRF-Token", "other")],
        vec![("Origin", "https://evil.example"), ("X-CSRF-Token", csrf.as_str())],
        vec![("Origin", "null"), ("X-CSRF-Token", csrf.as_str())],
        vec![
            ("Origin", own.as_str()),
            ("Sec-Fetch-Site", "cross-site"),
            ("X-CSRF-Token", csrf.as_str()),
        ],
    ] {
        let mut headers = headers;
        headers.push(("Content-Type", "application/fhir+json"));
        for (verb, path) in [
            ("POST", "/fhir/Observation"),
            ("POST", "/fhir"),
            ("DELETE", "/fhir/Flag/x"),
            ("PUT", "/fhir/Patient/demo-aldis"),
            ("PATCH", "/fhir/Patient/demo-aldis"),
        ] {
            let answer = browser.send(verb, path, &headers, body.clone()).await;
            assert_eq!(answer.status, 403, "{verb} {path} {headers:?}: {}", answer.text());
        }
    }
    let after = clinic.program("GET", "/_history?_summary=count", String::new()).await.json();
    assert_eq!(before["total"], after["total"], "nothing was written");
}

/// What a visit and a letter need may be written by default, and no more.
#[actix_web::test]
async fn what_people_may_do() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    browser.sign_in(THERAPIST).await.leads();
    let csrf = browser.open(&format!("{EPISODE}/visit")).await.has_status(200).csrf();
    let flag = json!({ "resourceType": "Flag", "status": "active", "code": { "text": "waits" },
        "subject": { "reference": "Patient/demo-aldis" } });
    let entry = json!({ "request": { "method": "POST", "url": "Flag" }, "resource": flag });
    let visit = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [entry] });
    browser.script("/fhir", &csrf, &visit).await.has_status(200);
    // Of another's patient, of another type, and deleting: no.
    let other = json!({ "resourceType": "Patient", "id": "elsewhere" });
    clinic.program("PUT", "/Patient/elsewhere", other.to_string()).await.has_status(201);
    let mut foreign = flag.clone();
    foreign["subject"] = json!({ "reference": "Patient/elsewhere" });
    assert_eq!(browser.script("/fhir/Flag", &csrf, &foreign).await.status, 403);
    assert_eq!(browser.script("/fhir/Patient", &csrf, &patient("New")).await.status, 403);
    let signing = json!({ "resourceType": "Parameters", "parameter": [{ "name": "attester",
        "valueReference": { "reference": THERAPIST } }] });
    let path = "/fhir/EpisodeOfCare/demo-aldis-episode/$finalize-letter";
    // Nobody signs as another.
    let other = "Practitioner/demo-therapist-plenderbeck";
    let mut forged = signing.clone();
    forged["parameter"][0]["valueReference"]["reference"] = json!(other);
    assert!(
        browser.script(path, &csrf, &forged).await.has_status(400).text().contains("as that one")
    );
    let page = browser.open(&format!("{EPISODE}/letters")).await.text();
    assert!(page.contains(&format!("<option value=\"{THERAPIST}\"")) && !page.contains(other));
    let visit = browser.open(&format!("{EPISODE}/visit")).await.text();
    assert!(visit.contains(&format!("data-performer=\"{THERAPIST}\"")));
    let answer = browser.script(path, &csrf, &signing).await.has_status(200);
    assert!(answer.text().contains("Composition/"));
}

/// Every page: nothing of it runs but scripts of this server, nothing is told to others, nothing is
/// kept. ASVS 5.0, 3.4 (headers), 14.3.2 (caching).
#[actix_web::test]
async fn every_page_is_closed() {
    let clinic = Clinic::start().await;
    let mut browser = clinic.browser();
    let mut seen = vec![];
    seen.push(browser.open("/sign-in/back").await.has_status(400));
    seen.push(browser.open("/shared/x").await.has_status(410));
    seen.push(browser.open("/shared").await.has_status(410));
    browser.sign_in(THERAPIST).await.leads();
    for path in ["/", "/patients/demo-aldis", EPISODE, "/audit", "/audit?measure=x"] {
        seen.push(browser.open(path).await);
    }
    for form in ["visit", "letters"] {
        seen.push(browser.open(&format!("{EPISODE}/{form}")).await.has_status(200));
    }
    seen.push(browser.open("/nowhere").await.has_status(404));
    let csrf = seen[3].csrf();
    seen.push(browser.submit("/sign-out", &[("csrf", &csrf)]).await.has_status(200));
    for page in &seen {
        let policy = page.header("Content-Security-Policy");
        assert!(policy.starts_with("default-src 'none'"), "{policy}");
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'"));
        assert!(policy.contains("base-uri 'none'"), "{policy}");
        for (name, value) in [
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Server", ""),
        ] {
            assert_eq!(page.header(name), value, "{name}");
        }
        let text = page.text();
        for script in text.split("<script").skip(1) {
            assert!(script.starts_with(" src=\"/") && script.contains(" defer></script>"));
        }
        let inline = ["onclick", "onload", "onsubmit", "javascript:", " style=\""];
        assert!(!inline.iter().any(|part| text.contains(part)), "{text}");
    }
    assert_eq!(browser.send("TRACE", "/", &[], String::new()).await.status, 405);
}

/// Behind TLS the cookies are of this host alone; what has no issuer has no sign-in.
#[actix_web::test]
async fn settings_of_sign_in() {
    let clinic = Clinic::with(|config| {
        config.base_url = Some("https://clinic.example/fhir".to_owned());
    })
    .await;
    let mut browser = clinic.browser();
    let asked = browser.begin("/sign-in").await;
    assert_eq!(asked["redirect_uri"], "https://clinic.example/sign-in/back");
    let cookie = browser.set.first().unwrap();
    assert!(cookie.starts_with("__Host-spondyl-sign-in=") && cookie.contains("Secure"), "{cookie}");

    let smart = Config { access: Authorisation::Smart, ..Config::default() };
    for config in [Config::default(), smart.clone()] {
        let server = Server::with(config);
        let url = format!("http://{}/sign-in", server.address());
        server.send("GET", &url, &[], "").await.is_error(400, "not-supported");
    }
    // What cannot be understood keeps the server from starting.
    let start = |sign_in: SignIn| {
        let issuer = Some("https://login.example".to_owned());
        let sign_in = SignIn { issuer, client: Some("c".to_owned()), ..sign_in };
        let config = Config { sign_in, ..smart.clone() };
        let store = Box::new(spondyl::store::MemoryStore::new());
        let app = App::on(config, store, crate::client::standard()).unwrap();
        let listen = std::net::SocketAddr::from(([127, 0, 0, 1], 0));
        spondyl::http::serve(actix_web::web::Data::new(app), listen).map(|_| ())
    };
    let scopes = |text: &str| SignIn { scopes: text.to_owned(), ..SignIn::default() };
    assert!(start(SignIn::default()).is_ok() && start(scopes("system/*.rs user/Flag.cu")).is_ok());
    for text in ["user/*.x", "openid", "patient/*.rs", "user/Observation.rs?nothing=1"] {
        let told = start(scopes(text)).unwrap_err().to_string();
        assert!(told.contains(text) && told.contains("--sign-in-scopes"), "{told}");
    }
    let secret_file = Some(std::path::PathBuf::from("/nowhere/secret"));
    assert!(start(SignIn { secret_file, ..SignIn::default() }).is_err());
}
