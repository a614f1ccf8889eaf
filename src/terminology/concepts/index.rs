//! Where a code stands in its table, in one or two steps.
//!
//! A table of places, found by the hash of the code; a code whose place is taken goes to the next
//! free one. The hash has a random key, so that nobody can write codes that all collide.

use std::hash::{BuildHasher, RandomState};

/// No place.
const FREE: u32 = u32::MAX;

/// The places of codes by their hash.
pub(super) struct Index {
    state: RandomState,
    /// A power of two of them, at least twice as many as codes.
    slots: Box<[u32]>,
}

impl Index {
    /// Of the codes at the places 0, 1, 2, …, each once.
    pub(super) fn new<'a>(codes: impl ExactSizeIterator<Item = &'a str>) -> Self {
        let size = (codes.len().max(1) * 2).next_power_of_two();
        let mut index = Self { state: RandomState::new(), slots: vec![FREE; size].into() };
        for (code, place) in codes.zip(0..) {
            let free = index.path(code).find(|at| index.slots.get(*at) == Some(&FREE));
            if let Some(slot) = free.and_then(|at| index.slots.get_mut(at)) {
                *slot = place;
            }
        }
        index
    }

    /// The place of a code; `is` tells whether a place is that of the code.
    pub(super) fn find(&self, code: &str, is: impl Fn(u32) -> bool) -> Option<u32> {
        let taken = self.path(code).map_while(|at| self.slots.get(at).filter(|p| **p != FREE));
        taken.copied().find(|place| is(*place))
    }

    /// Where to look for a code, one after the other.
    fn path(&self, code: &str) -> impl Iterator<Item = usize> + use<> {
        let size = self.slots.len();
        // The size is a power of two, and what is cut off does not matter.
        #[expect(clippy::cast_possible_truncation, reason = "a hash is as good in part")]
        let first = self.state.hash_one(code) as usize;
        (0..size).map(move |step| first.wrapping_add(step) & (size - 1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_is_found_and_no_other() {
        for count in [0_u32, 1, 2, 3, 1000] {
            let codes: Vec<String> = (0..count).map(|n| format!("c{n}")).collect();
            let index = Index::new(codes.iter().map(String::as_str));
            let find = |code: &str| index.find(code, |place| codes[place as usize] == code);
            for (code, place) in codes.iter().zip(0..) {
                assert_eq!(find(code), Some(place));
            }
            assert_eq!(find("none"), None);
        }
    }
}
