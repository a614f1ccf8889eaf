//! Entries of resources, and what becomes of the standard's expressions.

use std::collections::BTreeSet;

use serde_json::json;

use super::parameter::Program;
use super::*;
use crate::definitions::joint::Joint;
use crate::definitions::{Definitions, source};

pub(super) fn rules() -> Rules {
    let model = Arc::new(Model::standard().unwrap());
    let own_base = Some("https://me.example/fhir".to_owned());
    let definitions = Definitions::embedded().unwrap();
    Rules::new(model, SearchParameters::load(&definitions).unwrap(), own_base)
}

/// A part as text, or in hexadecimal where it is none.
fn show(part: &[u8]) -> String {
    let plain = std::str::from_utf8(part).ok().filter(|t| t.chars().all(|c| !c.is_control()));
    let hex = || part.iter().map(|b| format!("{b:02x}")).collect::<Vec<_>>().concat();
    plain.map_or_else(hex, str::to_owned)
}

fn check(value: serde_json::Value, expected: &[&str]) {
    let resource = Resource::from_value(value).unwrap();
    let entries = entries(&rules(), &resource);
    let lines: Vec<String> = entries
        .iter()
        .map(|entry| {
            let parts: Vec<_> = entry.parts.iter().map(|part| show(part)).collect();
            let value = String::from_utf8_lossy(&entry.value).replace(|c: char| c < ' ', "~");
            format!("{} [{}] {value}", entry.parameter, parts.join("]["))
        })
        .collect();
    assert_eq!(lines, expected, "{lines:#?}");
}

/// The moments are those of the resource in milliseconds since 1970, the sign bit turned.
#[test]
fn a_patient() {
    check(
        json!({
            "resourceType": "Patient", "id": "p", "active": true, "gender": "female",
            "meta": { "lastUpdated": "2026-03-02T08:10:00.000Z" },
            "identifier": [{ "system": "urn:s", "value": "A-1" }],
            "name": [{ "family": "Éloïse", "given": ["eva", "Eva"] }],
            "birthDate": "1970-01-02", "managingOrganization": { "reference": "Organization/o" },
            "_birthDate": { "extension": [] },
        }),
        &[
            "_content [1] ",
            "_content [a] ",
            "_content [eloise] ",
            "_content [eva] ",
            "_lastUpdated [008000019cad98d3c0][] ",
            "active [true][] ",
            "birthdate [008000000005265c00][05265bff] ",
            "deceased [false][] ",
            "family [eloise] Éloïse",
            "gender [female][] ",
            "given [eva] ~Eva",
            "identifier [a-1][urn:s] cA-1",
            "name [eloise] Éloïse",
            "name [eva] ~Eva",
            "organization [o][Organization] ",
        ],
    );
}

/// Every expression of the standard compiles to routes; the list of those that do not is empty.
#[test]
fn all_expressions_compile() {
    let rules = rules();
    let mut odd = Vec::new();
    let (mut count, mut stored) = (0, 0);
    for kind in ResourceType::all() {
        for definition in rules.definitions.for_type(kind) {
            count += 1;
            let label = format!("{kind}.{}", definition.code);
            match parameter::compile(definition, &rules.definitions, &rules.model, kind) {
                Err(message) => odd.push(format!("{label}: {message}")),
                Ok(parameter) => match &parameter.program {
                    Program::FhirPath(_) => odd.push(format!("{label}: left to the engine")),
                    Program::Routes(routes) if routes.is_empty() => {
                        odd.push(format!("{label}: nothing to find ({:?})", definition.expression));
                    }
                    _ => {}
                },
            }
        }
        stored += rules.parameters(kind).filter(|parameter| parameter.is_stored()).count();
    }
    println!("{count} parameters of types, {stored} with rows of their own");
    assert_eq!(odd, Vec::<String>::new(), "{odd:#?}");
}

/// The rows of the official examples: each parameter that the reading of the expression by hand
/// finds a value for has one. (Counts only; what is found is tested by searching.)
#[test]
fn rows_of_an_observation_are_few() {
    let Some(text) = source::read("standard/cases/r4-examples/observation-example.json") else {
        return;
    };
    let resource = Resource::from_value(serde_json::from_str(&text).unwrap()).unwrap();
    let entries = entries(&rules(), &resource);
    for entry in &entries {
        println!(
            "{} {:?}",
            entry.parameter,
            entry.parts.iter().map(|p| show(p)).collect::<Vec<_>>()
        );
    }
    let (words, others): (Vec<_>, Vec<_>) = entries
        .iter()
        .partition(|entry| [words::TEXT, words::CONTENT].contains(&&*entry.parameter));
    assert!(others.len() < 20 && words.len() < 80, "{} and {} words", others.len(), words.len());
}

/// Where the engine and the routes differ, and why the routes stand.
const KNOWN: [(&str, &str); 4] = [
    // A canonical is a uri (<http://hl7.org/fhir/R4/datatypes.html#canonical>); the engine's `ofType`
    // does not know the kinship.
    ("conceptmap-example-specimen-type.json", "source-uri"),
    ("conceptmap-example-specimen-type.json", "target-uri"),
    // The engine prints decimals from binary numbers.
    ("riskassessment-example.json", "probability"),
    // The engine takes `performerType` for a `performer` of a choice.
    ("servicerequest-example-subrequest.json", "performer"),
];

/// The values that routes find in the official examples are those that the FHIRPath engine finds.
#[test]
fn routes_find_what_the_engine_finds() {
    let Some(list) = source::read("standard/cases/search-tests/dataset.txt") else { return };
    let rules = rules();
    let (mut compared, mut odd) = (0, Vec::new());
    for file in list.lines() {
        let text = source::read(&format!("standard/cases/r4-examples/{file}")).unwrap();
        let resource = Resource::from_value(serde_json::from_str(&text).unwrap()).unwrap();
        let kind = resource.kind().as_str();
        let compiler = route::Compiler { model: &rules.model, resource: kind };
        for definition in rules.definitions.for_type(resource.kind()) {
            let Some(expression) = &definition.expression else { continue };
            let parsed = fhirpath::parse(expression).unwrap();
            let Some(routes) = compiler.routes(&parsed.root, kind) else { continue };
            let mut ours = BTreeSet::new();
            for route in &routes {
                route.walk(resource.value(), resource.value(), &mut |value| {
                    ours.insert(value.to_string());
                });
            }
            let theirs = fhirpath::values(&fhirpath::prepare(parsed), resource.value());
            let theirs: BTreeSet<_> = theirs.iter().map(|(_, value)| value.to_string()).collect();
            compared += ours.len();
            if ours != theirs {
                odd.push((file, definition.code.clone()));
            }
        }
    }
    println!("{compared} values compared");
    assert!(compared > 6000);
    let odd: Vec<_> = odd.iter().map(|(file, code)| (*file, code.as_str())).collect();
    assert_eq!(odd, KNOWN);
}

/// What a user may store, and what is told of it; an expression that routes cannot say goes to the
/// engine.
#[test]
fn parameters_of_others() {
    let parameter = |kind: &str, expression: &str| {
        SearchParameter::from_value(&json!({
            "url": "urn:x", "code": "x", "base": ["Patient"], "type": kind, "expression": expression,
        }))
        .unwrap()
    };
    let plain = rules();
    assert!(plain.check(&parameter("token", "Patient.name.where(")).is_err());
    for (kind, expression, expected) in [
        ("string", "Patient.name.given.first().upper()", "x [eva] EVA"),
        ("token", "Patient.name.exists(use = 'official')", "x [true][] "),
        (
            "reference",
            "Patient.contact.organization.where(resolve() is Organization)",
            "x [q][Organization] ",
        ),
        (
            "quantity",
            "Patient.extension.where(url = 'urn:a').value as Age",
            "x [p][c080021f][a][] ",
        ),
    ] {
        let parameter = parameter(kind, expression);
        plain.check(&parameter).unwrap();
        let mut definitions = plain.definitions.clone();
        definitions.add(parameter);
        let rules = Rules::new(Arc::clone(&plain.model), definitions, None);
        let resource = Resource::from_value(json!({
            "resourceType": "Patient", "name": [{ "use": "official", "given": ["Eva", "Ada"] }],
            "contact": [{ "organization": { "reference": "Organization/q" } },
                { "organization": { "reference": "Patient/r" } }],
            "extension": [{ "url": "urn:a", "valueAge": { "value": 30, "code": "a" } }],
        }))
        .unwrap();
        let found: Vec<_> =
            entries(&rules, &resource).into_iter().filter(|e| e.parameter == "x").collect();
        let lines: Vec<_> = found
            .iter()
            .map(|entry| {
                let parts: Vec<_> = entry.parts.iter().map(|part| show(part)).collect();
                format!("x [{}] {}", parts.join("]["), String::from_utf8_lossy(&entry.value))
            })
            .collect();
        assert_eq!(lines, [expected], "{expression}");
    }
}

/// One that finds a part of what a parameter of the standard finds has no rows of its own.
#[test]
fn parameters_within_others() {
    let check = |kind: &str, code: &str, sources: &str, target: Option<&str>| {
        let rules = rules();
        let parameter = rules.parameter(ResourceType::parse(kind).unwrap(), code).unwrap();
        assert_eq!(parameter.sources.join(" "), sources, "{kind} {code}");
        assert_eq!(parameter.target.map(ResourceType::as_str), target, "{kind} {code}");
    };
    check("Observation", "patient", "subject", Some("Patient"));
    check("Observation", "combo-code", "code component-code", None);
    check("Observation", "combo-value-quantity", "component-value-quantity value-quantity", None);
    check("Observation", "code", "code", None);
    check("Patient", "phonetic", "name", None);
    check("Patient", "email", "email", None);
    check("Observation", "_text", "_text", None);
    check("Observation", "_content", "_content _text", None);
}

/// One row for each combination of what the resource has, with nothing where a value is missing; none without
/// the first.
#[test]
fn joint_rows() {
    let names = |value: serde_json::Value| {
        let entries = entries(&rules(), &Resource::from_value(value).unwrap());
        let own = entries.into_iter().filter(|entry| entry.parameter == "#subject+code+date");
        own.map(|entry| entry.parts.iter().map(|part| show(part)).collect::<Vec<_>>().join(" "))
            .collect::<Vec<_>>()
    };
    let mut value = json!({
        "resourceType": "Observation", "id": "o", "status": "final",
        "code": { "coding": [{ "system": "urn:s", "code": "a" }, { "code": "b" }] },
        "subject": { "reference": "Patient/p", "identifier": { "value": "7" } },
        "effectiveDateTime": "1970-01-02",
    });
    let expected = [
        "p Patient a urn:s 008000000005265c00 05265bff",
        "p Patient b  008000000005265c00 05265bff",
    ];
    assert_eq!(names(value.clone()), expected);
    value.as_object_mut().unwrap().remove("effectiveDateTime");
    assert_eq!(names(value.clone()), ["p Patient a urn:s  ", "p Patient b   "]);
    value.as_object_mut().unwrap().remove("subject");
    assert!(names(value).is_empty());
}

/// What a joint says of its parameters is what the standard says of their elements: each has rows of
/// its own; what is there once cannot repeat; a composite has the same values in its rows.
#[test]
fn joints_are_as_they_say() {
    let rules = rules();
    for kind in ResourceType::all() {
        for joint in Joint::of(kind) {
            let own = |code: &str| rules.parameter(kind, code).unwrap();
            let routes = |code: &str| match &own(code).program {
                Program::Routes(routes) => routes.clone(),
                other => panic!("{code}: {other:?}"),
            };
            for code in &joint.parameters {
                assert!(own(code).is_stored(), "{kind} {code}");
                let routes = routes(code);
                let elements = routes.iter().map(|(route, _)| {
                    let [route::Step::Member(name)] = route.steps.as_slice() else {
                        panic!("{code}: {route:?}");
                    };
                    rules.model().member(kind.as_str(), name).unwrap().0
                });
                let elements: Vec<_> = elements.filter(|_| joint.has_once(code)).collect();
                let names: BTreeSet<_> = elements.iter().map(|element| &element.name).collect();
                assert!(names.len() <= 1 && elements.iter().all(|one| !one.array), "{names:?}");
            }
            let Some(Program::Composite(wholes)) =
                joint.composite().map(|composite| &own(composite).program)
            else {
                continue;
            };
            let [whole] = wholes.as_slice() else { panic!("{wholes:?}") };
            assert!(whole.route.steps.is_empty(), "{kind}");
            let parts: Vec<_> = joint.parameters.iter().map(|code| routes(code)).collect();
            assert_eq!(whole.parts, parts, "{kind}");
        }
    }
}
