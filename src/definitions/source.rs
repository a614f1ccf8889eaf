//! Published examples and cases as text, for the tests beside the code.

#[path = "../../tests/shared/mod.rs"]
mod shared;

/// A file of the published facts; none, with a word on stderr, where it is not at hand.
pub(crate) fn read(path: &str) -> Option<String> {
    shared::find(path).and_then(|path| std::fs::read_to_string(path).ok())
}
