//! JSON Patch: the operations of RFC 6902 on a JSON value.
//!
//! Where one operation does not fit, none counts. A short patch could copy a value into itself
//! again and again, or nest it ever deeper; both have bounds.
//! Source: <https://www.rfc-editor.org/rfc/rfc6902>.

use json_patch::jsonptr::Pointer;
use json_patch::{PatchErrorKind, PatchOperation};
use serde_json::Value;

use crate::error::Error;
use crate::fhir::json::MAX_DEPTH;
use crate::fhir::json::compare::{equal, is_deeper, weight};
use crate::fhir::{Issue, IssueType};

/// How many operations a patch may have.
const MOST_OPERATIONS: usize = 10_000;

/// How much a patch may copy, in bytes.
const MOST_COPIED: usize = 16 << 20;

/// Why an operation was not carried out: a sentence without values.
type Unfit = (IssueType, String);

/// The value as the operations leave it.
///
/// # Errors
/// [`Error::PatchTest`] at the test that does not hold, [`Error::Patch`] at any other operation that
/// does not fit.
pub(super) fn apply(operations: &[PatchOperation], mut value: Value) -> Result<Value, Error> {
    if operations.len() > MOST_OPERATIONS {
        let text = format!("A patch has {MOST_OPERATIONS} operations at most.");
        return Err(Error::Patch(Issue::error(IssueType::TooCostly, text).at("patch")));
    }
    let mut copied = 0;
    for (at, operation) in operations.iter().enumerate() {
        one(operation, &mut value, &mut copied).map_err(|(code, text)| {
            let issue = Issue::error(code, text).at(format!("patch[{at}]"));
            if code == IssueType::Conflict { Error::PatchTest(issue) } else { Error::Patch(issue) }
        })?;
    }
    Ok(value)
}

fn one(operation: &PatchOperation, value: &mut Value, copied: &mut usize) -> Result<(), Unfit> {
    match operation {
        PatchOperation::Test(test) => {
            return match value.pointer(test.path.as_str()) {
                None => Err(unfit(&test.path, &PatchErrorKind::InvalidPointer)),
                Some(found) if equal(found, &test.value) => Ok(()),
                Some(_) => Err(unfit(&test.path, &PatchErrorKind::TestFailed)),
            };
        }
        PatchOperation::Add(add) => bound_depth(&add.path, Some(&add.value))?,
        PatchOperation::Replace(replace) => bound_depth(&replace.path, Some(&replace.value))?,
        PatchOperation::Move(step) => bound_depth(&step.path, value.pointer(step.from.as_str()))?,
        PatchOperation::Copy(step) => {
            let source = value.pointer(step.from.as_str());
            *copied = copied.saturating_add(source.map_or(0, weight));
            if *copied > MOST_COPIED {
                let text = "The patch copies more than can be stored.".to_owned();
                return Err((IssueType::TooCostly, text));
            }
            bound_depth(&step.path, source)?;
        }
        PatchOperation::Remove(_) => {}
    }
    // What an operation that failed left behind is thrown away with the rest.
    json_patch::patch_unsafe(value, std::slice::from_ref(operation))
        .map_err(|error| unfit(&error.path, &error.kind))
}

/// That the value does not nest too deep where it is put.
fn bound_depth(path: &Pointer, value: Option<&Value>) -> Result<(), Unfit> {
    let left = MAX_DEPTH.checked_sub(path.tokens().count());
    if left.is_some_and(|left| value.is_none_or(|value| !is_deeper(value, left))) {
        return Ok(());
    }
    let text = format!("Arrays and objects nest {MAX_DEPTH} deep at most.");
    Err((IssueType::TooCostly, text))
}

/// Why an operation does not fit at that place.
fn unfit(path: &Pointer, kind: &PatchErrorKind) -> Unfit {
    let code = match kind {
        PatchErrorKind::TestFailed => IssueType::Conflict,
        _ => IssueType::Processing,
    };
    (code, format!("At {path}: {kind}."))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn patched(value: Value, patch: Value) -> Result<Value, IssueType> {
        let patch: json_patch::Patch = serde_json::from_value(patch).unwrap();
        apply(&patch, value).map_err(|error| error.issues()[0].code)
    }

    #[test]
    fn a_short_patch_makes_nothing_huge() {
        let copy = json!({ "op": "copy", "from": "/a", "path": "/a/-" });
        let doubling = Value::Array(vec![copy; 60]);
        assert_eq!(patched(json!({ "a": ["text"] }), doubling), Err(IssueType::TooCostly));
        let side = json!({ "op": "copy", "from": "/a", "path": "/b/-" });
        let long = "x".repeat(1 << 20);
        let many = Value::Array(vec![side; 20]);
        assert_eq!(patched(json!({ "a": long, "b": [] }), many), Err(IssueType::TooCostly));
        let test = json!({ "op": "test", "path": "/a", "value": 1 });
        let many = Value::Array(vec![test.clone(); MOST_OPERATIONS]);
        assert!(patched(json!({ "a": 1.0 }), many.clone()).is_ok());
        let more = Value::Array(many.as_array().unwrap().iter().cloned().chain([test]).collect());
        assert_eq!(patched(json!({ "a": 1 }), more), Err(IssueType::TooCostly));
    }

    #[test]
    fn nothing_nests_without_end() {
        let add = |at: usize| json!({ "op": "add", "path": "/a".repeat(at + 1), "value": {} });
        let steps = |count: usize| Value::Array((0..count).map(add).collect());
        assert!(patched(json!({}), steps(MAX_DEPTH - 1)).is_ok());
        assert_eq!(patched(json!({}), steps(MAX_DEPTH + 1)), Err(IssueType::TooCostly));
        let wrap = json!([{ "op": "move", "from": "/a", "path": "/b/c" }]);
        let deep = (0..MAX_DEPTH).fold(json!(1), |inner, _| json!([inner]));
        assert_eq!(patched(json!({ "a": deep, "b": {} }), wrap), Err(IssueType::TooCostly));
    }
}
