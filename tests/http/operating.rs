//! What those who run the server see of it, and what becomes of requests when something fails.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::json;
use spondyl::config::{Config, Operating};
use spondyl::store::{Batch, Error, MemoryStore, Seq, Store, View};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::watch;

use crate::client::{Server, patient, with_id};
use crate::guarded::Guarded;

/// A store that fails when it is told to.
struct Failing {
    store: MemoryStore,
    fails: Arc<AtomicBool>,
}

impl Store for Failing {
    fn view(&self) -> Result<Box<dyn View + '_>, Error> {
        self.store.view()
    }

    fn commit(&self, batch: Batch) -> Result<Seq, Error> {
        if self.fails.load(Ordering::SeqCst) {
            return Err(Error::Engine("no space is left".into()));
        }
        self.store.commit(batch)
    }

    fn head(&self) -> watch::Receiver<Seq> {
        self.store.head()
    }
}

async fn until(server: &Server, status: u16) {
    for _ in 0..500 {
        let path = format!("http://{}/health/ready", server.address());
        if server.get(&path).await.status == status {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("the server is not {status}");
}

/// An access that cannot be told to the trail is refused, and nothing of it is done.
#[actix_web::test]
async fn without_a_trail_that_can_be_written_nothing_is_done() {
    let fails = Arc::new(AtomicBool::new(false));
    let trail = Failing { store: MemoryStore::new(), fails: Arc::clone(&fails) };
    let server = Server::with_trail(Config::default(), trail);
    let alba = with_id(patient("alba"), "alba");
    server.put("/Patient/alba", &alba).await.has_status(201);
    until(&server, 200).await;
    fails.store(true, Ordering::SeqCst);
    // The first finds out.
    server.get("/Patient/alba").await.has_status(200);
    until(&server, 503).await;
    let ready = server.get(&format!("http://{}/health/ready", server.address())).await.json();
    assert_eq!((&ready["status"], &ready["checks"]["trail"]), (&json!("fail"), &json!("fail")));
    server.get("/Patient/alba").await.is_error(503, "transient");
    server.put("/Patient/brun", &with_id(patient("brun"), "brun")).await.is_error(503, "transient");
    server.get("/metadata?mode=terminology").await.has_status(200);
    server.get(&format!("http://{}/health/live", server.address())).await.has_status(200);
    fails.store(false, Ordering::SeqCst);
    until(&server, 200).await;
    server.get("/Patient/brun").await.is_error(404, "not-found");
    // What was told while it failed was written afterwards.
    for _ in 0..200 {
        let found = server.get("/AuditEvent?patient=Patient/alba&_summary=count").await.json();
        if found["total"] == 2 {
            return;
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("the read was not told");
}

#[actix_web::test]
async fn numbers_without_values() {
    let guarded = Guarded::start(&[("system/Patient.rs", None, None)]);
    let server = &guarded.server;
    guarded.put("marked-id", &patient("alba")).await;
    for _ in 0..3 {
        guarded.get(0, "/Patient/marked-id").await.has_status(200);
    }
    server.get("/Patient?family=marked").await.has_status(401);
    let path = format!("http://{}/metrics", server.address());
    let told = server.get(&path).await.has_status(200);
    assert!(told.header("Content-Type").starts_with("application/openmetrics-text"));
    for line in [
        r#"spondyl_http_requests_total{route="/{type}/{id}",verb="GET",status="2xx"} 3"#,
        r#"spondyl_http_requests_total{route="/{type}",verb="GET",status="4xx"} 1"#,
        r#"spondyl_http_duration_seconds_count{route="/{type}/{id}"} 4"#,
        "spondyl_trail_failing 0",
        "spondyl_exports_unfinished 0",
    ] {
        assert!(told.text.contains(line), "{line} is not in\n{}", told.text);
    }
    assert!(!told.text.contains("marked") && !told.text.contains("alba"), "{}", told.text);
    // Through a proxy on the same machine it takes a token that reads all.
    let ask = |who: Option<usize>| {
        let bearer = who.map(|who| format!("Bearer {}", guarded.tokens[who]));
        let path = path.clone();
        async move {
            let mut headers = vec![("X-Forwarded-For", "192.0.2.7")];
            headers.extend(bearer.as_ref().map(|bearer| ("Authorization", bearer.as_str())));
            server.send("GET", &path, &headers, "").await.status
        }
    };
    assert_eq!((ask(None).await, ask(Some(1)).await, ask(Some(0)).await), (401, 403, 200));
}

/// A head that does not arrive in time, and a body that does not.
#[actix_web::test]
async fn what_takes_too_long_to_arrive_is_ended() {
    let second = Duration::from_secs(1);
    let operating =
        Operating { request_timeout: second, body_timeout: second, ..Operating::default() };
    let server = Server::with(Config { operating, ..Config::default() });
    let answer = |sent: &'static [u8]| {
        let address = server.address();
        async move {
            let mut stream = tokio::net::TcpStream::connect(address).await.unwrap();
            stream.write_all(sent).await.unwrap();
            let mut text = Vec::new();
            let read = stream.read_to_end(&mut text);
            tokio::time::timeout(Duration::from_secs(20), read).await.unwrap().unwrap();
            String::from_utf8_lossy(&text).into_owned()
        }
    };
    let head = answer(b"GET /fhir/Patient/a HTTP/1.1\r\nHost: a\r\n").await;
    assert!(head.is_empty() || head.starts_with("HTTP/1.1 408"), "{head}");
    let body = answer(
        b"POST /fhir/Patient HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\
          Content-Type: application/fhir+json\r\nContent-Length: 100\r\n\r\n{",
    )
    .await;
    assert!(body.starts_with("HTTP/1.1 408"), "{body}");
}
