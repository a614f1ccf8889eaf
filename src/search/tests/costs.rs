//! What searches touch: plans, growth, and where it ends. Counts, not times.

use serde_json::json;

use super::*;

/// So many patients with as many Observations as 20 weeks of a clinic would make.
fn clinic_of(patients: usize) -> Clinic {
    let clinic = Clinic::new();
    for patient in 0..patients {
        let gender = ["male", "female"][patient % 2];
        let id = format!("p{patient:05}");
        clinic.put(json!({ "resourceType": "Patient", "id": id, "gender": gender }));
        for number in 0..20_usize {
            let code = ["pain", "flexion", "rotation", "score", "grade"][number % 5];
            clinic.put(json!({ "resourceType": "Observation",
                "id": format!("o{patient:05}-{number:02}"), "status": "final",
                "code": { "coding": [{ "system": "urn:c", "code": code }] },
                "subject": { "reference": format!("Patient/p{patient:05}") },
                "effectiveDateTime": format!("2026-{:02}-{:02}", 1 + number % 12, 1 + patient % 28),
                "valueQuantity": { "value": (patient * 7 + number) % 11,
                    "system": "http://unitsofmeasure.org", "code": "{score}" } }));
        }
    }
    clinic
}

const ASKED: [&str; 8] = [
    "Observation?patient=p00007&code=urn:c|pain&date=ge2026-03",
    "Observation?patient=Patient/p00007&date=ge2026-03&_sort=-date",
    "Observation?code=urn:c|pain&value-quantity=gt8||{score}",
    "Observation?code-value-quantity=urn:c|pain$gt2||{score}",
    "Observation?_lastUpdated=gt2026-03-02T08:05:00Z&_sort=_lastUpdated",
    "Observation?status=final&code=urn:c|pain",
    "Patient?_has:Observation:patient:code=urn:c|pain",
    "Observation?subject:Patient.gender=male&code=urn:c|score",
];

/// What is little for a page whatever there is: the counting, and the page itself.
const MODEST: u64 = 1000;

/// Ten times the clinic, and a page costs at most one and a half times as much.
#[test]
fn growth_is_flat() {
    // Little is counted, so that the small clinic too is one of which not all can be.
    let limits = Limits { counted: 50, ..Limits::default() };
    let [small, large] = [30, 300].map(|patients| Clinic { limits, ..clinic_of(patients) });
    for url in ASKED {
        let [less, more] = [&small, &large].map(|clinic| {
            let page = clinic.page(url, None).unwrap();
            assert!(!page.matches.is_empty(), "{url}");
            page.touched
        });
        println!("{url}: {less} touched, {more} of ten times as many");
        assert!(more * 2 <= less * 3 || more <= MODEST, "{url}: {less} became {more}");
    }
}

/// <http://hl7.org/fhir/R4/search.html#errors>: beyond its limit a search is refused, not left to run.
#[test]
fn the_costly_is_refused() {
    let clinic = clinic_of(30);
    for url in [
        "Observation?_content=nonsense",
        "Observation?code:not=urn:c|pain,urn:c|flexion,urn:c|rotation,urn:c|score,urn:c|grade",
        "Patient?_revinclude=*&_count=1000",
    ] {
        let limits = Limits { rows: 900, ..Limits::default() };
        let query = Query { limits, ..clinic.query(url, true).unwrap() };
        let view = clinic.store.view().unwrap();
        let error = run(&*view, &clinic.rules, &query, None).unwrap_err();
        assert!(matches!(error, Error::TooCostly { .. }), "{url}: {error}");
        let whole = clinic.page(url, None).unwrap();
        assert!(whole.touched > 900, "{url}: {}", whole.touched);
    }
}

/// The clause with the fewest rows gives the candidates, whatever its kind; of those with few rows
/// the first will do.
#[test]
fn plans_ask_the_narrowest_first() {
    let clinic = clinic_of(6);
    let plan = |url: &str| {
        let view = clinic.store.view().unwrap();
        Plan::of(&*view, &clinic.rules, &clinic.query(url, true).unwrap()).unwrap().to_string()
    };
    let url =
        "Observation?status:not=amended&date=ge2026-12&code=urn:c|pain&patient=p00001&_sort=-date";
    let expected = "candidates: patient: equal, 1 alternatives, index subject, 20 rows\n\
        looked up: code: equal, 1 alternatives, index code\n\
        looked up: date: within a range, 1 alternatives, index date\n\
        looked up: status:not: none of what it names, 1 alternatives, index status\n\
        order: -date, _id\n\
        page: all matches sorted\n";
    assert_eq!(plan(url), expected);
    let url = "Observation?_content=x&date=ge2026-02&_has:Provenance:target:agent=x";
    let expected = "candidates: 0 ids, 0 rows\n\
        asked of rows: date: within a range, 1 alternatives, index date\n\
        asked of rows: _content: words of the content\n\
        order: _id\n\
        page: read in the order of ids, no more than the page needs\n";
    assert_eq!(plan(url), expected);
    assert!(plan("Observation?").starts_with("candidates: every current Observation\n"));
}
