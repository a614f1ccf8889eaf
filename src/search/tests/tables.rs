//! The worked examples of <http://hl7.org/fhir/R4/search.html>, as data.

use serde_json::json;

use super::clause::Clause;
use super::*;
use crate::definitions::compartment::Compartments;

/// The examples of <http://hl7.org/fhir/R4/search.html#prefix> and
/// <http://hl7.org/fhir/R4/search.html#date>.
#[test]
fn dates_as_published() {
    let clinic = observations(&[
        ("day", json!({ "effectiveDateTime": "2013-01-14" })),
        ("hour10", json!({ "effectiveDateTime": "2013-01-14T10:00:00Z" })),
        ("midnight", json!({ "effectiveDateTime": "2013-01-14T00:00:00Z" })),
        ("next", json!({ "effectiveDateTime": "2013-01-15T00:00:00Z" })),
        ("mar15", json!({ "effectiveDateTime": "2013-03-15" })),
        ("open", json!({ "effectivePeriod": { "start": "2013-01-21" } })),
        ("until", json!({ "effectivePeriod": { "start": "2013-01-01", "end": "2013-03-10" } })),
        ("within", json!({ "effectivePeriod": { "start": "2013-03-14", "end": "2013-03-14" } })),
    ]);
    for (value, expected) in [
        ("eq2013-01-14", "day hour10 midnight"),
        ("2013-01-14", "day hour10 midnight"),
        ("ne2013-01-14", "mar15 next open until within"),
        ("lt2013-01-14T10:00", "day midnight until"),
        ("gt2013-01-14T10:00", "day mar15 next open until within"),
        ("ge2013-03-14", "mar15 open within"),
        ("le2013-03-14", "day hour10 midnight next open until within"),
        ("sa2013-03-14", "mar15"),
        ("eb2013-03-14", "day hour10 midnight next until"),
        ("ap2013-03-14", "day hour10 mar15 midnight next open until within"),
    ] {
        clinic.check(&format!("Observation?date={value}"), expected);
    }
    // Two bounds ask that a period reaches into what lies between them.
    let between = "Observation?date=ge2013-01-14&date=le2013-01-15";
    clinic.check(between, "day hour10 midnight next until");
    clinic.check("Observation?date=2013-01-15T02:00:00 02:00", "next");
}

/// The examples of <http://hl7.org/fhir/R4/search.html#token>.
#[test]
fn tokens_as_published() {
    let clinic = Clinic::new();
    let loinc = json!({ "coding": [{ "system": "http://loinc.org", "code": "1234-5", "display": "Pain now" }] });
    let both = json!({ "coding": [
        { "system": "http://loinc.org", "code": "1234-5" }, { "code": "local" }], "text": "Neck pain" });
    for (id, code) in [
        ("loinc", loinc),
        ("both", both),
        ("local", json!({ "coding": [{ "code": "1234-5" }] })),
        ("other", json!({ "coding": [{ "system": "http://a.example", "code": "1234-5" }] })),
        ("unit", json!({ "coding": [{ "system": "http://unitsofmeasure.org", "code": "mG" }] })),
    ] {
        clinic.put(
            json!({ "resourceType": "Observation", "id": id, "status": "final", "code": code }),
        );
    }
    for (query, expected) in [
        ("code=1234-5", "both local loinc other"),
        ("code=http://loinc.org|1234-5", "both loinc"),
        ("code=|1234-5", "local"),
        ("code=http://loinc.org|", "both loinc"),
        ("code=LOCAL", "both"),
        ("code:not=http://loinc.org|1234-5", "local other unit"),
        ("code:text=pain", "loinc"),
        ("code:text=neck", "both"),
        ("code=http://unitsofmeasure.org|mG", "unit"),
        ("code=http://unitsofmeasure.org|mg", ""),
        ("status=final&code=local", "both"),
        ("status=http://hl7.org/fhir/observation-status|final&code=local", "both"),
        ("status=http://other.example|final", ""),
        ("code=none,local", "both"),
        (r"code=a\,b", ""),
        ("code:missing=true", ""),
        ("subject:missing=true&code=local", "both"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#token>: `:of-type`; `:text` finds the type of an identifier.
#[test]
fn identifiers_by_their_type() {
    let clinic = Clinic::new();
    let kind = json!({ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR" }],
        "text": "Record" });
    clinic.put(json!({ "resourceType": "Patient", "id": "p",
        "identifier": [{ "type": kind, "system": "urn:a", "value": "446053" }] }));
    let of_type = "Patient?identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203";
    clinic.check(&format!("{of_type}|MR|446053"), "p");
    clinic.check(&format!("{of_type}|SS|446053"), "");
    clinic.check("Patient?identifier:text=rec", "p");
}

/// The examples of <http://hl7.org/fhir/R4/search.html#string>.
#[test]
fn strings_as_published() {
    let clinic = Clinic::new();
    for (id, given) in
        [("eve", "Eve"), ("evelyn", "Evelyn"), ("severine", "Severine"), ("accent", "Éve")]
    {
        clinic.put(json!({ "resourceType": "Patient", "id": id, "name": [{ "given": [given] }] }));
    }
    for (query, expected) in [
        ("given=eve", "accent eve evelyn"),
        ("given:contains=eve", "accent eve evelyn severine"),
        ("given:exact=Eve", "eve"),
        ("given:exact=eve", ""),
        ("name=EVE", "accent eve evelyn"),
        ("given=sev,evel", "evelyn severine"),
    ] {
        clinic.check(&format!("Patient?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#reference> and
/// <http://hl7.org/fhir/R4/search.html#chaining>, <http://hl7.org/fhir/R4/search.html#has>.
#[test]
fn references_as_published() {
    let clinic = observations(&[
        ("relative", json!({ "subject": { "reference": "Patient/23" } })),
        ("absolute", json!({ "subject": { "reference": format!("{BASE}/Patient/23") } })),
        ("versioned", json!({ "subject": { "reference": "Patient/23/_history/2" } })),
        ("elsewhere", json!({ "subject": { "reference": "http://b.example/Patient/23" } })),
        ("group", json!({ "subject": { "reference": "Group/23" } })),
        ("logical", json!({ "subject": { "identifier": { "system": "urn:s", "value": "v" } } })),
    ]);
    clinic.put(json!({ "resourceType": "Patient", "id": "23", "gender": "female",
        "generalPractitioner": [{ "reference": "Practitioner/x" }] }));
    clinic.put(json!({ "resourceType": "Practitioner", "id": "x", "active": true }));
    for (query, expected) in [
        ("Observation?subject=23", "absolute group relative versioned"),
        ("Observation?subject=Patient/23", "absolute relative versioned"),
        ("Observation?subject:Patient=23", "absolute relative versioned"),
        ("Observation?subject=https://me.example/fhir/Patient/23", "absolute relative versioned"),
        ("Observation?subject=http://b.example/Patient/23", "elsewhere"),
        ("Observation?subject=Patient/23/_history/2", "versioned"),
        ("Observation?patient=23", "absolute relative versioned"),
        ("Observation?subject:identifier=urn:s|v", "logical"),
        (
            "Observation?subject:missing=false",
            "absolute elsewhere group logical relative versioned",
        ),
        ("Observation?subject:Patient.gender=female", "absolute relative versioned"),
        ("Observation?subject.gender=male", ""),
        ("Observation?patient.general-practitioner.active=true", "absolute relative versioned"),
        ("Patient?_has:Observation:patient:status=final", "23"),
        ("Patient?_has:Observation:patient:status=amended", ""),
        (
            "Practitioner?_has:Patient:general-practitioner:_has:Observation:patient:status=final",
            "x",
        ),
    ] {
        clinic.check(query, expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#quantity> and
/// <http://hl7.org/fhir/R4/search.html#composite>.
#[test]
fn quantities_and_composites() {
    let ucum = "http://unitsofmeasure.org";
    let quantity = |value: f64, code: &str| json!({ "value": value, "unit": format!("{code} read"), "system": ucum, "code": code });
    let code = |code: &str| json!({ "coding": [{ "system": "urn:c", "code": code }] });
    let component = |name: &str, value: f64| json!({ "code": code(name), "valueQuantity": quantity(value, "deg") });
    let clinic = observations(&[
        ("a", json!({ "code": code("x"), "valueQuantity": quantity(5.4, "mg") })),
        ("b", json!({ "code": code("y"), "valueQuantity": quantity(5.4, "g") })),
        (
            "c",
            json!({ "code": code("x"), "valueQuantity":
            { "value": 5, "comparator": "<", "system": ucum, "code": "mg" } }),
        ),
        (
            "d",
            json!({ "code": code("z"), "component": [component("left", 40.0), component("right", 60.0)] }),
        ),
    ]);
    for (query, expected) in [
        ("value-quantity=5.4", "a b"),
        ("value-quantity=5.4|http://unitsofmeasure.org|mg", "a"),
        ("value-quantity=0.0054|http://unitsofmeasure.org|g", "a"),
        ("value-quantity=5400|http://unitsofmeasure.org|mg", "b"),
        ("value-quantity=le5.4e-6|http://unitsofmeasure.org|kg", "a c"),
        ("value-quantity=gt5.4e-6|http://unitsofmeasure.org|kg", "b"),
        ("value-quantity=lt0.0001|http://unitsofmeasure.org|g", "c"),
        ("value-quantity=5.4|http://unitsofmeasure.org|mm", ""),
        ("value-quantity=5.4|http://unitsofmeasure.org|", "a b"),
        ("value-quantity=5.4|http://other.example|mg", ""),
        ("component-value-quantity=gt1.04|http://unitsofmeasure.org|rad", "d"),
        ("component-code-value-quantity=left$lt0.7|http://unitsofmeasure.org|rad", "d"),
        ("component-code-value-quantity=left$gt0.7|http://unitsofmeasure.org|rad", ""),
        ("value-quantity=5.4||mg", "a"),
        ("value-quantity=5.4||mg read", "a"),
        ("value-quantity=5.40", "a b"),
        ("value-quantity=5.41", ""),
        ("value-quantity=5", "a b"),
        ("value-quantity=lt5.4|http://unitsofmeasure.org|mg", "c"),
        ("value-quantity=eb5.4|http://unitsofmeasure.org|mg", "c"),
        ("value-quantity=ge5|http://unitsofmeasure.org|mg", "a b"),
        ("code-value-quantity=urn:c|x$ge5.4", "a"),
        ("code-value-quantity=x$5.4||mg", "a"),
        ("component-code-value-quantity=urn:c|left$gt50", ""),
        ("component-code-value-quantity=urn:c|right$gt50", "d"),
        ("combo-code-value-quantity=urn:c|right$gt50,urn:c|y$5.4", "b d"),
        ("combo-code=left", "d"),
    ] {
        clinic.check(&format!("Observation?{query}"), expected);
    }
}

/// <http://hl7.org/fhir/R4/search.html#uri>
#[test]
fn uris_as_published() {
    let clinic = Clinic::new();
    for (id, url) in [
        ("a", "http://acme.org/fhir/ValueSet/123"),
        ("b", "http://acme.org/fhir"),
        ("c", "urn:oid:1.2"),
    ] {
        clinic.put(json!({ "resourceType": "ValueSet", "id": id, "status": "active", "url": url }));
    }
    for (query, expected) in [
        ("url=http://acme.org/fhir/ValueSet/123", "a"),
        ("url=http://acme.org/fhir", "b"),
        ("url:below=http://acme.org/fhir", "a b"),
        ("url:above=http://acme.org/fhir/ValueSet/123/_history/5", "a b"),
        ("url=urn:oid:1.2", "c"),
        ("url=HTTP://acme.org/fhir", ""),
    ] {
        clinic.check(&format!("ValueSet?{query}"), expected);
    }
}

/// Ours work like the standard's.
#[test]
fn own_parameters() {
    let clinic = observations(&[(
        "a",
        json!({ "bodySite": { "coding": [{ "system": "urn:site", "code": "C5-C6" }] },
            "extension": [{ "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
                "valueReference": { "reference": "EpisodeOfCare/e" } }] }),
    )]);
    clinic.check("Observation?body-site=urn:site|c5-c6", "a");
    clinic.check("Observation?episode-of-care=e", "a");
    clinic.check("Observation?episode-of-care=EpisodeOfCare/f", "");
}

/// <http://hl7.org/fhir/R4/search.html#include>: what is missing is left out, nothing comes twice, a
/// circle ends.
#[test]
fn includes() {
    let clinic = observations(&[
        (
            "a",
            json!({ "subject": { "reference": "Patient/p/_history/1" },
            "hasMember": [{ "reference": "Observation/b" }] }),
        ),
        (
            "b",
            json!({ "subject": { "reference": "Patient/gone" },
            "hasMember": [{ "reference": "Observation/c" }] }),
        ),
        (
            "c",
            json!({ "hasMember": [{ "reference": "Observation/a" }],
            "performer": [{ "reference": "Practitioner/x" }] }),
        ),
    ]);
    clinic.put(json!({ "resourceType": "Patient", "id": "p", "gender": "female" }));
    clinic.put(json!({ "resourceType": "Patient", "id": "p", "gender": "male" }));
    clinic.put(json!({ "resourceType": "Practitioner", "id": "x" }));
    for (query, expected) in [
        ("Observation?_id=a&_include=Observation:subject", "Patient/p/1"),
        ("Observation?_id=a&_include=Observation:patient", "Patient/p/1"),
        ("Observation?_id=a&_include=Observation:subject:Group", ""),
        ("Observation?_id=b&_include=Observation:subject", ""),
        ("Observation?_id=a&_include=*", "Observation/b/1 Patient/p/1"),
        ("Observation?_id=a&_include=Observation:has-member", "Observation/b/1"),
        (
            "Observation?_id=a&_include:iterate=Observation:has-member",
            "Observation/b/1 Observation/c/1",
        ),
        (
            "Observation?_id=a&_include:iterate=Observation:has-member&_include:iterate=Observation:performer",
            "Observation/b/1 Observation/c/1 Practitioner/x/1",
        ),
        ("Patient?_revinclude=Observation:subject", "Observation/a/1"),
        ("Patient?_revinclude=Observation:*", "Observation/a/1"),
        ("Practitioner?_revinclude=Observation:subject", ""),
    ] {
        let page = clinic.page(query, None).unwrap();
        let mut names: Vec<_> = page
            .included
            .iter()
            .map(|found| format!("{}/{}/{}", found.kind, found.id, found.version))
            .collect();
        names.sort();
        assert_eq!(names.join(" "), expected, "{query}");
    }
}

/// <http://hl7.org/fhir/R4/http.html#vsearch>
#[test]
fn compartments() {
    let clinic = observations(&[
        ("a", json!({ "subject": { "reference": "Patient/p" } })),
        ("b", json!({ "performer": [{ "reference": "Patient/p" }], "status": "amended" })),
        (
            "c",
            json!({ "subject": { "reference": "Group/p" }, "focus": [{ "reference": "Patient/p" }] }),
        ),
    ]);
    let all = Compartments::standard();
    let kind = |name| ResourceType::parse(name).unwrap();
    let parameters = all.parameters(kind("Patient"), kind("Observation"));
    let id = Id::parse("p").unwrap();
    let of = (kind("Patient"), &id);
    for (url, expected) in [("Observation?", "a b"), ("Observation?status=amended", "b")] {
        let mut query = clinic.query(url, true).unwrap();
        query.clauses.push(Clause::within(&clinic.rules, query.kind, parameters, of).unwrap());
        let view = clinic.store.view().unwrap();
        assert_eq!(show(&run(&*view, &clinic.rules, &query, None).unwrap()), expected, "{url}");
    }
}
