//! A small `OpenID` Connect issuer, and a browser that signs in there.
//!
//! The issuer gives a code once, to who knows the verifier of its challenge, the place that the browser
//! came back to, and the password of the client; each ID token is as the test wants it.
//! Source: <https://openid.net/specs/openid-connect-core-1_0.html#CodeFlowAuth>,
//! <https://www.rfc-editor.org/rfc/rfc7636#section-4.6>, <https://www.rfc-editor.org/rfc/rfc6749#section-4.1.3>.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use actix_web::{App, HttpRequest, HttpResponse, HttpServer, web};
use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use jsonwebtoken::jwk::JwkSet;
use reqwest::redirect::Policy;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use spondyl::access::token::Tokens;
use spondyl::config::{Authorisation, Config, SignIn};
use spondyl::fhir::{Instant, query};
use spondyl::smart::{Access, Scope};

use crate::client::{Answer, JSON, Server};
use crate::smart::{Key, seconds};

pub(crate) const CLIENT: &str = "spondyl pages";
pub(crate) const SECRET: &str = "s:e c+r%et";
/// The therapist of the demo clinic.
pub(crate) const THERAPIST: &str = "Practitioner/demo-therapist-tolquist";
const BROWSER: &str = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";

/// What a code is worth.
struct Code {
    challenge: String,
    back: String,
    token: String,
}

/// The issuer.
pub(crate) struct Provider {
    pub(crate) url: String,
    pub(crate) key: Key,
    codes: Arc<Mutex<BTreeMap<String, Code>>>,
}

impl Provider {
    pub(crate) fn start() -> Self {
        let key = Key::rsa("i-1");
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let told = json!({
            "issuer": url, "jwks_uri": format!("{url}/keys"),
            "authorization_endpoint": format!("{url}/authorize"), "token_endpoint": format!("{url}/token"),
        });
        let keys = serde_json::to_value(JwkSet { keys: vec![key.public()] }).unwrap();
        let codes: Arc<Mutex<BTreeMap<String, Code>>> = Arc::default();
        let kept = Arc::clone(&codes);
        let server = HttpServer::new(move || {
            let (told, keys, kept) = (told.clone(), keys.clone(), Arc::clone(&kept));
            let answer = |value: Value| {
                web::get().to(move || {
                    let value = value.clone();
                    async move { HttpResponse::Ok().json(value) }
                })
            };
            App::new()
                .route("/.well-known/openid-configuration", answer(told))
                .route("/keys", answer(keys))
                .route(
                    "/token",
                    web::post().to(move |request: HttpRequest, body: String| {
                        let told = exchange(&kept, &request, &body);
                        async move { told }
                    }),
                )
        });
        actix_web::rt::spawn(server.workers(1).listen(listener).unwrap().run());
        Self { url, key, codes }
    }

    /// The claims of a good ID token for that sign-in.
    pub(crate) fn claims(&self, nonce: &str) -> Value {
        json!({ "iss": self.url, "sub": "t|1", "aud": CLIENT, "exp": seconds() + 60,
            "iat": seconds(), "nonce": nonce, "fhirUser": THERAPIST })
    }

    /// A code for the request that a browser came with, for which that ID token is given.
    pub(crate) fn code(&self, asked: &BTreeMap<String, String>, token: String) -> String {
        let code = uuid::Uuid::new_v4().to_string();
        let (challenge, back) = (asked["code_challenge"].clone(), asked["redirect_uri"].clone());
        assert_eq!(asked["code_challenge_method"], "S256");
        self.codes.lock().unwrap().insert(code.clone(), Code { challenge, back, token });
        code
    }
}

/// The answer of the token endpoint.
fn exchange(
    codes: &Mutex<BTreeMap<String, Code>>,
    request: &HttpRequest,
    body: &str,
) -> HttpResponse {
    let form: BTreeMap<String, String> = query::pairs(body).into_iter().collect();
    let password = request.headers().get("Authorization").unwrap().to_str().unwrap();
    let password = STANDARD.decode(password.strip_prefix("Basic ").unwrap()).unwrap();
    let password = String::from_utf8(password).unwrap();
    let (name, secret) = password.split_once(':').unwrap();
    let plain = |text: &str| query::pairs(&format!("x={text}")).remove(0).1;
    let known = plain(name) == CLIENT && plain(secret) == SECRET;
    let code = codes.lock().unwrap().remove(&form["code"]);
    let good = code.filter(|code| {
        let digest = URL_SAFE_NO_PAD.encode(Sha256::digest(&form["code_verifier"]));
        known
            && form["grant_type"] == "authorization_code"
            && digest == code.challenge
            && form["redirect_uri"] == code.back
    });
    match good {
        None => HttpResponse::BadRequest().json(json!({ "error": "invalid_grant" })),
        Some(code) => HttpResponse::Ok().json(json!({ "access_token": "unused",
            "token_type": "Bearer", "id_token": code.token })),
    }
}

/// The demo clinic on a server where people sign in.
pub(crate) struct Clinic {
    pub(crate) server: Server,
    pub(crate) provider: Provider,
    /// A token that permits everything.
    token: String,
    _secret: tempfile::NamedTempFile,
}

impl Clinic {
    pub(crate) async fn start() -> Self {
        Self::with(|_| ()).await
    }

    pub(crate) async fn with(change: impl FnOnce(&mut Config)) -> Self {
        let provider = Provider::start();
        let secret = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(secret.path(), format!("{SECRET}\n")).unwrap();
        let mut config = Config {
            access: Authorisation::Smart,
            sign_in: SignIn {
                issuer: Some(provider.url.clone()),
                client: Some(CLIENT.to_owned()),
                secret_file: Some(secret.path().to_owned()),
                ..SignIn::default()
            },
            outbound: vec![provider.url.clone()],
            outbound_private: true,
            ..Config::default()
        };
        change(&mut config);
        let (tell, told) = std::sync::mpsc::channel();
        let server = Server::guarded(config, move |app| {
            let access = Access {
                client: "loader".to_owned(),
                scopes: Scope::all("system/*.cruds"),
                patient: None,
                user: None,
            };
            let at = Instant::from_millis;
            let tokens = Tokens::of(Arc::clone(&app.store));
            tell.send(tokens.issue(&access, at(0), at(i64::MAX)).unwrap()).unwrap();
        });
        let clinic = Self { server, provider, token: told.recv().unwrap(), _secret: secret };
        for file in ["00-clinic.json", "01-aldis-improved.json"] {
            let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/demo/clinic");
            let body = std::fs::read_to_string(folder.join(file)).unwrap();
            clinic.program("POST", "", body).await.has_status(200);
        }
        clinic
    }

    /// What a program with a token for everything asks.
    pub(crate) async fn program(&self, verb: &str, path: &str, body: String) -> Answer {
        let bearer = format!("Bearer {}", self.token);
        self.server.send(verb, path, &[JSON, ("Authorization", &bearer)], body).await
    }

    pub(crate) fn browser(&self) -> Browser<'_> {
        let client = reqwest::Client::builder().redirect(Policy::none()).build().unwrap();
        Browser { clinic: self, client, cookies: BTreeMap::new(), set: Vec::new() }
    }
}

/// A browser: keeps cookies, follows nothing by itself, says where its requests come from.
pub(crate) struct Browser<'a> {
    pub(crate) clinic: &'a Clinic,
    client: reqwest::Client,
    pub(crate) cookies: BTreeMap<String, String>,
    /// The cookies that the last answer set, as they were sent.
    pub(crate) set: Vec<String>,
}

/// What a browser got.
#[derive(Debug)]
pub(crate) struct Shown {
    pub(crate) status: u16,
    headers: reqwest::header::HeaderMap,
    pub(crate) bytes: Vec<u8>,
}

impl Shown {
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    #[track_caller]
    pub(crate) fn has_status(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.text());
        self
    }

    /// Where it leads.
    #[track_caller]
    pub(crate) fn leads(&self) -> String {
        assert_eq!(self.status, 303, "{}", self.text());
        self.header("Location").to_owned()
    }

    /// What only a page of a session has.
    pub(crate) fn csrf(&self) -> String {
        let text = self.text();
        let rest = text.split_once("<meta name=\"csrf-token\" content=\"").unwrap().1;
        rest.split('"').next().unwrap().to_owned()
    }
}

impl Browser<'_> {
    fn origin(&self) -> String {
        format!("http://{}", self.clinic.server.address())
    }

    pub(crate) async fn send(
        &mut self,
        verb: &str,
        path: &str,
        more: &[(&str, &str)],
        body: String,
    ) -> Shown {
        let url = if path.starts_with("http") { path.to_owned() } else { self.origin() + path };
        let mut request = self.client.request(verb.parse().unwrap(), url).body(body);
        let cookies: Vec<String> =
            self.cookies.iter().map(|(name, value)| format!("{name}={value}")).collect();
        if !cookies.is_empty() {
            request = request.header("Cookie", cookies.join("; "));
        }
        for (name, value) in more {
            request = request.header(*name, *value);
        }
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let set = headers.get_all("Set-Cookie").iter();
        self.set = set.map(|text| text.to_str().unwrap().to_owned()).collect();
        for cookie in &self.set {
            let (name, value) = cookie.split(';').next().unwrap().split_once('=').unwrap();
            if value.is_empty() {
                self.cookies.remove(name);
            } else {
                self.cookies.insert(name.to_owned(), value.to_owned());
            }
        }
        Shown { status, headers, bytes: response.bytes().await.unwrap().to_vec() }
    }

    /// Opens a page, as one does by its address.
    pub(crate) async fn open(&mut self, path: &str) -> Shown {
        let visit = [
            ("Accept", BROWSER),
            ("Sec-Fetch-Site", "none"),
            ("Sec-Fetch-Mode", "navigate"),
            ("Sec-Fetch-Dest", "document"),
        ];
        self.send("GET", path, &visit, String::new()).await
    }

    /// Sends a form of a page of the server.
    pub(crate) async fn submit(&mut self, path: &str, fields: &[(&str, &str)]) -> Shown {
        let pairs: Vec<(String, String)> =
            fields.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
        let headers = [
            ("Accept", BROWSER),
            ("Content-Type", "application/x-www-form-urlencoded"),
            ("Sec-Fetch-Site", "same-origin"),
            ("Origin", "null"),
        ];
        self.send("POST", path, &headers, query::encode(&pairs)).await
    }

    /// Sends a resource as a script of a page does.
    pub(crate) async fn script(&mut self, path: &str, csrf: &str, body: &Value) -> Shown {
        let origin = self.origin();
        let headers = [
            JSON,
            ("Accept", "application/fhir+json"),
            ("X-CSRF-Token", csrf),
            ("Sec-Fetch-Site", "same-origin"),
            ("Origin", &origin),
        ];
        self.send("POST", path, &headers, body.to_string()).await
    }

    /// Begins to sign in: what the issuer is asked for.
    pub(crate) async fn begin(&mut self, path: &str) -> BTreeMap<String, String> {
        let way = self.open(path).await.leads();
        let (endpoint, sent) = way.split_once('?').unwrap();
        assert_eq!(endpoint, format!("{}/authorize", self.clinic.provider.url));
        query::pairs(sent).into_iter().collect()
    }

    /// Comes back with a code, for which there is that ID token.
    pub(crate) async fn come_back(
        &mut self,
        asked: &BTreeMap<String, String>,
        token: String,
    ) -> Shown {
        let code = self.clinic.provider.code(asked, token);
        self.open(&back(&code, &asked["state"])).await
    }

    /// Signs in as a person of the clinic.
    pub(crate) async fn sign_in(&mut self, person: &str) -> Shown {
        let asked = self.begin("/sign-in").await;
        let mut claims = self.clinic.provider.claims(&asked["nonce"]);
        claims["fhirUser"] = json!(person);
        self.come_back(&asked, self.clinic.provider.key.sign(&claims)).await
    }
}

/// The way back from the issuer.
pub(crate) fn back(code: &str, state: &str) -> String {
    format!("/sign-in/back?code={code}&state={state}")
}
