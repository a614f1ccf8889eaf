//! Consents that deny: whether a patient lets somebody have what leaves the record as a letter or an
//! export.
//!
//! Read are active Consents of scope `patient-privacy`. Of their rules is understood: deny or permit,
//! the period, actors by reference or by identifier, and rules within a rule as exceptions to it. What
//! is not understood (purpose, class, code, action, label, period of the data, the data themselves)
//! makes a denial wider and a permission void: a rule with such an element denies all the same, and
//! permits nothing. Of the policies OPTOUT and OPTOUTE deny where no rule says otherwise.
//! Source: <http://hl7.org/fhir/R4/consent.html>.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::app::App;
use crate::error::Error;
use crate::fhir::json::At;
use crate::fhir::{Id, Instant, Reference, Resource, ResourceType};
use crate::index::date::Interval;
use crate::repository::{self, key, read};
use crate::smart::Access;

/// Elements of a rule that narrow it, and are not understood.
const NOT_UNDERSTOOD: [&str; 7] =
    ["action", "class", "code", "data", "dataPeriod", "purpose", "securityLabel"];

/// Who asks, as rules name actors.
pub struct Asker<'a>(Option<&'a Access>);

impl<'a> Asker<'a> {
    /// Whoever has that access; none: nobody knows who it is.
    pub fn of(access: Option<&'a Access>) -> Self {
        Self(access)
    }

    /// Whether the actor of a rule is the one who asks; none where nobody knows.
    fn is(&self, actor: &Value) -> Option<bool> {
        let access = self.0?;
        let reference = actor.at("reference");
        let named = reference.at("reference").as_str().map(Reference::parse);
        let is_user = named.as_ref().and_then(Reference::target).is_some_and(|(kind, id)| {
            access.user.as_ref().is_some_and(|user| (user.0, &user.1) == (kind, id))
        });
        Some(is_user || reference.at("identifier").at("value") == access.client.as_str())
    }
}

/// What a rule says of someone at a moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Said {
    Deny,
    Permit,
}

/// What a provision says; none where it is about others, or another time.
fn said(provision: &Value, asker: &Asker<'_>, now: Instant) -> Option<Said> {
    let own = match provision.at("type").as_str() {
        Some("deny") => Some(Said::Deny),
        Some("permit") => Some(Said::Permit),
        _ => None,
    };
    let denies = own == Some(Said::Deny);
    if !within(provision.at("period"), now) {
        return None;
    }
    let actors: Vec<&Value> = provision.at("actor").as_array().into_iter().flatten().collect();
    // Of somebody unknown nobody can say that they are not the one who is denied.
    let is_about = actors.is_empty() || actors.iter().any(|a| asker.is(a).unwrap_or(denies));
    let is_narrowed = NOT_UNDERSTOOD.iter().any(|name| provision.get(*name).is_some());
    if !is_about || (is_narrowed && own == Some(Said::Permit)) {
        return None;
    }
    let within = provision.at("provision").as_array().into_iter().flatten();
    let exceptions: Vec<Said> = within.filter_map(|inner| said(inner, asker, now)).collect();
    if exceptions.contains(&Said::Deny) {
        return Some(Said::Deny);
    }
    if exceptions.contains(&Said::Permit) {
        return Some(Said::Permit);
    }
    own
}

fn within(period: &Value, now: Instant) -> bool {
    let bound = |name: &str| period.at(name).as_str().map(Interval::parse);
    let (start, end) = (bound("start"), bound("end"));
    // A bound that cannot be read bounds nothing.
    let span = Interval::between(start.flatten(), end.flatten());
    (span.start..=span.end).contains(&now.millis())
}

/// Whether a Consent denies that asker what leaves.
fn denies(consent: &Value, asker: &Asker<'_>, now: Instant) -> bool {
    let has = |value: &Value, codes: &[&str]| {
        let codings = value.at("coding").as_array().into_iter().flatten();
        let mut own = codings.filter_map(|coding| coding.at("code").as_str());
        own.any(|code| codes.contains(&code))
    };
    if consent.at("status") != "active" || !has(consent.at("scope"), &["patient-privacy"]) {
        return false;
    }
    match said(consent.at("provision"), asker, now) {
        Some(said) => said == Said::Deny,
        None => has(consent.at("policyRule"), &["OPTOUT", "OPTOUTE"]),
    }
}

fn patient_of(consent: &Resource) -> Option<Id> {
    let reference = Reference::parse(consent.value().at("patient").at("reference").as_str()?);
    let (kind, id) = reference.target()?;
    (kind.as_str() == "Patient").then(|| id.clone())
}

/// Refuses where a Consent of the patient denies whoever asks what leaves. No view may be open.
///
/// # Errors
/// [`Error::Withheld`], or a failure of the store.
pub fn permit(app: &App, patient: &Id, now: Instant) -> Result<(), Error> {
    let kinds = ResourceType::parse("Consent").zip(ResourceType::parse("Patient"));
    let Some((consents, patients)) = kinds else { return Ok(()) };
    let asker = Asker::of(app.access.as_deref());
    let held = app.held();
    // What a Consent says holds for who may not read it too.
    let view = app.whole().view()?;
    for source in held.rules.sources(consents, "patient") {
        for id in read::pointing(&*view, consents, source, (patients, patient)) {
            let id = id?;
            let stored = repository::current(&*view, consents, &id)?;
            let Some(consent) = stored.map(|s| s.content()).transpose()?.flatten() else {
                continue;
            };
            if denies(consent.value(), &asker, now) {
                return Err(Error::Withheld { consent: id, patient: patient.clone() });
            }
        }
    }
    Ok(())
}

/// The same for the patient to whom an element of a resource refers, if it refers to one.
///
/// # Errors
/// As [`permit`].
pub fn permit_of(app: &App, of: &Resource, element: &str, now: Instant) -> Result<(), Error> {
    let reference = of.value().pointer(element).map(|subject| subject.at("reference"));
    let reference = reference.and_then(Value::as_str).map(Reference::parse);
    match reference.as_ref().and_then(Reference::target) {
        Some((kind, id)) if kind.as_str() == "Patient" => permit(app, id, now),
        _ => Ok(()),
    }
}

/// Every patient of whom a Consent denies whoever asks what leaves, with that Consent.
///
/// # Errors
/// A failure of the store.
pub fn denied(app: &App, now: Instant) -> Result<BTreeMap<Id, Id>, Error> {
    let Some(consents) = ResourceType::parse("Consent") else { return Ok(BTreeMap::new()) };
    let asker = Asker::of(app.access.as_deref());
    let mut found = BTreeMap::new();
    let view = app.whole().view()?;
    for row in view.scan(key::current_range(consents)) {
        let id = key::current_id(&row?.key).ok_or(repository::Error::Damaged(key::CURRENT))?;
        let stored = repository::current(&*view, consents, &id)?;
        let Some(consent) = stored.map(|s| s.content()).transpose()?.flatten() else { continue };
        if denies(consent.value(), &asker, now)
            && let Some(patient) = patient_of(&consent)
        {
            found.insert(patient, id);
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::smart::user;
    use serde_json::json;

    fn asks(client: &str, by: Option<&str>) -> Access {
        Access {
            client: client.to_owned(),
            scopes: Vec::new(),
            patient: None,
            user: by.and_then(user),
        }
    }

    /// The elements of <http://hl7.org/fhir/R4/consent-definitions.html>; what they come to is ours.
    #[test]
    fn who_is_denied() {
        let hands = json!({ "reference": { "reference": "Practitioner/hands" } });
        let clinic = json!({ "reference": { "identifier": { "value": "clinic" } } });
        let march = json!({ "start": "2026-03", "end": "2026-03" });
        let april = json!({ "start": "2026-04-01" });
        let someone = asks("clinic", Some("Practitioner/hands"));
        let other = asks("other", Some("Practitioner/other"));
        let system = asks("other", None);
        // Denied: hands at the clinic, another person, a system, somebody unknown.
        for (provision, expected) in [
            (json!({ "type": "deny" }), [true, true, true, true]),
            (json!({ "type": "deny", "actor": [hands] }), [true, false, false, true]),
            (json!({ "type": "deny", "actor": [clinic] }), [true, false, false, true]),
            (json!({ "type": "deny", "period": march }), [true, true, true, true]),
            (json!({ "type": "deny", "period": april }), [false; 4]),
            (json!({ "type": "permit" }), [false; 4]),
            (json!({}), [false; 4]),
            // What is not understood makes a denial wider, and a permission void.
            (json!({ "type": "deny", "purpose": [{ "code": "HMARKT" }] }), [true; 4]),
            (
                json!({ "type": "deny", "provision": [{ "type": "permit", "actor": [hands] }] }),
                [false, true, true, true],
            ),
            (
                json!({ "type": "deny", "provision": [{ "type": "permit", "actor": [hands],
                    "class": [{ "code": "Observation" }] }] }),
                [true; 4],
            ),
            (
                json!({ "type": "permit", "provision": [{ "type": "deny", "actor": [hands] }] }),
                [true, false, false, true],
            ),
            (
                json!({ "provision": [{ "type": "deny", "actor": [hands] }] }),
                [true, false, false, true],
            ),
        ] {
            let consent = json!({ "resourceType": "Consent", "status": "active",
                "scope": { "coding": [{ "code": "patient-privacy" }] }, "provision": provision });
            let now = Instant::parse("2026-03-31T23:00:00Z").unwrap();
            let askers = [Some(&someone), Some(&other), Some(&system), None];
            let found = askers.map(|access| denies(&consent, &Asker::of(access), now));
            assert_eq!(found, expected, "{consent}");
            for (place, value) in [("/status", "inactive"), ("/scope/coding/0/code", "treatment")] {
                let mut other = consent.clone();
                *other.pointer_mut(place).unwrap() = json!(value);
                assert!(!denies(&other, &Asker::of(None), now), "{place}");
            }
        }
        let consent = json!({ "resourceType": "Consent", "status": "active",
            "scope": { "coding": [{ "code": "patient-privacy" }] },
            "policyRule": { "coding": [{ "code": "OPTOUT" }] } });
        assert!(denies(&consent, &Asker::of(Some(&someone)), Instant::from_millis(0)));
    }
}
