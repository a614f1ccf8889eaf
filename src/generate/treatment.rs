//! What was done by hand: mostly at stiff segments, sometimes where it should not have been.

use serde_json::{Map, Value, json};

use super::element::{
    OWN, SNOMED, body_site, concept, episode_extension, hl7, later, moment, own, own_system,
    quantity, reference, with,
};
use super::episode::{Case, Fate, Site, Visit};

/// Writes treatments and what came of them.
pub(super) fn write(case: &mut Case<'_>) {
    if case.fate == Fate::RedFlag && case.happens(0.8) {
        return;
    }
    let rates = &case.setting.rates;
    let stiff: Vec<Site> = case.sites.iter().filter(|site| site.grade < 3).cloned().collect();
    let loose = case.sites.iter().find(|site| site.grade > 3).cloned();
    let normal = case.sites.iter().find(|site| site.grade == 3).cloned();
    let treats_loose = case.happens(rates.loose_treated);
    let treats_normal = case.happens(rates.normal_treated);
    let thrusts = case.happens(rates.thrust);
    if let Some(site) = loose.as_ref().filter(|_| !treats_loose)
        && case.happens(rates.loose_spared)
    {
        spared(case, site);
    }
    for visit in case.visits.clone() {
        let mut sites: Vec<Site> = Vec::new();
        let least = usize::try_from(case.random.whole(1, 3)).unwrap_or(1);
        let from = usize::try_from(case.random.whole(0, 2)).unwrap_or_default();
        sites.extend(stiff.iter().cycle().skip(from).take(least.min(stiff.len())).cloned());
        if visit.number == 2 {
            sites.extend(loose.clone().filter(|_| treats_loose));
            sites.extend(normal.clone().filter(|_| treats_normal));
        }
        if sites.is_empty() {
            continue;
        }
        mobilise(case, visit, &sites);
        let early = visit.number == 1 && case.happens(0.05);
        if thrusts && (early || visit.number == 2 || visit.number == 4) {
            thrust(case, visit, sites.get(..1).unwrap_or_default());
        }
        if case.happens(rates.soft_tissue) {
            let name = format!("v{}-soft", visit.number);
            let dose = json!([{ "url": "duration", "valueQuantity": quantity(&json!(120), "s") }]);
            let procedure = procedure(case, (visit, 32), (&name, "soft-tissue"), &sites, &dose);
            case.put(procedure);
        }
        if case.happens(rates.adverse_event) {
            adverse_event(case, visit);
        }
        if visit.number == 1 && case.happens(rates.entered_in_error) {
            let dose = json!([{ "url": "series", "valuePositiveInt": 1 }]);
            let names = ("v1-error", "mobilisation-with-movement");
            let procedure = procedure(case, (visit, 1), names, &sites, &dose);
            case.put(procedure);
            case.withdraw_last();
        }
    }
}

fn mobilise(case: &mut Case<'_>, visit: Visit, sites: &[Site]) {
    let grade = ["II", "III", "III", "IV"];
    let grade = case.random.one(&grade).copied().unwrap_or("III");
    let mut dose = vec![
        json!({ "url": "grade", "valueCodeableConcept": own("mobilisation-grade", grade) }),
        json!({ "url": "series", "valuePositiveInt": case.random.whole(2, 4) }),
    ];
    if !case.happens(case.setting.rates.dose_incomplete) {
        dose.push(
            json!({ "url": "oscillations", "valuePositiveInt": 10 * case.random.whole(1, 3) }),
        );
        dose.push(json!({ "url": "rate", "valueQuantity": quantity(&json!(2), "Hz") }));
    }
    dose.push(json!({ "url": "patientPosition", "valueCodeableConcept": own("patient-position", "prone") }));
    let name = format!("v{}-osc", visit.number);
    let names = (name.as_str(), "oscillatory-mobilisation");
    let procedure = procedure(case, (visit, 24), names, sites, &json!(dose));
    case.put(procedure);
}

fn thrust(case: &mut Case<'_>, visit: Visit, sites: &[Site]) {
    let dose = json!([
        { "url": "grade", "valueCodeableConcept": own("mobilisation-grade", "V") },
        { "url": "direction", "valueCodeableConcept": own("force-direction", "rotation") },
        { "url": "contactPoint", "valueCodeableConcept": own("contact-point", "articular-pillar") },
        { "url": "patientPosition", "valueCodeableConcept": own("patient-position", "supine") },
        { "url": "lever", "valueCodeableConcept": own("lever-component", "rotation") },
        { "url": "cavitation", "valueBoolean": case.random.happens(0.7) },
    ]);
    let name = format!("v{}-thrust", visit.number);
    let procedure = procedure(case, (visit, 28), (&name, "thrust"), sites, &dose);
    case.put(procedure);
}

fn procedure(
    case: &Case<'_>,
    (visit, minutes): (Visit, i64),
    (name, technique): (&str, &str),
    sites: &[Site],
    dose: &Value,
) -> Value {
    let mut base = base(case, (visit, minutes), name, technique, sites);
    base.insert(
        "extension".into(),
        json!([
            episode_extension(&case.episode),
            { "url": format!("{OWN}/StructureDefinition/dose"), "extension": dose },
        ]),
    );
    Value::Object(base)
}

fn base(
    case: &Case<'_>,
    (visit, minutes): (Visit, i64),
    name: &str,
    technique: &str,
    sites: &[Site],
) -> Map<String, Value> {
    let mut places: Vec<Value> = Vec::new();
    for site in sites {
        let place = body_site(&site.segment, site.side);
        if !places.contains(&place) {
            places.push(place);
        }
    }
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "status": "completed",
        "category": concept(SNOMED, "91251008"),
        "code": own("technique", technique),
        "subject": reference(&case.patient),
        "encounter": case.encounter(visit),
        "performedDateTime": moment(visit.day, visit.minute + minutes),
        "performer": [{ "actor": case.therapist() }],
        "bodySite": places,
    });
    match with(case.resource("Procedure", name, &["manual-therapy"]), members) {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}

/// A loose segment that is left alone on purpose.
fn spared(case: &mut Case<'_>, site: &Site) {
    let Some((first, _)) = case.ends() else { return };
    let sites = std::slice::from_ref(site);
    let mut procedure = base(case, (first, 21), "spared", "oscillatory-mobilisation", sites);
    procedure.insert("status".into(), json!("not-done"));
    procedure.insert("statusReason".into(), json!({ "text": "graded hypermobile; left alone" }));
    case.put(Value::Object(procedure));
}

fn adverse_event(case: &mut Case<'_>, visit: Visit) {
    let rates = &case.setting.rates;
    let reaction = case.random.one(&case.setting.reactions).cloned().unwrap_or_default();
    let (severity, class) = if case.happens(rates.adverse_severe) {
        ("severe", "major")
    } else if case.happens(rates.adverse_moderate) {
        ("moderate", "moderate")
    } else {
        ("mild", "mild")
    };
    let serious = if severity == "severe" { "Serious" } else { "Non-serious" };
    let outcome = if case.happens(0.85) { "resolved" } else { "ongoing" };
    let day = later(visit.day, case.random.whole(0, 2));
    let treatment = reference(&format!("Procedure/{}-v{}-osc", case.id, visit.number));
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "actuality": "actual",
        "event": own("treatment-reaction", &reaction),
        "subject": reference(&case.patient),
        "encounter": case.encounter(visit),
        "date": moment(day, 20 * 60),
        "seriousness": hl7("adverse-event-seriousness", serious),
        "severity": { "coding": [
            {
                "system": "http://terminology.hl7.org/CodeSystem/adverse-event-severity",
                "code": severity,
            },
            { "system": own_system("adverse-event-class"), "code": class },
        ] },
        "outcome": hl7("adverse-event-outcome", outcome),
        "recorder": case.therapist(),
        "suspectEntity": [{
            "instance": treatment,
            "causality": [{ "assessment": hl7("adverse-event-causality-assess", "Possible") }],
        }],
    });
    let name = format!("v{}-event", visit.number);
    case.put(with(case.resource("AdverseEvent", &name, &["treatment-adverse-event"]), members));
}
