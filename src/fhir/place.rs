//! Where in the text of a resource an element stands, in either format, as line and column.
//!
//! JSON is looked through as far as it must be; of XML the document is read once more, as only who has
//! something to say comes here. The text must have been read without a fault before.

use roxmltree::{Document, Node};

use super::Issue;
use super::json::position::Positions;

/// The places of one text.
pub enum Places<'a> {
    /// Of a text in JSON.
    Json(Positions<'a>),
    /// Of a text in XML.
    Xml(Box<Document<'a>>),
}

impl<'a> Places<'a> {
    /// Of that text; none if it is in neither format.
    pub fn of(text: &'a [u8]) -> Option<Self> {
        if text.trim_ascii_start().first() != Some(&b'<') && !text.starts_with(b"\xEF\xBB\xBF<") {
            return Positions::of(text).map(Self::Json);
        }
        let document = Document::parse(std::str::from_utf8(text).ok()?).ok()?;
        Some(Self::Xml(Box::new(document)))
    }

    /// Adds line and column to the issues that have none. `root` is the path of the resource within
    /// the text, such as `entry[0].resource`; mostly it is empty.
    pub fn locate<'i>(&mut self, issues: impl Iterator<Item = &'i mut Issue>, root: &str) {
        for issue in issues.filter(|issue| issue.position.is_none()) {
            let expression = issue.expression.as_deref();
            let below = expression.filter(|place| !place.starts_with("http."));
            issue.position = below.and_then(|below| match self {
                Self::Json(positions) => positions.find(root, below),
                Self::Xml(document) => Some(find(document, root, below)),
            });
        }
    }
}

/// Line and column, from 1, of the element at a FHIRPath in the resource at the path `root`; where
/// it is missing, of the nearest around it.
fn find(document: &Document<'_>, root: &str, expression: &str) -> (u32, u32) {
    let below = expression.split_once('.').map_or("", |(_, below)| below);
    let mut place = document.root_element();
    for step in root.split('.').chain(below.split('.')).filter(|step| !step.is_empty()) {
        let (name, index) = step.split_once('[').unwrap_or((step, ""));
        let index = index.trim_end_matches(']').parse().unwrap_or(0);
        let Some(found) = child(inner(place), name, index) else { break };
        place = found;
    }
    let position = document.text_pos_at(place.range().start);
    (position.row, position.col)
}

/// The resource in an element that holds one; else the element.
fn inner<'a, 'd>(node: Node<'a, 'd>) -> Node<'a, 'd> {
    let first = node.first_element_child();
    let is_type = |child: &Node<'_, '_>| {
        child.tag_name().name().starts_with(|c: char| c.is_ascii_uppercase())
    };
    first.filter(is_type).unwrap_or(node)
}

/// The child of that name, or of that name with a type; of several the one at the index.
fn child<'a, 'd>(node: Node<'a, 'd>, name: &str, index: usize) -> Option<Node<'a, 'd>> {
    let elements = || node.children().filter(Node::is_element);
    let typed = |child: &Node<'_, '_>| {
        let kind = child.tag_name().name().strip_prefix(name);
        kind.is_some_and(|kind| kind.starts_with(|c: char| c.is_ascii_uppercase()))
    };
    let mut named = elements().filter(|child| child.tag_name().name() == name);
    named.nth(index).or_else(|| elements().find(typed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::IssueType;

    fn check(text: &str, root: &str, expression: &str, expected: Option<(u32, u32)>) {
        let mut issues = [Issue::error(IssueType::Value, "x").at(expression)];
        if let Some(mut places) = Places::of(text.as_bytes()) {
            places.locate(issues.iter_mut(), root);
        }
        assert_eq!(issues[0].position, expected, "{root} {expression}");
    }

    #[test]
    fn elements_of_xml() {
        let text = "<?xml version=\"1.0\"?>\n<Bundle xmlns=\"http://hl7.org/fhir\">\n<entry/>\n<entry>\n\
                    <resource><Observation>\n <valueString value=\"x\"/>\n <contained><Basic>\n\
                    <id value=\"c\"/></Basic></contained>\n</Observation></resource>\n</entry></Bundle>";
        for (root, expression, expected) in [
            ("", "Bundle", (2, 1)),
            ("", "Bundle.entry[1]", (4, 1)),
            ("", "Bundle.entry[1].resource.value", (6, 2)),
            ("", "Bundle.entry[1].resource.contained[0].id", (8, 1)),
            ("entry[1].resource", "Observation.value", (6, 2)),
            ("entry[1].resource", "Observation.code", (5, 1)),
            ("", "Bundle.entry[7]", (2, 1)),
        ] {
            check(text, root, expression, Some(expected));
        }
        check(text, "", "http.id", None);
    }

    #[test]
    fn elements_of_json_and_nothing_else() {
        check("{\n\"a\":1}", "", "Basic.a", Some((2, 1)));
        check("[{},\n {}]", "", "patch[1]", Some((2, 2)));
        check("a=b", "", "Basic.a", None);
        check("<a", "", "Basic.a", None);
        check("", "", "Basic.a", None);
    }
}
