//! Loaders on small invented files in the formats of the releases, and on a large one.

use std::io::Read;
use std::sync::Arc;

use serde_json::json;

use crate::definitions::Definitions;
use crate::terminology::load::{loinc, resource, snomed};
use crate::terminology::{CodeSystem, Terminology, TerminologyError};

const TABLE: &str = "\u{feff}\"LOINC_NUM\",\"COMPONENT\",\"STATUS\",\"CLASS\",\"SHORTNAME\",\"LONG_COMMON_NAME\"\r\n\
\"90001-1\",\"Invented, one\",\"ACTIVE\",\"INV\",\"Inv 1\",\"Invented \"\"one\"\", long\"\r\n\
\"90002-9\",\"Invented two\",\"DEPRECATED\",\"INV\",\"\",\"Invented two\"\r\n";

const PARTS: &str = "PATH_TO_ROOT,SEQUENCE,IMMEDIATE_PARENT,CODE,CODE_TEXT\n\
,1,,LP1,Everything\nLP1,1,LP1,LP2,Some\nLP1.LP2,1,LP2,90001-1,one\nLP1,2,LP1,90001-1,one\n";

fn loinc(
    table: &str,
    hierarchy: Option<&str>,
    version: Option<&str>,
) -> Result<CodeSystem, TerminologyError> {
    let release = loinc::Release {
        table: Box::new(table.as_bytes()),
        hierarchy: hierarchy.map(|text| Box::new(text.as_bytes()) as Box<dyn Read>),
        parts: None,
        answers: None,
        answer_links: None,
    };
    loinc::load(release, version)
}

/// Answer lists become codes, properties and value sets; parts bring their names.
#[test]
fn loinc_answers_and_parts() {
    let table = "LOINC_NUM,LONG_COMMON_NAME,STATUS,VersionLastChanged\n\
                 90001-1,One,ACTIVE,2.8\n90002-9,Two,ACTIVE,2.77\n";
    let parts = "PartNumber,PartTypeName,PartName,PartDisplayName,Status\n\
                 LP9,COMPONENT,Thing,A thing,ACTIVE\nLP8,COMPONENT,Gone,,DEPRECATED\n";
    let answers = "AnswerListId,AnswerListName,AnswerStringId,DisplayText,SequenceNumber\n\
                   LL1-1,Invented list,LA2-2,Often,1\nLL1-1,Invented list,LA3-3,Never,2\n\
                   LL2-2,Empty list,,,\n";
    let links = "LoincNumber,AnswerListId,AnswerListLinkType\n90001-1,LL1-1,NORMATIVE\n";
    let bytes = |text: &'static str| Some(Box::new(text.as_bytes()) as Box<dyn Read>);
    let release = loinc::Release {
        table: Box::new(table.as_bytes()),
        hierarchy: None,
        parts: bytes(parts),
        answers: bytes(answers),
        answer_links: bytes(links),
    };
    let system = loinc::load(release, None).unwrap();
    assert_eq!(system.version.as_deref(), Some("2.77"), "the newest change in the table");
    assert_eq!(system.concept("LP9").unwrap().display(), Some("A thing"));
    assert!(system.concept("LP8").unwrap().is_inactive());
    assert_eq!(system.concept("LA2-2").unwrap().display(), Some("Often"));
    assert!(system.has_property("90001-1", "answer-list", "LL1-1"));
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    held.add_code_system(system).unwrap();
    for (code, expected) in [("LA3-3", "In"), ("90001-1", "Out")] {
        let found = held.membership("http://loinc.org/vs/LL1-1", Some("http://loinc.org"), code);
        assert_eq!(format!("{found:?}"), expected, "{code}");
    }
}

#[test]
fn loinc_table_and_hierarchy() {
    let system = loinc(TABLE, Some(PARTS), Some("2.99")).unwrap();
    assert_eq!(system.canonical(), "http://loinc.org|2.99");
    let one = system.concept("90001-1").unwrap();
    assert_eq!(one.display(), Some("Invented \"one\", long"));
    assert_eq!(one.parents().map(|p| p.code()).collect::<Vec<_>>(), ["LP2", "LP1"]);
    assert!(system.concept("90002-9").unwrap().is_inactive() && !one.is_inactive());
    assert!(system.has_property("90001-1", "CLASS", "INV"));
    assert_eq!(one.designations().next().unwrap().value, "Inv 1");
    assert!(system.is_a("90001-1", "LP1") && !system.is_a("90002-9", "LP1"));
}

#[test]
fn a_broken_loinc_table_is_refused_with_its_place() {
    let cases = [
        ("LOINC_NUM,STATUS\n1,ACTIVE\n", "no column LONG_COMMON_NAME"),
        (
            "LOINC_NUM,LONG_COMMON_NAME,STATUS\n1,a,ACTIVE\n,b,ACTIVE\n",
            "line 3: LOINC_NUM is empty",
        ),
        ("LOINC_NUM,LONG_COMMON_NAME,STATUS\n1,a,ACTIVE\n1,b,ACTIVE\n", "second time"),
        ("LOINC_NUM,LONG_COMMON_NAME,STATUS\n1,a\n", "line: 2"),
        ("", "no column LOINC_NUM"),
    ];
    for (table, message) in cases {
        let error = loinc(table, None, None).err().unwrap();
        assert!(error.message.contains(message), "{error}");
    }
    let circle = "IMMEDIATE_PARENT,CODE,CODE_TEXT\nLP2,LP1,a\nLP1,LP2,b\n";
    assert!(loinc(TABLE, Some(circle), None).is_err());
}

const CONCEPTS: &str = "id\teffectiveTime\tactive\tmoduleId\tdefinitionStatusId\r\n\
1001\t20260101\t1\t9\t900000000000074008\r\n1002\t20260101\t1\t9\t900000000000073002\r\n\
1003\t20260101\t0\t9\t900000000000074008\r\n1004\t20260101\t1\t9\t900000000000074008\r\n";
const DESCRIPTIONS: &str = "id\teffectiveTime\tactive\tmoduleId\tconceptId\tlanguageCode\ttypeId\tterm\tcaseSignificanceId\n\
1\t20260101\t1\t9\t1001\ten\t900000000000003001\tInvented thing (thing)\t0\n\
2\t20260101\t1\t9\t1001\ten\t900000000000013009\tThing\t0\n\
3\t20260101\t0\t9\t1001\ten\t900000000000013009\tGone\t0\n\
4\t20260101\t1\t9\t1002\ten\t900000000000003001\tInvented \"part\" (thing)\t0\n";
const RELATIONSHIPS: &str = "id\teffectiveTime\tactive\tmoduleId\tsourceId\tdestinationId\trelationshipGroup\ttypeId\tcharacteristicTypeId\tmodifierId\n\
1\t20260101\t1\t9\t1002\t1001\t0\t116680003\t900000000000011006\t0\n\
2\t20260101\t0\t9\t1004\t1001\t0\t116680003\t900000000000011006\t0\n\
3\t20260101\t1\t9\t1004\t1002\t0\t116680003\t900000000000010007\t0\n\
4\t20260101\t1\t9\t1004\t1002\t1\t777\t900000000000011006\t0\n";
const LANGUAGE: &str = "id\teffectiveTime\tactive\tmoduleId\trefsetId\treferencedComponentId\tacceptabilityId\n\
a\t20260101\t1\t9\t5\t2\t900000000000548007\n";

fn snapshot(
    relationships: &str,
    language: Option<&'static str>,
) -> Result<CodeSystem, TerminologyError> {
    snomed::load(
        snomed::Snapshot {
            concepts: CONCEPTS.as_bytes(),
            descriptions: DESCRIPTIONS.as_bytes(),
            relationships: relationships.as_bytes(),
            language: language.map(str::as_bytes),
            dialect: None,
        },
        "http://snomed.info/sct/9/version/20260101",
    )
}

#[test]
fn snomed_snapshot() {
    let system = snapshot(RELATIONSHIPS, Some(LANGUAGE)).unwrap();
    let display = |code: &str| system.concept(code).unwrap().display();
    assert_eq!(display("1001"), Some("Thing"));
    assert_eq!(display("1002"), Some("Invented \"part\" (thing)"));
    assert_eq!(system.concept("1001").unwrap().designations().count(), 2);
    assert!(system.concept("1003").unwrap().is_inactive());
    assert!(system.is_a("1002", "1001") && !system.is_a("1004", "1001"));
    assert!(system.has_property("1004", "777", "1002"));
    assert!(system.has_property("1002", "sufficientlyDefined", "true"));
    let plain = snapshot(RELATIONSHIPS, None).unwrap();
    assert_eq!(plain.concept("1001").unwrap().display(), Some("Invented thing (thing)"));
}

#[test]
fn a_broken_snapshot_is_refused_with_its_place() {
    let header = RELATIONSHIPS.lines().next().unwrap();
    let cases = [
        (
            format!("{header}\n1\t2\t1\t9\t1002\t9999\t0\t116680003\t0\t0\n"),
            "line 2: the concept 9999",
        ),
        (format!("{header}\n1\t2\t1\t9\t1002\n"), "line 2: the row is too short"),
        (format!("{header}\n1\t2\t1\t9\tx\t1001\t0\t116680003\t0\t0\n"), "line 2: an identifier"),
        ("1\t2\n".to_owned(), "line 1: there is no header"),
        ("id\teffectiveTime\n".to_owned(), "no column active"),
        (format!("{header}\n1\t2\t1\t9\t1001\t1001\t0\t116680003\t0\t0\n"), "1001 is above itself"),
    ];
    for (relationships, message) in cases {
        let error = snapshot(&relationships, None).err().unwrap();
        assert!(error.message.contains(message), "{error}");
    }
}

#[test]
fn implicit_value_sets() {
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    held.add_code_system(snapshot(RELATIONSHIPS, None).unwrap()).unwrap();
    held.add_code_system(loinc(TABLE, None, Some("2.99")).unwrap()).unwrap();
    let check = |set: &str, system: &str, code: &str, expected: &str| {
        let found = format!("{:?}", held.membership(set, Some(system), code));
        assert_eq!(found, expected, "{set} {code}");
    };
    let sct = "http://snomed.info/sct";
    check("http://snomed.info/sct?fhir_vs", sct, "1004", "In");
    check("http://snomed.info/sct?fhir_vs=isa/1001", sct, "1002", "In");
    check("http://snomed.info/sct?fhir_vs=isa/1001", sct, "1004", "Out");
    check("http://snomed.info/sct/9?fhir_vs=isa/1001", sct, "1002", "In");
    check("http://snomed.info/sct?fhir_vs=refset/1", sct, "1002", "Unknown");
    check("http://loinc.org/vs", "http://loinc.org", "90001-1", "In");
    check("http://loinc.org/vs", "http://loinc.org", "nothing", "Out");
}

#[test]
fn resources_as_json() {
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    let system = json!({ "resourceType": "CodeSystem", "url": "s", "content": "complete", "concept": [{ "code": "a" }] });
    let patient = json!({ "resourceType": "Patient" });
    let bundle = json!({ "resourceType": "Bundle", "entry": [{ "resource": system }, { "resource": patient }] });
    assert_eq!(resource::json(&mut held, bundle.to_string().as_bytes()).unwrap(), ["s"]);
    let lines = format!("{system}\n\n{system}\n");
    assert_eq!(resource::ndjson(&mut held, lines.as_bytes()).unwrap(), ["s", "s"]);
    assert!(held.code_system("s").unwrap().contains("a"));
    let cases = [
        (patient.to_string(), "Patient is neither"),
        ("{}".to_owned(), "without resourceType"),
        ("{".to_owned(), "line 1"),
        (json!({ "resourceType": "CodeSystem" }).to_string(), "url is missing"),
    ];
    for (text, message) in cases {
        let error = resource::json(&mut held, text.as_bytes()).err().unwrap();
        assert!(error.message.contains(message), "{error}");
        let error = resource::ndjson(&mut held, format!("\n{text}").as_bytes()).err().unwrap();
        assert!(error.message.starts_with("line 2: "), "{error}");
    }
}
