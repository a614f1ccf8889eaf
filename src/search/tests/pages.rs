//! Order and pages: what follows what, and that it stays so while others write.

use serde_json::json;

use super::*;

/// <http://hl7.org/fhir/R4/search.html#sort>: missing values last, ties by id, the earliest of many.
#[test]
fn order() {
    let clinic = observations(&[
        ("a", json!({ "effectiveDateTime": "2026-01-02" })),
        ("b", json!({ "effectivePeriod": { "start": "2026-01-01", "end": "2026-01-09" } })),
        ("c", json!({})),
        ("d", json!({ "effectiveDateTime": "2026-01-02", "status": "amended" })),
    ]);
    for (sort, expected) in [
        ("date", "b a d c"),
        ("-date", "b d a c"),
        ("-_id", "d c b a"),
        ("date,-_id", "b d a c"),
        ("-_lastUpdated", "d c b a"),
        ("status,-date", "d b a c"),
    ] {
        clinic.check(&format!("Observation?_sort={sort}"), expected);
    }
}

/// What is written between two pages neither repeats nor hides a match
/// (<http://hl7.org/fhir/R4/http.html#paging>).
#[test]
fn pages_hold_still_while_others_write() {
    for (query, counted) in [
        "",
        "status=final",
        "_sort=_lastUpdated",
        "_sort=-_lastUpdated",
        "status=final&_sort=-_lastUpdated",
        "_sort=date",
        "status=final&_sort=-date,-_id",
        "date=ge2000",
    ]
    .into_iter()
    .flat_map(|query| [(query, 3), (query, 1000)])
    {
        // With so little counted, the short list takes the ways of long ones.
        let limits = Limits { counted, ..Limits::default() };
        let clinic = Clinic { limits, ..Clinic::new() };
        let put = |number: usize, day: usize| {
            clinic.put(json!({ "resourceType": "Observation", "id": format!("o{number:02}"),
                "status": "final", "effectiveDateTime": format!("2026-01-{day:02}") }));
        };
        (1..=20).for_each(|number| put(number, 21 - number));
        let url = format!("Observation?_count=3&{query}");
        let (mut seen, mut cursor, mut round) = (Vec::new(), None::<Cursor>, 0);
        loop {
            let page = clinic.page(&url, cursor.as_ref()).unwrap();
            seen.extend(page.matches.iter().map(|found| found.id.to_string()));
            let text = page.next.map(|next| next.to_text());
            let Some(text) = text else { break };
            cursor = Some(Cursor::parse(&text).unwrap());
            // One moves to either end, one is new, one goes.
            round += 1;
            put(round, 28);
            put(20 - round, 1);
            put(40 + round, 14);
            if round == 2 {
                clinic.delete("Observation", "o10");
            }
        }
        let mut stayed: Vec<_> =
            seen.iter().map(String::as_str).filter(|id| *id < "o21" && *id != "o10").collect();
        stayed.sort_unstable();
        let expected: Vec<_> = (1..=20).filter(|n| *n != 10).map(|n| format!("o{n:02}")).collect();
        assert_eq!(stayed, expected, "{query}: {seen:?}");
    }
}

#[test]
fn pages_go_back_the_way_they_came() {
    let clinic = observations(&["a", "b", "c", "d", "e"].map(|id| (id, json!({}))));
    for sort in ["", "&_sort=-_id", "&_sort=-_lastUpdated"] {
        let url = format!("Observation?_count=2{sort}");
        let first = clinic.page(&url, None).unwrap();
        assert!(first.previous.is_none() && first.total == Some(5));
        let second = clinic.page(&url, first.next.as_ref()).unwrap();
        let third = clinic.page(&url, second.next.as_ref()).unwrap();
        assert!(third.next.is_none());
        let back = clinic.page(&url, third.previous.as_ref()).unwrap();
        assert_eq!(show(&back), show(&second), "{sort}");
        let start = clinic.page(&url, back.previous.as_ref()).unwrap();
        assert_eq!(show(&start), show(&first), "{sort}");
        assert!(start.previous.is_none() && start.next.is_some());
    }
}

#[test]
fn only_what_is_current_and_alive() {
    let clinic = observations(&[("a", json!({ "code": { "text": "old" } })), ("b", json!({}))]);
    clinic.check("Observation?code:text=old", "a");
    clinic.put(json!({ "resourceType": "Observation", "id": "a", "status": "amended" }));
    clinic.check("Observation?code:text=old", "");
    clinic.check("Observation?status=amended", "a");
    clinic.delete("Observation", "a");
    for query in ["status=amended", "_id=a", "status:not=final", "_lastUpdated=gt2000"] {
        let expected = if query.starts_with("_last") { "b" } else { "" };
        clinic.check(&format!("Observation?{query}"), expected);
    }
    clinic.check("Observation?_id=a,b,B", "b");
    assert_eq!(clinic.page("Observation?_count=0", None).unwrap().total, Some(1));
    assert_eq!(clinic.page("Observation?_summary=count", None).unwrap().total, Some(1));
    assert_eq!(clinic.page("Observation?_total=none", None).unwrap().total, None);
}

/// What a conditional create watches (<http://hl7.org/fhir/R4/http.html#ccreate>): a newcomer's rows
/// fall into it, those of others do not.
#[test]
fn newcomers_are_noticed() {
    let clinic = Clinic::new();
    let query = clinic.query("Observation?identifier=urn:s|1", true).unwrap();
    let newer = |since| {
        let view = clinic.store.view().unwrap();
        let scan = |range| view.scan(range).any(|row| row.unwrap().seq > since);
        watched(&query).into_iter().any(scan)
    };
    let put = |id: &str, value: &str| {
        clinic.put(json!({ "resourceType": "Observation", "id": id, "status": "final",
            "identifier": [{ "system": "urn:s", "value": value }] }));
    };
    put("a", "2");
    assert!(!newer(0));
    put("b", "1");
    assert!(newer(1) && !newer(2));
}

/// Across references too: whoever makes a resource match on the other side is noticed, others are
/// not.
#[test]
fn newcomers_across_references_are_noticed() {
    let patient = |id: &str, value: &str| {
        json!({ "resourceType": "Patient", "id": id,
            "identifier": [{ "system": "urn:s", "value": value }] })
    };
    let observation = |id: &str, status: &str, subject: Option<&str>| {
        let mut observation = json!({ "resourceType": "Observation", "id": id, "status": status });
        if let Some(subject) = subject {
            observation["subject"] = json!({ "reference": subject });
        }
        observation
    };
    let list = json!({ "resourceType": "List", "id": "l", "status": "current", "mode": "working",
        "entry": [{ "item": { "reference": "Patient/a" } }] });
    for (query, written, expected) in [
        ("Observation?subject:Patient.identifier=urn:s|1", patient("a", "1"), true),
        ("Observation?subject:Patient.identifier=urn:s|1", patient("a", "2"), false),
        (
            "Observation?subject.identifier=urn:s|1",
            observation("o", "final", Some("Patient/a")),
            true,
        ),
        ("Observation?subject.identifier=urn:s|1", observation("o", "final", None), false),
        ("Patient?_has:Observation:subject:status=final", observation("o", "final", None), true),
        ("Patient?_has:Observation:subject:status=final", observation("o", "amended", None), false),
        ("Patient?_has:Observation:subject:status=final", patient("a", "1"), false),
        ("Patient?identifier:not=urn:s|1", patient("a", "2"), true),
        ("Observation?subject:Patient.identifier:not=urn:s|1", patient("a", "2"), true),
        ("Patient?_list=l", list.clone(), true),
        ("Observation?_list=l", observation("o", "final", None), true),
        ("Observation?_list=l", patient("a", "1"), false),
    ] {
        let clinic = Clinic::new();
        let asked = clinic.query(query, true).unwrap();
        clinic.put(written.clone());
        let view = clinic.store.view().unwrap();
        let newer = watched(&asked).into_iter().any(|range| view.scan(range).next().is_some());
        assert_eq!(newer, expected, "{query}: {written}");
    }
}

/// Many rows: wide ranges are answered without gathering, equal ones in the order of their ids, and
/// the total only when asked for.
#[test]
fn many_rows() {
    let clinic = Clinic::new();
    for number in 0..1200 {
        let (status, day) = (["final", "amended"][number % 2], 1 + number % 28);
        clinic.put(json!({ "resourceType": "Observation", "id": format!("o{number:04}"),
            "status": status, "effectiveDateTime": format!("2026-01-{day:02}") }));
    }
    for (query, total, first, last) in [
        ("", 1200, "o0000", "o1199"),
        ("date=ge2026-01-02", 1157, "o0001", "o1199"),
        ("date=ge2026-01-28", 42, "o0027", "o1175"),
        ("status=final,amended", 1200, "o0000", "o1199"),
        ("status=final&date=ge2000", 600, "o0000", "o1198"),
        ("status:not=final&_sort=-_id", 600, "o1199", "o0001"),
        ("status:missing=false&_sort=-_lastUpdated", 1200, "o1199", "o0000"),
        ("_lastUpdated=ge2020&_sort=_lastUpdated", 1200, "o0000", "o1199"),
    ] {
        let url = format!("Observation?_count=100&{query}");
        let accurate = clinic.page(&format!("{url}&_total=accurate"), None).unwrap();
        assert_eq!(accurate.total, Some(total), "{query}");
        let (mut ids, mut cursor) = (Vec::new(), None);
        loop {
            let page = clinic.page(&url, cursor.as_ref()).unwrap();
            assert!(page.total.is_none_or(|told| told == total), "{query}");
            ids.extend(page.matches.iter().map(|found| found.id.to_string()));
            cursor = page.next;
            if cursor.is_none() {
                break;
            }
        }
        assert_eq!(ids.len() as u64, total, "{query}");
        assert_eq!((ids[0].as_str(), ids.last().unwrap().as_str()), (first, last), "{query}");
    }
}

/// <http://hl7.org/fhir/R4/search.html#type>: shared parameters only, every match on one page.
#[test]
fn several_types() {
    let clinic = observations(&["a", "b", "c"].map(|id| (id, json!({}))));
    for id in ["a", "b"] {
        clinic.put(json!({ "resourceType": "Patient", "id": id }));
        clinic.put(json!({ "resourceType": "Basic", "id": id, "code": { "text": "t" } }));
    }
    let setting = Setting {
        rules: &clinic.rules,
        now: Instant::from_millis(0),
        strict: false,
        limits: clinic.limits,
    };
    let parse = |text: &str| {
        let pairs = text.split('&').filter_map(|pair| pair.split_once('='));
        let pairs: Vec<_> = pairs.map(|(n, v)| (n.to_owned(), v.to_owned())).collect();
        Across::parse(&setting, &pairs, &|_| true)
    };
    let check = |text: &str, expected: &str| {
        let across = parse(text).unwrap();
        let view = clinic.store.view().unwrap();
        let (mut names, mut from, mut total) = (Vec::new(), None, None);
        loop {
            let (page, next) = across.run(&*view, &clinic.rules, from.as_ref()).unwrap();
            assert!(page.matches.len() <= 2 && total.is_none_or(|total| total == page.total));
            total = Some(page.total);
            names.extend(page.matches.iter().map(|found| format!("{}/{}", found.kind, found.id)));
            let Some(next) = next else { break };
            from = Some(across::Place::parse(&next.to_text()).unwrap());
        }
        assert_eq!(names.join(" "), expected, "{text}");
        assert_eq!(total.flatten(), Some(names.len() as u64), "{text}");
    };
    let observations = "Observation/a Observation/b Observation/c";
    let all = format!("Basic/a Basic/b {observations} Patient/a Patient/b");
    check("_count=2&_lastUpdated=gt2020", &all);
    check("_count=2&_type=Patient,Observation", &format!("{observations} Patient/a Patient/b"));
    check("_count=2&_type=Observation,Patient&_id=b", "Observation/b Patient/b");
    check("_count=2&_type=Basic&_type=Observation", &format!("Basic/a Basic/b {observations}"));
    check("_count=2&_type=Group", "");
    assert_eq!(
        parse("_type=Observation,Patient&status=final").unwrap_err().expression().unwrap(),
        "http.status"
    );
    assert_eq!(parse("_type=Nobody").unwrap_err().expression().unwrap(), "http._type");
    assert!(parse("_type=Patient&nonsense=1").is_ok());
    assert_eq!(parse("_type=Basic").unwrap().used()[0].1, "Basic");
}
