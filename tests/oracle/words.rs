//! Words of narrative and content: <http://hl7.org/fhir/R4/search.html#text>.

use serde_json::Value;

use crate::compare::fold;

/// The words of each text that a resource has: of its narrative, or of all strings and of the codes
/// of Codings.
fn texts(value: &Value, name: &str, narrative: bool, found: &mut Vec<Vec<String>>) {
    const STRINGS: [&str; 14] = [
        "text",
        "display",
        "family",
        "given",
        "city",
        "line",
        "postalCode",
        "unit",
        "valueString",
        "onsetString",
        "name",
        "version",
        "value",
        "code",
    ];
    let split = |text: &str| -> Vec<String> {
        let parts = text.split(|c: char| !(c.is_alphanumeric() || c == '\''));
        parts.map(fold).filter(|word| !word.is_empty()).collect()
    };
    match value {
        Value::String(text) if name == "div" => {
            let (_, inner) = text.split_once("<p>").unwrap();
            found.push(split(inner.split_once("</p>").unwrap().0));
        }
        Value::String(text) if !narrative && STRINGS.contains(&name) => found.push(split(text)),
        Value::Array(items) => items.iter().for_each(|item| texts(item, name, narrative, found)),
        Value::Object(members) => {
            for (inner, member) in members {
                // Quantities have a code that is no Coding's, and `class`, tags and labels are Codings.
                let is_coding = ["coding", "class", "tag", "security"].contains(&name);
                if inner == "code" && member.is_string() && !is_coding {
                    continue;
                }
                texts(member, inner, narrative, found);
            }
        }
        _ => {}
    }
}

/// Whether the words stand in the narrative, or anywhere: one word, two, or a phrase, with OR or NOT.
pub(crate) fn hold(resource: &Value, narrative: bool, asked: &str) -> bool {
    let mut all = Vec::new();
    texts(resource, "", narrative, &mut all);
    let has = |word: &str| all.iter().flatten().any(|own| *own == fold(word));
    if let Some(phrase) = asked.strip_prefix('"') {
        let phrase: Vec<_> = phrase.trim_end_matches('"').split(' ').map(str::to_owned).collect();
        return all.iter().any(|text| text.windows(phrase.len()).any(|window| window == phrase));
    }
    match asked.split(' ').collect::<Vec<_>>().as_slice() {
        [one] => has(one),
        ["NOT", one] => !has(one),
        [one, other] => has(one) && has(other),
        [one, "OR", other] => has(one) || has(other),
        [one, "NOT", other] => has(one) && !has(other),
        other => panic!("{other:?} is not asked"),
    }
}
