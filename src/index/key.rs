//! One index key before it has a parameter, and what the row's value holds.
//!
//! A row's value is a list of items between zero bytes: what a search must know of the values
//! behind the key but not order by. Two values with one key share a row and its list.

/// What one value is found by.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Key {
    /// Appended to the parameter's name: `:identifier` for the other side of a reference.
    pub suffix: &'static str,
    /// The parts, in the order of the search.
    pub parts: Vec<Vec<u8>>,
    /// The row's items.
    pub value: Vec<u8>,
}

impl Key {
    /// A key of these parts, with an empty value.
    pub fn new<const N: usize>(parts: [&[u8]; N]) -> Self {
        Self { parts: parts.map(<[u8]>::to_vec).to_vec(), ..Self::default() }
    }

    /// The same key with these items in its value.
    #[must_use]
    pub fn with(mut self, items: impl IntoIterator<Item = String>) -> Self {
        let items: Vec<String> = items.into_iter().collect();
        self.value = items.join("\0").into_bytes();
        self
    }
}

/// The items of a row's value.
pub fn items(value: &[u8]) -> impl Iterator<Item = &str> {
    value.split(|byte| *byte == 0).map(|item| std::str::from_utf8(item).unwrap_or_default())
}

/// The lists of two rows with the same key as one. An empty list says "as the key has it", and so
/// becomes an empty item.
pub fn merge(one: &[u8], other: &[u8]) -> Vec<u8> {
    let mut merged: Vec<&str> = Vec::new();
    for item in items(one).chain(items(other)) {
        if !merged.contains(&item) {
            merged.push(item);
        }
    }
    merged.join("\0").into_bytes()
}
