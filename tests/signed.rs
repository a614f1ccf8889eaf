//! What is made beside a letter: its signed form, the explanation of its numbers, the findings as
//! resources, its other language.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use spondyl::clinical::consistency::FindingKind;
use spondyl::clinical::element::Target;
use spondyl::clinical::{Record, Summary, summary};
use spondyl::definitions::Definitions;
use spondyl::fhir::{Instant, Resource, Severity};
use spondyl::letter::catalogue::Catalogue;
use spondyl::letter::kind::Kind;
use spondyl::letter::{self, Finalising, Letter, Signature};
use spondyl::validation::Validator;

mod episode;

const BASE: &str = "http://127.0.0.1:8080/fhir";

fn each(check: impl Fn(&str, &Summary, &Record<'_>)) {
    let clinic = episode::clinic();
    for id in episode::episode_ids(&clinic) {
        let record = Record::build(episode::episode(&clinic, &id), &clinic);
        check(&id, &summary(&record, episode::now()), &record);
    }
}

fn signature() -> Signature {
    Signature {
        name: "Maren Tolquist".to_owned(),
        by: Target::of("Practitioner/demo-therapist-tolquist").unwrap(),
        at: Instant::parse("2026-11-25T09:30:00Z").unwrap(),
    }
}

fn signed(summary: &Summary, record: &Record<'_>, replaces: &[Target]) -> Vec<Value> {
    let signature = signature();
    let words = Catalogue::english();
    let how =
        Finalising { base: BASE, signature: &signature, replaces, kind: None, words, added: None };
    letter::finalise(summary, record, &how).unwrap()
}

fn of<'a>(resources: &'a [Value], kind: &str) -> Vec<&'a Value> {
    resources.iter().filter(|resource| resource["resourceType"] == kind).collect()
}

/// The resources that R4 and our profiles allow.
fn valid(validator: &Validator, resource: &Value) {
    let resource = Resource::from_value(resource.clone()).unwrap();
    let issues = validator.check(&resource);
    let errors: Vec<_> = issues.iter().filter(|issue| issue.severity >= Severity::Error).collect();
    assert!(errors.is_empty(), "{}: {errors:#?}", resource.kind());
}

#[test]
fn a_signed_letter_is_stored_whole() {
    let validator = Validator::new(Arc::new(Definitions::embedded().unwrap()));
    each(|id, summary, record| {
        let made = signed(summary, record, &[]);
        assert_eq!(made, signed(summary, record, &[]), "{id}: the same letter, the same resources");
        for resource in &made {
            valid(&validator, resource);
        }
        let composition = of(&made, "Composition")[0];
        assert_eq!(composition["status"], "final");
        assert_eq!(composition["attester"][0]["time"], "2026-11-25T09:30:00.000Z");
        let bundle = of(&made, "Bundle")[0];
        assert_eq!(&bundle["entry"][0]["resource"], composition);
        let binaries: BTreeMap<String, Vec<u8>> = of(&made, "Binary")
            .iter()
            .map(|b| {
                let data = STANDARD.decode(b["data"].as_str().unwrap()).unwrap();
                (format!("Binary/{}", b["id"].as_str().unwrap()), data)
            })
            .collect();
        assert!(binaries.values().any(|bytes| bytes.starts_with(b"%PDF-")), "{id}");
        let references = of(&made, "DocumentReference");
        assert_eq!(references.len(), 3, "one for each form");
        for reference in references {
            let attachment = &reference["content"][0]["attachment"];
            let url = attachment["url"].as_str().unwrap();
            let Some(bytes) = binaries.get(url) else {
                assert_eq!(url, format!("Bundle/{}", bundle["id"].as_str().unwrap()));
                continue;
            };
            assert_eq!(attachment["size"], bytes.len());
            let hash = sha1_smol::Sha1::from(bytes).digest().bytes();
            assert_eq!(attachment["hash"], STANDARD.encode(hash));
        }
        let provenance = of(&made, "Provenance")[0];
        assert_eq!(provenance["target"].as_array().unwrap().len(), made.len() - 2, "all but two");
        let entities = provenance["entity"].as_array().unwrap();
        assert_eq!(entities.len(), summary.sources.len() + 1, "the digest, then every input");
        let digest = entities[0]["what"]["identifier"]["value"].as_str().unwrap();
        assert!(digest.starts_with("ni:///sha-256;"), "{digest}");
    });
}

/// A later letter says what it replaces; the digest tells that an input is another.
#[test]
fn a_later_letter_replaces_the_earlier() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let make = |resources: &[Resource], replaces: &[Target]| {
        let record = Record::build(episode::episode(resources, id), resources);
        signed(&summary(&record, episode::now()), &record, replaces)
    };
    let first = make(&clinic, &[]);
    let earlier: Vec<Target> = ["Composition", "DocumentReference"]
        .iter()
        .flat_map(|kind| of(&first, kind))
        .map(|r| format!("{}/{}", r["resourceType"].as_str().unwrap(), r["id"].as_str().unwrap()))
        .map(|reference| Target::of(&reference).unwrap())
        .collect();
    let mut changed = clinic.clone();
    let touched = changed.iter_mut().find(|r| r.id_text() == Some("demo-aldis-v1-t1")).unwrap();
    touched.value_mut()["meta"]["versionId"] = "2".into();
    let second = make(&changed, &earlier);
    let composition = of(&second, "Composition")[0];
    assert_eq!(composition["relatesTo"][0]["code"], "replaces");
    let before = of(&first, "Composition")[0];
    let replaced = composition["relatesTo"][0]["targetReference"]["reference"].as_str().unwrap();
    assert_eq!(replaced, format!("Composition/{}", before["id"].as_str().unwrap()));
    assert_ne!(composition["id"], before["id"]);
    assert_eq!(of(&second, "DocumentReference")[0]["relatesTo"].as_array().unwrap().len(), 3);
    let digest = |made: &[Value]| of(made, "Provenance")[0]["entity"][0]["what"].to_string();
    assert_ne!(digest(&first), digest(&second));
}

/// Every explained number is the number of the summary; every computed number is explained.
#[test]
fn every_number_is_explained() {
    each(|id, summary, _| {
        let whole = serde_json::to_value(summary).unwrap();
        let explained = letter::explain(summary, Catalogue::english());
        let mut places = BTreeSet::new();
        for number in explained["parameter"].as_array().unwrap() {
            let parts = number["part"].as_array().unwrap();
            let part = |name: &str| parts.iter().find(|part| part["name"] == name);
            let place = part("name").unwrap()["valueString"].as_str().unwrap();
            let value = &part("value").unwrap()["valueDecimal"];
            assert_eq!(
                value.to_string(),
                whole.pointer(place).unwrap().to_string(),
                "{id} {place}"
            );
            for text in ["formula", "source"] {
                let text = part(text).unwrap()["valueString"].as_str().unwrap();
                assert!(!text.is_empty() && !text.contains("formula"), "{id} {place}: {text}");
            }
            let input = part("input").map(|i| i["valueReference"]["reference"].to_string());
            let empty = value.as_u64() == Some(0);
            assert!(empty || input.is_some_and(|i| i.contains("/_history/")), "{id} {place}");
            places.insert(place.to_owned());
        }
        let mut computed = Vec::new();
        numbers(&whole, String::new(), &mut computed);
        // Single readings, lists of which a number above is computed, and what repeats one.
        let readings = [
            "/cells/",
            "/scores/",
            "/dose/lines/",
            "/counts/",
            "/caution/",
            "/mobility",
            "/answered",
            "/points",
            "/same_activities",
            "/implausible_ranges/",
            "/contradictions/",
            "/targets/",
            "/exercises/",
        ];
        for place in computed {
            let reading = readings.iter().any(|part| place.contains(part));
            let again = place.starts_with("/goal_progress/") && !place.ends_with("/percent");
            assert!(reading || again || places.contains(&place), "{id}: {place} is not explained");
        }
    });
}

fn numbers(value: &Value, place: String, found: &mut Vec<String>) {
    match value {
        Value::Number(_) => found.push(place),
        Value::Array(items) => {
            for (at, item) in items.iter().enumerate() {
                numbers(item, format!("{place}/{at}"), found);
            }
        }
        Value::Object(object) => {
            for (name, item) in object {
                numbers(item, format!("{place}/{name}"), found);
            }
        }
        _ => {}
    }
}

#[test]
fn findings_as_resources() {
    let validator = Validator::new(Arc::new(Definitions::embedded().unwrap()));
    let mut seen = BTreeSet::new();
    let clinic = episode::clinic();
    for id in episode::episode_ids(&clinic) {
        let record = Record::build(episode::episode(&clinic, &id), &clinic);
        let summary = summary(&record, episode::now());
        let issues = letter::detected_issues(&summary, Catalogue::english());
        assert_eq!(issues.len(), summary.findings.len());
        let ids: BTreeSet<String> = issues.iter().map(|issue| issue["id"].to_string()).collect();
        assert_eq!(ids.len(), issues.len(), "{id}");
        for (issue, finding) in issues.iter().zip(&summary.findings) {
            valid(&validator, issue);
            assert_eq!(issue["code"]["coding"][0]["code"], finding.kind.code());
            let evidence = issue["evidence"][0]["detail"].as_array().unwrap();
            assert_eq!(evidence.len(), finding.sources.len(), "{id}");
            seen.insert(finding.kind);
        }
    }
    assert!(seen.len() > 4, "{seen:?}");
}

/// Each kind of finding has a line, a name and a rule, in both languages and in the code system.
#[test]
fn every_finding_has_its_words() {
    let system = include_str!("../schemas/profile/code-system-consistency-finding.json");
    let system: Value = serde_json::from_str(system).unwrap();
    let concepts = system["concept"].as_array().unwrap();
    assert_eq!(concepts.len(), FindingKind::ALL.len());
    for (kind, concept) in FindingKind::ALL.iter().zip(concepts) {
        let code = kind.code();
        for words in [Catalogue::english(), Catalogue::german()] {
            for group in ["finding", "finding-name", "rule"] {
                assert_ne!(words.name(group, code), code, "{group}.{code}");
            }
        }
        let english = Catalogue::english();
        assert_eq!(concept["code"], code, "in the order of the letter");
        assert_eq!(concept["display"], english.name("finding-name", code));
        assert_eq!(concept["definition"], english.name("rule", code));
    }
}

#[test]
fn both_catalogues_have_every_key() {
    let (english, german) = (Catalogue::english(), Catalogue::german());
    assert!(english.keys().eq(german.keys()));
    let places = |text: &str| -> BTreeSet<String> {
        let parts = text.split('{').skip(1);
        parts.map(|part| part.split('}').next().unwrap().to_owned()).collect()
    };
    for key in english.keys() {
        assert_eq!(places(english.get(key)), places(german.get(key)), "{key}");
    }
}

fn words_of(text: &str) -> BTreeSet<String> {
    let words = text.split(|c: char| !c.is_alphabetic()).filter(|word| word.chars().count() > 2);
    words.map(str::to_lowercase).collect()
}

fn strings(value: &Value, found: &mut String) {
    match value {
        Value::String(text) => {
            found.push_str(text);
            found.push('\n');
        }
        Value::Array(items) => items.iter().for_each(|item| strings(item, found)),
        Value::Object(object) => object.values().for_each(|item| strings(item, found)),
        _ => {}
    }
}

/// A German letter has no word that is only in the English catalogue: no wording hides in code. What
/// the record and the threshold sets say stays as it was written.
#[test]
fn a_german_letter_has_no_english_word() {
    let clinic = episode::clinic();
    let texts = |words: &Catalogue| -> String {
        words.keys().map(|k| words.get(k)).collect::<Vec<_>>().join("\n")
    };
    let german = words_of(&texts(Catalogue::german()));
    let mut data = include_str!("../src/clinical/thresholds.json").to_owned();
    for resource in &clinic {
        strings(resource.value(), &mut data);
    }
    let own = words_of(&data);
    let english = words_of(&texts(Catalogue::english()));
    let only: BTreeSet<&String> =
        english.iter().filter(|word| !german.contains(*word) && !own.contains(*word)).collect();
    assert!(only.len() > 200, "{}", only.len());
    each(|id, summary, _| {
        for kind in Kind::ALL {
            let letter = Letter { kind, words: Catalogue::german(), ..Letter::new(summary) };
            let mut text = String::new();
            let mut content = serde_json::to_value(letter.content()).unwrap();
            let charts = content["charts"].as_array_mut().unwrap();
            for chart in charts {
                chart.as_object_mut().unwrap().remove("section");
            }
            let shown =
                ["title", "subject", "date", "status", "parties", "charts", "charts_note", "foot"];
            for name in shown {
                strings(&content[name], &mut text);
            }
            strings(&content["cautions"], &mut text);
            for section in content["sections"].as_array().unwrap() {
                strings(&section["title"], &mut text);
                for block in section["blocks"].as_array().unwrap() {
                    let mut block = block.clone();
                    block.as_object_mut().unwrap().remove("kind");
                    if let Some(rows) = block.get_mut("rows").and_then(Value::as_array_mut) {
                        rows.iter_mut().filter_map(|r| r.get_mut("cells")).for_each(without_shape);
                    }
                    if let Some(legend) = block.get_mut("legend") {
                        without_shape(legend);
                    }
                    strings(&block, &mut text);
                }
            }
            let stray: Vec<String> =
                words_of(&text).into_iter().filter(|w| only.contains(w)).collect();
            assert!(stray.is_empty(), "{id}: {stray:?}");
            assert!(letter.html().contains("<html lang=\"de\">"));
        }
    });
}

/// Shapes are names for the drawing, not words.
fn without_shape(value: &mut Value) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(without_shape),
        Value::Object(object) => {
            object.remove("shape");
            object.values_mut().for_each(without_shape);
        }
        _ => {}
    }
}

/// What each kind of letter says first, and in which order.
#[test]
fn kinds_differ_in_order() {
    each(|id, summary, _| {
        let order = |kind| {
            let content = Letter { kind, ..Letter::new(summary) }.content();
            content.sections.iter().map(|section| section.id).collect::<Vec<_>>()
        };
        for kind in Kind::ALL {
            let sections = order(kind);
            assert_eq!(sections[..2], ["short", "request"], "{id}");
            assert_eq!(sections.iter().collect::<BTreeSet<_>>().len(), 10, "{id}: none is lost");
        }
        assert_eq!(order(Kind::UrgentReferral)[2], "safety");
        assert_ne!(order(Kind::Progress), order(Kind::Discharge));
        let expected = match id {
            "demo-bero-episode" => Kind::UrgentReferral,
            "demo-evanne-episode" => Kind::Progress,
            _ => Kind::Discharge,
        };
        assert_eq!(Kind::of(summary), expected, "{id}");
    });
}

/// What a German letter calls the items of a screening, and other coded elements of ours, are the
/// designations of our own code systems, whatever displays a record has.
#[test]
fn words_of_coded_elements_are_designations() {
    let german = Catalogue::german();
    for (system, group) in [
        ("screening-item", "screening-item"),
        ("treatment-reaction", "treatment-reaction"),
        ("end-feel", "end-feel"),
        ("contact-point", "contact-point"),
        ("patient-position", "patient-position"),
        ("side", "side"),
        ("adverse-event-class", "event-class"),
        ("episode-end-reason", "end-reason"),
        ("consistency-finding", "finding-name"),
    ] {
        let file = format!("schemas/profile/code-system-{system}.json");
        let value: Value = serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap();
        let concepts = value["concept"].as_array().unwrap();
        for concept in concepts {
            let code = concept["code"].as_str().unwrap();
            assert_eq!(concept["designation"][0]["language"], "de", "{system} {code}");
            let designation = concept["designation"][0]["value"].as_str();
            assert_eq!(designation, german.find(group, code), "{system} {code}");
        }
    }
}

/// Screening items in a German letter are German, also where the record's displays are English or
/// there are none; an item that is not ours stays in the record's words.
#[test]
fn screening_items_in_the_language_of_the_letter() {
    let mut clinic = episode::clinic();
    let screening = |r: &&mut Resource| r.id_text() == Some("demo-bero-v3-screening");
    let found = clinic.iter_mut().find(screening).unwrap().value_mut();
    let components = found["component"].as_array_mut().unwrap();
    let positive = |c: &&mut Value| c["valueCodeableConcept"]["coding"][0]["code"] == "Y";
    let mut positives = components.iter_mut().filter(positive);
    positives.next().unwrap()["code"]["coding"][0]["display"] = json!("Another display");
    positives.next().unwrap()["code"]["coding"][0].as_object_mut().unwrap().remove("display");
    let answer = json!({ "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/v2-0136",
        "code": "Y" }] });
    components
        .push(json!({ "code": { "text": "An item of our own" }, "valueCodeableConcept": answer }));
    let record = Record::build(episode::episode(&clinic, "demo-bero-episode"), &clinic);
    let summary = summary(&record, episode::now());
    let shown = |words: &'static Catalogue| Letter { words, ..Letter::new(&summary) }.html();
    let (english, german) = (shown(Catalogue::english()), shown(Catalogue::german()));
    for item in summary.caution.screenings.iter().flat_map(|screening| &screening.positive) {
        match &item.code {
            Some(code) => {
                for (words, page) in
                    [(Catalogue::english(), &english), (Catalogue::german(), &german)]
                {
                    assert!(page.contains(words.find("screening-item", code).unwrap()), "{code}");
                }
            }
            None => assert!(german.contains("An item of our own")),
        }
    }
    assert!(!german.contains("Another display") && !english.contains("Another display"));
}
