//! The episode summary against numbers computed elsewhere, and its promises as properties.
//!
//! `conformance/summary/demo-expected.json` was computed from the same Bundles by another program;
//! its rules are written in it.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test may fail loudly")]

use serde_json::{Value, json};
use spondyl::clinical::record::as_stored;
use spondyl::clinical::{Record, summary};
use spondyl::fhir::{Instant, Resource};
use spondyl::letter;

mod episode;

fn summarise(resources: &[Resource], id: &str) -> Value {
    let record = Record::build(episode::episode(resources, id), resources);
    serde_json::to_value(summary(&record, episode::now())).unwrap()
}

fn expected() -> Value {
    let text = include_str!("../conformance/summary/demo-expected.json");
    serde_json::from_str(text).unwrap()
}

/// Numbers as text, so that 3 and 3.0 are one number.
fn plain(value: &Value) -> Value {
    match value {
        Value::Number(number) => {
            let text = number.to_string();
            let text = if text.contains('.') {
                text.trim_end_matches('0').trim_end_matches('.')
            } else {
                &text
            };
            json!(text)
        }
        other => other.clone(),
    }
}

#[track_caller]
fn same(what: &str, found: &Value, expected: &Value) {
    assert_eq!(plain(found), plain(expected), "{what}");
}

/// Within half a unit of the first decimal: where a site rounds a percent that follows from items.
#[track_caller]
fn near(what: &str, found: &Value, expected: &Value) {
    match (found.as_f64(), expected.as_f64()) {
        (Some(a), Some(b)) => assert!((a - b).abs() <= 0.05, "{what}: {a} {b}"),
        _ => same(what, found, expected),
    }
}

fn outcome<'a>(summary: &'a Value, measure: &str) -> &'a Value {
    let outcomes = summary["outcomes"].as_array().unwrap();
    outcomes.iter().find(|o| o["measure"] == measure).unwrap_or(&Value::Null)
}

#[test]
fn demo_course() {
    let clinic = episode::clinic();
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        let course = &found["course"];
        same(id, &course["status"], &expected["status"]);
        same(id, &course["end_reason"], &expected["endReason"]);
        let visits = &expected["visits"];
        same(id, &course["planned_visits"], &visits["planned"]);
        for name in ["attended", "missed", "cancelled"] {
            same(id, &course[name], &visits[name]);
        }
        same(id, &course["first_visit"], &visits["first"]);
        same(id, &course["latest_visit"], &visits["last"]);
        same(id, &course["days_to_first_visit"], &expected["referral"]["daysToFirstVisit"]);
        if !expected["daysInEpisode"].is_null() {
            same(id, &course["days"], &expected["daysInEpisode"]);
        }
    }
}

#[test]
fn demo_scores() {
    let clinic = episode::clinic();
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        for (measure, name) in [("ndi", "disability"), ("nprs", "pain"), ("psfs", "function")] {
            let (found, expected) = (outcome(&found, measure), &expected[name]);
            let at = format!("{id} {measure}");
            let count = found["scores"].as_array().map_or(0, Vec::len);
            same(&at, &json!(count), &expected["count"]);
            let value = if measure == "ndi" { "percent" } else { "value" };
            let change = if measure == "ndi" { "changePercentagePoints" } else { "change" };
            let computed = measure == "psfs" || !found["first"]["answered"].is_null();
            let check = if computed { near } else { same };
            for end in ["first", "latest"] {
                check(&at, &found[end]["value"], &expected[end][value]);
                same(&at, &found[end]["day"], &expected[end]["date"]);
            }
            check(&at, &found["change"], &expected[change]);
        }
        let rating = outcome(&found, "grc");
        same(id, &rating["first"]["value"], &expected["globalRatingOfChange"]["value"]);
        let habit = &expected["selfManipulation"];
        for end in ["first", "latest"] {
            same(id, &found["habit"][end]["per_day"], &habit[end]["value"]);
            same(id, &found["habit"][end]["day"], &habit[end]["date"]);
        }
        same(id, &found["habit"]["first_zero"], &habit["firstZero"]);
    }
}

#[test]
fn demo_ranges() {
    let clinic = episode::clinic();
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        let ranges = found["ranges"].as_array().unwrap();
        assert_eq!(ranges.len(), expected["rangeOfMotion"].as_object().unwrap().len(), "{id}");
        for range in ranges {
            let name = format!(
                "{} {}",
                range["direction"].as_str().unwrap(),
                range["mode"].as_str().unwrap()
            );
            let expected = &expected["rangeOfMotion"][&name];
            for end in ["first", "latest"] {
                same(&name, &range[end]["degrees"], &expected[end]["value"]);
            }
            same(&name, &range["change"], &expected["change"]);
        }
    }
}

#[test]
fn demo_segments() {
    let clinic = episode::clinic();
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        let changes = found["segments"]["changes"].as_array().unwrap();
        for row in expected["segments"].as_array().unwrap() {
            let at = format!("{id} {} {}", row["segment"], row["side"]);
            let key = |change: &&Value| {
                change["segment"] == row["segment"] && change["side"] == row["side"]
            };
            let of_row: Vec<&Value> = changes.iter().filter(key).collect();
            // The expectation has one row for a side; ours has one for each test of it.
            let [change] = of_row.as_slice() else { continue };
            for end in ["first", "latest"] {
                let mobility =
                    if change[end].is_null() { &Value::Null } else { &change[end]["mobility"] };
                same(&at, &mobility["grade"], &row[end]["grade"]);
                same(&at, &mobility["class"], &row[end]["class"]);
                same(&at, &change[end]["day"], &row[end]["date"]);
            }
            same(&at, &change["grades"], &row["gradeChange"]);
            let direction = row["direction"].as_str().unwrap_or_default();
            if ["normalised", "towards-normal", "away-from-normal", "unchanged"]
                .contains(&direction)
            {
                let class = change["class"].as_str().unwrap();
                assert!(class == direction || class == "crossed", "{at}: {class}, {direction}");
            }
        }
        for (ours, theirs) in [("first", "sidesAtFirst"), ("latest", "sidesAtLatest")] {
            let (ours, theirs) = (&found["segments"][ours], &expected[theirs]);
            for class in ["hypomobile", "normal", "hypermobile"] {
                same(&format!("{id} {class}"), &ours[format!("{class}_sides")], &theirs[class]);
            }
        }
    }
}

#[test]
fn demo_dose() {
    let clinic = episode::clinic();
    let check = |at: &str, totals: &Value, expected: &Value| {
        same(at, &totals["lines"], &expected["procedures"]);
        same(at, &totals["oscillations"]["min"], &expected["oscillations"]);
        same(at, &totals["oscillations"]["max"], &expected["oscillations"]);
        same(at, &totals["seconds"]["min"], &expected["oscillatorySecondsMin"]);
        same(at, &totals["seconds"]["max"], &expected["oscillatorySecondsMax"]);
        same(at, &totals["thrusts"], &expected["thrusts"]);
        same(at, &totals["repetitions"], &expected["repetitions"]);
    };
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        let expected = &expected["treatment"];
        for (ours, theirs) in [("by_segment", "bySegment"), ("by_day", "byVisit")] {
            let groups = found["dose"][ours].as_array().unwrap();
            assert_eq!(groups.len(), expected[theirs].as_object().unwrap().len(), "{id} {ours}");
            for group in groups {
                let key = group[0].as_str().unwrap();
                let at = format!("{id} {key}");
                let expected = &expected[theirs][key];
                if ours == "by_segment" {
                    check(&at, &group[1], expected);
                } else {
                    same(&at, &group[1]["oscillations"]["max"], &expected["oscillations"]);
                    same(&at, &group[1]["seconds"]["max"], &expected["oscillatorySecondsMax"]);
                }
            }
        }
        let total = &found["dose"]["total"];
        same(id, &total["oscillations"]["max"], &expected["oscillations"]);
        same(id, &total["seconds"]["min"], &expected["oscillatorySecondsMin"]);
        same(id, &total["seconds"]["max"], &expected["oscillatorySecondsMax"]);
        same(id, &total["thrusts"], &expected["thrusts"]);
        same(id, &total["repetitions"], &expected["repetitions"]);
    }
}

fn of_kind<'a>(list: &'a Value, name: &str, code: &str) -> Vec<&'a Value> {
    list.as_array().unwrap().iter().filter(|finding| finding[name] == code).collect()
}

#[test]
fn demo_findings() {
    let clinic = episode::clinic();
    for (id, expected) in expected()["episodes"].as_object().unwrap() {
        let found = summarise(&clinic, id);
        let all = expected["consistency"].as_array().unwrap();
        let codes = ["units-mixed", "dose-missing", "final-score-missing", "no-retest-of-segments"];
        for code in codes {
            let ours: Vec<&Value> = of_kind(&found["findings"], "kind", code);
            let theirs: Vec<&Value> = of_kind(&expected["consistency"], "code", code);
            let measures = theirs.iter().filter_map(|f| f["measures"].as_array()).flatten().count();
            assert_eq!(ours.len(), measures.max(theirs.len()), "{id} {code} of {all:?}");
        }
        for code in ["contradicting-grades", "hypermobile-treated"] {
            let segments = |list: &Value, name: &str| -> Vec<(String, String)> {
                let of_code = list.as_array().unwrap().iter().filter(|f| f[name] == code);
                let day = |f: &Value| {
                    f["date"].as_str().or(f["day"].as_str()).unwrap_or_default().to_owned()
                };
                of_code.map(|f| (f["segment"].as_str().unwrap().to_owned(), day(f))).collect()
            };
            let ours = segments(&found["findings"], "kind");
            assert_eq!(ours, segments(&expected["consistency"], "code"), "{id} {code}");
        }
    }
}

#[test]
fn order_makes_no_difference() {
    let clinic = episode::clinic();
    let mut turned = clinic.clone();
    turned.reverse();
    let mut mixed = clinic.clone();
    mixed.rotate_left(97);
    mixed.swap(3, 211);
    for id in episode::episode_ids(&clinic) {
        let straight = summarise(&clinic, &id).to_string();
        assert_eq!(straight, summarise(&turned, &id).to_string());
        assert_eq!(straight, summarise(&mixed, &id).to_string());
    }
}

#[test]
fn other_episodes_make_no_difference() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let own: Vec<Resource> = clinic
        .iter()
        .filter(|r| {
            let id = r.id_text().unwrap();
            id.contains("aldis") || !["Observation", "Procedure"].contains(&r.kind().as_str())
        })
        .cloned()
        .collect();
    assert!(own.len() < clinic.len());
    assert_eq!(summarise(&clinic, id), summarise(&own, id));
}

/// Episodes computed by hand: each case tells its arithmetic, and the numbers by JSON pointer.
#[test]
fn episodes_computed_by_hand() {
    for name in ["dose", "scores", "segments"] {
        let path = format!("conformance/summary/{name}.json");
        let case: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
        let values = case["resources"].as_array().unwrap().iter().cloned();
        let resources: Vec<Resource> = values.map(|v| Resource::from_value(v).unwrap()).collect();
        let id = case["episode"].as_str().unwrap();
        let record = Record::build(episode::episode(&resources, id), &resources);
        let as_of = Instant::parse(case["asOf"].as_str().unwrap()).unwrap();
        let found = serde_json::to_value(summary(&record, as_of)).unwrap();
        for (pointer, expected) in case["expected"].as_object().unwrap() {
            let value = found.pointer(pointer).unwrap_or(&Value::Null);
            same(&format!("{name} {pointer}"), value, expected);
        }
    }
}

/// What replaces a value when a record is damaged: other types, extremes, nonsense.
fn damage(seed: u64) -> Value {
    let text = match seed % 12 {
        0 => "null",
        1 => "true",
        2 => "-79228162514264337593543950335",
        3 => "79228162514264337593543950335",
        4 => "0.0000000000000000000000000001",
        5 => "1e400",
        6 => "\"\"",
        7 => "\"9999-12-31T23:59:59.999-23:59\"",
        8 => "\"\\u0000 {n} \\n ; \u{6f22}\"",
        9 => "[]",
        10 => "{}",
        _ => "[[{\"reference\": \"Patient/x\", \"code\": 4294967296}]]",
    };
    serde_json::from_str(text).unwrap()
}

/// Replaces the leaf of that number, counting from the front; answers how many leaves there are.
fn replace_leaf(value: &mut Value, wanted: usize, seen: &mut usize, with: &Value) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(|v| replace_leaf(v, wanted, seen, with)),
        Value::Object(object) => {
            for (name, member) in object.iter_mut() {
                if !["resourceType", "id"].contains(&name.as_str()) {
                    replace_leaf(member, wanted, seen, with);
                }
            }
        }
        leaf => {
            if *seen == wanted {
                *leaf = with.clone();
            }
            *seen += 1;
        }
    }
}

/// Whatever stands in a record, there is a summary and a letter, and nothing falls over.
#[test]
fn damaged_records_still_have_a_summary() {
    let clinic = episode::clinic();
    let mut seed = 20_261_125_u64;
    let mut next = |below: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from((seed >> 33) % below as u64).unwrap()
    };
    let ids = episode::episode_ids(&clinic);
    for round in 0..150 {
        let mut damaged = clinic.clone();
        for _ in 0..40 {
            let at = next(damaged.len());
            let leaf = next(60);
            let with = damage(next(1 << 20) as u64);
            replace_leaf(damaged[at].value_mut(), leaf, &mut 0, &with);
        }
        let id = &ids[round % ids.len()];
        let record = Record::build(episode::episode(&damaged, id), &damaged);
        let summary = summary(&record, episode::now());
        assert!(letter::html(&summary).contains("</html>"));
        let context = letter::Context { base: "http://a.example/fhir", bundle_id: None };
        assert_eq!(letter::document(&summary, &record, context)["type"], "document");
    }
}

/// Adds a copy of a resource, changed, under another id.
fn with_copy(clinic: &[Resource], of: &str, change: impl Fn(&mut Value)) -> Vec<Resource> {
    let original = clinic.iter().find(|r| r.id_text() == Some(of)).unwrap();
    let mut value = original.value().clone();
    value["id"] = json!("copy");
    change(&mut value);
    let mut more = clinic.to_vec();
    more.push(Resource::from_value(value).unwrap());
    more
}

#[test]
fn entered_in_error_never_counts() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let before = summarise(&clinic, id);
    for of in
        ["demo-aldis-v1-t1", "demo-aldis-v1-seg-C3-C4-left", "demo-aldis-v2", "demo-aldis-consent"]
    {
        let error = with_copy(&clinic, of, |value| value["status"] = json!("entered-in-error"));
        assert_eq!(before, summarise(&error, id), "{of}");
        let counted = with_copy(&clinic, of, |_| {});
        assert_ne!(before, summarise(&counted, id), "{of} does count otherwise");
    }
    let cancelled = with_copy(&clinic, "demo-aldis-v1-bp", |v| v["status"] = json!("cancelled"));
    assert_eq!(before, summarise(&cancelled, id));
}

#[test]
fn another_patients_resource_never_counts() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let stray = with_copy(&clinic, "demo-aldis-v1-t1", |value| {
        value["subject"]["reference"] = json!("Patient/demo-bero");
    });
    assert_eq!(summarise(&clinic, id), summarise(&stray, id));
}

#[test]
fn what_cannot_be_read_is_a_gap() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let before = summarise(&clinic, id);
    let broken = with_copy(&clinic, "demo-aldis-v1-seg-C3-C4-left", |value| {
        value["valueCodeableConcept"] = json!({ "text": "a bit stiff" });
    });
    let after = summarise(&broken, id);
    assert_eq!(before["segments"], after["segments"]);
    let gap = json!({
        "kind": "not-readable", "about": "segmental-mobility", "expression": "Observation.value",
        "source": "Observation/copy/_history/1",
    });
    assert!(after["gaps"].as_array().unwrap().contains(&gap), "{}", after["gaps"]);
}

/// Recomputed as of a moment from stored versions, a summary is what it was then, byte for byte,
/// whatever was stored later.
#[test]
fn as_of_a_moment_nothing_later_counts() {
    let then = Instant::parse("2026-06-01T00:00:00Z").unwrap();
    let id = "demo-aldis-episode";
    let mut stored = episode::clinic();
    for resource in &mut stored {
        resource.value_mut()["meta"]["lastUpdated"] = json!("2026-05-01T00:00:00Z");
    }
    let at_the_time = |versions: &[Resource]| {
        let resources = as_stored(versions, then);
        let record = Record::build(episode::episode(&resources, id), &resources);
        serde_json::to_string(&summary(&record, then)).unwrap()
    };
    let before = at_the_time(&stored);
    let mut versions = stored.clone();
    for of in ["demo-aldis-v1-t1", "demo-aldis-episode", "demo-aldis-v1-seg-C3-C4-left"] {
        let mut later = stored.iter().find(|r| r.id_text() == Some(of)).unwrap().clone();
        later.value_mut()["status"] = json!("entered-in-error");
        later.value_mut()["meta"] =
            json!({ "versionId": "2", "lastUpdated": "2026-06-02T00:00:00Z" });
        versions.push(later);
    }
    assert_eq!(before, at_the_time(&versions));
    versions.reverse();
    assert_eq!(before, at_the_time(&versions));
    let now = as_stored(&versions, episode::now());
    let record = Record::build(episode::episode(&now, id), &now);
    assert_ne!(before, serde_json::to_string(&summary(&record, then)).unwrap());
}

/// Each consistency rule of the list is found where a record breaks it, and only there.
#[test]
fn findings_of_a_changed_record() {
    let clinic = episode::clinic();
    let id = "demo-aldis-episode";
    let kinds = |resources: &[Resource]| -> Vec<String> {
        let found = summarise(resources, id);
        let kind = |f: &Value| f["kind"].as_str().unwrap().to_owned();
        found["findings"].as_array().unwrap().iter().map(kind).collect()
    };
    assert!(!kinds(&clinic).iter().any(|kind| kind != "named-not-treated"), "{:?}", kinds(&clinic));
    let check = |code: &str, of: &str, change: &dyn Fn(&mut Value)| {
        let mut changed = clinic.clone();
        let all = changed.iter_mut().filter(|r| {
            r.id_text().is_some_and(|id| id.starts_with("demo-aldis") && id.ends_with(of))
        });
        let mut touched = 0;
        for resource in all {
            change(resource.value_mut());
            touched += 1;
        }
        assert!(touched > 0, "{of}");
        assert!(kinds(&changed).iter().any(|kind| kind == code), "{code}: {:?}", kinds(&changed));
    };
    let error = |value: &mut Value| value["status"] = json!("entered-in-error");
    check("thrust-before-screening", "v1-screening", &error);
    check("treated-before-screening", "v1-screening", &error);
    check("thrust-before-consent", "aldis-consent", &|v| v["status"] = json!("rejected"));
    check("treated-before-consent", "aldis-consent", &error);
    check("implausible-range", "v1-rom-cervical-rotation-left-active", &|value| {
        value["valueQuantity"]["value"] = json!(95);
    });
    check("retest-late", "aldis-goal", &|v| v["target"][0]["dueDate"] = json!("2026-03-10"));
    check("treated-after-end", "v5-t3", &|v| v["performedDateTime"] = json!("2026-05-02"));
    check("dose-unusual", "v1-t1", &|v| {
        for part in v["extension"][1]["extension"].as_array_mut().unwrap() {
            if part["url"] == "series" {
                part["valuePositiveInt"] = json!(40);
            }
        }
    });
    check("treated-after-positive-screening", "v1-screening", &|v| {
        let yes = json!({ "coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/v2-0136", "code": "Y",
        }] });
        v["component"][0]["valueCodeableConcept"] = yes;
    });
    check("named-not-treated", "aldis-plan", &|v| {
        v["activity"][0]["detail"] = json!({ "description": "Stiff segments to treat: C5/6" });
    });
    check("first-score-missing", "-function", &error);
}
