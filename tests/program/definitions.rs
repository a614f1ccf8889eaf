//! Packages of definitions, loaded, listed and used by the program as a person would.
//!
//! The layout of a package: <http://hl7.org/fhir/R4/packages.html>. The package here is made by the
//! test: a small document profile of our own in the way of the International Patient Summary, a
//! Bundle whose Composition must have a section of a code. Where the summary's own package is at hand
//! (`SPONDYL_IPS_PACKAGE`, as published under the name hl7.fhir.uv.ips), it is used too.

use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::{Value, json};

use super::{Server, spondyl, stderr, stdout};

const GUIDE: &str = "https://guide.example/fhir";
const LOINC: &str = "http://loinc.org";

fn structure(name: &str, kind: &str, elements: Value) -> (String, Value) {
    let value = json!({
        "resourceType": "StructureDefinition", "id": name, "name": "Guide", "status": "active",
        "url": format!("{GUIDE}/StructureDefinition/{name}"), "version": "1.0.0",
        "fhirVersion": "4.0.1", "kind": "resource", "abstract": false, "type": kind,
        "baseDefinition": format!("http://hl7.org/fhir/StructureDefinition/{kind}"),
        "derivation": "constraint", "differential": { "element": elements },
    });
    (format!("StructureDefinition-{name}.json"), value)
}

/// The definitions of the guide.
fn guide() -> Vec<(String, Value)> {
    let composition = format!("{GUIDE}/StructureDefinition/summary-composition");
    let by = |kind: &str, path: &str| json!({ "discriminator": [{ "type": kind, "path": path }], "rules": "open" });
    let code = |code: &str| json!({ "coding": [{ "system": LOINC, "code": code }] });
    vec![
        structure(
            "summary",
            "Bundle",
            json!([
                { "id": "Bundle.type", "path": "Bundle.type", "fixedCode": "document" },
                { "id": "Bundle.entry", "path": "Bundle.entry", "min": 1,
                    "slicing": by("type", "resource") },
                { "id": "Bundle.entry:composition", "path": "Bundle.entry", "sliceName": "composition",
                    "min": 1, "max": "1" },
                { "id": "Bundle.entry:composition.resource", "path": "Bundle.entry.resource", "min": 1,
                    "type": [{ "code": "Composition", "profile": [composition] }] },
            ]),
        ),
        structure(
            "summary-composition",
            "Composition",
            json!([
                { "id": "Composition.type", "path": "Composition.type",
                    "patternCodeableConcept": code("60591-5") },
                { "id": "Composition.section", "path": "Composition.section", "min": 1,
                    "slicing": by("pattern", "code") },
                { "id": "Composition.section:problems", "path": "Composition.section",
                    "sliceName": "problems", "min": 1, "max": "1" },
                { "id": "Composition.section:problems.code", "path": "Composition.section.code",
                    "min": 1, "patternCodeableConcept": code("11450-4") },
                { "id": "Composition.confidentiality", "path": "Composition.confidentiality", "min": 1,
                    "binding": { "strength": "required", "valueSet": format!("{GUIDE}/ValueSet/open") } },
            ]),
        ),
        (
            "ValueSet-open.json".to_owned(),
            json!({
                "resourceType": "ValueSet", "id": "open", "url": format!("{GUIDE}/ValueSet/open"),
                "status": "active", "compose": { "include": [{
                    "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
                    "concept": [{ "code": "N" }, { "code": "R" }] }] },
            }),
        ),
        ("Basic-x.json".to_owned(), json!({ "resourceType": "Basic", "code": { "text": "x" } })),
        // The standard's own, as some packages repeat it: it stays as it is.
        (
            "ValueSet-gender.json".to_owned(),
            json!({
                "resourceType": "ValueSet", "id": "gender", "status": "active",
                "url": "http://hl7.org/fhir/ValueSet/administrative-gender",
            }),
        ),
    ]
}

/// A document that meets the guide.
fn document() -> Value {
    json!({
        "resourceType": "Bundle", "type": "document", "timestamp": "2026-03-02T08:10:00Z",
        "identifier": { "system": "urn:ietf:rfc:3986", "value": "urn:uuid:1" },
        "meta": { "profile": [format!("{GUIDE}/StructureDefinition/summary")] },
        "entry": [{ "fullUrl": "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", "resource": {
            "resourceType": "Composition", "status": "final", "date": "2026-03-02", "title": "S",
            "confidentiality": "N", "author": [{ "display": "A" }],
            "type": { "coding": [{ "system": LOINC, "code": "60591-5" }] },
            "section": [{ "title": "Problems", "text": { "status": "generated",
                    "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">None.</div>" },
                "code": { "coding": [{ "system": LOINC, "code": "11450-4" }] } }],
        } }],
    })
}

fn manifest() -> Value {
    json!({
        "name": "example.guide", "version": "1.0.0", "fhirVersions": ["4.0.1"],
        "dependencies": { "hl7.fhir.r4.core": "4.0.1", "example.other": "2.0.0" },
    })
}

/// Writes a package of those files.
fn pack(path: &Path, manifest: &Value, files: &[(String, Value)]) {
    let file = std::fs::File::create(path).unwrap();
    let mut archive = tar::Builder::new(GzEncoder::new(file, Compression::fast()));
    let mut add = |name: String, content: String| {
        let mut header = tar::Header::new_gnu();
        header.set_size(content.len() as u64);
        header.set_mode(0o644);
        archive.append_data(&mut header, name, content.as_bytes()).unwrap();
    };
    add("package/package.json".to_owned(), manifest.to_string());
    add("package/example/Patient-broken.json".to_owned(), "{".to_owned());
    for (name, value) in files {
        add(format!("package/{name}"), value.to_string());
    }
    archive.into_inner().unwrap().finish().unwrap();
}

fn run(words: &[&str]) -> (Option<i32>, String, String) {
    let output = spondyl().args(words).output().unwrap();
    (output.status.code(), stdout(&output), stderr(&output))
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Writes the document under a name, changed.
fn written(folder: &Path, name: &str, change: impl FnOnce(&mut Value)) -> PathBuf {
    let mut document = document();
    change(&mut document);
    let path = folder.join(name);
    std::fs::write(&path, document.to_string()).unwrap();
    path
}

/// The whole way: refused documents name section, code and element.
fn check_documents(folder: &Path, rules: &[&str]) {
    let composition = |document: &mut Value| document["entry"][0]["resource"].take();
    let good = written(folder, "good.json", |_| {});
    let no_section = written(folder, "no-section.json", |document| {
        let mut other = composition(document);
        other["section"][0]["code"]["coding"][0]["code"] = json!("48765-2");
        document["entry"][0]["resource"] = other;
    });
    let wrong_code = written(folder, "wrong-code.json", |document| {
        let mut other = composition(document);
        other["confidentiality"] = json!("V");
        document["entry"][0]["resource"] = other;
    });
    for (path, code, place) in [
        (good, Some(0), ""),
        (no_section, Some(1), "Bundle.entry[0].resource"),
        (wrong_code, Some(1), "Bundle.entry[0].resource.confidentiality"),
    ] {
        let words = [&["validate", text(&path)], rules].concat();
        let (status, said, log) = run(&words);
        assert_eq!(status, code, "{}: {said}{log}", path.display());
        assert!(said.contains(place), "{said}");
    }
}

#[test]
fn a_package_is_used_without_a_server_and_loaded_for_one() {
    let folder = tempfile::tempdir().unwrap();
    let package = folder.path().join("guide.tgz");
    pack(&package, &manifest(), &guide());
    let documents = folder.path().join("documents");
    std::fs::create_dir(&documents).unwrap();
    check_documents(&documents, &["--package", text(&package)]);

    let data = folder.path().join("records");
    let load = ["definitions", "load", text(&package), "--data", text(&data)];
    let (status, said, log) = run(&load);
    assert_eq!(status, Some(0), "{said}{log}");
    assert!(said.contains("example.guide#1.0.0: 2 StructureDefinition"), "{said}");
    for part in ["1 Basic", "1 of the standard's own", "needs example.other 2.0.0"] {
        assert!(log.contains(part), "{part}: {log}");
    }
    assert!(!log.contains("hl7.fhir.r4.core"), "{log}");
    check_documents(&documents, &["--data", text(&data)]);
    let (_, said, _) = run(&["definitions", "list", "--data", text(&data)]);
    let line = format!("{GUIDE}/StructureDefinition/summary|1.0.0\texample.guide#1.0.0");
    assert!(said.contains(&line) && said.contains("segmental-mobility|0.1.0\town"), "{said}");

    let server = Server::serve(&data);
    let (_, found) = server.get("StructureDefinition?_tag=example.guide%231.0.0");
    assert_eq!(found["entry"].as_array().unwrap().len(), 2, "{found}");
    // What the server itself goes by is there to be read and searched.
    for (kind, id) in [
        ("StructureDefinition", "segmental-mobility"),
        ("CodeSystem", "motion-segment"),
        ("ValueSet", "motion-segment"),
        ("ConceptMap", "side-to-snomed"),
        ("SearchParameter", "body-site"),
        ("OperationDefinition", "episode-summary"),
        ("NamingSystem", "demo-visit"),
        ("ImplementationGuide", "spondyl"),
    ] {
        let (status, own) = server.get(&format!("{kind}/{id}"));
        assert_eq!((status, own["resourceType"].as_str()), (200, Some(kind)), "{kind}/{id}");
        if let Some(url) = own["url"].as_str() {
            let (_, found) = server.get(&format!("{kind}?url={url}"));
            assert_eq!(found["entry"][0]["resource"]["id"], id, "{kind}/{id}");
        }
    }
    let (_, own) = server.get("StructureDefinition/segmental-mobility");
    assert_eq!(own["meta"]["versionId"], "1");
    drop(server);
    // Once more, over the API, where it is there already; and what is ours is not stored again.
    let server = Server::serve(&data);
    let (_, own) = server.get("StructureDefinition/segmental-mobility");
    assert_eq!(own["meta"]["versionId"], "1");
    let (status, said, log) =
        run(&["definitions", "load", text(&package), "--server", &server.base]);
    assert_eq!(status, Some(0), "{said}{log}");
}

#[test]
fn of_a_bad_package_nothing_is_loaded() {
    let folder = tempfile::tempdir().unwrap();
    let (package, data) = (folder.path().join("bad.tgz"), folder.path().join("records"));
    let mut broken = guide();
    broken[1].1["differential"]["element"][0]["path"] = json!("Composition.colour");
    let r5 = json!({ "name": "a", "version": "1", "fhirVersions": ["5.0.0"] });
    for (manifest, files, code, expected) in [
        (
            manifest(),
            broken,
            1,
            "package/StructureDefinition-summary-composition.json: \
             StructureDefinition.differential.element[0].path",
        ),
        (r5, guide(), 3, "bad.tgz: package/package.json: is for FHIR 5.0.0"),
    ] {
        pack(&package, &manifest, &files);
        let (status, said, log) =
            run(&["definitions", "load", text(&package), "--data", text(&data)]);
        assert_eq!(status, Some(code), "{said}{log}");
        assert!(format!("{said}{log}").contains(expected), "{said}{log}");
    }
    std::fs::create_dir_all(&data).unwrap();
    let (_, said, _) = run(&["definitions", "list", "--data", text(&data)]);
    assert!(!said.contains(GUIDE), "{said}");
}

/// The International Patient Summary (<http://hl7.org/fhir/uv/ips/>), from its published package,
/// and its published documents.
#[test]
fn the_international_patient_summary() {
    let Some(package) = std::env::var_os("SPONDYL_IPS_PACKAGE").map(PathBuf::from) else {
        println!("skipped: set SPONDYL_IPS_PACKAGE to the package hl7.fhir.uv.ips");
        return;
    };
    let shared =
        std::env::var_os("SPONDYL_SHARED").map_or_else(|| "../shared".into(), PathBuf::from);
    let Ok(documents) = std::fs::read_dir(shared.join("standard/cases/ips-examples/documents"))
    else {
        println!("skipped: the published documents are not at hand");
        return;
    };
    // Each document, whether it is sound, and what was done to it.
    let mut cases: Vec<(Value, bool, String)> = Vec::new();
    for file in documents {
        let document: Value =
            serde_json::from_slice(&std::fs::read(file.unwrap().path()).unwrap()).unwrap();
        let list = document["entry"][0]["resource"]["section"].as_array().unwrap().clone();
        // The sections that a summary must have, by their codes in LOINC.
        for code in ["11450-4", "48765-2", "10160-0"] {
            let at = list.iter().position(|section| section["code"]["coding"][0]["code"] == code);
            let at = at.unwrap();
            let mut without = document.clone();
            let sections = &mut without["entry"][0]["resource"]["section"];
            sections.as_array_mut().unwrap().remove(at);
            cases.push((without, false, format!("without section {code}")));
            let mut other = document.clone();
            other["entry"][0]["resource"]["section"][at]["code"]["coding"][0]["code"] =
                json!("34133-9");
            cases.push((other, false, format!("another code than {code}")));
        }
        let mut no_timestamp = document.clone();
        no_timestamp.as_object_mut().unwrap().remove("timestamp");
        cases.push((no_timestamp, false, "without timestamp".to_owned()));
        let mut no_patient = document.clone();
        let entries = no_patient["entry"].as_array_mut().unwrap();
        entries.retain(|entry| entry["resource"]["resourceType"] != "Patient");
        cases.push((no_patient, false, "without patient".to_owned()));
        cases.push((document, true, "as published".to_owned()));
    }
    assert!(!cases.is_empty());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("documents.ndjson");
    let lines: Vec<String> = cases.iter().map(|(document, ..)| document.to_string()).collect();
    std::fs::write(&path, lines.join("\n")).unwrap();
    let profile = "http://hl7.org/fhir/uv/ips/StructureDefinition/Bundle-uv-ips";
    let words = ["validate", text(&path), "--package", text(&package), "--profile", profile];
    let (status, said, log) = run(&words);
    assert_eq!(status, Some(1), "{log}");
    for (line, (_, sound, what)) in (1..).zip(&cases) {
        let start = format!("{}:{line}:", path.display());
        let told = said.lines().filter(|told| told.starts_with(&start));
        let errors: Vec<&str> = told.filter(|told| told.contains(": error ")).collect();
        assert_eq!(errors.is_empty(), *sound, "{what}: {errors:?}");
    }
}
