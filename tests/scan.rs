//! How long it takes to read every current resource of a store, row by row, with no other work: what
//! the speed of an export is measured beside (`tests/peer/speed_sync.py`).
//!
//!     SPONDYL_SCAN=DIR cargo test --release --test scan -- --nocapture
//!
//! `DIR` is the directory of a server that is stopped. Without it there is a small store, of which
//! every byte is known.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may fail loudly, and tells a time"
)]

use std::path::{Path, PathBuf};
use std::time::Instant;

use spondyl::fhir::{Id, ResourceType};
use spondyl::repository::{self, key};
use spondyl::store::{Batch, SledStore, Store};

/// Rows, resources and bytes of bodies; in views as short as those of an export.
fn scan(data: &Path) -> (usize, u64) {
    let store = SledStore::open(data, 256 << 20).unwrap();
    let (mut count, mut bytes) = (0, 0);
    for kind in ResourceType::all() {
        let mut range = key::current_range(kind);
        loop {
            let view = store.view().unwrap();
            let rows: Vec<_> = view.scan(range.clone()).take(500).map(Result::unwrap).collect();
            let ids: Vec<Id> = rows.iter().map(|row| key::current_id(&row.key).unwrap()).collect();
            for id in &ids {
                let stored = repository::current(&*view, kind, id).unwrap().unwrap();
                if let Some(body) = stored.body {
                    count += 1;
                    bytes += body.len() as u64;
                }
            }
            match ids.last() {
                Some(last) => range = key::current_after(kind, last),
                None => break,
            }
        }
    }
    (count, bytes)
}

#[test]
fn every_resource_of_a_store() {
    let given = std::env::var_os("SPONDYL_SCAN").map(PathBuf::from);
    let begun = Instant::now();
    if let Some(data) = given {
        let (count, bytes) = scan(&data);
        println!(
            "{{\"resources\": {count}, \"bytes\": {bytes}, \"seconds\": {}}}",
            begun.elapsed().as_secs_f64()
        );
        return;
    }
    let data = tempfile::tempdir().unwrap();
    let basic = ResourceType::parse("Basic").unwrap();
    let mut expected = 0;
    {
        let store = SledStore::open(data.path(), 1 << 20).unwrap();
        for number in 0..1203 {
            let id = Id::parse(&format!("b{number}")).unwrap();
            let value = serde_json::json!({ "resourceType": "Basic", "id": id.as_str(), "code": { "text": "x" } });
            let resource = spondyl::fhir::Resource::from_value(value).unwrap();
            let now = spondyl::fhir::Instant::from_millis(0);
            let none = |_: &spondyl::fhir::Resource| Vec::new();
            let change =
                repository::Change::write(None, repository::Method::Put, id, resource, now, none);
            expected += change.body.as_ref().unwrap().len() as u64;
            assert_eq!(change.kind, basic);
            let batch: Batch = repository::batch(&*store.view().unwrap(), &[change]).unwrap();
            store.commit(batch).unwrap();
        }
    }
    assert_eq!(scan(data.path()), (1203, expected));
}
