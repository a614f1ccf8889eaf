//! Rows that were looked up lately, kept as they were given.
//!
//! The engine keeps pages, each with many rows, and must find its way through several for one row.
//! What is looked up again is found here at once, and takes no more memory than itself. Which rows
//! stay is decided as a clock does: those that were not asked for again since the hand came by go.

use std::collections::hash_map::RandomState;
use std::collections::{HashMap, VecDeque};
use std::hash::BuildHasher;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// In how many parts the rows are kept, so that threads do not wait for each other.
const PARTS: usize = 64;

/// What a row takes beside its bytes, about.
const OVERHEAD: usize = 128;

/// One row may take this fraction of a part at most, so that a large one does not displace all.
const SHARE: usize = 8;

/// Values of rows by their keys, as the engine has them.
pub(super) struct Recent {
    parts: Vec<Mutex<Part>>,
    hasher: RandomState,
    /// How many bytes each part may take.
    most: usize,
}

#[derive(Default)]
struct Part {
    rows: HashMap<Arc<[u8]>, Kept>,
    /// The keys in the order in which the hand comes by.
    clock: VecDeque<Arc<[u8]>>,
    bytes: usize,
}

struct Kept {
    value: Arc<[u8]>,
    asked_again: bool,
}

impl Recent {
    /// Room for so many bytes.
    pub(super) fn new(bytes: u64) -> Self {
        let most = usize::try_from(bytes).unwrap_or(usize::MAX) / PARTS;
        let parts = (0..PARTS).map(|_| Mutex::default()).collect();
        Self { parts, hasher: RandomState::new(), most }
    }

    /// The value, if it is kept.
    pub(super) fn get(&self, key: &[u8]) -> Option<Arc<[u8]>> {
        let mut part = self.part(key)?;
        let kept = part.rows.get_mut(key)?;
        kept.asked_again = true;
        Some(Arc::clone(&kept.value))
    }

    /// Keeps the value that was found.
    pub(super) fn put(&self, key: &[u8], value: &[u8]) {
        let size = key.len() + value.len() + OVERHEAD;
        if size > self.most / SHARE {
            return;
        }
        let Some(mut part) = self.part(key) else { return };
        if part.rows.contains_key(key) {
            return;
        }
        let key: Arc<[u8]> = key.into();
        part.rows.insert(Arc::clone(&key), Kept { value: value.into(), asked_again: false });
        part.clock.push_back(key);
        part.bytes += size;
        part.shrink(self.most);
    }

    /// Forgets the value, as another will be written.
    pub(super) fn forget(&self, key: &[u8]) {
        if let Some(mut part) = self.part(key) {
            part.remove(key);
        }
    }

    fn part(&self, key: &[u8]) -> Option<MutexGuard<'_, Part>> {
        let at = usize::try_from(self.hasher.hash_one(key) % PARTS as u64).ok()?;
        self.parts.get(at).map(|part| part.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Part {
    /// The key may stay on the clock; the hand passes over what is gone.
    fn remove(&mut self, key: &[u8]) {
        if let Some(kept) = self.rows.remove(key) {
            self.bytes -= key.len() + kept.value.len() + OVERHEAD;
        }
    }

    fn shrink(&mut self, most: usize) {
        while self.bytes > most {
            let Some(key) = self.clock.pop_front() else { return };
            match self.rows.get_mut(&key) {
                Some(kept) if kept.asked_again => {
                    kept.asked_again = false;
                    self.clock.push_back(key);
                }
                Some(_) => self.remove(&key),
                None => {}
            }
        }
        // Keys of rows that were forgotten must not gather where nothing has to go.
        if self.clock.len() > 2 * self.rows.len() + PARTS {
            let rows = &self.rows;
            let mut seen = std::collections::HashSet::new();
            self.clock.retain(|key| rows.contains_key(key) && seen.insert(Arc::clone(key)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes_of(recent: &Recent) -> usize {
        recent.parts.iter().map(|part| part.lock().unwrap().bytes).sum()
    }

    #[test]
    fn what_is_asked_for_stays_and_the_rest_goes() {
        let room = 64 * 1024 * 16;
        let recent = Recent::new(room);
        for round in 0..20_u32 {
            for number in 0..500_u32 {
                let key = [round.to_be_bytes(), number.to_be_bytes()].concat();
                recent.put(&key, &[7; 400]);
            }
            recent.put(b"again", b"value");
            assert_eq!(recent.get(b"again").as_deref(), Some(b"value".as_slice()));
        }
        assert!(bytes_of(&recent) <= usize::try_from(room).unwrap());
        assert_eq!(recent.get(&[0; 8]), None);
    }

    #[test]
    fn what_is_written_is_forgotten() {
        let recent = Recent::new(64 * 1024 * 16);
        recent.put(b"key", b"one");
        recent.forget(b"key");
        assert_eq!(recent.get(b"key"), None);
        assert_eq!(bytes_of(&recent), 0);
        for number in 0..10_000_u32 {
            recent.put(b"key", &number.to_be_bytes());
            assert_eq!(recent.get(b"key").as_deref(), Some(number.to_be_bytes().as_slice()));
            recent.forget(b"key");
        }
        let clocks: usize = recent.parts.iter().map(|part| part.lock().unwrap().clock.len()).sum();
        assert!(clocks <= 3 * PARTS, "{clocks}");
        recent.put(b"large", &[0; 16 * 1024]);
        assert_eq!(recent.get(b"large"), None);
    }
}
