//! Load on a running server beside peers in the same run, as ratios.
//!
//! - read by id beside an actix-web handler that answers with the same bytes and headers;
//! - durable validated create, 64 clients, beside the embedded store alone committing the same rows
//!   from 64 threads (group commit, fdatasync).
//!
//! `cargo bench --bench load` runs it; phases alternate, and the median ratio of the rounds is
//! printed with p50 and p99. Figures depend on machine and disk; the ratios less so.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::zombie_processes,
    reason = "a program for people, which may stop loudly"
)]
#![expect(clippy::cast_precision_loss, reason = "counts and times are far below 2^52")]

mod client;

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant as Clock};

use client::{Load, Target};
use serde_json::{Value, json};
use spondyl::fhir::{Id, Instant, Resource};
use spondyl::repository::{Change, Method, batch};
use spondyl::store::{SledStore, Store};

const CLIENTS: usize = 64;
const ROUNDS: usize = 5;
const PHASE: Duration = Duration::from_secs(2);

fn main() {
    if std::env::args().any(|word| word == "--peer") {
        return peer();
    }
    let data = tempfile::tempdir().unwrap();
    let server = Server::start(&[
        "serve",
        "--listen",
        "127.0.0.1:0",
        "--data",
        data.path().to_str().unwrap(),
    ]);
    for (name, body) in parties() {
        let place = format!("/fhir/{name}");
        client::once(&server.target, "PUT", &place, &body.to_string());
    }
    read(&server);
    create(&server);
}

/// A program in a process of its own that says where it listens; killed when dropped.
struct Server {
    process: Child,
    target: Target,
}

impl Server {
    fn start(words: &[&str]) -> Self {
        // Another build of the program can be measured by naming it.
        let program = std::env::var_os("SPONDYL_PROGRAM");
        let program = program.unwrap_or_else(|| env!("CARGO_BIN_EXE_spondyl").into());
        Self::from(Command::new(program).args(words))
    }

    fn from(command: &mut Command) -> Self {
        let mut process = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut lines = BufReader::new(process.stdout.take().unwrap()).lines();
        let address = loop {
            let line = lines.next().expect("it says where it listens").unwrap();
            if let Some(at) = line.find("http://") {
                let rest = &line[at + "http://".len()..];
                break rest
                    .chars()
                    .take_while(|c| c.is_ascii_digit() || ".:".contains(*c))
                    .collect();
            }
        };
        Self { process, target: Target { address } }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ended = self.process.kill();
        let _waited = self.process.wait();
    }
}

/// The bytes that the peer answers with, and their version.
static PEER_BODY: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();

async fn same_bytes() -> actix_web::HttpResponse {
    actix_web::HttpResponse::Ok()
        .insert_header(("content-type", "application/fhir+json; fhirVersion=4.0"))
        .insert_header(("etag", "W/\"1\""))
        .insert_header(("last-modified", "Mon, 02 Mar 2026 08:10:00 GMT"))
        .body(PEER_BODY.get().cloned().unwrap_or_default())
}

/// The peer: answers every request with the body on its standard input.
fn peer() {
    let mut body = String::new();
    std::io::stdin().read_line(&mut body).unwrap();
    PEER_BODY.set(body.trim_end().into()).unwrap();
    let route = || {
        let route = actix_web::web::get().to(same_bytes);
        actix_web::App::new().route("/fhir/{kind}/{id}", route)
    };
    let server = actix_web::HttpServer::new(route).bind("127.0.0.1:0").unwrap();
    println!("http://{}", server.addrs()[0]);
    actix_web::rt::System::new().block_on(server.run()).unwrap();
}

fn start_peer(body: &[u8]) -> Server {
    let path = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(path.path(), [body, b"\n"].concat()).unwrap();
    let input = std::fs::File::open(path.path()).unwrap();
    let this = std::env::current_exe().unwrap();
    Server::from(Command::new(this).arg("--peer").stdin(input))
}

fn read(server: &Server) {
    let created =
        client::once(&server.target, "POST", "/fhir/Observation", &observation().to_string());
    let id = serde_json::from_slice::<Value>(&created).unwrap()["id"].as_str().unwrap().to_owned();
    let place = format!("/fhir/Observation/{id}");
    let body = client::once(&server.target, "GET", &place, "");
    let peer = start_peer(&body);
    let request =
        format!("GET {place} HTTP/1.1\r\nhost: x\r\naccept: application/fhir+json\r\n\r\n");
    println!("read by id, {} bytes, {CLIENTS} connections", body.len());
    compare("handler with the same bytes", "spondyl", |ours| {
        let target = if ours { &server.target } else { &peer.target };
        client::run(target, &request, CLIENTS, PHASE)
    });
}

fn create(server: &Server) {
    let body = observation().to_string();
    let request = format!(
        "POST /fhir/Observation HTTP/1.1\r\nhost: x\r\ncontent-type: application/fhir+json\r\nprefer: return=minimal\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    let directory = tempfile::tempdir().unwrap();
    let store = SledStore::open(directory.path(), 256 << 20).unwrap();
    println!("durable validated create, {} bytes, {CLIENTS} clients", body.len());
    compare("store alone, same rows", "spondyl", |ours| {
        if ours {
            client::run(&server.target, &request, CLIENTS, PHASE)
        } else {
            commit_rows(&store)
        }
    });
}

/// 64 threads that commit what a create writes, without HTTP, validation and indexing.
fn commit_rows(store: &SledStore) -> Load {
    let resource = Resource::from_value(observation()).unwrap();
    let standard = std::sync::Arc::new(spondyl::app::Standard::embedded().unwrap());
    let memory = Box::new(spondyl::store::MemoryStore::new());
    let app = spondyl::app::App::on(spondyl::config::Config::default(), memory, standard).unwrap();
    let entries = app.held().entries(&resource);
    let count = AtomicU64::new(0);
    let start = Clock::now();
    let latencies = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..CLIENTS)
            .map(|_| {
                let (resource, entries, count) = (&resource, &entries, &count);
                scope.spawn(move || {
                    let mut latencies = Vec::new();
                    while start.elapsed() < PHASE {
                        let change = Change::write(
                            None,
                            Method::Post,
                            Id::random(),
                            resource.clone(),
                            Instant::from_millis(1_772_439_000_000),
                            |_| entries.clone(),
                        );
                        let rows = batch(&*store.view().unwrap(), &[change]).unwrap();
                        let begun = Clock::now();
                        store.commit(rows).unwrap();
                        latencies.push(begun.elapsed());
                        count.fetch_add(1, Ordering::Relaxed);
                    }
                    latencies
                })
            })
            .collect();
        threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect()
    });
    Load { count: count.into_inner(), time: start.elapsed(), latencies }
}

/// Alternates the two and prints what each did, and the ratio.
fn compare(peer_name: &str, our_name: &str, run: impl Fn(bool) -> Load) {
    let (_warm, _up) = (run(false), run(true));
    let mut ratios = Vec::new();
    for round in 1..=ROUNDS {
        let (mut peer, mut ours) = (run(false), run(true));
        let ratio = ours.per_second() / peer.per_second();
        println!(
            "  round {round}: {peer_name} {}; {our_name} {}; ratio {ratio:.2}",
            peer.told(),
            ours.told()
        );
        ratios.push(ratio);
    }
    ratios.sort_by(f64::total_cmp);
    println!("  median ratio {:.2}", ratios[ROUNDS / 2]);
}

/// What the observation points to.
fn parties() -> [(&'static str, Value); 4] {
    let patient = json!({ "reference": "Patient/load" });
    [
        ("Patient/load", json!({ "resourceType": "Patient", "id": "load" })),
        ("Practitioner/load", json!({ "resourceType": "Practitioner", "id": "load" })),
        (
            "EpisodeOfCare/load",
            json!({ "resourceType": "EpisodeOfCare", "id": "load", "status": "active", "patient": patient }),
        ),
        (
            "Encounter/load",
            json!({
                "resourceType": "Encounter", "id": "load", "status": "finished", "subject": patient,
                "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB" },
                "episodeOfCare": [{ "reference": "EpisodeOfCare/load" }],
            }),
        ),
    ]
}

/// A finding of one segment, held to its profile.
fn observation() -> Value {
    let own = |system: &str, code: &str| json!({ "coding": [{ "system": format!("https://spondyl.example/fhir/CodeSystem/{system}"), "code": code }] });
    let mut site = own("motion-segment", "C5-C6");
    site["extension"] = json!([{
        "url": "https://spondyl.example/fhir/StructureDefinition/laterality",
        "valueCodeableConcept": own("side", "left"),
    }]);
    let mut value = own("mobility-class", "hypomobile");
    value["coding"].as_array_mut().unwrap().push(own("mobility-grade", "2")["coding"][0].clone());
    json!({
        "resourceType": "Observation",
        "meta": { "profile": ["https://spondyl.example/fhir/StructureDefinition/segmental-mobility"] },
        "text": { "status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>C5-C6 left: grade 2, hypomobile</p></div>" },
        "extension": [{
            "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
            "valueReference": { "reference": "EpisodeOfCare/load" },
        }],
        "status": "final",
        "category": [{ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam" }] }],
        "code": own("finding", "segmental-mobility"),
        "subject": { "reference": "Patient/load" },
        "encounter": { "reference": "Encounter/load" },
        "effectiveDateTime": "2026-03-02T09:10:00+00:00",
        "performer": [{ "reference": "Practitioner/load" }],
        "valueCodeableConcept": value,
        "bodySite": site,
        "method": own("test-method", "paivm-unilateral-pa"),
    })
}
