//! What is refused, what is ignored and told, and in which order the rest is asked.

use super::*;

/// <http://hl7.org/fhir/R4/search.html#errors>, <http://hl7.org/fhir/R4/search.html#modifiers>
#[test]
fn refusals_name_the_parameter() {
    let clinic = Clinic::new();
    let many = vec!["a"; 1001].join(",");
    for (url, name, what) in [
        ("Patient?name:fuzzy=x", "name:fuzzy", "no modifier"),
        ("Patient?birthdate:exact=2000", "birthdate:exact", "no modifier"),
        ("Patient?birthdate=23 May", "birthdate", "date or time"),
        ("Patient?birthdate=zz2000", "birthdate", "date or time"),
        ("Patient?nonsense=1", "nonsense", "no search parameter"),
        ("Patient?_count=-1", "_count", "whole number"),
        ("Patient?_count=1&_count=2", "_count", "more than once"),
        ("Patient?_total=some", "_total", "accurate"),
        ("Patient?_sort=nonsense", "_sort", "cannot be sorted"),
        ("Patient?active=maybe", "active", "true or false"),
        ("Patient?active=x|true", "active", "no system"),
        ("Patient?identifier=a|b|c", "identifier", "two parts"),
        ("Patient?identifier:of-type=a|b", "identifier:of-type", "three parts"),
        ("Patient?gender:in=http://x", "gender:in", "not held"),
        ("Patient?gender:missing=yes", "gender:missing", "true or false"),
        ("Patient?general-practitioner:Nobody=x", "general-practitioner:Nobody", "no modifier"),
        ("Patient?general-practitioner=a/b/c", "general-practitioner", "Type/id"),
        (r"Patient?family=a\b", "family", "backslash"),
        ("Patient?family=...", "family", "letter or digit"),
        ("Patient?_include=Patient:birthdate", "_include", "no reference parameter"),
        ("Patient?_include=Nobody:x", "_include", "R4 does not have"),
        ("Patient?_include=Patient", "_include", "Type:parameter"),
        ("Patient?_include:recurse=*", "_include:recurse", "no modifier"),
        ("Patient?_contained=maybe", "_contained", "both"),
        ("Patient?_query=x", "_query", "not supported"),
        ("Patient?_text=()", "_text", "words"),
        ("Patient?_content:exact=x", "_content:exact", "no modifier"),
        ("Bundle?_text=x", "_text", "no search parameter"),
        ("Patient?_list=$current-problems", "_list", "functional"),
        ("Patient?_containedType=parent", "_containedType", "container"),
        ("Location?near=1|x", "near", "latitude"),
        ("Location?near=95|1", "near", "within 90"),
        ("Location?near=5|1|-2|km", "near", "negative"),
        ("Location?near=5|1|2|kg", "near", "length"),
        (
            "Patient?general-practitioner:below=Practitioner/1",
            "general-practitioner:below",
            "hierarchy",
        ),
        ("Observation?code:below=nonsense", "code:below", "system|code"),
        ("Observation?code:above=http://nowhere.example|x", "code:above", "not held"),
        ("Patient?_has:Observation=x", "_has:Observation", "_has:Type"),
        ("Patient?_has:Observation:code:status=x", "_has:Observation:code:status", "reference"),
        (
            "Patient?_has:Observation:encounter:status=x",
            "_has:Observation:encounter:status",
            "never",
        ),
        ("Patient?birthdate.name=x", "birthdate.name", "reference"),
        ("Patient?organization.nonsense=x", "organization.nonsense", "no search parameter"),
        ("RiskAssessment?probability=x", "probability", "decimal"),
        ("Observation?value-quantity=1|mg", "value-quantity", "three"),
        ("Observation?code-value-quantity=x", "code-value-quantity", "component"),
        (&format!("Patient?family={many}"), "family", "1000 values"),
    ] {
        let error = clinic.query(url, true).err().unwrap_or_else(|| panic!("{url} is accepted"));
        assert_eq!(error.expression(), Some(format!("http.{name}")), "{url}");
        assert!(error.to_string().contains(what), "{url}: {error}");
    }
}

#[test]
fn what_is_not_known_is_told() {
    let clinic = Clinic::new();
    let query =
        clinic.query("Patient?nonsense=1&gender=&family=a&_sort=odd,-birthdate", false).unwrap();
    let used: Vec<_> = query.used.iter().map(|(name, value)| format!("{name}={value}")).collect();
    assert_eq!(used, ["family=a", "_sort=-birthdate", "_count=20"]);
    let ignored: Vec<_> =
        query.ignored.iter().map(|issue| issue.expression.clone().unwrap()).collect();
    assert_eq!(ignored, ["http.nonsense", "http._sort"]);
}
