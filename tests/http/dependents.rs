//! What rests on a definition that changes: nothing goes on by rules that are no longer in force.
//!
//! <http://hl7.org/fhir/R4/profiling.html>, <http://hl7.org/fhir/R4/search.html#modifiers>.

use serde_json::{Value, json};

use crate::client::Server;
use crate::definitions::{BASE, claiming, code_system, profile, put, refused, value_set};

/// A profile narrows the profile that it rests on, not only the type.
#[actix_web::test]
async fn what_a_stored_base_asks_is_not_widened() {
    let server = Server::start();
    let name = |min: u64, max: &str| json!([{ "id": "Patient.name", "path": "Patient.name", "min": min, "max": max }]);
    put(&server, &profile("base", name(1, "2")), 201).await;
    let place = "StructureDefinition.differential.element[0]";
    for (min, max) in [(0, "2"), (1, "*"), (1, "3")] {
        let mut wider = profile("wider", name(min, max));
        wider["baseDefinition"] = json!(format!("{BASE}/StructureDefinition/base"));
        refused(&server, &wider, place).await;
    }
    let mut narrower = profile("narrower", name(2, "2"));
    narrower["baseDefinition"] = json!(format!("{BASE}/StructureDefinition/base"));
    put(&server, &narrower, 201).await;
}

fn extension(value: Value) -> Value {
    let mut extension =
        profile("side", json!([{ "id": "Extension.url", "path": "Extension.url" }]));
    let url = extension["url"].clone();
    extension["type"] = json!("Extension");
    extension["kind"] = json!("complex-type");
    extension["baseDefinition"] = json!("http://hl7.org/fhir/StructureDefinition/Extension");
    extension["context"] = json!([{ "type": "element", "expression": "Element" }]);
    let mut element = json!({ "id": "Extension.value[x]", "path": "Extension.value[x]", "min": 1 });
    element.as_object_mut().unwrap().extend(value.as_object().unwrap().clone());
    extension["differential"]["element"] = json!([
        { "id": "Extension.url", "path": "Extension.url", "fixedUri": url }, element,
    ]);
    extension
}

/// Rules that were made of another definition are made anew when that changes: of the extension that
/// a profile asks for, and of the one that tells its slices apart.
#[actix_web::test]
async fn a_changed_extension_changes_what_names_it() {
    let server = Server::start();
    let url = format!("{BASE}/StructureDefinition/side");
    let asked = profile(
        "asked",
        json!([
            { "id": "Patient.extension", "path": "Patient.extension", "slicing": {
                "discriminator": [{ "type": "value", "path": "url" }], "rules": "open" } },
            { "id": "Patient.extension:side", "path": "Patient.extension", "sliceName": "side",
              "min": 1, "type": [{ "code": "Extension", "profile": [url] }] },
        ]),
    );
    let apart = profile(
        "apart",
        json!([
            { "id": "Patient.contact", "path": "Patient.contact", "slicing": {
                "discriminator": [{ "type": "value", "path": format!("extension('{url}').value") }],
                "rules": "open" } },
            { "id": "Patient.contact:one", "path": "Patient.contact", "sliceName": "one", "min": 1 },
        ]),
    );
    put(&server, &extension(json!({ "fixedString": "left" })), 201).await;
    put(&server, &asked, 201).await;
    put(&server, &apart, 201).await;
    let side = json!([{ "url": url, "valueString": "left" }]);
    let mut has = claiming("asked");
    has["extension"] = side.clone();
    let mut of = claiming("apart");
    of["contact"] = json!([{ "name": { "text": "B" }, "extension": side }]);
    for (fixed, status) in [("left", 201), ("right", 422), ("left", 201)] {
        put(&server, &extension(json!({ "fixedString": fixed })), 200).await;
        for sent in [&has, &of] {
            let answer = server.post("/Patient", sent).await;
            assert_eq!(answer.status, status, "{fixed}: {}", answer.text);
            // The slices are told apart anew, beside what the extension says of itself.
            let is_sliced = sent["contact"].is_array();
            let is_told = answer.text.contains(r#""code":"slice""#);
            assert_eq!(is_told, is_sliced && status == 422, "{}", answer.text);
        }
    }
}

/// Searches by value set and by hierarchy know what was stored last.
#[actix_web::test]
async fn searches_know_new_terminology_at_once() {
    let server = Server::start();
    let system = format!("{BASE}/CodeSystem/cs");
    for code in ["a", "b"] {
        let observation = json!({
            "resourceType": "Observation", "id": code, "status": "final",
            "code": { "coding": [{ "system": system, "code": code }] },
        });
        put(&server, &observation, 201).await;
    }
    let found = async |query: &str| {
        let answer = server.get(&format!("/Observation?{query}&_sort=_id")).await.has_status(200);
        let answer = answer.json();
        let entries = answer["entry"].as_array().into_iter().flatten();
        let ids: Vec<&str> = entries.filter_map(|e| e["resource"]["id"].as_str()).collect();
        ids.join(" ")
    };
    let of =
        |code: &str| value_set("vs", json!([{ "system": system, "concept": [{ "code": code }] }]));
    let within = format!("code:in={BASE}/ValueSet/vs");
    put(&server, &of("a"), 201).await;
    assert_eq!(found(&within).await, "a");
    put(&server, &of("b"), 200).await;
    assert_eq!(found(&within).await, "b");
    let below = format!("code:below={system}|a");
    put(&server, &code_system(&["a", "b"]), 201).await;
    assert_eq!(found(&below).await, "a");
    let mut nested = code_system(&[]);
    nested["hierarchyMeaning"] = json!("is-a");
    nested["concept"] = json!([{ "code": "a", "concept": [{ "code": "b" }] }]);
    put(&server, &nested, 200).await;
    assert_eq!(found(&below).await, "a b");
}
