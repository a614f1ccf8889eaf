//! Value sets over small invented systems.

use serde_json::json;

use super::*;
use crate::definitions::Definitions;
use crate::fhir::IssueType;

fn terminology() -> Terminology {
    let mut held = Terminology::new(Arc::new(Definitions::default()));
    held.add(&json!({ "resourceType": "CodeSystem", "url": "s", "version": "1", "content": "complete",
        "property": [{ "code": "up", "uri": "http://hl7.org/fhir/concept-properties#parent", "type": "code" }],
        "concept": [
            { "code": "spine", "display": "Spine", "property": [{ "code": "notSelectable", "valueBoolean": true }],
              "designation": [{ "language": "de", "value": "Wirbelsäule" }],
              "concept": [
                { "code": "neck", "display": "Neck", "designation": [{ "language": "de-CH", "value": "Hals" }],
                  "property": [{ "code": "class", "valueCode": "x" }] },
                { "code": "back", "display": "Back", "concept": [{ "code": "low-back", "display": "Low back" }] },
              ] },
            { "code": "old", "display": "Old", "property": [{ "code": "inactive", "valueBoolean": true }] },
            { "code": "both", "display": "Both", "property": [{ "code": "up", "valueCode": "neck" }, { "code": "up", "valueCode": "back" }] },
        ] })).unwrap();
    held.add(&json!({ "resourceType": "CodeSystem", "url": "part", "content": "fragment",
        "concept": [{ "code": "known", "display": "Known" }] }))
        .unwrap();
    for (url, include) in [
        ("below-back", json!([filter("is-a", "concept", "back")])),
        ("below-neck", json!([filter("is-a", "concept", "neck")])),
        ("circle", json!([{ "valueSet": ["circle-2"] }])),
        ("circle-2", json!([{ "valueSet": ["circle"] }])),
    ] {
        held.add(
            &json!({ "resourceType": "ValueSet", "url": url, "version": "7", "status": "active",
            "compose": { "include": include } }),
        )
        .unwrap();
    }
    held
}

fn filter(op: &str, property: &str, value: &str) -> Value {
    json!({ "system": "s", "filter": [{ "property": property, "op": op, "value": value }] })
}

fn set(compose: Value) -> Value {
    json!({ "resourceType": "ValueSet", "status": "active", "compose": compose })
}

fn with<'a>(resource: &'a Value, change: impl FnOnce(&mut ExpandRequest<'a>)) -> ExpandRequest<'a> {
    let mut request =
        ExpandRequest::new(ValueSetSource::Resource(resource), "2026-01-01T00:00:00Z");
    change(&mut request);
    request
}

fn codes(set: &Value) -> Vec<String> {
    let list = set["expansion"]["contains"].as_array().cloned().unwrap_or_default();
    list.iter().map(|item| item["code"].as_str().unwrap().to_owned()).collect()
}

fn check(include: Value, expected: &[&str]) {
    let resource = set(json!({ "include": [include] }));
    let expanded = expand(&terminology(), &with(&resource, |_| ())).unwrap();
    assert_eq!(codes(&expanded), expected, "{resource}");
    assert_eq!(expanded["expansion"]["total"], json!(expected.len()));
}

#[test]
fn filters() {
    check(json!({ "system": "s" }), &["spine", "neck", "back", "low-back", "old", "both"]);
    check(filter("is-a", "concept", "back"), &["back", "low-back", "both"]);
    check(filter("descendent-of", "concept", "back"), &["low-back", "both"]);
    check(filter("is-not-a", "concept", "back"), &["spine", "neck", "old"]);
    check(filter("generalizes", "concept", "both"), &["spine", "neck", "back", "both"]);
    check(filter("=", "class", "x"), &["neck"]);
    check(filter("=", "parent", "spine"), &["neck", "back"]);
    check(filter("=", "inactive", "true"), &["old"]);
    check(filter("in", "code", "old, neck"), &["neck", "old"]);
    check(filter("not-in", "code", "old,neck"), &["spine", "back", "low-back", "both"]);
    check(filter("exists", "class", "true"), &["neck"]);
    check(filter("exists", "parent", "false"), &["spine", "old"]);
    check(filter("regex", "code", ".*back"), &["back", "low-back"]);
    check(filter("regex", "display", "B.*"), &["back", "both"]);
}

#[test]
fn sets_in_sets() {
    check(json!({ "valueSet": ["below-back", "below-neck"] }), &["both"]);
    check(json!({ "valueSet": ["below-back|7"] }), &["back", "low-back", "both"]);
    check(
        json!({ "system": "s", "concept": [{ "code": "old" }, { "code": "back" }], "valueSet": ["below-back"] }),
        &["back"],
    );
    check(json!({ "system": "not-held", "concept": [{ "code": "a", "display": "A" }] }), &["a"]);
    check(
        json!({ "system": "part", "concept": [{ "code": "known" }, { "code": "other" }] }),
        &["known", "other"],
    );
}

#[test]
fn unions_and_exclusions() {
    let resource = set(json!({
        "include": [{ "valueSet": ["below-back"] }, { "valueSet": ["below-neck"] }, { "system": "s", "concept": [{ "code": "old" }] }],
        "exclude": [{ "system": "s", "concept": [{ "code": "low-back" }] }],
    }));
    let expanded = expand(&terminology(), &with(&resource, |_| ())).unwrap();
    assert_eq!(codes(&expanded), ["back", "both", "neck", "old"]);
    let resource = set(json!({ "inactive": false, "include": [{ "system": "s" }] }));
    let expanded = expand(&terminology(), &with(&resource, |_| ())).unwrap();
    assert!(!codes(&expanded).contains(&"old".to_owned()));
}

#[test]
fn what_cannot_be_told_in_full_is_an_error_that_names_it() {
    let cases = [
        (json!({ "system": "not-held" }), IssueType::NotFound, "not-held"),
        (json!({ "system": "part" }), IssueType::Incomplete, "part"),
        (json!({ "system": "s", "version": "2" }), IssueType::NotFound, "version 1, not 2"),
        (json!({ "valueSet": ["nowhere"] }), IssueType::NotFound, "nowhere"),
        (json!({ "valueSet": ["below-back|8"] }), IssueType::NotFound, "version 7, not 8"),
        (json!({ "valueSet": ["circle"] }), IssueType::Invalid, "circle includes itself"),
        (json!({ "system": "http://unitsofmeasure.org" }), IssueType::TooCostly, "grammar"),
        (json!({}), IssueType::Invalid, "vsd-1"),
        (filter("=", "colour", "red"), IssueType::NotSupported, "colour"),
        (filter("is-a", "concept", "none"), IssueType::CodeInvalid, "none"),
        (filter("is-a", "class", "x"), IssueType::NotSupported, "class"),
        (filter("like", "code", "x"), IssueType::Invalid, "like"),
        (filter("regex", "code", "("), IssueType::Invalid, "regular expression"),
        (filter("exists", "class", "maybe"), IssueType::Invalid, "neither true nor false"),
    ];
    for (include, kind, text) in cases {
        let resource = set(json!({ "include": [{ "system": "s" }, include] }));
        let error = expand(&terminology(), &with(&resource, |_| ())).unwrap_err();
        assert_eq!(error.kind, kind, "{resource}: {error}");
        assert!(error.message.contains(text), "{error}");
    }
}

#[test]
fn pages_and_limits() {
    let resource = set(json!({ "include": [{ "system": "s" }] }));
    let held = terminology();
    let page =
        expand(&held, &with(&resource, |r| (r.offset, r.count) = (Some(1), Some(2)))).unwrap();
    assert_eq!(codes(&page), ["neck", "back"]);
    assert_eq!((&page["expansion"]["total"], &page["expansion"]["offset"]), (&json!(6), &json!(1)));
    let none = expand(&held, &with(&resource, |r| r.count = Some(0))).unwrap();
    assert_eq!((codes(&none).len(), &none["expansion"]["total"]), (0, &json!(6)));
    let past = expand(&held, &with(&resource, |r| r.offset = Some(99))).unwrap();
    assert!(codes(&past).is_empty());
    let error = expand(&held, &with(&resource, |r| r.limit = 5)).unwrap_err();
    assert_eq!(error.kind, IssueType::TooCostly);
    assert!(expand(&held, &with(&resource, |r| (r.limit, r.count) = (5, Some(5)))).is_ok());
}

#[test]
fn words_languages_and_switches() {
    let resource = set(json!({ "include": [{ "system": "s" }] }));
    let held = terminology();
    let found = |change: &dyn Fn(&mut ExpandRequest<'_>)| {
        expand(&held, &with(&resource, |request| change(request))).unwrap()
    };
    assert_eq!(codes(&found(&|r| r.filter = Some("BACK low"))), ["low-back"]);
    assert_eq!(codes(&found(&|r| r.filter = Some("wirbel"))), ["spine"]);
    assert!(!codes(&found(&|r| r.active_only = Some(true))).contains(&"old".to_owned()));
    assert!(!codes(&found(&|r| r.exclude_not_for_ui = Some(true))).contains(&"spine".to_owned()));
    assert!(codes(&found(&|r| r.exclude_system = vec!["s"])).is_empty());
    let german = found(&|r| r.display_language = Some("de"));
    let items = &german["expansion"]["contains"];
    assert_eq!(items[0]["display"], "Wirbelsäule");
    assert_eq!((&items[0]["abstract"], &items[4]["inactive"]), (&json!(true), &json!(true)));
    assert_eq!((&items[1]["display"], &items[2]["display"]), (&json!("Hals"), &json!("Back")));
    assert!(items[0].get("designation").is_none());
    let named = found(&|r| r.include_designations = Some(true));
    assert_eq!(named["expansion"]["contains"][0]["designation"][0]["language"], "de");
    let echoed = found(&|r| (r.filter, r.count) = (Some("x"), Some(3)));
    assert_eq!(
        echoed["expansion"]["parameter"],
        json!([
            { "name": "filter", "valueString": "x" }, { "name": "count", "valueInteger": 3 },
            { "name": "version", "valueUri": "s|1" },
        ])
    );
}

#[test]
fn nested_codes() {
    let resource = set(json!({ "include": [{ "system": "s" }] }));
    let nested =
        expand(&terminology(), &with(&resource, |r| r.exclude_nested = Some(false))).unwrap();
    assert_eq!(codes(&nested), ["spine", "old"]);
    let spine = &nested["expansion"]["contains"][0];
    assert_eq!(spine["contains"][0]["contains"][0]["code"], "both");
    assert_eq!(spine["contains"][1]["contains"][0]["code"], "low-back");
    assert_eq!(nested["expansion"]["total"], 6);
}

#[test]
fn the_same_content_has_the_same_identifier() {
    let resource = set(json!({ "include": [{ "system": "s" }] }));
    let held = terminology();
    let identifier = |request: &ExpandRequest<'_>| {
        expand(&held, request).unwrap()["expansion"]["identifier"].as_str().unwrap().to_owned()
    };
    let first = identifier(&with(&resource, |_| ()));
    assert!(first.starts_with("urn:uuid:"));
    assert_eq!(first, identifier(&with(&resource, |r| r.timestamp = "2027-01-01T00:00:00Z")));
    assert_ne!(first, identifier(&with(&resource, |r| r.count = Some(1))));
}

#[test]
fn versions_of_systems() {
    let resource = set(json!({ "include": [{ "system": "s" }] }));
    let mut held = terminology();
    held.add(
        &json!({ "resourceType": "CodeSystem", "url": "s", "version": "2", "content": "complete",
        "concept": [{ "code": "new" }] }),
    )
    .unwrap();
    let found = |change: &dyn Fn(&mut ExpandRequest<'_>)| {
        expand(&held, &with(&resource, |request| change(request)))
    };
    assert_eq!(codes(&found(&|_| ()).unwrap()), ["new"]);
    assert_eq!(codes(&found(&|r| r.system_version = vec!["s|1"]).unwrap()).len(), 6);
    assert_eq!(codes(&found(&|r| r.force_system_version = vec!["s|1"]).unwrap()).len(), 6);
    assert!(found(&|r| r.check_system_version = vec!["s|1"]).is_err());
    assert!(found(&|r| r.check_system_version = vec!["s|2"]).is_ok());
    let pinned = set(json!({ "include": [{ "system": "s", "version": "1" }] }));
    let expanded = expand(&held, &with(&pinned, |_| ())).unwrap();
    assert_eq!(expanded["expansion"]["contains"][0]["version"], "1");
    held.remove("s");
    assert!(expand(&held, &with(&resource, |_| ())).is_err());
}

#[test]
fn a_set_that_is_only_listed() {
    let contains =
        json!([{ "system": "x", "code": "a", "contains": [{ "system": "x", "code": "b" }] }]);
    let resource =
        json!({ "resourceType": "ValueSet", "expansion": { "total": 2, "contains": contains } });
    let expanded = expand(&terminology(), &with(&resource, |_| ())).unwrap();
    assert_eq!(codes(&expanded), ["a", "b"]);
    let partly =
        json!({ "resourceType": "ValueSet", "expansion": { "total": 3, "contains": contains } });
    assert!(expand(&terminology(), &with(&partly, |_| ())).is_err());
    let mut both = set(json!({ "include": [{ "system": "x" }] }));
    both["expansion"] = resource["expansion"].clone();
    assert_eq!(codes(&expand(&terminology(), &with(&both, |_| ())).unwrap()), ["a", "b"]);
}
