//! The store's promises as tests that every backend runs.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use super::{Batch, Error, Expect, Seq, Store, feed_key};

/// Runs every promise against fresh stores.
pub(crate) fn check<S: Store>(fresh: &dyn Fn() -> S) {
    keys_come_in_byte_order(&fresh());
    a_stale_expectation_writes_nothing(&fresh());
    a_newcomer_in_a_watched_range_is_refused(&fresh());
    of_eight_racing_writers_one_wins(&fresh());
    commits_are_numbered_without_gaps(&fresh());
    a_view_never_sees_half_a_batch(&fresh());
}

fn put(key: &[u8], value: &[u8]) -> (Vec<u8>, Option<Vec<u8>>) {
    (key.to_vec(), Some(value.to_vec()))
}

fn batch(writes: Vec<(Vec<u8>, Option<Vec<u8>>)>) -> Batch {
    Batch { writes, ..Batch::default() }
}

fn keys(store: &dyn Store, from: &[u8], to: &[u8]) -> Vec<Vec<u8>> {
    let view = store.view().unwrap();
    view.scan(from.to_vec()..to.to_vec()).map(|row| row.unwrap().key).collect()
}

fn keys_come_in_byte_order(store: &dyn Store) {
    let unordered: [&[u8]; 5] = [b"\x02b", b"\x02\xff", b"\x02a\x00", b"\x02a", b"\x03"];
    store.commit(batch(unordered.map(|key| put(key, b"v")).to_vec())).unwrap();
    let expected: [&[u8]; 4] = [b"\x02a", b"\x02a\x00", b"\x02b", b"\x02\xff"];
    assert_eq!(keys(store, b"\x02", b"\x03"), expected);
    let view = store.view().unwrap();
    let last = view.scan(b"\x02".to_vec()..b"\x03".to_vec()).next_back().unwrap().unwrap();
    assert_eq!(last.key, b"\x02\xff");
    assert_eq!(view.scan(b"\x03".to_vec()..b"\x02".to_vec()).count(), 0);
}

fn a_stale_expectation_writes_nothing(store: &dyn Store) {
    let first = store.commit(batch(vec![put(b"\x02a", b"1")])).unwrap();
    for stale in [None, Some(first + 1)] {
        let refused = Batch {
            expects: vec![Expect::At(b"\x02a".to_vec(), stale)],
            writes: vec![put(b"\x02a", b"2"), put(b"\x02b", b"2")],
            event: Some(b"e".to_vec()),
        };
        assert!(matches!(store.commit(refused), Err(Error::Conflict)));
    }
    assert_eq!(keys(store, b"\x02", b"\x03"), [b"\x02a"]);
    let view = store.view().unwrap();
    assert_eq!(view.seq(), first);
    assert_eq!(view.get(b"\x02a").unwrap().unwrap().value, b"1");
    drop(view);
    let expects = vec![Expect::At(b"\x02a".to_vec(), Some(first))];
    let writes = vec![(b"\x02a".to_vec(), None)];
    store.commit(Batch { expects, writes, event: None }).unwrap();
    assert!(keys(store, b"\x02", b"\x03").is_empty());
}

fn a_newcomer_in_a_watched_range_is_refused(store: &dyn Store) {
    let before = store.commit(batch(vec![put(b"\x02a", b"1")])).unwrap();
    let watched = || Expect::NoneNewer(b"\x02".to_vec()..b"\x03".to_vec(), before);
    let insert =
        |key: &[u8]| Batch { expects: vec![watched()], writes: vec![put(key, b"1")], event: None };
    store.commit(batch(vec![put(b"\x03x", b"outside")])).unwrap();
    store.commit(insert(b"\x02b")).unwrap();
    assert!(matches!(store.commit(insert(b"\x02c")), Err(Error::Conflict)));
}

fn of_eight_racing_writers_one_wins(store: &dyn Store) {
    let won = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for writer in 0..8_u8 {
            let won = &won;
            scope.spawn(move || {
                let expects = vec![Expect::At(b"\x02a".to_vec(), None)];
                let writes = vec![put(b"\x02a", &[writer])];
                match store.commit(Batch { expects, writes, event: None }) {
                    Ok(_) => won.fetch_add(1, Ordering::SeqCst),
                    Err(Error::Conflict) => 0,
                    Err(error) => panic!("{error:?}"),
                };
            });
        }
    });
    assert_eq!(won.load(Ordering::SeqCst), 1);
}

fn commits_are_numbered_without_gaps(store: &dyn Store) {
    std::thread::scope(|scope| {
        for writer in 0..4_u8 {
            scope.spawn(move || {
                for number in 0..25_u8 {
                    let writes = vec![put(&[2, writer, number], b"v")];
                    let event = Some(vec![writer, number]);
                    store.commit(Batch { event, ..batch(writes) }).unwrap();
                }
            });
        }
    });
    assert_eq!(*store.head().borrow(), 100);
    let view = store.view().unwrap();
    for seq in 1..=100 as Seq {
        let event = view.get(&feed_key(seq)).unwrap().unwrap();
        assert_eq!(event.seq, seq);
        let mut key = vec![2];
        key.extend(event.value);
        assert_eq!(view.get(&key).unwrap().unwrap().seq, seq, "event and row of one commit");
    }
}

fn a_view_never_sees_half_a_batch(store: &dyn Store) {
    let rows = 200_u8;
    let write = |value: u8| batch((0..rows).map(|row| put(&[2, row], &[value])).collect());
    store.commit(write(0)).unwrap();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for value in 1..=60 {
                store.commit(write(value)).unwrap();
            }
            done.store(true, Ordering::SeqCst);
        });
        while !done.load(Ordering::SeqCst) {
            let view = store.view().unwrap();
            let values: Vec<_> =
                view.scan(vec![2]..vec![3]).map(|row| row.unwrap().value).collect();
            assert_eq!(values.len(), usize::from(rows));
            assert!(values.windows(2).all(|pair| pair[0] == pair[1]), "two batches in one view");
        }
    });
}
