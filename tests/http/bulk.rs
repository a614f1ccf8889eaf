//! Bulk Data Access 3.0.0: kick-off, state, manifest, files, end.
//!
//! Source: <https://hl7.org/fhir/uv/bulkdata/export.html>.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use serde_json::{Value, json};
use spondyl::config::Config;
use tempfile::TempDir;

use crate::client::{Answer, Server, patient, put, reference};

struct Clinic {
    server: Server,
    data: TempDir,
}

const ASYNC: (&str, &str) = ("Prefer", "respond-async");

impl Clinic {
    fn start() -> Self {
        let data = TempDir::new().unwrap();
        let config = Config { data: data.path().to_owned(), ..Config::default() };
        Self { server: Server::with(config), data }
    }

    async fn fill(&self) {
        let server = &self.server;
        for id in ["alba", "brun", "cael"] {
            put(server, id, patient(id)).await;
            for number in 0..4 {
                let name = format!("{id}-{number}");
                put(server, &name, observation(id, ["pain", "range"][number % 2])).await;
            }
        }
        put(server, "hands", json!({ "resourceType": "Practitioner" })).await;
        put(server, "origin", json!({ "resourceType": "Provenance", "recorded": "2026-01-01T00:00:00Z",
            "target": [reference("Observation/alba-0")], "agent": [{ "who": reference("Practitioner/hands") }] })).await;
        put(server, "two", json!({ "resourceType": "Group", "type": "person", "actual": true, "member": [
            { "entity": reference("Patient/alba") }, { "entity": reference("Patient/brun"), "inactive": true },
            { "entity": reference("Patient/cael") }] })).await;
    }

    async fn begin(&self, path: &str) -> Answer {
        self.server.send("GET", path, &[ASYNC, ("Accept", "application/fhir+json")], "").await
    }

    /// The manifest of an export that was begun.
    async fn manifest(&self, begun: Answer) -> Value {
        let begun = begun.has_status(202);
        let url = begun.header("Content-Location").to_owned();
        assert!(url.starts_with(&self.server.base()), "absolute: {url}");
        for _ in 0..600 {
            let state = self.server.get(&url).await;
            if state.status == 200 {
                assert_eq!(state.header("Content-Type"), "application/json");
                assert!(!state.header("Expires").is_empty());
                return state.json();
            }
            // Who asks again too soon is told so (429), and asks as soon as it may for all that.
            assert!([202, 429].contains(&state.status), "{}", state.text);
            assert!(
                state.header("X-Progress").len() < 100 && !state.header("Retry-After").is_empty()
            );
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        panic!("the export does not end");
    }

    async fn export(&self, path: &str) -> Value {
        let begun = self.begin(path).await;
        self.manifest(begun).await
    }

    /// The lines of the files, by type.
    async fn lines(&self, manifest: &Value, member: &str) -> BTreeMap<String, Vec<Value>> {
        let mut all: BTreeMap<String, Vec<Value>> = BTreeMap::new();
        for output in manifest[member].as_array().unwrap() {
            let file = self.server.get(output["url"].as_str().unwrap()).await.has_status(200);
            assert_eq!(file.header("Content-Type"), "application/fhir+ndjson");
            let lines: Vec<Value> =
                file.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
            assert_eq!(output["count"], lines.len());
            let kind = output["type"].as_str().unwrap();
            assert!(lines.iter().all(|line| line["resourceType"] == kind));
            all.entry(kind.to_owned()).or_default().extend(lines);
        }
        all
    }

    async fn ids(&self, path: &str) -> BTreeSet<String> {
        let manifest = self.export(path).await;
        let lines = self.lines(&manifest, "output").await;
        let name = |line: &Value| {
            format!("{}/{}", line["resourceType"].as_str().unwrap(), line["id"].as_str().unwrap())
        };
        lines.values().flatten().map(name).collect()
    }
}

fn observation(of: &str, code: &str) -> Value {
    json!({
        "resourceType": "Observation", "status": "final",
        "code": { "coding": [{ "system": "http://example.org/codes", "code": code }] },
        "subject": reference(&format!("Patient/{of}")),
        "performer": [reference("Practitioner/hands")],
        "effectiveDateTime": "2026-03-02",
        "note": [{ "text": "invented" }]
    })
}

/// "Response - Complete Status": every member is there; the files have what a search has.
#[actix_web::test]
async fn of_all_there_is() {
    let clinic = Clinic::start();
    clinic.fill().await;
    let manifest = clinic.export("/$export").await;
    for (member, is_right) in [
        ("transactionTime", manifest["transactionTime"].is_string()),
        ("request", manifest["request"] == format!("{}/$export", clinic.server.base())),
        ("requiresAccessToken", manifest["requiresAccessToken"] == false),
        ("error", manifest["error"] == json!([])),
        ("deleted", manifest["deleted"] == json!([])),
    ] {
        assert!(is_right, "{member}: {manifest}");
    }
    let lines = clinic.lines(&manifest, "output").await;
    let count = |kind: &str| lines.get(kind).map_or(0, Vec::len);
    assert_eq!((count("Patient"), count("Observation"), count("Group")), (3, 12, 1));
    let read = clinic.server.get("/Observation/brun-2").await.json();
    assert!(lines["Observation"].contains(&read), "as it is read");
    let gzip = clinic
        .server
        .send(
            "GET",
            manifest["output"][0]["url"].as_str().unwrap(),
            &[("Accept-Encoding", "gzip")],
            "",
        )
        .await;
    assert_eq!(gzip.header("Content-Encoding"), "gzip");
}

/// "Query Parameters", each.
#[actix_web::test]
async fn parameters_narrow_an_export() {
    let clinic = Clinic::start();
    clinic.fill().await;
    assert_eq!(clinic.ids("/$export?_type=Patient,Group").await.len(), 4);
    assert_eq!(
        clinic.ids("/$export?_type=Patient&_type=Group&_outputFormat=ndjson").await.len(),
        4
    );
    let filter = "_typeFilter=Observation%3Fcode%3Dpain";
    assert_eq!(clinic.ids(&format!("/$export?_type=Observation&{filter}")).await.len(), 6);
    // Of the same type: one or the other. Of other types: independent.
    let either = format!("{filter}&_typeFilter=Observation%3Fpatient%3Dbrun");
    assert_eq!(clinic.ids(&format!("/$export?_type=Observation,Patient&{either}")).await.len(), 11);
    let cut = clinic.export("/$export?_type=Observation&_elements=Observation.code").await;
    let cut = clinic.lines(&cut, "output").await;
    let first = &cut["Observation"][0];
    assert!(first["note"].is_null() && first["code"].is_object());
    assert_eq!(first["meta"]["tag"][0]["code"], "SUBSETTED");
    let along = clinic
        .ids("/$export?_type=Observation&includeAssociatedData=LatestProvenanceResources")
        .await;
    assert!(along.contains("Provenance/origin") && along.len() == 13);
}

/// "Endpoint - All Patients", "Endpoint - Group of Patients".
#[actix_web::test]
async fn of_patients_and_of_groups() {
    let clinic = Clinic::start();
    clinic.fill().await;
    let of_all = clinic.ids("/Patient/$export").await;
    assert!(of_all.contains("Observation/alba-1") && of_all.contains("Provenance/origin"));
    assert!(!of_all.contains("Practitioner/hands"));
    let of_group = clinic.ids("/Group/two/$export").await;
    let observations = of_group.iter().filter(|name| name.starts_with("Observation/"));
    assert_eq!(observations.count(), 8);
    assert!(of_group.iter().all(|name| !name.contains("brun")), "{of_group:?}");
    let parameters = json!({ "resourceType": "Parameters", "parameter": [
        { "name": "patient", "valueReference": { "reference": "Patient/cael" } },
        { "name": "_type", "valueString": "Observation" }] });
    let headers = [ASYNC, crate::client::JSON];
    let begun =
        clinic.server.send("POST", "/Patient/$export", &headers, parameters.to_string()).await;
    let manifest = clinic.manifest(begun).await;
    let lines = clinic.lines(&manifest, "output").await;
    assert_eq!(lines["Observation"].len(), 4);
    clinic.begin("/Group/none/$export").await.is_error(404, "not-found");

    // Members of member groups, also of a group that is a member of itself.
    let outer = json!({ "resourceType": "Group", "type": "person", "actual": true, "member": [
        { "entity": reference("Group/two") }, { "entity": reference("Group/outer") }] });
    put(&clinic.server, "outer", outer).await;
    let nested = clinic.ids("/Group/outer/$export?_type=Patient").await;
    assert_eq!(nested.into_iter().collect::<Vec<_>>(), ["Patient/alba", "Patient/cael"]);
}

/// "transactionTime": what was stored by then and nothing later, and with `_since` what is missing,
/// while others write.
#[actix_web::test]
async fn while_others_write_nothing_is_lost_or_torn() {
    let clinic = Clinic::start();
    clinic.fill().await;
    clinic.server.delete("/Observation/cael-3").await.has_status(204);
    let writing = async {
        for round in 0..60 {
            let mut value = observation("alba", "pain");
            value["note"] = json!([{ "text": format!("round {round}") }]);
            put(&clinic.server, "alba-0", value).await;
            put(&clinic.server, &format!("fresh-{round}"), observation("brun", "range")).await;
        }
        clinic.server.delete("/Observation/brun-0").await.has_status(204);
    };
    let exporting = async {
        tokio::time::sleep(Duration::from_millis(40)).await;
        clinic.export("/$export?_type=Observation").await
    };
    let ((), first) = tokio::join!(writing, exporting);
    let time = first["transactionTime"].as_str().unwrap().to_owned();
    let lines = clinic.lines(&first, "output").await;
    let mut held: BTreeMap<String, String> = BTreeMap::new();
    let version = |line: &Value| line["meta"]["versionId"].as_str().unwrap().to_owned();
    let id = |line: &Value| line["id"].as_str().unwrap().to_owned();
    for line in &lines["Observation"] {
        assert!(line["meta"]["lastUpdated"].as_str().unwrap() <= time.as_str(), "{line}");
        held.insert(id(line), version(line));
    }
    let second = clinic.export(&format!("/$export?_type=Observation&_since={time}")).await;
    for line in clinic.lines(&second, "output").await.values().flatten() {
        assert!(line["meta"]["lastUpdated"].as_str().unwrap() > time.as_str(), "{line}");
        held.insert(id(line), version(line));
    }
    for line in clinic.lines(&second, "deleted").await.values().flatten() {
        assert_eq!(
            (&line["type"], &line["entry"][0]["request"]["method"]),
            (&json!("transaction"), &json!("DELETE"))
        );
        let url = line["entry"][0]["request"]["url"].as_str().unwrap();
        held.remove(url.strip_prefix("Observation/").unwrap());
    }
    let now = clinic.server.get("/Observation?_count=1000").await.json();
    let now: BTreeMap<String, String> = now["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|entry| (id(&entry["resource"]), version(&entry["resource"])))
        .collect();
    assert_eq!(held, now);
}

/// Faults, and the end of an export.
#[actix_web::test]
async fn what_is_refused_and_how_it_ends() {
    let clinic = Clinic::start();
    clinic.fill().await;
    clinic.server.get("/$export").await.is_error(400, "invalid");
    for (query, code) in [
        ("_type=Nothing", "not-supported"),
        ("_outputFormat=csv", "invalid"),
        ("_since=yesterday", "invalid"),
        ("_since=2026-02-01T00:00:00Z&_until=2026-01-01T00:00:00Z", "invalid"),
        ("organizeOutputBy=Patient", "not-supported"),
        ("_typeFilter=Observation", "invalid"),
        ("_typeFilter=Observation%3F_sort%3Ddate", "invalid"),
        ("_type=Patient&_typeFilter=Observation%3Fcode%3Da", "invalid"),
        ("patient=Patient/alba", "not-supported"),
    ] {
        clinic.begin(&format!("/$export?{query}")).await.is_error(400, code);
    }
    let lenient = [("Prefer", "respond-async, handling=lenient")];
    let begun =
        clinic.server.send("GET", "/$export?_type=Nothing,Patient&some=1", &lenient, "").await;
    assert_eq!(clinic.manifest(begun).await["output"].as_array().unwrap().len(), 1);

    let begun = clinic.begin("/$export?_type=Patient").await;
    let url = begun.header("Content-Location").to_owned();
    let manifest = clinic.manifest(begun).await;
    let file = manifest["output"][0]["url"].as_str().unwrap().to_owned();
    clinic.server.get(&format!("{url}/job.json")).await.is_error(404, "not-found");
    clinic.server.get(&format!("{url}/..%2fjob.json")).await.is_error(404, "not-found");
    clinic.server.delete(&url).await.has_status(202);
    clinic.server.get(&url).await.is_error(404, "not-found");
    clinic.server.get(&file).await.is_error(404, "not-found");
    clinic.server.delete(&url).await.is_error(404, "not-found");
}

/// An export that was running when the server stopped is done after its next start, as of its own
/// moment.
#[actix_web::test]
async fn it_goes_on_after_a_restart() {
    let data = TempDir::new().unwrap();
    let config = || Config { data: data.path().to_owned(), ..Config::default() };
    let job = json!({
        "id": "0123456789abcdef0123456789abcdef",
        "url": "http://127.0.0.1/fhir/$export",
        "request": { "level": "System", "pairs": [["_type", "Patient"]], "lenient": false },
        "access": null,
        "moment": time::OffsetDateTime::now_utc().unix_timestamp() * 1000 - 1000,
        "state": "Running",
    });
    let place = data.path().join("exports/0123456789abcdef0123456789abcdef");
    std::fs::create_dir_all(&place).unwrap();
    std::fs::write(place.join("Patient.1.ndjson"), "{\"half").unwrap();
    std::fs::write(place.join("job.json"), job.to_string()).unwrap();
    let server = Server::with(config());
    let clinic = Clinic { server, data: TempDir::new().unwrap() };
    let url = format!("{}/exports/0123456789abcdef0123456789abcdef", clinic.server.base());
    for _ in 0..200 {
        let state = clinic.server.get(&url).await;
        if state.status == 200 {
            assert_eq!(state.json()["output"], json!([]), "there are no patients");
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("it does not go on");
}

/// "If the client polls too frequently" 429 with Retry-After (Bulk Data Access 3.0.0, status request);
/// of each export for itself.
#[actix_web::test]
async fn who_asks_too_soon_is_told_so() {
    let clinic = Clinic::start();
    let ids = ["0123456789abcdef0123456789abcdef", "fedcba9876543210fedcba9876543210"];
    for id in ids {
        // Put there behind the server's back, so that nobody runs it.
        let job = json!({
            "id": id, "url": "http://127.0.0.1/fhir/$export", "access": null, "moment": 0,
            "request": { "level": "System", "pairs": [], "lenient": false }, "state": "Running",
        });
        let place = clinic.data.path().join("exports").join(id);
        std::fs::create_dir_all(&place).unwrap();
        std::fs::write(place.join("job.json"), job.to_string()).unwrap();
    }
    let ask = async |id: &str| clinic.server.get(&format!("/exports/{id}")).await;
    for id in ids {
        let first = ask(id).await.has_status(202);
        assert_eq!(first.header("X-Progress"), "waiting");
        let wait: u64 = first.header("Retry-After").parse().unwrap();
        let again = ask(id).await;
        assert_eq!(again.header("Retry-After"), "1");
        again.is_error(429, "throttled");
        tokio::time::sleep(Duration::from_secs(wait)).await;
        ask(id).await.has_status(202);
    }
}
