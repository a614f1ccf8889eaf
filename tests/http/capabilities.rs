//! capabilities: <http://hl7.org/fhir/R4/http.html#capabilities>.

use serde_json::{Value, json};

use crate::client::{Server, patient};

async fn statement(server: &Server) -> Value {
    server.get("/metadata").await.has_status(200).json()
}

/// 3.1.0.10: what is there is told; the statement is itself valid R4.
#[actix_web::test]
async fn a_valid_statement_of_everything() {
    let server = Server::start();
    let statement = statement(&server).await;
    assert_eq!(statement["fhirVersion"], "4.0.1");
    assert_eq!(statement["implementation"]["url"], server.base());
    let resources = statement["rest"][0]["resource"].as_array().unwrap();
    // http://hl7.org/fhir/R4/resourcelist.html has 148 types, two of them abstract.
    assert_eq!(resources.len(), 146);
    let of = |kind: &str| resources.iter().find(|resource| resource["type"] == kind).unwrap();
    let has = |kind: &str, list: &str, name: &str| {
        let list = of(kind)[list].as_array().cloned().unwrap_or_default();
        list.iter().any(|item| item["name"] == name || item["code"] == name)
    };
    assert!(has("Patient", "searchParam", "family") && has("Patient", "searchParam", "_id"));
    assert!(has("Observation", "searchParam", "body-site"), "ours are told like the standard's");
    assert!(!has("Patient", "searchParam", "_query"), "what is refused is not claimed");
    assert!(has("Patient", "operation", "validate"));
    let answer = server.post("/CapabilityStatement/$validate", &statement).await.has_status(200);
    let issues = answer.json()["issue"].as_array().unwrap().clone();
    let errors: Vec<_> = issues.iter().filter(|issue| issue["severity"] == "error").collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

/// Each search parameter that is claimed answers, for the types that a clinic lives on.
#[actix_web::test]
async fn claimed_parameters_answer() {
    let server = Server::start();
    let statement = statement(&server).await;
    for kind in ["Patient", "Observation", "Procedure", "EpisodeOfCare", "Encounter"] {
        let resources = statement["rest"][0]["resource"].as_array().unwrap();
        let resource = resources.iter().find(|resource| resource["type"] == kind).unwrap();
        for parameter in resource["searchParam"].as_array().unwrap() {
            let name = parameter["name"].as_str().unwrap();
            let value = match parameter["type"].as_str().unwrap() {
                "date" => "2026-01-01",
                "number" | "quantity" => "1",
                "reference" => "Patient/1",
                // Composites have values of many forms; that they are known is enough here.
                "composite" | "special" => continue,
                _ if ["active", "deceased"].contains(&name) => "true",
                _ => "x",
            };
            let path = format!("/{kind}?{name}={value}");
            let strict = [("Prefer", "handling=strict")];
            let answer = server.send("GET", &path, &strict, "").await;
            assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        }
    }
}

/// Each interaction that is claimed answers, and what is not claimed is refused.
#[actix_web::test]
async fn claims_about_interactions_hold() {
    let server = Server::start();
    let statement = statement(&server).await;
    let patient_claims = statement["rest"][0]["resource"]
        .as_array()
        .unwrap()
        .iter()
        .find(|resource| resource["type"] == "Patient")
        .unwrap();
    let claimed = json!([
        { "code": "read" }, { "code": "vread" }, { "code": "update" }, { "code": "patch" },
        { "code": "delete" }, { "code": "history-instance" }, { "code": "history-type" },
        { "code": "create" }, { "code": "search-type" },
    ]);
    assert_eq!(patient_claims["interaction"], claimed, "each is called by the tests beside");
    assert_eq!(patient_claims["conditionalUpdate"], true);
    server.put("/Patient?family=A", &patient("A")).await.has_status(201);
    assert_eq!(patient_claims["conditionalDelete"], "single");
    server.delete("/Patient?family=A").await.has_status(204);
    let formats = &statement["patchFormat"];
    assert_eq!(
        *formats,
        json!(["application/json-patch+json", "application/fhir+json", "application/fhir+xml"])
    );
    for format in formats.as_array().unwrap() {
        let kind = [("Content-Type", format.as_str().unwrap())];
        let answer = server.send("PATCH", "/Patient/p1", &kind, "").await;
        assert_ne!(answer.status, 415, "{format}");
    }
}

/// 3.1.0.10: the parts, and a tag that tells whether the statement has changed.
#[actix_web::test]
async fn modes_and_tag() {
    let server = Server::start();
    for (query, kind) in [
        ("", "CapabilityStatement"),
        ("?mode=full", "CapabilityStatement"),
        ("?mode=normative", "CapabilityStatement"),
        ("?mode=terminology", "TerminologyCapabilities"),
    ] {
        let path = format!("/metadata{query}");
        let answer = server.get(&path).await.has_status(200);
        let statement = answer.json();
        assert_eq!(statement["resourceType"], kind);
        let valid = server.post(&format!("/{kind}/$validate"), &statement).await.has_status(200);
        let issues = valid.json()["issue"].as_array().unwrap().clone();
        let errors: Vec<_> = issues.iter().filter(|issue| issue["severity"] == "error").collect();
        assert!(errors.is_empty(), "{errors:#?}");
        let tag = answer.header("ETag");
        assert!(tag.starts_with("W/\""), "{tag}");
        let again = server.send("GET", &path, &[("If-None-Match", tag)], "").await.has_status(304);
        assert!(again.text.is_empty());
        let xml = [("If-None-Match", tag), ("Accept", "application/fhir+xml")];
        server.send("GET", &path, &xml, "").await.has_status(200);
    }
    server.get("/metadata?mode=other").await.is_error(400, "invalid");
    let tag = server.get("/metadata").await.header("ETag").to_owned();
    let parameter = json!({ "resourceType": "SearchParameter", "id": "shoe", "name": "shoe",
        "url": "http://a.example/SearchParameter/shoe", "status": "active", "description": "x",
        "code": "shoe", "base": ["Patient"], "type": "token", "expression": "Patient.language" });
    server.put("/SearchParameter/shoe", &parameter).await.has_status(201);
    assert_ne!(server.get("/metadata").await.header("ETag"), tag, "it tells of more");
}

/// 3.1.0.10: `normative` tells of nothing that is of trial use; the rest is as in full.
#[actix_web::test]
async fn normative_parts() {
    let server = Server::start();
    let full = statement(&server).await;
    let normative = server.get("/metadata?mode=normative").await.has_status(200).json();
    let types = |statement: &Value| statement["rest"][0]["resource"].as_array().unwrap().clone();
    assert_eq!(types(&normative).len(), 11);
    for resource in types(&normative) {
        let whole = types(&full).into_iter().find(|other| other["type"] == resource["type"]);
        let whole = whole.unwrap();
        for (name, value) in resource.as_object().unwrap() {
            assert!(!name.starts_with("conditional"), "{name}");
            match value.as_array() {
                Some(list) => {
                    let all = whole[name].as_array().unwrap();
                    assert!(list.iter().all(|item| all.contains(item)), "{name}");
                }
                None => assert_eq!(*value, whole[name], "{name}"),
            }
        }
    }
    let text = normative.to_string();
    assert!(!text.contains("spondyl.example"), "nothing of ours");
    assert_eq!(normative["patchFormat"], json!(["application/json-patch+json"]));
}

/// `_summary` and `_elements` cut the statement down.
#[actix_web::test]
async fn cut_down() {
    let server = Server::start();
    let small = server.get("/metadata?_elements=fhirVersion").await.has_status(200).json();
    assert!(small.get("rest").is_none() && small["fhirVersion"] == "4.0.1", "{small}");
    assert_eq!(small["meta"]["tag"][0]["code"], "SUBSETTED");
    let summary = server.get("/metadata?_summary=true").await.has_status(200).json();
    assert_eq!(summary["meta"]["tag"][0]["code"], "SUBSETTED");
    server.get("/metadata?_summary=all").await.is_error(400, "invalid");
}
