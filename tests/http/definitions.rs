//! Definitions that are stored take effect at once and after a restart; broken ones are refused with
//! the place: <http://hl7.org/fhir/R4/profiling.html>, <http://hl7.org/fhir/R4/valueset.html>,
//! <http://hl7.org/fhir/R4/searchparameter.html>, <http://hl7.org/fhir/R4/references.html#canonical>.

use serde_json::{Value, json};

use crate::client::{Server, patient};

pub(crate) const BASE: &str = "https://a.example/fhir";

pub(crate) fn profile(name: &str, elements: Value) -> Value {
    json!({
        "resourceType": "StructureDefinition", "id": name, "name": "P", "status": "active",
        "url": format!("{BASE}/StructureDefinition/{name}"), "fhirVersion": "4.0.1",
        "kind": "resource", "abstract": false, "type": "Patient", "derivation": "constraint",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "differential": { "element": elements },
    })
}

/// A profile that asks for what a patient of [`patient`] lacks.
fn with_birth_date(name: &str) -> Value {
    profile(name, json!([{ "id": "Patient.birthDate", "path": "Patient.birthDate", "min": 1 }]))
}

pub(crate) fn code_system(codes: &[&str]) -> Value {
    let concepts: Vec<Value> = codes.iter().map(|code| json!({ "code": code })).collect();
    json!({
        "resourceType": "CodeSystem", "id": "cs", "url": format!("{BASE}/CodeSystem/cs"),
        "status": "active", "content": "complete", "concept": concepts,
    })
}

pub(crate) fn value_set(name: &str, include: Value) -> Value {
    json!({
        "resourceType": "ValueSet", "id": name, "url": format!("{BASE}/ValueSet/{name}"),
        "status": "active", "compose": { "include": include },
    })
}

pub(crate) fn parameter(name: &str, code: &str, expression: &str) -> Value {
    json!({
        "resourceType": "SearchParameter", "id": name, "url": format!("{BASE}/SearchParameter/{name}"),
        "name": "P", "status": "active", "description": "For a test.", "code": code,
        "base": ["Patient"], "type": "string", "expression": expression,
    })
}

pub(crate) fn claiming(name: &str) -> Value {
    let mut patient = patient("A");
    patient["meta"] = json!({ "profile": [format!("{BASE}/StructureDefinition/{name}")] });
    patient
}

pub(crate) async fn put(server: &Server, resource: &Value, status: u16) -> Value {
    let place = format!(
        "/{}/{}",
        resource["resourceType"].as_str().unwrap(),
        resource["id"].as_str().unwrap()
    );
    server.put(&place, resource).await.has_status(status).json()
}

/// That it is refused with 422 and an issue at that place; nothing is stored.
pub(crate) async fn refused(server: &Server, resource: &Value, place: &str) {
    let outcome = put(server, resource, 422).await;
    let issues = outcome["issue"].as_array().unwrap();
    let at_place = |issue: &&Value| issue["expression"][0] == place;
    assert!(issues.iter().any(|issue| at_place(&issue)), "{place}: {outcome}");
    let path = format!(
        "/{}/{}",
        resource["resourceType"].as_str().unwrap(),
        resource["id"].as_str().unwrap()
    );
    let status = server.get(&path).await.status;
    assert!([404, 410, 200].contains(&status), "{path}");
}

#[actix_web::test]
async fn a_profile_is_in_force_at_once_and_after_a_restart_and_until_it_is_deleted() {
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    server.post("/Patient", &claiming("p")).await.has_status(201);
    put(&server, &with_birth_date("p"), 201).await;
    let outcome = server.post("/Patient", &claiming("p")).await.is_error(422, "required").json();
    assert_eq!(outcome["issue"][0]["expression"][0], "Patient", "{outcome}");
    let url = format!("/Patient/$validate?profile={BASE}/StructureDefinition/p");
    let outcome = server.post(&url, &patient("A")).await.has_status(200).json();
    assert_eq!(outcome["issue"][0]["severity"], "error", "{outcome}");
    server.stop().await;

    let server = Server::in_directory(data.path());
    server.post("/Patient", &claiming("p")).await.is_error(422, "required");
    // An update is the profile from then on.
    put(
        &server,
        &profile("p", json!([{ "id": "Patient.name", "path": "Patient.name", "min": 1 }])),
        200,
    )
    .await;
    server.post("/Patient", &claiming("p")).await.has_status(201);
    put(&server, &with_birth_date("p"), 200).await;
    server.post("/Patient", &claiming("p")).await.is_error(422, "required");
    server.delete("/StructureDefinition/p").await.has_status(204);
    server.post("/Patient", &claiming("p")).await.has_status(201);
    server.stop().await;

    let server = Server::in_directory(data.path());
    server.post("/Patient", &claiming("p")).await.has_status(201);
}

#[actix_web::test]
async fn broken_profiles_are_refused_with_the_place() {
    let server = Server::start();
    let path = "StructureDefinition.differential.element[1]";
    let name = json!({ "id": "Patient.gender", "path": "Patient.gender" });
    for (element, member) in [
        (json!({ "path": "Patient.name", "max": "many" }), ".max"),
        // eld-2
        (json!({ "path": "Patient.name", "min": 2, "max": "1" }), ".max"),
        (json!({ "path": "Patient.birthDate", "max": "*" }), ".max"),
        (json!({ "path": "Patient.link.other", "min": 0 }), ".min"),
        (json!({ "path": "Patient.colour", "min": 1 }), ".path"),
        (json!({ "path": "Observation.status", "min": 1 }), ".path"),
        (json!({ "path": "Patient.birthDate", "type": [{ "code": "Quantity" }] }), ".type[0].code"),
        (
            json!({ "path": "Patient.name", "constraint": [
                { "key": "x-1", "severity": "error", "human": "x", "expression": "family.exists(" }] }),
            ".constraint[0].expression",
        ),
    ] {
        let mut element = element;
        element["id"] = element["path"].clone();
        let bad = profile("bad", json!([name, element]));
        refused(&server, &bad, &format!("{path}{member}")).await;
    }
    let mut orphan = with_birth_date("orphan");
    orphan["baseDefinition"] = json!(format!("{BASE}/StructureDefinition/nowhere"));
    refused(&server, &orphan, "StructureDefinition.baseDefinition").await;
    let mut circle = with_birth_date("circle");
    circle["baseDefinition"] = circle["url"].clone();
    refused(&server, &circle, "StructureDefinition.baseDefinition").await;
    let mut other = with_birth_date("other");
    other["baseDefinition"] = json!("http://hl7.org/fhir/StructureDefinition/Observation");
    refused(&server, &other, "StructureDefinition.type").await;
    assert_eq!(server.versions().await, 0);
}

#[actix_web::test]
async fn what_a_profile_rests_on_cannot_go_or_break() {
    let server = Server::start();
    put(&server, &with_birth_date("base"), 201).await;
    let mut derived =
        profile("derived", json!([{ "id": "Patient.name", "path": "Patient.name", "min": 1 }]));
    derived["baseDefinition"] = json!(format!("{BASE}/StructureDefinition/base"));
    put(&server, &derived, 201).await;
    server.post("/Patient", &claiming("derived")).await.is_error(422, "required");
    server.delete("/StructureDefinition/base").await.is_error(422, "conflict");
    server.post("/Patient", &claiming("derived")).await.is_error(422, "required");
    // What changes below shows above.
    put(
        &server,
        &profile("base", json!([{ "id": "Patient.name", "path": "Patient.name", "min": 1 }])),
        200,
    )
    .await;
    server.post("/Patient", &claiming("derived")).await.has_status(201);
    // Both at once is no loss to anyone.
    let entries = ["base", "derived"].map(|name| {
        json!({ "request": { "method": "DELETE", "url": format!("StructureDefinition/{name}") } })
    });
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
    server.post("", &bundle).await.has_status(200);
}

#[actix_web::test]
async fn a_transaction_brings_what_rests_on_each_other_and_names_the_broken_entry() {
    let server = Server::start();
    let mut derived =
        profile("derived", json!([{ "id": "Patient.name", "path": "Patient.name", "min": 1 }]));
    derived["baseDefinition"] = json!(format!("{BASE}/StructureDefinition/base"));
    let bundle = |base: Value| {
        let entries = [derived.clone(), base].map(|resource| {
            let url = format!("StructureDefinition/{}", resource["id"].as_str().unwrap());
            json!({ "resource": resource, "request": { "method": "PUT", "url": url } })
        });
        json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries })
    };
    let broken =
        profile("base", json!([{ "id": "Patient.colour", "path": "Patient.colour", "min": 1 }]));
    let outcome = server.post("", &bundle(broken)).await.has_status(422).json();
    let place = "Bundle.entry[1].resource.differential.element[0].path";
    let issues = outcome["issue"].as_array().unwrap();
    assert!(issues.iter().any(|issue| issue["expression"][0] == place), "{outcome}");
    assert_eq!(server.versions().await, 0);
    server.post("", &bundle(with_birth_date("base"))).await.has_status(200);
    server.post("/Patient", &claiming("derived")).await.is_error(422, "required");
}

#[actix_web::test]
async fn code_systems_and_value_sets_are_in_force_at_once_and_after_a_restart() {
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    let system = format!("{BASE}/CodeSystem/cs");
    let set = value_set("vs", json!([{ "system": system }]));
    let bound = profile(
        "bound",
        json!([{ "id": "Patient.maritalStatus", "path": "Patient.maritalStatus",
        "binding": { "strength": "required", "valueSet": format!("{BASE}/ValueSet/vs") } }]),
    );
    put(&server, &bound, 201).await;
    put(&server, &set, 201).await;
    put(&server, &code_system(&["a"]), 201).await;
    let with = |code: &str| {
        let mut patient = claiming("bound");
        patient["maritalStatus"] = json!({ "coding": [{ "system": system, "code": code }] });
        patient
    };
    server.post("/Patient", &with("a")).await.has_status(201);
    server.post("/Patient", &with("b")).await.is_error(422, "code-invalid");
    put(&server, &code_system(&["a", "b"]), 200).await;
    server.post("/Patient", &with("b")).await.has_status(201);
    server.post("/Patient", &with("c")).await.is_error(422, "code-invalid");
    server.stop().await;

    let server = Server::in_directory(data.path());
    server.post("/Patient", &with("b")).await.has_status(201);
    server.post("/Patient", &with("c")).await.is_error(422, "code-invalid");
    server.delete("/CodeSystem/cs").await.has_status(204);
    // Nothing is held that could say that the code is wrong.
    server.post("/Patient", &with("c")).await.has_status(201);
}

#[actix_web::test]
async fn broken_terminology_is_refused_with_the_place() {
    let server = Server::start();
    let other = |name: &str| json!([{ "valueSet": [format!("{BASE}/ValueSet/{name}")] }]);
    put(&server, &value_set("a", other("b")), 201).await;
    put(&server, &value_set("b", other("c")), 201).await;
    let place = "ValueSet.compose.include[0].valueSet[0]";
    refused(&server, &value_set("c", other("a")), place).await;
    refused(&server, &value_set("self", other("self")), place).await;
    let filter = json!([{ "system": "urn:s", "filter": [
        { "property": "code", "op": "regex", "value": "(" }] }]);
    refused(&server, &value_set("r", filter), "ValueSet.compose.include[0].filter[0].value").await;
}

#[actix_web::test]
async fn a_search_parameter_finds_what_was_there_before_and_what_comes_after() {
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    for number in 0..250 {
        let mut patient = patient(&format!("F{number}"));
        patient["contact"] = json!([{ "name": { "text": format!("C{}", number % 2) } }]);
        server.post("/Patient", &patient).await.has_status(201);
    }
    let total = async |server: &Server, query: &str| {
        let found = server.get(&format!("/Patient?{query}&_total=accurate&_count=0")).await;
        found.has_status(200).json()["total"].as_u64().unwrap()
    };
    let strict = [("Prefer", "handling=strict")];
    server.send("GET", "/Patient?contact-name=C1", &strict, "").await.is_error(400, "invalid");
    put(&server, &parameter("sp", "contact-name", "Patient.contact.name"), 201).await;
    assert_eq!(total(&server, "contact-name=C1").await, 125);
    let mut late = patient("late");
    late["contact"] = json!([{ "name": { "text": "C1" } }]);
    server.post("/Patient", &late).await.has_status(201);
    assert_eq!(total(&server, "contact-name=C1").await, 126);
    let statement = server.get("/metadata").await.json().to_string();
    assert!(statement.contains("contact-name"));
    server.stop().await;

    let server = Server::in_directory(data.path());
    assert_eq!(total(&server, "contact-name=C1").await, 126);
    // Another expression is another index.
    put(&server, &parameter("sp", "contact-name", "Patient.name"), 200).await;
    assert_eq!(total(&server, "contact-name=C1").await, 0);
    assert_eq!(total(&server, "contact-name=F7").await, 11);
    server.delete("/SearchParameter/sp").await.has_status(204);
    server.send("GET", "/Patient?contact-name=C1", &strict, "").await.is_error(400, "invalid");
}

/// More resources than the writer of a parameter waits for: until all are indexed searches by it are
/// refused, never answered in part, and a server that was stopped goes on after it starts.
#[actix_web::test]
async fn many_resources_are_indexed_behind() {
    const MANY: usize = 2500;
    let data = tempfile::tempdir().unwrap();
    let server = Server::in_directory(data.path());
    let numbers: Vec<usize> = (0..MANY).collect();
    for part in numbers.chunks(500) {
        let entries = part.iter().map(|number| {
            let mut patient = patient(&format!("F{number}"));
            patient["contact"] = json!([{ "name": { "text": "C" } }]);
            json!({ "resource": patient, "request": { "method": "POST", "url": "Patient" } })
        });
        let entries: Vec<Value> = entries.collect();
        let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
        server.post("", &bundle).await.has_status(200);
    }
    put(&server, &parameter("sp", "contact-name", "Patient.contact.name"), 201).await;
    let by_family = "/Patient?family=F7&_count=0";
    server.get(by_family).await.has_status(200);
    server.stop().await;
    let server = Server::in_directory(data.path());
    let query = "/Patient?contact-name=C&_total=accurate&_count=0";
    for _ in 0..600 {
        let answer = server.get(query).await;
        if answer.status == 200 {
            assert_eq!(answer.json()["total"], MANY);
            return;
        }
        let outcome = answer.is_error(400, "not-supported").json();
        assert!(outcome.to_string().contains("still being indexed"), "{outcome}");
        server.get(by_family).await.has_status(200);
        actix_web::rt::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("the rows were not made in half a minute");
}

#[actix_web::test]
async fn broken_search_parameters_are_refused_with_the_place() {
    let server = Server::start();
    for (bad, place) in [
        (parameter("p", "p", "Patient.name.where("), "SearchParameter.expression"),
        (parameter("p", "p", "Patient.colour"), "SearchParameter.expression"),
        (parameter("p", "a b", "Patient.name"), "SearchParameter.code"),
        // The standard's own name for something else.
        (parameter("p", "family", "Patient.contact.name"), "SearchParameter.code"),
    ] {
        refused(&server, &bad, place).await;
    }
    put(&server, &parameter("one", "contact-name", "Patient.contact.name"), 201).await;
    let again = parameter("two", "contact-name", "Patient.contact.name.family");
    refused(&server, &again, "SearchParameter.code").await;
}

/// Canonical and version name one definition; of several versions the bare canonical means the
/// latest; the standard's own stay; what is retired is not in force.
#[actix_web::test]
async fn canonicals_versions_and_status() {
    let server = Server::start();
    let version = |id: &str, version: &str, element: &str| {
        let mut profile = profile("p", json!([{ "id": element, "path": element, "min": 1 }]));
        profile["id"] = json!(id);
        profile["version"] = json!(version);
        profile
    };
    put(&server, &version("p2", "1.10.0", "Patient.name"), 201).await;
    put(&server, &version("p1", "1.9.0", "Patient.birthDate"), 201).await;
    server.post("/Patient", &claiming("p")).await.has_status(201);
    server.post("/Patient", &claiming("p|1.10.0")).await.has_status(201);
    server.post("/Patient", &claiming("p|1.9.0")).await.is_error(422, "required");
    refused(&server, &version("p3", "1.9.0", "Patient.name"), "StructureDefinition.url").await;
    let mut retired = version("p1", "1.9.0", "Patient.birthDate");
    retired["status"] = json!("retired");
    put(&server, &retired, 200).await;
    server.post("/Patient", &claiming("p|1.9.0")).await.has_status(201);

    let mut core = with_birth_date("core");
    core["url"] = json!("http://hl7.org/fhir/StructureDefinition/Patient");
    refused(&server, &core, "StructureDefinition.url").await;
    core["url"] = json!("http://hl7.org/fhir/StructureDefinition/bodyweight");
    refused(&server, &core, "StructureDefinition.url").await;
    // A copy changes nothing, and says so.
    core["version"] = json!("4.0.1");
    let place = "/StructureDefinition/core";
    let wants = [crate::client::JSON, ("Prefer", "return=OperationOutcome")];
    let answer = server.send("PUT", place, &wants, core.to_string()).await.has_status(201).json();
    assert_eq!(answer["issue"][0]["severity"], "warning", "{answer}");
}

/// Ours are in force without being stored, and nobody can put another in their place.
#[actix_web::test]
async fn our_own_are_read_only() {
    let server = Server::start();
    let mut own = with_birth_date("segmental-mobility");
    server
        .put("/StructureDefinition/segmental-mobility", &own)
        .await
        .is_error(422, "business-rule");
    own["id"] = json!("mine");
    own["url"] = json!("https://spondyl.example/fhir/StructureDefinition/segmental-mobility");
    refused(&server, &own, "StructureDefinition.url").await;
    assert_eq!(server.versions().await, 0);
}

/// Many writers of definitions and of records at once: what is in force in the end is what was
/// committed last, each write was checked by rules that were in force, and none is lost.
#[actix_web::test]
async fn the_last_commit_is_in_force() {
    let server = Server::start();
    let kinds = ["Patient.birthDate", "Patient.name"];
    let writes = (0..24).map(|number| {
        let server = &server;
        async move {
            let element = kinds[number % 2];
            let one = profile("shared", json!([{ "id": element, "path": element, "min": 1 }]));
            put_any(server, &one).await;
            put_any(server, &with_birth_date(&format!("own-{number}"))).await;
            let status = server.post("/Patient", &claiming("shared")).await.status;
            assert!([201, 422].contains(&status), "{status}");
        }
    });
    futures_join(writes).await;
    for number in 0..24 {
        server
            .post("/Patient", &claiming(&format!("own-{number}")))
            .await
            .is_error(422, "required");
    }
    let last = server.get("/StructureDefinition/shared").await.has_status(200).json();
    let status = server.post("/Patient", &claiming("shared")).await.status;
    let asks_for_date = last["differential"]["element"][0]["path"] == kinds[0];
    assert_eq!(status, if asks_for_date { 422 } else { 201 });
    assert_eq!(last["meta"]["versionId"], "24");
}

async fn put_any(server: &Server, resource: &Value) {
    let place = format!("/StructureDefinition/{}", resource["id"].as_str().unwrap());
    let answer = server.put(&place, resource).await;
    assert!([200, 201].contains(&answer.status), "{answer:?}");
}

async fn futures_join<F: Future<Output = ()>>(all: impl Iterator<Item = F>) {
    let mut all: Vec<_> = all.map(Box::pin).collect();
    std::future::poll_fn(|context| {
        all.retain_mut(|one| one.as_mut().poll(context).is_pending());
        if all.is_empty() { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
}
