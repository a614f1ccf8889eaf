//! What a client prefers: what is returned, and how what is unknown is dealt with.
//!
//! Source: <http://hl7.org/fhir/R4/http.html#prefer>, <https://www.rfc-editor.org/rfc/rfc7240>.

use actix_web::http::header::{HeaderMap, HeaderName};

use crate::interaction::Return;

/// The value of `Preference-Applied`.
pub(super) fn applied(answer: Return) -> &'static str {
    match answer {
        Return::Minimal => "return=minimal",
        Return::Representation => "return=representation",
        Return::OperationOutcome => "return=OperationOutcome",
    }
}

/// The `Prefer` headers of a request; the standard wants unknown preferences ignored.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub(super) struct Prefer {
    /// `return`, where the client says.
    pub(super) answer: Option<Return>,
    /// `handling`, where the client says: whether unknown parameters are refused.
    pub(super) strict: Option<bool>,
    /// `respond-async`: whether the client will ask for the answer later.
    pub(super) respond_async: bool,
}

impl Prefer {
    /// Reads the headers; the first of the same preferences counts.
    pub(super) fn of(headers: &HeaderMap) -> Self {
        let mut prefer = Self::default();
        let values = headers.get_all(HeaderName::from_static("prefer"));
        let values = values.filter_map(|value| value.to_str().ok());
        for preference in values.flat_map(|value| value.split([',', ';'])) {
            let Some((name, value)) = preference.split_once('=') else {
                prefer.respond_async |= preference.trim().eq_ignore_ascii_case("respond-async");
                continue;
            };
            let value = value.trim().trim_matches('"');
            match name.trim().to_ascii_lowercase().as_str() {
                "return" => {
                    prefer.answer = prefer.answer.or(match value {
                        "minimal" => Some(Return::Minimal),
                        "representation" => Some(Return::Representation),
                        "OperationOutcome" => Some(Return::OperationOutcome),
                        _ => None,
                    });
                }
                "handling" => {
                    prefer.strict = prefer.strict.or(match value {
                        "strict" => Some(true),
                        "lenient" => Some(false),
                        _ => None,
                    });
                }
                _ => {}
            }
        }
        prefer
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn preferences() {
        let mut headers = HeaderMap::new();
        let value = "respond-async, return=minimal; handling=strict".parse().unwrap();
        headers.append(HeaderName::from_static("prefer"), value);
        let prefer = Prefer::of(&headers);
        let expected =
            Prefer { answer: Some(Return::Minimal), strict: Some(true), respond_async: true };
        assert_eq!(prefer, expected);
    }
}
