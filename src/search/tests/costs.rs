//! What searches touch: plans, growth, and where it ends. Counts, not times.

use serde_json::json;

use super::*;

/// So many patients with as many Observations as 20 weeks of a clinic would make.
fn clinic_of(patients: usize) -> Clinic {
    let clinic = Clinic::new();
    for patient in 0..patients {
        let gender = ["male", "female"][patient % 2];
        let id = format!("p{patient:05}");
        let mut all = vec![json!({ "resourceType": "Patient", "id": id, "gender": gender })];
        for number in 0..20_usize {
            let code = ["pain", "flexion", "rotation", "score", "grade"][number % 5];
            let mut value = json!({ "resourceType": "Observation",
                "id": format!("o{patient:05}-{number:02}"), "status": "final",
                "code": { "coding": [{ "system": "urn:c", "code": code }] },
                "subject": { "reference": format!("Patient/p{patient:05}") },
                "effectiveDateTime": format!("2026-{:02}-{:02}", 1 + number % 12, 1 + patient % 28),
                "valueQuantity": { "value": (patient * 7 + number) % 11,
                    "system": "http://unitsofmeasure.org", "code": "{score}" } });
            if number == 0 {
                value["note"] = json!([{ "text": format!("stiff at visit {patient}") }]);
            }
            if (patient, number) == (7, 3) {
                value["contained"] = json!([{ "resourceType": "Device", "id": "d" }]);
            }
            all.push(value);
        }
        clinic.put_all(all);
    }
    clinic
}

const ASKED: [&str; 13] = [
    "Observation?patient=p00007&code=urn:c|pain&date=ge2026-03",
    "Observation?patient=Patient/p00007&date=ge2026-03&_sort=-date",
    "Observation?code=urn:c|pain&value-quantity=gt8||{score}",
    "Observation?code-value-quantity=urn:c|pain$gt2||{score}",
    "Observation?_lastUpdated=gt2026-03-02T08:00:20Z&_sort=_lastUpdated",
    "Observation?status=final&code=urn:c|pain",
    "Observation?status=final",
    "Observation?_id=o00003-01",
    "Observation?_content=stiff",
    "Observation?_content=stiff 7",
    "Observation?_content=\"visit 7\"",
    "Patient?_has:Observation:patient:code=urn:c|pain",
    "Observation?subject:Patient.gender=male&code=urn:c|score",
];

/// What is little for a page whatever there is: the counting, and the page itself.
const MODEST: u64 = 1000;

/// From 1,008 resources to 10,080, and a page costs at most one and a half times as much.
#[test]
fn growth_is_flat() {
    // Little is counted, so that the small clinic too is one of which not all can be.
    let limits = Limits { counted: 50, ..Limits::default() };
    let [small, large] = [48, 480].map(|patients| Clinic { limits, ..clinic_of(patients) });
    for url in ASKED {
        let [less, more] = [&small, &large].map(|clinic| {
            let page = clinic.page(url, None).unwrap();
            assert!(!page.matches.is_empty(), "{url}");
            page.touched
        });
        println!("{url}: {less} touched, {more} of ten times as many");
        assert!(more * 2 <= less * 3 || more <= MODEST, "{url}: {less} became {more}");
    }
    let [less, more] = [&small, &large].map(|clinic| {
        let query = clinic.query("Device?_contained=true", true).unwrap();
        let view = clinic.store.view().unwrap();
        let (page, _) = run_contained(&*view, &clinic.rules, &query, None).unwrap();
        assert_eq!(page.contained.len(), 1);
        page.touched
    });
    assert_eq!(less, more);
}

/// Two patients have the same number of Observations in a clinic of any size: what is asked about
/// one costs the same, row for row.
#[test]
fn the_cost_is_that_of_the_answer() {
    let [small, large] = [48, 480].map(clinic_of);
    for url in [
        "Observation?patient=p00007",
        "Observation?patient=p00007&_sort=date",
        "Observation?patient=p00007&_total=accurate",
        "Observation?_content=\"visit 7\"",
        "Observation?_content=stiff AND 7",
        "Patient?_id=p00007&_revinclude=Observation:patient",
        "Observation?patient=p00007&_include=Observation:patient",
    ] {
        let [less, more] = [&small, &large].map(|clinic| clinic.page(url, None).unwrap());
        assert_eq!(less.matches.len(), more.matches.len(), "{url}");
        let most = 30 + 8 * (less.matches.len() + less.included.len()) as u64;
        let (less, more) = (less.touched, more.touched);
        println!("{url}: {less} and {more} touched");
        assert!(more <= less + 40, "{url}: {less} became {more}");
        assert!(more <= most.max(less + 40), "{url}: {more} of {most}");
    }
}

/// <http://hl7.org/fhir/R4/search.html#errors>: beyond its limit a search is refused, not left to run.
#[test]
fn the_costly_is_refused() {
    let clinic = clinic_of(30);
    for url in [
        "Observation?_content=NOT final",
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
    let expected = "candidates: patient and code and date: within a range, 1 alternatives, \
        index #subject+code+date, 0 rows\n\
        looked up: status:not: none of what it names, 1 alternatives, index status\n\
        order: -date, _id\n\
        page: all matches sorted\n";
    assert_eq!(plan(url), expected);
    let url = "Observation?_content=x&date=ge2026-02&_has:Provenance:target:agent=x";
    let expected = "candidates: 0 ids, 0 rows\n\
        looked up: _content: equal, 1 alternatives, index _content + _text\n\
        asked of rows: date: within a range, 1 alternatives, index date\n\
        order: _id\n\
        page: read in the order of ids, no more than the page needs\n";
    assert_eq!(plan(url), expected);
    assert!(plan("Observation?").starts_with("candidates: every current Observation\n"));
}

/// What is asked together is read from one range, which holds no more than the answer.
#[test]
fn what_is_asked_together_stands_together() {
    let clinic = clinic_of(60);
    for (url, plan, most) in [
        (
            "Observation?patient=p00007&code=urn:c|pain&date=ge2026-03&date=lt2026-08",
            "candidates: patient and code and date and date: within a range, 1 alternatives, index \
             #subject+code+date, 2 rows\norder",
            10,
        ),
        (
            "Observation?code=urn:c|pain,urn:c|score&subject=Patient/p00007&date=ge2026&date=2026-06-08",
            "candidates: subject and code and date and date: within a range, 2 alternatives, index \
             #subject+code+date, 1 rows\norder",
            15,
        ),
        (
            "Observation?code=urn:c|pain&value-quantity=gt9||{score}&status=final",
            "candidates: code and value-quantity: within a range, 1 alternatives, index \
             code-value-quantity, ",
            1000,
        ),
        (
            "Observation?patient=p00007&code=pain&date=ge2026-03&date=lt2026-08",
            "candidates: patient: equal, 1 alternatives, index subject, 20 rows\n",
            140,
        ),
        (
            "Observation?patient:missing=false&code=urn:c|pain&date=ge2027",
            "candidates: date: within",
            140,
        ),
        (
            "Patient?_has:Observation:patient:code=urn:c|pain&gender=male",
            "candidates: gender: within a range, 1 alternatives, index gender, 30 rows\n\
             looked up: _has",
            240,
        ),
    ] {
        let query = clinic.query(url, true).unwrap();
        let made = Plan::of(&*clinic.store.view().unwrap(), &clinic.rules, &query).unwrap();
        assert!(made.to_string().starts_with(plan), "{url}: {made}");
        let page = clinic.page(url, None).unwrap();
        assert!(page.touched <= most, "{url}: {}", page.touched);
    }
    // As they were found before there were joint rows.
    let asked = "Observation?patient=p00007&code=urn:c|pain&date=ge2026-03&date=lt2026-08";
    assert_eq!(clinic.ids(asked), "o00007-05 o00007-15");
}

/// Searches with every kind of clause, and how their plans begin.
const PLANS: [(&str, &str); 22] = [
    ("Patient?_id=p00001", "candidates: 1 ids, 1 rows"),
    ("Patient?_list=l", "candidates: 1 ids, 1 rows"),
    (
        "Patient?gender=male",
        "candidates: gender: within a range, 1 alternatives, index gender, 1 rows",
    ),
    (
        "Patient?gender:missing=false",
        "candidates: gender:missing: within a range, 1 alternatives, index gender, 2 rows",
    ),
    ("Patient?gender:not=male", "candidates: every current Patient"),
    (
        "Patient?name:contains=x",
        "candidates: name:contains: within a range, 1 alternatives, index name, 0 rows",
    ),
    (
        "Observation?date=lt2025",
        "candidates: date: within a range, 1 alternatives, index date, 0 rows",
    ),
    (
        "Observation?value-quantity=3",
        "candidates: value-quantity: within a range, 1 alternatives, index value-quantity",
    ),
    (
        "Observation?combo-code=x",
        "candidates: combo-code: within a range, 1 alternatives, index code + component-code, 0 rows",
    ),
    (
        "Observation?code-value-quantity=urn:c|pain$5",
        "candidates: code-value-quantity: within a range, 1 alternatives, index code-value-quantity",
    ),
    (
        "Observation?subject:Patient.gender=male",
        "candidates: subject:Patient.gender: equal, 1 alternatives, index subject, 20 rows",
    ),
    ("Patient?_has:Observation:patient:code=pain", "candidates: 2 ids, 2 rows"),
    (
        "Observation?body-site:below=https://spondyl.example/fhir/CodeSystem/motion-segment|cervical",
        "candidates: body-site:below: equal, 1 alternatives, index body-site, 0 rows",
    ),
    (
        "Observation?body-site:in=https://spondyl.example/fhir/ValueSet/motion-segment",
        "candidates: body-site:in: equal, 1 alternatives, index body-site, 0 rows",
    ),
    (
        "Encounter?location:below=Location/a",
        "candidates: location:below: equal, 1 alternatives, index location, 0 rows",
    ),
    ("Location?near=1|2", "candidates: near: within a range, 1 alternatives, index near, 0 rows"),
    (
        "ValueSet?url:below=http://x.example",
        "candidates: url:below: within a range, 1 alternatives, index url",
    ),
    ("Observation?_text=x", "candidates: _text: equal, 1 alternatives, index _text, 0 rows"),
    (
        "Observation?_content=x OR y",
        "candidates: _content: equal, 2 alternatives, index _content + _text, 0 rows",
    ),
    (
        "Observation?_content=\"stiff at\"",
        "candidates: _content: equal, 1 alternatives, index _content + _text, 2 rows",
    ),
    (
        "Device?_contained=true&_id=d",
        "contained: read in every resource that has a Device inside, index #",
    ),
    ("Observation?", "candidates: every current Observation"),
];

/// Every kind of clause tells by which index it is answered.
#[test]
fn plans_of_every_kind_of_clause() {
    let clinic = clinic_of(2);
    clinic.put(json!({ "resourceType": "List", "id": "l", "entry": [
        { "item": { "reference": "Patient/p00001" } }] }));
    clinic.put(json!({ "resourceType": "Location", "id": "a" }));
    let mut faults = Vec::new();
    for (url, expected) in PLANS {
        let view = clinic.store.view().unwrap();
        let plan = Plan::of(&*view, &clinic.rules, &clinic.query(url, true).unwrap());
        let plan = plan.unwrap().to_string();
        if !plan.starts_with(expected) {
            faults.push(format!("{url}: {plan}"));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
