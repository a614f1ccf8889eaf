//! Finding by name where it happens for every element: members of small objects, and tables of our
//! own.
//!
//! The hash of the standard library withstands keys that are chosen to collide, which takes longer
//! than looking through the dozen members of an element. The tables hold names of the definitions
//! only, so nobody who sends a resource can fill them.

use std::hash::{BuildHasherDefault, Hasher};

use serde_json::{Map, Value};

/// A table whose keys come from the definitions.
pub(super) type Table<K, V> = std::collections::HashMap<K, V, BuildHasherDefault<Mix>>;

/// A hash by multiplication, eight bytes at a time.
#[derive(Default)]
pub(super) struct Mix(u64);

impl Mix {
    fn word(&mut self, word: u64) {
        self.0 = (self.0.rotate_left(5) ^ word).wrapping_mul(0x517c_c1b7_2722_0a95);
    }
}

impl Hasher for Mix {
    fn write(&mut self, bytes: &[u8]) {
        let (words, rest) = bytes.as_chunks::<8>();
        words.iter().for_each(|word| self.word(u64::from_le_bytes(*word)));
        let last = rest.iter().fold(0_u64, |last, byte| last << 8 | u64::from(*byte));
        self.word(last ^ (bytes.len() as u64) << 56);
    }

    fn finish(&self) -> u64 {
        // The upper bits are the well mixed ones.
        self.0.rotate_left(26)
    }
}

/// Up to how many members are looked through one after the other.
const FEW: usize = 16;

/// The member of an object.
pub(super) fn member<'v>(object: &'v Map<String, Value>, name: &str) -> Option<&'v Value> {
    if object.len() > FEW {
        return object.get(name);
    }
    object.iter().find(|(key, _)| key.as_str() == name).map(|(_, value)| value)
}

/// The member of a value that is an object.
pub(super) fn get<'v>(value: &'v Value, name: &str) -> Option<&'v Value> {
    member(value.as_object()?, name)
}

/// The member of a value, where that is a text.
pub(super) fn text<'v>(value: &'v Value, name: &str) -> Option<&'v str> {
    get(value, name)?.as_str()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn members_are_found_in_small_and_large_objects() {
        for size in [0, 1, FEW, FEW + 1, 100] {
            let object: Map<String, Value> = (0..size).map(|n| (n.to_string(), n.into())).collect();
            for at in 0..=size {
                let name = at.to_string();
                assert_eq!(member(&object, &name), object.get(&name), "{at} of {size}");
            }
        }
        assert_eq!(get(&Value::Null, "a"), None);
    }

    #[test]
    fn tables_find_what_they_hold() {
        let names = (0..10_000).map(|n| format!("http://hl7.org/fhir/{n}"));
        let table: Table<String, usize> = names.clone().zip(0..).collect();
        assert!(names.zip(0..).all(|(name, at)| table.get(&name) == Some(&at)));
    }
}
