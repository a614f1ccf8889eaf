//! Words of texts, for `_text` and `_content`.
//!
//! Key: `[folded word]`, nothing beside it. Under `_text` stand the words of the narrative, under
//! `_content` those of all other texts; a search of the content asks both. Texts are what people
//! write and read: strings, markdown, XHTML, and the codes of Codings. What a machine reads (URIs,
//! dates, numbers, flags, references) is found by parameters of its own type.
//! Source: <http://hl7.org/fhir/R4/search.html#text>.

use std::collections::BTreeSet;

use serde_json::Value;

use super::key::Key;
use super::string::{cut, fold};
use crate::definitions::model::Model;

/// The parameter for the words of the narrative.
pub const TEXT: &str = "_text";
/// The parameter for all words.
pub const CONTENT: &str = "_content";

/// Texts longer than this without a blank are data, not language.
const LONGEST_WORD: usize = 256;

/// The words of a text, folded as strings are for search.
pub fn split(text: &str) -> Vec<String> {
    let parts = text.split(|c: char| !(c.is_alphanumeric() || c == '\'' || is_mark(c)));
    parts.map(fold).filter(|word| !word.is_empty()).collect()
}

/// Combining marks belong to the letter before them.
fn is_mark(letter: char) -> bool {
    unicode_normalization::char::is_combining_mark(letter)
}

/// The part of a key for a word.
pub fn part(word: &str) -> Vec<u8> {
    cut(word).as_bytes().to_vec()
}

/// The keys of a resource's narrative, or of all else in it.
pub(super) fn keys(model: &Model, resource: &Value, narrative: bool, keys: &mut Vec<Key>) {
    let texts = if narrative { of_narrative(resource) } else { of_others(model, resource) };
    let words: BTreeSet<Vec<u8>> = texts.iter().flatten().map(|word| part(word)).collect();
    keys.extend(words.into_iter().map(|word| Key { parts: vec![word], ..Key::default() }));
}

/// The words of a resource's narrative, text by text.
pub fn of_narrative(resource: &Value) -> Vec<Vec<String>> {
    let div = resource.pointer("/text/div").and_then(Value::as_str);
    div.map(|div| vec![split(&plain(div))]).unwrap_or_default()
}

/// The words of all texts of a resource but its narrative, text by text.
pub fn of_others(model: &Model, resource: &Value) -> Vec<Vec<String>> {
    let mut found = Vec::new();
    collect(model, "Resource", resource, true, &mut found);
    found
}

/// Adds the texts below a value of that type.
fn collect(
    model: &Model,
    kind: &str,
    value: &Value,
    outermost: bool,
    found: &mut Vec<Vec<String>>,
) {
    let Some(members) = value.as_object() else { return };
    let kind = value.get("resourceType").and_then(Value::as_str).unwrap_or(kind);
    for (name, member) in members {
        let (below, of_primitive) = match name.strip_prefix('_') {
            Some(_) => ("Element", true),
            None => match model.member(kind, name) {
                Some((_, found)) => (found.code.as_str(), false),
                None => continue,
            },
        };
        let narrative = outermost && name == "text" && below == "Narrative";
        if narrative || name == "id" || (kind, name.as_str()) == ("Reference", "reference") {
            continue;
        }
        let items = match member {
            Value::Array(items) => items.as_slice(),
            one => std::slice::from_ref(one),
        };
        for item in items {
            match item {
                Value::String(text) if !of_primitive => found.extend(words_of(kind, below, text)),
                _ => collect(model, below, item, false, found),
            }
        }
    }
}

/// The words of a primitive, if it is a text.
fn words_of(owner: &str, kind: &str, text: &str) -> Option<Vec<String>> {
    match kind {
        "xhtml" => Some(split(&plain(text))),
        "string" | "markdown" => {
            let language = text.len() <= LONGEST_WORD || text.contains(' ');
            language.then(|| split(text))
        }
        "code" if owner == "Coding" => Some(split(text)),
        _ => None,
    }
}

/// What people read of XHTML; the text as it is where it cannot be read as XML.
fn plain(div: &str) -> String {
    let Ok(document) = roxmltree::Document::parse(div) else { return div.to_owned() };
    let texts = document.descendants().filter_map(|node| node.text().filter(|_| node.is_text()));
    texts.collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn texts_of_resources() {
        let resource = json!({ "resourceType": "Observation", "id": "stiff-1", "status": "final",
            "text": { "div": "<div><p>stiff</p><b>neck</b></div>" },
            "code": { "coding": [{ "system": "urn:x", "code": "M54.2", "display": "Cervicalgia" }] },
            "note": [{ "text": "worse in the morning", "time": "2026-03-02" }], "valueInteger": 3,
            "_status": { "extension": [{ "url": "urn:y", "valueString": "by phone" }] },
            "contained": [{ "resourceType": "Basic", "text": { "div": "<div>inner</div>" } }] });
        assert_eq!(of_narrative(&resource), [["stiff", "neck"]]);
        let others: Vec<_> =
            of_others(&Model::standard().unwrap(), &resource).into_iter().flatten().collect();
        assert_eq!(
            others,
            ["m54", "2", "cervicalgia", "worse", "in", "the", "morning", "by", "phone", "inner"]
        );
    }

    #[test]
    fn each_word_has_one_key() {
        let resource = json!({ "resourceType": "Basic", "code": { "text": "Neck, neck: NÉCK" } });
        let mut found = Vec::new();
        keys(&Model::standard().unwrap(), &resource, false, &mut found);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].parts.clone(), found[0].value.len()), (vec![b"neck".to_vec()], 0));
    }
}
