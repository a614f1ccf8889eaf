//! The ledger against facts that are computed from nothing, whatever is written.

use std::sync::{Arc, OnceLock};

use serde_json::{Value, json};

use super::*;
use crate::access::narrow;
use crate::app::Standard;
use crate::config::Config;
use crate::fhir::{Instant, Reference, Resource, VersionId};
use crate::generate::Clinic;
use crate::repository::{self, Change, Method, Stored, key};
use crate::smart::{Access, Action, Scope};
use crate::store::MemoryStore;

const NOW: &str = "2026-12-01T08:00:00Z";

fn now() -> Instant {
    Instant::parse(NOW).unwrap()
}

fn standard() -> Arc<Standard> {
    static STANDARD: OnceLock<Arc<Standard>> = OnceLock::new();
    Arc::clone(STANDARD.get_or_init(|| Arc::new(Standard::embedded().unwrap())))
}

/// A generated clinic, stored as it stands, without a look at the rules.
fn clinic(patients: u64) -> App {
    let app = App::on(Config::default(), Box::new(MemoryStore::new()), standard()).unwrap();
    let clinic = Clinic { seed: 5, patients };
    let all = std::iter::once(clinic.itself()).chain((0..patients).map(|at| clinic.patient(at)));
    for records in all {
        let records = records.unwrap();
        for value in records.first.into_iter().chain(records.later) {
            put(&app, value);
        }
    }
    app
}

fn name_of(value: &Value) -> (ResourceType, Id) {
    let text = |name: &str| value[name].as_str().unwrap();
    (ResourceType::parse(text("resourceType")).unwrap(), Id::parse(text("id")).unwrap())
}

fn put(app: &App, value: Value) {
    let (kind, id) = name_of(&value);
    let resource = Resource::from_value(value).unwrap();
    let held = app.held();
    let view = app.store.view().unwrap();
    let current = repository::current(&*view, kind, &id).unwrap();
    let entries = |resource: &Resource| held.entries(resource);
    let change = Change::write(current.as_ref(), Method::Put, id, resource, now(), entries);
    let batch = repository::batch(&*view, &[change]).unwrap();
    drop(view);
    app.store.commit(batch).unwrap();
}

fn delete(app: &App, stored: &Stored) {
    let batch = repository::batch(&*app.store.view().unwrap(), &[Change::delete(stored, now())]);
    app.store.commit(batch.unwrap()).unwrap();
}

/// Every resource that there ever was, in its current version.
fn everything(app: &App) -> Vec<Stored> {
    let view = app.store.view().unwrap();
    let mut all = Vec::new();
    for kind in ResourceType::all() {
        for row in view.scan(key::current_range(kind)) {
            let id = key::current_id(&row.unwrap().key).unwrap();
            all.extend(repository::current(&*view, kind, &id).unwrap());
        }
    }
    all
}

fn kept(app: &App) -> BTreeMap<Id, Facts> {
    at_most(app, usize::MAX, |view, ledger| {
        let ledger = ledger.unwrap();
        assert_eq!((ledger.as_of(), ledger.behind()), (view.seq(), 0));
        Ok(ledger.cases().map(|(id, facts)| (id.clone(), facts.clone())).collect())
    })
    .unwrap()
}

fn computed(app: &App) -> BTreeMap<Id, Facts> {
    let by = By::of(app);
    let view = app.store.view().unwrap();
    let computer = by.computer(&*view).unwrap();
    let (ids, _) = episode::ids(&*view, usize::MAX).unwrap();
    ids.into_iter().map(|id| (id.clone(), computer.case(&id).unwrap().facts)).collect()
}

fn agree(app: &App, what: &str) {
    let (kept, computed) = (kept(app), computed(app));
    let ids = |all: &BTreeMap<Id, Facts>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(ids(&kept), ids(&computed), "{what}");
    for (id, facts) in &kept {
        let differences = facts.differences(&computed[id]);
        assert!(differences.is_empty(), "{what}: {id} differs in {differences:?}");
    }
}

/// Numbers that look random and are the same each time.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % most as u64).unwrap()
    }
}

/// Some change of some resource: deleted, brought back, given what another of its type says, copied,
/// its references exchanged for those of another, one of its values lost.
fn disturb(app: &App, numbers: &mut Numbers) -> String {
    let all = everything(app);
    let one = &all[numbers.below(all.len())];
    let name = format!("{}/{}", one.kind, one.id);
    let Some(body) = &one.body else {
        let view = app.store.view().unwrap();
        let before = VersionId(one.version.0 - 1);
        let before = repository::version(&*view, one.kind, &one.id, before).unwrap();
        drop(view);
        let body = before.and_then(|stored| stored.body).unwrap();
        put(app, serde_json::from_slice(&body).unwrap());
        return format!("{name} is back");
    };
    let mut value: Value = serde_json::from_slice(body).unwrap();
    let like: Vec<&Stored> =
        all.iter().filter(|other| other.kind == one.kind && other.body.is_some()).collect();
    let other = like[numbers.below(like.len())];
    let other: Value = serde_json::from_slice(other.body.as_ref().unwrap()).unwrap();
    match numbers.below(6) {
        0 => {
            delete(app, one);
            return format!("{name} is deleted");
        }
        1 => {
            value = other;
            value["id"] = json!(one.id.as_str());
        }
        2 => value["id"] = json!(format!("copy-{}", numbers.below(1000))),
        3 => exchange(&mut value, &other),
        4 => {
            let object = value.as_object_mut().unwrap();
            let names: Vec<String> = object.keys().skip(3).cloned().collect();
            if let Some(lost) = names.get(numbers.below(names.len().max(1))) {
                object.remove(lost);
            }
        }
        _ => value["implicitRules"] = json!(format!("urn:x-{}", numbers.below(100))),
    }
    put(app, value);
    format!("{name} is changed")
}

/// Takes over the references of another resource where both have some at the same place.
fn exchange(value: &mut Value, other: &Value) {
    match (value, other) {
        (Value::Object(own), Value::Object(other)) => {
            for (name, value) in own.iter_mut() {
                match other.get(name) {
                    Some(other) if name == "reference" => *value = other.clone(),
                    Some(other) => exchange(value, other),
                    None => {}
                }
            }
        }
        (Value::Array(own), Value::Array(other)) => {
            own.iter_mut().zip(other).for_each(|(own, other)| exchange(own, other));
        }
        _ => {}
    }
}

/// Whatever is written, what is kept is what is computed from nothing; also after what is kept was
/// read back from its rows, as a whole or half done.
#[test]
fn what_is_kept_is_what_is_recorded() {
    let rounds = std::env::var("SPONDYL_FACTS_ROUNDS").ok().and_then(|text| text.parse().ok());
    let app = clinic(5);
    agree(&app, "at first");
    let mut numbers = Numbers(0x5eed_2026);
    for round in 0..rounds.unwrap_or(80_usize) {
        let mut done = format!("round {round}");
        for _ in 0..=numbers.below(3) {
            done = format!("{done}; {}", disturb(&app, &mut numbers));
        }
        match numbers.below(6) {
            0 => {
                kept(&app);
                save(&app, &mut locked(&app)).unwrap();
                assert!(
                    matches!(
                        check(&app, &|_, _| ()).unwrap(),
                        Checked::Compared { behind: 0, faults, .. } if faults.is_empty()
                    ),
                    "{done}"
                );
                done += "; ";
                done += &disturb(&app, &mut numbers);
                *locked(&app) = Ledger::default();
            }
            1 => {
                // Half of it is computed and saved, more is written, then the program ends.
                let by = By::of(&app);
                let mut ledger = locked(&app);
                *ledger = load(&*app.store.view().unwrap(), "another".into()).unwrap();
                let mut half = load(&*app.store.view().unwrap(), by.edition.clone()).unwrap();
                by.follow(&mut half, &*app.store.view().unwrap()).unwrap();
                by.compute(&mut half, &*app.store.view().unwrap()).unwrap();
                save(&app, &mut half).unwrap();
                *ledger = Ledger::default();
                drop(ledger);
                done = format!("{done}; {}", disturb(&app, &mut numbers));
            }
            _ => {}
        }
        agree(&app, &done);
    }
}

/// The facts are those of any moment: nothing in them follows the clock.
#[test]
fn facts_follow_no_clock() {
    let app = clinic(3);
    let view = app.store.view().unwrap();
    let (ids, _) = episode::ids(&*view, 9).unwrap();
    assert!(!ids.is_empty());
    for id in ids {
        let found = episode::Episode::whole(&app, &*view, &id, now(), None).unwrap();
        let record = crate::clinical::Record::build(&found.episode, &found.resources);
        let at = |moment: &str| {
            let moment = Instant::parse(moment).unwrap();
            let summary = crate::clinical::summary_by(&record, moment, &app.thresholds);
            Facts::of(&record, &summary, &[])
        };
        let early = at("1970-01-01T00:00:00Z");
        assert_eq!(early, at("2025-06-01T00:00:00Z"));
        assert_eq!(early, at("2100-01-01T00:00:00Z"));
    }
}

#[test]
fn who_would_wait_too_long_is_told_how_far_it_is() {
    let app = clinic(4);
    let of = computed(&app).len();
    let refused = at_most(&app, 2, |_, _| Ok(())).unwrap_err();
    assert!(matches!(refused, Error::Unready { done: 0, of: all } if all == of), "{refused:?}");
    assert_eq!((refused.status(), refused.issues().len()), (503, 1));
    assert_eq!(kept(&app).len(), of);
    at_most(&app, 2, |_, _| Ok(())).unwrap();
    // A change of one is not too much.
    let patient = everything(&app).into_iter().find(|one| one.kind.as_str() == "Patient").unwrap();
    put(&app, serde_json::from_slice(&patient.body.unwrap()).unwrap());
    at_most(&app, 2, |view, ledger| {
        assert_eq!(ledger.unwrap().as_of(), view.seq());
        Ok(())
    })
    .unwrap();
}

/// A new address of a practitioner touches no episode, a deletion all that name the practitioner.
#[test]
fn what_facts_cannot_see_touches_none() {
    let app = clinic(3);
    let all = everything(&app);
    let before = kept(&app);
    let named = |stored: &&Stored| {
        before.values().any(|facts| {
            let own = facts.practitioner.as_deref().map(Reference::parse);
            own.as_ref().and_then(Reference::target) == Some((stored.kind, &stored.id))
        })
    };
    let stored = all.iter().filter(|one| one.kind.as_str() == "Practitioner").find(named).unwrap();
    let mut value: Value = serde_json::from_slice(stored.body.as_ref().unwrap()).unwrap();
    value["telecom"] = json!([{ "system": "phone", "value": "0" }]);
    put(&app, value);
    let behind = || {
        let by = By::of(&app);
        let mut ledger = locked(&app);
        by.follow(&mut ledger, &*app.store.view().unwrap()).unwrap();
        ledger.behind()
    };
    assert_eq!(behind(), 0);
    let view = app.store.view().unwrap();
    let current = repository::current(&*view, stored.kind, &stored.id).unwrap().unwrap();
    drop(view);
    delete(&app, &current);
    assert!(behind() > 0);
    agree(&app, "without the practitioner");
}

/// Only a token for everything is answered from the ledger.
#[test]
fn the_ledger_is_for_who_sees_everything() {
    let app = clinic(2);
    let all = kept(&app).len();
    for (scopes, expected) in
        [("system/*.rs", true), ("user/*.rs", false), ("system/EpisodeOfCare.rs", false)]
    {
        let access = Access {
            client: "c".into(),
            scopes: Scope::all(scopes),
            patient: None,
            user: Some((ResourceType::parse("Practitioner").unwrap(), Id::parse("p").unwrap())),
        };
        let narrow = narrow(&app, &Arc::new(access), &[Action::Read, Action::Search]);
        let found = asked(&narrow, |view, ledger| {
            let rows = facts::all(&*view).count();
            assert_eq!(rows, 0, "{scopes}");
            Ok(ledger.map(|ledger| ledger.cases().count()))
        });
        assert_eq!(found.unwrap(), expected.then_some(all), "{scopes}");
    }
    save(&app, &mut locked(&app)).unwrap();
    for (scopes, rows) in [("system/*.rs", all), ("user/*.rs", 0), ("system/EpisodeOfCare.rs", 0)] {
        let scopes = Scope::all(scopes);
        let access = Access { client: "c".into(), scopes, patient: None, user: None };
        let narrow = narrow(&app, &Arc::new(access), &[Action::Read, Action::Search]);
        let view = narrow.store.view().unwrap();
        assert_eq!(facts::all(&*view).count(), rows);
    }
}
