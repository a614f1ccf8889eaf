//! Composites: parts that belong together, such as the code and the value of one component.
//!
//! Key: the parts of the keys of each component in turn, one key for each combination that one value
//! of the composite holds. Item list: those of the components, each with its length before it.
//! Source: <http://hl7.org/fhir/R4/search.html#composite>.

use super::key::{self, Key};
use crate::definitions::search_parameter::ParameterType;

/// How many parts the keys of a parameter of that type have; none for types that are no component.
pub fn arity(kind: ParameterType) -> Option<usize> {
    match kind {
        ParameterType::String | ParameterType::Number => Some(1),
        ParameterType::Token
        | ParameterType::Reference
        | ParameterType::Date
        | ParameterType::Uri => Some(2),
        ParameterType::Quantity => Some(4),
        ParameterType::Composite | ParameterType::Special => None,
    }
}

/// The most combinations that one value of a composite is indexed by, unless one component alone has
/// more keys.
const MOST: usize = 256;

/// The keys of one value of a composite, from those of its components.
pub fn combine(components: &[Vec<Key>]) -> Vec<Key> {
    let mut combined = vec![Key::default()];
    let most = components.iter().map(Vec::len).fold(MOST, usize::max);
    for keys in components {
        let plain = keys.iter().filter(|key| key.suffix.is_empty());
        let plain: Vec<&Key> = plain.collect();
        combined =
            combined.iter().flat_map(|head| plain.iter().map(|key| join(head, key))).collect();
        combined.truncate(most);
    }
    combined
}

fn join(head: &Key, key: &Key) -> Key {
    let mut joined = head.clone();
    joined.parts.extend(key.parts.iter().cloned());
    joined.value.extend(u32::try_from(key.value.len()).unwrap_or_default().to_be_bytes());
    joined.value.extend(&key.value);
    joined
}

/// The item lists of two rows with the same key as one, component by component.
pub(super) fn merge(one: &[u8], other: &[u8], components: usize) -> Vec<u8> {
    let mut merged = Key::default();
    for place in 0..components {
        let value = key::merge(component(one, place), component(other, place));
        merged = join(&merged, &Key { value, ..Key::default() });
    }
    merged.value
}

/// The value of the component at that place, from the value of a row.
pub fn component(value: &[u8], place: usize) -> &[u8] {
    let mut rest = value;
    for at in 0..=place {
        let Some((length, after)) = rest.split_first_chunk::<4>() else { return &[] };
        let length = usize::try_from(u32::from_be_bytes(*length)).unwrap_or(usize::MAX);
        let Some((own, after)) = after.split_at_checked(length) else { return &[] };
        if at == place {
            return own;
        }
        rest = after;
    }
    &[]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(items: [&str; 2]) -> Vec<u8> {
        let key = |items: &str| Key::new([b"k"]).with([items.to_owned()]);
        combine(&[vec![key(items[0])], vec![key(items[1])]]).remove(0).value
    }

    /// Two components of one code and one number, with different texts and bounds.
    #[test]
    fn rows_of_one_key_keep_the_items_of_both() {
        let merged = merge(&row(["ta", "h5"]), &row(["tb", "h5"]), 2);
        let items = |place| key::items(component(&merged, place)).collect::<Vec<_>>();
        assert_eq!((items(0), items(1)), (vec!["ta", "tb"], vec!["h5"]));
        assert!(component(&merged, 2).is_empty());
    }
}
