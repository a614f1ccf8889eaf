//! Changes, reads and histories over the store in memory.

use serde_json::json;

use super::*;
use crate::fhir::{Id, Instant, Resource, ResourceType, VersionId};
use crate::index::Entry;
use crate::store::{MemoryStore, Overlay, Store, View as _};

struct Clinic(MemoryStore);

impl Clinic {
    fn new() -> Self {
        Self(MemoryStore::new())
    }

    fn kind() -> ResourceType {
        ResourceType::parse("Basic").unwrap()
    }

    fn put(&self, id: &str, code: &str, at: i64) -> Result<(), store::Error> {
        let id = Id::parse(id).unwrap();
        let value = json!({ "resourceType": "Basic", "code": { "text": code } });
        let resource = Resource::from_value(value).unwrap();
        let batch = {
            let view = self.0.view().unwrap();
            let now = current(&*view, Self::kind(), &id).unwrap();
            let entry = |_: &Resource| {
                let parts = vec![code.as_bytes().to_vec()];
                vec![Entry { parameter: "code".into(), parts, value: Vec::new() }]
            };
            let at = Instant::from_millis(at);
            let change = Change::write(now.as_ref(), Method::Put, id, resource, at, entry);
            batch(&*view, &[change]).unwrap()
        };
        self.0.commit(batch).map(|_| ())
    }

    fn delete(&self, id: &str, at: i64) {
        let id = Id::parse(id).unwrap();
        let batch = {
            let view = self.0.view().unwrap();
            let now = current(&*view, Self::kind(), &id).unwrap().unwrap();
            batch(&*view, &[Change::delete(&now, Instant::from_millis(at))]).unwrap()
        };
        self.0.commit(batch).unwrap();
    }

    fn index(&self) -> Vec<(String, String)> {
        let view = self.0.view().unwrap();
        let rows = view.scan(key::index_range(Self::kind(), "code", &[], &[]));
        rows.map(|row| {
            let (parts, id) = key::index_parts(&row.unwrap().key).unwrap();
            (String::from_utf8(parts[0].clone()).unwrap(), id.to_string())
        })
        .collect()
    }

    /// Ids and versions, page by page, newest first.
    fn pages(&self, scope: &Scope, since: Option<i64>, count: usize) -> Vec<Vec<String>> {
        let wanted = Wanted { since: since.map(Instant::from_millis), ..Wanted::default() };
        self.walked(scope, &wanted, Walk { count, ..Walk::default() })
    }

    /// The same of what is wanted, in that order. Each page is also had by going back from the next.
    fn walked(&self, scope: &Scope, wanted: &Wanted, mut walk: Walk) -> Vec<Vec<String>> {
        let told = |page: &Page| -> Vec<String> {
            let of = |stored: &Stored| format!("{}/{}", stored.id, stored.version);
            page.versions.iter().map(of).collect()
        };
        let view = self.0.view().unwrap();
        let mut pages = Vec::new();
        loop {
            let page = history(&*view, scope, wanted, walk).unwrap();
            if let Some(last) = pages.last() {
                let back = Walk { from: page.previous, ..walk };
                assert_eq!(&told(&history(&*view, scope, wanted, back).unwrap()), last);
            }
            pages.push(told(&page));
            walk.from = page.next;
            if page.next.is_none() {
                return pages;
            }
        }
    }
}

#[test]
fn versions_count_and_index_rows_follow() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 1).unwrap();
    clinic.put("b", "x", 2).unwrap();
    clinic.put("a", "y", 3).unwrap();
    let row = |code: &str, id: &str| (code.to_owned(), id.to_owned());
    assert_eq!(clinic.index(), [row("x", "b"), row("y", "a")]);
    clinic.delete("a", 4);
    assert_eq!(clinic.index(), [row("x", "b")]);
    let id = Id::parse("a").unwrap();
    {
        let view = clinic.0.view().unwrap();
        let now = current(&*view, Clinic::kind(), &id).unwrap().unwrap();
        assert_eq!((now.version, now.body, now.method), (VersionId(3), None, Method::Delete));
        let first = version(&*view, Clinic::kind(), &id, VersionId(1)).unwrap().unwrap();
        let body = String::from_utf8(first.body.unwrap()).unwrap();
        assert!(body.contains(r#""versionId":"1""#) && body.contains(r#""text":"x""#), "{body}");
    }
    clinic.put("a", "z", 5).unwrap();
    let view = clinic.0.view().unwrap();
    let now = current(&*view, Clinic::kind(), &id).unwrap().unwrap();
    assert_eq!(now.version, VersionId(4));
}

#[test]
fn a_change_planned_on_an_old_version_is_refused() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 1).unwrap();
    let stale = {
        let view = clinic.0.view().unwrap();
        let id = Id::parse("a").unwrap();
        let now = current(&*view, Clinic::kind(), &id).unwrap().unwrap();
        batch(&*view, &[Change::delete(&now, Instant::from_millis(2))]).unwrap()
    };
    clinic.put("a", "y", 3).unwrap();
    assert!(matches!(clinic.0.commit(stale), Err(store::Error::Conflict)));
}

#[test]
fn history_is_newest_first_and_pages_meet() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 1).unwrap();
    clinic.put("b", "x", 2).unwrap();
    clinic.delete("a", 3);
    clinic.put("a", "y", 4).unwrap();
    let all = ["a/3", "a/2", "b/1", "a/1"];
    for scope in [Scope::System, Scope::Type(Clinic::kind())] {
        assert_eq!(clinic.pages(&scope, None, 10), [all.to_vec()]);
        let [first, second] = [&all[..2], &all[2..]];
        assert_eq!(clinic.pages(&scope, None, 2), [first, second]);
        assert_eq!(clinic.pages(&scope, Some(3), 10), [["a/3", "a/2"]]);
    }
    let instance = Scope::Instance(Clinic::kind(), Id::parse("a").unwrap());
    assert_eq!(clinic.pages(&instance, None, 2), [vec!["a/3", "a/2"], vec!["a/1"]]);
    assert_eq!(clinic.pages(&instance, Some(4), 10), [["a/3"]]);
    let other = Scope::Type(ResourceType::parse("Patient").unwrap());
    assert_eq!(clinic.pages(&other, None, 10), [Vec::<String>::new()]);
}

/// The oldest first; what was current in a time; what is listed: on pages of each size, for one
/// resource and for all, and back again.
#[test]
fn history_is_walked_from_either_end_and_narrowed() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 100_000).unwrap();
    clinic.put("b", "x", 200_000).unwrap();
    clinic.delete("a", 300_000);
    clinic.put("a", "y", 400_000).unwrap();
    clinic.put("b", "y", 500_000).unwrap();
    let kind = Clinic::kind();
    let id = |text: &str| Id::parse(text).unwrap();
    let at = |first, last| Wanted { at: Some(first..=last), ..Wanted::default() };
    let listed = |list: &[(&str, &[u64])]| {
        let of = |(name, only): &(&str, &[u64])| {
            ((kind, id(name)), only.iter().map(|number| VersionId(*number)).collect())
        };
        Wanted { listed: Some(list.iter().map(of).collect()), ..Wanted::default() }
    };
    let since = Wanted { since: Some(Instant::from_millis(300_000)), ..Wanted::default() };
    for (wanted, expected) in [
        (Wanted::default(), "a/1 b/1 a/2 a/3 b/2"),
        (since, "a/2 a/3 b/2"),
        (at(0, 99_999), ""),
        (at(0, 100_000), "a/1"),
        (at(250_000, 250_000), "a/1 b/1"),
        (at(299_999, 300_000), "a/1 b/1 a/2"),
        (at(300_000, 300_000), "b/1 a/2"),
        (at(350_000, 450_000), "b/1 a/2 a/3"),
        (at(600_000, i64::MAX), "a/3 b/2"),
        (listed(&[("a", &[])]), "a/1 a/2 a/3"),
        (listed(&[("a", &[2, 9]), ("b", &[1]), ("none", &[])]), "b/1 a/2"),
        (listed(&[]), ""),
    ] {
        let expected: Vec<&str> = expected.split_whitespace().collect();
        for count in 1..=5 {
            for ascending in [true, false] {
                let walk = Walk { ascending, count, from: None };
                for scope in [Scope::System, Scope::Type(kind), Scope::Instance(kind, id("a"))] {
                    let mut expected = expected.clone();
                    if matches!(scope, Scope::Instance(..)) {
                        expected.retain(|told| told.starts_with('a'));
                    }
                    if !ascending {
                        expected.reverse();
                    }
                    let pages = clinic.walked(&scope, &wanted, walk);
                    assert!(pages.iter().all(|page| page.len() <= count));
                    assert_eq!(pages.concat(), expected, "{wanted:?} {walk:?} {scope:?}");
                }
            }
        }
    }
}

#[test]
fn the_feed_tells_each_commit_once() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 1).unwrap();
    clinic.put("b", "x", 2).unwrap();
    let view = clinic.0.view().unwrap();
    let events: Vec<Event> = feed::after(&*view, 1).map(Result::unwrap).collect();
    assert_eq!(events.len(), 1);
    assert_eq!((events[0].seq, events[0].changes[0].id.as_str()), (2, "b"));
    drop(view);
    // A commit that changes no resource has no event.
    clinic.0.commit(store::Batch::default()).unwrap();
    let view = clinic.0.view().unwrap();
    assert_eq!((view.seq(), feed::last(&*view).unwrap()), (3, 2));
}

/// What the index keeps beside a key goes when the new version has nothing to keep there.
#[test]
fn what_stands_beside_an_index_key_is_that_of_the_current_version() {
    let clinic = Clinic::new();
    let id = Id::parse("a").unwrap();
    for value in [&b"told"[..], b"", b"again"] {
        let resource = Resource::from_value(json!({ "resourceType": "Basic" })).unwrap();
        let batch = {
            let view = clinic.0.view().unwrap();
            let now = current(&*view, Clinic::kind(), &id).unwrap();
            let entry = |_: &Resource| {
                let parts = vec![b"x".to_vec()];
                vec![Entry { parameter: "code".into(), parts, value: value.to_vec() }]
            };
            let at = Instant::from_millis(1);
            let change = Change::write(now.as_ref(), Method::Put, id.clone(), resource, at, entry);
            batch(&*view, &[change]).unwrap()
        };
        clinic.0.commit(batch).unwrap();
        let view = clinic.0.view().unwrap();
        let row = view.get(&key::index(Clinic::kind(), "code", &[b"x"], &id)).unwrap().unwrap();
        assert_eq!(row.value, value);
    }
}

/// Laid over with what has changed since, a view shows the moment after a commit: current versions
/// and index rows, whatever was written, deleted or created since.
#[test]
fn an_earlier_moment() {
    let clinic = Clinic::new();
    clinic.put("a", "x", 1).unwrap();
    clinic.put("b", "y", 2).unwrap();
    clinic.put("c", "z", 3).unwrap();
    clinic.delete("c", 4);
    let (before, seen) = (clinic.index(), clinic.0.view().unwrap().seq());
    clinic.put("a", "other", 5).unwrap();
    clinic.put("a", "third", 6).unwrap();
    clinic.delete("b", 7);
    clinic.put("c", "back", 8).unwrap();
    clinic.put("d", "new", 9).unwrap();
    assert_ne!(clinic.index(), before);
    let view = clinic.0.view().unwrap();
    let entries = |resource: &Resource| {
        let code = resource.value()["code"]["text"].as_str().unwrap().as_bytes().to_vec();
        vec![Entry { parameter: "code".into(), parts: vec![code], value: Vec::new() }]
    };
    let batch = past(&*view, seen, 4, entries).unwrap().unwrap();
    let then = Overlay::new(&*view, &batch);
    let index = then.scan(key::index_range(Clinic::kind(), "code", &[], &[])).map(|row| {
        let (parts, id) = key::index_parts(&row.unwrap().key).unwrap();
        (String::from_utf8(parts[0].clone()).unwrap(), id.to_string())
    });
    assert_eq!(index.collect::<Vec<_>>(), before);
    for (id, version, is_there) in
        [("a", Some(1), true), ("b", Some(1), true), ("c", Some(2), false), ("d", None, false)]
    {
        let found = current(&then, Clinic::kind(), &Id::parse(id).unwrap()).unwrap();
        assert_eq!(found.as_ref().map(|stored| stored.version), version.map(VersionId), "{id}");
        assert_eq!(found.is_some_and(|stored| stored.body.is_some()), is_there, "{id}");
    }
    assert!(past(&*view, seen, 3, entries).unwrap().is_none(), "more has changed than is allowed");
}
