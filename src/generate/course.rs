//! The frame of an episode: referral, problem, visits, goal, plan, how it ends.

use serde_json::{Value, json};
use time::Date;

use super::element::{
    LOINC, OWN, SNOMED, coding, concept, date, episode_extension, episode_link, hl7, later, moment,
    own, own_system, quantity, reference, with,
};
use super::episode::{Case, Fate, Visit};
use super::people::{organisation, practitioner};

/// Days of the visits and of the end.
pub(super) fn plan(case: &mut Case<'_>, start: Date) {
    let count = match case.fate {
        Fate::Completed | Fate::Open => case.random.whole(3, 9),
        Fate::DropsOut => case.random.whole(1, 4),
        Fate::Leaves => case.random.whole(2, 5),
        Fate::RedFlag => case.random.whole(1, 2),
    };
    let mut day = start;
    for number in 1..=usize::try_from(count).unwrap_or(1) {
        let minute = 8 * 60 + 20 * case.random.whole(0, 24);
        case.visits.push(Visit { number, day, minute });
        day = later(day, case.random.whole(4, 12));
    }
    let last = case.visits.last().map_or(start, |visit| visit.day);
    case.end = match case.fate {
        Fate::Open => None,
        Fate::DropsOut => Some(later(last, case.random.whole(14, 28))),
        Fate::Leaves => Some(later(last, case.random.whole(1, 10))),
        Fate::Completed | Fate::RedFlag => Some(last),
    };
}

/// Writes the frame.
pub(super) fn write(case: &mut Case<'_>) {
    let Some((first, last)) = case.ends() else { return };
    problem(case, first);
    if case.referred {
        referral(case, first);
    }
    episode(case, first);
    for visit in case.visits.clone() {
        encounter(case, visit);
    }
    between(case, first, last);
    if case.fate != Fate::RedFlag && case.happens(case.setting.rates.goal) {
        goal_and_plan(case, first);
    }
}

fn problem(case: &mut Case<'_>, first: Visit) {
    let ended = case.end.filter(|_| case.fate == Fate::Completed && case.gain > 0.5);
    let state = if ended.is_some() { "resolved" } else { "active" };
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "clinicalStatus": hl7("condition-clinical", state),
        "verificationStatus": hl7("condition-ver-status", "confirmed"),
        "category": [hl7("condition-category", "encounter-diagnosis")],
        "code": {
            "coding": [{
                "system": SNOMED, "code": case.problem.code, "display": case.problem.display,
            }],
            "text": case.problem.display,
        },
        "subject": reference(&case.patient),
        "encounter": case.encounter(first),
        "abatementDateTime": ended.map(date),
        "recordedDate": date(first.day),
        "recorder": case.therapist(),
    });
    case.put(with(case.resource("Condition", "problem", &["spine-problem"]), members));
}

fn referral(case: &mut Case<'_>, first: Visit) {
    let Some(by) = case.random.weighted(&case.setting.referrers, |person| person.weight) else {
        return;
    };
    let requester = format!("Practitioner/{}", practitioner(case.seed, &by.id));
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "status": if case.end.is_some() { "completed" } else { "active" },
        "intent": "order",
        "priority": "routine",
        "code": { "coding": [coding(SNOMED, "308447003")], "text": "Referral for manual therapy" },
        "subject": reference(&case.patient),
        "authoredOn": date(later(first.day, -case.random.whole(3, 30))),
        "requester": reference(&requester),
        "performer": [case.organisation()],
        "reasonCode": [{ "text": case.problem.display }],
    });
    case.put(with(case.resource("ServiceRequest", "referral", &["referral"]), members));
}

fn episode(case: &mut Case<'_>, first: Visit) {
    let reason = match case.fate {
        Fate::Completed if case.gain > 0.35 => "goals-met",
        Fate::Completed => "plateau",
        Fate::DropsOut => "did-not-attend",
        Fate::Leaves => "self-discharged",
        Fate::RedFlag => "referred-on",
        Fate::Open => "",
    };
    let told = case.end.is_some() && !case.happens(case.setting.rates.no_end_reason);
    let managed = !case.happens(case.setting.rates.no_care_manager);
    let mut extensions = vec![json!({
        "url": format!("{OWN}/StructureDefinition/planned-visits"),
        "valuePositiveInt": 6,
    })];
    if told {
        extensions.push(json!({
            "url": format!("{OWN}/StructureDefinition/episode-end-reason"),
            "valueCodeableConcept": own("episode-end-reason", reason),
        }));
    }
    let referral = format!("ServiceRequest/{}-referral", case.id);
    let members = json!({
        "extension": extensions,
        "status": if case.end.is_some() { "finished" } else { "active" },
        "type": [{ "text": "Manual therapy of the neck" }],
        "diagnosis": [{ "condition": reference(&format!("Condition/{}-problem", case.id)) }],
        "patient": reference(&case.patient),
        "managingOrganization": case.organisation(),
        "period": period(date(first.day), case.end.map(date)),
        "referralRequest": case.referred.then(|| json!([reference(&referral)])),
        "careManager": managed.then(|| case.therapist()),
    });
    let resource = super::element::resource("EpisodeOfCare", &case.id, &["spine-episode"]);
    case.put(with(resource, members));
}

fn period(start: String, end: Option<String>) -> Value {
    match end {
        Some(end) => json!({ "start": start, "end": end }),
        None => json!({ "start": start }),
    }
}

fn encounter(case: &mut Case<'_>, visit: Visit) {
    visit_of(case, &format!("v{}", visit.number), (visit.day, visit.minute), "finished", None);
}

/// Appointments between the visits that did not take place.
fn between(case: &mut Case<'_>, first: Visit, last: Visit) {
    let rates = &case.setting.rates;
    let days = (last.day - first.day).whole_days();
    let missed = if case.fate == Fate::DropsOut { 1.0 } else { rates.missed_visit };
    let kinds = [
        ("missed", "did-not-attend", missed),
        ("called-off", "cancelled-by-patient", rates.cancelled_visit),
        ("closed", "cancelled-by-clinic", rates.cancelled_visit / 2.0),
    ];
    for (name, reason, rate) in kinds {
        if case.happens(rate) {
            let day = match case.fate {
                Fate::DropsOut => later(last.day, 7),
                _ => later(first.day, case.random.whole(1, days.max(2))),
            };
            visit_of(case, name, (day, 9 * 60), "cancelled", Some(reason));
        }
    }
}

fn visit_of(
    case: &mut Case<'_>,
    name: &str,
    (day, minute): (Date, i64),
    status: &str,
    reason: Option<&str>,
) {
    let extension = reason.map(|reason| {
        json!([{
            "url": format!("{OWN}/StructureDefinition/missed-visit-reason"),
            "valueCodeableConcept": own("missed-visit-reason", reason),
        }])
    });
    let members = json!({
        "extension": extension,
        "status": status,
        "class": {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB",
        },
        "serviceType": hl7("service-type", "65"),
        "subject": reference(&case.patient),
        "episodeOfCare": [reference(&case.episode)],
        "participant": [{ "individual": case.therapist() }],
        "period": { "start": moment(day, minute), "end": moment(day, minute + 40) },
        "serviceProvider": case.organisation(),
    });
    case.put(with(case.resource("Encounter", name, &["spine-visit"]), members));
}

/// A goal with a day by which the score is taken again, and sometimes a plan that schedules it.
fn goal_and_plan(case: &mut Case<'_>, first: Visit) {
    let due = later(first.day, case.random.whole(21, 56));
    let achieved =
        case.end.is_some().then_some(if case.gain > 0.35 { "achieved" } else { "not-achieved" });
    let members = json!({
        "extension": [episode_link(&case.episode)],
        "lifecycleStatus": if case.end.is_some() { "completed" } else { "active" },
        "achievementStatus": achieved.map(|code| hl7("goal-achievement", code)),
        "category": [hl7("goal-category", "physiotherapy")],
        "description": { "text": "Daily life with little trouble from the neck" },
        "subject": reference(&case.patient),
        "startDate": date(first.day),
        "target": [{
            "measure": concept(LOINC, "82237-9"),
            "detailRange": { "high": quantity(&json!(10), "{score}") },
            "dueDate": date(due),
        }],
        "expressedBy": case.therapist(),
    });
    case.put(with(case.resource("Goal", "goal", &["spine-goal"]), members));
    if !case.happens(case.setting.rates.retest_plan) {
        return;
    }
    let weeks = case.random.whole(2, 4);
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "status": if case.end.is_some() { "completed" } else { "active" },
        "intent": "plan",
        "subject": reference(&case.patient),
        "encounter": case.encounter(first),
        "period": { "start": date(first.day) },
        "author": case.therapist(),
        "addresses": [reference(&format!("Condition/{}-problem", case.id))],
        "goal": [reference(&format!("Goal/{}-goal", case.id))],
        "activity": [{ "detail": {
            "kind": "ServiceRequest",
            "code": concept(&own_system("finding"), "segmental-examination"),
            "status": if case.end.is_some() { "completed" } else { "in-progress" },
            "scheduledTiming": {
                "repeat": { "frequency": 1, "period": weeks, "periodUnit": "wk" },
            },
            "description": format!("Examine the segments again after {weeks} weeks"),
        } }],
    });
    case.put(with(case.resource("CarePlan", "plan", &["spine-plan"]), members));
}

/// An urgent or routine referral out of the episode.
pub(super) fn onward(case: &mut Case<'_>, visit: Visit, days_later: i64, priority: &str) {
    let hospital = format!("Organization/{}", organisation(case.seed, &case.setting.hospital.id));
    let members = json!({
        "extension": [episode_extension(&case.episode)],
        "status": "active",
        "intent": "order",
        "priority": priority,
        "code": { "coding": [coding(SNOMED, "183521007")], "text": "Referral to neurology" },
        "subject": reference(&case.patient),
        "encounter": case.encounter(visit),
        "authoredOn": moment(later(visit.day, days_later), visit.minute + 35),
        "requester": case.therapist(),
        "performer": [reference(&hospital)],
        "reasonCode": [{ "text": "Positive screening" }],
    });
    case.put(with(case.resource("ServiceRequest", "onward", &["onward-referral"]), members));
}
