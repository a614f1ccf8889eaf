//! Where in a JSON text an element stands, as line and column.
//!
//! Looked up only when there is something to say, so a sound text costs nothing. Objects and arrays
//! are listed as they are met and kept, so many places in one large text cost little more than one.
//! The text must have been read without a fault before; of another, nothing is found.

use std::borrow::Cow;
use std::collections::HashMap;
use std::rc::Rc;

/// The places of one text.
pub struct Positions<'a> {
    text: &'a str,
    root: usize,
    /// The children of the objects and arrays that were met, by where these begin.
    lists: HashMap<usize, Rc<[Child<'a>]>>,
    /// Where the lines begin.
    lines: Vec<usize>,
}

/// A member of an object or an item of an array.
struct Child<'a> {
    /// The name; empty for an item.
    name: Cow<'a, str>,
    /// Where the name begins, or the item.
    at: usize,
    /// Where the value begins.
    value: usize,
}

impl<'a> Positions<'a> {
    /// Of that text; none if it is no JSON object or array.
    pub fn of(text: &'a [u8]) -> Option<Self> {
        let text = std::str::from_utf8(text).ok()?;
        let root = skip_space(text, 0);
        if !text.get(root..)?.starts_with(['{', '[']) {
            return None;
        }
        let breaks = text.match_indices('\n').map(|(at, _)| at + 1);
        let lines = std::iter::once(0).chain(breaks).collect();
        Some(Self { text, root, lists: HashMap::new(), lines })
    }

    /// Line and column, from 1, of the element at a FHIRPath such as `Patient.name[0].given[1]`, in
    /// the resource at the path `root`; where it is missing, of the nearest around it.
    pub fn find(&mut self, root: &str, expression: &str) -> Option<(u32, u32)> {
        let (first, below) = expression.split_once('.').unwrap_or((expression, ""));
        let mut place = (self.root, self.root);
        // In a text that is an array, such as a JSON Patch, the first step is an item of it.
        let item =
            first.split_once('[').and_then(|(_, index)| index.trim_end_matches(']').parse().ok());
        place = item.and_then(|index| self.item(place.1, index)).unwrap_or(place);
        for step in root.split('.').chain(below.split('.')).filter(|step| !step.is_empty()) {
            let (name, indices) = step.split_once('[').unwrap_or((step, ""));
            let Some(found) = self.member(place.1, name) else { break };
            place = found;
            let numbers = indices.split(['[', ']']).filter(|number| !number.is_empty());
            for index in numbers.map_while(|number| number.parse().ok()) {
                let Some(found) = self.item(place.1, index) else { break };
                place = found;
            }
        }
        self.line_and_column(place.0)
    }

    /// The member of that element: by its name, beside it, or by a name with a type.
    fn member(&mut self, object: usize, element: &str) -> Option<(usize, usize)> {
        let list = self.list(object)?;
        let beside = |name: &str| name.strip_prefix('_') == Some(element);
        let typed = |name: &str| {
            let kind = name.strip_prefix('_').unwrap_or(name).strip_prefix(element);
            kind.is_some_and(|kind| kind.starts_with(|c: char| c.is_ascii_uppercase()))
        };
        let found = list.iter().find(|child| child.name == element);
        let found = found.or_else(|| list.iter().find(|child| beside(&child.name)));
        let found = found.or_else(|| list.iter().find(|child| typed(&child.name)));
        found.map(|child| (child.at, child.value))
    }

    fn item(&mut self, array: usize, index: usize) -> Option<(usize, usize)> {
        let list = self.list(array)?;
        list.get(index).filter(|child| child.name.is_empty()).map(|child| (child.at, child.value))
    }

    /// The children of what begins there.
    fn list(&mut self, at: usize) -> Option<Rc<[Child<'a>]>> {
        if let Some(list) = self.lists.get(&at) {
            return Some(Rc::clone(list));
        }
        let list: Rc<[Child<'a>]> = children(self.text, at)?.into();
        self.lists.insert(at, Rc::clone(&list));
        Some(list)
    }

    fn line_and_column(&self, at: usize) -> Option<(u32, u32)> {
        let line = self.lines.partition_point(|start| *start <= at);
        let start = *self.lines.get(line.checked_sub(1)?)?;
        let column = self.text.get(start..at)?.chars().count() + 1;
        Some((u32::try_from(line).ok()?, u32::try_from(column).ok()?))
    }
}

/// The children of the object or array that begins there; none for another value.
fn children(text: &str, at: usize) -> Option<Vec<Child<'_>>> {
    let is_object = match text.as_bytes().get(at)? {
        b'{' => true,
        b'[' => false,
        _ => return None,
    };
    let mut list = Vec::new();
    let mut next = skip_space(text, at + 1);
    while !matches!(text.as_bytes().get(next)?, b'}' | b']') {
        let mut child = Child { name: Cow::Borrowed(""), at: next, value: next };
        if is_object {
            let end = skip_value(text, next)?;
            child.name = name(text.get(next..end)?)?;
            let colon = skip_space(text, end);
            child.value = skip_space(text, colon + 1);
        }
        next = skip_space(text, skip_value(text, child.value)?);
        if text.as_bytes().get(next) == Some(&b',') {
            next = skip_space(text, next + 1);
        }
        list.push(child);
    }
    Some(list)
}

/// The name in a quoted text.
fn name(quoted: &str) -> Option<Cow<'_, str>> {
    if quoted.contains('\\') {
        return serde_json::from_str(quoted).ok().map(Cow::Owned);
    }
    Some(Cow::Borrowed(quoted.strip_prefix('"')?.strip_suffix('"')?))
}

fn skip_space(text: &str, at: usize) -> usize {
    let rest = text.as_bytes().get(at..).unwrap_or_default();
    at + rest.iter().take_while(|byte| b" \t\r\n".contains(byte)).count()
}

/// Where the value that begins there ends; always further on.
fn skip_value(text: &str, at: usize) -> Option<usize> {
    let bytes = text.as_bytes();
    let mut depth = 0_usize;
    let mut next = at;
    loop {
        match bytes.get(next)? {
            b'"' => next = skip_text(bytes, next)?,
            b'{' | b'[' => {
                depth += 1;
                next += 1;
            }
            b'}' | b']' => {
                depth = depth.checked_sub(1)?;
                next += 1;
            }
            _ if depth > 0 => next += 1,
            _ => {
                let rest = bytes.get(next..)?;
                let length = rest.iter().take_while(|byte| !b",]} \t\r\n".contains(byte)).count();
                return (length > 0).then_some(next + length);
            }
        }
        if depth == 0 {
            return Some(next);
        }
    }
}

fn skip_text(bytes: &[u8], at: usize) -> Option<usize> {
    let mut next = at + 1;
    loop {
        match bytes.get(next)? {
            b'"' => return Some(next + 1),
            b'\\' => next += 2,
            _ => next += 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_of_elements() {
        let text = "{\n  \"resourceType\": \"Patient\",\n  \"name\": [\n    {\"given\": [\"\u{e4}\", \"b\\\"]\"] , \
            \"_family\":{}},\n    { \"a\": -1e5}],\n \"deceasedBoolean\":true, \"n\\u0061me\": 1,\n \
            \"contained\":[{\"id\":\"x\",\"text\":{\"div\":\"[{\"}}]}";
        let mut positions = Positions::of(text.as_bytes()).unwrap();
        for (root, expression, expected) in [
            ("", "Patient", (1, 1)),
            ("", "Patient.name", (3, 3)),
            ("", "Patient.name[0]", (4, 5)),
            ("", "Patient.name[0].given[1]", (4, 21)),
            ("", "Patient.name[0].family", (4, 31)),
            ("", "Patient.name[1]", (5, 5)),
            ("", "Patient.name[1].a", (5, 7)),
            ("", "Patient.name[2].a", (3, 3)),
            ("", "Patient.deceased", (6, 2)),
            ("", "Patient.contained[0].text.div", (7, 33)),
            ("contained[0]", "Patient.id", (7, 16)),
            ("", "Patient.missing.deeper", (1, 1)),
        ] {
            assert_eq!(positions.find(root, expression), Some(expected), "{expression}");
        }
    }

    #[test]
    fn other_texts_have_no_places() {
        assert!(Positions::of(b"1").is_none());
        assert!(Positions::of(b"<Patient/>").is_none());
        assert!(Positions::of(b"\xff{}").is_none());
        for broken in ["{", "{\"a\"", "{\"a\":", "{\"a\":[1,", "{\"a\\", "{]}", "{,}", "{\"a\":}"] {
            let mut positions = Positions::of(broken.as_bytes()).unwrap();
            assert_eq!(positions.find("", "X.a[0].b"), Some((1, 1)), "{broken}");
        }
    }
}
