//! Index entries of resources, driven by SearchParameter definitions.

/// One row of the index: that a resource has a value for a search parameter.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Entry {
    /// The parameter's code.
    pub parameter: String,
    /// The value, encoded so that byte order is its order, part by part.
    pub parts: Vec<Vec<u8>>,
    /// What is kept beside the key, such as the text before it was folded.
    pub value: Vec<u8>,
}
