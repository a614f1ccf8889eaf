//! A server for one test and a client that talks to it.

use std::net::SocketAddr;
use std::sync::{Arc, OnceLock, mpsc};
use std::time::Duration;

use actix_web::web;
use reqwest::{Method, StatusCode};
use serde_json::{Value, json};
use spondyl::app::{App, Standard};
use spondyl::config::Config;
use spondyl::fhir::Instant;
use spondyl::http;
use spondyl::interaction::publish::publish;
use spondyl::store::{MemoryStore, SledStore, Store};

/// A running server on an empty store.
pub(crate) struct Server {
    address: SocketAddr,
    client: reqwest::Client,
    stop: actix_web::dev::ServerHandle,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// An answer, whole.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: u16,
    headers: reqwest::header::HeaderMap,
    pub(crate) text: String,
}

impl Server {
    pub(crate) fn start() -> Self {
        Self::with(Config::default())
    }

    pub(crate) fn with(config: Config) -> Self {
        Self::on(config, || Box::new(MemoryStore::new()))
    }

    /// On what is kept in that directory.
    pub(crate) fn in_directory(data: &std::path::Path) -> Self {
        let data = data.to_owned();
        Self::on(Config::default(), move || {
            // A server that has just stopped lets go of the files when its last thread ends.
            let opened = (0..100).find_map(|_| {
                let opened = SledStore::open(&data, 16 << 20);
                opened.inspect_err(|_| std::thread::sleep(Duration::from_millis(50))).ok()
            });
            Box::new(opened.unwrap())
        })
    }

    /// With our own definitions stored, as the program does at its start.
    pub(crate) fn published(config: Config) -> Self {
        let store = || -> Box<dyn Store> { Box::new(MemoryStore::new()) };
        Self::prepared(config, store, |app| {
            publish(app, Instant::from_millis(0)).unwrap();
        })
    }

    /// With an audit trail in that store.
    pub(crate) fn with_trail(config: Config, trail: impl Store) -> Self {
        let store = || -> Box<dyn Store> { Box::new(MemoryStore::new()) };
        Self::made(config, store, Some(Box::new(trail)), |_| ())
    }

    /// With what is prepared before it answers.
    pub(crate) fn guarded(config: Config, prepare: impl FnOnce(&App) + Send + 'static) -> Self {
        Self::prepared(config, || Box::new(MemoryStore::new()), prepare)
    }

    fn on(config: Config, store: impl FnOnce() -> Box<dyn Store> + Send + 'static) -> Self {
        Self::prepared(config, store, |_| ())
    }

    fn prepared(
        config: Config,
        store: impl FnOnce() -> Box<dyn Store> + Send + 'static,
        prepare: impl FnOnce(&App) + Send + 'static,
    ) -> Self {
        let trail = config.has_trail().then(|| -> Box<dyn Store> { Box::new(MemoryStore::new()) });
        Self::made(config, store, trail, prepare)
    }

    fn made(
        config: Config,
        store: impl FnOnce() -> Box<dyn Store> + Send + 'static,
        trail: Option<Box<dyn Store>>,
        prepare: impl FnOnce(&App) + Send + 'static,
    ) -> Self {
        let (tell, told) = mpsc::channel();
        let thread = std::thread::spawn(move || {
            let mut app = App::on(config, store(), standard()).unwrap();
            if let Some(trail) = trail {
                app = app.with_trail(trail).unwrap();
            }
            prepare(&app);
            actix_web::rt::System::new().block_on(async move {
                let listen = SocketAddr::from(([127, 0, 0, 1], 0));
                let serving = http::serve(web::Data::new(app), listen).unwrap();
                tell.send((serving.address, serving.server.handle())).unwrap();
                serving.run().await.unwrap();
            });
        });
        let (address, stop) = told.recv_timeout(Duration::from_mins(1)).unwrap();
        Self { address, client: reqwest::Client::new(), stop, thread: Some(thread) }
    }

    /// Stops and waits until everything is closed.
    pub(crate) async fn stop(mut self) {
        self.stop.stop(true).await;
        self.thread.take().unwrap().join().unwrap();
    }

    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    pub(crate) fn base(&self) -> String {
        format!("http://{}/fhir", self.address)
    }

    /// Sends a request; `path` begins after the base, unless it is a whole URL.
    pub(crate) async fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: impl Into<reqwest::Body>,
    ) -> Answer {
        let url = if path.starts_with("http") { path.into() } else { self.base() + path };
        let method = Method::from_bytes(method.as_bytes()).unwrap();
        let mut request = self.client.request(method, url).body(body);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let bytes = response.bytes().await.unwrap();
        Answer { status, headers, text: String::from_utf8_lossy(&bytes).into_owned() }
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], "").await
    }

    pub(crate) async fn put(&self, path: &str, body: &Value) -> Answer {
        self.send("PUT", path, &[JSON], body.to_string()).await
    }

    pub(crate) async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send("POST", path, &[JSON], body.to_string()).await
    }

    pub(crate) async fn delete(&self, path: &str) -> Answer {
        self.send("DELETE", path, &[], "").await
    }

    /// How many versions there are in the whole store, as far as one page tells.
    pub(crate) async fn versions(&self) -> usize {
        let history = self.get("/_history?_count=1000").await.json();
        history["entry"].as_array().map_or(0, Vec::len)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // Sent, not awaited: the thread ends by itself.
        drop(self.stop.stop(false));
    }
}

/// The definitions, made ready once for all tests.
pub(crate) fn standard() -> Arc<Standard> {
    static STANDARD: OnceLock<Arc<Standard>> = OnceLock::new();
    Arc::clone(STANDARD.get_or_init(|| Arc::new(Standard::embedded().unwrap())))
}

pub(crate) const JSON: (&str, &str) = ("Content-Type", "application/fhir+json");

impl Answer {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|_| panic!("not JSON: {self:?}"))
    }

    /// The value of a header, empty where it is missing.
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    #[track_caller]
    pub(crate) fn has_status(self, status: u16) -> Self {
        assert_eq!(self.status, status, "{}", self.text);
        self
    }

    /// That it is an error with that issue code, told as an OperationOutcome
    /// (<http://hl7.org/fhir/R4/http.html#Status-Codes>).
    #[track_caller]
    pub(crate) fn is_error(self, status: u16, code: &str) -> Self {
        assert!(StatusCode::from_u16(status).unwrap().as_u16() >= 400);
        let answer = self.has_status(status);
        assert_eq!(answer.header("Content-Type"), "application/fhir+json;charset=utf-8");
        let outcome = answer.json();
        assert_eq!(outcome["resourceType"], "OperationOutcome", "{outcome}");
        let issues = outcome["issue"].as_array().unwrap();
        assert!(issues.iter().any(|issue| issue["code"] == code), "{code}: {outcome}");
        assert!(issues.iter().all(|issue| issue["diagnostics"].is_string()), "{outcome}");
        answer
    }
}

/// The same resource with a narrative, so that good practice has nothing to say either.
pub(crate) fn told(mut resource: Value) -> Value {
    let div = "<div xmlns=\"http://www.w3.org/1999/xhtml\">Invented</div>";
    resource["text"] = json!({ "status": "generated", "div": div });
    resource
}

/// A patient of that name, valid by R4; without id.
pub(crate) fn patient(family: &str) -> Value {
    json!({ "resourceType": "Patient", "name": [{ "family": family }] })
}

/// The same resource under an id.
pub(crate) fn with_id(mut resource: Value, id: &str) -> Value {
    resource["id"] = json!(id);
    resource
}

/// Puts it under that id, whether or not something is there.
pub(crate) async fn put(server: &Server, id: &str, value: Value) {
    let kind = value["resourceType"].as_str().unwrap().to_owned();
    let answer = server.put(&format!("/{kind}/{id}"), &with_id(value, id)).await;
    assert!([200, 201].contains(&answer.status), "{}", answer.text);
}

/// A Reference to that.
pub(crate) fn reference(target: &str) -> Value {
    json!({ "reference": target })
}

/// The address of a Bundle's link of that relation.
pub(crate) fn link(bundle: &Value, relation: &str) -> Option<String> {
    let links = bundle["link"].as_array().unwrap();
    let found = links.iter().find(|link| link["relation"] == relation);
    found.map(|link| link["url"].as_str().unwrap().to_owned())
}
