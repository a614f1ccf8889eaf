//! What was signed stays as it is.
//!
//! The parts of a signed letter carry the standard's tag for a document that is legally
//! authenticated; a client can neither change nor delete them. Other types are never sealed, whatever
//! tag they carry. Marking a letter as superseded is not a client's doing and does not pass here.
//! Source: <http://hl7.org/fhir/R4/documents.html#content>,
//! <http://terminology.hl7.org/CodeSystem/v3-DocumentCompletion>.

use serde_json::Value;

use crate::error::Error;
use crate::letter::{self, SEALED_TYPES};
use crate::repository::Stored;

/// Refuses what would change or delete a part of a signed letter.
///
/// # Errors
/// [`Error::Sealed`].
pub(super) fn refuse(current: Option<&Stored>) -> Result<(), Error> {
    match current {
        Some(stored) if is_sealed(stored) => Err(Error::Sealed),
        _ => Ok(()),
    }
}

fn is_sealed(stored: &Stored) -> bool {
    let body = stored.body.as_deref().filter(|_| SEALED_TYPES.contains(&stored.kind.as_str()));
    let value: Option<Value> = body.and_then(|body| serde_json::from_slice(body).ok());
    value.as_ref().is_some_and(letter::is_sealed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fhir::{Id, Instant, ResourceType, VersionId};
    use crate::letter::SEAL;
    use crate::repository::Method;

    fn check(kind: &str, meta: &str, expected: bool) {
        let body = format!(r#"{{"resourceType":"{kind}","meta":{meta}}}"#).into_bytes();
        let stored = Stored {
            kind: ResourceType::parse(kind).unwrap(),
            id: Id::parse("a").unwrap(),
            version: VersionId(1),
            last_updated: Instant::from_millis(0),
            method: Method::Put,
            seq: 1,
            body: Some(body),
        };
        assert_eq!(refuse(Some(&stored)).is_err(), expected, "{kind} {meta}");
    }

    #[test]
    fn only_parts_of_signed_letters() {
        let (system, code) = SEAL;
        let seal = format!(r#"{{"tag":[{{"system":"{system}","code":"{code}"}}]}}"#);
        check("Composition", &seal, true);
        check("Binary", &seal, true);
        check("Binary", "{}", false);
        check("Patient", &seal, false);
        check("Composition", &seal.replace(code, "AU"), false);
        assert!(refuse(None).is_ok());
    }
}
