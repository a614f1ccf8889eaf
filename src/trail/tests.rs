//! The writing of a trail, and what is found of tampering.

use std::net::IpAddr;

use super::*;
use crate::app::Standard;
use crate::config::Config;
use crate::fhir::{ResourceType, VersionId};
use crate::repository::key;
use crate::store::{Batch, MemoryStore, Seq, Store, View};
use crate::trail::check::{Found, check};

fn standard() -> Arc<Standard> {
    Arc::new(Standard::embedded().unwrap())
}

fn record(trail: Box<dyn Store>) -> Arc<App> {
    let app = App::on(Config::default(), Box::new(MemoryStore::new()), standard()).unwrap();
    Arc::new(app.with_trail(trail).unwrap())
}

fn deed(number: i64) -> Deed {
    let kind = ResourceType::parse("Patient").unwrap();
    let id = Id::parse(&format!("p-{number}")).unwrap();
    Deed {
        at: Instant::from_millis(number),
        interaction: Interaction::Read,
        who: Who { address: Some(IpAddr::from([192, 0, 2, 1])), ..Who::default() },
        outcome: Outcome::DONE,
        request_id: Some(format!("r-{number}")),
        about: Some(Target { kind, id, version: None }),
        given: Vec::new(),
        patient: None,
        query: None,
    }
}

/// A trail of that many reads, written in several groups.
async fn written(record: &Arc<App>, count: i64) {
    let trail = Trail::start(record).unwrap().unwrap();
    for number in 1..=count {
        trail.permit().await.unwrap().tell(vec![deed(number)]);
    }
    trail.close().await;
    assert_eq!(trail.written(), count.cast_unsigned());
    assert!(trail.permit().await.is_err(), "a closed trail takes nothing");
}

fn found(app: &App, expect: Option<&str>) -> Found {
    check(&*app.store.view().unwrap(), expect).unwrap()
}

fn audit() -> ResourceType {
    ResourceType::parse("AuditEvent").unwrap()
}

/// Writes past all rules, as somebody with the files would.
fn tamper(app: &App, writes: Vec<(Vec<u8>, Option<Vec<u8>>)>) {
    app.store.commit(Batch { writes, ..Batch::default() }).unwrap();
}

fn version(number: u64) -> Vec<u8> {
    key::version(audit(), &trail::id(number).unwrap(), VersionId(1))
}

#[actix_web::test]
async fn what_is_told_is_written_and_goes_on_after_a_restart() {
    let record = record(Box::new(MemoryStore::new()));
    written(&record, 300).await;
    let app = record.trail.clone().unwrap();
    let first = found(&app, None);
    assert_eq!((first.head.number, first.faults.len()), (300, 0));
    written(&record, 5).await;
    let later = found(&app, Some(&hex(&first.head.hash)));
    assert_eq!((later.head.number, later.expected), (305, Some(300)));
    assert!(later.faults.is_empty(), "{:?}", later.faults);
}

#[actix_web::test]
async fn tampering_is_found_and_told_where() {
    for (name, expected) in [
        ("value", "entry 4 is not what was written"),
        ("row", "entry 4 is missing"),
        ("link", "the links of entries 4 to 4 are missing"),
        ("tail", "the end is cut off after entry 7"),
        ("stranger", "AuditEvent/000000000099 is no entry of the chain"),
        ("second version", "AuditEvent/000000000004 is no entry of the chain, or was changed"),
        ("relinked", "entry 5 is not what was written, or does not follow"),
    ] {
        let record = record(Box::new(MemoryStore::new()));
        written(&record, 9).await;
        let app = record.trail.clone().unwrap();
        let row = app.store.view().unwrap().get(&version(4)).unwrap().unwrap().value;
        let text = String::from_utf8_lossy(&row).replace("192.0.2.1", "192.0.2.2");
        // The head of a row is of bytes, and has no text to be lost.
        let cut = row.iter().position(|byte| *byte == b'{').unwrap();
        let body = text.as_bytes()[text.find('{').unwrap()..].to_vec();
        let other = [&row[..cut], &body].concat();
        let current = |number| key::current(audit(), &trail::id(number).unwrap());
        match name {
            "value" => tamper(&app, vec![(version(4), Some(other))]),
            "row" => tamper(&app, vec![(version(4), None)]),
            "link" => tamper(&app, vec![(key::chain(4), None)]),
            "tail" => {
                let gone = [8, 9].into_iter().flat_map(|n| [key::chain(n), version(n), current(n)]);
                tamper(&app, gone.map(|key| (key, None)).collect());
            }
            "stranger" => {
                let row = app.store.view().unwrap().get(&current(4)).unwrap().unwrap().value;
                tamper(&app, vec![(current(99), Some(row))]);
            }
            "second version" => {
                let row = repository::read::encode_current(VersionId(2), false);
                tamper(&app, vec![(current(4), Some(row))]);
            }
            _ => {
                let third = {
                    let view = app.store.view().unwrap();
                    trail::links(&*view).nth(2).unwrap().unwrap()
                };
                let link = third.next(&body).hash.to_vec();
                tamper(&app, vec![(version(4), Some(other)), (key::chain(4), Some(link))]);
            }
        }
        let faults = found(&app, None).faults;
        assert!(faults.iter().any(|fault| fault.starts_with(expected)), "{name}: {faults:?}");
    }
}

/// A chain that was computed anew is told by a hash that was kept elsewhere.
#[actix_web::test]
async fn a_new_chain_does_not_have_the_old_hash() {
    let record = record(Box::new(MemoryStore::new()));
    written(&record, 3).await;
    let app = record.trail.clone().unwrap();
    let kept = hex(&found(&app, None).head.hash);
    let other = self::record(Box::new(MemoryStore::new()));
    written(&other, 4).await;
    let other = other.trail.clone().unwrap();
    let mut told = found(&other, Some(&kept));
    // The same deeds at the same times make the same chain.
    assert_eq!(told.expected, Some(3));
    tamper(&other, vec![(version(2), None)]);
    told = found(&other, Some(&"0".repeat(64)));
    assert!(told.faults.contains(&"no entry has the hash that is expected".to_owned()));
}

/// A store that fails when it is told to.
struct Failing(MemoryStore, Arc<AtomicBool>);

impl Store for Failing {
    fn view(&self) -> Result<Box<dyn View + '_>, crate::store::Error> {
        self.0.view()
    }

    fn commit(&self, batch: Batch) -> Result<Seq, crate::store::Error> {
        if self.1.load(Ordering::SeqCst) {
            return Err(crate::store::Error::Engine("no space".into()));
        }
        self.0.commit(batch)
    }

    fn head(&self) -> tokio::sync::watch::Receiver<Seq> {
        self.0.head()
    }
}

/// While it cannot be written nobody gets a place; what was told before is written as soon as it can.
#[actix_web::test]
async fn a_trail_that_cannot_be_written_lets_nobody_in() {
    let fails = Arc::new(AtomicBool::new(false));
    let record = record(Box::new(Failing(MemoryStore::new(), Arc::clone(&fails))));
    let told = Trail::start(&record).unwrap().unwrap();
    fails.store(true, Ordering::SeqCst);
    told.permit().await.unwrap().tell(vec![deed(1)]);
    while !told.is_failing() {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    assert!(told.permit().await.is_err());
    assert!(told.tell(vec![deed(2)]).is_err());
    fails.store(false, Ordering::SeqCst);
    while told.is_failing() {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    told.permit().await.unwrap().tell(vec![deed(3)]);
    told.close().await;
    assert_eq!(found(record.trail.as_ref().unwrap(), None).head.number, 2);
}

/// A queue that is full keeps those who come from being carried out.
#[actix_web::test]
async fn who_finds_no_place_waits_and_is_refused() {
    let fails = Arc::new(AtomicBool::new(false));
    let record = record(Box::new(Failing(MemoryStore::new(), Arc::clone(&fails))));
    let told = Trail::start(&record).unwrap().unwrap();
    let mut permits = Vec::new();
    while permits.len() < QUEUE {
        permits.push(told.permit().await.unwrap());
    }
    assert_eq!(told.waiting(), QUEUE);
    assert!(told.permit().await.is_err());
    drop(permits);
    assert!(told.permit().await.is_ok());
}
