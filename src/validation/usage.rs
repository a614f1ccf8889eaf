//! Where an extension may be used, and whether it is used there.
//!
//! Source: <http://hl7.org/fhir/R4/defining-extensions.html#context>.

use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

use serde_json::Value;

use super::fhirpath::{Expression, Fault};
use super::scope::Frame;
use crate::fhir::json::At;

/// What the definition of an extension says about its use.
#[derive(Default, Debug)]
pub(super) struct Usage {
    contexts: Vec<Context>,
    /// Whether it is one that changes the meaning of what is around it.
    pub(super) modifier: bool,
    /// How often one element may have it; none for any number.
    pub(super) max: Option<u64>,
    /// What must be true of the element that has it, in FHIRPath.
    pub(super) invariants: Vec<Parsed>,
}

/// An expression, or why it cannot be read.
pub(super) type Parsed = Result<Expression, Fault>;

#[derive(Debug)]
enum Context {
    /// An element by its path, or all of a type.
    Element(String),
    /// Inside the extension of that url.
    Extension(u64),
    /// What an expression over the resource finds.
    Path(Parsed),
}

/// A url in short, to be compared.
pub(super) fn url_key(url: &str) -> u64 {
    let mut hasher = DefaultHasher::new();
    url.hash(&mut hasher);
    hasher.finish()
}

impl Usage {
    /// Reads `x-usage` of the schema of the extension of that canonical.
    pub(super) fn parse(value: &Value, url: &str) -> Option<Self> {
        let text = |value: &Value, key: &str| value.at(key).as_str().unwrap_or_default().to_owned();
        let context = |value: &Value| {
            let expression = text(value, "expression");
            match value.at("type").as_str() {
                Some("extension") => Context::Extension(url_key(&expression)),
                Some("fhirpath") => Context::Path(Expression::parse(&expression)),
                _ => Context::Element(expression),
            }
        };
        let list = |key: &str| value.at(key).as_array().into_iter().flatten();
        value.as_object()?;
        Some(Self {
            contexts: list("contexts").map(context).collect(),
            modifier: value.at("modifier") == true,
            max: value.at("max").as_u64(),
            invariants: list("invariants")
                .filter_map(Value::as_str)
                .map(|expression| Expression::parse(&with_extension(expression, url)))
                .collect(),
        })
    }

    /// Whether the extension at the end of the way may be there by the paths and types on it.
    /// Without any context nothing is said.
    pub(super) fn is_at_home(&self, way: &[Frame]) -> bool {
        self.contexts.is_empty()
            || self.contexts.iter().any(|context| match context {
                Context::Element(expression) => is_at(way, expression),
                Context::Extension(url) => is_inside(way, *url),
                Context::Path(_) => false,
            })
    }

    /// The expressions of which one may find the element that has the extension.
    pub(super) fn paths(&self) -> impl Iterator<Item = &Parsed> {
        self.contexts.iter().filter_map(|context| match context {
            Context::Path(expression) => Some(expression),
            _ => None,
        })
    }
}

/// A contextInvariant with the extension itself in the place of `%extension`. Those of R4 name its
/// value as JSON does (`%extension.valueInteger`), which FHIRPath does not.
fn with_extension(expression: &str, url: &str) -> String {
    let mut parts = expression.split("%extension");
    let mut written = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        written.extend(["extension('", url, "')"]);
        match part.strip_prefix(".value") {
            Some(rest) => {
                written.push_str(".value");
                written.push_str(rest.trim_start_matches(|c: char| c.is_ascii_alphanumeric()));
            }
            None => written.push_str(part),
        }
    }
    written
}

/// Whether the extension at the end of the way is a child of the extension of that url, or stands on
/// its value.
fn is_inside(way: &[Frame], url: u64) -> bool {
    match way {
        [.., parent, own] if own.standing.path == "Extension.extension" => parent.url == url,
        [.., parent, value, own] => {
            value.standing.path == "Extension.value"
                && own.standing.path.matches('.').count() == 1
                && parent.url == url
        }
        _ => false,
    }
}

/// The types that other types specialise
/// (<http://hl7.org/fhir/R4/datatypes.html#open>).
fn base(kind: &str) -> Option<&'static str> {
    Some(match kind {
        "Age" | "Count" | "Distance" | "Duration" => "Quantity",
        "code" | "id" | "markdown" => "string",
        "canonical" | "oid" | "url" | "uuid" => "uri",
        "positiveInt" | "unsignedInt" => "integer",
        _ => return None,
    })
}

/// The elements that every resource has.
const INHERITED: [&str; 7] =
    [".id", ".meta", ".implicitRules", ".language", ".text", ".contained", ".extension"];

/// Whether the element that has the extension at the end of the way is that of the expression: by
/// its path, from whichever type on the way one starts, or by its type.
fn is_at(way: &[Frame], expression: &str) -> bool {
    let Some((own, outer)) = way.split_last() else { return true };
    let Some((mut head, _)) = own.standing.path.rsplit_once('.') else { return false };
    if expression == "Element" || expression == "BackboneElement" && head.contains('.') {
        return true;
    }
    // What follows the head, the nearest piece first.
    let mut tail: Vec<&str> = Vec::new();
    let mut outer = outer.iter().rev();
    loop {
        if is_path(expression, head, &tail) {
            return true;
        }
        let root = head.split('.').next().unwrap_or(head);
        let Some(around) = outer.next() else {
            let rest = head.strip_prefix(root).unwrap_or_default();
            return is_of_any_resource(expression, rest, &tail);
        };
        let kind = around.standing.kind.as_str();
        let is_whole = head == root && tail.is_empty();
        if is_whole && (kind == expression || base(kind) == Some(expression)) {
            return true;
        }
        let rest = head.strip_prefix(root).unwrap_or_default();
        if !rest.is_empty() {
            tail.insert(0, rest);
        }
        head = &around.standing.path;
    }
}

/// Whether the expression is the head and what follows it.
fn is_path(expression: &str, head: &str, tail: &[&str]) -> bool {
    let mut rest = expression.strip_prefix(head);
    for piece in tail {
        rest = rest.and_then(|rest| rest.strip_prefix(piece));
    }
    rest == Some("")
}

/// Whether the expression is of the abstract types that a resource has its first elements from.
fn is_of_any_resource(expression: &str, rest: &str, tail: &[&str]) -> bool {
    let inner = expression.strip_prefix("Domain").unwrap_or(expression);
    let Some(path) = inner.strip_prefix("Resource") else { return false };
    let is_inherited = rest.is_empty() || INHERITED.contains(&rest);
    is_inherited && is_path(path, rest, tail)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::validation::standing::standing;
    use serde_json::json;

    fn check(way: &[(&str, &str)], expression: &str, expected: bool) {
        let frame = |(path, kind): &(&str, &str)| Frame {
            standing: standing(&json!({ "path": path, "kind": kind })).unwrap(),
            url: 0,
        };
        let frames: Vec<Frame> = way.iter().map(frame).collect();
        assert_eq!(is_at(&frames, expression), expected, "{way:?} {expression}");
    }

    #[test]
    fn the_extension_in_its_own_invariant() {
        let written = with_extension("repeats=true or %extension.valueInteger=1", "u");
        assert_eq!(written, "repeats=true or extension('u').value=1");
        assert_eq!(with_extension("%extension.exists()", "u"), "extension('u').exists()");
    }

    #[test]
    fn elements_by_path_and_by_type() {
        let root = [("Patient.extension", "Extension")];
        for (expression, expected) in [
            ("Patient", true),
            ("DomainResource", true),
            ("Resource", true),
            ("Element", true),
            ("BackboneElement", false),
            ("Person", false),
            ("Patient.name", false),
        ] {
            check(&root, expression, expected);
        }
        let contact = [("Patient.contact.extension", "Extension")];
        check(&contact, "Patient.contact", true);
        check(&contact, "BackboneElement", true);
        check(&contact, "Patient", false);
        check(&contact, "DomainResource", false);
        let family = [
            ("Patient.contact.name", "HumanName"),
            ("HumanName.family", "string"),
            ("Element.extension", "Extension"),
        ];
        for (expression, expected) in [
            ("HumanName.family", true),
            ("Patient.contact.name.family", true),
            ("string", true),
            ("Element", true),
            ("HumanName", false),
            ("Patient.contact.name", false),
            ("Patient.name.family", false),
        ] {
            check(&family, expression, expected);
        }
        let text = [("Patient.text", "Narrative"), ("Narrative.extension", "Extension")];
        check(&text, "DomainResource.text", true);
        check(&text, "Narrative", true);
        check(&text, "DomainResource", false);
        let age = [("Condition.onset", "Age"), ("Age.extension", "Extension")];
        check(&age, "Quantity", true);
        check(&age, "Condition.onset", true);
        let inner = [("Patient.extension", "Extension"), ("Extension.extension", "Extension")];
        check(&inner, "Extension", true);
        check(&inner, "Patient", false);
    }
}
