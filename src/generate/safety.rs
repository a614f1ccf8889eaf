//! Screening, blood pressure, consent: asked in full, in part, too late, or not at all.

use serde_json::{Value, json};

use super::element::{
    LOINC, OWN, concept, date, episode_link, hl7, moment, own, quantity, reference, with,
};
use super::episode::{Case, Fate, Visit};

const YES_NO: &str = "http://terminology.hl7.org/CodeSystem/v2-0136";

/// Writes what is asked before treatment.
pub(super) fn write(case: &mut Case<'_>) {
    let Some((first, _)) = case.ends() else { return };
    screening(case, first);
    if case.happens(0.7) {
        blood_pressure(case, first);
    }
    consent(case, first);
}

fn screening(case: &mut Case<'_>, first: Visit) {
    let rates = &case.setting.rates;
    let flagged = case.fate == Fate::RedFlag;
    if !flagged && (case.happens(rates.screening_missing) || !case.careful()) {
        return;
    }
    let minutes = if !flagged && case.happens(rates.screening_late) { 38 } else { 2 };
    let also = case.happens(rates.red_flag);
    let items = case.setting.screening_items.len();
    let last = i64::try_from(items).unwrap_or(1) - 1;
    let positive = (flagged || also).then(|| case.random.whole(0, last));
    let incomplete = case.happens(rates.screening_incomplete);
    let mut components = Vec::new();
    for (at, item) in (0_i64..).zip(&case.setting.screening_items) {
        let code = own("screening-item", item);
        let skipped = incomplete && positive != Some(at) && case.random.happens(0.2);
        components.push(if skipped {
            json!({ "code": code, "dataAbsentReason": hl7("data-absent-reason", "not-asked") })
        } else {
            let answer = if positive == Some(at) { "Y" } else { "N" };
            json!({ "code": code, "valueCodeableConcept": concept(YES_NO, answer) })
        });
    }
    let whole = components.iter().all(|component| component.get("dataAbsentReason").is_none());
    let profiles: &[&str] =
        if whole { &["red-flag-screening", "complete-screening"] } else { &["red-flag-screening"] };
    let result = if positive.is_some() { "item-positive" } else { "no-item-positive" };
    let code = own("finding", "red-flag-screening");
    let observation = case.observation((first, minutes), "screening", profiles, ("exam", code));
    let members = json!({
        "valueCodeableConcept": own("screening-result", result), "component": components,
    });
    case.put(with(observation, members));
    if flagged && case.happens(rates.red_flag_referred) {
        let priority = if case.happens(rates.red_flag_urgent) { "urgent" } else { "routine" };
        let days = if case.happens(0.85) { 0 } else { 2 };
        super::course::onward(case, first, days, priority);
    }
}

fn blood_pressure(case: &mut Case<'_>, first: Visit) {
    let systolic = case.random.whole(104, 158);
    let diastolic = case.random.whole(62, 94);
    let part = |code: &str, value: i64| json!({ "code": concept(LOINC, code), "valueQuantity": quantity(&json!(value), "mm[Hg]") });
    let code = concept(LOINC, "85354-9");
    let observation =
        case.observation((first, 4), "bp", &["blood-pressure"], ("vital-signs", code));
    let members = json!({ "component": [part("8480-6", systolic), part("8462-4", diastolic)] });
    case.put(with(observation, members));
}

fn consent(case: &mut Case<'_>, first: Visit) {
    let rates = &case.setting.rates;
    if case.happens(rates.consent_missing) || !case.careful() {
        return;
    }
    let minutes = if case.happens(rates.consent_late) { 37 } else { 6 };
    let status = if case.happens(rates.consent_refused) {
        "rejected"
    } else if case.happens(rates.consent_open) {
        "proposed"
    } else {
        "active"
    };
    let consent = consent_of(case, first, minutes, status);
    case.put(consent);
    if status == "rejected" && case.visits.len() > 1 && case.happens(0.5) {
        // Given at the next visit after all.
        if let Some(next) = case.visits.get(1).copied() {
            let consent = consent_of(case, next, 3, "active");
            case.put(consent);
        }
    }
}

fn consent_of(case: &Case<'_>, visit: Visit, minutes: i64, status: &str) -> Value {
    let explained: Vec<Value> = ["nature", "benefit", "risk", "alternatives", "questions"]
        .into_iter()
        .map(|part| json!({ "url": part, "valueBoolean": true }))
        .collect();
    let members = json!({
        "extension": [
            episode_link(&case.episode),
            {
                "url": format!("{OWN}/StructureDefinition/consent-explained"),
                "extension": explained,
            },
        ],
        "status": status,
        "scope": hl7("consentscope", "treatment"),
        "category": [concept(LOINC, "59284-0")],
        "patient": reference(&case.patient),
        "dateTime": moment(visit.day, visit.minute + minutes),
        "performer": [reference(&case.patient)],
        "organization": [case.organisation()],
        "policyRule": { "text": "Consent to treatment as local law asks" },
        "provision": {
            "type": if status == "rejected" { "deny" } else { "permit" },
            "period": { "start": date(visit.day) },
            "code": [{
                "coding": [{
                    "system": super::element::SNOMED, "code": "91251008",
                    "display": "Physical therapy procedure",
                }],
                "text": "passive mobilisation and thrust techniques of the neck",
            }],
        },
    });
    let name = format!("consent-{}", visit.number);
    with(case.resource("Consent", &name, &["treatment-consent"]), members)
}
