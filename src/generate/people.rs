//! The clinic itself and its patients: organisations, locations, practitioners, persons.

use serde_json::{Value, json};
use time::Date;

use super::element::{date, hl7, reference, resource, with};
use super::random::Random;
use super::setting::{Person, Place, Setting};

/// The start of every id of one clinic, so that clinics of several seeds fit into one store.
pub(super) fn prefix(seed: u64) -> String {
    format!("gen-{seed}")
}

/// The id of an organisation.
pub(super) fn organisation(seed: u64, place: &str) -> String {
    format!("{}-org-{place}", prefix(seed))
}

/// The id of a practitioner.
pub(super) fn practitioner(seed: u64, person: &str) -> String {
    format!("{}-{person}", prefix(seed))
}

/// Everything that is no patient's.
pub(super) fn clinic(setting: &Setting, seed: u64) -> Vec<Value> {
    let mut all = Vec::new();
    let places = setting.sites.iter().chain(&setting.practices).chain([&setting.hospital]);
    all.extend(places.map(|place| organisation_of(place, seed)));
    all.extend(setting.sites.iter().map(|site| location(site, seed)));
    for (people, role) in
        [(&setting.therapists, "Manual therapist"), (&setting.referrers, "General practitioner")]
    {
        for person in people {
            all.push(practitioner_of(person, role, seed));
            all.push(role_of(person, role, seed));
        }
    }
    all
}

fn identifier(seed: u64, kind: &str, value: &str) -> Value {
    json!([{ "system": format!("https://spondyl.example/demo/{kind}"), "value": format!("{}-{value}", prefix(seed)) }])
}

fn organisation_of(place: &Place, seed: u64) -> Value {
    let members = json!({
        "identifier": identifier(seed, "organisation", &place.id),
        "active": true,
        "name": place.name,
        "address": [{ "city": place.town }],
    });
    with(resource("Organization", &organisation(seed, &place.id), &[]), members)
}

fn location(site: &Place, seed: u64) -> Value {
    let organisation = format!("Organization/{}", organisation(seed, &site.id));
    let members = json!({
        "status": "active",
        "name": format!("{}, treatment rooms", site.name),
        "mode": "instance",
        "address": { "city": site.town },
        "managingOrganization": reference(&organisation),
    });
    with(resource("Location", &format!("{}-loc-{}", prefix(seed), site.id), &[]), members)
}

fn practitioner_of(person: &Person, role: &str, seed: u64) -> Value {
    let members = json!({
        "identifier": identifier(seed, "registration", &person.id),
        "active": true,
        "name": [{
            "use": "official",
            "text": format!("{} {}", person.given, person.family),
            "family": person.family,
            "given": [person.given],
        }],
        "qualification": [{ "code": { "text": role } }],
    });
    with(resource("Practitioner", &practitioner(seed, &person.id), &[]), members)
}

fn role_of(person: &Person, role: &str, seed: u64) -> Value {
    let members = json!({
        "active": true,
        "practitioner": reference(&format!("Practitioner/{}", practitioner(seed, &person.id))),
        "organization": reference(&format!("Organization/{}", organisation(seed, &person.site))),
        "code": [{ "text": role }],
    });
    with(
        resource("PractitionerRole", &format!("{}-role-{}", prefix(seed), person.id), &[]),
        members,
    )
}

/// A patient: an invented name, gender and date of birth, each sometimes missing.
pub(super) fn patient(
    setting: &Setting,
    random: &mut Random,
    (seed, number): (u64, u64),
    site: &Place,
    first_day: Date,
) -> Value {
    let female = random.happens(0.58);
    let names = if female { &setting.given.female } else { &setting.given.male };
    let given = random.one(names).cloned().unwrap_or_default();
    let start = random.one(&setting.family.first).cloned().unwrap_or_default();
    let family = start + random.one(&setting.family.last).map_or("", |end| end.as_str());
    // Ages around the middle of life; a few are under 18, a few above 80.
    let spread = random.normal() * 15.5;
    #[expect(clippy::cast_possible_truncation, reason = "days of a life are far below 2^53")]
    let days = ((46.0 + spread).clamp(14.0, 90.0) * 365.25) as i64;
    let born = super::element::later(first_day, -days);
    let known = !random.happens(setting.rates.no_birth_date);
    let gender = if random.happens(setting.rates.no_gender) {
        None
    } else {
        Some(if female { "female" } else { "male" })
    };
    let members = json!({
        "identifier": identifier(seed, "patient-number", &format!("{:06}", number + 1)),
        "active": true,
        "name": [{
            "use": "official",
            "text": format!("{given} {family}"),
            "family": family,
            "given": [given],
        }],
        "gender": gender,
        "birthDate": known.then(|| date(born)),
        "managingOrganization":
            reference(&format!("Organization/{}", organisation(seed, &site.id))),
    });
    with(resource("Patient", &patient_id(seed, number), &[]), members)
}

/// The id of a patient.
pub(super) fn patient_id(seed: u64, number: u64) -> String {
    format!("{}-p{}", prefix(seed), number + 1)
}

/// The category of an Observation.
pub(super) fn category(code: &str) -> Value {
    json!([hl7("observation-category", code)])
}
