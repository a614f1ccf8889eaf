//! Access tokens of an external `OpenID` Connect issuer, as JWTs.
//!
//! Source: <https://www.rfc-editor.org/rfc/rfc9068>, <https://www.rfc-editor.org/rfc/rfc8725>,
//! <https://hl7.org/fhir/smart-app-launch/STU2.2/scopes-and-launch-context.html>.

use jsonwebtoken::jwk::{AlgorithmParameters, EllipticCurve, Jwk, JwkSet};
use jsonwebtoken::{Algorithm, DecodingKey, Validation, decode, decode_header};
use serde::Deserialize;

use crate::fhir::{Id, Instant};
use crate::smart::{Access, Audience, Scope, user_here};

/// How far the clocks of issuer and server may differ, in milliseconds.
const LEEWAY: i64 = 30 * 1000;

/// Why a token is not believed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Refused {
    /// It is signed with a key that is not at hand; the issuer may have a new one.
    Key,
    /// Whatever else.
    Bad,
}

#[derive(Deserialize)]
struct Claims {
    iss: String,
    aud: Audience,
    exp: f64,
    nbf: Option<f64>,
    sub: Option<String>,
    #[serde(alias = "azp")]
    client_id: Option<String>,
    scope: Option<String>,
    patient: Option<String>,
    #[serde(rename = "fhirUser")]
    fhir_user: Option<String>,
}

/// What the token of that issuer for that audience permits, and when it ends. `base` is the
/// server's own base URL, by which the user may be named.
///
/// # Errors
/// [`Refused`].
pub fn verify(
    token: &str,
    (issuer, audience): (&str, &str),
    keys: &JwkSet,
    base: &str,
    now: Instant,
) -> Result<(Access, Instant), Refused> {
    let header = decode_header(token).map_err(|_| Refused::Bad)?;
    if header.crit.is_some() {
        return Err(Refused::Bad);
    }
    let kid = header.kid.as_deref().ok_or(Refused::Bad)?;
    let key = keys.find(kid).ok_or(Refused::Key)?;
    if !fits(key, header.alg) {
        return Err(Refused::Bad);
    }
    let key = DecodingKey::from_jwk(key).map_err(|_| Refused::Bad)?;
    let mut validation = Validation::new(header.alg);
    // Told by us below, against the time of the request.
    (validation.validate_exp, validation.validate_aud) = (false, false);
    validation.required_spec_claims.clear();
    let claims: Claims = decode(token, &key, &validation).map_err(|_| Refused::Bad)?.claims;
    let (ends, begins) = (super::millis(claims.exp), claims.nbf.map(super::millis));
    let in_time = ends > now.millis()
        && begins.is_none_or(|begins| begins <= now.millis().saturating_add(LEEWAY));
    if claims.iss != issuer || !claims.aud.has(audience) || !in_time {
        return Err(Refused::Bad);
    }
    let access = Access {
        client: claims.client_id.or(claims.sub).ok_or(Refused::Bad)?,
        scopes: Scope::all(&claims.scope.unwrap_or_default()),
        patient: claims.patient.as_deref().and_then(Id::parse),
        user: claims.fhir_user.as_deref().and_then(|text| user_here(text, base)),
    };
    Ok((access, Instant::from_millis(ends)))
}

/// Whether signatures of that algorithm are checked with a key of that kind.
pub(super) fn fits(key: &Jwk, algorithm: Algorithm) -> bool {
    match (&key.algorithm, algorithm) {
        (AlgorithmParameters::RSA(_), Algorithm::RS256 | Algorithm::RS384 | Algorithm::PS256) => {
            true
        }
        (AlgorithmParameters::EllipticCurve(curve), Algorithm::ES256) => {
            curve.curve == EllipticCurve::P256
        }
        (AlgorithmParameters::EllipticCurve(curve), Algorithm::ES384) => {
            curve.curve == EllipticCurve::P384
        }
        _ => false,
    }
}
