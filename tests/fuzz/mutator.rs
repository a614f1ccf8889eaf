//! Changes to inputs, on trees and on bytes; the same seed makes the same changes.

use serde_json::{Map, Value, json};

use super::corpus::Corpus;

/// Splitmix64: small, quick, and the same everywhere.
/// Source: Steele, Lea, Flood, "Fast splittable pseudorandom number generators" (2014).
pub(crate) struct Random(u64);

impl Random {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.next() % limit.max(1) as u64).unwrap()
    }

    pub(crate) fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }

    /// True once in so many times.
    pub(crate) fn once_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }
}

/// Texts at which readers of JSON, dates, numbers, references, codes or expressions may trip.
const ODD_TEXTS: &[&str] = &[
    "",
    " ",
    "#",
    "#x",
    "\u{0}",
    "\u{feff}",
    "\u{202e}a",
    "é\u{301}",
    "𝒳",
    "urn:uuid:",
    "urn:oid:1",
    "Patient/",
    "Patient/x/_history/",
    "Patient?identifier=a|b",
    "http://",
    "https://spondyl.example/fhir/StructureDefinition/segmental-mobility|",
    "http://unitsofmeasure.org",
    "10*23",
    "m/s2.kg{a}/(((",
    "2026-02-29T24:60:61.999999999999999999999Z",
    "0000",
    "9999-12-31T23:59:60+14:00",
    "QQ==",
    "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>&nbsp;&#x0;</p></div>",
    "<div xmlns=\"http://www.w3.org/1999/xhtml\"><!DOCTYPE a [<!ENTITY b \"c\">]>&b;</div>",
    "$this.repeat(children()).where(a='b')",
    "%resource.descendants()",
    "true",
    "-0",
    "1e400",
];

const ODD_NUMBERS: &[&str] = &[
    "0",
    "-0",
    "-0.0",
    "1e999",
    "1E-999",
    "9007199254740993",
    "-2147483649",
    "4294967296",
    "0.00000000000000000000000000000000001",
    "123456789012345678901234567890.123456789",
    "1.0",
];

/// Pieces for changes of bytes.
const TOKENS: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    ":",
    ",",
    "\"",
    "\\",
    "\\u0000",
    "\\ud800",
    "\\udc00",
    "null",
    "true",
    "1e999",
    "-",
    ".",
    "\u{feff}",
    "/*",
    "//",
    "\n",
    "\"resourceType\":\"Patient\"",
    "\"_\":",
    "\"id\":",
    "[[[[[[[[[[[[[[[[",
    "{\"a\":{\"a\":{\"a\":",
];

/// A seed with some changes.
pub(crate) fn input(corpus: &Corpus, random: &mut Random) -> Vec<u8> {
    if !corpus.kept.is_empty() && random.once_in(50) {
        let mut bytes = random.pick(&corpus.kept).clone();
        change_bytes(&mut bytes, random);
        return bytes;
    }
    let mut tree = random.pick(&corpus.trees).clone();
    for _ in 0..=random.below(4) {
        change_tree(&mut tree, corpus, random);
    }
    if random.once_in(6) {
        tree = wrapped(tree, random);
    }
    let mut bytes = tree.to_string().into_bytes();
    if random.once_in(4) {
        for _ in 0..=random.below(3) {
            change_bytes(&mut bytes, random);
        }
    }
    bytes.truncate(1 << 16);
    bytes
}

/// The resource where another one holds it.
fn wrapped(tree: Value, random: &mut Random) -> Value {
    match random.below(3) {
        0 => json!({ "resourceType": "Parameters",
            "parameter": [{ "name": "resource", "resource": tree }] }),
        1 => json!({ "resourceType": "Bundle", "type": "collection",
            "entry": [{ "fullUrl": "urn:uuid:0f5c1c7a-8d1e-4a57-9d3b-3f1f6a0c2b11",
                "resource": tree }] }),
        _ => json!({ "resourceType": "Observation", "status": "final", "code": { "text": "a" },
            "contained": [tree], "subject": { "reference": "#p" } }),
    }
}

/// Some place in the tree; each step down is a throw of the dice.
fn place<'a>(tree: &'a mut Value, random: &mut Random) -> &'a mut Value {
    let mut at = tree;
    loop {
        let children = match &*at {
            Value::Object(object) => object.len(),
            Value::Array(list) => list.len(),
            _ => 0,
        };
        if children == 0 || random.once_in(4) {
            return at;
        }
        let child = random.below(children);
        at = match at {
            Value::Object(object) => object.values_mut().nth(child).unwrap(),
            Value::Array(list) => &mut list[child],
            _ => unreachable!("it has children"),
        };
    }
}

fn odd(corpus: &Corpus, random: &mut Random) -> Value {
    match random.below(8) {
        0 => Value::Null,
        1 => json!(random.once_in(2)),
        2 => serde_json::from_str(random.pick::<&str>(ODD_NUMBERS)).unwrap(),
        3 | 4 => json!(random.pick(ODD_TEXTS)),
        5 => json!("a".repeat(random.below(3000))),
        6 => {
            let mut deep = json!({});
            for _ in 0..random.below(70) {
                deep = if random.once_in(2) { json!([deep]) } else { json!({ "extension": deep }) };
            }
            deep
        }
        _ => random.pick(&corpus.parts).clone(),
    }
}

fn change_tree(tree: &mut Value, corpus: &Corpus, random: &mut Random) {
    let part = random.pick(&corpus.parts).clone();
    let strange = odd(corpus, random);
    let name = random.pick(&corpus.names).clone();
    let name = if random.once_in(8) { format!("_{name}") } else { name };
    let kind = random.below(9);
    let at = place(tree, random);
    match (kind, at) {
        (0 | 1, at) => *at = part,
        (2, at) => *at = strange,
        (3, at) => *at = json!([at.take()]),
        (4 | 5, Value::Object(object)) => drop(object.insert(name, part)),
        (6, Value::Object(object)) => rename(object, name, random),
        (7, Value::Object(object)) => {
            let gone = object.keys().nth(random.below(object.len())).cloned();
            gone.into_iter().for_each(|gone| drop(object.shift_remove(&gone)));
        }
        (4 | 5, Value::Array(list)) => list.push(part),
        (6, Value::Array(list)) if !list.is_empty() => {
            let twice = list[random.below(list.len())].clone();
            list.push(twice);
        }
        (7, Value::Array(list)) if !list.is_empty() => drop(list.remove(random.below(list.len()))),
        (_, Value::String(text)) => {
            let at = random.below(text.chars().count() + 1);
            let mut changed: String = text.chars().take(at).collect();
            changed.push_str(random.pick::<&str>(ODD_TEXTS));
            changed.extend(text.chars().skip(at + random.below(3)));
            *text = changed;
        }
        (_, at) => *at = strange,
    }
}

fn rename(object: &mut Map<String, Value>, name: String, random: &mut Random) {
    let old = object.keys().nth(random.below(object.len())).cloned();
    if let Some(value) = old.and_then(|old| object.shift_remove(&old)) {
        object.insert(name, value);
    }
}

fn change_bytes(bytes: &mut Vec<u8>, random: &mut Random) {
    let at = random.below(bytes.len() + 1);
    let most = 1 << random.below(8);
    let end = (at + random.below(most)).min(bytes.len());
    match random.below(6) {
        0 => drop(bytes.drain(at..end)),
        1 => bytes.truncate(at),
        2 => {
            let piece = bytes[at..end].to_vec();
            let to = random.below(bytes.len() + 1);
            bytes.splice(to..to, piece);
        }
        3 => drop(bytes.splice(at..at, random.pick(TOKENS).bytes())),
        4 => bytes[at..end].iter_mut().for_each(|byte| *byte = byte.wrapping_add(1)),
        _ => {
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1 << random.below(8);
            }
        }
    }
}
